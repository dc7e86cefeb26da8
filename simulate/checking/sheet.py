"""The sheet of a check, the labelled copy of the picture, and the blink of theory and picture."""

from __future__ import annotations

import io
import math
from contextlib import suppress
from pathlib import Path

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from simulate.checking.files import SOURCE
from simulate.checking.model import Pose, reduced_plane
from simulate.checking.results import Check
from simulate.checking.twin import RingProfile, Twin
from simulate.checking.words import check_lines, detail_lines
from simulate.present.board import ACCENT, DOUBTFUL, INK, LINE, QUIET, Board, arrows, scale_bar
from simulate.values.files import beside, write_bytes

FloatArray = npt.NDArray[np.floating]

WIDTH, MARGIN, GAP = 1600, 32, 16
PANEL = (WIDTH - 2 * MARGIN - 3 * GAP) // 4
SMALL = (WIDTH - 2 * MARGIN - 5 * GAP) // 6
BRIGHTEST = 1.35
"""Light, the disc being 1, that is shown as full white."""

LABELS_WIDTH = 900
"""Least width of the labelled copy, pixels."""

LABELS_WIDEST = 2400
"""Pixels along the labelled copy of a larger picture, at most."""

BLINK_SIDE = 480
"""Side of the blink, pixels; even, as video wants it."""

BLINK_SECONDS = 0.7


def write_check_sheet(path: str | Path, result: Check) -> Path:
    """Write the sheet of a check as a PNG; beside and renamed.

    Parameters
    ----------
    path : str or Path
        Where to.
    result : Check
        What to show.
    """
    comments = {
        "Title": f"{result.body}: picture against theory",
        "Creation Time": result.apparition.time_utc,
        SOURCE: result.picture.name,
    }
    return write_bytes(path, draw_check(result).png(comments))


def draw_check(result: Check) -> Board:
    """Return the board with the sheet of a check drawn on it."""
    board = Board(WIDTH, 100)
    lines = check_lines(result)
    for title, entries in detail_lines(result):
        lines += [(title if index == 0 else "", entry) for index, entry in enumerate(entries)]
    rows = sum(max(1, len(board.wrapped(text, 620, 14))) for _, text in lines)
    panels = 112
    gallery = panels + PANEL + 78
    twin = gallery + (SMALL + 72 if result.lookalikes else 0)
    middle = twin + (PANEL + 66 if result.twin is not None else 0)
    board.resize(middle + max(24 * rows + 60, 400) + 60)
    _draw_head(board, result)
    _draw_panels(board, result, panels)
    if result.lookalikes:
        _draw_gallery(board, result, gallery)
    if result.twin is not None:
        _draw_twin(board, result.twin, result.theory.extent_arcsec, twin)
    _draw_lines(board, lines, middle)
    _draw_curve(board, result, MARGIN + 860, middle + 10)
    return board


def _draw_head(board: Board, result: Check) -> None:
    board.text(MARGIN, 52, f"{result.body.capitalize()}: your picture against theory", 26, INK, bold=True)
    lies = "all panels north up" if result.angle is not None else "the picture does not tell where north is"
    told = f"{result.instrument.name}  ·  {result.apparition.time_utc}  ·  {lies}, linear light"
    board.text(MARGIN, 80, told, 14, QUIET)


def picture_north_up(result: Check, side: int, step_arcsec: float) -> npt.NDArray[np.float64]:
    """Return the user's picture in linear light with north up, disc about 1, shape (side, side); row 0 at the bottom.

    Parameters
    ----------
    result : Check
        The check.
    side : int
        Pixels.
    step_arcsec : float
        Side of one.
    """
    return _north_up(result.fit.linear, result.fit.pose_here, side, step_arcsec)


