"""Blur by what moves."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from simulate.camera import tracking_transfer, wander_within
from simulate.values.grid import Grid

GRID = Grid(96, 80, 0.25)


def _spot(grid, east, north, sigma=0.8):
    squared = (grid.east_arcsec()[None, :] - east) ** 2 + (grid.north_arcsec()[:, None] - north) ** 2
    return np.exp(-squared / (2 * sigma**2))


def test_tracking_adds_its_variance_to_that_of_a_spot():
    spot = _spot(GRID, 0.0, 0.0)
    blurred = np.fft.irfft2(np.fft.rfft2(spot) * tracking_transfer(GRID, 0.9), s=GRID.shape)
    variance = (blurred * GRID.north_arcsec()[:, None] ** 2).sum() / blurred.sum()
    assert variance == pytest.approx(0.8**2 + 0.9**2, rel=1e-3)
    assert blurred.sum() == pytest.approx(spot.sum(), rel=1e-6)


@given(st.floats(0.01, 50.0))
def test_wander_within_an_exposure_is_what_its_mean_does_not_take(length):
    # variance of the mean by integrating the correlation itself: 2/x^2 int_0^x (x - u) exp(-u) du
    u = np.linspace(0.0, length, 20001)
    mean_variance = 2 / length**2 * np.trapezoid((length - u) * np.exp(-u), u)
    assert wander_within(2.0, 3.0 * length, 3.0) ** 2 == pytest.approx(4.0 * (1 - mean_variance), rel=1e-3, abs=1e-6)


def test_wander_is_small_in_short_exposures_and_joins_its_series():
    assert wander_within(1.0, 0.01) == pytest.approx(math.sqrt(0.01 / 3), rel=0.01)
    assert wander_within(1.0, 0.0009999) == pytest.approx(wander_within(1.0, 0.0010001), rel=1e-3)
    assert wander_within(1.0, 0.0) == 0.0
