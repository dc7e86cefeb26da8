"""Several views at one angular scale, with a scale bar and arrows."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from simulate.errors import InputError
from simulate.present.board import ACCENT, INK, QUIET, Board, arrows, scale_bar
from simulate.present.place import Display, lay
from simulate.present.sheet import field_arcsec, panels, pointed_at
from simulate.present.words import when_text
from simulate.results.view import Picture, View
from simulate.values.files import write_bytes

MARGIN = 28
GAP = 14
LABEL = 61
HEAD = 92
FOOT = 64
WIDEST = 1800
"""Widest montage, pixels."""

LARGEST_CELL = 460
SMALLEST_CELL = 84
"""Sides of the cells: names must fit below the smallest."""

MOST = 60
"""Views in one montage; more would be too small to look at."""


@dataclass(frozen=True)
class Cell:
    """Where one view stands.

    Parameters
    ----------
    index : int
        Which view.
    x, y, width, height : int
        Pixels from the top left corner.
    """

    index: int
    x: int
    y: int
    width: int
    height: int


def write_montage(path: str | Path, views: Sequence[View]) -> Path:
    """Write the finished pictures of several views at one scale as a PNG; beside and renamed.

    Raises
    ------
    InputError
        If there are no views, or more than can be looked at.
    """
    return write_bytes(path, montage_png(views))


def montage_png(views: Sequence[View]) -> bytes:
    """Return the montage of several views as the bytes of a PNG."""
    return draw_montage(views).png({"Title": ", ".join(dict.fromkeys(view.body for view in views))})


def draw_montage(views: Sequence[View]) -> Board:
    """Return the board with the montage drawn on it.

    Every body through every instrument makes a table, bodies across and instruments down; other
    sets, and single rows that are too long, are laid in lines one after the other.
    """
    if not 1 <= len(views) <= MOST:
        raise InputError("montage", len(views), f"give from 1 to {MOST} views")
    fields = [field_arcsec(view) for view in views]
    scale, cells = arrange(views, fields)
    width = max(max(cell.x + cell.width for cell in cells) + MARGIN, 560)
    height = max(cell.y + cell.height for cell in cells) + LABEL + FOOT
    board = Board(width, height)
    board.text(MARGIN, 44, "At one scale", 24, INK, bold=True)
    board.text(MARGIN, 70, _moments(views), 13, QUIET)
    for cell in cells:
        _draw_cell(board, views[cell.index], cell, scale)
    _draw_legend(board, scale, width, height)
    return board


def arrange(views: Sequence[View], fields: Sequence[float]) -> tuple[float, list[Cell]]:
    """Return (arcsec a pixel, cells) for square fields of the given sides in arcsec."""
    rows = _rows(views)
    across = max(sum(fields[i] for i in row) for row in rows)
    longest = max(len(row) for row in rows)
    room = WIDEST - 2 * MARGIN - (longest - 1) * GAP
    scale = max(across / room, max(fields) / LARGEST_CELL)
    sides = [max(SMALLEST_CELL, math.floor(field / scale)) for field in fields]
    table = len({len(row) for row in rows}) == 1 and _is_table(views)
    cells, y = [], HEAD
    for row in rows:
        x = MARGIN
        tallest = max(sides[i] for i in row)
        for column, i in enumerate(row):
            width = max(sides[other[column]] for other in rows) if table else sides[i]
            cells.append(Cell(i, x, y, width, tallest))
            x += width + GAP
        y += tallest + LABEL + GAP
    return scale, cells


def _is_table(views: Sequence[View]) -> bool:
    bodies = list(dict.fromkeys(view.body for view in views))
    tools = list(dict.fromkeys(view.instrument.name for view in views))
    pairs = {(view.body, view.instrument.name) for view in views}
    return len(pairs) == len(views) == len(bodies) * len(tools)


def _rows(views: Sequence[View]) -> list[list[int]]:
    """Return the views of each row, by index."""
    bodies = list(dict.fromkeys(view.body for view in views))
    tools = list(dict.fromkeys(view.instrument.name for view in views))
    if _is_table(views) and (len(tools) > 1 or len(bodies) <= 6) and len(bodies) <= 10 and len(bodies) > 1:
        place = {(view.body, view.instrument.name): index for index, view in enumerate(views)}
        return [[place[body, tool] for body in bodies] for tool in tools]
    number = len(views)
    longest = number if number <= 4 else math.ceil(math.sqrt(1.5 * number))
    lines = math.ceil(number / longest)
    longest = math.ceil(number / lines)
    return [list(range(start, min(start + longest, number))) for start in range(0, number, longest)]


def _moments(views: Sequence[View]) -> str:
    times = sorted({view.apparition.time_utc for view in views})
    if len(times) == 1:
        return when_text(times[0])
    return f"{when_text(times[0])} to {when_text(times[-1])}"


def _draw_cell(board: Board, view: View, cell: Cell, scale: float) -> None:
    panel = panels(view)[2]
    # a small planet's picture ends before its cell does: what lies beyond it is page, not sky without noise
    pixels = math.ceil(_upright_side_arcsec(panel.picture) / scale)
    height, width = min(cell.height, pixels), min(cell.width, pixels)
    light = lay(panel.picture, Display(height, width, scale, 0.0, False, *pointed_at(view)), panel.how)
    if view.apparition.equatorial_diameter_arcsec == 0:
        light = light / max(float(light.max()), 1e-30)
    board.picture(cell.x + (cell.width - width) // 2, cell.y + (cell.height - height) // 2, light)
    board.text(cell.x, cell.y + cell.height + 20, view.subject.title, 14, INK, bold=True)
    for number, line in enumerate(name_lines(board, view.instrument.name, cell.width + GAP - 4)):
        board.text(cell.x, cell.y + cell.height + 38 + 15 * number, line, 12, QUIET)


def _upright_side_arcsec(picture: Picture) -> float:
    """Return the side of the largest square, sides to the north and the east, that a turned picture fills."""
    place = picture.placement
    rows, columns = picture.values.shape[:2] if picture.in_colour else picture.values.shape[-2:]
    side = min(rows, columns) * math.sqrt(place.area_arcsec2)
    turn = math.atan2(abs(place.north_per_column), abs(place.east_per_column))
    return side / (abs(math.cos(turn)) + abs(math.sin(turn)))


def name_lines(board: Board, name: str, room: float) -> list[str]:
    """Return the name of an instrument in one line or two of `room` pixels, parted at a dash or blank."""
    lines = [""]
    for part in re.findall(r"[^-\s]*[-\s]?", name):
        if lines[-1] and board.measure(lines[-1] + part, 12) > room:
            lines.append("")
        lines[-1] += part
    return [_shortened(board, line, room) for line in (lines[0], "".join(lines[1:])) if line]


def _shortened(board: Board, line: str, room: float) -> str:
    while board.measure(line, 12) > room and len(line) > 4:
        line = line[:-2] + "…"
    return line


def _draw_legend(board: Board, scale: float, width: int, height: int) -> None:
    scale_bar(board, MARGIN, height - 22, scale, 200.0)
    arrows(board, width - MARGIN - 14, height - 18, (0.0, 1.0), (-1.0, 0.0), 28)
    board.text(MARGIN + 240, height - 20, "stacked and restored; north up, east left", 12, ACCENT)
