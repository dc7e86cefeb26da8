"""Eclipsed sunlight against numerical overlap and the cones of the shadow."""

from __future__ import annotations

import numpy as np
import pytest

from simulate.geometry.shadow_light import uncovered_fraction
from simulate.scene.shadows import MoonShadow
from simulate.values.constants import ASTRONOMICAL_UNIT_KM, SUN_RADIUS_KM


@pytest.mark.parametrize(
    ("separation", "sun", "cover"),
    [(0.7, 1.0, 0.5), (0.2, 1.0, 1.4), (1.1, 1.0, 0.9), (0.1, 1.0, 0.5), (0.3, 0.5, 1.0)],
)
def test_the_lens_of_two_circles_agrees_with_counting(separation, sun, cover):
    x, y = np.meshgrid(np.linspace(-sun, sun, 1501), np.linspace(-sun, sun, 1501))
    disc = x**2 + y**2 < sun**2
    free = disc & ((x - separation) ** 2 + y**2 > cover**2)
    assert uncovered_fraction(np.array([separation]), sun, cover)[0] == pytest.approx(free.sum() / disc.sum(), abs=2e-3)


def test_ends_of_the_lens():
    light = uncovered_fraction(np.array([3.0, 0.0, 0.4]), np.array([1.0, 1.0, 1.0]), np.array([1.0, 2.0, 0.5]))
    assert light == pytest.approx([1.0, 0.0, 0.75])


def test_the_shadow_of_io_has_the_umbra_and_penumbra_of_its_cones():
    """Io over Jupiter's middle, 350 000 km up at 5.2 au: similar triangles give the two radii."""
    radius, height, sun = 1821.5, 350_000.0, 5.2 * ASTRONOMICAL_UNIT_KM
    shadow = MoonShadow("io", np.array([0.0, 0.0, height]), radius, np.array([0.0, 0.0, sun]))
    beyond = sun - height
    umbra = radius - (SUN_RADIUS_KM - radius) * height / beyond
    penumbra = radius + (SUN_RADIUS_KM + radius) * height / beyond
    assert 2 * umbra == pytest.approx(3020, abs=60)  # somewhat below the moon's 3643 km
    x = np.array([0.0, umbra * 0.999, umbra * 1.02, penumbra * 0.98, penumbra * 1.001])
    light = shadow.sunlit(np.stack([x, 0 * x, 0 * x]))
    assert light[:2] == pytest.approx([0.0, 0.0], abs=1e-9)
    assert 0 < light[2] < light[3] < 1
    assert light[4] == 1.0


def test_a_moon_behind_the_planet_throws_no_shadow_on_it():
    shadow = MoonShadow("io", np.array([0.0, 0.0, -4e5]), 1821.5, np.array([0.0, 0.0, 7.8e8]))
    assert not shadow.touches(71492.0)
    assert shadow.sunlit(np.zeros((3, 1))) == pytest.approx([1.0])
