"""From expected electrons to the digital numbers of one exposure.

The linear camera model of EMVA 1288, Release 4.0 (2021): photons and dark current arrive at random
(Poisson), the charge is clipped by the full well, reading adds Gaussian noise, the gain turns electrons
into numbers, an offset keeps them positive, and the digitiser rounds and clips.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from statistics import NormalDist

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr

from simulate.camera.mosaic import lay_mosaic
from simulate.camera.settings import CAMERA_RANGES, Camera
from simulate.errors import InputError
from simulate.values.arrays import frozen_array
from simulate.values.checks import to_float

FloatArray = npt.NDArray[np.floating]

EXACT_BELOW_E = 20.0
"""Below this many electrons photon noise is drawn from the Poisson law itself."""

_PIECE = 32768
"""Pixels worked on at once: they and what is made of them stay in the processor's cache."""

_STEP_E = 0.03125
"""Steps of the mean in the table of Poisson quantiles, e-."""

_QUANTILES = 4096
"""Quantiles in a row of that table: the distribution is right to 1.2e-4, and what one sky needs fits the cache."""

_LARGEST_COUNT = 99
"""Largest number in that table."""

_MOST_E = 1e9
"""Expected charges above this are cut before the dice are thrown; no pixel holds so much."""


@dataclass(frozen=True, eq=False)
class Frame:
    """One raw exposure.

    Parameters
    ----------
    raw : array of uint16, shape (rows, columns), or (filters, rows, columns) of a mono camera with filters
        Digital numbers as the sensor gives them.
    exposure_s : float
        Exposure, s.
    gain_e_per_dn : float
        Gain used, e-/DN.
    camera : Camera
        The camera that took it.
    """

    raw: npt.NDArray[np.uint16]
    exposure_s: float
    gain_e_per_dn: float
    camera: Camera

    def __post_init__(self) -> None:
        object.__setattr__(self, "raw", frozen_array(self.raw, np.uint16))

    def electrons(self) -> npt.NDArray[np.float32]:
        """Return the numbers turned back into electrons, offset taken off, shape of `raw`, e-."""
        return (self.raw.astype(np.float32) - np.float32(self.camera.offset_dn)) * np.float32(self.gain_e_per_dn)


def take_frame(
    rate_e_per_s: FloatArray,
    camera: Camera,
    exposure_s: float,
    rng: np.random.Generator,
    *,
    gain_e_per_dn: float | None = None,
) -> Frame:
    """Expose for a time and return the `Frame`.

    Parameters
    ----------
    rate_e_per_s : array, shape (channels, rows, columns)
        Expected electrons per second and pixel in each channel (`simulate.camera.sensor.sample`).
    camera : Camera
        Noise, gain and clipping.
    exposure_s : float or Quantity
        Exposure, s.
    rng : numpy.random.Generator
        Source of chance.
    gain_e_per_dn : float or Quantity, optional
        Gain in place of the camera's own, e-/DN.
    """
    seconds = to_float("exposure", exposure_s, "s", 0.0, 86400.0, open_low=True)
    gain = _gain(camera, gain_e_per_dn)
    expected = np.asarray(rate_e_per_s, dtype=np.float32) * np.float32(seconds)
    raw = expose(expected, camera, rng, exposure_s=seconds, gain_e_per_dn=gain)
    return Frame(raw, seconds, gain, camera)


