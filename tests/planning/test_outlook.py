"""Sharpness and dispersion by altitude, and how fast a surface moves under the middle of its disc."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from astropy import units as u
from astropy.coordinates import EarthLocation, get_body
from astropy.time import Time
from astropy.utils import iers

from simulate.air import Sky
from simulate.air.refraction import refraction_arcsec
from simulate.bodies import load_body
from simulate.commands.plan import night_course
from simulate.geometry import Site, apparition
from simulate.geometry.clock import days_of
from simulate.instruments import load_instrument
from simulate.light.look import ViewOptions, rotation_arcsec_per_s
from simulate.planning.outlook import Case, sharpness_curve
from simulate.values.practice import IDEAL

SITE = Site(48.1, 11.6, 500.0)


@pytest.mark.parametrize("altitude_deg", [7.0, 43.0, 62.0, 67.0, 80.0, 89.0])
def test_dispersion_is_the_difference_of_two_refractions(altitude_deg: float) -> None:
    curve = sharpness_curve(load_instrument("refractor-40"), Sky(), SITE.height_m)
    blue, red = (float(refraction_arcsec(nm, altitude_deg, Sky(), SITE.height_m)) for nm in (400.0, 700.0))
    assert float(curve.dispersion(altitude_deg)) == pytest.approx(blue - red, rel=1e-9)


def test_dispersion_follows_the_tangent_of_the_zenith_distance() -> None:
    """n - 1 of dry air at 15 C, 1013 hPa: 2.8275e-4 at 400 nm, 2.7579e-4 at 700 nm (tables of Edlen 1966)."""
    curve = sharpness_curve(load_instrument("refractor-40"), Sky(), SITE.height_m)
    pressure = math.exp(-SITE.height_m / 8400.0)
    for altitude in (43.0, 62.0, 67.0, 80.0):
        wanted = 6.96e-6 * pressure * 206265.0 / math.tan(math.radians(altitude))
        assert float(curve.dispersion(altitude)) == pytest.approx(wanted, rel=0.02)
    assert float(curve.dispersion(90.0)) == 0.0


def test_the_curve_of_a_night_has_the_dispersion_of_each_altitude() -> None:
    """The Moon, 2027-02-17, climbs to 67 deg."""
    case = Case(load_body("moon"), load_instrument("refractor-40"), SITE, Sky(), ViewOptions(practice=IDEAL))
    curve = night_course(case, SITE, days_of(["2027-02-17T17:00", "2027-02-17T20:30"])).columns
    for altitude, spread in zip(curve["altitude_deg"], curve["dispersion_arcsec"], strict=True):
        blue, red = (float(refraction_arcsec(nm, float(altitude), Sky(), 500.0)) for nm in (400.0, 700.0))
        assert spread == pytest.approx(blue - red, rel=1e-6)
    assert curve["altitude_deg"][1] == pytest.approx(67.0, abs=0.5)


def libration_arcsec_per_min(time: str, place: EarthLocation | None) -> float:
    """Motion of the observer around the Moon less the Moon's even spin about the pole of the ecliptic.

    The spin is 13.17636 deg a day (IAU 2009 rotation of the Moon); its axis leans by 1.5 deg, left out here.
    """
    times = Time(time) + np.array([-10.0, 10.0]) * u.min
    with iers.conf.set_temp("auto_download", False), iers.conf.set_temp("auto_max_age", None):
        moon: Any = get_body("moon", times, location=place)
    towards = -moon.cartesian.xyz.value.T / np.linalg.norm(moon.cartesian.xyz.value, axis=0)[:, None]
    ecliptic = math.radians(23.436)
    pole = np.array([0.0, -math.sin(ecliptic), math.cos(ecliptic)])
    spin = np.cross(math.radians(13.17636) / 1440.0 * pole, towards.mean(axis=0))
    wander = (towards[1] - towards[0]) / 20.0 - spin
    radius = math.asin(1737.4 / float(moon.distance.to_value(u.km).mean())) * 206265.0
    return float(np.linalg.norm(wander)) * radius


@pytest.mark.parametrize("time", ["2027-02-17T20:30", "2027-02-17T02:00", "2027-06-10T20:00"])
@pytest.mark.parametrize("site", [SITE, None])
def test_the_moon_s_surface_moves_by_its_libration_only(time: str, site: Site | None) -> None:
    seen = apparition("moon", time, site)
    place = site and EarthLocation(site.longitude_deg * u.deg, site.latitude_deg * u.deg, site.height_m * u.m)
    found = 60.0 * rotation_arcsec_per_s(load_body("moon"), seen)
    assert found == pytest.approx(libration_arcsec_per_min(time, place), abs=0.004)
    assert found < 0.08


def test_jupiter_s_middle_moves_by_pi_d_over_its_period() -> None:
    """9 h 50.5 min at the equator (System I); the disc's own diameter; the tilt leaves 0.999 of it."""
    seen = apparition("jupiter", "2027-02-10T22:00", SITE)
    wanted = math.pi * seen.equatorial_diameter_arcsec / (9.8417 * 3600.0)
    assert rotation_arcsec_per_s(load_body("jupiter"), seen) == pytest.approx(wanted, rel=0.002)
