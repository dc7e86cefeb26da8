"""Diffraction: from the pupil to transfer functions on a grid and to point responses.

The transfer function of an optical system in incoherent light is the autocorrelation of its pupil
(Goodman, Introduction to Fourier Optics, chapter 6). On a grid of ``n`` cells of step ``s`` the
frequencies are ``k / (n s)``, hence shifts of the pupil by ``k lambda / (n s)``: the pupil is averaged
onto cells of that size (or a whole fraction of it) and correlated with itself by two transforms.
"""

from __future__ import annotations

import math
from dataclasses import replace
from functools import lru_cache

import numpy as np
import numpy.typing as npt
from scipy import fft

from simulate.errors import InputError
from simulate.telescope.pupil import Float64Array, Pupil
from simulate.values.arrays import frozen_array
from simulate.values.constants import ARCSEC_PER_RADIAN
from simulate.values.grid import Grid

Complex64Array = npt.NDArray[np.complex64]
Float32Array = npt.NDArray[np.float32]

LEAST_SAMPLES = 64
"""Fewest cells across the aperture at which a transfer function is computed: right to 5e-4, and to
2e-3 within two frequency steps of zero."""

MOST_SAMPLES = 4096
"""A field so wide that the pupil would need more cells than this is refused."""


def transfer(
    pupil: Pupil,
    grid: Grid,
    wavelength_nm: float,
    extra_opd_nm: npt.NDArray[np.floating] | None = None,
) -> Complex64Array:
    """Return the optical transfer function on the frequencies of a grid.

    Parameters
    ----------
    pupil : Pupil
        Amplitude and path difference.
    grid : Grid
        Any shape and step. Frequencies beyond the reach of a step coarser than lambda / 2D are left
        out, never folded back.
    wavelength_nm : float
        Wavelength, nm.
    extra_opd_nm : array, shape of the pupil, optional
        A further path difference (turbulence, say), nm, positive where the wave is ahead.

    Returns
    -------
    array, shape (rows, columns // 2 + 1), complex64
        In the layout of ``rfft2``; 1 at zero frequency and 0 beyond the cut-off D / lambda. The
        product with the ``rfft2`` of a picture blurs it and leaves its flux and place.

    Raises
    ------
    InputError
        For a wavelength that is not positive, a wrong shape of `extra_opd_nm`, or a field wider than
        `MOST_SAMPLES` times lambda / D.
    """
    if not (math.isfinite(wavelength_nm) and wavelength_nm > 0):
        raise InputError("wavelength", wavelength_nm, "give a positive length in nm")
    if extra_opd_nm is not None:
        if extra_opd_nm.shape != pupil.opd_nm.shape:
            raise InputError("extra path difference", extra_opd_nm.shape, f"its shape must be {pupil.opd_nm.shape}")
        pupil = replace(pupil, opd_nm=(pupil.opd_nm + extra_opd_nm).astype(np.float32))
    rows, row_stride = _cells(pupil, grid.rows, grid.step_arcsec, wavelength_nm)
    columns, column_stride = _cells(pupil, grid.columns, grid.step_arcsec, wavelength_nm)
    amplitude = averaged(pupil.amplitude_table, rows, columns)
    shape = (len(rows) - 1, len(columns) - 1)
    size = _fast_sizes(shape, (grid.rows // 2 * row_stride, grid.columns // 2 * column_stride))
    open_cells = pupil.open_cells / ((rows[1] - rows[0]) * (columns[1] - columns[0]))
    if pupil.flat:
        correlation = _correlate_real(amplitude.astype(np.float32), size)
    else:
        weighted = averaged(pupil.opd_table_at(wavelength_nm), rows, columns)
        opd = np.divide(weighted, amplitude, out=np.zeros_like(weighted), where=amplitude > 0)
        correlation = _correlate(_wave(amplitude, opd, wavelength_nm), size)
    result = _spread(correlation, grid, shape, (row_stride, column_stride))
    result *= np.float32(1.0 / open_cells)
    # averaging over cells rounds off the cusp of the autocorrelation at zero shift, known to be 1
    result[0, 0] = 1.0
    return result


@lru_cache(maxsize=8)
def transfers(pupil: Pupil, grid: Grid, wavelengths_nm: tuple[float, ...]) -> Complex64Array:
    """Return the transfer functions at several wavelengths, kept for the next call.

    Parameters
    ----------
    pupil : Pupil
        As for `transfer`; recognised by identity, as `make_pupil` returns it.
    grid : Grid
        As for `transfer`.
    wavelengths_nm : tuple of float
        Wavelengths, nm; ``tuple(bins.centres_nm)`` for spectral bins.

    Returns
    -------
    array, shape (wavelengths, rows, columns // 2 + 1), complex64, read-only
    """
    result = np.empty((len(wavelengths_nm), grid.rows, grid.columns // 2 + 1), np.complex64)
    for plane, wavelength in zip(result, wavelengths_nm, strict=True):
        plane[:] = transfer(pupil, grid, wavelength)
    return frozen_array(result)


def point_response(pupil: Pupil, wavelength_nm: float, step_arcsec: float, size: int) -> Float32Array:
    """Return the share of a star's light that falls into each cell around it, by a matrix transform.

    Parameters
    ----------
    pupil : Pupil
        Amplitude and path difference.
    wavelength_nm, step_arcsec : float
        Wavelength in nm and side of a cell in arcsec. The density at the cell's middle is taken: let
        cells be small against lambda / D.
    size : int
        Cells along a side; the star is at index ((size - 1) / 2, (size - 1) / 2).

    Returns
    -------
    array, shape (size, size), float32
        Rows to the north, columns to the west. Normalised by the energy in the pupil, so the sum
        falls short of 1 by what lies outside the field.
    """
    if wavelength_nm <= 0 or step_arcsec <= 0 or size < 1:
        raise InputError("point response", (wavelength_nm, step_arcsec, size), "all three must be positive")
    place = (np.arange(pupil.samples) - (pupil.samples - 1) / 2) * pupil.step_m
    angle = (np.arange(size) - (size - 1) / 2) * step_arcsec / ARCSEC_PER_RADIAN
    wavelength_m = wavelength_nm * 1e-9
    kernel = np.exp(-2j * np.pi / wavelength_m * np.outer(angle, place)).astype(np.complex64)
    field = pupil.amplitude * np.exp(1j * np.float32(2.0 * np.pi / wavelength_nm) * pupil.opd_nm_at(wavelength_nm))
    wave = kernel @ field.astype(np.complex64) @ kernel.T
    scale = pupil.step_m**2 / (wavelength_m * math.sqrt(pupil.area_m2)) * step_arcsec / ARCSEC_PER_RADIAN
    return (np.square(wave.real) + np.square(wave.imag)) * np.float32(scale**2)


def _cells(pupil: Pupil, count: int, step_arcsec: float, wavelength_nm: float) -> tuple[Float64Array, int]:
    """Edges of the averaging cells in units of the pupil's own, and how many make one frequency step."""
    shift_m = wavelength_nm * 1e-9 / (count * step_arcsec / ARCSEC_PER_RADIAN)
    across = pupil.diameter_m / shift_m
    if across > MOST_SAMPLES:
        wanted = f"the field must be less than {MOST_SAMPLES} times lambda / D"
        raise InputError("grid", f"{count} cells of {step_arcsec:.4g} arcsec", wanted)
    stride = max(1, math.ceil(LEAST_SAMPLES / across))
    number = max(1, math.ceil(across * stride - 1e-9))
    index = np.arange(number + 1, dtype=np.float64) - number / 2
    edges = index * (shift_m / stride / pupil.step_m) + pupil.samples / 2
    return edges, stride


def averaged(table: Float64Array, rows: Float64Array, columns: Float64Array) -> Float64Array:
    """Average a map over the cells between given edges, from its summed-area table.

    Parameters
    ----------
    table : array, shape (n + 1, m + 1)
        Of `simulate.telescope.pupil.summed_area`.
    rows, columns : arrays of evenly spaced edges
        In units of the map's cells, from its first edge; outside, the map counts as zero.

    Returns
    -------
    array, shape (len(rows) - 1, len(columns) - 1)
        Exact averages.
    """
    sums = _differences(_differences(table, rows).T, columns).T
    return sums / ((rows[1] - rows[0]) * (columns[1] - columns[0]))


def _differences(table: Float64Array, edges: Float64Array) -> Float64Array:
    inside = np.clip(edges, 0.0, table.shape[0] - 1.0)
    low = np.minimum(inside.astype(np.intp), table.shape[0] - 2)
    part = (inside - low)[:, None]
    return np.diff(table[low] * (1.0 - part) + table[low + 1] * part, axis=0)


def _wave(amplitude: Float64Array, opd_nm: Float64Array, wavelength_nm: float) -> Complex64Array:
    phase = (opd_nm * (2.0 * np.pi / wavelength_nm)).astype(np.float32)
    wave = np.empty(phase.shape, np.complex64)
    np.cos(phase, out=wave.real)
    np.sin(phase, out=wave.imag)
    wave *= amplitude.astype(np.float32)
    return wave


def _fast_sizes(shape: tuple[int, int], reach: tuple[int, int]) -> tuple[int, int]:
    """Sizes of transforms at which no shift up to `reach` makes the pupil meet its own repetition."""
    rows, columns = (
        int(fft.next_fast_len(count + min(most, count - 1)) or 0) for count, most in zip(shape, reach, strict=True)
    )
    return rows, columns


def _correlate_real(field: Float32Array, size: tuple[int, int]) -> Float32Array:
    """Autocorrelation of a real pupil; shift zero first."""
    wave = np.asarray(fft.rfft2(field, size), np.complex64)
    return np.asarray(fft.irfft2(np.square(wave.real) + np.square(wave.imag), size), np.float32)


def _correlate(field: Complex64Array, size: tuple[int, int]) -> Complex64Array:
    """Autocorrelation of a complex pupil, non-negative shifts along columns; shift zero first."""
    rows, columns = size
    wave = np.asarray(fft.fft(fft.fft(field, columns, axis=1), rows, axis=0), np.complex64)
    power = np.square(wave.real) + np.square(wave.imag)
    return np.asarray(fft.rfft2(power), np.complex64) * np.complex64(1.0 / (rows * columns))


def _spread(
    correlation: npt.NDArray[np.inexact], grid: Grid, cells: tuple[int, int], stride: tuple[int, int]
) -> Complex64Array:
    """Put the wanted shifts at their frequencies in the layout of ``rfft2``."""
    result = np.zeros((grid.rows, grid.columns // 2 + 1), np.complex64)
    columns = min((cells[1] - 1) // stride[1], grid.columns // 2) + 1
    north = min((cells[0] - 1) // stride[0], (grid.rows - 1) // 2) + 1
    south = min((cells[0] - 1) // stride[0], grid.rows // 2)
    thinned = correlation[:, : columns * stride[1] : stride[1]]
    result[:north, :columns] = thinned[: north * stride[0] : stride[0]]
    if south:
        first = correlation.shape[0] - south * stride[0]
        result[-south:, :columns] = thinned[first :: stride[0]]
    return result
