"""Area-weighted coverage of shapes that are given by their chords.

A shape is cut into thin strips across one axis of the grid (the *cross* axis); along the other (the
*scan* axis) each strip holds one interval whose overlap with every cell is exact. The coverage of a
cell is the mean over its strips. Nothing is sampled along the scan axis, so the area of a shape is
kept however it falls on the grid, and a shape much thinner than a cell still gets its right area.
"""

from __future__ import annotations

from dataclasses import dataclass

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

    @property
    def east(self) -> FloatArray:
        """East offset of the window's columns, arcsec, shape (columns,)."""
        return self.grid.east_arcsec()[self.column_start : self.column_stop]

    @property
    def north(self) -> FloatArray:
        """North offset of the window's rows, arcsec, shape (rows,)."""
        return self.grid.north_arcsec()[self.row_start : self.row_stop]


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
    """

    window: Window
    along_north: bool
    per_cell: int

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

    def to_window(self, array: FloatArray) -> FloatArray:
        """Turn an array [..., cross cell, scan cell] into [..., row, column]."""
        return np.swapaxes(array, -1, -2) if self.along_north else array


def coverage(strips: Strips, low: FloatArray, high: FloatArray) -> FloatArray:
    """Return the covered fraction of each cell of the window, shape (rows, columns), float64.

    Parameters
    ----------
    strips : Strips
        The strips.
    low, high : array, shape (strips,)
        Ends of each strip's interval in cell coordinates of the scan axis (`Strips.scan_index`);
        empty where ``high <= low``.
    """
    along, per_cell = strips.cells_along, strips.per_cell
    low = np.clip(low, 0.0, along)
    high = np.clip(high, low, along)
    taken = np.flatnonzero(high > low)
    base = (taken // per_cell) * (along + 1)
    # An interval [0, v] covers each cell below floor(v) wholly and that cell by the rest. Written as
    # differences from one cell to the next, a running sum from the far end gives the coverage.
    index, weight = [], []
    for end, sign in ((high[taken], 1.0), (low[taken], -1.0)):
        whole = np.floor(end).astype(np.int64)
        part = (end - whole) * sign
        index += [base + whole, base + whole - 1]
        weight += [part, sign - part]
    flat = np.concatenate(index)
    kept = np.concatenate([index[0] >= 0, index[1] >= base, index[2] >= 0, index[3] >= base])
    steps = np.bincount(flat[kept], np.concatenate(weight)[kept], strips.cells_across * (along + 1))
    steps = steps.reshape(strips.cells_across, along + 1)
    total = np.cumsum(steps[:, ::-1], axis=1)[:, ::-1][:, :along] / per_cell
    return strips.to_window(np.clip(total, 0.0, 1.0))


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
