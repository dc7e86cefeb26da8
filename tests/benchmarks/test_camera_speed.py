"""Ratios of speeds of the camera; run with ``pytest -m benchmark_ratio``. No time is asserted."""

import numpy as np
import pytest

from simulate.camera import Camera, SensorGrid, expose, pixel_transfer, sample

pytest.importorskip("pytest_benchmark")
pytestmark = pytest.mark.benchmark_ratio

CAMERA = Camera(2.9, 256, 256, "RGGB", read_noise_e=1.5)


def _disc(level: float) -> np.ndarray:
    row, column = np.mgrid[:256, :256] - 127.5
    light = np.where(np.hypot(row, column) < 80, level, 0.05).astype(np.float32)
    return np.broadcast_to(light, (3, 256, 256))


@pytest.mark.parametrize("exact", [False, True], ids=["skewed normal", "exact Poisson"])
@pytest.mark.parametrize("level", [5.0, 300.0])
@pytest.mark.benchmark(group="one exposure of 256 x 256")
def test_expose(benchmark, level, exact):
    light, rng = _disc(level), np.random.default_rng(1)
    raw = benchmark(lambda: expose(light, CAMERA, rng, exact))
    assert abs(raw[128, 120:136].mean() - (level / CAMERA.gain_e_per_dn + CAMERA.offset_dn)) < 20


@pytest.mark.oracle
@pytest.mark.benchmark(group="one exposure of 256 x 256")
def test_same_noise_by_galsim(benchmark):
    galsim = pytest.importorskip("galsim")
    light = np.array(_disc(300.0)[0])
    noise = galsim.CCDNoise(galsim.BaseDeviate(1), gain=1.0, read_noise=1.5)

    def run():
        image = galsim.Image(light.copy())
        image.addNoise(noise)
        return image.array

    assert abs(benchmark(run)[100:150, 100:150].mean() - 300) < 10


@pytest.mark.parametrize("angle", [0.0, 20.0], ids=["decimation", "spline"])
@pytest.mark.benchmark(group="sampling 256 x 256 pixels from cells of a third")
def test_sample(benchmark, angle):
    sensor = SensorGrid(256, 256, 0.3, angle)
    grid = sensor.fine_grid(3)
    picture = np.fft.irfft2(
        np.fft.rfft2(np.random.default_rng(1).random(grid.shape)) * pixel_transfer(grid, sensor), s=grid.shape
    ).astype(np.float32)
    read = benchmark(lambda: sample(picture, grid, sensor))
    assert abs(read.mean() / sensor.pixel_arcsec2 - 0.5) < 0.05
