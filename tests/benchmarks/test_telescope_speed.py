"""Speed of the telescope, beside poppy's matrix transform and bare transforms of the same size."""

import numpy as np
import pytest
from scipy import fft

from simulate.telescope import Telescope, make_pupil, point_response, transfers
from simulate.values.constants import ARCSEC_PER_RADIAN
from simulate.values.grid import Grid
from simulate.values.spectrum import DEFAULT_BINS

pytest.importorskip("pytest_benchmark")
pytestmark = [pytest.mark.oracle, pytest.mark.benchmark_ratio]

PERFECT = Telescope(200.0, 2000.0, obstruction_mm=50.0, vanes_count=4, vane_width_mm=1.0)
FAULTY = Telescope(200.0, 2000.0, obstruction_mm=50.0, vanes_count=4, vane_width_mm=1.0, wavefront_error_waves=0.05)
GRID = Grid(256, 256, 0.5 * 380e-9 / 0.2 * ARCSEC_PER_RADIAN)
WAVES = tuple(DEFAULT_BINS.centres_nm)
CELL_ARCSEC = 550e-9 / 0.2 * ARCSEC_PER_RADIAN / 4


@pytest.mark.parametrize("telescope", [PERFECT, FAULTY], ids=["perfect", "faulty"])
@pytest.mark.benchmark(group="11 transfers on 256 x 256")
def test_all_bins_anew(benchmark, telescope):
    pupil = make_pupil(telescope)

    def anew():
        transfers.cache_clear()
        return transfers(pupil, GRID, WAVES)

    assert benchmark(anew).shape == (11, 256, 129)


@pytest.mark.benchmark(group="11 transfers on 256 x 256")
def test_floor_of_bare_transforms(benchmark):
    picture = np.ones((11, 256, 256), np.float32)
    benchmark(lambda: fft.irfft2(fft.rfft2(picture)))


@pytest.mark.benchmark(group="point response of 256 x 256")
def test_point_response(benchmark):
    pupil = make_pupil(PERFECT, 256)
    assert benchmark(lambda: point_response(pupil, 550.0, CELL_ARCSEC, 256)).shape == (256, 256)


@pytest.mark.benchmark(group="point response of 256 x 256")
def test_poppys_point_response(benchmark):
    import poppy
    from astropy import units as u

    system = poppy.OpticalSystem(npix=256, pupil_diameter=0.2 * u.m, oversample=1)
    system.add_pupil(poppy.CircularAperture(radius=0.1))
    system.add_pupil(poppy.SecondaryObscuration(secondary_radius=0.025, n_supports=4, support_width=0.001))
    system.add_detector(pixelscale=CELL_ARCSEC, fov_pixels=256)
    assert benchmark(lambda: system.calc_psf(550e-9))[0].data.shape == (256, 256)
