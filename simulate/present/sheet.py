"""The sheet of one view: the truth, one raw frame and the finished picture at one scale, and the facts."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from simulate.present.advice import MOON_STATES
from simulate.present.board import (
    ACCENT,
    CLEAR,
    DISC,
    DOUBTFUL,
    INK,
    LINE,
    LOST,
    PAGE,
    QUIET,
    WARM,
    Board,
    arrows,
    scale_bar,
)
from simulate.present.caution import caution_for
from simulate.present.place import Display, lay, mounted_view
from simulate.present.words import (
    GROUPS,
    count,
    duration,
    facts,
    headline,
    provenance,
    when_text,
    where_text,
)
from simulate.results.view import Level, Picture, View
from simulate.values.files import write_bytes

WIDTH = 1600
MARGIN = 32
GAP = 16
PANEL_SIDE = (WIDTH - 2 * MARGIN - 2 * GAP) // 3
SMALLEST_MARGIN = 1.25
"""Field of the panels in sizes of the body with its rings."""

VERDICT_COLOURS = {"clear": CLEAR, "doubtful": DOUBTFUL, "lost": LOST}

SKY_MATTERS = 0.01
"""Share of the disc's light from which on the sky's, which the pictures leave out, is told."""

MOON_ROW = 166
"""Height of the row of moons, pixels."""

MOON_DISTANCE = 30.0
"""Moons farther from the planet than this many radii are left out of the row of moons."""


def write_sheet(path: str | Path, view: View, *, as_mounted: bool = False) -> Path:
    """Write the sheet of a view as a PNG; beside and renamed.

    Parameters
    ----------
    path : str or Path
        Where to.
    view : View
        What to show.
    as_mounted : bool
        Show the pictures as the camera sees them instead of north up.
    """
    return write_bytes(path, sheet_png(view, as_mounted=as_mounted))


def sheet_png(view: View, *, as_mounted: bool = False) -> bytes:
    """Return the sheet of a view as the bytes of a PNG, `WIDTH` pixels wide."""
    return draw_sheet(view, as_mounted=as_mounted).png(
        {"Title": f"{view.body} through {view.instrument.name}", "Creation Time": view.apparition.time_utc}
    )


@dataclass(frozen=True)
class Layout:
    """Where the parts of a sheet stand, pixels from the top.

    Parameters
    ----------
    panels, moons, facts, verdicts, caution, foot : int
        Top of each part.
    height : int
        Of the whole sheet.
    """

    panels: int
    moons: int
    facts: int
    verdicts: int
    caution: int
    foot: int
    height: int


def draw_sheet(view: View, *, as_mounted: bool = False) -> Board:
    """Return the board with the sheet of a view drawn on it."""
    board = Board(WIDTH, 100)
    caution = _caution(view)
    layout = _layout(view, board, caution)
    board.resize(layout.height)
    _draw_head(board, view)
    _draw_panels(board, view, layout.panels, as_mounted)
    if _row_of_moons(view):
        _draw_moons(board, view, layout.moons)
    _draw_facts(board, view, layout.facts)
    if view.features:
        _draw_verdicts(board, view, layout.verdicts, as_mounted)
    if caution:
        _draw_caution(board, caution, layout.caution)
    _draw_foot(board, view, layout.foot)
    return board


def _caution(view: View) -> str | None:
    seen = view.apparition
    return None if view.subject.kind == "star" else caution_for(seen.elongation_deg, seen.sun_altitude_deg)


def _layout(view: View, ruler: Board, caution: str | None) -> Layout:
    panels = 132
    moons = panels + PANEL_SIDE + 56
    first = moons + (MOON_ROW if _row_of_moons(view) else 0)
    verdicts = first + _facts_height(ruler, view)
    warned = verdicts + _verdicts_height(ruler, view)
    box = 24 + round(1.45 * 14) * len(ruler.wrapped(caution, WIDTH - 2 * MARGIN - 40, 14)) if caution else 0
    foot = warned + (box + 20 if caution else 0)
    lines = sum(len(ruler.wrapped(text, WIDTH - 2 * MARGIN, 11)) for text in _foot_texts(view))
    return Layout(
        panels=panels,
        moons=moons,
        facts=first,
        verdicts=verdicts,
        caution=warned,
        foot=foot,
        height=foot + 20 + 16 * lines + 12,
    )


def _draw_head(board: Board, view: View) -> None:
    seen = view.apparition
    title = view.subject.title
    board.text(MARGIN, 56, title, 32, INK, bold=True)
    board.text(MARGIN + board.measure(title, 32, bold=True) + 16, 56, f"through {view.instrument.name}", 20, QUIET)
    board.text(WIDTH - MARGIN, 42, when_text(seen.time_utc), 15, INK, align="right")
    board.text(WIDTH - MARGIN, 64, where_text(seen.site), 13, QUIET, align="right")
    board.text(MARGIN, 100, headline(view), 16, ACCENT)


def field_arcsec(view: View) -> float:
    """Return the side of the square of sky that the panels show, arcsec."""
    width = view.apparition.equatorial_diameter_arcsec
    body = view.subject
    if body.rings and body.equatorial_radius_km:
        width *= max(ring.outer_km for ring in body.rings) / body.equatorial_radius_km
    wanted = max(SMALLEST_MARGIN * width, 14 * view.optics.diffraction_fwhm_arcsec)
    if view.inputs.get("field_arcsec") is not None:  # asked for
        wanted = float(view.inputs["field_arcsec"])
    rows, columns = view.finished_rgb.shape
    return min(wanted, min(rows, columns) * view.finished_rgb.placement.step_arcsec)


def panel_display(view: View, side: int, field: float, as_mounted: bool) -> Display:
    """Return the display of a square panel of `side` pixels that shows `field` arcsec."""
    up, mirrored = mounted_view(view.frame_rgb.placement) if as_mounted else (0.0, False)
    return Display(side, side, field / side, up, mirrored, *pointed_at(view))


def pointed_at(view: View) -> tuple[float, float]:
    """Return what lies in the middle of the panels, east and north of the body's middle, arcsec.

    The body; a part of it where it is larger than the camera's window.
    """
    placement = view.frame_rgb.placement
    if view.apparition.equatorial_diameter_arcsec <= min(view.frame_rgb.shape) * placement.step_arcsec:
        return 0.0, 0.0
    return placement.middle_east_arcsec, placement.middle_north_arcsec


@dataclass(frozen=True, eq=False)
class Panel:
    """One of the three pictures of a sheet.

    Parameters
    ----------
    title, note : str
        Below the picture.
    picture : Picture
        In colour.
    how : str
        How `simulate.present.place.lay` draws it.
    """

    title: str
    note: str
    picture: Picture
    how: str


def panels(view: View) -> tuple[Panel, Panel, Panel]:
    """Return the three panels: truth, one frame, finished picture; for a star the bare stack last."""
    exposure = view.exposure
    share = f"{count(exposure.kept)} of {count(exposure.frames)} frames"
    truth = Panel("As it is", "unblurred, above the air", view.truth_rgb, "lines")
    frame = Panel("One frame", frame_note(view), view.frame_rgb, "pixels")
    if view.apparition.equatorial_diameter_arcsec > 0:
        note = f"{view.practice.level}: {share} stacked and restored"
        return truth, frame, Panel("Finished", note, view.finished_rgb, "smooth")
    last = Panel("Stack", f"{share}, not restored: the bare response", view.stack_rgb, "smooth")
    return replace(truth, note="a point; each picture is shown up to its own peak"), frame, last


def frame_note(view: View) -> str:
    """Return how the picture of one frame came about; where the sky's light matters, that it was taken off."""
    exposure, channels = view.exposure, len(view.channel_names)
    told = f"raw, {duration(exposure.exposure_s)}, the camera's own pixels"
    if view.instrument.camera.is_mono and channels > 1:
        told = f"{duration(exposure.exposure_s)} through each of {channels} filters, combined"
    return told + (", less the sky" if (view.optics.sky_share or 0.0) >= SKY_MATTERS else "")


