from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from simulate.errors import InputError
from simulate.results.view import Picture, Placement
from simulate.values.grid import Grid


@given(st.floats(-180, 180), st.booleans(), st.floats(0.01, 5), st.floats(-50, 50), st.floats(-50, 50))
def test_placement_there_and_back(angle: float, mirrored: bool, step: float, row: float, column: float):
    place = Placement.turned(step, angle, mirrored, 1.5, -2.5)
    again = place.pixel_of(*place.sky_of(row, column, (40, 61)), (40, 61))
    assert again == pytest.approx((row, column), abs=1e-6)
    assert place.step_arcsec == pytest.approx(step)


def test_placement_agrees_with_the_grid():
    grid = Grid(10, 12, 0.5, 3.0, -1.0)
    place = Placement.of_grid(grid)
    assert place.pixel_of(2.0, 0.5, grid.shape) == pytest.approx(grid.pixel_of(2.0, 0.5))


def test_placement_agrees_with_the_camera():
    camera = pytest.importorskip("simulate.camera")
    for angle, mirrored in ((0.0, False), (30.0, False), (-100.0, True)):
        sensor = camera.SensorGrid(20, 30, 0.7, angle, mirrored)
        place = Placement.turned(0.7, angle, mirrored)
        assert place.sky_of(3, 25, (20, 30)) == pytest.approx(tuple(float(x) for x in sensor.sky_of(3, 25)))


def test_turned_placement_points_where_it_says():
    # rows grow to the east (position angle 90); unmirrored, columns then grow to the north
    east, north = Placement.turned(1.0, 90.0, False).sky_of(
        np.array([0.0, 1.0, 0.0]), np.array([0.0, 0.0, 1.0]), (1, 1)
    )
    assert (east[1] - east[0], north[1] - north[0]) == pytest.approx((1.0, 0.0), abs=1e-12)
    assert (east[2] - east[0], north[2] - north[0]) == pytest.approx((0.0, 1.0), abs=1e-12)


def test_picture_is_frozen_and_knows_its_shape():
    picture = Picture(np.zeros((4, 5, 3)), Placement.north_up(1.0))
    assert picture.in_colour
    assert picture.shape == (4, 5)
    assert Picture(np.zeros((7, 4, 5)), Placement.north_up(1.0)).shape == (4, 5)
    with pytest.raises(ValueError, match="read-only"):
        picture.values[0, 0, 0] = 1
    with pytest.raises(InputError, match="picture"):
        Picture(np.zeros(4), Placement.north_up(1.0))
    with pytest.raises(InputError, match="placement"):
        Placement(0, 0, 0, 0)
