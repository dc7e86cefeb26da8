"""Nights at a site: when the Sun goes and comes, and a body's best moments on many nights."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from simulate.bodies import Body, load_body
from simulate.bodies.traits import LIMB_HORIZON_DEG
from simulate.geometry.clock import tt_days, utc_text
from simulate.geometry.earth import horizontal, zenith_of
from simulate.geometry.ephemeris import load_ephemeris
from simulate.geometry.rise_set import LOWEST_DEG, night_merit, night_of
from simulate.geometry.sight import Observer, look_at, make_observer
from simulate.geometry.site import Site
from simulate.geometry.vectors import FloatArray
from simulate.planning.search import crossings

TWILIGHTS = (("civil", -6.0), ("nautical", -12.0), ("astronomical", -18.0))
"""The Sun's airless altitude where they begin and end (Meeus 1998, chapter 15)."""

_SUN_STEP_DAYS = 10.0 / 1440.0
_NIGHT_STEP_DAYS = 20.0 / 1440.0
_ROWS_AT_ONCE = 20_000
_FINER = 21
"""Moments between the neighbours of the best one of the coarse grid."""


@dataclass(frozen=True)
class SunEvent:
    """The Sun passes an altitude that people have a name for.

    Parameters
    ----------
    day_tt : float
        TT days since 2000-01-01 12:00.
    what : str
        "sunset", "civil twilight ends", ..., "sunrise".
    """

    day_tt: float
    what: str


def sun_events(first_day: float, last_day: float, site: Site, *, ephemeris: str = "builtin") -> tuple[SunEvent, ...]:
    """Return sunsets, sunrises, beginnings and ends of the three twilights, in the order of time.

    Parameters
    ----------
    first_day, last_day : float
        TT days since 2000-01-01 12:00.
    site : Site
        Place; the horizon is level.
    ephemeris : str
        "builtin" or "de440".
    """
    count = max(3, int(np.ceil((last_day - first_day) / _SUN_STEP_DAYS)) + 1)
    days = np.linspace(first_day, last_day, count)
    found = []
    for twilight, level in ((None, LIMB_HORIZON_DEG), *TWILIGHTS):

        def above(some: FloatArray, level: float = level) -> FloatArray:
            return altitudes(load_body("sun"), make_observer(some, site, load_ephemeris(ephemeris)), site) - level

        for day, sign in zip(*crossings(above, days, rounds=2), strict=True):
            if twilight is None:
                what = "sunrise" if sign > 0 else "sunset"
            else:
                what = f"{twilight} twilight {'begins' if sign > 0 else 'ends'}"
            found.append(SunEvent(float(day), what))
    return tuple(sorted(found, key=lambda event: event.day_tt))


def altitudes(body: Body, observer: Observer, site: Site) -> FloatArray:
    """Return airless altitudes of a body, deg, shape (n,); the star stands in the zenith."""
    if body.kind == "star":
        direction = zenith_of(site, observer.axes)
    else:
        direction = observer.axes.to_date(look_at(body, observer).apparent)
    return horizontal(site, observer.axes, direction).altitude_deg


@dataclass(frozen=True, eq=False)
class BestMoments:
    """A body's best moment on each of many nights; arrays of shape (nights,).

    Parameters
    ----------
    day_tt : array
        When it is highest in a sky that is dark enough; local midnight where it cannot be had.
    altitude_deg, sun_altitude_deg : array
        Airless, then.
    merit : array
        sin(altitude) times the darkness of the sky; 0 where it cannot be had.
    hours : array
        How long it can be had in that night, h.
    """

    day_tt: FloatArray
    altitude_deg: FloatArray
    sun_altitude_deg: FloatArray
    merit: FloatArray
    hours: FloatArray

    @property
    def usable(self) -> np.ndarray:
        """Where the body can be had at all."""
        return self.merit > 0.0