def expose(
    expected_e: FloatArray,
    camera: Camera,
    rng: np.random.Generator,
    exact_poisson: bool = False,
    *,
    exposure_s: float = 0.0,
    gain_e_per_dn: float | None = None,
) -> npt.NDArray[np.uint16]:
    """Return one raw exposure of a scene given in expected electrons.

    Above `EXACT_BELOW_E` electrons photon and read noise are drawn together as one normal deviate z
    with a skew term, mu + a z + c (z^2 - 1), whose mean, variance and (to first order) skewness are those
    of the sum (Cornish & Fisher 1938); its distribution differs from the true one by less than 0.002
    and it costs a quarter of the time. Below, and near the full well, the Poisson law itself is drawn.

    Parameters
    ----------
    expected_e : array, shape (..., channels, rows, columns)
        Expected photo-electrons of the exposure in each channel, all pixels: the colour filter array
        picks its own. Values below zero (ringing of a transform) count as zero.
    camera : Camera
        Mosaic, noise, gain and clipping.
    rng : numpy.random.Generator
        Source of chance.
    exact_poisson : bool
        Draw the Poisson law everywhere.
    exposure_s : float
        Exposure, s; only the dark current needs it.
    gain_e_per_dn : float, optional
        Gain in place of the camera's own, e-/DN.

    Returns
    -------
    array of uint16, shape (..., rows, columns)
        Digital numbers. A mono camera with several filters gives (..., filters, rows, columns): one
        exposure for each.

    Raises
    ------
    InputError
        For a wrong number of planes or values that are not finite.
    """
    gain = _gain(camera, gain_e_per_dn)
    expected = expected_charge(expected_e, camera, exposure_s)
    raw = np.empty(expected.shape, np.uint16)
    numbers = raw.reshape(-1)
    for piece, charge in _draw(
        expected.reshape(-1), camera.read_noise_at(gain), camera.full_well_e, rng, exact_poisson
    ):
        if camera.compression:
            # blocks of a compressed picture are off by a share of their light, pixel by pixel, frame by frame
            charge *= rng.standard_normal(charge.shape, dtype=np.float32) * np.float32(camera.compression) + 1
        charge *= np.float32(1 / gain)
        charge += np.float32(camera.offset_dn + 0.5)
        numbers[piece] = np.clip(charge, 0, camera.largest_dn + 0.5, out=charge)
    return raw


def expected_charge(expected_e: FloatArray, camera: Camera, exposure_s: float = 0.0) -> npt.NDArray[np.float32]:
    """Return the mean charge of each pixel behind its filter, dark current included, e-.

    Shapes as in `expose`; a value below zero counts as zero. Where nothing is to be changed the input itself comes
    back.
    """
    planes = np.asarray(expected_e, dtype=np.float32)
    channels = max(1, len(camera.filters)) if camera.is_mono else 3
    if planes.ndim < 3 or planes.shape[-3] != channels:
        raise InputError("expected electrons", planes.shape, f"the shape must be (..., {channels}, rows, columns)")
    if not camera.is_mono:
        planes = lay_mosaic(planes, camera.filter_array)
    elif channels == 1:
        planes = planes[..., 0, :, :]
    least, most = float(planes.min(initial=0)), float(planes.max(initial=0))
    if not math.isfinite(least + most):
        raise InputError("expected electrons", "nan or infinite values", "every value must be finite")
    dark = to_float("exposure", exposure_s, "s", 0.0) * camera.dark_current_e_per_s
    if least < 0 or most > _MOST_E:
        planes = np.clip(planes, 0, _MOST_E)
    return planes + np.float32(dark) if dark else planes


def expected_dn(
    expected_e: FloatArray, camera: Camera, *, exposure_s: float = 0.0, gain_e_per_dn: float | None = None
) -> npt.NDArray[np.float32]:
    """Return the mean digital number of each pixel, without noise and rounding but clipped; shapes as `expose`."""
    charge = np.minimum(expected_charge(expected_e, camera, exposure_s), np.float32(camera.full_well_e))
    numbers = charge / np.float32(_gain(camera, gain_e_per_dn)) + np.float32(camera.offset_dn)
    return np.minimum(numbers, np.float32(camera.largest_dn))


def noise_variance_e(
    expected_e: npt.ArrayLike, camera: Camera, *, exposure_s: float = 0.0, gain_e_per_dn: float | None = None
) -> FloatArray:
    """Return the variance of one pixel's reading in e-^2: photons + dark + read^2 + gain^2/12.

    EMVA 1288, Release 4.0, equation 16, brought to electrons; the noise of compression
    comes on top, a share of the light. The twelfth of a step holds while the read
    noise exceeds about 0.4 DN; clipping is left out.

    Parameters
    ----------
    expected_e : array_like, any shape
        Expected photo-electrons of a pixel in its own channel (no mosaic is laid).
    camera, exposure_s, gain_e_per_dn :
        As in `expose`.
    """
    gain = _gain(camera, gain_e_per_dn)
    photons = np.maximum(np.asarray(expected_e, dtype=float), 0.0)
    dark = exposure_s * camera.dark_current_e_per_s
    fixed = dark + camera.read_noise_at(gain) ** 2 + gain**2 / 12
    return photons + fixed + (camera.compression * photons) ** 2


