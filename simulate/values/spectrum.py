"""The spectral bins that a scene carries.

Eight bins of 40 nm over the visible (fine enough that colour, diffraction and dispersion inside one
colour channel are right) and three of 100 nm in the near infrared, where silicon still sees.
Steep spectra are integrated on a fine wavelength scale first and only then summed into bins.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from simulate.errors import InputError


@dataclass(frozen=True)
class SpectralBins:
    """Adjacent wavelength bins.

    Parameters
    ----------
    edges_nm : tuple of float
        Rising edges in nm; n + 1 edges make n bins.
    """

    edges_nm: tuple[float, ...]

    def __post_init__(self) -> None:
        if len(self.edges_nm) < 2 or any(np.diff(self.edges_nm) <= 0):
            raise InputError("spectral bins", self.edges_nm, "the edges must rise")

    def __len__(self) -> int:
        return len(self.edges_nm) - 1

    @property
    def centres_nm(self) -> npt.NDArray[np.float64]:
        """Middle of each bin, nm, shape (bins,)."""
        edges = np.asarray(self.edges_nm)
        return 0.5 * (edges[1:] + edges[:-1])

    @property
    def widths_nm(self) -> npt.NDArray[np.float64]:
        """Width of each bin, nm, shape (bins,)."""
        return np.diff(np.asarray(self.edges_nm))

    def integrate(self, wavelength_nm: npt.ArrayLike, density: npt.ArrayLike) -> npt.NDArray[np.float64]:
        """Integrate a density per nm over each bin; result has shape (bins,).

        Parameters
        ----------
        wavelength_nm : array_like, shape (n,)
            Rising sample points in nm; the density is taken as linear between them and zero outside.
        density : array_like, shape (n,)
            Anything per nm.
        """
        x = np.asarray(wavelength_nm, dtype=float)
        y = np.asarray(density, dtype=float)
        edges = np.asarray(self.edges_nm)
        inside = np.clip(edges, x[0], x[-1])
        points = np.union1d(x, inside)
        values = np.interp(points, x, y)
        running = np.concatenate([[0.0], np.cumsum(0.5 * (values[1:] + values[:-1]) * np.diff(points))])
        return np.diff(np.interp(inside, points, running))


DEFAULT_BINS = SpectralBins((380.0, 420.0, 460.0, 500.0, 540.0, 580.0, 620.0, 660.0, 700.0, 800.0, 900.0, 1000.0))
"""The bins used by every scene unless the caller asks for others."""

METHANE_BINS = SpectralBins((*DEFAULT_BINS.edges_nm[:-2], 872.0, 882.0, 896.0, 906.0, 1000.0))
"""The same for a camera with a filter for the methane band at 889 nm, in which the giant planets are nearly dark."""
