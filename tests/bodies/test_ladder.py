"""Each step of aperture shows something new: the truth is finer than what any of them resolves."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from simulate.bodies import load_body
from simulate.geometry import apparition
from simulate.scene.render import render, scene_grid
from simulate.scene.values import SceneOptions
from simulate.values.spectrum import SpectralBins

GREEN = SpectralBins((500.0, 580.0))
APERTURES_MM = (60.0, 100.0, 150.0, 250.0, 400.0)

STACK_NOISE = 0.004
"""Noise of a stack of some thousand frames beside the light of the disc (common practice: 1 in 200 to 300)."""


def blur_arcsec(aperture_mm, air_arcsec):
    """Width at half height: 1.02 wavelengths over the aperture (any text on optics), and what lucky frames leave of
    the air, a third of it (common practice)."""
    return np.hypot(1.02 * 540e-9 / (aperture_mm * 1e-3) * 206265.0, air_arcsec / 3.0)


@pytest.mark.parametrize(("name", "time"), [("jupiter", "2026-01-10T08:00"), ("mars", "2027-02-20T12:37")])
def test_neighbouring_rungs_differ_by_more_than_the_noise(name, time):
    body, seen = load_body(name), apparition(name, time)
    step = 0.05
    grid = scene_grid(seen, body, step, 0.5)
    options = SceneOptions(red_spot_longitude_deg=60.0, moons=False)
    light = render(seen, body, grid, GREEN, options=options).radiance[0].astype(float)
    flat = render(
        seen, body, grid, GREEN, options=SceneOptions(moons=False, user_map=flat_map(), red_spot_longitude_deg=60.0)
    )
    disc = flat.radiance[0] > 0.05 * flat.radiance[0].max()
    blurred = [gaussian_filter(light, blur_arcsec(aperture, 0.5) / 2.3548 / step) for aperture in APERTURES_MM]
    inside = gaussian_filter(disc.astype(float), 1.0 / step) > 0.99
    mean = light[inside].mean()
    differences = [np.std((small - large)[inside]) / mean for small, large in pairwise(blurred)]
    assert min(differences) > STACK_NOISE, differences


def flat_map():
    from simulate.bodies.surface import SurfaceMap

    return SurfaceMap("flat", np.array([550.0]), np.ones((1, 19, 36), np.float32))
