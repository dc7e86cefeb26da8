"""Pixels on the sky: orientation, integration over the square, sampling."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import erf

from simulate.camera import SensorGrid, pixel_scale_arcsec, pixel_transfer, sample
from simulate.errors import InputError
from simulate.values.grid import Grid

angles = st.floats(-360.0, 360.0)


def _spot(grid, east, north, sigma):
    squared = (grid.east_arcsec()[None, :] - east) ** 2 + (grid.north_arcsec()[:, None] - north) ** 2
    return np.exp(-squared / (2 * sigma**2)) / (2 * np.pi * sigma**2)


def _integrated(picture, grid, sensor):
    return np.fft.irfft2(np.fft.rfft2(picture) * pixel_transfer(grid, sensor), s=grid.shape)


def test_pixel_scale_of_a_known_pair():
    # 206.265 p[um] / f[mm], the trade's formula
    assert pixel_scale_arcsec(2.9, 2400.0) == pytest.approx(206.265 * 2.9 / 2400, rel=1e-6)


@given(angles, st.booleans(), st.floats(-30, 30), st.floats(-30, 30), st.floats(-200, 200), st.floats(-200, 200))
def test_sky_and_pixels_are_inverse(angle, mirrored, up, right, row, column):
    sensor = SensorGrid(40, 31, 0.7, angle, mirrored, up, right)
    assert sensor.pixel_of(*sensor.sky_of(row, column)) == pytest.approx((row, column), abs=1e-9)
    assert sensor.sky_of(*sensor.planet_pixel) == pytest.approx((0.0, 0.0), abs=1e-9)


def test_north_is_up_and_east_is_at_low_columns_as_everywhere():
    sensor = SensorGrid(21, 21, 1.0)
    assert sensor.pixel_of(0.0, 3.0) == pytest.approx((13.0, 10.0))
    assert sensor.pixel_of(3.0, 0.0) == pytest.approx((10.0, 7.0))
    grid = Grid(21, 21, 1.0, 1.5, -2.0)
    assert SensorGrid(21, 21, 1.0, 0.0, False, 2.0, 1.5).pixel_of(0.4, 0.9) == pytest.approx(grid.pixel_of(0.4, 0.9))


def test_angle_is_the_position_angle_of_the_rows_and_a_mirror_reverses_columns():
    turned = SensorGrid(21, 21, 1.0, 90.0)
    assert turned.pixel_of(3.0, 0.0) == pytest.approx((13.0, 10.0))  # rows grow to the east
    assert turned.pixel_of(0.0, 3.0) == pytest.approx((10.0, 13.0))
    mirrored = SensorGrid(21, 21, 1.0, 0.0, True)
    assert mirrored.pixel_of(0.0, 3.0) == pytest.approx((13.0, 10.0))
    assert mirrored.pixel_of(3.0, 0.0) == pytest.approx((10.0, 13.0))
    # a position angle of 30 degrees points north and a little east
    assert SensorGrid(21, 21, 1.0, 30.0).sky_of(11, 10) == pytest.approx((0.5, math.sqrt(0.75)))


@pytest.mark.parametrize(
    ("angle", "mirrored", "seen"),
    [
        (0.0, False, lambda p: p),
        (90.0, False, lambda p: p[:, ::-1].T),
        (180.0, False, lambda p: p[::-1, ::-1]),
        (-90.0, False, lambda p: p[::-1].T),
        (0.0, True, lambda p: p[:, ::-1]),
        (90.0, True, lambda p: p[::-1, ::-1].T),
    ],
)
def test_quarter_turns_and_mirrors_of_an_asymmetric_picture(angle, mirrored, seen):
    picture = np.arange(99.0).reshape(9, 11)
    expected = seen(picture)
    sensor = SensorGrid(*expected.shape, 0.5, angle, mirrored)
    assert np.array_equal(sample(picture, Grid(9, 11, 0.5), sensor), (expected * 0.25).astype(np.float32))


@settings(deadline=None, max_examples=40)
@given(
    st.integers(1, 4),
    st.integers(5, 12),
    st.integers(5, 12),
    st.booleans(),
    st.sampled_from([0.0, 90.0, 33.0, -128.5]),
    st.floats(-2, 2),
)
def test_a_pixel_reads_its_own_place_on_the_sky(factor, rows, columns, mirrored, angle, offset):
    sensor = SensorGrid(rows, columns, 0.8, angle, mirrored, offset, -offset / 2)
    grid = sensor.fine_grid(factor, margin_px=9)
    picture = grid.east_arcsec()[None, :] + 10 * grid.north_arcsec()[:, None]
    east, north = sensor.sky_of(np.arange(rows)[:, None], np.arange(columns)[None, :])
    read = sample(picture, grid, sensor) / sensor.pixel_arcsec2
    # a spline of the third degree runs exactly through a slope; its ringing from the edge has died down
    assert read == pytest.approx(east + 10 * north, abs=2e-5 * np.abs(picture).max())


@settings(deadline=None, max_examples=40)
@given(st.integers(1, 6), st.integers(2, 30), st.integers(2, 30), st.booleans(), st.floats(-9, 9), st.integers(1, 17))
def test_fine_grid_holds_the_pixel_centres_and_transforms_fast(factor, rows, columns, mirrored, offset, multiple):
    sensor = SensorGrid(rows, columns, 0.31, 0.0, mirrored, offset, 0.3)
    grid = sensor.fine_grid(factor, 2, multiple=multiple)
    for corner in ((0, 0), (rows - 1, columns - 1)):
        row, column = grid.pixel_of(*(float(value) for value in sensor.sky_of(*corner)))
        assert abs(row - round(row)) < 1e-6
        assert abs(column - round(column)) < 1e-6
        assert factor <= row < grid.rows - factor
        assert factor <= column < grid.columns - factor
    # coarser cells of `multiple` fill the field, and but for a large prime of that number the sizes transform fast
    for cells in grid.shape:
        assert cells % (2 * multiple if multiple % 2 else multiple) == 0
        left = cells // multiple
        for prime in (2, 3, 5):
            while left % prime == 0:
                left //= prime
        assert left == 1


@settings(deadline=None, max_examples=30)
@given(angles, st.floats(-1.5, 1.5), st.floats(-1.5, 1.5))
def test_transfer_is_the_mean_of_a_wave_over_the_turned_square(angle, ratio_north, ratio_west):
    grid, sensor = Grid(32, 32, 0.2), SensorGrid(8, 8, 0.8, angle)
    row, column = round(ratio_north * 8), round(abs(ratio_west) * 8)
    north, west = grid.frequency_north()[row], grid.frequency_west()[column]
    # independent: midpoint integration of the wave over the square, point by point
    inside = (np.arange(200) + 0.5) / 200 - 0.5
    east_points, north_points = sensor.sky_of(3.5 + inside[:, None], 3.5 + inside[None, :])
    mean = np.cos(2 * np.pi * (north * north_points - west * east_points)).mean()
    assert pixel_transfer(grid, sensor)[row, column] == pytest.approx(mean, abs=2e-4)


def test_transfer_of_an_unturned_pixel_is_the_product_of_two_sincs():
    grid = Grid(24, 20, 0.3)
    transfer = pixel_transfer(grid, SensorGrid(4, 4, 0.9))
    north, west = np.sinc(grid.frequency_north() * 0.9), np.sinc(grid.frequency_west() * 0.9)
    assert transfer.dtype == np.float32
    assert transfer == pytest.approx(np.outer(north, west), abs=1e-6)
    assert transfer[0, 0] == 1.0


def test_sampled_gaussian_agrees_with_its_integral_over_each_pixel():
    sensor = SensorGrid(31, 29, 0.9, 0.0, False, 0.37, -1.21)
    grid = sensor.fine_grid(6, margin_px=4)
    read = sample(_integrated(_spot(grid, 0.0, 0.0, 0.8), grid, sensor), grid, sensor)
    north = (np.arange(31) - 15 - 0.37) * 0.9
    west = (np.arange(29) - 14 + 1.21) * 0.9

    def share(middle):  # closed form: the Gaussian's integral over one pixel
        root = 0.8 * math.sqrt(2)
        return 0.5 * (erf((middle + 0.45) / root) - erf((middle - 0.45) / root))

    exact = np.outer(share(north), share(west))
    assert np.abs(read - exact).max() < 2e-6


@settings(deadline=None, max_examples=25)
@given(angles, st.booleans(), st.floats(-3, 3), st.floats(-3, 3), st.sampled_from([2.0, 3.0, 3.7, 5.0]))
def test_flux_is_conserved_whatever_the_angle_and_the_step(angle, mirrored, up, right, cells):
    sensor = SensorGrid(40, 44, 0.6, angle, mirrored, up, right)
    grid = Grid(240, 240, 0.6 / cells)
    picture = 1000 * _spot(grid, 0.3, -0.2, 0.75)
    read = sample(_integrated(picture, grid, sensor), grid, sensor)
    assert read.sum() == pytest.approx(picture.sum() * grid.cell_arcsec2, rel=1e-3)


def test_turned_asymmetric_picture_lands_where_the_sky_says():
    sensor = SensorGrid(61, 61, 0.5, 37.0, True, 2.3, -1.7)
    grid = Grid(300, 300, 0.2)
    for east, north in ((6.0, 2.0), (-3.0, 7.0)):
        read = sample(_integrated(_spot(grid, east, north, 0.7), grid, sensor), grid, sensor)
        row = (read * np.arange(61)[:, None]).sum() / read.sum()
        column = (read * np.arange(61)[None, :]).sum() / read.sum()
        assert (row, column) == pytest.approx(sensor.pixel_of(east, north), abs=2e-3)


def test_beyond_the_picture_the_given_brightness_is_taken():
    picture = np.ones((8, 8))
    exact = sample(picture, Grid(8, 8, 1.0), SensorGrid(12, 12, 1.0), outside=5.0)
    assert exact[0, 0] == 5.0
    assert exact[6, 6] == 1.0
    turned = sample(picture, Grid(8, 8, 1.0), SensorGrid(21, 21, 1.0, 45.0), outside=5.0)
    assert turned[0, 0] == pytest.approx(5.0)
    assert turned[10, 10] == pytest.approx(1.0, abs=0.1)


def test_planes_are_sampled_one_by_one():
    rng = np.random.default_rng(5)
    planes, grid = rng.random((2, 3, 24, 24)), Grid(24, 24, 0.5)
    for sensor in (SensorGrid(5, 5, 1.0, 0.0, False, 0.25, 0.25), SensorGrid(5, 5, 1.0, 20.0)):
        together = sample(planes, grid, sensor)
        assert together.shape == (2, 3, 5, 5)
        assert np.array_equal(together[1, 2], sample(planes[1, 2], grid, sensor))


def test_wrong_shapes_and_senseless_grids_are_refused():
    with pytest.raises(InputError, match="picture"):
        sample(np.zeros((4, 5)), Grid(5, 4, 1.0), SensorGrid(2, 2, 1.0))
    with pytest.raises(InputError, match="sensor size"):
        SensorGrid(0, 4, 1.0)
    with pytest.raises(InputError, match="pixel scale"):
        SensorGrid(4, 4, -1.0)
    with pytest.raises(InputError, match="finite"):
        SensorGrid(4, 4, 1.0, float("nan"))


@pytest.mark.oracle
def test_airy_on_pixels_agrees_with_galsim():
    galsim = pytest.importorskip("galsim")
    ratio, pixel = 0.75, 0.5  # lambda/D and pixel, arcsec
    image = galsim.Airy(lam_over_diam=ratio, obscuration=0.3, scale_unit=galsim.arcsec).drawImage(
        nx=33, ny=33, scale=pixel, dtype=float
    )
    sensor = SensorGrid(33, 33, pixel)
    grid = sensor.fine_grid(8, margin_px=80)
    east, north = grid.east_arcsec()[None, :], grid.north_arcsec()[:, None]
    from scipy.special import j1

    x = np.pi * np.hypot(east, north) / ratio + 1e-12
    amplitude = 2 * (j1(x) - 0.3 * j1(0.3 * x)) / x / (1 - 0.09)
    picture = amplitude**2 * np.pi / 4 * (1 - 0.09) / ratio**2
    read = sample(_integrated(picture, grid, sensor), grid, sensor)
    assert np.abs(read - image.array).max() < 2e-4 * image.array.max()