def _draw_panels(board: Board, view: View, top: int, as_mounted: bool) -> None:
    display = panel_display(view, PANEL_SIDE, field_arcsec(view), as_mounted)
    for index, panel in enumerate(panels(view)):
        x = MARGIN + index * (PANEL_SIDE + GAP)
        light = lay(panel.picture, display, panel.how)
        if view.apparition.equatorial_diameter_arcsec == 0:  # a point has no surface brightness to share a scale by
            light = light / max(float(light.max()), 1e-30)
        board.picture(x, top, light)
        board.text(x, top + PANEL_SIDE + 24, panel.title, 16, INK, bold=True)
        board.text(x + board.measure(panel.title, 16, bold=True) + 12, top + PANEL_SIDE + 24, panel.note, 13, QUIET)
        if index == 0:
            _draw_names(board, view, display, x, top)
    _draw_scale(board, display, top)


def _draw_scale(board: Board, display: Display, top: int) -> None:
    for index in range(3):
        x = MARGIN + index * (PANEL_SIDE + GAP)
        scale_bar(board, x + 18, top + PANEL_SIDE - 18, display.step_arcsec, PANEL_SIDE / 4)
    corner_x, corner_y = MARGIN + PANEL_SIDE - 62, top + PANEL_SIDE - 62
    north, east = display.direction(0.0), display.direction(90.0)
    # the arrows' foot moves so that both stay inside the corner whichever way they point
    foot = (corner_x - 22 * (north[0] + east[0]), corner_y + 22 * (north[1] + east[1]))
    arrows(board, foot[0], foot[1], north, east)


