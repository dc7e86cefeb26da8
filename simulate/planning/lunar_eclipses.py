"""Eclipses of the Moon: when they come, how deep they are, and when the Moon's edge meets the shadow's.

Contacts and magnitudes are those of the Earth's middle; from any place on the Earth they fall at the same moments. The
shadow's width follows Danjon's rule (`simulate.geometry.shadow_light.DANJON`), as in the canon of Espenak & Meeus.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np

from simulate.bodies import load_body
from simulate.geometry.clock import FIRST_DAY, LAST_DAY, utc_text
from simulate.geometry.earth_shadow import ShadowTrack, shadow_track
from simulate.geometry.ephemeris import load_ephemeris
from simulate.geometry.shadow_light import light_text
from simulate.geometry.sight import look_at, make_observer
from simulate.geometry.vectors import FloatArray
from simulate.planning.events import Event
from simulate.planning.search import crossings, maxima

Kind = Literal["total", "partial", "penumbral"]

LONGEST_HALF_DAYS = 0.15
"""More than half of the longest eclipse, penumbra included: 3 h 10 min."""

FAINTEST_SEEN = 0.65
"""Penumbral magnitude from which an eye notices a penumbral eclipse (common practice: .6 to .7)."""

_STEP_DAYS = 2.0
_ROUGH_DAYS = 0.3
_FAR_KM = 20_000.0
"""The Moon meets the penumbra only where its middle is nearer than 11 000 km to the shadow's axis; the first search
finds that distance to some thousand km, and the moment to `_ROUGH_DAYS`."""

_PHASES: dict[str, Callable[[ShadowTrack], FloatArray]] = {
    "penumbral": lambda track: track.magnitude(track.penumbra_km),
    "partial": lambda track: track.magnitude(track.umbra_km),
    "total": lambda track: track.magnitude(track.umbra_km) - 1.0,
}
"""What is above 0 during each phase."""

_CONTACTS = {
    "penumbral": ("enters the penumbra", "leaves the penumbra"),
    "partial": ("enters the umbra", "leaves the umbra"),
    "total": ("is wholly in the umbra", "begins to leave the umbra"),
}


@dataclass(frozen=True)
class LunarEclipse:
    """One eclipse of the Moon; instants are TT days since 2000-01-01 12:00.

    Parameters
    ----------
    greatest_tt : float
        When the Moon's middle is nearest to the shadow's axis.
    umbral_magnitude, penumbral_magnitude : float
        Share of the Moon's diameter inside umbra and penumbra then; the umbral one is negative without an umbral phase.
    sunlit_fraction : float
        V light left on the disc then; in the umbra uncertain as `simulate.geometry.shadow_light` says.
    penumbral_tt, partial_tt, total_tt : (float, float) or None
        Begin and end of the phases; None where there is none.
    """

    greatest_tt: float
    umbral_magnitude: float
    penumbral_magnitude: float
    sunlit_fraction: float
    penumbral_tt: tuple[float, float]
    partial_tt: tuple[float, float] | None
    total_tt: tuple[float, float] | None

    @property
    def kind(self) -> Kind:
        """How deep it is."""
        if self.partial_tt is None:
            return "penumbral"
        return "partial" if self.total_tt is None else "total"


def lunar_eclipses(first_day: float, last_day: float, *, ephemeris: str = "builtin") -> tuple[LunarEclipse, ...]:
    """Return the eclipses of the Moon of which any part falls between two instants, in the order of time.

    Parameters
    ----------
    first_day, last_day : float
        TT days since 2000-01-01 12:00.
    ephemeris : str
        "builtin" or "de440".
    """

    def track(days: FloatArray) -> ShadowTrack:
        observer = make_observer(days, None, load_ephemeris(ephemeris))
        return shadow_track(observer, look_at(load_body("moon"), observer))

    def nearness(days: FloatArray) -> FloatArray:
        found = track(days)
        # the square is a parabola about its least; before the Earth, at new moon, the axis is no shadow
        return np.where(found.moon_distance_km > 0.0, -(found.axis_km**2), -1e12)

    low, high = max(first_day - _STEP_DAYS, FIRST_DAY), min(last_day + _STEP_DAYS, LAST_DAY - 1e-3)
    days = np.linspace(low, high, max(3, math.ceil((high - low) / _STEP_DAYS) + 1))
    rough, depth = maxima(nearness, days, rounds=1)
    parts = [
        maxima(nearness, np.clip(day + np.array([-1.0, 0.0, 1.0]) * _ROUGH_DAYS, FIRST_DAY, LAST_DAY - 1e-3))[0]
        for day in rough[depth > -(_FAR_KM**2)]
    ]
    nearest = np.concatenate([*parts, np.empty(0)])
    if len(nearest) == 0:
        return ()
    there = track(nearest)
    found = [_eclipse(float(day), track) for day in nearest[there.magnitude(there.penumbra_km) > 0.0]]
    return tuple(e for e in found if e.penumbral_tt[1] >= first_day and e.penumbral_tt[0] <= last_day)


def _eclipse(greatest: float, track: Callable[[FloatArray], ShadowTrack]) -> LunarEclipse:
    # before and after the greatest eclipse the depth only grows and only falls: three moments hold each contact
    days = np.clip(greatest + np.array([-1.0, 0.0, 1.0]) * LONGEST_HALF_DAYS, FIRST_DAY, LAST_DAY - 1e-3)
    phases: dict[str, tuple[float, float] | None] = {}
    middle = track(np.array([greatest]))
    for name, depth in _PHASES.items():
        moments, _ = crossings(lambda some, depth=depth: depth(track(some)), days)
        inside = float(depth(middle)[0]) > 0.0
        phases[name] = (float(moments[0]), float(moments[-1])) if inside and len(moments) >= 2 else None
    return LunarEclipse(
        greatest_tt=greatest,
        umbral_magnitude=float(middle.magnitude(middle.umbra_km)[0]),
        penumbral_magnitude=float(middle.magnitude(middle.penumbra_km)[0]),
        sunlit_fraction=float(middle.sunlit_fraction()[0]),
        penumbral_tt=phases["penumbral"] or (greatest, greatest),
        partial_tt=phases["partial"],
        total_tt=phases["total"],
    )


def eclipse_title(eclipse: LunarEclipse) -> str:
    """Return kind, magnitude and span of an eclipse in words, UTC."""
    words = f"{eclipse.kind} eclipse of the Moon"
    if eclipse.partial_tt is None:
        faint = "" if eclipse.penumbral_magnitude >= FAINTEST_SEEN else ", too faint to notice"
        return f"{words}, penumbral magnitude {eclipse.penumbral_magnitude:.2f}{faint}: {_span(eclipse.penumbral_tt)}"
    words += f", umbral magnitude {eclipse.umbral_magnitude:.2f}: in the umbra {_span(eclipse.partial_tt)}"
    return words + (f", total {_span(eclipse.total_tt)}" if eclipse.total_tt else "")


def eclipses_of_season(first_day: float, last_day: float, *, ephemeris: str = "builtin") -> tuple[Event, ...]:
    """Return one event for each eclipse, at its greatest; parameters as for `lunar_eclipses`."""
    return tuple(
        Event(eclipse.greatest_tt, f"{eclipse.kind} eclipse", "moon", eclipse_title(eclipse))
        for eclipse in lunar_eclipses(first_day, last_day, ephemeris=ephemeris)
        if first_day <= eclipse.greatest_tt <= last_day
    )


def contacts(eclipse: LunarEclipse) -> tuple[Event, ...]:
    """Return the contacts and the greatest eclipse in the order of time."""
    found = [Event(eclipse.greatest_tt, "greatest eclipse", "moon", _greatest_text(eclipse))]
    spans = (eclipse.penumbral_tt, eclipse.partial_tt, eclipse.total_tt)
    for (name, (enters, leaves)), span in zip(_CONTACTS.items(), spans, strict=True):
        if span is None:
            continue
        kind = f"{name} eclipse"
        found.append(Event(span[0], f"{kind} begins", "moon", f"{kind} begins: the Moon {enters}"))
        found.append(Event(span[1], f"{kind} ends", "moon", f"{kind} ends: the Moon {leaves}"))
    return tuple(sorted(found, key=lambda event: event.day_tt))


def _greatest_text(eclipse: LunarEclipse) -> str:
    depth = f"umbral magnitude {eclipse.umbral_magnitude:.2f}"
    if eclipse.partial_tt is None:
        depth = f"penumbral magnitude {eclipse.penumbral_magnitude:.2f}"
    return f"greatest: {depth}, {light_text(eclipse.sunlit_fraction)} of the light left"


def _span(days_tt: tuple[float, float]) -> str:
    start, end = (utc_text(day + 0.5 / 1440.0) for day in days_tt)
    return f"{start[11:16]}-{end[11:16]} UTC"
