"""The chart of trade-offs, and the layer of moons, as PNG."""

from __future__ import annotations

import io
import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
from PIL import Image, PngImagePlugin

from simulate.planning.records import CaptureCard, MoonLayer, Plan, Trades
from simulate.planning.search import spans
from simulate.planning.sharpening import NOISE_LIMIT
from simulate.present.board import ACCENT, CLEAR, DISC, INK, LINE, QUIET, Board
from simulate.present.images import screen_values, top_first
from simulate.present.planning_chart import round_step
from simulate.values.files import write_bytes

FloatArray = npt.NDArray[np.floating]

WIDTH, HEAD = 1120, 104
PLOT_WIDTH, PLOT_HEIGHT, LEFT, GAP = 430, 230, 78, 122


@dataclass(frozen=True)
class Plot:
    """One plot: lines over a common quantity.

    Parameters
    ----------
    title, below : str
        What is drawn, and what runs along the foot.
    x : array, shape (n,)
        Positive where the foot is logarithmic.
    lines : tuple of (array, str, str)
        Values, colour, name.
    log_x, log_y : bool
        Scales.
    mark : float or None
        Place along the foot to point out.
    """

    title: str
    below: str
    x: FloatArray
    lines: tuple[tuple[FloatArray, str, str], ...]
    log_x: bool = True
    log_y: bool = False
    mark: float | None = None


def write_trades_chart(path: str | Path, plan: Plan) -> Path:
    """Write the trade-offs of a plan as a PNG; beside and renamed."""
    return write_bytes(path, trades_board(plan).png({"Title": f"{plan.body}, trade-offs"}))


