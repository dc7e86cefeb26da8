"""Pictures of `simulate limits`: the ladder of apertures, contrast against aperture, the loss budget."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np

from simulate.judging import SEPARATE_LINE, WORDS, Judgement
from simulate.present.board import ACCENT, CLEAR, DOUBTFUL, INK, LINE, LOST, QUIET, Board, scale_bar
from simulate.present.limits import ORDER_MATTERS
from simulate.present.place import Display, lay
from simulate.results.limits import Limits
from simulate.results.view import Picture, Placement
from simulate.values.files import write_bytes
from simulate.values.practice import Level

COLOURS: dict[str, str] = dict(zip(WORDS, (CLEAR, DOUBTFUL, LOST), strict=True))
MARGIN = 28
LEVEL_WIDTH = 84
"""Room for the name of a level before its row of pictures."""

SHOWN_WIDTH = 1.25
"""Width of a ladder picture, in widths of the body with its rings; 8 arcsec of sky are added."""


def write_charts(folder: str | Path, stem: str, found: Limits) -> dict[str, str]:
    """Write ladder, contrast chart and budget chart as PNG; return kind -> path.

    Parameters
    ----------
    folder : str or Path
        Where to.
    stem : str
        Start of the files' names.
    found : Limits
        What came out.
    """
    boards = {"ladder": ladder_board(found), "contrast": contrast_board(found)}
    if found.budget:
        boards["budget"] = budget_board(found)
    title = {"Title": f"{found.body}, {found.apparition.time_utc}"}
    return {
        kind: str(write_bytes(Path(folder) / f"{stem}_{kind}.png", board.png(title))) for kind, board in boards.items()
    }


def _heading(board: Board, title: str, found: Limits) -> None:
    seen = found.apparition
    board.text(MARGIN, 40, title, 22, INK, bold=True)
    told = f"{found.subject.title}, {seen.time_utc[:10]}, {seen.equatorial_diameter_arcsec:.1f}″ across"
    if seen.ring_opening_deg is not None:
        told += f", rings open by {abs(seen.ring_opening_deg):.1f}°"
    first = found.instruments[0]
    told += f"; seeing {found.sky.seeing_arcsec:g}″; camera and errors of {first.name}, critically sampled"
    board.text(MARGIN, 64, told, 13, QUIET)


def ladder_board(found: Limits) -> Board:
    """Return the same body through growing apertures at one scale, for each drawn level of practice a row.

    Below each picture stands what is clear from there on.
    """
    number, levels = len(found.apertures_mm), tuple(found.pictures)
    across = min(number, 8)
    blocks = math.ceil(number / across)
    side = min(300, (1600 - 2 * MARGIN - LEVEL_WIDTH) // across - 10)
    width = min(found.width_arcsec, SHOWN_WIDTH * found.body_arcsec + 8.0)
    scale, label = width / side, 84
    block = len(levels) * (side + label) + 30
    board = Board(2 * MARGIN + LEVEL_WIDTH + across * (side + 10) - 10, 92 + blocks * block + 30)
    _heading(board, "The same body through growing apertures", found)
    for rung, size in enumerate(found.apertures_mm):
        x = MARGIN + LEVEL_WIDTH + rung % across * (side + 10)
        top = 98 + rung // across * block
        board.text(x, top, f"{size:g} mm", 15, INK, bold=True)
        for row, level in enumerate(levels):
            y = top + 10 + row * (side + label)
            picture = found.pictures[level][rung]
            cell = found.width_arcsec / picture.shape[0]
            board.picture(x, y, lay(Picture(picture, Placement.north_up(cell)), Display(side, side, scale)))
            _novelties(board, found, level, rung, (x, y + side + 16), side)
            if rung % across == 0:
                board.text(MARGIN, y + side / 2, level, 14, ACCENT, bold=True)
    scale_bar(board, MARGIN, board.height - 16, scale, 200.0)
    board.text(
        MARGIN + 230,
        board.height - 18,
        "finished pictures of an ordinary and of an ideal night; north up, east left",
        12,
        ACCENT,
    )
    return board


def _novelties(board: Board, found: Limits, level: Level, rung: int, place: tuple[float, float], width: float) -> None:
    """Say what has become clear with this aperture."""
    ladder = found.levels[level]

    def clear(row: int) -> list[str]:
        return [e.name for e in ladder[row] if found.thresholds.verdict(e.contrast, e.snr, e.legible) == "clear"]

    before = clear(rung - 1) if rung else []
    new = [name for name in clear(rung) if name not in before]
    text = ("now clear: " if rung else "clear: ") + ", ".join(new) if new else "nothing new is clear"
    lines = board.wrapped(text, width, 11)
    x, y = place
    for line in lines[:4] if len(lines) <= 4 else [*lines[:3], f"{lines[3]} …"]:
        board.text(x, y, line, 11, CLEAR if new else QUIET)
        y += 14


def contrast_board(found: Limits) -> Board:
    """Return the chart of contrast left against aperture, a line a feature, the user's instrument marked."""
    names = [e.name for e in found.ladder[0] if not e.name.endswith(SEPARATE_LINE) or _ever(found, e.name)]
    columns, plot_width, plot_height = 3, 330, 132
    lines = math.ceil(len(names) / columns)
    cell = plot_height + 62
    board = Board(2 * MARGIN + columns * (plot_width + 44) - 20, 96 + lines * cell + 44)
    _heading(board, "Contrast left, by aperture", found)
    for index, name in enumerate(names):
        x = MARGIN + 24 + index % columns * (plot_width + 44)
        y = 110 + index // columns * cell
        _curve(board, found, name, (x, y, plot_width, plot_height))
    x, y = MARGIN, board.height - 20
    for word, colour in COLOURS.items():
        board.spot(x + 5, y - 4, 5, colour)
        board.text(x + 16, y, word, 12, INK)
        x += 90
    own = found.instruments[0]
    board.line([(x + 10, y - 12), (x + 10, y + 3)], ACCENT, 1.5)
    board.text(x + 20, y, f"{own.telescope.aperture_mm:g} mm, the aperture of {own.name}", 12, INK)
    return board


