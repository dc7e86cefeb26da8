from __future__ import annotations

import io
import subprocess
import sys
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from drawn import drawn_view, near_sun
from PIL import Image

from simulate.geometry import MoonState
from simulate.instruments import load_instrument
from simulate.present.board import Board
from simulate.present.place import Display, lay
from simulate.present.sheet import (
    LABEL_ROWS,
    MARGIN,
    PANEL_SIDE,
    WIDTH,
    _moons_head,
    _row_of_moons,
    _spread_labels,
    field_arcsec,
    frame_note,
    panel_display,
    panels,
    sheet_png,
    write_sheet,
)

PANEL_TOP = 132


def pixels(view, **options) -> np.ndarray:
    return np.asarray(Image.open(io.BytesIO(sheet_png(view, **options))).convert("RGB")).astype(int)


def test_the_truth_stands_in_its_panel_pixel_for_pixel(view):
    sheet = pixels(view)
    assert sheet.shape[1] == WIDTH
    shown = sheet[PANEL_TOP : PANEL_TOP + PANEL_SIDE, MARGIN : MARGIN + PANEL_SIDE]
    # the spot of the north-east quarter is above and left of the middle
    row, column = np.unravel_index(np.argmax(shown[30:-120, 30:-120].sum(axis=2)), (PANEL_SIDE - 150, PANEL_SIDE - 150))
    assert row + 30 < PANEL_SIDE / 2
    assert column + 30 < PANEL_SIDE / 2
    light = lay(view.truth_rgb, panel_display(view, PANEL_SIDE, field_arcsec(view), False), "lines")
    middle = PANEL_SIDE // 2
    expected = 255 * (1.055 * light[::-1][middle, middle] ** (1 / 2.4) - 0.055)  # IEC 61966-2-1
    np.testing.assert_allclose(shown[middle, middle], expected, atol=1.0)


def test_all_panels_share_one_scale_and_brightness(view):
    sheet = pixels(view)
    first, second, third = (
        sheet[PANEL_TOP : PANEL_TOP + PANEL_SIDE, x : x + PANEL_SIDE]
        for x in (MARGIN + i * (PANEL_SIDE + 16) for i in range(3))
    )
    middle = slice(PANEL_SIDE // 2 - 20, PANEL_SIDE // 2 + 20)
    for panel in (second, third):
        np.testing.assert_allclose(panel[middle, middle].mean(), first[middle, middle].mean(), atol=2)


def test_rings_widen_the_field():
    saturn = drawn_view("saturn")
    globe = saturn.apparition.equatorial_diameter_arcsec
    assert 2.27 * globe < field_arcsec(saturn) < 3.5 * globe


def test_as_mounted_turns_the_pictures(view):
    turned = panel_display(view, 100, 60.0, True)
    assert turned.up_angle_deg == pytest.approx(15.0)
    assert panel_display(view, 100, 60.0, False) == Display(100, 100, 0.6)
    assert (pixels(view, as_mounted=True)[PANEL_TOP:400] != pixels(view)[PANEL_TOP:400]).any()


def test_a_caution_makes_its_box(view):
    quiet, warned = pixels(view), pixels(near_sun(view, 6.0))
    assert warned.shape[0] > quiet.shape[0] + 60
    amber = np.all(np.abs(warned - np.array([0x2F, 0x24, 0x13])) <= 1, axis=2)
    assert amber.sum() > 20000
    assert np.all(np.abs(quiet - np.array([0x2F, 0x24, 0x13])) <= 1, axis=2).sum() < 200


def test_a_star_shows_the_bare_stack(star_view):
    assert panels(star_view)[2].title == "Stack"
    assert panels(star_view)[2].picture is star_view.stack_rgb
    assert pixels(star_view).shape[1] == WIDTH


def test_same_view_same_bytes(view, tmp_path):
    assert write_sheet(tmp_path / "a.png", view).read_bytes() == sheet_png(view)


def test_dollar_signs_are_no_formulas(view):
    sheet_png(replace(view, warnings=("a $x_{$ sign",)))


def test_drawing_needs_no_plotting_library():
    code = (
        "import sys\n"
        "from simulate.present.board import Board\n"
        "board = Board(200, 100); board.text(5, 50, 'x'); board.png({})\n"
        "assert not any(name.startswith('matplotlib') for name in sys.modules)\n"
    )
    assert subprocess.run([sys.executable, "-c", code], capture_output=True, check=False).returncode == 0


def test_a_field_that_was_asked_for_is_shown(view):
    whole = min(view.finished_rgb.shape) * view.finished_rgb.placement.step_arcsec
    assert field_arcsec(replace(view, inputs={"field_arcsec": 30.0})) == pytest.approx(30.0)
    assert field_arcsec(replace(view, inputs={"field_arcsec": 1000.0})) == pytest.approx(whole)
    assert field_arcsec(view) < whole


def test_one_frame_says_what_it_is(view):
    assert frame_note(view) == "raw, 10 ms, the camera's own pixels"
    filters = replace(view, instrument=load_instrument("catadioptric-203-mono"))
    assert frame_note(filters) == "10 ms through each of 3 filters, combined"
    day = replace(view, optics=replace(view.optics, sky_share=3.0))
    assert frame_note(day).endswith(", less the sky")


def moon_at(name: str, east: float, north: float = 0.0) -> MoonState:
    return MoonState(name, east, north, 0.3, 10.0, "clear", (0.0, 0.0, 0.0), (0.0, 0.0, 0.0), None, None, 1.0)


def test_labels_of_moons_never_lie_on_each_other():
    board = Board(800, 100)
    labels = [
        (x, moon_at(name, 0.0)) for x, name in ((400.0, "titan"), (402.0, "dione"), (404.0, "tethys"), (405.0, "rhea"))
    ]
    for row in range(LABEL_ROWS):
        placed = [(x, moon) for x, where, moon in _spread_labels(board, labels) if where == row]
        ends = [(x - board.measure(moon.name) / 2, x + board.measure(moon.name) / 2) for x, moon in placed]
        assert all(one[1] <= two[0] for one, two in pairwise(ends))


def test_a_far_moon_is_named_and_does_not_set_the_scale(view):
    radius = view.apparition.equatorial_diameter_arcsec / 2
    seen = replace(
        view.apparition, moons=(moon_at("io", 3 * radius), moon_at("iapetus", 40 * radius)),
        north_pole_position_angle_deg=0.0,
    )  # fmt: skip
    far = replace(view, apparition=seen)
    assert [moon.name for moon in _row_of_moons(far)] == ["io"]
    assert f"Iapetus {40 * radius:.0f}″ away, to the E, is not drawn" in _moons_head(far, Display(1, 1, 1.0))


def test_scale_and_arrows_show_on_a_bright_ground(view):
    # the rim of the letters is dark where the ground is white
    white = np.ones((*view.truth_rgb.shape, 3))
    bright = replace(view, truth_rgb=replace(view.truth_rgb, values=white))
    corner = pixels(bright)[PANEL_TOP + PANEL_SIDE - 40 : PANEL_TOP + PANEL_SIDE - 8, MARGIN + 12 : MARGIN + 150]
    assert corner.min() < 60
    assert corner.max() > 250
