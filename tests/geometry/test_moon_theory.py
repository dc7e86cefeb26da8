"""Where the satellites are: units, axes and signs of the theories."""

from __future__ import annotations

import numpy as np
import pytest
from astropy.time import Time

from simulate.bodies import load_body
from simulate.geometry import apparition
from simulate.geometry.ephemeris import load_ephemeris
from simulate.geometry.moon_theory import jupiter_moons, saturn_moons
from simulate.geometry.sight import look_at, make_observer
from simulate.geometry.vectors import dot, from_angles, length, unit

# mean distances from the planet, km, and days (NASA planetary satellite tables)
ORBITS = {
    "io": (421_800, 1.769),
    "europa": (671_100, 3.551),
    "ganymede": (1_070_400, 7.155),
    "callisto": (1_882_700, 16.689),
    "tethys": (294_670, 1.888),
    "dione": (377_420, 2.737),
    "rhea": (527_070, 4.518),
    "titan": (1_221_870, 15.945),
    "iapetus": (3_560_850, 79.33),
}


def motions() -> dict[str, tuple[np.ndarray, np.ndarray]]:
    days = np.arange(3000.0, 3640.0, 3.7)  # eight turns of Iapetus
    observer = make_observer(days, None, load_ephemeris("builtin"))
    saturn = saturn_moons(
        tuple(moon.name for moon in load_body("saturn").satellites), look_at(load_body("saturn"), observer), observer
    )
    return saturn | jupiter_moons(days)


def test_moons_keep_their_distances_and_speeds() -> None:
    for name, (place, speed) in motions().items():
        distance_km, period_d = ORBITS[name]
        # the time mean of the distance is a(1 + e^2/2)
        assert length(place).mean() == pytest.approx(distance_km, rel=0.004), name
        # the velocities are those of the places' sky, which turns a little as the Earth moves
        assert length(speed).mean() == pytest.approx(2 * np.pi * distance_km / (period_d * 86400), rel=0.012), name


def test_moons_run_eastward_in_the_planets_equators() -> None:
    """Decides axes and signs: wrong ones would tilt these orbits by degrees or turn them round."""
    for name, (place, speed) in motions().items():
        planet = load_body("saturn" if name in ("tethys", "dione", "rhea", "titan", "iapetus") else "jupiter")
        ra, dec, _ = planet.orientation.at(3300.0)
        normal = unit(np.cross(place, speed))
        lean = np.degrees(np.arccos(dot(normal, from_angles(ra, dec)[None, :])))
        # inclinations to the equators: all below 1.2 deg but Iapetus (15.5 deg to the Laplace plane)
        assert lean.max() < (17.0 if name == "iapetus" else 1.3), name
    dione = motions()["dione"]
    ra, dec, _ = load_body("saturn").orientation.at(3300.0)
    assert np.degrees(np.abs(dot(unit(dione[0]), from_angles(ra, dec)[None, :]))).max() < 0.12


def test_meeus_46a_saturn_s_moons() -> None:
    """Meeus, Astronomical Algorithms, 2nd ed., example 46.a, page 334, JDE 2451439.50074.

    X to the west along the equator, Y north, in the book's radii of 60 407 km (its Rhea: 8.7259 radii).
    """
    book = {
        "tethys": (4.027, -1.061),
        "dione": (-5.365, -1.148),
        "rhea": (-0.972, -3.136),
        "titan": (14.568, 4.738),
        "iapetus": (-48.760, 4.137),
    }
    seen = apparition("saturn", Time(2451439.50074, format="jd", scale="tt"))
    pole = np.radians(seen.north_pole_position_angle_deg)
    for moon in seen.moons:
        east, north, _ = (x / 60_407.0 for x in moon.position_km)
        west_along = -(east * np.cos(pole) - north * np.sin(pole))
        north_along = east * np.sin(pole) + north * np.cos(pole)
        allowed = 0.15 if moon.name == "iapetus" else 0.03
        assert west_along == pytest.approx(book[moon.name][0], abs=allowed), moon.name
        assert north_along == pytest.approx(book[moon.name][1], abs=0.03), moon.name
