"""Whether a picture that does not fit the time told shows the same body at another time."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from simulate.bodies import Body, body_names, load_body
from simulate.checking.bench import Bench
from simulate.checking.dates import by_likeness, likeness
from simulate.checking.finding import Found
from simulate.checking.findings import rotation_of
from simulate.checking.fitting import Fit, fit_picture
from simulate.checking.model import Theory
from simulate.checking.results import OtherTime
from simulate.errors import InputError, kept_warnings
from simulate.geometry import Apparition, apparition, instant_after
from simulate.scene import SceneOptions

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

SETTLED = 0.8
"""The same where the picture tells angle and mirror then, and not as told."""

GLOBE_FITS, FACE_STEPS = 0.99, 24
"""Share of a picture from which its globe fits, so that only the face is sought, and faces that are tried then."""

ROTATION_STEPS = 16
"""Faces of a marked body that are tried, evenly over half a rotation before and after."""

YEARS = (0.5, 1.0, 1.5, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0)
"""Years before and after that are tried for a body with rings."""

WEEKS = (1, 2, 3, 4, 6, 8, 10, 12, 15, 18, 22, 26, 30, 35, 40)
"""Weeks before and after that are tried for a body with phases."""

LARGE_PHASE_DEG = 25.0
"""Phase angle from which the outline tells the date better than the face."""


def refuse_other_body(bench: Bench, levels: FloatArray, found: Found, fit: Fit) -> None:
    """Raise `InputError` that names another bright planet, if a picture looks like it at the time told.

    Parameters
    ----------
    bench, levels, found, fit
        As for `refuse_other_time`.
    """
    own = likeness(levels, found, bench.theory(bench.green))
    others = [body for body in map(load_body, body_names()) if body.observing.often_pictured]
    likes = [(_like(bench, body, levels, found), body.name) for body in others if body.name != bench.body.name]
    alike, name = max(likes)
    if alike > LEAST_ALIKE and 1.0 - alike < BETTER * (1.0 - own):
        told = (
            f"the picture does not look like it (theory explains {100 * max(fit.explained, 0.0):.0f} % of it) but like "
            f"{name} at that time"
        )
        raise InputError("BODY", bench.body.name, told)


def _like(bench: Bench, body: Body, levels: FloatArray, found: Found) -> float:
    """Likeness of a picture to another planet at the time told."""
    with kept_warnings():  # of a body that nobody asked for
        seen = apparition(body, bench.seen.time_utc, ephemeris=bench.seen.ephemeris)
        other = Bench(body, bench.instrument, seen, bench.sky, SceneOptions())
        return likeness(levels, found, other.theory(other.green))


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
        f"at about {other.words} ({100 * other.explained:.0f} %) or when it stood alike: mind date, time zone and "
        "clock, or it is another planet"
    )
    raise InputError("--time", bench.seen.time_utc, told)


def other_time(bench: Bench, levels: FloatArray, found: Found, bits: int, fit: Fit) -> OtherTime | None:
    """Return another time whose theory leaves much less of a picture unexplained, or None.

    Half as much, as a rule; where the picture does not tell its angle as told, it is enough that it tells angle and
    mirror then and leaves clearly less.

    Parameters
    ----------
    bench, levels, found, bits, fit
        As for `refuse_other_time`.
    """
    offsets = list(_offsets_s(bench))
    if fit.explained < LEAST_LIKE or not offsets:
        return None
    if shows_a_face(bench) and fit.explained > GLOBE_FITS:
        offset = _by_face(bench, fit)
    else:
        likeness, offset = by_likeness(levels, found, offsets, lambda away: _theory(bench, away))[0]
        if likeness < LEAST_ALIKE:
            return None
    try:
        other = fit_picture(levels, found, _theory(bench, offset), bits)
    except InputError:
        return None
    left = (1.0 - other.explained) / max(1.0 - fit.explained, 1e-9)
    settled = not fit.tells_angle and other.tells_angle and other.tells_mirror and left < SETTLED
    if left > BETTER and not settled:
        return None
    return OtherTime(_seen(bench, offset).time_utc, other.explained)


def _by_face(bench: Bench, fit: Fit) -> float:
    """Return the offset at which the face leaves least of a picture whose globe fits, in any of its four poses, s."""
    axis, pose = bench.seen.north_pole_position_angle_deg, fit.pose_here
    other = replace(pose, mirrored=not pose.mirrored, angle_deg=2 * axis - pose.angle_deg)
    poses = [replace(one, angle_deg=one.angle_deg + turn) for one in (pose, other) for turn in (0.0, 180.0)]
    used = fit.window.levels < fit.window.ceiling
    rows, columns = (x[used] for x in fit.window.pixels)
    light, told = fit.linear[used], bench.theory(bench.green)
    places = [told.index_of(*one.sky_of(rows, columns)) for one in poses]
    transfer, rotation = fit.blur.at(told.frequency, told.perfect), rotation_of(bench)
    best = math.inf, 0.0
    for step in range(1 - FACE_STEPS // 2, FACE_STEPS // 2 + 1):
        shown = _theory(bench, rotation * step / FACE_STEPS).blurred(transfer)
        for place in places:
            left = light - ndimage.map_coordinates(shown, place, order=1, output=np.float64)
            best = min(best, (float(np.mean(left**2)), rotation * step / FACE_STEPS))
    return best[1]


def shows_a_face(bench: Bench) -> bool:
    """Whether the time of a body shows in the face that it turns to us, rather than in rings or phase."""
    plain = not bench.body.rings and bench.seen.phase_angle_deg <= LARGE_PHASE_DEG
    return bool(plain and bench.body.features and bench.seen.central_meridian_deg)


def _offsets_s(bench: Bench) -> Iterator[float]:
    """Times that differ in what shows: the opening of the rings, the phase, or the face."""
    seen = bench.seen
    if bench.body.rings:
        spans = [365.25 * DAY_S * years for years in YEARS]
    elif seen.phase_angle_deg > LARGE_PHASE_DEG:
        spans = [7 * DAY_S * weeks for weeks in WEEKS]
    elif shows_a_face(bench):
        rotation = rotation_of(bench)
        steps = sorted(range(1 - ROTATION_STEPS // 2, ROTATION_STEPS // 2 + 1), key=abs)
        yield from (rotation * step / ROTATION_STEPS for step in steps[1:])
        return
    else:
        return
    for span in spans:
        yield from (-span, span)


def _seen(bench: Bench, offset_s: float) -> Apparition:
    time = instant_after(bench.seen.time_utc, offset_s)
    return apparition(bench.body, time, bench.seen.site, ephemeris=bench.seen.ephemeris)


def _theory(bench: Bench, offset_s: float) -> Theory:
    return bench.at(_seen(bench, offset_s))
