"""Whether a picture that does not fit the time told shows the same body at another time."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import numpy.typing as npt

from simulate.compose.check_bench import Bench
from simulate.errors import InputError
from simulate.geometry import Apparition, apparition, instant_after
from simulate.judgement.checking.dates import by_likeness
from simulate.judgement.checking.finding import Found
from simulate.judgement.checking.fitting import Fit, fit_picture
from simulate.judgement.checking.model import Theory
from simulate.judgement.checking.results import OtherTime

FloatArray = npt.NDArray[np.floating]

HOUR_S, DAY_S = 3600.0, 86400.0

LEAST_LIKE = 0.3
"""Share of a picture below which it is not even a poor likeness of the body, and no other time is tried."""

SURE = 0.985
"""Share of a picture that another time must explain before it is offered."""

LEAST_ALIKE = 0.97
"""Correlation with a picture from which a time is worth a fit."""

BETTER = 0.5
"""Share of what is unexplained that another time may leave so before it is preferred."""

ROTATION_STEPS = 16
"""Faces of a marked body that are tried, evenly over one rotation."""

YEARS = (0.5, 1.0, 1.5, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0)
"""Years before and after that are tried for a body with rings."""

WEEKS = (1, 2, 3, 4, 6, 8, 10, 12, 15, 18, 22, 26, 30, 35, 40)
"""Weeks before and after that are tried for a body with phases."""

LARGE_PHASE_DEG = 25.0
"""Phase angle from which the outline tells the date better than the face."""


def refuse_other_time(bench: Bench, levels: FloatArray, found: Found, bits: int, fit: Fit) -> None:
    """Raise `InputError` that names another time, if a picture fits the body then and not as told.

    Parameters
    ----------
    bench : Bench
        The body as told.
    levels : array, shape (rows, columns)
        The picture.
    found : Found
        Where its planet is.
    bits : int
        Of the file.
    fit : Fit
        The poor fit.
    """
    other = other_time(bench, levels, found, bits, fit)
    if other is None or other.explained < SURE:
        return
    told = (
        f"the picture does not look like it at this time (theory explains {100 * fit.explained:.0f} % of it), but as "
        f"at about {other.words} ({100 * other.explained:.0f} %) or when it stood alike: mind date, time zone and clock"
    )
    raise InputError("--time", bench.seen.time_utc, told)


def other_time(bench: Bench, levels: FloatArray, found: Found, bits: int, fit: Fit) -> OtherTime | None:
    """Return another time whose theory leaves at most half as much of a picture unexplained, or None.

    Parameters
    ----------
    bench, levels, found, bits, fit
        As for `refuse_other_time`.
    """
    offsets = list(_offsets_s(bench))
    if fit.explained < LEAST_LIKE or not offsets:
        return None
    likeness, offset = by_likeness(levels, found, offsets, lambda away: _theory(bench, away))[0]
    if likeness < LEAST_ALIKE:
        return None
    explained = _explained(bench, levels, found, bits, offset)
    if 1.0 - explained > BETTER * (1.0 - fit.explained):
        return None
    return OtherTime(_seen(bench, offset).time_utc, explained)


def _explained(bench: Bench, levels: FloatArray, found: Found, bits: int, offset_s: float) -> float:
    try:
        return fit_picture(levels, found, _theory(bench, offset_s), bits).explained
    except InputError:
        return 0.0


def _offsets_s(bench: Bench) -> Iterator[float]:
    """Times that differ in what shows: the opening of the rings, the phase, or the face."""
    seen = bench.seen
    if bench.body.rings:
        spans = [365.25 * DAY_S * years for years in YEARS]
    elif seen.phase_angle_deg > LARGE_PHASE_DEG:
        spans = [7 * DAY_S * weeks for weeks in WEEKS]
    elif bench.body.features and seen.central_meridian_deg:
        rotation = _rotation_s(bench)
        yield from (rotation * step / ROTATION_STEPS for step in range(1, ROTATION_STEPS))
        return
    else:
        return
    for span in spans:
        yield from (-span, span)


def _rotation_s(bench: Bench) -> float:
    """Time in which the middle of the disc sees every longitude once."""
    system = next(iter(bench.seen.central_meridian_deg))
    later = _seen(bench, HOUR_S).central_meridian_deg[system]
    moved = (later - bench.seen.central_meridian_deg[system]) % 360.0
    return HOUR_S * 360.0 / min(max(moved, 1.0), 359.0)


def _seen(bench: Bench, offset_s: float) -> Apparition:
    time = instant_after(bench.seen.time_utc, offset_s)
    return apparition(bench.body, time, bench.seen.site, ephemeris=bench.seen.ephemeris)


def _theory(bench: Bench, offset_s: float) -> Theory:
    return bench.at(_seen(bench, offset_s))
