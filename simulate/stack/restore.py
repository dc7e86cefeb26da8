"""Restoration whose strength follows the noise, and what it does to sharpness and to the limb.

Two ways: as far as the noise allows, or by a Gaussian as wide as the blur, as one does by eye (`Restoring`).

The first filter is Wiener's: at each frequency the blur is undone as far as signal stands above noise.
Signal there is estimated from the picture itself: its power less that of the noise, as a power law
fitted where the picture stands clear of the noise (the edge of a disc gives amplitude f^-1.5, power
f^-3). Nothing is set by hand. The final transfer never exceeds 1 and, where the blur falls steadily,
never rises; such a response overshoots an edge by at most 8.95 % (Gibbs). It is tapered further
until the overshoot stays within `ringing_limit`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import scipy.fft

from simulate.errors import InputError
from simulate.stack.results import FloatArray, Restored
from simulate.values.constants import FWHM_PER_SIGMA
from simulate.values.grid import half_plane_weights
from simulate.values.practice import Practice

RINGING_LIMIT = 0.02
"""Largest overshoot of a sharp limb that restoration may cause, as a share of its brightness."""

SMALLEST_TRANSFER = 1e-4
"""Below this the blur has destroyed a frequency for any number of frames that a night holds."""

MODEL_ERROR = 0.02
"""How well a response is known, as a share of its value at zero frequency. Where the response has
fallen below, what is left of it cannot be told from what is not known: colours that differ from place
to place are blurred differently, and nobody measures a response better (common practice)."""

CLEAR_POWER = 4.0
"""Picture power over noise power from which a ring of frequencies enters the fit of the signal."""


@dataclass(frozen=True)
class Restoring:
    """How blur is undone.

    Parameters
    ----------
    kind : str
        "wiener": as far as the noise allows; "gaussian": by the inverse of a Gaussian as wide as the blur,
        whatever the noise, within what the camera's pixels carry.
    largest_gain : float
        No frequency is amplified more.
    model_error : float
        Of Wiener's filter: error of the response, as a share of its value at zero frequency; its effect
        counts as noise.
    ringing_limit : float
        Of Wiener's filter: largest overshoot at a sharp limb; 0.09 or more leaves it as it is.
    """

    kind: str = "wiener"
    largest_gain: float = math.inf
    model_error: float = MODEL_ERROR
    ringing_limit: float = RINGING_LIMIT

    @classmethod
    def by(cls, practice: Practice) -> Restoring:
        """Return how a hand restores."""
        most = math.inf if practice.restoration_gain is None else practice.restoration_gain
        return cls(practice.restoration, most, practice.response_error)


AS_NOISE_ALLOWS = Restoring()
"""Restoration limited by noise and by how well the blur is known at best."""


@dataclass(frozen=True, eq=False)
class Rings:
    """Rings of equal frequency on an ``rfft2`` plane.

    Parameters
    ----------
    index : array of int, shape (rows, columns//2+1)
        Ring of each frequency; rings are one step of the coarser axis wide.
    weight : array, shape (columns//2+1,)
        2 for columns that stand for two frequencies, else 1.
    radius : array, shape (rows, columns//2+1)
        Frequency, cycles/arcsec.
    centres : array, shape (rings,)
        Mean frequency of each ring, cycles/arcsec.
    """

    index: npt.NDArray[np.intp]
    weight: FloatArray
    radius: FloatArray
    centres: FloatArray

    def mean(self, values: FloatArray) -> FloatArray:
        """Return the mean of `values`, (rows, columns//2+1), over each ring."""
        weight = np.broadcast_to(self.weight, values.shape).ravel()
        flat = self.index.ravel()
        total = np.bincount(flat, weight * values.ravel(), minlength=len(self.centres))
        return total / np.maximum(np.bincount(flat, weight, minlength=len(self.centres)), 1)


def rings_of(shape: tuple[int, int], step_arcsec: float) -> Rings:
    """Return the rings for pictures of `shape` (rows, columns) with cells of `step_arcsec`."""
    north = np.fft.fftfreq(shape[0], step_arcsec)
    west = np.fft.rfftfreq(shape[1], step_arcsec)
    radius = np.hypot(north[:, None], west[None, :])
    width = 1.0 / (min(shape) * step_arcsec)
    index = np.rint(radius / width).astype(np.intp)
    return Rings(index, half_plane_weights(shape[1]), radius, np.arange(index.max() + 1) * width)


def restore(
    picture: FloatArray,
    noise: FloatArray,
    transfer: npt.NDArray[Any],
    step_arcsec: float,
    *,
    noise_spectrum: FloatArray | None = None,
    common: bool = True,
    how: Restoring = AS_NOISE_ALLOWS,
    pixel_arcsec: float | None = None,
) -> Restored:
    """Undo the blur of a picture.

    The level of the sky, taken from the border, is set aside first, so that the periodic transform
    sees no step at the edge, and is put back after.

    Parameters
    ----------
    picture : array, shape (channels, rows, columns)
        Any linear unit.
    noise : array, shape (channels, rows, columns)
        Standard deviation of `picture`, same unit.
    transfer : array, shape (channels, rows, columns//2+1)
        Response from the truth to `picture`, 1 at zero frequency; complex where it shifts (its shifts
        are undone too). Layout of ``rfft2``.
    step_arcsec : float
        Side of a cell, arcsec.
    noise_spectrum : array, shape (channels, rows, columns//2+1), optional
        Power of the noise relative to white noise; None means white.
    common : bool
        Restore no channel beyond the others, so that limbs keep hardly a coloured edge: at each
        frequency the final transfer is at most the second lowest of three channels (the lowest of two),
        and a channel that the air has spread into a spectrum does not hold back the others. Else each
        is restored as far as it goes. A Gaussian is one for all channels anyway.
    how : Restoring
        In which way and how far.
    pixel_arcsec : float, optional
        Side of the camera's pixel, arcsec, beyond whose limit a Gaussian amplifies nothing; default the cell.

    Raises
    ------
    InputError
        If shapes do not agree or noise is negative.
    """
    filters = _filters(
        picture,
        noise,
        transfer=transfer,
        step_arcsec=step_arcsec,
        noise_spectrum=noise_spectrum,
        common=common,
        how=how,
        pixel_arcsec=pixel_arcsec,
    )
    gain, targets, columns = filters.gain, filters.targets, filters.shape[1]
    spectrum = filters.noise_spectrum
    noise_gain = tuple(_noise_gain(gain[c], spectrum[c], filters.rings.weight) for c in range(len(gain)))
    # channel by channel: the pictures of whole sensors fill much of the memory
    restored = np.stack(
        [
            np.asarray(scipy.fft.irfft2(filters.transform[c] * gain[c], s=filters.shape)) + filters.sky[c]
            for c in range(len(gain))
        ]
    )
    sigma = _floating(noise)
    return Restored(
        picture=restored,
        noise=np.broadcast_to(sigma, restored.shape) * np.asarray(noise_gain, sigma.dtype)[:, None, None],
        transfer=gain * np.asarray(transfer),
        gain=gain,
        noise_gain=noise_gain,
        limb_overshoot=tuple(limb_overshoot(target, columns) for target in targets),
        delivered_fwhm_arcsec=tuple(delivered_fwhm(target, step_arcsec, columns) for target in targets),
        step_arcsec=step_arcsec,
    )


def restoring_gain(
    picture: FloatArray,
    noise: FloatArray,
    transfer: npt.NDArray[Any],
    step_arcsec: float,
    *,
    noise_spectrum: FloatArray | None = None,
    how: Restoring = AS_NOISE_ALLOWS,
    pixel_arcsec: float | None = None,
) -> npt.NDArray[Any]:
    """Return what `restore` multiplies each frequency of a picture by, (channels, rows, columns//2+1).

    Where nothing else of a restored picture is wanted this is had in half the time; parameters and
    errors as there.
    """
    return _filters(
        picture,
        noise,
        transfer=transfer,
        step_arcsec=step_arcsec,
        noise_spectrum=noise_spectrum,
        common=True,
        how=how,
        pixel_arcsec=pixel_arcsec,
    ).gain


@dataclass(frozen=True, eq=False)
class _Filters:
    """The filter of each channel, and what it was made from."""

    transform: list[npt.NDArray[Any]]
    sky: FloatArray
    noise_spectrum: FloatArray
    rings: Rings
    targets: list[FloatArray]
    gain: npt.NDArray[Any]
    shape: tuple[int, int]


def _filters(
    picture: FloatArray,
    noise: FloatArray,
    *,
    transfer: npt.NDArray[Any],
    step_arcsec: float,
    noise_spectrum: FloatArray | None,
    common: bool,
    how: Restoring,
    pixel_arcsec: float | None,
) -> _Filters:
    """Return the filters that `restore` applies; parameters as there."""
    picture, noise, transfer = _checked(picture, noise, transfer)
    shape = (picture.shape[1], picture.shape[2])
    rings = rings_of(shape, step_arcsec)
    spectrum = np.ones(transfer.shape) if noise_spectrum is None else np.broadcast_to(noise_spectrum, transfer.shape)
    sky = np.array([_border_level(plane) for plane in picture])[:, None, None]
    transform = [np.asarray(scipy.fft.rfft2(plane - level)) for plane, level in zip(picture, sky, strict=True)]
    if how.kind == "gaussian":
        line = _gaussian_gain(transfer, step_arcsec, shape, rings, how.largest_gain, pixel_arcsec or step_arcsec)
        gain = np.broadcast_to(line, transfer.shape)
        if np.iscomplexobj(transfer):
            gain = gain * _shifts_undone(transfer, shape)
        return _Filters(
            transform=transform,
            sky=sky,
            noise_spectrum=spectrum,
            rings=rings,
            targets=[np.abs(t * line) for t in transfer],
            gain=gain,
            shape=shape,
        )
    variances = [float(np.mean(np.square(plane, dtype=float))) for plane in noise]
    targets = [
        _wiener_target(
            transform[c],
            transfer[c],
            variance=variances[c],
            noise_spectrum=spectrum[c],
            rings=rings,
            shape=shape,
            model_error=how.model_error,
        )
        for c in range(len(picture))
    ]
    if common:
        ceiling = np.sort(targets, axis=0)[1 if len(targets) > 2 else 0]
        targets = [np.minimum(target, ceiling) for target in targets]
    targets = [_tapered(target, rings, shape, how.ringing_limit) for target in targets]
    gain = np.stack([_gain(target, response) for target, response in zip(targets, transfer, strict=True)])
    if math.isfinite(how.largest_gain):
        gain = gain * np.minimum(1.0, how.largest_gain / np.maximum(np.abs(gain), 1e-30))
        targets = [np.abs(g * t) for g, t in zip(gain, transfer, strict=True)]
    return _Filters(
        transform=transform, sky=sky, noise_spectrum=spectrum, rings=rings, targets=targets, gain=gain, shape=shape
    )


def _gaussian_gain(
    transfer: npt.NDArray[Any],
    step_arcsec: float,
    shape: tuple[int, int],
    rings: Rings,
    largest_gain: float,
    pixel_arcsec: float,
) -> FloatArray:
    """Return min(1 / G, largest gain) with the Gaussian G as wide as the mean response, real, (rows, columns//2+1).

    What the pixels cannot carry, beyond half a cycle a pixel, is noise and aliases: there the gain falls to 1,
    smoothly, so that nothing rings.
    """
    width = delivered_fwhm(np.abs(transfer).mean(axis=0), step_arcsec, shape[1])
    falling = np.exp(-2.0 * (np.pi * width / FWHM_PER_SIGMA * rings.radius) ** 2)
    gain = np.minimum(1.0 / np.maximum(falling, 1e-30), largest_gain)
    limit = 0.5 / pixel_arcsec
    beyond = np.clip(rings.radius / limit - 1.0, 0.0, 0.5)
    return 1.0 + (gain - 1.0) * (0.5 + 0.5 * np.cos(2.0 * np.pi * beyond))


def _shifts_undone(transfer: npt.NDArray[Any], shape: tuple[int, int]) -> npt.NDArray[np.complexfloating]:
    """Return the factors that lay the channels on each other, (channels, rows, columns//2+1), of modulus 1.

    Whatever else a hand leaves undone, it moves the colours onto each other (common practice). The phase of a
    transfer grows in proportion to frequency where a channel is shifted; its slope is read at the lowest one.
    """
    rows = np.fft.fftfreq(shape[0], 1.0 / shape[0])[:, None] * -np.angle(transfer[:, 1, 0])[:, None, None]
    columns = np.arange(transfer.shape[2])[None, :] * -np.angle(transfer[:, 0, 1])[:, None, None]
    return np.exp(1j * (rows + columns))


def _checked(picture: Any, noise: Any, transfer: Any) -> tuple[FloatArray, FloatArray, npt.NDArray[Any]]:
    planes = np.asarray(picture, dtype=float)
    if planes.ndim != 3:
        raise InputError("picture", planes.shape, "give three axes: channels, rows, columns")
    sigma = np.broadcast_to(_floating(noise), planes.shape)
    if not np.all(sigma >= 0):
        raise InputError("noise", float(np.min(sigma)), "a standard deviation is zero or positive")
    half = (planes.shape[0], planes.shape[1], planes.shape[2] // 2 + 1)
    response = np.asarray(transfer)
    if response.shape != half:
        raise InputError("transfer", response.shape, f"its shape must be {half}")
    return planes, sigma, response


def _floating(values: Any) -> FloatArray:
    """Return numbers in the precision that they have, in double precision where they are whole."""
    array = np.asarray(values)
    return array if array.dtype.kind == "f" else array.astype(float)


def _border_level(plane: FloatArray) -> float:
    return float(np.median(np.concatenate([plane[0], plane[-1], plane[:, 0], plane[:, -1]])))


def _wiener_target(
    transform: npt.NDArray[Any],
    transfer: npt.NDArray[Any],
    *,
    variance: float,
    noise_spectrum: FloatArray,
    rings: Rings,
    shape: tuple[int, int],
    model_error: float,
) -> FloatArray:
    """Return the final transfer SNR/(1+SNR) that Wiener's filter aims at, real, 0 to 1."""
    squared = np.abs(transfer) ** 2
    noise_power = variance * shape[0] * shape[1] * noise_spectrum
    truth = _signal_power(rings.mean(np.abs(transform) ** 2), rings.mean(squared), rings.mean(noise_power), rings)
    seen = squared * truth
    unknown = noise_power + model_error**2 * truth
    target = np.divide(seen, seen + unknown, out=np.zeros_like(seen), where=seen > 0)
    target[squared < SMALLEST_TRANSFER**2] = 0.0
    target[0, 0] = 1.0
    return target


def _signal_power(power: FloatArray, squared: FloatArray, noise_power: FloatArray, rings: Rings) -> FloatArray:
    """Return the truth's power at each frequency: a falling power law fitted to clear rings.

    The rings are taken up to the first that does not stand clear of the noise; beyond it a chance
    peak of the noise would pass for signal. Slope between -2 (points and texture) and -4.
    """
    clear = (power > CLEAR_POWER * noise_power) & (squared > (10 * SMALLEST_TRANSFER) ** 2)
    clear[0] = False
    hidden = np.flatnonzero(~_smoothed_any(clear)[1:])
    clear[1 + hidden[0] if hidden.size else len(clear) :] = False
    used = np.flatnonzero(clear)
    radius = np.maximum(rings.radius, rings.centres[1])
    if used.size < 2:
        excess = max(power[1] - noise_power[1], 0.0) / max(squared[1], SMALLEST_TRANSFER**2)
        return excess * (radius / rings.centres[1]) ** -3.0
    x = np.log(rings.centres[used])
    y = np.log((power[used] - noise_power[used]) / squared[used])
    slope = float(np.clip(np.polyfit(x, y, 1)[0], -4.0, -2.0)) if used.size > 4 else -3.0
    return np.exp(np.mean(y - slope * x)) * radius**slope


def _smoothed_any(flags: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """True where this ring or one of its two neighbours is clear (a disc's spectrum has dark rings)."""
    wide = flags.copy()
    wide[1:] |= flags[:-1]
    wide[:-1] |= flags[1:]
    return wide


def _tapered(target: FloatArray, rings: Rings, shape: tuple[int, int], limit: float) -> FloatArray:
    """Return `target` times the widest Gaussian that keeps the overshoot of a limb within `limit`."""
    rows, columns = shape
    lines = [(target[0, :], rings.radius[0, :], columns)]
    lines += [(target[: rows // 2 + 1, 0], rings.radius[: rows // 2 + 1, 0], rows)]
    reach = _half_frequency(rings.mean(target), rings)

    def overshoot(strength: float) -> float:
        return max(_strip_peak(line * np.exp(-strength * (f / reach) ** 2), count) for line, f, count in lines) - 1.0

    if overshoot(0.0) <= limit:
        return target
    low, high = 0.0, 8.0
    for _ in range(14):
        middle = (low + high) / 2
        low, high = (middle, high) if overshoot(middle) > limit else (low, middle)
    return target * np.exp(-high * (rings.radius / reach) ** 2)


def _half_frequency(profile: FloatArray, rings: Rings) -> float:
    """Frequency of the first ring, after the middle, where the mean falls below one half."""
    below = np.flatnonzero(profile[1:] < 0.5)
    return float(rings.centres[1 + below[0]] if below.size else rings.centres[-1])


def _gain(target: FloatArray, transfer: npt.NDArray[Any]) -> npt.NDArray[Any]:
    squared = np.abs(transfer) ** 2
    safe = squared >= SMALLEST_TRANSFER**2
    return np.where(safe, target * np.conj(transfer) / np.where(safe, squared, 1.0), 0.0)


def _noise_gain(gain: npt.NDArray[Any], spectrum: FloatArray, weight: FloatArray) -> float:
    after = np.sum(np.abs(gain) ** 2 * spectrum * weight)
    return float(np.sqrt(after / np.sum(spectrum * weight)))


def limb_overshoot(transfer: npt.NDArray[Any], columns: int) -> float:
    """Return by how much a straight, evenly bright limb overshoots its brightness, as a share of it.

    The larger of limbs along the rows and along the columns. The response across a straight edge
    holds the frequencies of one axis only; the edge is drawn as a strip half the field wide.

    Parameters
    ----------
    transfer : array, shape (rows, columns//2+1)
        Response, 1 at zero frequency, layout of ``rfft2``.
    columns : int
        Columns of the picture.
    """
    rows = transfer.shape[0]
    along_columns = _strip_peak(transfer[0, :], columns)
    along_rows = _strip_peak(transfer[: rows // 2 + 1, 0], rows)
    return max(0.0, along_columns - 1.0, along_rows - 1.0)


def _strip_peak(line: npt.NDArray[Any], count: int) -> float:
    """Peak of a strip of brightness 1, half the field wide, seen through the transfer `line`."""
    harmonic = np.arange(1, len(line), 2)
    finer = 8 * count
    spectrum = np.zeros(finer // 2 + 1, dtype=complex)
    spectrum[0] = 0.5
    # the square wave's Fourier series: odd harmonics only, (2 / pi n) sin, centred on the strip
    spectrum[harmonic] = np.real(line[harmonic]) * np.sin(np.pi * harmonic / 2) / (np.pi * harmonic)
    return float(np.max(np.fft.irfft(spectrum, finer) * finer))


def delivered_fwhm(transfer: npt.NDArray[Any], step_arcsec: float, columns: int | None = None) -> float:
    """Return the width at half maximum of the point response of a transfer, arcsec.

    The diameter of the circle of the same area as the part of the response above half its peak, so
    that one number also serves a response that is not round.

    Parameters
    ----------
    transfer : array, shape (rows, columns//2+1)
        Response, layout of ``rfft2``.
    step_arcsec : float
        Side of a cell, arcsec.
    columns : int, optional
        Columns of the picture; default is the even number.
    """
    rows = transfer.shape[0]
    across = 2 * (transfer.shape[1] - 1) if columns is None else columns
    response = np.asarray(scipy.fft.irfft2(transfer, s=(rows, across)))
    peak = np.unravel_index(int(np.argmax(response)), response.shape)
    width = 2 * np.sqrt(np.count_nonzero(response > response.max() / 2) / np.pi)
    span = 1.2 * width + 2.0
    offsets = np.linspace(-span, span, 129)
    fine = _zoomed(transfer, across, peak[0] + offsets, peak[1] + offsets)
    cell = offsets[1] - offsets[0]
    share = _area_above(fine, fine.max() / 2)
    return float(2 * np.sqrt(share / np.pi) * cell * step_arcsec)


def _zoomed(transfer: npt.NDArray[Any], columns: int, row: FloatArray, column: FloatArray) -> FloatArray:
    """Evaluate the point response at fractional places (row x column) by its Fourier sum."""
    north = np.fft.fftfreq(transfer.shape[0])
    west = np.fft.rfftfreq(columns)
    weight = np.where((west == 0) | (west == 0.5), 1.0, 2.0)
    left = np.exp(2j * np.pi * np.outer(row, north))
    right = np.exp(2j * np.pi * np.outer(west, column)) * weight[:, None]
    return (left @ transfer @ right).real


def _area_above(values: FloatArray, level: float) -> float:
    """Cells above `level`, those on the contour counted in part (linear across the cell)."""
    slope_row, slope_column = np.gradient(values)
    slope = np.hypot(slope_row, slope_column)
    share = np.clip((values - level) / np.maximum(slope, 1e-300) + 0.5, 0.0, 1.0)
    return float(np.sum(share))
