"""One body at one instant: invariants, the Moon, the Sun, the star."""

from __future__ import annotations

import math

import numpy as np
import pytest
from astropy.time import Time
from hypothesis import given, settings
from hypothesis import strategies as st

from simulate.errors import InputError
from simulate.geometry import Apparition, MoonState, Site, apparition, apparition_table

PLANETS = ("mercury", "venus", "mars", "jupiter", "saturn", "uranus", "neptune", "moon")
instants = st.floats(2415100.0, 2488000.0).map(lambda jd: Time(jd, format="jd", scale="tt"))

pytestmark = pytest.mark.filterwarnings("ignore::simulate.errors.SimulateWarning")


def direction(longitude_deg: float, latitude_deg: float) -> np.ndarray:
    lon, lat = np.radians([longitude_deg, latitude_deg])
    return np.array([np.cos(lat) * np.cos(lon), np.cos(lat) * np.sin(lon), np.sin(lat)])


@settings(max_examples=60, deadline=None)
@given(st.sampled_from(PLANETS), instants)
def test_the_numbers_of_an_apparition_hang_together(body: str, time: Time) -> None:
    table = apparition_table(body, [time])
    row = {name: float(column[0]) for name, column in table.columns.items()}
    assert row["illuminated_fraction"] == pytest.approx(0.5 * (1 + math.cos(math.radians(row["phase_angle_deg"]))))
    assert row["polar_diameter_arcsec"] <= row["equatorial_diameter_arcsec"] * (1 + 1e-12)
    # the phase angle is the arc between the sub-observer and the sub-solar point
    system = list(table.central_meridian_deg)[-1]
    below = direction(table.central_meridian_deg[system][0], row["sub_observer_latitude_centric_deg"])
    lit = direction(table.sub_solar_longitude_deg[system][0], row["sub_solar_latitude_centric_deg"])
    assert math.degrees(math.acos(np.clip(below @ lit, -1, 1))) == pytest.approx(row["phase_angle_deg"], abs=1e-4)
    # the triangle Sun-body-observer closes: the Earth is 0.983 to 1.017 au from the Sun
    r, d = row["sun_distance_au"], row["distance_au"]
    side = math.sqrt(r**2 + d**2 - 2 * r * d * math.cos(math.radians(row["phase_angle_deg"])))
    assert 0.982 < side < 1.018
    for name in ("sub_observer_latitude", "sub_solar_latitude"):
        centric, graphic = row[f"{name}_centric_deg"], row[f"{name}_deg"]
        assert abs(graphic) >= abs(centric) - 1e-12
        assert graphic * centric >= 0.0


@settings(max_examples=40, deadline=None)
@given(st.sampled_from(PLANETS), instants)
def test_the_directions_tell_pole_and_sun(body: str, time: Time) -> None:
    seen = apparition(body, time)
    sun, pole = np.array(seen.sun_direction), np.array(seen.pole_direction)
    assert np.linalg.norm(sun) == pytest.approx(1.0)
    assert np.linalg.norm(pole) == pytest.approx(1.0)
    assert sun[2] == pytest.approx(math.cos(math.radians(seen.phase_angle_deg)))
    # the Sun's height above the equator, told through pole and Sun on the sky
    assert math.degrees(math.asin(sun @ pole)) == pytest.approx(seen.sub_solar_latitude_centric_deg, abs=1e-4)


@settings(max_examples=15, deadline=None)
@given(st.sampled_from(("mars", "jupiter", "saturn")), st.floats(9000, 14000), st.floats(-80, 80), st.floats(-180, 180))
def test_an_apparition_survives_its_own_repr(body: str, day: float, lat: float, lon: float) -> None:
    seen = apparition(body, Time(2451545 + day, format="jd", scale="utc"), (lat, lon))
    names = {"Apparition": Apparition, "MoonState": MoonState, "Site": Site, "nan": math.nan, "inf": math.inf}
    assert eval(repr(seen), names) == seen
    assert hash(seen) == hash(eval(repr(seen), names))


def test_longitudes_grow_with_time() -> None:
    # "the sub-observer longitude increases": by the turn less the motion of the observer
    for body, rate in (("mars", 350.89), ("jupiter", 870.536), ("venus", 1.48), ("uranus", 501.16)):
        table = apparition_table(body, ["2026-03-01T00:00", "2026-03-01T01:00"])
        system = list(table.central_meridian_deg)[-1]
        step = np.diff(table.central_meridian_deg[system])[0] % 360.0
        assert step == pytest.approx(rate / 24.0, abs=0.06), body


def test_north_is_north_and_east_is_east() -> None:
    """On an evening after superior conjunction Venus' bright limb faces the Sun in the west."""
    seen = apparition("venus", "2025-01-10T05:00")
    assert 180.0 < seen.bright_limb_position_angle_deg < 360.0
    assert seen.sun_direction[0] < 0.0  # not east
    mars = apparition("mars", "2003-08-28T18:00")  # the south pole looks at us
    assert mars.pole_direction[2] < 0.0
    assert mars.pole_direction[1] > 0.9


