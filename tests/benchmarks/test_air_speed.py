"""Speed of the air's transfers for all bins, beside bare transforms of the same size."""

import numpy as np
import pytest
from scipy import fft

from simulate.air import Sky, dispersion_transfer, seeing_transfers
from simulate.values.grid import Grid
from simulate.values.spectrum import DEFAULT_BINS

pytest.importorskip("pytest_benchmark")
pytestmark = [pytest.mark.oracle, pytest.mark.benchmark_ratio, pytest.mark.benchmark(group="air, 11 bins on 256 x 256")]

GRID = Grid(256, 256, 0.2)


def test_floor_of_bare_transforms(benchmark):
    picture = np.ones((11, 256, 256), np.float32)
    benchmark(lambda: fft.irfft2(fft.rfft2(picture)))


def test_dispersion(benchmark):
    assert benchmark(dispersion_transfer, GRID, DEFAULT_BINS, 30.0, 40.0).shape == (11, 256, 129)


def test_long_exposure(benchmark):
    assert benchmark(seeing_transfers, GRID, DEFAULT_BINS, Sky(), 1.2).shape == (11, 256, 129)


def test_motion_removed(benchmark):
    found = benchmark(lambda: seeing_transfers(GRID, DEFAULT_BINS, Sky(), 1.2, aperture_m=0.15, kept=0.3))
    assert found.shape == (11, 256, 129)