def _picture_in_colour(result: Check, side: int, step_arcsec: float) -> npt.NDArray[np.float64]:
    """Return all planes of the user's picture as `picture_north_up` does one, shape (side, side[, 3]).

    Each plane goes through the tone curve that was fitted to one of them, so that the colours stay those of the file.
    """
    fit = result.fit
    shown = [_north_up(plane, fit.pose_here, side, step_arcsec) for plane in map(fit.linear_of, result.picture.levels)]
    return np.stack(shown, axis=-1) if len(shown) == 3 else shown[0]


def _north_up(
    light: FloatArray, pose: Pose, side: int, step_arcsec: float, centre: tuple[float, float] = (0.0, 0.0)
) -> npt.NDArray[np.float64]:
    """Return a window's light with north up around a place (east, north), shape (side, side)."""
    offset = (np.arange(side) - (side - 1) / 2) * step_arcsec
    east, north = np.meshgrid(centre[0] - offset, centre[1] + offset)
    place = np.array(pose.pixel_of(east, north))
    return ndimage.map_coordinates(light, place, order=3, mode="constant", cval=0.0)


def on_display(result: Check, light: FloatArray, side: int, step_arcsec: float) -> npt.NDArray[np.float64]:
    """Return light on the theory's grid as a display of `side` x `side` pixels, north up."""
    offset = (np.arange(side) - (side - 1) / 2) * step_arcsec
    east, north = np.meshgrid(-offset, offset)
    place = result.theory.index_of(east, north)
    return ndimage.map_coordinates(np.asarray(light, float), place, order=1, mode="constant", cval=0.0)


def theory_as_taken(result: Check) -> npt.NDArray[np.float32]:
    """Return the theory with the transfer that the picture was measured to have, on the theory's grid."""
    return result.theory.blurred(result.transfer.at(result.theory.frequency))


def _draw_panels(board: Board, result: Check, top: int) -> None:
    step = 2.25 * result.theory.extent_arcsec / PANEL
    yours = picture_north_up(result, PANEL, step)
    same = on_display(result, theory_as_taken(result), PANEL, step)
    # the theory is that of the one plane that was fitted
    plane = ", in green" if len(result.picture.levels) == 3 else ""
    contents = (
        ("your picture", _picture_in_colour(result, PANEL, step)),
        (f"what the setup should give{plane}", on_display(result, result.expected_light, PANEL, step)),
        ("theory, blurred as yours", same),
        ("yours less that theory, 4 times", 0.5 * BRIGHTEST * 0.43 + 4 * (yours - same)),
    )
    for index, (title, light) in enumerate(contents):
        x = MARGIN + index * (PANEL + GAP)
        board.picture(x, top, np.clip(light / BRIGHTEST, 0, 1))
        board.text(x, top + PANEL + 22, title, 14, INK)
    scale_bar(board, MARGIN + 12, top + PANEL - 16, step)
    if result.angle is not None:
        arrows(board, MARGIN + PANEL - 30, top + PANEL - 20, (0.0, 1.0), (-1.0, 0.0))


def _draw_gallery(board: Board, result: Check, top: int) -> None:
    board.text(MARGIN, top - 8, "The theory with one fault each, at the strength that fits best", 15, ACCENT, bold=True)
    step = 2.25 * result.theory.extent_arcsec / SMALL
    for index, (name, light) in enumerate(result.lookalikes[:6]):
        x = MARGIN + index * (SMALL + GAP)
        board.picture(x, top + 8, np.clip(on_display(result, light, SMALL, step) / BRIGHTEST, 0, 1))
        found = next((fault for fault in result.faults if fault.name == name), None)
        told = name if found is None else f"{name}: evidence {found.evidence_in_words}"
        board.text(x, top + SMALL + 28, told, 13, DOUBTFUL if name == result.verdict else INK)
    scale_bar(board, MARGIN + 12, top + SMALL - 8, step)


