"""Risings, settings, the night and its best moment."""

from __future__ import annotations

from datetime import date

import pytest
from astropy.time import Time
from hypothesis import given, settings
from hypothesis import strategies as st

from simulate.errors import InputError
from simulate.geometry import apparition, best_moment, next_rise, night_of, rise_transit_set

pytestmark = [
    pytest.mark.filterwarnings("ignore::simulate.errors.SimulateWarning"),
    pytest.mark.filterwarnings("ignore::erfa.ErfaWarning"),  # the test's own arithmetic with future dates
]


def minutes(a: Time | None, b: str) -> float:
    assert a is not None
    return abs((a - Time(b)).to_value("min"))


def test_meeus_15a_venus_at_boston() -> None:
    """Meeus, Astronomical Algorithms, 2nd ed., example 15.a, page 103: 1988-03-20."""
    found = rise_transit_set("venus", "1988-03-20T00:00", "42.3333,-71.0833")
    assert minutes(found.rise, "1988-03-20T12:25:26") < 0.7  # 0.51766 d
    assert minutes(found.transit, "1988-03-20T19:40:30") < 0.5  # 0.81980 d
    assert minutes(found.set, "1988-03-20T02:54:39") < 0.7  # 0.12130 d


def test_the_sun_at_greenwich_on_midsummer_day() -> None:
    # printed almanacs, 51.48 N 0 E, 2026-06-21: rise 03:43, set 20:21 UT, transit 12:02
    found = rise_transit_set("sun", "2026-06-21T00:00", "51.48,0")
    assert minutes(found.rise, "2026-06-21T03:43") < 1.2
    assert minutes(found.set, "2026-06-21T20:21") < 1.2
    assert minutes(found.transit, "2026-06-21T12:01:50") < 0.3
    assert found.highest_deg == pytest.approx(90 - 51.48 + 23.44, abs=0.03)


@settings(max_examples=12, deadline=None)
@given(
    st.sampled_from(["mars", "jupiter", "moon", "sun"]),
    st.floats(-60, 60),
    st.floats(-180, 180),
    st.floats(7000, 12000),
)
def test_events_are_where_they_say(body: str, lat: float, lon: float, day: float) -> None:
    start = Time(2451545 + day, format="jd", scale="utc")
    found = rise_transit_set(body, start, (lat, lon))
    level = -50 / 60 if body in ("moon", "sun") else -34 / 60
    for time, rising in ((found.rise, True), (found.set, False)):
        if time is None:
            continue
        assert 0.0 <= (time - start).to_value("d") <= 1.0
        seen = apparition(body, time, (lat, lon))
        assert seen.altitude_deg == pytest.approx(level, abs=0.002)
        assert (seen.azimuth_deg < 180.0) == rising
    if found.transit is not None:
        top = apparition(body, found.transit, (lat, lon))
        side = top.azimuth_deg if top.declination_deg > lat else top.azimuth_deg - 180.0
        if abs(top.declination_deg - lat) > 5.0:
            assert (side + 180) % 360 - 180 == pytest.approx(0.0, abs=0.1)


def test_the_next_rise_is_the_first() -> None:
    rise = next_rise("jupiter", "2026-01-10T10:00", "51.5,0,50")
    assert rise is not None
    before = apparition("jupiter", "2026-01-10T10:00", "51.5,0,50")
    assert before.altitude_deg < 0.0
    assert rise.isot == rise_transit_set("jupiter", "2026-01-10T10:00", "51.5,0,50").rise.isot  # type: ignore[union-attr]


def test_near_the_pole_a_planet_rises_after_weeks_or_never() -> None:
    # Saturn crosses the celestial equator northward early in 2026: it then rises for a site near the pole
    rise = next_rise("saturn", "2026-01-10", "89,0")
    assert rise is not None
    assert 20 < (rise - Time("2026-01-10")).to_value("d") < 120
    assert next_rise("uranus", "2026-01-10", "-89,0") is None


def test_a_night_belongs_to_its_evening_at_the_site() -> None:
    start, end = night_of("2026-01-10", "-41.3,174.8")
    assert minutes(start, "2026-01-10T00:20:48") < 0.6  # noon at 174.8 E: 12 h - 11 h 39 min
    assert (end - start).to_value("d") == pytest.approx(1.0)
    west, _ = night_of(date(2026, 1, 10), "40,-105")
    assert minutes(west, "2026-01-10T19:00") < 0.6


def test_a_planet_at_opposition_is_best_at_its_transit() -> None:
    found = best_moment("jupiter", "2026-01-10", "51.5,0,50")
    start, _ = night_of("2026-01-10", "51.5,0,50")
    transit = rise_transit_set("jupiter", start, "51.5,0,50").transit
    assert transit is not None
    assert abs((found.time - transit).to_value("min")) <= 2.0
    assert found.sky == "dark"
    seen = apparition("jupiter", found.time, "51.5,0,50")
    assert (seen.altitude_deg, seen.sun_altitude_deg) == pytest.approx(
        (found.altitude_deg, found.sun_altitude_deg), abs=1e-6
    )


def test_venus_is_taken_in_twilight_and_on_the_right_side_of_the_night() -> None:
    evening = best_moment("venus", "2025-01-10", "51.5,0")  # greatest eastern elongation
    start, _ = night_of("2025-01-10", "51.5,0")
    assert (evening.time - start).to_value("d") < 0.4
    assert -8.0 < evening.sun_altitude_deg < -3.0
    assert evening.sky == "twilight"
    morning = best_moment("venus", "2025-06-01", "-33.9,151.2")  # greatest western elongation
    start, _ = night_of("2025-06-01", "-33.9,151.2")
    assert (morning.time - start).to_value("d") > 0.6
    assert morning.altitude_deg > 25.0


def test_the_star_is_taken_when_the_sky_is_darkest() -> None:
    found = best_moment("star", "2026-03-20", "40,0")
    assert found.altitude_deg == pytest.approx(90.0, abs=1e-6)
    assert found.sun_altitude_deg == pytest.approx(-50.0, abs=0.3)


@pytest.mark.parametrize(
    ("body", "night", "site", "words"),
    [
        ("mars", "2026-01-10", "51.5,0", "too bright; the next night that will do is 2026-"),
        ("saturn", "2026-01-10", "89,0", "climbs no higher"),
        ("jupiter", "2026-06-21", "70,20", "the Sun stays above"),
        ("sun", "2026-06-21", "50,20", "best moment"),
        ("mars", "next week", "50,20", "2032-12-20"),
    ],
)
def test_what_cannot_be_seen_is_refused_with_its_reason(body: str, night: str, site: str, words: str) -> None:
    with pytest.raises(InputError, match=words) as caught:
        best_moment(body, night, site)
    assert "\n" not in str(caught.value)


def test_the_night_named_in_a_refusal_will_do_and_the_one_before_will_not() -> None:
    with pytest.raises(InputError) as caught:
        best_moment("mars", "2026-01-10", "-33.9,151.2")
    named = str(caught.value)[-10:]
    assert best_moment("mars", named, "-33.9,151.2").altitude_deg >= 5.0
    before = (Time(named) - Time("2026-01-02") + Time("2026-01-01")).isot[:10]
    with pytest.raises(InputError):
        best_moment("mars", before, "-33.9,151.2")