def best_moments(
    body: Body, noons_tt: FloatArray, site: Site, *, lowest_deg: float = LOWEST_DEG, ephemeris: str = "builtin"
) -> BestMoments:
    """Return a body's best moments of the nights that follow some noons, to 2 minutes (twilight: to 1).

    Parameters
    ----------
    body : Body
        Anything but the Sun.
    noons_tt : array, shape (nights,)
        Local noons, TT days since 2000-01-01 12:00 (`noon_of`).
    site : Site
        Place.
    lowest_deg : float
        Altitude that the body must reach.
    ephemeris : str
        "builtin" or "de440".
    """
    # what is looked at in twilight is up for less than an hour
    offsets = np.arange(0.0, 1.0, _NIGHT_STEP_DAYS / (2.0 if body.observing.in_twilight else 1.0))
    at_once = max(1, _ROWS_AT_ONCE // len(offsets))
    noons = np.asarray(noons_tt, dtype=float)
    rows = [
        _moments(body, noons[start : start + at_once], offsets, site, lowest_deg, ephemeris)
        for start in range(0, len(noons), at_once)
    ]
    return BestMoments(*(np.concatenate(column) for column in zip(*rows, strict=True)))


def _moments(
    body: Body, noons: FloatArray, offsets: FloatArray, site: Site, lowest_deg: float, ephemeris: str
) -> tuple[FloatArray, ...]:
    days = noons[:, None] + offsets
    altitude, sun, merit = _sampled(body, days, site, lowest_deg, ephemeris)
    rows = np.arange(len(noons))
    hours = 24.0 * (offsets[1] - offsets[0]) * np.count_nonzero(merit > 0.0, axis=1)
    best = np.where(merit.max(axis=1) > 0.0, np.argmax(merit, axis=1), len(offsets) // 2)
    step = offsets[1] - offsets[0]
    days = days[rows, best][:, None] + np.linspace(-step, step, _FINER)
    altitude, sun, merit = _sampled(body, days, site, lowest_deg, ephemeris)
    best = np.where(merit.max(axis=1) > 0.0, np.argmax(merit, axis=1), _FINER // 2)
    return days[rows, best], altitude[rows, best], sun[rows, best], merit[rows, best], hours


def _sampled(
    body: Body, days: FloatArray, site: Site, lowest_deg: float, ephemeris: str
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Return altitudes of body and Sun, and the merit, shape (nights, moments)."""
    observer = make_observer(days.ravel(), site, load_ephemeris(ephemeris))
    altitude = altitudes(body, observer, site).reshape(days.shape)
    sun = altitudes(load_body("sun"), observer, site).reshape(days.shape)
    return altitude, sun, night_merit(body, altitude, sun, lowest_deg)


def noon_of(date: str, site: Site) -> float:
    """Return the local noon that begins the night of a date, TT days since 2000-01-01 12:00."""
    return float(tt_days(night_of(date, site)[0]))


def daylight_moment(
    body: Body, noon_tt: float, site: Site, *, ephemeris: str = "builtin"
) -> tuple[float, float] | None:
    """Return when a body stands highest while the Sun is up, and its altitude; None if never above 5 deg.

    Parameters
    ----------
    body : Body
        A bright one.
    noon_tt : float
        Local noon; the day from midnight to midnight about it is looked at.
    site : Site
        Place.
    ephemeris : str
        "builtin" or "de440".
    """
    days = noon_tt + np.arange(-0.5, 0.5, 5.0 / 1440.0)
    observer = make_observer(days, site, load_ephemeris(ephemeris))
    altitude, sun = altitudes(body, observer, site), altitudes(load_body("sun"), observer, site)
    by_day = np.where(sun > 0.0, altitude, -90.0)
    best = int(np.argmax(by_day))
    return (float(days[best]), float(by_day[best])) if by_day[best] > LOWEST_DEG else None


def times_of(days_tt: FloatArray) -> list[str]:
    """Return instants as ISO 8601 in UTC to the nearest minute, with "Z"."""
    return [f"{utc_text(float(day) + 0.5 / 1440.0)[:16]}Z" for day in np.atleast_1d(days_tt)]
