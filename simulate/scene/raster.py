"""Area-weighted coverage of shapes that are given by their chords.

A shape is cut into thin strips across one axis of the grid (the *cross* axis); along the other (the
*scan* axis) each strip holds one interval whose overlap with every cell is exact. The coverage of a
cell is the mean over its strips. Nothing is sampled along the scan axis, so the area of a shape is
kept however it falls on the grid, and a shape much thinner than a cell still gets its right area.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from simulate.values.grid import Grid

FloatArray = npt.NDArray[np.floating]


@dataclass(frozen=True)
class Window:
    """A rectangle of cells of a grid.

    Parameters
    ----------
    grid : Grid
        The whole grid.
    row_start, row_stop, column_start, column_stop : int
        Half-open ranges of cells.
    """

    grid: Grid
    row_start: int
    row_stop: int
    column_start: int
    column_stop: int

    @property
    def shape(self) -> tuple[int, int]:
        """(rows, columns) of the window."""
        return (max(0, self.row_stop - self.row_start), max(0, self.column_stop - self.column_start))

    @property
    def empty(self) -> bool:
        """Whether no cell is inside."""
        return 0 in self.shape

    @property
    def slices(self) -> tuple[slice, slice]:
        """Index of the window in arrays of the whole grid."""
        return slice(self.row_start, self.row_stop), slice(self.column_start, self.column_stop)

    def within(self, other: Window) -> tuple[slice, slice]:
        """Index of this window in arrays of a larger one that holds it."""
        rows = slice(self.row_start - other.row_start, self.row_stop - other.row_start)
        return rows, slice(self.column_start - other.column_start, self.column_stop - other.column_start)

    @property
    def east(self) -> FloatArray:
        """East offset of the window's columns, arcsec, shape (columns,)."""
        return self.grid.east_arcsec()[self.column_start : self.column_stop]

    @property
    def north(self) -> FloatArray:
        """North offset of the window's rows, arcsec, shape (rows,)."""
        return self.grid.north_arcsec()[self.row_start : self.row_stop]


def overlap(one: Window, other: Window) -> Window:
    """Return the cells that two windows of one grid share."""
    return Window(
        one.grid,
        max(one.row_start, other.row_start),
        max(min(one.row_stop, other.row_stop), 0),
        max(one.column_start, other.column_start),
        max(min(one.column_stop, other.column_stop), 0),
    )


def window_around(grid: Grid, east_arcsec: float, north_arcsec: float, half_east: float, half_north: float) -> Window:
    """Return the cells of `grid` within a rectangle of half widths in arcsec, one cell to spare."""
    row, column = grid.pixel_of(east_arcsec, north_arcsec)
    rows, columns = half_north / grid.step_arcsec + 1.5, half_east / grid.step_arcsec + 1.5
    return Window(
        grid,
        int(np.clip(np.floor(row - rows), 0, grid.rows)),
        int(np.clip(np.ceil(row + rows) + 1, 0, grid.rows)),
        int(np.clip(np.floor(column - columns), 0, grid.columns)),
        int(np.clip(np.ceil(column + columns) + 1, 0, grid.columns)),
    )


@dataclass(frozen=True, eq=False)
class Strips:
    """Thin strips over a window, and how places on them map to the sky.

    Parameters
    ----------
    window : Window
        The cells that are covered.
    along_north : bool
        True: the strips run north-south (scan axis = rows), else east-west.
    per_cell : int
        Strips across one cell.
    points_per_stretch : int
        Points on which a brightness is taken along a strip within a cell.
    """

    window: Window
    along_north: bool
    per_cell: int
    points_per_stretch: int = 2

    @property
    def cells_across(self) -> int:
        """Cells along the cross axis."""
        return self.window.shape[1] if self.along_north else self.window.shape[0]

    @property
    def cells_along(self) -> int:
        """Cells along the scan axis."""
        return self.window.shape[0] if self.along_north else self.window.shape[1]

    def cross_arcsec(self) -> FloatArray:
        """Sky offset (east for north-south strips, north for east-west ones) of each strip, arcsec."""
        step = self.window.grid.step_arcsec
        inside = (np.arange(self.per_cell) + 0.5) / self.per_cell - 0.5
        centres = self.window.east if self.along_north else self.window.north
        sign = -step if self.along_north else step
        return (centres[:, None] + sign * inside[None, :]).ravel()

    def scan_index(self, offset_arcsec: FloatArray) -> FloatArray:
        """Turn sky offsets along the scan axis into cell coordinates; cell i spans [i, i+1]."""
        step = self.window.grid.step_arcsec
        if self.along_north:
            return (offset_arcsec - self.window.north[0]) / step + 0.5
        return (self.window.east[0] - offset_arcsec) / step + 0.5

    def scan_offset(self, index: FloatArray) -> FloatArray:
        """Turn cell coordinates along the scan axis into sky offsets, arcsec."""
        step = self.window.grid.step_arcsec
        if self.along_north:
            return self.window.north[0] + (index - 0.5) * step
        return self.window.east[0] - (index - 0.5) * step

    def to_window(self, array: npt.NDArray[Any]) -> npt.NDArray[Any]:
        """Turn an array [..., cross cell, scan cell] into [..., row, column]."""
        return np.swapaxes(array, -1, -2) if self.along_north else array