def _draw_twin(board: Board, twin: Twin, extent_arcsec: float, top: int) -> None:
    """Draw the picture beside its twin and, for a gap in the rings, the brightness along their radius."""
    board.text(MARGIN, top - 8, f"The twin: is the {twin.feature} real?", 15, ACCENT, bold=True)
    centre, reach = (0.0, 0.0), 1.1 * extent_arcsec
    if twin.profile is not None:  # the tip of the rings, where radii lie widest apart
        gap = twin.profile.gap
        east, north = gap.around(np.array([0.93 * gap.middle_km]), np.array([0.0]))
        centre, reach = (float(east[0]), float(north[0])), 0.4 * extent_arcsec
    step = 2 * reach / PANEL
    middle = float(np.median(twin.picture[twin.picture > 0.5 * np.quantile(twin.picture, 0.99)]))
    names = ("your picture, contrast raised", f"the planet without the {twin.feature}, processed alike")
    for index, (title, light) in enumerate(zip(names, (twin.picture, twin.twin), strict=True)):
        x = MARGIN + index * (PANEL + GAP)
        shown = _north_up(light, twin.pose, PANEL, step, centre)
        board.picture(x, top + 8, np.clip(0.3 * (np.maximum(shown, 0) / middle) ** 2, 0, 1))
        board.text(x, top + PANEL + 28, title, 13, INK)
    scale_bar(board, MARGIN + 12, top + PANEL - 8, step)
    if twin.profile is not None:
        _draw_profile(board, twin.profile, MARGIN + 2 * (PANEL + GAP) + 40, top)


def _draw_profile(board: Board, profile: RingProfile, left: int, top: int) -> None:
    """Draw the brightness of picture and twin along the rings' radius; the gap's true place is marked."""
    width, height = WIDTH - MARGIN - left, PANEL - 70
    base = top + 8 + height
    radius = profile.radius_km
    highest = 1.05 * max(float(profile.picture.max()), float(profile.twin.max()))

    def point(radius_km: float, value: float) -> tuple[float, float]:
        share = (radius_km - radius[0]) / (radius[-1] - radius[0])
        return left + width * float(share), base - height * min(max(value, 0.0), highest) / highest

    board.line([point(radius[0], 0), point(radius[-1], 0)], LINE, 1)
    gap = point(profile.gap.middle_km, 0)[0]
    board.line([(gap, base), (gap, base - height)], LINE, 1.5)
    board.text(gap, base + 18, f"{profile.gap.middle_km:.0f} km", 12, QUIET, align="center")
    for values, colour in ((profile.twin, INK), (profile.picture, ACCENT)):
        board.line([point(r, v) for r, v in zip(radius, values, strict=True)], colour, 2)
    for place, values, colour in ((profile.twin_km, profile.twin, INK), (profile.picture_km, profile.picture, ACCENT)):
        if place is not None:
            board.spot(*point(place, float(np.interp(place, radius, values))), 4, colour)
    for index, (colour, text) in enumerate(((ACCENT, "your picture"), (INK, "its twin"))):
        x, y = left + 130 * index, base + 44
        board.line([(x, y - 4), (x + 26, y - 4)], colour, 2)
        board.text(x + 34, y, text, 12, QUIET)
    board.text(left + 260, base + 44, "brightness along the rings' radius; a dot marks the dark ring", 12, QUIET)


def _draw_lines(board: Board, lines: list[tuple[str, str]], top: int) -> None:
    y: float = top + 30
    for label, text in lines:
        board.paragraph(MARGIN, y, label, 150, 14, QUIET)
        y = board.paragraph(MARGIN + 160, y, text, 620, 14) + 4


