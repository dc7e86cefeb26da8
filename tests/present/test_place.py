from __future__ import annotations

import numpy as np
import pytest
from drawn import drawn_disc

from simulate.errors import InputError
from simulate.present.place import Display, lay, mounted_view
from simulate.results.view import Picture, Placement
from simulate.values.grid import Grid


def centroid(display: Display, light: np.ndarray) -> tuple[float, float]:
    rows, columns = np.indices(light.shape)
    row, column = (rows * light).sum() / light.sum(), (columns * light).sum() / light.sum()
    return display.placement.sky_of(row, column, display.shape)


def spot(place: Placement, east: float, north: float, shape: tuple[int, int] = (90, 100)) -> Picture:
    rows, columns = np.indices(shape)
    easts, norths = place.sky_of(rows, columns, shape)
    return Picture(np.exp(-((easts - east) ** 2 + (norths - north) ** 2) / 2), place)


@pytest.mark.parametrize("how", ["smooth", "lines", "pixels"])
@pytest.mark.parametrize("step", [0.07, 0.31, 1.3])
@pytest.mark.parametrize("mirrored", [False, True])
def test_a_spot_is_laid_where_it_stands(how: str, step: float, mirrored: bool):
    picture = spot(Placement.turned(0.3, 25.0, mirrored, 0.5, 1.0), 3.0, -2.0)
    side = round(24 / step)
    display = Display(side, side + 3, step, -40.0)
    light = lay(picture, display, how)
    assert centroid(display, light) == pytest.approx((3.0, -2.0), abs=0.05)
    assert light.sum() * step**2 == pytest.approx(2 * np.pi, rel=0.01)


def test_east_is_left_and_north_is_up():
    grid = Grid(60, 60, 0.5)
    light = lay(Picture(drawn_disc(grid, 10.0), Placement.of_grid(grid)), Display(100, 100, 0.3))
    row, column = np.unravel_index(np.argmax(light), light.shape)
    assert row > 55  # row 0 is the bottom: the spot of the north-east quarter is above
    assert column < 45


def test_display_directions():
    plain, turned, mirror = Display(9, 9, 1.0), Display(9, 9, 1.0, 90.0), Display(9, 9, 1.0, 0.0, True)
    assert plain.direction(90.0) == pytest.approx((-1.0, 0.0), abs=1e-12)
    assert turned.direction(90.0) == pytest.approx((0.0, 1.0), abs=1e-12)
    assert mirror.direction(90.0) == pytest.approx((1.0, 0.0), abs=1e-12)
    for display in (plain, turned, mirror):
        row, column = display.pixel_of(2.0, 1.0)
        right, up = np.array(display.direction(90.0)) * 2.0 + np.array(display.direction(0.0)) * 1.0
        assert (column - 4, row - 4) == pytest.approx((right, up))


@pytest.mark.parametrize(("angle", "mirrored"), [(0.0, False), (33.0, False), (-120.0, True)])
def test_the_mounted_view_is_the_cameras_own(angle: float, mirrored: bool):
    up, flipped = mounted_view(Placement.turned(0.4, angle, mirrored))
    assert up == pytest.approx(angle)
    assert flipped is mirrored
    picture = spot(Placement.turned(0.4, angle, mirrored), 2.0, 3.0, (40, 40))
    shown = lay(picture, Display(40, 40, 0.4, up, flipped), "pixels")
    np.testing.assert_allclose(shown, picture.values, atol=1e-6)


def test_a_cubic_invents_no_light():
    step = Picture(np.repeat(np.array([0.0, 0.0, 1.0, 1.0]), 10)[:, None].repeat(40, 1), Placement.north_up(1.0))
    light = lay(step, Display(300, 300, 0.1))
    assert light.min() >= 0.0
    assert light.max() <= 1.0


def test_planes_that_are_no_colours_are_refused():
    with pytest.raises(InputError, match="picture"):
        lay(Picture(np.zeros((5, 8, 8)), Placement.north_up(1.0)), Display(4, 4, 1.0))
    with pytest.raises(InputError, match="display"):
        Display(0, 4, 1.0)
