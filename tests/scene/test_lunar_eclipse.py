"""The Moon in the Earth's shadow, as it is drawn."""

from __future__ import annotations

import numpy as np
import pytest

from simulate.bodies import load_body
from simulate.bodies.spectra import body_photon_flux
from simulate.errors import EclipseWarning
from simulate.geometry import Apparition, apparition
from simulate.scene import Scene, render
from simulate.scene.render import visual_weights
from simulate.values.grid import Grid

GRID = Grid(160, 160, 12.5)


def drawn(time: str) -> tuple[Apparition, Scene]:
    with pytest.warns(EclipseWarning):
        seen = apparition("moon", time)
    return seen, render(seen, "moon", GRID)


@pytest.mark.parametrize("time", ["2028-12-31T15:40", "2028-12-31T16:52"])
def test_the_picture_has_the_light_that_the_magnitude_says(time: str) -> None:
    seen, scene = drawn(time)
    found = visual_weights(scene.bins) @ scene.photons()
    full = visual_weights(scene.bins) @ body_photon_flux(load_body("moon"), seen.magnitude, scene.bins)
    assert found == pytest.approx(full, rel=0.08)


def test_the_dark_side_is_where_the_shadow_lies() -> None:
    """North up, east left: before the middle the eastern side is dark, after it the western, the south all along."""
    for time, dark in (("2028-12-31T15:40", "east"), ("2028-12-31T18:10", "west")):
        _, scene = drawn(time)
        light = scene.radiance[4]
        east, west = light[:, :80].sum(), light[:, 80:].sum()
        assert (east < 0.5 * west) if dark == "east" else (west < 0.5 * east)
    _, scene = drawn("2028-12-31T16:52")
    assert scene.radiance[6, :80].sum() < 0.7 * scene.radiance[6, 80:].sum()


def test_the_total_phase_is_red_and_the_penumbra_is_not() -> None:
    _, total = drawn("2028-12-31T16:52")
    outside = render(apparition("moon", "2028-12-31T13:30"), "moon", GRID)
    left = total.photons() / outside.photons()
    assert np.all(np.diff(left[:8]) > 0)
    assert left[6] > 4 * left[1]
    penumbra = render(apparition("moon", "2020-01-10T19:10"), "moon", GRID).photons()
    full = render(apparition("moon", "2020-01-10T16:30"), "moon", GRID).photons()
    assert np.ptp(penumbra / full) < 0.01