def clipped_above(mean: FloatArray, variance: FloatArray, limit: float) -> tuple[FloatArray, FloatArray]:
    """Return mean and variance of a normal number that is cut at a limit, exactly.

    With a = (limit - mean) / sigma, Y the part cut off, q and p the normal tail and density at a:
    E Y = sigma (p - a q), E Y^2 = sigma^2 ((1 + a^2) q - a p), and Cov(X, Y) = sigma^2 q (Stein 1981, Ann.
    Statist. 9, 1135, lemma 1), from which mean and variance of X - Y follow.

    Parameters
    ----------
    mean, variance : array, one shape
        Of the number before it is cut.
    limit : float
        Largest value that is kept.

    Returns
    -------
    mean, variance : array, that shape
        Where the limit lies 8 sigma above nothing is changed, and the arrays come back as they are if that is so
        everywhere.
    """
    near = mean + 8.0 * np.sqrt(variance) > limit
    if not near.any():
        return mean, variance
    middle, squared = mean[near].astype(float), np.maximum(variance[near].astype(float), 1e-12)
    sigma = np.sqrt(squared)
    # beyond 30 sigma all of it is cut, and the differences below would only round
    away = np.clip((limit - middle) / sigma, -30.0, 30.0)
    tail, density = ndtr(-away), np.exp(-0.5 * away**2) / math.sqrt(2 * math.pi)
    lost = density - away * tail
    left = 1.0 - 2.0 * tail + (1.0 + away**2) * tail - away * density - lost**2
    mean, variance = mean.copy(), variance.copy()
    mean[near] = np.where(away <= -30.0, limit, middle - sigma * lost)
    variance[near] = np.where(away <= -30.0, 0.0, squared * np.maximum(left, 0.0))
    return mean, variance


def _gain(camera: Camera, gain: float | None) -> float:
    if gain is None:
        return camera.gain_e_per_dn
    unit, lowest, highest = CAMERA_RANGES["gain_e_per_dn"]
    return to_float("gain", gain, unit, lowest, highest)


def _draw(
    mean: npt.NDArray[np.float32], read_e: float, full_well_e: float, rng: np.random.Generator, exact: bool
) -> Iterator[tuple[slice, npt.NDArray[np.floating]]]:
    """Yield, piece by piece, where it lies and the charge read, e-: photon and read noise, clipped at the full well."""
    # where the well may overflow (mean + 6 sigma), the charge is clipped before the read noise comes on top
    overflow = (math.sqrt(full_well_e + 9) - 3) ** 2
    # a few large draws: each call of the generator costs as much as thousands of numbers
    bits = _bits(rng, 2, mean.size)
    for first in range(0, mean.size, _PIECE):
        piece = slice(first, first + _PIECE)
        light = mean[piece]
        deviate = _normal_table().take(bits[0, piece])
        charge = np.empty_like(light) if exact else _quick_charge(light, read_e, full_well_e, deviate, bits[:, piece])
        drawn = np.flatnonzero(light > (-1.0 if exact else overflow))
        if drawn.size:
            counts = np.minimum(rng.poisson(light[drawn]), full_well_e)
            charge[drawn] = counts.astype(np.float32) + np.float32(read_e) * deviate[drawn]
        yield piece, charge


def _quick_charge(
    mean: npt.NDArray[np.float32],
    read_e: float,
    full_well_e: float,
    deviate: npt.NDArray[np.float32],
    bits: npt.NDArray[np.uint16],
) -> npt.NDArray[np.floating]:
    """Charge read, by `skewed_normal` and below `EXACT_BELOW_E` by `_low_counts`."""
    bright = np.flatnonzero(mean >= EXACT_BELOW_E)
    if bright.size == mean.size:
        return skewed_normal(mean, read_e, deviate)
    counts = _low_counts(mean, bits)
    if full_well_e < _LARGEST_COUNT:
        counts = np.minimum(counts, np.float32(full_well_e))
    charge = np.float32(read_e) * deviate
    charge += counts
    if bright.size:
        charge[bright] = skewed_normal(mean.take(bright), read_e, deviate.take(bright))
    return charge


