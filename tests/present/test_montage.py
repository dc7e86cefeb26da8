from __future__ import annotations

import io

import numpy as np
import pytest
from drawn import drawn_view
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image

from simulate.errors import InputError
from simulate.instruments import instrument_names
from simulate.present.board import Board
from simulate.present.montage import GAP, MARGIN, SMALLEST_CELL, WIDEST, arrange, montage_png, name_lines, write_montage
from simulate.present.sheet import field_arcsec


def bright_width(picture: np.ndarray, x: int, y: int, width: int, height: int) -> int:
    cell = picture[y : y + height, x : x + width].max(axis=2)
    return int((cell > 60).any(axis=0).sum())


def test_all_stand_at_one_scale(tmp_path):
    views = [
        drawn_view("jupiter"),
        drawn_view("mars"),
        drawn_view("jupiter", "refractor-60"),
        drawn_view("mars", "refractor-60"),
    ]
    scale, cells = arrange(views, [field_arcsec(view) for view in views])
    picture = np.asarray(Image.open(write_montage(tmp_path / "m.png", views)).convert("RGB"))
    for cell in cells:
        diameter = views[cell.index].apparition.equatorial_diameter_arcsec
        shown = bright_width(picture, cell.x, cell.y, cell.width, cell.height) * scale
        assert shown == pytest.approx(diameter, abs=1.2)
    # bodies across, instruments down
    assert cells[0].y == cells[1].y < cells[2].y == cells[3].y
    assert cells[0].x == cells[2].x < cells[1].x == cells[3].x


@settings(max_examples=30, deadline=None)
@given(st.lists(st.floats(5.0, 60.0), min_size=1, max_size=12))
def test_cells_never_overlap_and_fit(fields: list[float]):
    views = [drawn_view()] * len(fields)
    scale, cells = arrange(views, fields)
    assert sorted(cell.index for cell in cells) == list(range(len(fields)))
    for i, a in enumerate(cells):
        assert a.x + a.width <= WIDEST - MARGIN + 90 * len(fields)
        assert a.width >= int(fields[a.index] / scale)
        for b in cells[:i]:
            apart = a.x >= b.x + b.width or b.x >= a.x + a.width or a.y >= b.y + b.height or b.y >= a.y + a.height
            assert apart


@pytest.mark.parametrize("number", [1, 2, 5, 12])
def test_a_picture_for_any_number(number: int):
    picture = Image.open(io.BytesIO(montage_png([drawn_view()] * number)))
    assert picture.width <= WIDEST
    assert picture.height < 2600


def test_none_and_too_many_are_refused():
    with pytest.raises(InputError, match="montage"):
        montage_png([])
    with pytest.raises(InputError, match="montage"):
        montage_png([drawn_view()] * 61)


def test_same_views_same_bytes(view):
    assert montage_png([view, view]) == montage_png([view, view])


def test_names_of_shipped_instruments_are_told_whole_below_the_smallest_cell():
    board, room = Board(200, 60), SMALLEST_CELL + GAP - 4
    for name in instrument_names():
        lines = name_lines(board, name, room)
        assert "".join(lines) == name
        assert len(lines) <= 2
        assert all(board.measure(line, 12) <= room for line in lines)
    long = name_lines(board, "x" * 60, room)
    assert long[0].endswith("…")
    assert board.measure(long[0], 12) <= room