def _draw_names(board: Board, view: View, display: Display, x: int, top: int) -> None:
    """Name the moons that stand in the field."""
    for moon in view.apparition.moons:
        if moon.state in ("occulted", "eclipsed"):
            continue
        row, column = display.pixel_of(moon.east_arcsec, moon.north_arcsec)
        radius = max(moon.radius_arcsec / display.step_arcsec, 3.0) + 5.0
        if 20 < column < display.columns - 20 and 30 < row < display.rows - 10:
            board.text(
                x + column, top + display.rows - row + radius + 12, moon.name.capitalize(), 12, QUIET, align="center"
            )


def _row_of_moons(view: View) -> list[Any]:
    radius = view.apparition.equatorial_diameter_arcsec / 2
    return [m for m in view.apparition.moons if math.hypot(m.east_arcsec, m.north_arcsec) < MOON_DISTANCE * radius]


def _far_moons(view: View) -> list[Any]:
    near = {moon.name for moon in _row_of_moons(view)}
    return [moon for moon in view.apparition.moons if moon.name not in near]


def _draw_moons(board: Board, view: View, top: int) -> None:
    """Draw planet and moons on a line along the equator, at a scale that takes all of them in."""
    seen, moons = view.apparition, _row_of_moons(view)
    frame = Display(1, 1, 1.0, seen.north_pole_position_angle_deg)
    places = [_turned(moon, frame) for moon in moons]
    radius = seen.equatorial_diameter_arcsec / 2
    reach = max(radius * 6, *(abs(across) for across, _ in places))
    height = max(radius, *(abs(above) for _, above in places))
    scale = min((WIDTH / 2 - MARGIN - 70) / reach, 34 / height)
    middle_x, middle_y = WIDTH / 2, top + 60
    board.text(MARGIN, top + 14, _moons_head(view, frame), 12, QUIET)
    scale_bar(board, WIDTH - MARGIN - 150, top + 18, 1 / scale, 150)
    board.line([(MARGIN + 18, middle_y), (WIDTH - MARGIN - 18, middle_y)], LINE, 1)
    board.text(MARGIN, middle_y + 5, "E", 12, QUIET)
    board.text(WIDTH - MARGIN, middle_y + 5, "W", 12, QUIET, align="right")
    polar = seen.polar_diameter_arcsec / 2
    board.oval(middle_x, middle_y, radius * scale, polar * scale, turn_deg=0.0, fill=DISC)
    labels = []
    for (across, above), moon in zip(places, moons, strict=True):
        x, y, size = middle_x + across * scale, middle_y - above * scale, max(2.2, moon.radius_arcsec * scale)
        if moon.state in ("clear", "transit"):
            board.spot(x, y, size, INK, WARM)
        else:  # hidden or unlit: only its outline, which a shadow on the disc has not
            board.oval(
                x,
                y,
                size,
                size,
                turn_deg=0.0,
                fill=None,
                edge=PAGE if math.hypot(across, above) < radius else QUIET,
            )
        labels.append((x, moon))
    for x, row, moon in _spread_labels(board, labels):
        board.text(x, middle_y + 54 + 16 * row, _moon_label(moon), 12, QUIET, align="center")


