"""Where light is laid out: the canvas on which a setup's pictures of a body are judged.

A canvas belongs to a body and a setup and to nothing else. Its side is a whole number of coarse cells of the
body, so that setups that need about the same room share the transforms of what is drawn; its cells hold just
what the setup passes.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from simulate.light.chain import WIDEST_DISC_SHARE, Setting, optical_response
from simulate.stack.restore import SMALLEST_TRANSFER
from simulate.values.grid import Grid
from simulate.values.resolution import finest_arcsec

BODY_CELLS = 96
"""Coarse cells across a body with its rings."""

PASSED = SMALLEST_TRANSFER
"""A frequency at which no spectral bin keeps this share of its contrast is beyond the band of a setup: there
restoration, too, finds nothing."""

CELLS_PER_RESOLUTION = 2.75
"""Cells along lambda/D at 550 nm that hold the cut-off frequency of the shortest wavelength."""

DRAWN_PER_CELL = 1.6
"""Least cells of the drawing along a cell that is judged: what the mean over a cell folds back from beyond the
drawing's own band then falls where the telescope passes next to nothing."""

MOST_CELLS = 1000
"""Cells along the side of a canvas; a setup that would resolve more of so large a body is judged a little coarsely,
to its disadvantage."""

LEAST_CELLS = 40

MOST_COARSE_CELLS = 2000
"""Coarse cells along the side of a canvas: about a body far smaller than the blur they are wider than a
`BODY_CELLS`-th of it, and a disc of a twentieth of the blur still has a dozen of them."""

MOST_FREQUENCIES = 1000
"""Cells of the line on which the passband is read: it is then known to a five-hundredth."""


@dataclass(frozen=True)
class JudgingCanvas:
    """A square of sky about a body, for one setup.

    Parameters
    ----------
    side_arcsec : float
        Its side.
    cells : int
        Cells along it, in which the stack is judged.
    drawn_cells : int
        Cells along it in which bodies and features are drawn.
    coarse_cells : int
        The coarsest of these, of which it holds a whole number whatever the setup.
    """

    side_arcsec: float
    cells: int
    drawn_cells: int
    coarse_cells: int

    @property
    def grid(self) -> Grid:
        """The cells that are judged."""
        return Grid(self.cells, self.cells, self.side_arcsec / self.cells)

    @property
    def drawn(self) -> tuple[float, int]:
        """What drawings and their transforms depend on: side, arcsec, and drawn cells."""
        return self.side_arcsec, self.drawn_cells

    @property
    def drawn_step_arcsec(self) -> float:
        """Side of a cell of the drawing."""
        return self.side_arcsec / self.drawn_cells

    @property
    def band_cells(self) -> int:
        """Cells, an even number, of the finest canvas that the drawing serves: the band that is kept of it."""
        return 2 * int(self.drawn_cells / (2 * DRAWN_PER_CELL))

    @property
    def finer(self) -> int:
        """Drawn cells along a coarse one."""
        return self.drawn_cells // self.coarse_cells

    @property
    def half_body_cells(self) -> float:
        """Coarse cells from the middle to beyond the edge of the body with its rings."""
        return BODY_CELLS / 2 + 1

    @property
    def coarsest(self) -> Grid:
        """The coarse cells over the body."""
        side = 2 * math.ceil(self.half_body_cells)
        return Grid(side, side, self.side_arcsec / self.coarse_cells)


def smooth_multiple(least: float, unit: int = 8) -> int:
    """Return the smallest multiple of `unit` from `least` on without prime factors above 5."""
    count = unit * max(1, math.ceil(least / unit - 1e-9))
    while not _smooth(count):
        count += unit
    return count


def _smooth(number: int) -> bool:
    for prime in (2, 3, 5):
        while number % prime == 0:
            number //= prime
    return number == 1


def judging_canvas(
    setting: Setting, *, body_width_arcsec: float, blur_arcsec: float, stack_step_arcsec: float
) -> JudgingCanvas:
    """Choose the canvas of a setup for a body.

    Parameters
    ----------
    setting : Setting
        The setup; its own grid is not looked at.
    body_width_arcsec : float
        Width of the body with its rings.
    blur_arcsec : float
        Rough width of what the setup makes of a point.
    stack_step_arcsec : float
        Cell of the stack, which carries nothing finer than two cells; 0 for none.
    """
    wanted = max(body_width_arcsec / WIDEST_DISC_SHARE, body_width_arcsec + 8 * blur_arcsec)
    coarse = max(body_width_arcsec / BODY_CELLS, wanted / MOST_COARSE_CELLS)
    coarse_cells = smooth_multiple(wanted / coarse, 16)
    side = coarse_cells * coarse
    highest = passband(setting, side)
    if stack_step_arcsec > 0:
        highest = min(highest, 0.5 / stack_step_arcsec)
    cells = min(smooth_multiple(max(2 * highest * side, LEAST_CELLS)), MOST_CELLS)
    drawn = coarse_cells
    while drawn < DRAWN_PER_CELL * cells:
        drawn *= 2
    return JudgingCanvas(side, cells, drawn, coarse_cells)


def passband(setting: Setting, side_arcsec: float) -> float:
    """Return the highest frequency that a setup passes, cycles per arcsec, read on a line across the frequencies.

    Parameters
    ----------
    setting : Setting
        The setup; its own grid is not looked at.
    side_arcsec : float
        One over the distance of neighbouring frequencies; they are taken farther apart where there are many.
    """
    finest = finest_arcsec(setting.instrument.telescope.aperture_mm) / CELLS_PER_RESOLUTION
    width = side_arcsec / math.ceil(side_arcsec / finest / MOST_FREQUENCIES)
    count = 2 * math.ceil(width / finest / 2)
    line = Grid(1, count, width / count)
    response = np.abs(optical_response(replace(setting, grid=line))[:, 0]).max(axis=0)
    passed = np.flatnonzero(response > PASSED)
    return float(line.frequency_west()[min(int(passed[-1]) + 1, len(response) - 1)])
