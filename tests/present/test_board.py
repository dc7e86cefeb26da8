from __future__ import annotations

import io

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from PIL import Image

from simulate.present.board import Board, arrows, round_length, scale_bar


def pixels(board: Board) -> np.ndarray:
    return np.asarray(Image.open(io.BytesIO(board.png({}))).convert("RGB")).astype(int)


def test_size_and_place_are_exact():
    board = Board(300, 200)
    board.picture(40, 50, np.ones((20, 30)))
    picture = pixels(board)
    assert picture.shape == (200, 300, 3)
    white = (picture == 255).all(axis=2)
    assert white[50:70, 40:70].all()
    assert white.sum() == 600


def test_what_comes_later_lies_on_top():
    board = Board(100, 100)
    board.picture(0, 0, np.ones((100, 100)))
    board.box(20, 30, 10, 10, "#ff0000")
    board.picture(0, 60, np.zeros((10, 10)))
    picture = pixels(board)
    assert tuple(picture[35, 25]) == (255, 0, 0)
    assert tuple(picture[65, 5]) == (0, 0, 0)


def test_wrapping_keeps_within_the_width_and_loses_nothing():
    board = Board(100, 100)
    text = "a disc of 45.2″ drawn sharp to 0.97″ ± 10 % and nothing more than that"
    lines = board.wrapped(text, 140, 13)
    assert len(lines) > 2
    assert all(board.measure(line, 13) <= 142 for line in lines)
    assert " ".join(lines).replace("\u00a0", " ") == text
    assert any("± 10 %".replace(" ", "\u00a0") in line for line in lines)


@given(st.floats(1e-3, 1e4))
def test_round_lengths(longest: float):
    length = round_length(longest)
    assert longest / 2.5 * (1 - 1e-6) <= length <= longest * (1 + 1e-6)
    assert f"{length:.0e}"[0] in "125"


def test_scale_bar_is_as_long_as_it_says():
    board = Board(400, 100)
    said = scale_bar(board, 20, 60, 0.13, 150)
    line = np.flatnonzero((pixels(board)[59:61].max(axis=0) > 100).all(axis=1))
    assert (line[-1] - line[0]) * 0.13 == pytest.approx(said, abs=0.3)


def test_arrows_point_where_they_are_told():
    board = Board(200, 200)
    arrows(board, 100, 100, (0.0, 1.0), (-1.0, 0.0), 40)
    drawn = (pixels(board) > 150).all(axis=2)
    assert drawn[62:98, 98:103].any(axis=1).all()  # north: up
    assert drawn[98:103, 62:98].any(axis=0).all()  # east: left
    assert not drawn[108:, :].any()