def _draw_curve(board: Board, result: Check, left: int, top: int) -> None:
    """Draw contrast against frequency: yours, to be had, perfect."""
    width, height = WIDTH - MARGIN - left - 20, 300
    curve = result.curve
    board.text(left, top + 6, "Share of the contrast against fineness", 15, ACCENT, bold=True)
    base = top + 30 + height
    longest = float(curve.frequency[-1])
    highest = max(1.25, *(1.05 * float(np.nanmax(each)) for each in (curve.picture, curve.expected) if _told(each)))

    def point(frequency: float, value: float) -> tuple[float, float]:
        return left + width * frequency / longest, base - height * min(max(value, 0.0), highest) / highest

    for level in np.arange(0.0, highest, 0.5 if highest < 2.6 else 1.0):
        board.line([point(0, level), point(longest, level)], LINE, 1)
        board.text(left - 8, point(0, level)[1] + 4, f"{100 * level:.0f} %", 11, QUIET, align="right")
    for values, colour, width_px in (
        (curve.perfect, QUIET, 1.2),
        (curve.expected, INK, 1.6),
        (curve.picture, ACCENT, 2.4),
    ):
        told = [(0.0, 1.0), *[(f, v) for f, v in zip(curve.frequency, values, strict=True) if math.isfinite(v)]]
        board.line([point(f, v) for f, v in told], colour, width_px)
    for frequency in curve.frequency[1::2]:
        board.text(point(frequency, 0)[0] - 12, base + 18, f'{1 / frequency:.2g}"', 11, QUIET)
    y = base + 42
    for colour, text in ((ACCENT, "your picture"), (INK, "to be had with this setup"), (QUIET, "perfect aperture")):
        board.line([(left, y - 4), (left + 26, y - 4)], colour, 2)
        board.text(left + 34, y, text, 12, QUIET)
        y += 19


def _told(values: FloatArray) -> bool:
    return bool(np.any(np.isfinite(values)))


def labelled_picture(result: Check) -> Board:
    """Return a copy of the picture, as it came, with moons at their computed places, arrows and a scale bar."""
    levels = result.picture.levels
    pose = result.fit.pose if result.moons_time is None else result.moons_time.pose
    factor = max(1, math.ceil(max(levels.shape[1:]) / LABELS_WIDEST))
    if factor > 1:
        levels = np.array([reduced_plane(plane, factor) for plane in levels], np.float32)
        pose = pose.reduced(factor)
    rows, columns = levels.shape[1:]
    zoom = max(1, math.ceil(LABELS_WIDTH / columns)) if columns < LABELS_WIDTH else 1
    shown = np.repeat(np.repeat(np.moveaxis(levels, 0, -1), zoom, axis=0), zoom, axis=1)
    board = Board(columns * zoom, rows * zoom)
    # `picture` expects linear light and applies the tone curve itself: undo it first
    board.picture(0, 0, _linear_of_screen(shown if shown.shape[2] == 3 else shown[..., 0]))

    def place(east: float, north: float) -> tuple[float, float]:
        row, column = pose.pixel_of(np.float64(east), np.float64(north))
        return (float(column) + 0.5) * zoom, (rows - float(row) - 0.5) * zoom

    found = set(result.moons_found)
    for moon in result.apparition.moons:
        x, y = place(moon.east_arcsec, moon.north_arcsec)
        if 0 <= x < board.width and 0 <= y < board.height and moon.state in ("clear", "transit"):
            radius = max(6.0, 1.6 * zoom * moon.radius_arcsec / pose.scale_arcsec)
            turns = np.linspace(0.0, 2 * math.pi, 49)
            board.line([(x + radius * math.cos(t), y + radius * math.sin(t)) for t in turns], ACCENT, 1.2)
            missing = moon.state == "clear" and bool(found) and moon.name not in found
            name = moon.name.capitalize() + (" (not found)" if missing else "")
            board.text(min(x + radius + 4, board.width - board.measure(name)), y + 4, name, 13, ACCENT)
        if moon.shadow_east_arcsec is not None and moon.shadow_north_arcsec is not None:
            x, y = place(moon.shadow_east_arcsec, moon.shadow_north_arcsec)
            board.text(x + 10, y + 22, f"shadow of {moon.name.capitalize()}", 12, ACCENT)
    for dot in result.dots:
        x, y = (dot.column + 0.5) * zoom / factor, (rows - (dot.row + 0.5) / factor) * zoom
        board.oval(x, y, 8.0, 8.0, turn_deg=0.0, fill=None, edge=QUIET)
        board.text(x + 12, y + 4, "noise or a hot pixel?" if dot.narrow else "a star, or noise?", 13, QUIET)
    scale_bar(board, 16, board.height - 18, pose.scale_arcsec / zoom)
    by_moons = result.moons_time is not None and result.moons_time.matched_as_told >= 2
    if result.angle is not None or by_moons:
        centre = place(0.0, 0.0)
        north, east = (
            _unit(centre, place(*away)) for away in ((0.0, 10 * pose.scale_arcsec), (10 * pose.scale_arcsec, 0.0))
        )
        arrows(board, board.width - 60, board.height - 60, north, east)
    return board


