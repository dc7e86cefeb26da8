"""Numbers that describe a response: Strehl ratio, encircled energy, width."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.special import j0, j1

from simulate.errors import InputError
from simulate.telescope.diffraction import transfer
from simulate.telescope.pupil import Float64Array, Pupil
from simulate.values.constants import ARCSEC_PER_RADIAN
from simulate.values.grid import Grid


def strehl(pupil: Pupil, wavelength_nm: float) -> float:
    """Return the intensity on the axis relative to that of the same pupil without faults.

    Parameters
    ----------
    pupil : Pupil
        Amplitude and path difference; a tilt of the wave counts as loss.
    wavelength_nm : float
        Wavelength, nm.
    """
    phase = 2.0 * np.pi / wavelength_nm * pupil.opd_nm_at(wavelength_nm).astype(np.float64)
    wave = (pupil.amplitude * np.exp(1j * phase)).sum() / pupil.open_cells
    return float(abs(wave) ** 2)


def radial_transfer(values: npt.NDArray[np.inexact], grid: Grid) -> tuple[Float64Array, Float64Array, Float64Array]:
    """Average a transfer function over rings of frequency, one frequency step wide.

    Parameters
    ----------
    values : array, shape (rows, columns // 2 + 1)
        Any transfer function in the layout of ``rfft2``.
    grid : Grid
        The grid it belongs to.

    Returns
    -------
    frequency, mean, weight : arrays, shape (rings,)
        Mean frequency of each ring in cycles/arcsec, mean real part there, and the area of the ring
        in (cycles/arcsec)^2.
    """
    frequency = grid.frequency()
    weight = np.full(frequency.shape, 1.0 / (grid.rows * grid.columns * grid.cell_arcsec2))
    # the layout leaves out the mirrored half, all but the first (and for even sizes the last) column
    weight[:, 1 : (grid.columns + 1) // 2] *= 2.0
    step = 1.0 / (max(grid.rows, grid.columns) * grid.step_arcsec)
    ring = np.rint(frequency / step).astype(np.intp).ravel()
    area = np.bincount(ring, weight.ravel()).astype(np.float64)
    found = area > 0
    mean = np.bincount(ring, (weight * values.real).ravel())[found] / area[found]
    middle = np.bincount(ring, (weight * frequency).ravel())[found] / area[found]
    return middle, mean, area[found]


def transfer_fwhm_arcsec(values: npt.NDArray[np.inexact], grid: Grid) -> float:
    """Return the full width at half maximum of the response behind a transfer function, arcsec.

    The width of the response averaged over all directions: its profile is the Hankel transform of the
    ring averages of the transfer function, so neither the grid's step nor its place limits it.

    Parameters
    ----------
    values : array, shape (rows, columns // 2 + 1)
        Any product of transfer functions, in the layout of ``rfft2``.
    grid : Grid
        The grid it belongs to. If the transfer is not small at the grid's highest frequency, the
        width is that of the band-limited response.

    Raises
    ------
    InputError
        If the response has no half-maximum within a quarter of the field.
    """
    frequency, mean, area = radial_transfer(values, grid)
    weight = mean * area
    half = 0.5 * float(weight.sum())
    reach = min(grid.rows, grid.columns) * grid.step_arcsec / 4.0
    radii = np.linspace(0.0, reach, 257)
    ends = heights = np.zeros(2)
    for _ in range(2):  # once over the field, once inside the step where it falls below
        profile = j0(2.0 * np.pi * np.outer(radii, frequency)) @ weight
        below = int(np.argmax(profile < half))
        if below == 0:
            raise InputError("field", f"{4 * reach:.3g} arcsec", "it is too small for the width of the response")
        ends, heights = radii[below - 1 : below + 1], profile[below - 1 : below + 1]
        radii = np.linspace(ends[0], ends[1], 33)
    return 2.0 * float(np.interp(-half, -heights, ends))


def transfer_encircled_energy(values: npt.NDArray[np.inexact], grid: Grid, radius_arcsec: float) -> float:
    """Return the share of the light within a radius, from a transfer function.

    The transform of a disc of radius R is R J1(2 pi f R) / f (Goodman, Introduction to Fourier
    Optics, chapter 2). The field repeats: let it be many times the radius.
    """
    frequency, mean, area = radial_transfer(values, grid)
    safe = np.maximum(frequency, 1e-30)
    disc = radius_arcsec * j1(2.0 * np.pi * safe * radius_arcsec) / safe
    return float((mean * area * np.where(frequency > 0, disc, np.pi * radius_arcsec**2)).sum())


def _own_grid(pupil: Pupil, wavelength_nm: float) -> Grid:
    """Grid on whose frequencies the pupil is correlated at (almost) its full sampling."""
    cells = 2 * min(pupil.samples, 512)
    return Grid(cells, cells, 0.5 * wavelength_nm * 1e-9 / pupil.diameter_m * ARCSEC_PER_RADIAN)


def fwhm_arcsec(pupil: Pupil, wavelength_nm: float) -> float:
    """Return the full width at half maximum of the diffraction pattern, averaged over angle, arcsec."""
    grid = _own_grid(pupil, wavelength_nm)
    return transfer_fwhm_arcsec(transfer(pupil, grid, wavelength_nm), grid)
