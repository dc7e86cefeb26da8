"""How the camera's channels and the unblurred truth are shown on a screen: white balance, colours, one level."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from simulate.bodies.colour import to_linear_srgb
from simulate.bodies.spectra import solar_photon_flux
from simulate.camera import channel_names
from simulate.light.colours import LUMINANCE, screen_matrix, to_screen, white_rates
from simulate.light.look import ExpectedFrame, body_width_arcsec
from simulate.scene import PointSource, Scene, render
from simulate.values.grid import Grid
from simulate.values.resolution import finest_arcsec

if TYPE_CHECKING:
    pass

FloatArray = npt.NDArray[np.floating]

CELLS_ACROSS, CELLS_OF_PANEL = 200, 512
"""The unblurred truth of a small body is drawn anew with so many cells across it, and not more over a panel."""


BRIGHTEST_SHOWN = 0.85
"""Linear brightness at which the brightest part of the unblurred disc is shown."""


@dataclass(frozen=True, eq=False)
class Screen:
    """How a camera's channels are shown: white balance, colours and one level for all panels.

    The sky's own light is taken off, as the black point of a picture is set: by day it is brighter than
    most planets, and the panels would be white.

    Parameters
    ----------
    white : array, shape (channels,)
        Rates of a sunlit white surface.
    matrix : array, shape (3, channels)
        From balanced channels to linear sRGB.
    level : float
        Radiance, relative to that white, that is shown as 1.
    sky : array, shape (channels,)
        Rates of the sky, shown as 0.
    """

    white: FloatArray
    matrix: FloatArray
    level: float
    sky: FloatArray

    @classmethod
    def of(cls, look: ExpectedFrame, truth: FloatArray) -> Screen:
        """Return the screen that suits an expected frame and its `truth_colours`."""
        bins, weights = look.scene.bins, look.chain.weights
        white = white_rates(weights, bins)
        matrix = screen_matrix(weights, channel_names(look.instrument.camera), bins)
        sky = look.chain.sky_rate
        level = display_level(truth, (look.rates - sky[:, None, None]) / white[:, None, None])
        return cls(white, matrix, level, sky)

    def show(self, rates: FloatArray) -> npt.NDArray[np.float32]:
        """Return linear sRGB (rows, columns, 3) of rates (channels, rows, columns), e- s-1 per pixel."""
        above = rates - self.sky.astype(np.float32)[:, None, None]
        return to_screen(above, self.white, self.matrix, self.level)


def truth_colours(scene: Scene) -> npt.NDArray[np.float32]:
    """Return the unblurred scene as linear sRGB relative to a sunlit white, shape (rows, columns, 3).

    A point source fills its cell.
    """
    radiance = scene.radiance
    points = [(point, *_cell_of(scene.grid, point)) for point in scene.points]
    inside = [entry for entry in points if 0 <= entry[1] < scene.grid.rows and 0 <= entry[2] < scene.grid.columns]
    if inside:
        radiance = radiance.copy()
    for point, row, column in inside:
        radiance[:, row, column] += (point.photons / scene.grid.cell_arcsec2).astype(np.float32)
    white = float(to_linear_srgb(solar_photon_flux(scene.bins), scene.bins) @ LUMINANCE)
    return (to_linear_srgb(radiance, scene.bins) / white).astype(np.float32)


def finer_truth(look: ExpectedFrame, truth: FloatArray) -> tuple[FloatArray, Grid]:
    """Return the unblurred scene of a small body with enough cells to look smooth, and their grid.

    Parameters
    ----------
    look : ExpectedFrame
        The average frame.
    truth : array, shape (rows, columns, 3)
        From `truth_colours`; returned where it is fine enough, or where a wide field is asked for.
    """
    grid, seen = look.laid.grid, look.scene.apparition
    width = seen.equatorial_diameter_arcsec
    if width == 0 or look.options.field_arcsec is not None:
        return truth, grid
    diffraction = finest_arcsec(look.instrument.telescope.aperture_mm)
    side = min(max(1.5 * body_width_arcsec(look.body, seen), 16 * diffraction), min(grid.shape) * grid.step_arcsec)
    step = max(width / CELLS_ACROSS, side / CELLS_OF_PANEL)
    if step > 0.75 * grid.step_arcsec:
        return truth, grid
    cells = 2 * math.ceil(side / step / 2)
    fine = Grid(cells, cells, step)
    return truth_colours(render(seen, look.body, fine, look.scene.bins, options=look.options.scene)), fine


def _cell_of(grid: Grid, point: PointSource) -> tuple[int, int]:
    row, column = grid.pixel_of(point.east_arcsec, point.north_arcsec)
    return round(row), round(column)


def display_level(truth: FloatArray, rates: FloatArray) -> float:
    """Return the radiance, relative to a sunlit white, that is shown as 1: one for all panels.

    The brightest part of the unblurred disc is shown at `BRIGHTEST_SHOWN`; for a point the brightest
    part of its blurred picture.

    Parameters
    ----------
    truth : array, shape (rows, columns, 3)
        From `truth_colours`.
    rates : array, shape (channels, rows, columns)
        Blurred picture relative to the same white.
    """
    light = truth @ LUMINANCE.astype(np.float32)
    lit = light[light > 0]
    if lit.size >= 16:
        return max(float(np.quantile(lit, 0.98)), 1e-30) / BRIGHTEST_SHOWN
    return max(float(rates.max(axis=(1, 2)).mean()), 1e-30) / BRIGHTEST_SHOWN