def coverage(strips: Strips, low: FloatArray, high: FloatArray) -> FloatArray:
    """Return the covered fraction of each cell of the window, shape (rows, columns).

    Parameters
    ----------
    strips : Strips
        The strips.
    low, high : array, shape (strips,)
        Ends of each strip's interval in cell coordinates of the scan axis (`Strips.scan_index`);
        empty where ``high <= low``.
    """
    return np.clip(weighted_coverage(strips, low[None], high[None], np.ones((1, 1)))[0], 0.0, 1.0)


def weighted_coverage(strips: Strips, low: FloatArray, high: FloatArray, weights: FloatArray) -> FloatArray:
    """Return weighted sums of the coverages of several shapes, shape (sums, rows, columns).

    Parameters
    ----------
    strips : Strips
        The strips.
    low, high : array, shape (shapes, strips)
        As in `coverage`.
    weights : array, shape (sums, shapes)
        Weight of each shape in each sum.
    """
    along, across = strips.cells_along, strips.cells_across
    low = np.clip(low, 0.0, along)
    high = np.clip(high, low, along)
    shape, strip = np.nonzero(high > low)
    # A stretch from v on covers the rest of the cell that holds v and all cells after it. Written as
    # differences from one cell to the next, these are two numbers, and a running sum undoes it.
    index, share = [], []
    for end, sign in ((low[shape, strip], 1.0), (high[shape, strip], -1.0)):
        whole = end.astype(np.intp)
        part = sign * (end - whole)
        index += [whole, whole + 1]
        share += [sign - part, part]
    place = np.concatenate(index) * across + np.tile(strip // strips.per_cell, 4)
    amount, which = np.concatenate(share) / strips.per_cell, np.tile(shape, 4)
    total = np.empty((len(weights), along, across))
    for weight, out in zip(weights, total, strict=True):
        steps = np.bincount(place, amount * weight[which], (along + 2) * across)
        np.cumsum(steps.reshape(along + 2, across)[:along], axis=0, out=out)
    return total if strips.along_north else np.swapaxes(total, -1, -2)


def quadratic_chords(
    strips: Strips,
    form: FloatArray,
    centre: tuple[float, float] = (0.0, 0.0),
    *,
    mean: bool = False,
) -> tuple[FloatArray, FloatArray]:
    """Return middle and half length (sky offsets, arcsec) of the chords of an ellipse.

    Parameters
    ----------
    strips : Strips
        The strips that cut it.
    form : array, shape (2, 2)
        The ellipse is ``w^T form w <= 1`` for w = (east, north) from its centre, arcsec.
    centre : (float, float)
        (east, north) of its centre, arcsec.
    mean : bool
        Give the half length's mean over the width of each strip, which keeps the area exactly, in
        place of its value in the strip's middle.

    Returns
    -------
    middle, half : array, shape (strips,)
        `half` is 0 where a strip misses the ellipse.
    """
    scan, cross = (1, 0) if strips.along_north else (0, 1)
    across = strips.cross_arcsec() - centre[cross]
    a = form[scan, scan]
    determinant = float(np.linalg.det(form))
    reach = np.sqrt(a / determinant)
    unit = np.sqrt(determinant) / a
    if mean:
        width = strips.window.grid.step_arcsec / strips.per_cell
        upper, lower = (np.clip((across + side) / reach, -1.0, 1.0) for side in (0.5 * width, -0.5 * width))
        half = unit * reach**2 * (_circle_integral(upper) - _circle_integral(lower)) / width
    else:
        half = unit * np.sqrt(np.maximum(reach**2 - across**2, 0.0))
    return centre[scan] - form[scan, cross] / a * across, half


def _circle_integral(x: FloatArray) -> FloatArray:
    """Return the integral of sqrt(1 - x^2) from 0 to x."""
    return 0.5 * (x * np.sqrt(1.0 - x * x) + np.arcsin(x))