def _unit(start: tuple[float, float], end: tuple[float, float]) -> tuple[float, float]:
    right, up = end[0] - start[0], start[1] - end[1]
    length = math.hypot(right, up) or 1.0
    return right / length, up / length


def _linear_of_screen(values: FloatArray) -> FloatArray:
    """Undo the tone curve of sRGB (IEC 61966-2-1)."""
    values = np.clip(np.asarray(values, np.float32), 0.0, 1.0)
    return np.where(values <= 0.04045, values / 12.92, ((values + 0.055) / 1.055) ** 2.4)


def write_labelled(path: str | Path, result: Check) -> Path:
    """Write the labelled copy as a PNG; the picture itself is left alone."""
    return write_bytes(
        path, labelled_picture(result).png({"Title": f"{result.body}, labelled", SOURCE: result.picture.name})
    )


def write_blink(base: Path, result: Check) -> dict[str, Path]:
    """Write a blink of theory (blurred as the picture) and picture as BASE.gif, and BASE.mp4 with the video extra.

    Parameters
    ----------
    base : Path
        Path without ending.
    result : Check
        What to show.
    """
    from PIL import Image

    step = 2.25 * result.theory.extent_arcsec / BLINK_SIDE
    frames = []
    for text, light in (
        ("theory", on_display(result, theory_as_taken(result), BLINK_SIDE, step)),
        ("yours", picture_north_up(result, BLINK_SIDE, step)),
    ):
        board = Board(BLINK_SIDE, BLINK_SIDE)
        board.picture(0, 0, np.clip(light / BRIGHTEST, 0, 1))
        board.text(14, 28, text, 16, INK)
        frames.append(np.asarray(Image.open(io.BytesIO(board.png({}))).convert("RGB")))
    stills = [Image.fromarray(frame) for frame in frames]
    files = {"blink": base.with_name(base.name + "_blink.gif")}
    with beside(files["blink"]) as temporary:
        stills[0].save(
            temporary, format="GIF", save_all=True, append_images=stills[1:], duration=int(1000 * BLINK_SECONDS), loop=0
        )
    with suppress(ImportError):
        import imageio_ffmpeg  # noqa: F401

        files["video"] = _write_mp4(base.with_name(base.name + "_blink.mp4"), frames)
    return files


def _write_mp4(path: Path, frames: list[npt.NDArray[np.uint8]]) -> Path:
    import imageio_ffmpeg

    with beside(path) as temporary:
        writer = imageio_ffmpeg.write_frames(
            str(temporary),
            (BLINK_SIDE, BLINK_SIDE),
            fps=1 / BLINK_SECONDS,  # type: ignore[arg-type] - any number is taken
            codec="libx264",
            macro_block_size=2,
            ffmpeg_log_level="error",
            output_params=["-fflags", "+bitexact", "-flags:v", "+bitexact"],
        )
        writer.send(None)
        for _ in range(4):
            for frame in frames:
                writer.send(np.ascontiguousarray(frame))
        writer.close()
    return path
