"""How strong an unsharp mask may be: by closed forms for a Gaussian blur, and by what must rise and fall."""

from __future__ import annotations

import math

import numpy as np
import pytest

from simulate.planning.sharpening import NOISE_LIMIT, Sharpening, sharpening_limits
from simulate.values.constants import FWHM_PER_SIGMA
from simulate.values.grid import Grid

STEP, SIDE = 0.25, 128


def limits(fwhm_arcsec: float = 2.0, noise: float = 1e-3, mask_arcsec: float | None = None) -> Sharpening:
    grid = Grid(SIDE, SIDE, STEP)
    transfer = np.exp(-2.0 * (math.pi * fwhm_arcsec / FWHM_PER_SIGMA * grid.frequency()) ** 2)
    return sharpening_limits(transfer, np.ones_like(transfer), grid, mask_arcsec or fwhm_arcsec, noise)


def test_a_mask_of_no_strength_changes_nothing() -> None:
    found = limits()
    assert found.strengths[0] == 0.0
    assert found.overshoot[0] == pytest.approx(0.0, abs=1e-6)
    assert found.noise[0] == pytest.approx(1e-3)


def test_overshoot_at_an_edge_is_that_of_the_difference_of_two_gaussians() -> None:
    """An edge is (1 + s) Phi(x / b) - s Phi(x / (b sqrt 2)): its greatest excess over 1, worked on a fine line."""
    found = limits()
    sigma = 2.0 / FWHM_PER_SIGMA
    x = np.linspace(0.0, 8.0, 4001)

    def edge(width: float) -> np.ndarray:
        return np.array([0.5 * (1.0 + math.erf(value / (width * math.sqrt(2.0)))) for value in x])

    for index in (10, 20, 25):
        strength = float(found.strengths[index])
        wanted = max(0.0, float(((1.0 + strength) * edge(sigma) - strength * edge(sigma * math.sqrt(2.0))).max()) - 1.0)
        assert found.overshoot[index] == pytest.approx(wanted, abs=2e-3)


def test_rings_limit_a_clean_stack_and_noise_a_grainy_one() -> None:
    clean, grainy = limits(noise=1e-4), limits(noise=0.02)
    assert clean.limited_by == "ringing"
    assert grainy.limited_by == "noise"
    assert 0.0 < grainy.strongest < clean.strongest
    index = int(np.searchsorted(clean.strengths, clean.strongest))
    assert clean.overshoot[index - 1] <= 0.02 <= clean.overshoot[index]


def test_a_stack_beyond_the_limit_already_bears_no_mask() -> None:
    assert limits(noise=1.1 * NOISE_LIMIT).strongest == 0.0


def test_noise_and_rings_grow_with_the_strength() -> None:
    found = limits()
    assert np.all(np.diff(found.noise) > 0)
    assert np.all(np.diff(found.overshoot) > -1e-9)
    # strong masks multiply white noise by their strength, less what the mask's own blur takes
    assert 0.8 < found.noise[-1] / (1e-3 * (1.0 + found.strengths[-1])) < 1.0
