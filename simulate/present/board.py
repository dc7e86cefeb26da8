"""A board to draw on, in pixels from its top left corner: text, lines, pictures.

One place that knows matplotlib (its figure and Agg canvas; no global state is touched). Colours and
sizes of all sheets stand here too.
"""

from __future__ import annotations

import io
import re
from functools import lru_cache
from typing import Any

import numpy as np
import numpy.typing as npt

from simulate.present.images import screen_values

PAGE = "#15171c"
INK = "#e9e6df"
QUIET = "#9ca1ab"
LINE = "#3a3f49"
ACCENT = "#e0b878"
WARM = "#2f2413"
DISC = "#c9b79a"
CLEAR, DOUBTFUL, LOST = "#9ccf9a", "#e0b878", "#8d929c"

_UNIT = re.compile(r"(?<=[\d\u202f]) (?=(?:%|mm|nm|µm|m|µs|ms|s|min|au|e⁻|pixels|bits)(?:\W|$))")

FONT = "DejaVu Sans"
"""Comes with matplotlib, so every machine has it."""

DOTS_PER_INCH = 100
PIXELS_PER_POINT = DOTS_PER_INCH / 72


class Board:
    """A board of `width` x `height` pixels.

    Parameters
    ----------
    width, height : int
        Size in pixels; the height may be set later (`resize`), once the text has been measured.
    """

    def __init__(self, width: int, height: int) -> None:
        from matplotlib.backends.backend_agg import FigureCanvasAgg
        from matplotlib.figure import Figure

        self.width, self.height = width, height
        self._figure = Figure(
            figsize=(width / DOTS_PER_INCH, height / DOTS_PER_INCH), dpi=DOTS_PER_INCH, facecolor=PAGE
        )
        self._canvas = FigureCanvasAgg(self._figure)
        self._renderer: Any = self._canvas.get_renderer()
        self._order = 0
        self._widths: dict[tuple[str, float, bool], float] = {}

    def resize(self, height: int) -> None:
        """Set the height, before anything is drawn."""
        self.height = height
        self._figure.set_size_inches(self.width / DOTS_PER_INCH, height / DOTS_PER_INCH)

    def _next(self) -> int:
        """What is drawn later lies on top, whatever it is."""
        self._order += 1
        return self._order

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
        self._figure.text(
            x / self.width, 1 - y / self.height, text, fontproperties=_font(size, bold), color=colour, ha=align,
            va="baseline", parse_math=False, zorder=self._next(),
        )  # fmt: skip

    def measure(self, text: str, size: float = 13, bold: bool = False) -> float:
        """Return the width of a line in pixels."""
        key = (text, size, bold)
        if key not in self._widths:
            extent = self._renderer.get_text_width_height_descent(text, _font(size, bold), ismath=False)
            self._widths[key] = float(extent[0])
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
        from matplotlib.lines import Line2D

        xs = [x / self.width for x, _ in points]
        ys = [1 - y / self.height for _, y in points]
        transform = self._figure.transFigure
        style: dict[str, Any] = {"color": colour, "linewidth": width / PIXELS_PER_POINT, "solid_capstyle": "round"}
        self._figure.add_artist(Line2D(xs, ys, transform=transform, zorder=self._next(), **style))

    def box(self, x: float, y: float, width: float, height: float, fill: str, edge: str | None = None) -> None:
        """Fill a rectangle whose top left corner is (x, y)."""
        from matplotlib.patches import Rectangle

        corner = (x / self.width, 1 - (y + height) / self.height)
        self._figure.add_artist(
            Rectangle(
                corner, width / self.width, height / self.height, transform=self._figure.transFigure, facecolor=fill,
                edgecolor=edge or "none", linewidth=1 / PIXELS_PER_POINT, zorder=self._next(),
            )
        )  # fmt: skip

    def spot(self, x: float, y: float, radius: float, fill: str, edge: str | None = None) -> None:
        """Fill a circle."""
        self.oval(x, y, radius, radius, 0.0, fill, edge)

    def oval(
        self,
        x: float,
        y: float,
        across: float,
        along: float,
        turn_deg: float,
        fill: str | None,
        edge: str | None = None,
    ) -> None:
        """Draw an ellipse with half axes `across` and `along`, turned anticlockwise."""
        from matplotlib.patches import Ellipse
        from matplotlib.transforms import IdentityTransform

        self._figure.add_artist(
            Ellipse(
                (x, self.height - y), 2 * across, 2 * along, angle=turn_deg, transform=IdentityTransform(),
                facecolor=fill or "none", edgecolor=edge or "none", linewidth=1 / PIXELS_PER_POINT, zorder=self._next(),
            )
        )  # fmt: skip

    def picture(self, x: int, y: int, linear: npt.NDArray[np.floating]) -> None:
        """Lay linear light, shape (rows, columns[, 3]), pixel for pixel; row 0 goes to the bottom."""
        screen = screen_values(linear)
        if screen.ndim == 2:
            screen = np.repeat(screen[..., None], 3, axis=-1)
        bottom = self.height - y - screen.shape[0]
        self._figure.figimage(screen, xo=x, yo=bottom, origin="lower", resize=False, zorder=self._next())

    def png(self, comments: dict[str, str]) -> bytes:
        """Return the board as a PNG file, with text chunks."""
        from PIL import Image, PngImagePlugin

        self._canvas.draw()
        picture = Image.fromarray(np.asarray(self._canvas.buffer_rgba())[..., :3].copy())
        chunks = PngImagePlugin.PngInfo()
        for key, text in {"Software": "simulate", **comments}.items():
            chunks.add_text(key, text)
        buffer = io.BytesIO()
        # noise hardly shrinks: a low level of compression saves half the time and costs little
        picture.save(buffer, "PNG", pnginfo=chunks, compress_level=3, dpi=(DOTS_PER_INCH, DOTS_PER_INCH))
        return buffer.getvalue()


@lru_cache(maxsize=64)
def _font(size: float, bold: bool) -> Any:
    from matplotlib.font_manager import FontProperties

    return FontProperties(family=FONT, size=size / PIXELS_PER_POINT, weight="bold" if bold else "normal")


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
    board.line([(x, y - 4), (x, y), (end, y), (end, y - 4)], INK, 1.5)
    board.text((x + end) / 2, y - 8, f"{length:g}″", 12, INK, align="center")
    return length


def arrows(
    board: Board, x: float, y: float, north: tuple[float, float], east: tuple[float, float], size: float = 34
) -> None:
    """Draw arrows to the north and the east from (x, y), the directions as (right, up) unit vectors."""
    for letter, (right, up) in (("N", north), ("E", east)):
        tip = (x + right * size, y - up * size)
        board.line([(x, y), tip], INK, 1.3)
        barb = [
            (tip[0] - 6 * right + 3.5 * side * up, tip[1] + 6 * up + 3.5 * side * right) for side in (-1.0, 1.0)
        ]  # fmt: skip
        board.line([barb[0], tip, barb[1]], INK, 1.3)
        board.text(x + right * (size + 10), y - up * (size + 10) + 4, letter, 12, INK, align="center")
