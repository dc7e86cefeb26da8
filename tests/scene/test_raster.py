"""Coverage of cells by shapes: areas are exact wherever the shape falls."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simulate.scene.raster import Strips, coverage, overlap, quadratic_chords, weighted_coverage, window_around
from simulate.values.grid import Grid


def ellipse(major: float, minor: float, angle_deg: float) -> np.ndarray:
    angle = np.radians(angle_deg)
    axis = np.array([np.sin(angle), np.cos(angle)])
    other = np.array([np.cos(angle), -np.sin(angle)])
    return np.outer(axis, axis) / major**2 + np.outer(other, other) / minor**2


def covered(grid: Grid, form: np.ndarray, centre: tuple[float, float], along_north: bool) -> np.ndarray:
    window = window_around(grid, 0.0, 0.0, 100.0, 100.0)
    strips = Strips(window, along_north, 8)
    middle, half = quadratic_chords(strips, form, centre, mean=True)
    ends = np.sort([strips.scan_index(middle - half), strips.scan_index(middle + half)], axis=0)
    return coverage(strips, ends[0], ends[1])


@settings(max_examples=40, deadline=None)
@given(
    east=st.floats(-0.5, 0.5),
    north=st.floats(-0.5, 0.5),
    major=st.floats(0.3, 7.0),
    flat=st.floats(0.001, 1.0),
    angle=st.floats(0, 180),
    along_north=st.booleans(),
)
def test_the_area_of_an_ellipse_does_not_depend_on_where_it_falls(east, north, major, flat, angle, along_north):
    if flat < 0.2:  # thin shapes are cut across their short axis, as the rings are
        along_north = abs(np.sin(np.radians(angle))) > np.sqrt(0.5)
    form = ellipse(major, major * flat, angle)
    cells = covered(Grid(40, 41, 0.5), form, (east, north), along_north)
    assert cells.min() >= 0
    assert cells.max() <= 1
    assert cells.sum() * 0.25 == pytest.approx(np.pi * major**2 * flat, rel=1e-6)


@pytest.mark.parametrize("along_north", [True, False])
def test_each_cell_agrees_with_brute_force(along_north):
    form = ellipse(3.1, 1.7, 35.0)
    cells = covered(Grid(20, 18, 0.5), form, (0.13, -0.21), along_north)
    fine = Grid(20, 18, 0.5).finer(40)
    x = fine.east_arcsec()[None, :] - 0.13
    y = fine.north_arcsec()[:, None] + 0.21
    inside = form[0, 0] * x * x + 2 * form[0, 1] * x * y + form[1, 1] * y * y < 1
    brute = inside.reshape(20, 40, 18, 40).mean(axis=(1, 3))
    assert np.abs(cells - brute).max() < 0.01
    assert np.corrcoef(cells.ravel(), brute.ravel())[0, 1] > 0.99999


def test_weighted_sums_are_linear():
    strips = Strips(window_around(Grid(12, 12, 1.0), 0, 0, 6, 6), True, 4)
    rng = np.random.default_rng(3)
    low = rng.uniform(0, 6, (3, 48))
    high = low + rng.uniform(0, 5, (3, 48))
    weights = rng.normal(size=(2, 3))
    parts = np.stack([coverage(strips, a, b) for a, b in zip(low, high, strict=True)])
    expected = np.einsum("ks,srq->krq", weights, parts)
    assert np.allclose(weighted_coverage(strips, low, high, weights), expected, atol=1e-12)


def test_windows_overlap_in_the_cells_they_share():
    grid = Grid(30, 30, 1.0)
    one, other = window_around(grid, 0, 0, 5, 5), window_around(grid, 6, 3, 5, 5)
    both = overlap(one, other)
    marks = np.zeros(grid.shape, int)
    marks[one.slices] += 1
    marks[other.slices] += 1
    assert (marks == 2).sum() == np.prod(both.shape)
    assert (marks[both.slices] == 2).all()
    assert marks[one.slices][both.within(one)].shape == both.shape
    far = window_around(grid, 100, 0, 5, 5)
    assert far.empty
    assert overlap(one, far).empty