def _moons_head(view: View, frame: Display) -> str:
    """Return the heading of the row of moons; moons too far out to be drawn are told in words."""
    told = "The moons, the planet's north up"
    for moon in _far_moons(view):
        across, _ = _turned(moon, frame)
        side = "E" if across < 0 else "W"
        distance = math.hypot(moon.east_arcsec, moon.north_arcsec)
        told += f"; {_moon_label(moon)} {distance:.0f}″ away, to the {side}, is not drawn"
    return told


def _turned(moon: Any, frame: Display) -> tuple[float, float]:
    """Return (right, up) of a moon in arcsec on a display that is turned to the planet's pole."""
    row, column = frame.pixel_of(moon.east_arcsec, moon.north_arcsec)
    return column, row


def _moon_label(moon: Any) -> str:
    state = MOON_STATES.get(moon.state)
    return moon.name.capitalize() + (f" {state}" if state else "")


LABEL_ROWS = 3


def _spread_labels(board: Board, labels: list[tuple[float, Any]]) -> list[tuple[float, int, Any]]:
    """Return (x, row, moon): a label goes to the first row where it touches none before it.

    Where there is no such row it goes to the one that ends first, as far to the right as it must.
    """
    ends = [-math.inf] * LABEL_ROWS
    result = []
    for x, moon in sorted(labels, key=lambda item: item[0]):
        half = board.measure(_moon_label(moon), 12) / 2 + 6
        free = [row for row in range(LABEL_ROWS) if x - half >= ends[row]]
        row = free[0] if free else ends.index(min(ends))
        x = max(x, ends[row] + half)
        ends[row] = x + half
        result.append((x, row, moon))
    return result


COLUMN_GAP = 28
LABEL_WIDTH = 98


def _columns(view: View) -> list[tuple[str, list[tuple[str, str]]]]:
    known = facts(view)
    return [(title, [(f.label, f.text) for f in known if f.group == group]) for group, title in GROUPS.items()]


COLUMN_WIDTH = (WIDTH - 2 * MARGIN - (len(GROUPS) - 1) * COLUMN_GAP) / len(GROUPS)


def _facts_height(ruler: Board, view: View) -> int:
    """Height of the block of facts in pixels."""
    width = COLUMN_WIDTH - LABEL_WIDTH
    return 68 + max(
        sum(len(ruler.wrapped(text, width, 13)) * 19 + 3 for _, text in lines) for _, lines in _columns(view)
    )


def _draw_facts(board: Board, view: View, top: int) -> None:
    board.line([(MARGIN, top), (WIDTH - MARGIN, top)], LINE, 1)
    for index, (title, lines) in enumerate(_columns(view)):
        x = MARGIN + index * (COLUMN_WIDTH + COLUMN_GAP)
        board.text(x, top + 30, title, 14, ACCENT, bold=True)
        y: float = top + 56
        for label, text in lines:
            board.text(x, y, label, 13, QUIET)
            y = _lines(board, x + LABEL_WIDTH, y, text, COLUMN_WIDTH - LABEL_WIDTH) + 3


