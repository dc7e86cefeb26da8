"""Eclipses of the Moon against the canon.

Truth: Espenak & Meeus, Five Millennium Canon of Lunar Eclipses (2009, NASA/TP-2009-214172) and the tables of the same
authors for single eclipses, contacts in UT, from memory; they widen the shadow by Danjon's rule, as is done here.
"""

from __future__ import annotations

import numpy as np
import pytest

from simulate.geometry.clock import parse_time, tt_days
from simulate.planning.lunar_eclipses import LunarEclipse, contacts, eclipses_of_season, lunar_eclipses

CANON = (
    # P1, U1, U2, greatest, U3, U4, P4, umbral and penumbral magnitude
    ("2018-07-27", "17:14:49 18:24:27 19:30:15 20:21:44 21:13:12 22:19:00 23:28:37", 1.6087, 2.6792),
    ("2019-01-21", "02:36:30 03:33:54 04:41:17 05:12:16 05:43:16 06:50:39 07:48:00", 1.1953, 2.1684),
    ("2022-05-16", "01:32:07 02:27:53 03:29:03 04:11:28 04:53:56 05:55:07 06:50:48", 1.4137, 2.3726),
    ("2025-03-14", "03:57:28 05:09:40 06:26:06 06:58:43 07:31:26 08:47:52 10:00:09", 1.1784, 2.2595),
    ("2025-09-07", "15:28:25 16:27:09 17:30:48 18:11:43 18:52:51 19:56:31 20:55:08", 1.3619, 2.3440),
    ("2021-11-19", "06:02:09 07:18:41 - 09:02:53 - 10:47:04 12:03:40", 0.9742, 2.0720),
    ("2023-10-28", "18:01:48 19:35:25 - 20:14:00 - 20:52:40 22:26:26", 0.1220, 1.1181),
    ("2020-01-10", "17:07:45 - - 19:10:02 - - 21:12:19", -0.1160, 0.8956),
)
KINDS = {7: "total", 5: "partial", 3: "penumbral"}


def day(text: str) -> float:
    return float(tt_days(parse_time(text)))


def only(date: str) -> LunarEclipse:
    found = lunar_eclipses(day(date) - 0.3, day(date) + 1.3)
    assert len(found) == 1
    return found[0]


@pytest.mark.parametrize(("date", "times", "umbral", "penumbral"), CANON, ids=[row[0] for row in CANON])
def test_contacts_agree_with_the_canon_to_a_quarter_of_a_minute(
    date: str, times: str, umbral: float, penumbral: float
) -> None:
    eclipse = only(date)
    wanted = [day(f"{date}T{clock}") for clock in times.split() if clock != "-"]
    found = [event.day_tt for event in contacts(eclipse)]
    assert len(found) == len(wanted)
    assert eclipse.kind == KINDS[len(wanted)]
    # the canon's UT is UT1, within .4 s of UTC in these years
    assert np.abs(np.array(found) - np.array(wanted)).max() * 86400 < 17.0
    assert eclipse.umbral_magnitude == pytest.approx(umbral, abs=0.003)
    assert eclipse.penumbral_magnitude == pytest.approx(penumbral, abs=0.003)


def test_the_eclipse_that_ends_2028_is_total() -> None:
    """Greatest at 16:52 UTC, umbral magnitude 1.246 (the canon, from memory)."""
    eclipse = only("2028-12-31")
    assert eclipse.kind == "total"
    assert eclipse.greatest_tt == pytest.approx(day("2028-12-31T16:51:58"), abs=15 / 86400)
    assert eclipse.umbral_magnitude == pytest.approx(1.246, abs=0.003)


def test_five_years_hold_the_canon_s_eclipses_and_no_other() -> None:
    """Kinds and dates of 2026 to 2030; the barest of them, 2027-07-18, enters the penumbra by 0.001 of a diameter."""
    found = eclipses_of_season(day("2026-01-01"), day("2030-12-31"))
    wanted = (
        ("2026-03-03", "total"), ("2026-08-28", "partial"), ("2027-02-20", "penumbral"), ("2027-07-18", "penumbral"),
        ("2027-08-17", "penumbral"), ("2028-01-12", "partial"), ("2028-07-06", "partial"), ("2028-12-31", "total"),
        ("2029-06-26", "total"), ("2029-12-20", "total"), ("2030-06-15", "partial"), ("2030-12-09", "penumbral"),
    )  # fmt: skip
    assert tuple((event.time_utc[:10], event.kind.split()[0]) for event in found) == wanted


def test_a_span_takes_the_eclipse_that_it_meets_in_part() -> None:
    assert lunar_eclipses(day("2028-12-31T19:00"), day("2028-12-31T23:00"))
    assert not lunar_eclipses(day("2028-12-31T20:00"), day("2028-12-31T23:00"))
    assert not lunar_eclipses(day("2028-11-25"), day("2028-12-10"))


@pytest.mark.oracle
def test_a_century_holds_as_many_eclipses_as_the_canon_counts() -> None:
    """229 from 1901 to 2000 (the canon, from memory)."""
    assert len(lunar_eclipses(day("1901-01-01"), day("2001-01-01"))) == 229