def trades_board(plan: Plan) -> Board:
    """Return the board with plots: gain, strength of sharpening, share kept, number of frames."""
    trades = plan.trades
    assert trades is not None
    board = Board(WIDTH, 800)
    words = [line for text in trades.advice for line in board.wrapped(text, WIDTH - 2 * LEFT, 14)]
    plots = _plots(plan, trades)
    foot = HEAD + math.ceil(len(plots) / 2) * (PLOT_HEIGHT + GAP)
    board.resize(foot + 20 * len(words) + 24)
    board.text(LEFT, 42, f"{plan.subject.title} through {plan.instrument.name}", 24, INK, bold=True)
    told = f"night of {plan.night}; exposure {1000 * plan.card.exposure_s:.3g} ms"
    told += f"; the feature judged: {trades.feature}" if trades.feature else ""
    board.text(LEFT, 68, f"{told}; upright lines: what the card says", 13, QUIET)
    for index, plot in enumerate(plots):
        x = LEFT + index % 2 * (PLOT_WIDTH + 130)
        _draw(board, plot, x, HEAD + 16 + index // 2 * (PLOT_HEIGHT + GAP))
    y = foot + 10
    for line in words:
        board.text(LEFT, y, line, 14, INK)
        y += 20
    return board


def _plots(plan: Plan, trades: Trades) -> list[Plot]:
    card, sharp = plan.card, trades.sharpening
    bright, faint = trades.gain_snr
    gain = ((bright, ACCENT, "brightest part"), (faint, CLEAR, "a tenth of that"))
    limit = np.maximum(np.minimum(sharp.noise, 1.0), 0.02)
    rings: tuple[tuple[FloatArray, str, str], ...] = (
        (100 * sharp.overshoot, ACCENT, "rings at the limb"),
        (100 * sharp.noise, CLEAR, "noise"),
        (100 * limit, QUIET, "what rings may reach"),
        (np.full(len(limit), 100 * NOISE_LIMIT), INK, "what noise may reach"),
    )
    title = "Sharpening: share of the brightness, %"
    return [
        Plot("Gain: signal to noise of the stack", "e⁻/DN", trades.gains_e_per_dn, gain, mark=card.gain_e_per_dn),
        Plot(title, "strength of the unsharp mask", sharp.strengths, rings, False, mark=sharp.strongest),
        *_share_plots(card, trades),
        *_frames_plots(card, trades),
    ]


def _share_plots(card: CaptureCard, trades: Trades) -> list[Plot]:
    shares, mark = 100 * trades.shares, 100 * card.kept / card.frames
    width = ((trades.share_finished_arcsec, DISC, "restored as far as the noise allows"),)
    plots = [Plot("Share of the frames kept: width of the finished picture, arcsec", "%", shares, width, mark=mark)]
    if trades.feature:
        lines = (
            (trades.share_snr / np.nanmax(trades.share_snr), ACCENT, "signal to noise, relative"),
            (trades.share_contrast, CLEAR, "contrast left"),
        )
        plots.append(Plot("Share of the frames kept: the feature in the stack", "%", shares, lines, mark=mark))
    return plots


def _frames_plots(card: CaptureCard, trades: Trades) -> list[Plot]:
    width = ((trades.frames_finished_arcsec, DISC, "restored as far as the noise allows"),)
    title = "Frames kept: width of the finished picture, arcsec"
    plots = [Plot(title, "frames", trades.frames, width, mark=card.kept)]
    if trades.feature:
        root = trades.frames_snr[0] * np.sqrt(trades.frames / trades.frames[0])
        lines = (
            (root, QUIET, "by the root of the number"),
            (trades.frames_snr, ACCENT, "with what never averages out"),
        )
        title = "Frames kept: signal to noise of the feature in the stack"
        plots.append(Plot(title, "frames", trades.frames, lines, log_y=True, mark=card.kept))
    return plots


class _Scale:
    """From values to pixels along one side of a plot, with round values to label."""

    def __init__(self, low: float, high: float, start: float, length: float, log: bool) -> None:
        self.log, self.start, self.length = log, start, length
        self.low, self.high = low, high if high > low else low + 1.0

    def at(self, value: float) -> float:
        low, high, here = self.low, self.high, min(max(value, self.low), self.high)
        if self.log:
            low, high, here = math.log(low), math.log(high), math.log(here)
        return self.start + self.length * (here - low) / (high - low)

    def levels(self) -> list[float]:
        if not self.log:
            step = round_step((self.high - self.low) / 5)
            first, last = math.ceil(self.low / step - 1e-9), math.floor(self.high / step + 1e-9)
            return [round(step * k, 10) for k in range(first, last + 1)]
        tens = range(math.floor(math.log10(self.low)), math.ceil(math.log10(self.high)) + 1)
        factors = (1.0, 2.0, 5.0) if self.high / self.low < 2000 else (1.0,)
        every = [factor * 10.0**power for power in tens for factor in factors]
        return [value for value in every if self.low * (1 - 1e-9) <= value <= self.high * (1 + 1e-9)]


def _draw(board: Board, plot: Plot, x0: float, y0: float) -> None:
    values = np.concatenate([line[np.isfinite(line)] for line, _, _ in plot.lines])
    x = plot.x[plot.x > 0] if plot.log_x else plot.x
    across = _Scale(float(x.min()), _cut(plot), x0, PLOT_WIDTH, plot.log_x)
    top = float(values.max()) if len(values) else 1.0
    low = float(values[values > 0].min()) if plot.log_y and np.any(values > 0) else 0.0
    if not plot.log_x:  # what lies beyond the foot's end does not set the height
        shown = plot.x <= across.high
        top = max(float(line[shown].max()) for line, _, _ in plot.lines)
    up = _Scale(low, top * 1.05, y0 + PLOT_HEIGHT, -PLOT_HEIGHT, plot.log_y)
    board.text(x0, y0 - 12, plot.title, 14, INK, bold=True)
    for level in up.levels():
        board.line([(x0, up.at(level)), (x0 + PLOT_WIDTH, up.at(level))], LINE, 0.6)
        board.text(x0 - 8, up.at(level) + 4, f"{level:g}", 12, QUIET, align="right")
    room = -math.inf
    for level in across.levels():
        half = board.measure(f"{level:g}", 12) / 2
        board.line([(across.at(level), y0), (across.at(level), y0 + PLOT_HEIGHT)], LINE, 0.6)
        if across.at(level) - half > room + 6:
            board.text(across.at(level), y0 + PLOT_HEIGHT + 18, f"{level:g}", 12, QUIET, align="center")
            room = across.at(level) + half
    board.text(x0 + PLOT_WIDTH, y0 + PLOT_HEIGHT + 36, plot.below, 12, INK, align="right")
    if plot.mark is not None:
        board.line([(across.at(plot.mark), y0), (across.at(plot.mark), y0 + PLOT_HEIGHT)], DISC, 1.5)
    _lines(board, plot, across, up)
    _legend(board, plot.lines, x0, y0 + PLOT_HEIGHT + 56)


def _cut(plot: Plot) -> float:
    """Return where the foot ends: a linear one at twice its mark."""
    last = float(plot.x[-1])
    return last if plot.log_x or plot.mark is None else min(last, max(2.0, 2.0 * plot.mark))


def _lines(board: Board, plot: Plot, across: _Scale, up: _Scale) -> None:
    for values, colour, _ in plot.lines:
        shown = np.isfinite(values) & (plot.x <= across.high * (1 + 1e-9))
        if plot.log_y:
            shown &= values > 0
        for first, last in spans(shown):
            points = [(across.at(float(plot.x[i])), up.at(float(values[i]))) for i in range(first, last + 1)]
            board.line(points, colour, 2.0)


def _legend(board: Board, lines: Sequence[tuple[FloatArray, str, str]], x: float, y: float) -> None:
    start = x
    for _, colour, name in lines:
        if x - start + 22 + board.measure(name, 12) > PLOT_WIDTH:
            x, y = start, y + 18
        board.line([(x, y - 4), (x + 14, y - 4)], colour, 2.0)
        board.text(x + 20, y, name, 12, QUIET)
        x += 36 + board.measure(name, 12)


def write_moon_layer(path: str | Path, layer: MoonLayer) -> Path:
    """Write the satellites as a PNG of white on nothing, in the camera's pixels; beside and renamed.

    Their light, by the curve of sRGB, is the opacity: laid over a picture of the planet it shows them as that
    picture's own tones would.
    """
    opacity = np.rint(255.0 * top_first(screen_values(layer.light))).astype(np.uint8)
    pixels = np.full((*opacity.shape, 2), 255, np.uint8)
    pixels[..., 1] = opacity
    chunks = PngImagePlugin.PngInfo()
    chunks.add_text("Software", "simulate")
    chunks.add_text("Title", f"{', '.join(layer.names)} at {layer.time_utc}")
    rows = layer.light.shape[0]
    place = f"planet's middle at column {layer.middle_column:.2f}, row {rows - 1 - layer.middle_row:.2f} from the top"
    chunks.add_text("Comment", place)
    buffer = io.BytesIO()
    Image.fromarray(pixels, "LA").save(buffer, "PNG", pnginfo=chunks)
    return write_bytes(path, buffer.getvalue())
