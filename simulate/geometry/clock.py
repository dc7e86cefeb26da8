"""Instants: what the user writes, Terrestrial Time for the planets, Universal Time for the Earth.

The ephemeris runs on Terrestrial Time (TT, here used for TDB too: they differ by less than 2 ms).
The Earth's turn needs UT1 = TT - Delta T. Delta T comes from the table of the International Earth
Rotation and Reference Systems Service that ships with astropy-iers-data (read here column by
column, which is ten times quicker than building an astropy table); before it begins, 1973, from
the polynomials of Espenak & Meeus (2006, NASA/TP-2006-214141); after its end Delta T keeps its last
value, as TT-UTC does after the last announced leap second. UTC before 1972 is taken as UT1.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

import erfa
import numpy as np
import numpy.typing as npt

from simulate.errors import EphemerisWarning, InputError, note
from simulate.values.quiet import ignored

if TYPE_CHECKING:
    from astropy.time import Time

    TimeLike = str | datetime | Time
    TimesLike = Time | Iterable[TimeLike]

FloatArray = npt.NDArray[np.float64]

J2000 = 2451545.0
DAY_S = 86400.0
DAYS_PER_YEAR = 365.25
_TT_MINUS_TAI_S = 32.184  # exact by definition
_MJD_OF_J2000 = 51544.5
FIRST_YEAR = 1900
LAST_YEAR = 2100
FIRST_DAY = -36524.51  # 1900-01-01, with a margin for TT-UTC
LAST_DAY = 36524.51  # 2100-01-01, likewise
_LEAP_ERA_DAY = -10227.5  # 1972-01-01, when UTC in its present form begins
_FORM = (
    f"write an ISO 8601 time of the years {FIRST_YEAR} to {LAST_YEAR - 1}, UTC unless an offset is given "
    '("2032-12-20T21:30", "2032-12-20T21:30+02:00")'
)
_ISO = re.compile(
    r"(\d{4}-\d{2}-\d{2})(?:[T ](\d{2}:\d{2})(?::((?:[0-5]\d|60)(?:\.\d+)?))?\s*(Z|[+-]\d{2}:?\d{2}|[+-]\d{2})?)?",
    re.ASCII | re.IGNORECASE,
)


@cache
def time_class() -> type[Time]:
    """Return astropy's Time, brought up to date from the tables on this machine.

    The first UTC time of a process makes astropy look for a fresh list of leap seconds, from half a
    year before the shipped one ends on the network too. It must not: so that look is taken here,
    with downloads off for its duration.
    """
    from astropy.time import Time
    from astropy.utils import iers

    with iers.conf.set_temp("auto_download", False), iers.conf.set_temp("auto_max_age", None):
        _ = Time("2000-01-01T12:00", scale="utc").tai
    return Time


def parse_time(value: str | datetime | Time) -> Time:
    """Return a scalar astropy `~astropy.time.Time` in UTC.

    Parameters
    ----------
    value : str, datetime or Time
        ISO 8601 text or a datetime, UTC unless it has an offset; a Time keeps its own scale.

    Raises
    ------
    InputError
        For text of another form, several instants, or a year outside 1900-2099.
    """
    time_type = time_class()
    if isinstance(value, datetime):
        aware = value if value.tzinfo else value.replace(tzinfo=UTC)
        value = aware.astimezone(UTC).replace(tzinfo=None).isoformat()
    # "dubious year": leap seconds of the future are unknown; the module's text says what is done
    with ignored(erfa.ErfaWarning):
        time = value if isinstance(value, time_type) else _read_iso(value, time_type)
        if not time.isscalar:
            raise InputError("time", str(value), "give one instant")
        tt_days(time)
    return time


def instant_after(value: str | datetime | Time, seconds: npt.ArrayLike) -> Time:
    """Return the instant, or instants, so many seconds after one; before it where they are negative.

    Parameters
    ----------
    value : str, datetime or Time
        As for `parse_time`.
    seconds : array_like
        A number, or several.
    """
    from astropy.time import TimeDelta

    start = parse_time(value)
    with ignored(erfa.ErfaWarning):  # as in `parse_time`
        return cast("Time", start + TimeDelta(seconds, format="sec"))


def _read_iso(text: Any, time_type: type[Time]) -> Time:
    match = _ISO.fullmatch(text.strip()) if isinstance(text, str) else None
    if match is None:
        raise InputError("time", text, _FORM)
    date, clock, seconds, offset = match.groups()
    try:
        minute = datetime.fromisoformat(f"{date}T{clock or '00:00'}") - _offset(text, offset)
    except (ValueError, OverflowError) as error:
        if isinstance(error, InputError):
            raise
        raise InputError("time", text, _FORM) from error
    seconds = seconds or "00"
    if seconds[:2] == "60" and minute + timedelta(minutes=1) not in _leap_ends():
        raise InputError("time", text, "there was no leap second then; seconds run from 0 to 59")
    return cast("Time", time_type(f"{minute.isoformat()[:16]}:{seconds}", format="isot", scale="utc"))


@cache
def _leap_ends() -> frozenset[datetime]:
    """Return the midnights that a leap second stands before (the table's first entry begins the era: it has none)."""
    ends = (datetime(int(row["year"]), int(row["month"]), 1) for row in erfa.leap_seconds.get())
    return frozenset(end for end in ends if end > datetime(1972, 1, 1))


def _offset(text: str, offset: str | None) -> timedelta:
    """Return how far a clock is ahead of UTC.

    It is taken off the calendar's reading, not off the instant, which a leap second in between would shift.
    """
    if not offset or offset.upper() == "Z":
        return timedelta()
    digits = offset[1:].replace(":", "").ljust(4, "0")
    hours, minutes = int(digits[:2]), int(digits[2:])
    if hours > 14 or minutes > 59:
        raise InputError("time", text, "offsets from UTC run from -14:00 to +14:00")
    return timedelta(hours=hours, minutes=minutes) * (-1 if offset[0] == "-" else 1)


def tt_days(times: Time) -> FloatArray:
    """Return days of Terrestrial Time since 2000-01-01 12:00, shape of `times`.

    Raises
    ------
    InputError
        If an instant lies outside 1900-2099.
    """
    if times.scale == "utc":
        utc1, utc2 = np.asarray(times.jd1, float), np.asarray(times.jd2, float)
        days = utc_to_tt(utc1, utc2)
    else:
        scaled: Any = times.tt
        days = (np.asarray(scaled.jd1, float) - J2000) + np.asarray(scaled.jd2, float)
    bad = ~((days >= FIRST_DAY) & (days < LAST_DAY))
    if np.any(bad):
        raise InputError("time", utc_text(float(np.atleast_1d(days)[np.atleast_1d(bad)][0])), _FORM)
    return days


def days_of(times: TimesLike) -> FloatArray:
    """Return TT days since J2000, shape (n,), of a Time array or an iterable of single instants.

    Raises
    ------
    InputError
        If an instant cannot be read or lies outside 1900-2099.
    """
    scale: Any = getattr(times, "scale", None)
    if scale is not None:
        return np.atleast_1d(tt_days(cast("Time", times)))
    return np.array([float(tt_days(parse_time(time))) for time in cast("Iterable[TimeLike]", times)])


def utc_to_tt(utc1: FloatArray, utc2: FloatArray) -> FloatArray:
    """Return TT days since J2000 from a two-part UTC Julian date."""
    # the bare ufunc: its status "dubious year" is dealt with by this module's convention
    tai1, tai2, _ = erfa.ufunc.utctai(utc1, utc2)
    modern = (tai1 - J2000) + tai2 + _TT_MINUS_TAI_S / DAY_S
    civil = (utc1 - J2000) + utc2
    if np.all(civil >= _LEAP_ERA_DAY):
        return modern
    return np.where(civil < _LEAP_ERA_DAY, civil + delta_t_s(civil) / DAY_S, modern)


def tt_to_time(days_tt: npt.ArrayLike) -> Time:
    """Return an astropy Time in UTC from TT days since J2000, any shape."""
    utc1, utc2 = _tt_to_utc(np.asarray(days_tt, dtype=float))
    time = cast("Time", time_class()(utc1, utc2, format="jd", scale="utc"))
    time.format = "isot"
    return time


def _tt_to_utc(days_tt: FloatArray) -> tuple[FloatArray, FloatArray]:
    utc1, utc2, _ = erfa.ufunc.taiutc(np.full_like(days_tt, J2000), days_tt - _TT_MINUS_TAI_S / DAY_S)
    early = days_tt < _LEAP_ERA_DAY
    if not np.any(early):
        return utc1, utc2
    return np.where(early, J2000, utc1), np.where(early, days_tt - delta_t_s(days_tt) / DAY_S, utc2)


def utc_text(days_tt: float) -> str:
    """Return the UTC of TT days since J2000 as ISO 8601 text to the millisecond, with "Z"."""
    utc1, utc2 = _tt_to_utc(np.asarray(float(days_tt)))
    year, month, day, clock, _ = erfa.ufunc.d2dtf(b"UTC", 3, utc1, utc2)
    hour, minute, second, milli = (int(clock[key]) for key in ("h", "m", "s", "f"))
    return f"{int(year):04d}-{int(month):02d}-{int(day):02d}T{hour:02d}:{minute:02d}:{second:02d}.{milli:03d}Z"


@cache
def _delta_t_table() -> tuple[FloatArray, FloatArray]:
    """Return (TT days since J2000, Delta T in s) from the shipped table, one row a day."""
    import astropy_iers_data

    lines = Path(astropy_iers_data.IERS_A_FILE).read_bytes().splitlines()
    # fixed columns of the format finals2000A: MJD in 8-15, UT1-UTC in 59-68; the tail is still blank
    rows = [(float(line[7:15]), float(line[58:68])) for line in lines if line[58:68].strip()]
    mjd, ut1_utc = np.array(rows).T
    tt = utc_to_tt_modern(mjd)
    delta_t = (tt - (mjd - _MJD_OF_J2000)) * DAY_S - ut1_utc
    return tt, delta_t


def utc_to_tt_modern(mjd_utc: FloatArray) -> FloatArray:
    """Return TT days since J2000 of UTC dates after 1972 given as modified Julian dates."""
    tai1, tai2, _ = erfa.ufunc.utctai(np.full_like(mjd_utc, 2400000.5), mjd_utc)
    return (tai1 - J2000) + tai2 + _TT_MINUS_TAI_S / DAY_S


def delta_t_s(days_tt: npt.ArrayLike) -> FloatArray:
    """Return Delta T = TT - UT1 in s at TT days since J2000, same shape."""
    days = np.asarray(days_tt, dtype=float)
    table_days, table = _delta_t_table()
    modern = np.asarray(np.interp(days, table_days, table), dtype=np.float64)
    if np.all(days >= table_days[0]):
        return modern
    return np.where(days < table_days[0], _delta_t_early(days), modern).astype(np.float64)


def _delta_t_early(days_tt: FloatArray) -> FloatArray:
    year = 2000.0 + days_tt / DAYS_PER_YEAR
    pieces = (
        (1920.0, 1900.0, (-2.79, 1.494119, -0.0598939, 0.0061966, -0.000197)),
        (1941.0, 1920.0, (21.20, 0.84493, -0.076100, 0.0020936)),
        (1961.0, 1950.0, (29.07, 0.407, -1 / 233, 1 / 2547)),
        (1986.0, 1975.0, (45.45, 1.067, -1 / 260, -1 / 718)),
    )
    values = [np.polynomial.polynomial.polyval(year - origin, c) for _, origin, c in pieces]
    return np.asarray(np.select([year < end for end, _, _ in pieces], values, default=np.nan), dtype=np.float64)


def warn_outside_table(days_tt: FloatArray) -> None:
    """Warn once when the Earth's turn at these instants is not a tabulated one."""
    first, last = _delta_t_table()[0][[0, -1]]
    if np.all((days_tt >= first) & (days_tt <= last)):
        return
    span = f"{utc_text(first)[:10]} to {utc_text(last)[:10]}"
    note(
        f"the Earth's turn is tabulated from {span} only; altitudes outside can be wrong by about 0.01 deg",
        EphemerisWarning,
        stacklevel=3,
    )
