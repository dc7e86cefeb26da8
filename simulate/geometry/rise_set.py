"""Risings, transits, settings, and the best moment of a night.

Rising and setting: the body (for Sun and Moon the upper limb) on the level horizon with standard
refraction, airless altitude -34 arcmin, for Sun and Moon -50 arcmin (Meeus 1998, chapter 15).
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date as Date
from typing import TYPE_CHECKING

import numpy as np

from simulate.bodies import Body, load_body
from simulate.errors import BelowHorizonError, InputError
from simulate.geometry import earth
from simulate.geometry.clock import parse_time, tt_days, tt_to_time, utc_text
from simulate.geometry.ephemeris import load_ephemeris
from simulate.geometry.sight import look_at, make_observer
from simulate.geometry.site import Site, as_site
from simulate.geometry.vectors import FloatArray

if TYPE_CHECKING:
    from astropy.time import Time

    from simulate.geometry.clock import TimeLike
    from simulate.geometry.site import SiteLike

LOWEST_DEG = 5.0
"""Below it nothing is worth recording and the advice is not to point there (common practice)."""
DARK_SUN_DEG = -12.0
"""The Sun's altitude below which a planet's sky counts as dark: end of nautical twilight."""
_STEP_DAYS = 10.0 / 1440.0
_SEARCH_DAYS = 400.0
_MINUTE = 1.0 / 1440.0


@dataclass(frozen=True)
class RiseTransitSet:
    """First rising, upper transit and setting in a span of time; UTC, None where there is none.

    Parameters
    ----------
    rise, transit, set : Time or None
        Instants.
    highest_deg, lowest_deg : float
        Airless altitudes reached in the span.
    """

    rise: Time | None
    transit: Time | None
    set: Time | None
    highest_deg: float
    lowest_deg: float


@dataclass(frozen=True)
class BestMoment:
    """When a body is best placed in a night.

    Parameters
    ----------
    time : Time
        UTC, on a full minute.
    altitude_deg, sun_altitude_deg : float
        Airless.
    sky : str
        "dark" when the Sun is more than 12 deg down, else "twilight".
    """

    time: Time
    altitude_deg: float
    sun_altitude_deg: float
    sky: str


class _Path:
    """The path of a body over the sky of a site."""

    def __init__(self, body: str | Body, site: Site, ephemeris: str) -> None:
        self.body = body if isinstance(body, Body) else load_body(body)
        self.site, self.ephemeris = site, load_ephemeris(ephemeris)
        self.horizon_deg = self.body.observing.horizon_deg

    def sample(self, days: FloatArray, *, sun: bool = False) -> tuple[FloatArray, FloatArray]:
        """Return airless altitudes and, -180..180, hour angles (or with `sun` the Sun's altitudes), deg."""
        observer = make_observer(days, self.site, self.ephemeris)
        if self.body.kind == "star":  # by agreement in the zenith
            direction = earth.zenith_of(self.site, observer.axes)
        else:
            direction = observer.axes.to_date(look_at(self.body, observer).apparent)
        altitude = earth.horizontal(self.site, observer.axes, direction).altitude_deg
        if sun:
            sunlight = observer.axes.to_date(look_at(load_body("sun"), observer).apparent)
            return altitude, earth.horizontal(self.site, observer.axes, sunlight).altitude_deg
        ascension, _ = earth.equatorial(direction)
        hour_angle = np.degrees(observer.axes.turn) + self.site.longitude_deg - ascension
        return altitude, (hour_angle + 180.0) % 360.0 - 180.0

    def crossing(self, start: float, end: float, *, quantity: str, rising: bool) -> float | None:
        """Return when altitude above the horizon, or hour angle, first crosses zero; TT days or None."""
        days = np.append(np.arange(start, end, _STEP_DAYS), end)
        found = self._first_bracket(days, quantity, rising)
        for _ in range(3):  # each round cuts the bracket by 12: ten minutes become 0.3 s
            if found is None:
                return None
            days = np.linspace(*found, 13)
            found = self._first_bracket(days, quantity, rising) or found
        return None if found is None else 0.5 * (found[0] + found[1])

    def stays_away(self, start: float, end: float) -> bool:
        """Return whether a look every hour shows that the horizon is not crossed from `start` to `end`.

        The sky turns by 15 deg an hour, the altitude by at most that times cos(latitude); the extra
        0.5 deg are for the body's own motion (the Moon's: 0.6 deg an hour).
        """
        altitude, _ = self.sample(np.append(np.arange(start, end, 1.0 / 24.0), end))
        margin = 7.5 * np.cos(np.radians(self.site.latitude_deg)) + 0.5
        return bool(np.all(np.abs(altitude - self.horizon_deg) > margin))

    def _first_bracket(self, days: FloatArray, quantity: str, rising: bool) -> tuple[float, float] | None:
        altitude, hour_angle = self.sample(days)
        value = altitude - self.horizon_deg if quantity == "altitude" else hour_angle
        if not rising:
            value = -value
        up = (value[:-1] < 0.0) & (value[1:] >= 0.0)
        if quantity == "hour angle":  # not the jump from 180 to -180 at the lower transit
            up &= value[1:] - value[:-1] < 180.0
        index = np.flatnonzero(up)
        return None if len(index) == 0 else (float(days[index[0]]), float(days[index[0] + 1]))


def rise_transit_set(
    body: str | Body, start: TimeLike, site: SiteLike, *, hours: float = 24.0, ephemeris: str = "builtin"
) -> RiseTransitSet:
    """Return the first rising, transit and setting within `hours` after `start`, to a second.

    Parameters
    ----------
    body : str or Body
        A planet, "moon", "sun" or "star" (which stands in the zenith for good).
    start : str, datetime or Time
        Begin of the span.
    site : Site, EarthLocation, text or tuple
        The place.
    hours : float
        Length of the span, above 0.
    ephemeris : str
        "builtin" or "de440".

    Raises
    ------
    InputError
        For an unknown body or a time, site or span that cannot be used.
    """
    if not 0.0 < hours <= 24.0 * _SEARCH_DAYS:
        raise InputError("hours", hours, f"give a span above 0 and up to {24 * _SEARCH_DAYS:g} hours")
    path = _Path(body, as_site(site), ephemeris)
    first = float(tt_days(parse_time(start)))
    last = first + hours / 24.0
    altitude, _ = path.sample(np.append(np.arange(first, last, _STEP_DAYS), last))
    rise = path.crossing(first, last, quantity="altitude", rising=True)
    transit = path.crossing(first, last, quantity="hour angle", rising=True)
    setting = path.crossing(first, last, quantity="altitude", rising=False)
    rise, transit, setting = (None if day is None else tt_to_time(day) for day in (rise, transit, setting))
    return RiseTransitSet(rise, transit, setting, float(altitude.max()), float(altitude.min()))


def next_rise(body: str | Body, time: TimeLike, site: SiteLike, *, ephemeris: str = "builtin") -> Time | None:
    """Return when the body next rises after `time`, UTC, or None if it doesn't within 400 days.

    Raises
    ------
    InputError
        For an unknown body or a time or site that cannot be used.
    """
    path = _Path(body, as_site(site), ephemeris)
    start = float(tt_days(parse_time(time)))
    searched, span = 0.0, 1.25
    while searched < _SEARCH_DAYS:
        first, last = start + searched, start + searched + span
        if not path.stays_away(first, last):
            found = path.crossing(first, last, quantity="altitude", rising=True)
            if found is not None:
                return tt_to_time(found)
        searched, span = searched + span, min(span * 2.0, 30.0)
    return None


def night_of(date: str | Date, site: SiteLike) -> tuple[Time, Time]:
    """Return the local mean noons between which the night of `date` lies, UTC, on full minutes.

    The night of a date is the one that begins on the evening of that date at the site, whatever the
    zone time: noon follows from the longitude.

    Raises
    ------
    InputError
        For text that is no date (YYYY-MM-DD) or a site that cannot be used.
    """
    start = _noon_days(date, as_site(site))
    return tt_to_time(start), tt_to_time(start + 1.0)


def _noon_days(date: str | Date, site: Site) -> float:
    text = date if isinstance(date, str) else date.isoformat()[:10]
    if not re.fullmatch(r"\s*\d{4}-\d{2}-\d{2}\s*", text, re.ASCII):
        raise InputError("night", date, 'write a date such as "2032-12-20"')
    minutes = round(-site.longitude_deg * 4.0)
    return float(tt_days(parse_time(f"{text.strip()}T12:00"))) + minutes * _MINUTE


def best_moment(
    body: str | Body,
    date: str | Date,
    site: SiteLike,
    *,
    lowest_deg: float = LOWEST_DEG,
    ephemeris: str = "builtin",
) -> BestMoment:
    """Return the minute of the night of `date` at which a body is best placed.

    The merit is the sine of the altitude (one over the air's mass) times how dark the sky is: 1 when
    the Sun is 12 deg down, falling in proportion to its depression; for the bright ones, Venus,
    Mercury and the Moon, 1 from 6 deg on. So planets are taken at their highest in a dark sky, and
    those near the Sun at the best compromise in twilight. The Sun must be at least set for Venus and
    the Moon, 3 deg down for Mercury, 6 deg for the others (common practice).

    Parameters
    ----------
    body : str or Body
        A planet, "moon", or "star" (in the zenith: the darkest minute).
    date : str or date
        YYYY-MM-DD, the local date of the evening.
    site : Site, EarthLocation, text or tuple
        The place.
    lowest_deg : float
        Airless altitude that the body must reach.
    ephemeris : str
        "builtin" or "de440".

    Raises
    ------
    BelowHorizonError
        If the body is not up in that night; the sentence says why and which night is next.
    """
    place = as_site(site)
    path = _Path(body, place, ephemeris)
    if path.body.kind == "sun":
        raise InputError("body", path.body.name, "the Sun has no best moment of a night")
    noon = _noon_days(date, place)
    days = noon + np.arange(0.0, 1.0, 2.0 * _MINUTE)
    altitude, sun = path.sample(days, sun=True)
    merit = night_merit(path.body, altitude, sun, lowest_deg)
    best = int(np.argmax(merit))
    if merit[best] <= 0.0:
        raise BelowHorizonError("night", str(date), _refusal(path, noon, altitude, sun, lowest_deg))
    sky = "dark" if sun[best] <= DARK_SUN_DEG else "twilight"
    return BestMoment(tt_to_time(days[best]), float(altitude[best]), float(sun[best]), sky)


def darkness_wanted(body: Body) -> tuple[float, float]:
    """Return the Sun's altitudes, deg, below which a body can be looked at and from which its sky counts as dark."""
    return body.observing.sun_highest_deg, body.observing.dark_from_deg


def night_merit(body: Body, altitude: FloatArray, sun: FloatArray, lowest_deg: float = LOWEST_DEG) -> FloatArray:
    """Return how good moments are for a body: sin(altitude) times how dark the sky is, 0 where it cannot be had.

    Parameters
    ----------
    body : str or Body
        A planet, "moon" or "star".
    altitude, sun : array of any shape
        Airless altitudes of the body and of the Sun, deg.
    lowest_deg : float
        Altitude that the body must reach.
    """
    latest, dark = darkness_wanted(body)
    darkness = np.clip(sun / dark, 0.0, 1.0)
    # the last term decides only between equals, such as a star that stays in the zenith
    value = np.sin(np.radians(altitude)) * darkness - 1e-9 * sun
    return np.where((altitude >= lowest_deg) & (sun <= latest), value, 0.0)


def _refusal(path: _Path, noon: float, altitude: FloatArray, sun: FloatArray, lowest_deg: float) -> str:
    """Return why the body cannot be had in that night, and when it next can."""
    latest, _ = darkness_wanted(path.body)
    highest, name = float(altitude.max()), path.body.name
    if highest < lowest_deg:
        reason = f"{name} climbs no higher than {highest:.1f} deg at this site ({lowest_deg:g} deg are needed)"
    elif float(sun.min()) > latest:
        reason = f"the Sun stays above {latest:.1f} deg all night at this site"
    else:
        reason = f"{name} stands above {lowest_deg:g} deg only while the sky is too bright"
    coarse = np.arange(0.0, 1.0, 20.0 * _MINUTE)
    for start in range(1, int(_SEARCH_DAYS), 20):
        nights = np.arange(start, start + 20)
        days = (noon + nights[:, None] + coarse).ravel()
        merit = night_merit(path.body, *path.sample(days, sun=True), lowest_deg).reshape(len(nights), -1)
        good = np.flatnonzero(merit.max(axis=1) > 0.0)
        if len(good):
            # a quarter of a day after noon is the evening that names the night
            evening = noon + float(nights[good[0]]) + path.site.longitude_deg / 360.0
            return f"{reason}; the next night that will do is {utc_text(evening)[:10]}"
    return f"{reason}; no night of the next {_SEARCH_DAYS:g} days will do"
