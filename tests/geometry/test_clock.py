"""Instants and the scales of time."""

from __future__ import annotations

import subprocess
import sys
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import numpy as np
import pytest
from astropy.time import Time
from hypothesis import given
from hypothesis import strategies as st

from simulate.errors import EphemerisWarning, InputError
from simulate.geometry.clock import delta_t_s, parse_time, tt_days, tt_to_time, utc_text, warn_outside_table

ROOT = Path(__file__).resolve().parents[2]


@pytest.mark.parametrize(
    ("text", "utc"),
    [
        ("2032-12-20T00:00", "2032-12-20T00:00:00.000Z"),
        ("2032-12-20", "2032-12-20T00:00:00.000Z"),
        ("2032-12-20 21:30:15.5", "2032-12-20T21:30:15.500Z"),
        ("2032-12-20T00:00Z", "2032-12-20T00:00:00.000Z"),
        ("2032-12-20T00:00+12:00", "2032-12-19T12:00:00.000Z"),
        ("2032-12-20T00:00-0330", "2032-12-20T03:30:00.000Z"),
        ("2016-12-31T23:59:60", "2016-12-31T23:59:60.000Z"),
        ("1972-06-30T23:59:60.25", "1972-06-30T23:59:60.250Z"),
        ("2017-01-01T05:00:10+05:30", "2016-12-31T23:30:10.000Z"),
        ("2017-01-01T05:29:60+05:30", "2016-12-31T23:59:60.000Z"),
        ("1965-07-01T12:00", "1965-07-01T12:00:00.000Z"),
        ("1900-01-01T00:00", "1900-01-01T00:00:00.000Z"),
        ("2099-12-30T23:00", "2099-12-30T23:00:00.000Z"),
    ],
)
def test_text_is_read_as_utc_unless_it_has_an_offset(text: str, utc: str) -> None:
    assert utc_text(float(tt_days(parse_time(text)))) == utc


def test_datetimes_and_times_are_instants_too() -> None:
    aware = datetime(2026, 1, 10, 9, 30, tzinfo=timezone(timedelta(hours=1)))
    for value in (
        aware,
        datetime(2026, 1, 10, 8, 30),
        datetime(2026, 1, 10, 8, 30, tzinfo=UTC),
        Time("2026-01-10T08:30"),
    ):
        assert utc_text(float(tt_days(parse_time(value)))) == "2026-01-10T08:30:00.000Z"


@pytest.mark.parametrize(
    "text",
    [
        "yesterday",
        "2026-13-01",
        "2026-02-30",
        "2026-01-10T25:00",
        "2026-01-10T08:30+15:00",
        "1899-12-30",
        "2100-01-02",
        "10.1.2026",
        "",
    ],
)
def test_what_is_no_instant_is_refused_in_one_sentence(text: str) -> None:
    with pytest.raises(InputError, match="time") as caught:
        parse_time(text)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    "text",
    [
        # IERS Bulletin C lists the leap seconds; none was put in at these ends of days
        "2027-06-30T23:59:60",
        "2015-12-31T23:59:60",
        "2016-12-31T22:59:60",
        "2016-12-30T23:59:60",
        "2026-05-05T12:30:60",
        "2016-12-31T23:59:60+01:00",
        "2016-12-31T23:59:61",
        "1965-06-30T23:59:60",
    ],
)
def test_a_second_that_never_was_is_refused(text: str) -> None:
    with pytest.raises(InputError, match=r"^time: "):
        parse_time(text)


def test_an_old_list_of_leap_seconds_is_no_reason_to_go_to_the_network() -> None:
    code = """
import socket, warnings
warnings.simplefilter("error")
def refuse(*args, **kwargs):
    raise SystemExit("asked for the network")
socket.socket.connect = socket.getaddrinfo = refuse
from astropy.time import Time
from astropy.utils import iers
iers.LeapSeconds._today = classmethod(lambda cls: Time("2035-01-01", scale="tai", format="iso"))
from simulate.geometry import apparition
print(apparition("mars", "2026-01-10T20:00", "51.5,0").time_utc)
"""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False, cwd=ROOT)
    assert done.stdout.strip() == "2026-01-10T20:00:00.000Z", done.stderr


def test_several_instants_are_refused() -> None:
    with pytest.raises(InputError, match="one instant"):
        parse_time(Time(["2026-01-10", "2026-01-11"]))


def test_terrestrial_time_is_that_of_astropy_since_1972() -> None:
    times = Time(["1972-06-30T23:59:59", "1999-01-01", "2016-12-31T23:59:60", "2026-11-24T12:00"])
    expected = (times.tt.jd1 - 2451545.0) + times.tt.jd2
    assert np.abs(tt_days(times) - expected).max() * 86400 < 1e-4


# Delta T, s: Astronomical Almanac's table as quoted by Meeus 1998, page 79, and IERS for 2020-01-01
@pytest.mark.parametrize(
    ("year", "seconds"),
    [(1910, 10.4), (1930, 24.1), (1950, 29.1), (1970, 40.2), (1980, 50.5), (1990, 56.9), (2020, 69.36)],
)
def test_delta_t_agrees_with_the_almanac(year: int, seconds: float) -> None:
    assert delta_t_s((year - 2000.0) * 365.25 - 0.5) == pytest.approx(seconds, abs=0.5)


def test_delta_t_agrees_with_astropy_s_table() -> None:
    from astropy.utils import iers

    days = np.array([-7000.3, 0.25, 5478.9, 9000.7])
    times = Time(2451545.0, days, format="jd", scale="tt")
    table = iers.IERS_A.open(iers.IERS_A_FILE)
    ut1_utc = table.ut1_utc(times.utc).to_value("s")
    expected = [((t.tt.jd1 - t.utc.jd1) + (t.tt.jd2 - t.utc.jd2)) * 86400 for t in times] - ut1_utc
    assert np.abs(delta_t_s(days) - expected).max() < 2e-3


def test_delta_t_is_continuous_where_its_sources_meet() -> None:
    days = np.arange(-10000.0, -9700.0, 0.5)
    assert np.abs(np.diff(delta_t_s(days))).max() < 0.4


def test_dates_outside_the_earth_s_table_are_warned_about() -> None:
    with pytest.warns(EphemerisWarning, match="tabulated"):
        warn_outside_table(np.array([-20000.0]))
    warn_outside_table(np.array([9000.0]))


@given(st.floats(-36500, 36500))
def test_time_and_days_are_inverse(days: float) -> None:
    assert float(tt_days(tt_to_time(days))) == pytest.approx(days, abs=2e-8)
