"""Blur by what moves."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from simulate.camera import field_rotation_smear, motion_transfer, rotation_drift, tracking_transfer, wander_within
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


def test_drift_is_the_mean_of_shifted_pictures():
    shifts = (np.arange(400) + 0.5) / 400 - 0.5
    mean = np.mean([GRID.shift_phase(1.5 * s, -0.7 * s) for s in shifts], axis=0)
    assert np.abs(motion_transfer(GRID, 1.5, -0.7) - mean).max() < 2e-4
    assert np.abs(motion_transfer(GRID, 1.5, 0.7) - mean).max() > 0.1  # the direction matters


def test_field_turning_by_one_degree_moves_the_edge():
    drift = rotation_drift([(100.0, 0.0, 0.0), (0.0, 100.0, 0.0)], (0, 0, 1), 1.0)
    arc = 100 * math.radians(1.0)
    # counterclockwise as seen: east (left) goes south (down), north (up) goes east (left)
    assert drift == pytest.approx(np.array([[0.0, -arc], [arc, 0.0]]), rel=2e-5, abs=1e-12)


def test_planet_turning_carries_the_middle_of_the_disc_westward():
    # Jupiter of 45 arcsec, period 9.925 h: 0.0040 arcsec a second (common practice table)
    turned = 360.0 / (9.925 * 3600)
    drift = rotation_drift((0.0, 0.0, 22.5), (0.0, 1.0, 0.0), turned)
    assert drift[1] == pytest.approx(0.0, abs=1e-12)
    assert drift[0] == pytest.approx(-0.0040, abs=0.0001)


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


def test_turning_field_smears_the_edge_and_not_the_middle():
    grid = Grid(121, 121, 0.25)
    picture = _spot(grid, 0.0, 0.0, 0.6) + _spot(grid, 0.0, 10.0, 0.6)
    smeared = field_rotation_smear(picture, grid, 20.0)
    assert smeared.sum() == pytest.approx(picture.sum(), rel=1e-3)
    middle = smeared[55:66, 55:66]
    assert middle.max() == pytest.approx(1.0, abs=2e-3)
    edge = smeared * (grid.north_arcsec()[:, None] > 5)
    east = (edge * grid.east_arcsec()[None, :]).sum() / edge.sum()
    spread = math.sqrt((edge * grid.east_arcsec()[None, :] ** 2).sum() / edge.sum())
    assert east == pytest.approx(0.0, abs=1e-3)
    # an even arc of 20 degrees at radius 10 with the spot's own width on top
    half = math.radians(10.0)
    arc = 100 * (0.5 - math.sin(2 * half) / (4 * half))
    assert spread == pytest.approx(math.sqrt(arc + 0.36), rel=0.01)


def test_no_turn_changes_nothing():
    picture = _spot(GRID, 1.0, 2.0)
    assert field_rotation_smear(picture, GRID, 0.0) == pytest.approx(picture, abs=1e-9)
