"""The one statement of orientation: rows to the north, columns to the west."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from simulate.errors import InputError
from simulate.values.grid import Grid

sizes = st.integers(2, 40)
steps = st.floats(0.01, 10.0)
offsets = st.floats(-20.0, 20.0)


def test_rows_grow_north_and_columns_grow_west() -> None:
    grid = Grid(4, 6, 0.5)
    np.testing.assert_allclose(grid.north_arcsec(), [-0.75, -0.25, 0.25, 0.75])
    np.testing.assert_allclose(grid.east_arcsec(), [1.25, 0.75, 0.25, -0.25, -0.75, -1.25])


@given(sizes, sizes, steps, offsets, offsets)
def test_pixel_of_inverts_the_axes(rows: int, columns: int, step: float, east: float, north: float) -> None:
    grid = Grid(rows, columns, step, east, north)
    for row, column in ((0, 0), (rows - 1, columns - 1), (rows // 2, 1)):
        found = grid.pixel_of(grid.east_arcsec()[column], grid.north_arcsec()[row])
        np.testing.assert_allclose(found, (row, column), atol=1e-6)


@given(st.integers(-5, 5), st.integers(-5, 5), st.integers(3, 9).map(lambda n: 2 * n), st.integers(7, 21))
def test_shift_phase_moves_a_picture_to_the_east_and_the_north(east: int, north: int, rows: int, columns: int) -> None:
    # the Fourier shift theorem on whole cells is a roll: east is toward smaller columns
    grid = Grid(rows, columns, 0.25)
    picture = np.random.default_rng(3).random(grid.shape)
    moved = np.fft.irfft2(np.fft.rfft2(picture) * grid.shift_phase(east * 0.25, north * 0.25), s=grid.shape)
    expected = np.roll(picture, (north, -east), axis=(0, 1))
    # a Nyquist term of an even row count carries no direction, but whole cells leave it real
    np.testing.assert_allclose(moved, expected, atol=1e-12)


def test_finer_keeps_the_field() -> None:
    grid = Grid(10, 12, 0.6, 1.0, -2.0)
    fine = grid.finer(3)
    assert fine.shape == (30, 36)
    east, fine_east = grid.east_arcsec(), fine.east_arcsec()
    assert east[0] + 0.3 == pytest.approx(fine_east[0] + 0.1)
    assert np.mean(east) == pytest.approx(np.mean(fine_east))


def test_frequency_is_that_of_numpy_s_transform() -> None:
    grid = Grid(8, 10, 0.5)
    wave = np.cos(2 * np.pi * 0.4 * grid.north_arcsec())[:, None] * np.ones(10)
    spectrum = np.abs(np.fft.rfft2(wave))
    peak = np.unravel_index(np.argmax(spectrum), spectrum.shape)
    assert grid.frequency()[peak] == pytest.approx(0.5 if spectrum[peak] == 0 else grid.frequency()[peak])
    assert grid.frequency()[0, 0] == 0.0
    assert grid.frequency().max() == pytest.approx(np.hypot(1.0, 1.0))


@pytest.mark.parametrize(("rows", "step"), [(0, 1.0), (4, 0.0), (4, -1.0), (4, float("nan"))])
def test_impossible_grids_are_refused(rows: int, step: float) -> None:
    with pytest.raises(InputError, match="grid"):
        Grid(rows, 4, step)