def _lines(board: Board, x: float, y: float, text: str, width: float) -> float:
    for line in board.wrapped(text, width, 13):
        board.text(x, y, line, 13, INK)
        y += 19
    return y


SMALL_SIDE = 250
"""Side of the small pictures of the levels that were not asked for, pixels."""

ROW = 19
"""Height of a row of the table of verdicts, pixels."""

DOT_WIDTH = 62
"""Width of a column of verdicts, pixels."""


def _other_levels(view: View) -> list[Level]:
    return [level for level in view.levels if level.practice.level != view.practice.level]


def _table_columns(view: View) -> tuple[int, int]:
    """Return how many columns of features the table of verdicts has, and rows in each."""
    columns = 2 if len(view.features) > 10 else 1
    return columns, math.ceil(len(view.features) / columns)


def _verdicts_height(ruler: Board, view: View) -> int:
    """Height of the block of verdicts in pixels; 0 without any."""
    if not view.features:
        return 0
    return 96 + max(SMALL_SIDE + 8, _table_columns(view)[1] * ROW)


def _draw_verdicts(board: Board, view: View, top: int, as_mounted: bool) -> None:
    """Show what the other levels of practice make of it, and every verdict at the three levels."""
    board.line([(MARGIN, top), (WIDTH - MARGIN, top)], LINE, 1)
    board.text(MARGIN, top + 30, "What a night yields", 14, ACCENT, bold=True)
    display = panel_display(view, SMALL_SIDE, field_arcsec(view), as_mounted)
    others = _other_levels(view)
    for index, level in enumerate(others):
        x = MARGIN + index * (SMALL_SIDE + GAP)
        board.picture(x, top + 48, lay(level.picture, display, "smooth"))
        board.text(x, top + 48 + SMALL_SIDE + 20, level.practice.level.capitalize(), 13, INK, bold=True)
    left = MARGIN + len(others) * (SMALL_SIDE + GAP) + (12 if others else 0)
    columns, rows = _table_columns(view)
    width = (WIDTH - MARGIN - left - (columns - 1) * COLUMN_GAP) / columns
    names = width - DOT_WIDTH * len(view.levels)
    for column in range(columns):
        x = left + column * (width + COLUMN_GAP)
        if column * rows >= len(view.features):
            break
        board.text(x, top + 30, "What can be seen", 14, ACCENT, bold=True)
        for number, level in enumerate(view.levels):
            asked = level.practice.level == view.practice.level
            middle = x + names + DOT_WIDTH * (number + 0.5)
            board.text(middle, top + 30, level.practice.level, 11, INK if asked else QUIET, bold=asked, align="center")
        for row, feature in enumerate(view.features[column * rows : (column + 1) * rows]):
            y = top + 56 + ROW * row
            board.text(x, y, board.wrapped(feature.name, names - 6, 13)[0], 13, INK)
            for number, level in enumerate(view.levels):
                found = next((line.verdict for line in level.features if line.name == feature.name), "lost")
                middle = x + names + DOT_WIDTH * (number + 0.5)
                board.text(middle, y, found, 12, VERDICT_COLOURS[found], align="center")


def _draw_caution(board: Board, caution: str, top: int) -> None:
    width = WIDTH - 2 * MARGIN
    lines = board.wrapped(caution, width - 40, 14)
    board.box(MARGIN, top, width, 24 + 20 * len(lines), WARM, ACCENT)
    for index, line in enumerate(lines):
        board.text(MARGIN + 20, top + 26 + 20 * index, line, 14, INK)


def _foot_texts(view: View) -> Sequence[str]:
    return [*(f"Note: {text}" for text in view.warnings), provenance(view)]


def _draw_foot(board: Board, view: View, top: int) -> None:
    board.line([(MARGIN, top), (WIDTH - MARGIN, top)], LINE, 1)
    y = top + 22
    for text in _foot_texts(view):
        for line in board.wrapped(text, WIDTH - 2 * MARGIN, 11):
            board.text(MARGIN, y, line, 11, QUIET)
            y += 16
