"""A tangent-plane grid on the sky, and the one statement of orientation in this project.

Arrays are indexed ``[row, column]``. **Rows grow to the north, columns grow to the west**: with
row 0 at the bottom (as FITS viewers and ``origin="lower"`` draw it) north is up and east is left,
as on the sky. Offsets on the sky are (east, north) in arcsec, positive to the east and the north.
Only the camera (its angle, mirrors) and the presentation (image files whose first row is the top)
turn anything.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from simulate.errors import InputError

FloatArray = npt.NDArray[np.floating]


@dataclass(frozen=True)
class Grid:
    """A regular grid of square cells on the tangent plane at the body's centre.

    Parameters
    ----------
    rows, columns : int
        Size of the arrays that live on it.
    step_arcsec : float
        Side of a cell, arcsec.
    middle_east_arcsec, middle_north_arcsec : float
        Where the middle of the grid, index ((rows-1)/2, (columns-1)/2), lies on the sky
        relative to the body's centre, arcsec.
    """

    rows: int
    columns: int
    step_arcsec: float
    middle_east_arcsec: float = 0.0
    middle_north_arcsec: float = 0.0

    def __post_init__(self) -> None:
        if self.rows < 1 or self.columns < 1:
            raise InputError("grid size", (self.rows, self.columns), "both must be at least 1")
        if not (math.isfinite(self.step_arcsec) and self.step_arcsec > 0):
            raise InputError("grid step", self.step_arcsec, "it must be a positive angle in arcsec")

    @property
    def shape(self) -> tuple[int, int]:
        """(rows, columns)."""
        return (self.rows, self.columns)

    @property
    def cell_arcsec2(self) -> float:
        """Solid angle of a cell, arcsec2."""
        return self.step_arcsec**2

    def east_arcsec(self) -> FloatArray:
        """East offset of each column's centre, arcsec, shape (columns,); falls with the index."""
        index = np.arange(self.columns) - (self.columns - 1) / 2
        return self.middle_east_arcsec - index * self.step_arcsec

    def north_arcsec(self) -> FloatArray:
        """North offset of each row's centre, arcsec, shape (rows,)."""
        index = np.arange(self.rows) - (self.rows - 1) / 2
        return self.middle_north_arcsec + index * self.step_arcsec

    def pixel_of(self, east_arcsec: float, north_arcsec: float) -> tuple[float, float]:
        """Return the fractional (row, column) of a place given in arcsec east and north."""
        row = (north_arcsec - self.middle_north_arcsec) / self.step_arcsec + (self.rows - 1) / 2
        column = (self.middle_east_arcsec - east_arcsec) / self.step_arcsec + (self.columns - 1) / 2
        return row, column

    def frequency_west(self) -> FloatArray:
        """Frequencies along the columns' axis, cycles/arcsec, layout of ``rfft``."""
        return np.fft.rfftfreq(self.columns, self.step_arcsec)

    def frequency_north(self) -> FloatArray:
        """Frequencies along the rows' axis, cycles/arcsec, layout of ``fft``."""
        return np.fft.fftfreq(self.rows, self.step_arcsec)

    def frequency(self) -> FloatArray:
        """Length of the frequency vector, cycles/arcsec, shape (rows, columns//2+1) as ``rfft2``."""
        return np.hypot(self.frequency_north()[:, None], self.frequency_west()[None, :])

    def shift_phase(self, east_arcsec: float, north_arcsec: float) -> npt.NDArray[np.complexfloating]:
        """Return the factor on ``rfft2`` that moves a picture by (east, north) arcsec.

        Shape (rows, columns//2+1). The Fourier shift theorem; columns grow to the west, hence the
        sign of the east term.
        """
        north = np.exp(-2j * np.pi * self.frequency_north() * north_arcsec)
        west = np.exp(2j * np.pi * self.frequency_west() * east_arcsec)
        return north[:, None] * west[None, :]

    def finer(self, factor: int) -> Grid:
        """Return the grid of the same field with `factor` times smaller cells."""
        return Grid(
            self.rows * factor,
            self.columns * factor,
            self.step_arcsec / factor,
            self.middle_east_arcsec,
            self.middle_north_arcsec,
        )


def half_plane_weights(columns: int) -> FloatArray:
    """Return how often each column of an ``rfft2`` stands in the whole plane, shape (columns//2+1,): once or twice."""
    weights = np.full(columns // 2 + 1, 2.0)
    weights[0] = 1.0
    if columns % 2 == 0:
        weights[-1] = 1.0
    return weights