def _low_counts(mean: npt.NDArray[np.float32], bits: npt.NDArray[np.uint16]) -> npt.NDArray[np.uint8]:
    """Poisson counts for means up to `EXACT_BELOW_E`, ten times faster than the library's; above, any number.

    The mean is rounded up or down to a step of the table of quantiles, by chance, so that its own mean stays exact;
    the mixture's distribution differs from Poisson's by less than step^2 / 8.

    Parameters
    ----------
    mean : array, shape (pixels,)
        Expected electrons.
    bits : array, shape (2, pixels)
        Random bits. Those of the first row made the read noise already; of them the lowest eight serve, which say
        next to nothing of its size.
    """
    level = (bits[0] & np.uint16(255)) * np.float32(2**-8)
    level += np.float32(2**-9)
    level += mean * np.float32(1 / _STEP_E)
    with np.errstate(invalid="ignore"):  # of larger means, whose places are clipped and whose counts are not used
        place = level.astype(np.int32)
    place *= _QUANTILES
    place += bits[1] & np.uint16(_QUANTILES - 1)
    return _quantile_table().take(place, mode="clip")


def _bits(rng: np.random.Generator, rows: int, count: int) -> npt.NDArray[np.uint16]:
    """Return numbers of 16 random bits, shape (rows, count); drawn four at a time, for speed."""
    length = -(-count // 4)
    whole = rng.integers(0, 2**64 - 1, (rows, length), np.uint64, endpoint=True)
    return whole.view(np.uint16)[:, :count]


@lru_cache(maxsize=1)
def _normal_table() -> npt.NDArray[np.float32]:
    """Standard normal numbers at 65536 evenly spaced chances, scaled to a variance of 1; none is beyond 4.33.

    Taking one is five times faster than drawing one. Next to the rounding of a digitiser the steps are nothing: the
    distribution is right to 1e-5.
    """
    law = NormalDist()
    half = np.array([law.inv_cdf((number + 0.5) / 2**16) for number in range(2**15)])
    half /= math.sqrt(np.mean(half**2))
    table = np.concatenate([half, -half[::-1]]).astype(np.float32)
    table.setflags(write=False)
    return table


@lru_cache(maxsize=1)
def _quantile_table() -> npt.NDArray[np.uint8]:
    """Poisson numbers at evenly spaced chances, one row of `_QUANTILES` for each step of the mean, flattened."""
    levels = math.ceil(EXACT_BELOW_E / _STEP_E) + 2
    means = np.arange(levels)[:, None] * _STEP_E
    numbers = np.arange(1, _LARGEST_COUNT + 1)
    shares = np.cumprod(np.concatenate([np.exp(-means), means / numbers], axis=1), axis=1)
    bounds = np.rint(np.cumsum(shares, axis=1) * _QUANTILES).astype(int)
    bounds[:, -1] = _QUANTILES
    lengths = np.diff(bounds, axis=1, prepend=0)
    table = np.repeat(np.tile(np.arange(_LARGEST_COUNT + 1, dtype=np.uint8), levels), lengths.ravel())
    table.setflags(write=False)
    return table


def skewed_normal(
    mean_e: npt.NDArray[np.floating], read_e: float, deviate: npt.NDArray[np.floating]
) -> npt.NDArray[np.floating]:
    """Return mean + Poisson and read noise made from standard normal deviates.

    mean + a z + c (z^2 - 1) with c = mean / (6 s^2), a^2 = s^2 - 2 c^2 and s^2 = mean + read^2 has the
    mean and the variance of the sum exactly and its third moment but for terms in c^3 (Cornish & Fisher 1938).

    Parameters
    ----------
    mean_e : array
        Expected electrons, above about 2.
    read_e : float
        Read noise, e-.
    deviate : array, shape of `mean_e`
        Standard normal deviates.
    """
    variance = mean_e + read_e * read_e
    if read_e < 0.3:  # only then can it vanish, or be less than 2 c^2, which is at most 1/18
        variance = np.maximum(variance, 1 / 18)
    skew = mean_e / (6 * variance)
    spread = skew * skew
    spread *= -2
    spread += variance
    charge = np.sqrt(spread)
    charge *= deviate
    charge += mean_e
    skew *= deviate * deviate - 1
    charge += skew
    return charge