def test_the_moon_is_seen_from_where_one_stands() -> None:
    # Meeus, Astronomical Algorithms, 2nd ed., example 53.a, page 376: optical and physical librations of
    # 1992-04-12 0h TD, l = -1.206, b = 4.194 (total -1.23, 4.20), position angle of the axis 15.08 deg
    moon = apparition("moon", Time(2448724.5, format="jd", scale="tt"))
    assert (moon.central_meridian_deg[""] + 180) % 360 - 180 == pytest.approx(-1.23, abs=0.05)
    assert moon.sub_observer_latitude_deg == pytest.approx(4.20, abs=0.05)
    assert moon.north_pole_position_angle_deg == pytest.approx(15.08, abs=0.05)
    # example 47.a, page 342: distance 368409.7 km, apparent place 134.688470, +13.768368 deg
    # (the way of the light, from where the Moon was: the Earth runs up to 38 km in its 1.2 s)
    assert moon.distance_au * 149597870.7 == pytest.approx(368409.7, abs=50.0)
    assert moon.right_ascension_deg == pytest.approx(134.68847, abs=0.01)
    assert moon.declination_deg == pytest.approx(13.768368, abs=0.01)
    # example 48.a, page 347: phase angle 69.0756, lit part 0.6786, bright limb 285.0
    assert moon.phase_angle_deg == pytest.approx(69.0756, abs=0.01)
    assert moon.illuminated_fraction == pytest.approx(0.6786, abs=2e-4)
    assert moon.bright_limb_position_angle_deg == pytest.approx(285.0, abs=0.1)


def test_parallax_brings_the_moon_nearer_overhead_and_lowers_it_near_the_horizon() -> None:
    overhead = max(
        (apparition("moon", f"2026-01-03T{hour:02d}:00", "28,-17") for hour in range(24)),
        key=lambda seen: seen.altitude_deg or -90.0,
    )
    centre = apparition("moon", overhead.time_utc)
    nearer_km = (centre.distance_au - overhead.distance_au) * 149597870.7
    assert nearer_km == pytest.approx(6378 * math.sin(math.radians(overhead.altitude_deg or 0.0)), rel=0.03)
    assert overhead.equatorial_diameter_arcsec > centre.equatorial_diameter_arcsec


def test_the_sun_shines_as_measured() -> None:
    sun = apparition("sun", "2026-06-21T12:00", "51.5,0")
    assert sun.magnitude == pytest.approx(-26.76 + 5 * math.log10(sun.distance_au), abs=0.01)  # Willmer 2018
    assert sun.altitude_deg == pytest.approx(90 - 51.5 + 23.44, abs=0.03)
    assert sun.sun_altitude_deg == pytest.approx(sun.altitude_deg, abs=1e-9)
    assert sun.equatorial_diameter_arcsec == pytest.approx(1888.0, abs=2.0)


def test_the_heliographic_pole_leans_as_it_should() -> None:
    # Meeus, example 29.a, page 190: 1992-10-13 0h UT, P = 26.27, B0 = 5.99, L0 = 238.63
    sun = apparition("sun", "1992-10-13")
    assert sun.north_pole_position_angle_deg == pytest.approx(26.27, abs=0.03)
    assert sun.sub_observer_latitude_centric_deg == pytest.approx(5.99, abs=0.03)


def test_the_star_stands_in_the_zenith_unless_told_otherwise() -> None:
    star = apparition("star", "2026-01-10T23:30", "51.5,-2,100")
    assert star.altitude_deg == pytest.approx(90.0, abs=1e-4)
    assert star.airmass == pytest.approx(1.0, abs=1e-3)
    assert star.declination_deg == pytest.approx(51.5, abs=1e-6)
    assert (star.magnitude, star.equatorial_diameter_arcsec, star.distance_au) == (0.0, 0.0, math.inf)
    assert star.moon_altitude_deg is not None
    placed = apparition("star", "2026-01-10T23:30", "51.5,-2,100", position=(83.0, -5.0))
    assert (placed.right_ascension_deg, placed.declination_deg) == pytest.approx((83.0, -5.0))
    assert placed.altitude_deg < 40.0
    geocentric = apparition("star", "2026-01-10T23:30")
    assert geocentric.altitude_deg is None


def test_a_place_given_to_a_planet_is_refused() -> None:
    with pytest.raises(InputError, match="star"):
        apparition("mars", "2026-01-10", position=(1.0, 2.0))


def test_without_a_site_there_is_a_moon_but_no_horizon() -> None:
    seen = apparition("jupiter", "2026-01-10T23:30")
    assert (seen.site, seen.altitude_deg, seen.airmass, seen.moon_altitude_deg) == (None, None, None, None)
    # full Moon 2026-01-03, last quarter 2026-01-10 15:48 UT (printed almanacs)
    assert seen.moon_phase_angle_deg == pytest.approx(90.0, abs=6.0)


def test_an_unknown_body_is_answered_with_the_nearest() -> None:
    with pytest.raises(InputError, match="saturn"):
        apparition("satrun", "2026-01-10")
