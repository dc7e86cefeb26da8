from __future__ import annotations

import io
import subprocess
import sys
from dataclasses import replace

import numpy as np
import pytest
from drawn import drawn_view, near_sun
from PIL import Image

from simulate.present.place import Display, lay
from simulate.present.sheet import (
    MARGIN,
    PANEL_SIDE,
    WIDTH,
    field_arcsec,
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
