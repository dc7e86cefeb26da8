"""The frame kernel: from a path difference over the pupil to the expected electrons of each pixel.

A frame is the truth's spectrum times the transfer of a frozen wavefront. The transfer is band-limited: with n cells
across the pupil (n = D times the field over the wavelength) it vanishes from frequency n on, and a picture of 2n x 2n
cells of the same field holds all of it. So the point response is computed on that small grid, whatever the size of
the picture, and only the frequencies that the telescope passes are multiplied and transformed back, straight onto
the camera's pixels (coarser pixels fold the spectrum, which is what sampling does). All in float32.

Everything here lives in the **camera's frame**: rows grow as the camera's rows do, columns to their left seen on an
unmirrored sky, as `simulate.values.grid` states for the sky itself.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import scipy.fft

from simulate.errors import InputError
from simulate.telescope import Pupil
from simulate.telescope.diffraction import LEAST_SAMPLES, averaged
from simulate.values.constants import ARCSEC_PER_RADIAN

Complex64Array = npt.NDArray[np.complex64]
Float32Array = npt.NDArray[np.float32]
FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True)
class FineGrid:
    """The camera's pixels, each divided into cells fine enough for the telescope.

    Parameters
    ----------
    rows, columns : int
        Pixels.
    factor : int
        Cells along a pixel's side.
    pixel_arcsec : float
        Side of a pixel, arcsec.
    """

    rows: int
    columns: int
    factor: int
    pixel_arcsec: float

    @property
    def cells(self) -> tuple[int, int]:
        """Cells (rows, columns)."""
        return self.rows * self.factor, self.columns * self.factor

    @property
    def step_arcsec(self) -> float:
        """Side of a cell, arcsec."""
        return self.pixel_arcsec / self.factor

    @property
    def field_arcsec(self) -> tuple[float, float]:
        """Height and width of the field, arcsec."""
        return self.rows * self.pixel_arcsec, self.columns * self.pixel_arcsec


def choose_factor(pixel_arcsec: float, aperture_m: float, shortest_nm: float) -> int:
    """Return the fewest cells a pixel at which a cell is at most lambda / 4D.

    Half of what the telescope passes would do for a smooth truth; edges of the disc, drawn as cell means, fold back
    what a coarser cell does not average away.

    Parameters
    ----------
    pixel_arcsec, aperture_m, shortest_nm : float
        Pixel on the sky, aperture in m and shortest wavelength in nm.
    """
    critical = shortest_nm * 1e-9 / (4 * aperture_m) * ARCSEC_PER_RADIAN
    return max(1, math.ceil(pixel_arcsec / critical - 1e-9))


@dataclass(frozen=True)
class BaseGrid:
    """Where the air's path difference is computed: `samples` x `samples`, centred on the pupil.

    Parameters
    ----------
    samples : int
        Samples along a side, a little more than the aperture.
    pitch_m : float
        Their distance, m.
    """

    samples: int
    pitch_m: float

    def place_m(self) -> FloatArray:
        """Distance of the samples from the middle, m, shape (samples,)."""
        return np.asarray((np.arange(self.samples) - (self.samples - 1) / 2) * self.pitch_m, float)


def base_grid(aperture_m: float, fried_m: float) -> BaseGrid:
    """Return samples fine enough for the air: 40 across the aperture and 6 in r0 (at the band's own wavelength).

    What a grid of pitch p leaves out is 0.0863 (2 p / r0)^(5/3) rad2, the spectrum beyond its limit: at most 1.4 %
    of the light is scattered too little.
    """
    across = max(40, math.ceil(6 * aperture_m / fried_m))
    pitch = aperture_m / across
    return BaseGrid(across + 5, pitch)


class Band:
    """One wavelength of one channel: the pupil on the cells that the field asks for, and the way there.

    Parameters
    ----------
    pupil : Pupil
        Amplitude and path difference of the telescope, in the camera's frame.
    grid : FineGrid
        The picture's cells.
    wavelength_nm : float
        Wavelength at which the speckles are computed, nm.
    base : BaseGrid
        Grid of the air's path difference.
    """

    def __init__(self, pupil: Pupil, grid: FineGrid, wavelength_nm: float, base: BaseGrid) -> None:
        self.wavelength_nm = wavelength_nm
        shifts = [wavelength_nm * 1e-9 * ARCSEC_PER_RADIAN / side for side in grid.field_arcsec]
        self.cells = [math.ceil(pupil.diameter_m / shift - 1e-9) for shift in shifts]
        if any(2 * n - 1 > whole for n, whole in zip(self.cells, grid.cells, strict=True)):
            raise InputError("picture cells", grid.step_arcsec, "they must be at most lambda / 2D")
        # a narrow field asks for few cells: they are divided, and frequencies between the wanted ones dropped
        self._stride = [max(1, math.ceil(LEAST_SAMPLES * shift / pupil.diameter_m)) for shift in shifts]
        pitches = [shift / stride for shift, stride in zip(shifts, self._stride, strict=True)]
        number = [math.ceil(pupil.diameter_m / pitch - 1e-9) for pitch in pitches]
        edges = [_edges(n, pitch, pupil) for n, pitch in zip(number, pitches, strict=True)]
        amplitude = averaged(pupil.amplitude_table, *edges)
        weighted = averaged(pupil.opd_table_at(wavelength_nm), *edges)
        opd = np.divide(weighted, amplitude, out=np.zeros_like(weighted), where=amplitude > 1e-9)
        waves = 2 * np.pi / wavelength_nm
        self._amplitude = amplitude.astype(np.float32)
        self._static = (waves * opd).astype(np.float32) if opd.any() else None
        self._left = (waves * _spline_rows(base, number[0], pitches[0])).astype(np.float32)
        self._right = np.ascontiguousarray(_spline_rows(base, number[1], pitches[1]).T.astype(np.float32))
        self.size = [_fast_size(2 * n - 1) for n in number]
        self.base_weight = base_weight(pupil, base)
        ratio = (edges[0][1] - edges[0][0]) * (edges[1][1] - edges[1][0])
        self.open_cells = pupil.open_cells / ratio
        flat = np.square(np.abs(np.fft.fft2(self._amplitude, self.size))).astype(np.float32)
        self._perfect = peak_of(self.transfer(flat, 1), (0.0, 0.0), self.size)

    def add_response(self, opd_nm: Float32Array, total: Float32Array | None) -> Float32Array:
        """Return the intensity of a star under a path difference, added to `total`, shape `size`."""
        phase = self._left @ opd_nm @ self._right
        if self._static is not None:
            phase += self._static
        wave = np.empty(phase.shape, np.complex64)
        np.multiply(np.cos(phase), self._amplitude, out=wave.real)
        np.multiply(np.sin(phase), self._amplitude, out=wave.imag)
        wave = _fft(_fft(wave, self.size[1], 1), self.size[0], 0)
        intensity = np.square(wave.real)
        intensity += np.square(wave.imag)
        if total is None:
            return intensity
        total += intensity
        return total

    def transfer(self, intensity: Float32Array, instants: int) -> Complex64Array:
        """Return the transfer of a summed response, frequencies as `frequencies`, 1 at zero frequency."""
        rows, columns = self.cells
        down, across = self._stride
        half = np.asarray(scipy.fft.rfft(intensity, axis=1))[:, : columns * across : across][:, :columns]
        whole = _fft(np.ascontiguousarray(half), self.size[0], 0)
        if self.size[0] > 2 * rows - 1:
            first = self.size[0] - (rows - 1) * down
            whole = np.concatenate([whole[: rows * down : down][:rows], whole[first::down]])
        whole *= np.float32(1 / (self.open_cells * instants * self.size[0] * self.size[1]))
        # averaging over cells rounds off the cusp of the autocorrelation at zero shift, known to be 1
        whole[0, 0] = 1.0
        return whole

    def crop(self, spectrum: npt.NDArray[np.complexfloating]) -> Complex64Array:
        """Return the frequencies that the telescope passes of an ``rfft2`` on the fine grid."""
        rows, columns = self.cells
        return np.concatenate([spectrum[:rows, :columns], spectrum[spectrum.shape[0] - rows + 1 :, :columns]]).astype(
            np.complex64
        )

    def strehl(self, transfer: Complex64Array, intensity: Float32Array) -> float:
        """Return the peak of a summed response over that of the same telescope without air and faults.

        Parameters
        ----------
        transfer : array
            From `transfer`.
        intensity : array
            The response it was made of; tells where to look for the peak.
        """
        place = np.unravel_index(int(np.argmax(intensity)), intensity.shape)
        size = [whole / stride for whole, stride in zip(self.size, self._stride, strict=True)]
        return peak_of(transfer, [float(p) for p in place], size) / self._perfect


def _edges(number: int, pitch_m: float, pupil: Pupil) -> FloatArray:
    """Edges of the averaging cells in units of the pupil's own."""
    return np.asarray((np.arange(number + 1) - number / 2) * (pitch_m / pupil.step_m) + pupil.samples / 2, float)


def _spline_rows(base: BaseGrid, number: int, pitch_m: float) -> FloatArray:
    """Return the matrix that takes samples on the base grid to cubic-spline values at the cells, (number, samples)."""
    from scipy.interpolate import make_interp_spline

    wanted = (np.arange(number) - (number - 1) / 2) * pitch_m
    return make_interp_spline(base.place_m(), np.eye(base.samples), k=3)(wanted)


def _fast_size(least: int) -> int:
    return int(scipy.fft.next_fast_len(least) or least)


def _fft(values: npt.NDArray, size: int, axis: int) -> Complex64Array:
    return np.asarray(scipy.fft.fft(values, size, axis=axis, overwrite_x=True), np.complex64)


class Picture:
    """Sums the spectra of one channel and turns them into electrons a pixel.

    Parameters
    ----------
    grid : FineGrid
        Pixels and cells.
    """

    def __init__(self, grid: FineGrid) -> None:
        self._grid = grid

    def pixels(self, parts: Iterable[Complex64Array]) -> Float32Array:
        """Return the picture of cropped spectra (`Band.crop` layout), shape (rows, columns) of the camera.

        The spectra belong to electrons a cell, averaged over the pixel's square and moved so that pixel (i, j) is
        centred on cell (factor i, factor j) (`shift_and_pixel`): sampled there they are electrons a pixel.
        """
        parts = list(parts)
        columns = max(part.shape[1] for part in parts)
        rows = self._grid.rows
        total = np.zeros((rows, columns), np.complex64)
        for part in parts:
            _fold_rows(part, total)
        total = np.asarray(scipy.fft.ifft(total, axis=0, overwrite_x=True), np.complex64)
        total = _fold_columns(total, self._grid.columns)
        return np.asarray(scipy.fft.irfft(total, self._grid.columns, axis=1, overwrite_x=True), np.float32)


def _fold_rows(part: Complex64Array, total: Complex64Array) -> None:
    """Add frequencies 0..n-1, -(n-1)..-1 of `part` to the rows that they fall on, modulo the rows of `total`."""
    rows = total.shape[0]
    north = (part.shape[0] + 1) // 2
    columns = part.shape[1]
    for low in range(0, north, rows):
        high = min(low + rows, north)
        total[: high - low, :columns] += part[low:high]
    south = part.shape[0] - north  # frequencies -south .. -1
    for low in range(0, south, rows):
        high = min(low + rows, south)
        total[rows - (high - low) :, :columns] += part[part.shape[0] - high : part.shape[0] - low]


def _fold_columns(half: Complex64Array, columns: int) -> Complex64Array:
    """Return the half spectrum of every row's samples, `columns` of them, from one that reaches further."""
    count = half.shape[1]
    kept = columns // 2 + 1
    if count < kept or (count == kept and columns % 2):
        return half
    result = np.zeros((half.shape[0], kept), np.complex64)
    # frequency f of the row falls on f mod columns; both f and -f (the conjugate) are there
    for frequency_sign in (1, -1):
        signed = frequency_sign * np.arange(0 if frequency_sign == 1 else 1, count)
        target = signed % columns
        inside = target < kept
        values = half[:, np.abs(signed[inside])]
        np.add.at(result.T, target[inside], (values if frequency_sign == 1 else values.conj()).T)
    return result


def shift_and_pixel(grid: FineGrid) -> npt.NDArray[np.inexact]:
    """Return the factor on an ``rfft2`` that averages over the pixel and puts pixel centres on cells.

    A picture of electrons a cell (point-like: the cell's own average is undone by `cell_transfer`) becomes one whose
    every factor-th value, as `Picture` reads it, is the electrons of a pixel.

    Parameters
    ----------
    grid : FineGrid
        Pixels and cells.

    Returns
    -------
    array, shape (cell rows, cell columns // 2 + 1)
    """
    rows, columns = grid.cells
    centre = (grid.factor - 1) / 2
    row, column = np.fft.fftfreq(rows), np.fft.rfftfreq(columns)
    along_row = np.sinc(row * grid.factor) * np.exp(2j * np.pi * row * centre)
    along_column = np.sinc(column * grid.factor) * np.exp(2j * np.pi * column * centre)
    return along_row[:, None] * along_column


def cell_transfer(grid: FineGrid) -> FloatArray:
    """Return what averaging over a cell makes of each frequency, shape (cell rows, cell columns // 2 + 1)."""
    rows, columns = grid.cells
    return np.sinc(np.fft.fftfreq(rows))[:, None] * np.sinc(np.fft.rfftfreq(columns))


def tilt_fit(pupil: Pupil, base: BaseGrid) -> Float32Array:
    """Return the two maps whose sum with a path difference (nm) gives its tilt, arcsec, shape (2, samples, samples).

    Least squares over the open pupil (Z-tilt); row tilt first. A path difference that grows with an index moves
    the picture towards growing indices of that axis.
    """
    weight = base_weight(pupil, base)
    place = base.place_m()
    planes = np.stack(
        [np.ones_like(weight), np.broadcast_to(place[:, None], weight.shape), np.broadcast_to(place, weight.shape)]
    )
    normal = np.einsum("aij,ij,bij->ab", planes, weight, planes)
    maps = np.einsum("ab,bij,ij->aij", np.linalg.inv(normal), planes, weight)[1:]
    return (maps * 1e-9 * ARCSEC_PER_RADIAN).astype(np.float32)


def base_weight(pupil: Pupil, base: BaseGrid) -> Float32Array:
    """Return the open share of the cells around the air's samples, sum 1, shape (samples, samples)."""
    edges = _edges(base.samples, base.pitch_m, pupil)
    weight = averaged(pupil.amplitude_table, edges, edges)
    return (weight / weight.sum()).astype(np.float32)


def tilt_planes(base: BaseGrid) -> Float32Array:
    """Return the path differences in nm of one arcsec of tilt along rows and columns, shape (2, samples, samples)."""
    slope = base.place_m() * 1e9 / ARCSEC_PER_RADIAN
    shape = (base.samples, base.samples)
    return np.stack([np.broadcast_to(slope[:, None], shape), np.broadcast_to(slope, shape)]).astype(np.float32)


def peak_of(transfer: Complex64Array, start: Sequence[float], size: Sequence[float]) -> float:
    """Return the highest value near a peak of the response that belongs to a cropped transfer.

    Parameters
    ----------
    transfer : array
        Layout of `Band.crop`.
    start : pair of float
        Index of the highest sample on a grid of `size` cells of the same field.
    size : pair of float
        See `start`.

    Returns
    -------
    float
        Sum of the transfer over all frequencies, the phases turned to the peak.
    """
    rows, columns = (transfer.shape[0] + 1) // 2, transfer.shape[1]
    offsets = np.linspace(-0.5, 0.5, 5)
    frequency_row = np.concatenate([np.arange(rows), np.arange(-rows + 1, 0)])
    turn_row = np.exp(2j * np.pi / size[0] * np.outer(start[0] + offsets, frequency_row))
    turn_column = np.exp(2j * np.pi / size[1] * np.outer(np.arange(columns), start[1] + offsets))
    turn_column[1:] *= 2  # the other half of the spectrum is the conjugate
    return float((turn_row.astype(np.complex64) @ transfer @ turn_column.astype(np.complex64)).real.max())