def _ever(found: Limits, name: str) -> bool:
    return any(entry.contrast > 0.02 for row in found.ladder for entry in row if entry.name == name)


def _curve(board: Board, found: Limits, name: str, frame: tuple[float, float, float, float]) -> None:
    x0, y0, width, height = frame
    low, high = math.log(found.apertures_mm[0]), math.log(found.apertures_mm[-1])

    def at(size: float, share: float) -> tuple[float, float]:
        return x0 + width * (math.log(size) - low) / (high - low), y0 + height * (1 - share)

    board.text(x0, y0 - 8, name, 13, INK, bold=True)
    for share in (0.0, 0.5, 1.0):
        board.line([(x0, y0 + height * (1 - share)), (x0 + width, y0 + height * (1 - share))], LINE)
        board.text(x0 - 5, y0 + height * (1 - share) + 4, f"{share:.0%}", 10, QUIET, align="right")
    for size in (30, 60, 100, 150, 250, 400):
        if found.apertures_mm[0] <= size <= found.apertures_mm[-1]:
            board.text(at(size, 0)[0], y0 + height + 14, f"{size}", 10, QUIET, align="center")
    own = found.instruments[0].telescope.aperture_mm
    if found.apertures_mm[0] <= own <= found.apertures_mm[-1]:
        board.line([at(own, 0.0), at(own, 1.0)], ACCENT, 1.5)
    entries: list[Judgement] = [next(e for e in row if e.name == name) for row in found.ladder]
    points = [at(size, entry.contrast) for size, entry in zip(found.apertures_mm, entries, strict=True)]
    board.line(points, QUIET, 1.5)
    for point, entry in zip(points, entries, strict=True):
        board.spot(*point, 4.5, COLOURS[found.thresholds.verdict(entry.contrast, entry.snr, entry.legible)])


def budget_board(found: Limits) -> Board:
    """Return what is left of one feature's contrast after each step, as bars."""
    row, left, width = 30, 190, 560
    board = Board(left + width + 190, 108 + row * (len(found.budget) + 1) + 62)
    board.text(MARGIN, 40, "Where the contrast goes", 22, INK, bold=True)
    board.text(
        MARGIN, 64, f"{found.subject.title}, {found.budget_feature}, through {found.instruments[0].name}", 13, QUIET
    )
    before, y = 1.0, 92
    _bar(board, (left, y, width, row), "what enters", 1.0, "")
    for step in found.budget:
        y += row
        share = step.contrast / before - 1 if before > 0 else 0.0
        taken = "takes nothing" if abs(share) < 0.005 else f"{100 * share:+.0f} %"
        _bar(board, (left, y, width, row), step.step, step.contrast, taken.replace("-", "−"))
        before = step.contrast
    limit, y = found.thresholds, y + row + 2
    for share, word in ((limit.contrast_clear, "clear"), (limit.contrast_doubtful, "doubtful")):
        x = left + width * share
        board.line([(x, 90), (x, y)], COLOURS[word], 1.5)
        board.text(x, y + 14, word, 11, COLOURS[word], align="center")
    final = found.budget[-1]
    board.text(MARGIN, y + 34, f"signal to noise in the end: {final.snr:.0f}", 12, INK)
    board.text(MARGIN, y + 52, ORDER_MATTERS, 11, QUIET)
    return board


def _bar(board: Board, frame: tuple[float, float, float, float], name: str, share: float, note: str) -> None:
    x, y, width, height = frame
    board.text(x - 12, y + height - 11, name, 13, INK, align="right")
    board.box(x, y + 5, max(1.0, width * float(np.clip(share, 0, 1))), height - 10, QUIET)
    # in columns of their own, clear of the bars and of the thresholds' lines
    board.text(x + width + 54, y + height - 11, f"{100 * share:.0f} %", 12, INK, align="right")
    board.text(x + width + 70, y + height - 11, note, 12, QUIET)
