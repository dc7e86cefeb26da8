"""What the rendered discs show of the bodies' faces, against published figures."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.ndimage import map_coordinates

from simulate.bodies import load_body
from simulate.bodies.spectra import synthetic_magnitude, wavelength_scale
from simulate.geometry import apparition
from simulate.scene import SceneOptions, render, scene_grid
from simulate.values.spectrum import SpectralBins

FINE = SpectralBins(tuple(float(edge) for edge in range(360, 801, 10)))
"""Narrow bins, so that a band's magnitude can be taken from them."""

PHOTON_J_NM = 1.98644586e-16
"""Planck's constant times the speed of light, J nm (SI 2019)."""


def rendered_magnitude(photons: np.ndarray, name: str) -> float:
    """Magnitude in a Johnson band of photons s-1 m-2 in the fine bins."""
    density = photons / FINE.widths_nm * PHOTON_J_NM / FINE.centres_nm
    return synthetic_magnitude(np.interp(wavelength_scale(), FINE.centres_nm, density), name)


@pytest.mark.parametrize(
    ("name", "classical"),
    # classical B-V of a general astronomical toolbox; Sun 0.653 +- 0.003 (Ramirez et al. 2012)
    [("mercury", 0.93), ("mars", 1.36), ("jupiter", 0.83), ("saturn", 1.04), ("uranus", 0.56), ("neptune", 0.41)],
)
def test_b_minus_v_of_the_rendered_disc(name: str, classical: float) -> None:
    body = load_body(name)
    seen = apparition(name, "2004-01-01T00:00")
    grid = scene_grid(seen, body, seen.equatorial_diameter_arcsec / 60)
    hidden = frozenset({"rings"}) if name == "saturn" else frozenset()
    options = SceneOptions(moons=False, red_spot_longitude_deg=0.0, without=hidden)
    photons = render(seen, body, grid, FINE, options=options).photons()
    colour = rendered_magnitude(photons, "B") - rendered_magnitude(photons, "V")
    # Mallama, Krobusek & Pavlov (2017): albedos in B and V, with the Sun's own colour
    albedos = {
        "mercury": (0.105, 0.142), "mars": (0.088, 0.170), "jupiter": (0.443, 0.538),
        "saturn": (0.339, 0.499), "uranus": (0.561, 0.488), "neptune": (0.562, 0.442),
    }[name]  # fmt: skip
    expected = 0.653 - 2.5 * math.log10(albedos[0] / albedos[1])
    assert colour == pytest.approx(expected, abs=0.03)
    assert colour == pytest.approx(classical, abs=0.12)


@pytest.mark.parametrize("when", ["2003-07-05T00:00", "2003-08-05T00:00", "2005-07-20T00:00"])
def test_the_edge_of_mars_south_cap_on_the_rendered_disc(when: str) -> None:
    # observers' reports of 1986 and 1988 (abstract): from 60 S at Ls 185 to 86 S at Ls 285, nearly linear
    mars = load_body("mars")
    seen = apparition("mars", when)
    assert 185 < seen.solar_longitude_deg < 262
    published = 60.0 + (seen.solar_longitude_deg - 185.0) * 26.0 / 100.0
    radius = seen.equatorial_diameter_arcsec / 2
    grid = scene_grid(seen, mars, radius / 300)
    red = render(seen, mars, grid, options=SceneOptions(moons=False)).radiance[6]
    # along the central meridian toward the south pole, on the near side of it
    pole = math.radians(seen.north_pole_position_angle_deg + 180.0)
    along = np.linspace(0.3, 0.9995, 4000) * radius
    rows, columns = zip(*(grid.pixel_of(r * math.sin(pole), r * math.cos(pole)) for r in along), strict=True)
    light = map_coordinates(red, [rows, columns], order=1)
    place = along[np.argmax(np.gradient(light))]
    polar = seen.polar_diameter_arcsec / 2
    centric = math.degrees(math.asin(min(1.0, place / polar))) - seen.sub_observer_latitude_centric_deg
    flattening = (mars.equatorial_radius_km / mars.polar_radius_km) ** 2
    graphic = math.degrees(math.atan(math.tan(math.radians(centric)) * flattening))
    assert graphic == pytest.approx(published, abs=1.0)
