"""A board to draw on, in pixels from its top left corner: text, lines, pictures.

Drawn with pillow: a sheet is pictures and text, and importing a plotting library for it would take
longer than computing what it shows. Shapes are drawn four times finer and averaged, so that their
edges are smooth. Colours and sizes of all sheets stand here too.
"""

from __future__ import annotations

import io
import math
import re
from collections.abc import Callable
from functools import lru_cache
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from PIL import Image, ImageDraw, ImageFont, PngImagePlugin

from simulate.present.images import screen_values

PAGE = "#15171c"
INK = "#e9e6df"
QUIET = "#9ca1ab"
LINE = "#3a3f49"
ACCENT = "#e0b878"
RIM = "#101216"
WARM = "#2f2413"
DISC = "#c9b79a"
CLEAR, DOUBTFUL, LOST = "#9ccf9a", "#e0b878", "#8d929c"

_UNIT = re.compile(r"(?<=[\d\u202f]) (?=(?:%|mm|nm|µm|m|µs|ms|s|min|au|e⁻|pixels|bits)(?:\W|$))")

FONTS = {False: "DejaVuSans.ttf", True: "DejaVuSans-Bold.ttf"}
"""Regular and bold; they come with matplotlib, so every machine has them."""

DOTS_PER_INCH = 100

FINER = 4
"""How many times finer shapes are drawn before they are averaged."""

_ANCHORS = {"left": "ls", "center": "ms", "right": "rs"}


class Board:
    """A board of `width` x `height` pixels.

    Parameters
    ----------
    width, height : int
        Size in pixels; the height may be set later (`resize`), once the text has been measured.
    """

    def __init__(self, width: int, height: int) -> None:
        self.width, self.height = width, height
        self._image = Image.new("RGB", (width, height), PAGE)
        self._draw = ImageDraw.Draw(self._image)
        self._widths: dict[tuple[str, float, bool], float] = {}

    def resize(self, height: int) -> None:
        """Set the height, before anything is drawn."""
        self.height = height
        self._image = Image.new("RGB", (self.width, height), PAGE)
        self._draw = ImageDraw.Draw(self._image)

    def text(
        self,
        x: float,
        y: float,
        text: str,
        size: float = 13,
        colour: str = INK,
        *,
        align: str = "left",
        bold: bool = False,
    ) -> None:
        """Write one line with its baseline at `y`; `size` is the height of the letters' body in pixels."""
        self._draw.text((x, y), text, fill=colour, font=_font(size, bold), anchor=_ANCHORS[align])

    def measure(self, text: str, size: float = 13, bold: bool = False) -> float:
        """Return the width of a line in pixels."""
        key = (text, size, bold)
        if key not in self._widths:
            self._widths[key] = float(_font(size, bold).getlength(text))
        return self._widths[key]

    def wrapped(self, text: str, width: float, size: float = 13) -> list[str]:
        """Return `text` in lines not wider than `width` pixels; a number and its unit stay together."""
        lines: list[str] = []
        used, blank = 0.0, self.measure(" ", size)
        for word in _UNIT.sub("\u00a0", text.replace("± ", "±\u00a0")).split(" "):
            long = self.measure(word, size)
            if lines and used + blank + long <= width:
                lines[-1] += f" {word}"
                used += blank + long
            else:
                lines.append(word)
                used = long
        return lines

    def paragraph(self, x: float, y: float, text: str, width: float, size: float = 13, colour: str = INK) -> float:
        """Write `text` in lines from baseline `y` on; return the baseline of the line after the last."""
        for line in self.wrapped(text, width, size):
            self.text(x, y, line, size, colour)
            y += round(1.45 * size)
        return y

    def line(self, points: list[tuple[float, float]], colour: str = INK, width: float = 1.0) -> None:
        """Draw straight lines from point to point; `width` in pixels."""

        def draw(finer: ImageDraw.ImageDraw, place: Callable[[float, float], tuple[float, float]]) -> None:
            wide = max(1, round(width * FINER))
            places = [place(x, y) for x, y in points]
            finer.line(places, fill=255, width=wide, joint="curve")
            for x, y in places:  # round ends
                finer.ellipse([x - wide / 2, y - wide / 2, x + wide / 2, y + wide / 2], fill=255)

        self._lay(points, width, colour, draw)

    def edged_lines(self, shapes: list[list[tuple[float, float]]], width: float = 1.0) -> None:
        """Draw lines in ink with a dark rim around all of them, which show on any ground."""
        for colour, wide in ((RIM, width + 2.6), (INK, width)):
            for points in shapes:
                self.line(points, colour, wide)

    def edged_text(self, x: float, y: float, text: str, size: float = 12) -> None:
        """Write a line in ink with a dark rim, its middle at `x`."""
        font = _font(size, False)
        self._draw.text((x, y), text, fill=INK, font=font, anchor="ms", stroke_width=2, stroke_fill=RIM)

    def box(self, x: float, y: float, width: float, height: float, fill: str, edge: str | None = None) -> None:
        """Fill a rectangle whose top left corner is (x, y)."""
        corners = [x, y, x + width - 1, y + height - 1]
        self._draw.rectangle([round(value) for value in corners], fill=fill, outline=edge)

    def spot(self, x: float, y: float, radius: float, fill: str, edge: str | None = None) -> None:
        """Fill a circle."""
        self.oval(x, y, radius, radius, turn_deg=0.0, fill=fill, edge=edge)

    def oval(
        self,
        x: float,
        y: float,
        across: float,
        along: float,
        *,
        turn_deg: float,
        fill: str | None,
        edge: str | None = None,
    ) -> None:
        """Draw an ellipse with half axes `across` and `along`, turned anticlockwise."""
        cosine, sine = math.cos(math.radians(turn_deg)), math.sin(math.radians(turn_deg))
        angles = np.linspace(0.0, 2.0 * math.pi, 181)
        right, up = across * np.cos(angles), along * np.sin(angles)
        outline = list(zip(x + right * cosine - up * sine, y - right * sine - up * cosine, strict=True))
        if fill is not None:
            self._lay(outline, 1.0, fill, lambda finer, place: finer.polygon([place(*p) for p in outline], fill=255))
        if edge is not None:
            self.line(outline, edge, 1.0)

    def _lay(
        self,
        points: list[tuple[float, float]],
        margin: float,
        colour: str,
        draw: Callable[[ImageDraw.ImageDraw, Callable[[float, float], tuple[float, float]]], None],
    ) -> None:
        """Draw a shape around `points` finer, average it, and lay it on in a colour."""
        left, top = (math.floor(min(values) - margin - 1) for values in zip(*points, strict=True))
        right, bottom = (math.ceil(max(values) + margin + 1) for values in zip(*points, strict=True))
        mask = Image.new("L", ((right - left) * FINER, (bottom - top) * FINER))
        draw(ImageDraw.Draw(mask), lambda x, y: ((x - left) * FINER, (y - top) * FINER))
        self._image.paste(colour, (left, top), mask.reduce(FINER))

    def picture(self, x: int, y: int, linear: npt.NDArray[np.floating]) -> None:
        """Lay linear light, shape (rows, columns[, 3]), pixel for pixel; row 0 goes to the bottom."""
        screen = screen_values(linear)
        if screen.ndim == 2:
            screen = np.repeat(screen[..., None], 3, axis=-1)
        eight = np.rint(np.clip(screen[::-1], 0.0, 1.0) * 255.0).astype(np.uint8)
        self._image.paste(Image.fromarray(eight), (int(x), int(y)))

    def png(self, comments: dict[str, str]) -> bytes:
        """Return the board as a PNG file, with text chunks."""
        chunks = PngImagePlugin.PngInfo()
        for key, text in {"Software": "simulate", **comments}.items():
            chunks.add_text(key, text)
        buffer = io.BytesIO()
        # noise hardly shrinks: a low level of compression saves half the time and costs little
        self._image.save(buffer, "PNG", pnginfo=chunks, compress_level=3, dpi=(DOTS_PER_INCH, DOTS_PER_INCH))
        return buffer.getvalue()


@lru_cache(maxsize=64)
def _font(size: float, bold: bool) -> Any:
    # the folder is found without importing the library that brings it
    found = find_spec("matplotlib")
    assert found is not None
    assert found.submodule_search_locations is not None
    folder = Path(next(iter(found.submodule_search_locations))) / "mpl-data" / "fonts" / "ttf"
    return ImageFont.truetype(str(folder / FONTS[bold]), size, layout_engine=ImageFont.Layout.BASIC)


def round_length(longest: float) -> float:
    """Return the largest of 1, 2 or 5 times a power of ten that is at most `longest`."""
    power = 10.0 ** np.floor(np.log10(longest))
    return float(power * max(step for step in (1.0, 2.0, 5.0) if step * power <= longest * (1 + 1e-9)))


def scale_bar(board: Board, x: float, y: float, arcsec_per_pixel: float, longest: float = 150.0) -> float:
    """Draw a bar of a round number of arcsec, its left end at (x, y); return that number.

    Parameters
    ----------
    board : Board
        To draw on.
    x, y : float
        Left end.
    arcsec_per_pixel : float
        Scale of the picture.
    longest : float
        Longest bar, pixels.
    """
    length = round_length(longest * arcsec_per_pixel)
    end = x + length / arcsec_per_pixel
    board.edged_lines([[(x, y - 4), (x, y), (end, y), (end, y - 4)]], 1.5)
    board.edged_text((x + end) / 2, y - 8, f"{length:g}″")
    return length


def arrows(
    board: Board, x: float, y: float, north: tuple[float, float], east: tuple[float, float], size: float = 34
) -> None:
    """Draw arrows to the north and the east from (x, y), the directions as (right, up) unit vectors."""
    shapes = []
    for right, up in (north, east):
        tip = (x + right * size, y - up * size)
        barb = [
            (tip[0] - 6 * right + 3.5 * side * up, tip[1] + 6 * up + 3.5 * side * right) for side in (-1.0, 1.0)
        ]  # fmt: skip
        shapes += [[(x, y), tip], [barb[0], tip, barb[1]]]
    board.edged_lines(shapes, 1.3)
    for letter, (right, up) in (("N", north), ("E", east)):
        board.edged_text(x + right * (size + 10), y - up * (size + 10) + 4, letter)
