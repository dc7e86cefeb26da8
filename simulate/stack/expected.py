"""The stack that a recording should give, without computing its frames one by one.

The composer calls, in this order::

    exposure = choose_exposure(peak_e_per_s, full_scale_e, gain_e_per_dn=..., fried_ratio=..., ...)
    factor, drop = finer_sampling(sampling_ratio, channel_shares, exposure.kept)
    recording = Recording(exposure.exposure_s, exposure.frames, exposure.kept, pixel_arcsec,
                          channel_shares, factor, drop)
    stack = expected_stack(rate, step_arcsec, recording, SensorNoise(...), transfer=..., rng=rng)

`rate` holds electrons per second **per camera pixel** (already integrated over the pixel's area) on
a sky grid whose field is a whole number of stack cells wide; the stack lies on the grid of the same
field and middle with cells of ``recording.step_arcsec``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import scipy.fft
from scipy.special import ndtr

from simulate.camera.exposure import clipped_above
from simulate.errors import InputError
from simulate.stack.interpolated import find_aliases, kernel_transfer, lattice_of
from simulate.stack.results import Exposure, FloatArray, Recording, Stack
from simulate.values.grid import half_plane_weights

NOLL_TILT_REMOVED = 0.134
"""Mean residual wavefront variance, rad2, at D/r0 = 1 once tilt is removed (Noll 1976, JOSA 66, 207)."""

QUALITY_SPREAD = 0.43
"""Standard deviation of the logarithm of that variance from frame to frame.

Fitted here to a Monte Carlo of tilt-removed Kolmogorov wavefronts: shares below 1 rad2 of .986,
.736, .331, .089, .017 at D/r0 = 2, 3, 4, 5, 6.
"""

SMALLEST_SHARE = 0.01
"""Keep at least one frame in a hundred, however bad the air (common practice: 1-5 %)."""

WANTED_SIGNAL_TO_NOISE = 200.0
"""Signal to noise of the brightest pixel, by photon noise alone, that a stack should reach however few
frames are good: restoration multiplies the noise several times (common practice)."""

LONGEST_DEFAULT_S = 120.0
"""Recording length without other wishes: two minutes, or what rotation allows if that is less."""

LONGEST_EXPOSURE_S = 0.010
"""Longest default exposure: beyond about 10 ms the air moves within it (common practice)."""

WANTED_LEVEL = 0.6
"""Share of the full scale that the brightest part of the picture is exposed to (common practice)."""

FASTEST_CAMERA_HZ = 200.0
"""Exposures a second that a small window reaches on a fast link (common practice)."""

FIRST_PIXELS = ((0.0, 0.0), (0.0, 0.5), (0.5, 0.5))
"""Where the first red, green and blue pixel of a colour array lie, rows and columns, in units of two pixels; other
arrays turn or mirror the same pattern."""

WANTED_DROPS = 8.0
"""Drops that should overlap a cell of the stack, so that no cell stays empty."""


def keep_fraction(fried_ratio: float) -> float:
    """Return the share of frames worth keeping at an aperture of `fried_ratio` times r0.

    A frame is worth keeping while its wavefront, tilt removed, stays within 1 rad2 of flat (Fried
    1978, JOSA 68, 1651, calls that a lucky one). The variance is taken as log-normal about Noll's
    mean 0.134 (D/r0)^(5/3); unlike Fried's exponential, which exceeds 1 below D/r0 = 3.3, this is
    right at both ends. Never below 0.01.

    Parameters
    ----------
    fried_ratio : float
        D/r0 at the target's altitude and the band's wavelength.

    Raises
    ------
    InputError
        If the ratio is negative or not finite.
    """
    if not (math.isfinite(fried_ratio) and fried_ratio >= 0):
        raise InputError("D/r0", fried_ratio, "give a ratio of at least 0")
    if fried_ratio == 0:
        return 1.0
    median_log = math.log(NOLL_TILT_REMOVED) + 5 / 3 * math.log(fried_ratio) - QUALITY_SPREAD**2 / 2
    return float(np.clip(ndtr(-median_log / QUALITY_SPREAD), SMALLEST_SHARE, 1.0))


STRICT_SMEAR = 0.4
USUAL_SMEAR = 0.8
"""Longest recording: the middle of the disc moves by this share of the delivered width (common practice)."""


@dataclass(frozen=True)
class ExposureWishes:
    """What the user fixes of the recording; None leaves it to `choose_exposure`.

    Parameters
    ----------
    exposure_s, seconds, frames_per_second : float or None
        Time of one exposure and of the recording, s; rate, 1/s.
    frames : int or None
        Exposures recorded.
    keep : float or None
        Share kept, 0 to 1.
    """

    exposure_s: float | None = None
    seconds: float | None = None
    frames_per_second: float | None = None
    frames: int | None = None
    keep: float | None = None

    def __post_init__(self) -> None:
        for name in ("exposure_s", "seconds", "frames_per_second", "frames", "keep"):
            value = getattr(self, name)
            if value is not None and not (math.isfinite(value) and value > 0):
                raise InputError(name, value, "give a positive number")
        if self.keep is not None and self.keep > 1:
            raise InputError("keep", self.keep, "give a share above 0, up to 1")


def choose_exposure(
    peak_e_per_s: float,
    full_scale_e: float,
    *,
    gain_e_per_dn: float = 1.0,
    fried_ratio: float = 0.0,
    rotation_limit_s: float = math.inf,
    wishes: ExposureWishes | None = None,
    fastest_hz: float | None = None,
    longest_s: float | None = None,
) -> Exposure:
    """Choose exposure, length and frames of a recording.

    The peak comes to 60 % of full scale, or the exposure to 10 ms, whichever is shorter. The
    recording lasts 120 s, or as long as the planet's rotation allows if that is less. The camera
    takes exposures back to back, up to 200 a second. The share kept follows D/r0 (`keep_fraction`), but
    enough frames are kept for a signal of 200 times the photon noise in the brightest pixel.

    Parameters
    ----------
    peak_e_per_s : float
        Electrons per second in the brightest pixel of the blurred picture.
    full_scale_e : float
        The lower of full well and converter range, e-.
    gain_e_per_dn : float
        Passed on to the result.
    fried_ratio : float
        D/r0; 0 keeps every frame.
    rotation_limit_s : float
        Longest useful recording, s.
    wishes : ExposureWishes, optional
        What the user fixes.
    fastest_hz, longest_s : float, optional
        Habits in place of the 200 exposures a second and the 120 s.

    Raises
    ------
    InputError
        If a rate or full scale is not positive, or exposures do not fit their frame rate.
    """
    if not (math.isfinite(full_scale_e) and full_scale_e > 0):
        raise InputError("full well", full_scale_e, "give a positive number of electrons")
    if not (math.isfinite(peak_e_per_s) and peak_e_per_s >= 0):
        raise InputError("peak rate", peak_e_per_s, "it must be zero or positive, in e-/s")
    asked = wishes or ExposureWishes()
    exposure_s, limited_by = _exposure_time(peak_e_per_s, full_scale_e, asked.exposure_s)
    rate_hz = asked.frames_per_second or min(1.0 / exposure_s, fastest_hz or FASTEST_CAMERA_HZ)
    if rate_hz * exposure_s > 1.0 + 1e-9:
        raise InputError(
            "frames_per_second", rate_hz, f"exposures of {exposure_s:g} s allow {1 / exposure_s:.4g} at most"
        )
    frames, seconds = _length(rate_hz, min(rotation_limit_s, longest_s or LONGEST_DEFAULT_S), asked)
    share = asked.keep if asked.keep is not None else keep_fraction(fried_ratio)
    electrons = peak_e_per_s * exposure_s
    enough = 0 if asked.keep is not None else math.ceil(WANTED_SIGNAL_TO_NOISE**2 / max(electrons, 1e-9))
    kept = min(frames, max(1, round(share * frames), enough))
    fraction = electrons / full_scale_e
    return Exposure(
        exposure_s=exposure_s,
        gain_e_per_dn=gain_e_per_dn,
        peak_electrons=electrons,
        peak_fraction=fraction,
        frames=frames,
        kept=kept,
        seconds=seconds,
        frames_per_second=rate_hz,
        limited_by=limited_by,
    )


def _exposure_time(peak_e_per_s: float, full_scale_e: float, asked_s: float | None) -> tuple[float, str]:
    if asked_s is not None:
        return asked_s, "user"
    if peak_e_per_s * LONGEST_EXPOSURE_S <= WANTED_LEVEL * full_scale_e:
        return LONGEST_EXPOSURE_S, "motion of the air"
    return WANTED_LEVEL * full_scale_e / peak_e_per_s, "full well"


def _length(rate_hz: float, longest_s: float, asked: ExposureWishes) -> tuple[int, float]:
    if asked.frames is not None:
        frames = int(asked.frames)
        return frames, asked.seconds or frames / rate_hz
    seconds = asked.seconds or longest_s
    frames = max(1, round(seconds * rate_hz))
    return frames, seconds


def finer_sampling(
    sampling_ratio: float,
    channel_shares: tuple[float, ...],
    kept: int,
    *,
    finest_cells: float = 3.0,
    least_drop_px: float = 0.0,
) -> tuple[float, float]:
    """Return (output cells a pixel, side of the drop in pixels) for stacking.

    Where the pixels are finer than critical nothing is gained and frames are shifted whole: (1, 0).
    Coarser ones are laid as shrunken drops on a finer grid (Fruchter & Hook 2002, PASP 114, 144);
    the drift of the planet over the pixels spreads the drops. Behind a colour filter array each
    channel samples at every second pixel only: its drops are laid too, on cells as fine as critical
    sampling with a quarter to spare. The drop is a cell wide, or as wide as few frames need to leave
    no cell empty.

    Parameters
    ----------
    sampling_ratio : float
        Pixels per lambda/(2D): 1 is critical, above 1 undersampled.
    channel_shares : tuple of float
        Share of the pixels of each channel.
    kept : int
        Frames that enter the stack.
    finest_cells, least_drop_px : float
        Habits: at most so many cells a pixel, and no narrower drop.
    """
    spacing = 1.0 if min(channel_shares) >= 1.0 else 2.0
    if sampling_ratio * spacing <= 1.0:
        return 1.0, 0.0
    steps = ((1.0, 0.75), (1.5, 1.0), (2.0, 2.0))
    factor = next((cells for cells, highest in steps if sampling_ratio <= highest), 3.0)
    if kept * min(channel_shares) < WANTED_DROPS:
        return 1.0, spacing
    factor = min(factor, finest_cells)
    enough = math.sqrt(WANTED_DROPS / (kept * min(channel_shares)))
    return factor, min(spacing, max(1.0 / factor, enough, least_drop_px))


@dataclass(frozen=True)
class SensorNoise:
    """What the sensor adds to the photons.

    Parameters
    ----------
    read_noise_e : float
        Rms of one reading, e-.
    full_scale_e : float
        Charge of the largest number, e-: a reading, noise and all, is cut there.
    gain_e_per_dn : float
        Electrons for one step of the converter; rounding adds gain^2/12 e-^2.
    dark_e_per_s : float
        Dark current, e-/s per pixel.
    compression : float
        Noise of compression, share of the local brightness.
    full_well_e : float
        Charge that a pixel holds, e-: the charge is cut there before it is read.
    """

    read_noise_e: float
    full_scale_e: float = math.inf
    gain_e_per_dn: float = 0.0
    dark_e_per_s: float = 0.0
    compression: float = 0.0
    full_well_e: float = math.inf

    @property
    def fixed_variance_e2(self) -> float:
        """Variance of one reading by the sensor's electronics alone, e-^2 (EMVA 1288)."""
        return self.read_noise_e**2 + self.gain_e_per_dn**2 / 12

    def variance_e2(self, electrons: FloatArray, exposure_s: float) -> FloatArray:
        """Return the variance of one reading of `electrons` expected ones that nothing cuts, e-^2 (EMVA 1288)."""
        variance = electrons + (self.fixed_variance_e2 + self.dark_e_per_s * exposure_s)
        return variance + (self.compression * electrons) ** 2 if self.compression else variance

    def clips(self, electrons: float, exposure_s: float) -> bool:
        """Return whether readings of so many expected electrons, or of fewer, are ever cut."""
        charge = electrons + self.dark_e_per_s * exposure_s
        return charge + 8.0 * math.sqrt(charge + self.fixed_variance_e2) > min(self.full_scale_e, self.full_well_e)

    def reading(self, electrons: FloatArray, exposure_s: float) -> tuple[FloatArray, FloatArray]:
        """Return mean and variance of one reading, e- and e-^2, the dark current taken off the mean.

        First the full well cuts the charge with its photon noise, then the converter cuts charge and read
        noise. Each cut is exact for a normal number; where both are felt at once what the first leaves is
        taken for normal before the second.

        Parameters
        ----------
        electrons : array, any shape
            Expected photo-electrons, not negative.
        exposure_s : float
            Time of the exposure, s.
        """
        dark = self.dark_e_per_s * exposure_s
        charge = electrons + dark
        mean, variance = clipped_above(charge, charge, self.full_well_e)
        mean, variance = clipped_above(mean, variance + self.fixed_variance_e2, self.full_scale_e)
        if self.compression:  # of the file, after all that is cut
            variance = variance + (self.compression * (mean - dark)) ** 2
        return mean - dark, variance


def expected_stack(
    rate_e_per_s: FloatArray,
    step_arcsec: float,
    recording: Recording,
    sensor: SensorNoise,
    *,
    transfer: npt.NDArray[Any] | None = None,
    rng: np.random.Generator | None = None,
) -> Stack:
    """Return the stack of the kept frames: its mean, noise and transfer.

    The mean is the blurred picture spread by the drop and by the cell that gathers it; where readings
    reach full scale it is the mean of what is left of them, and detail is lost as in real frames. The variance
    of a cell is that of one reading over the readings that reach it; where drops overlap several
    cells the noise is correlated and its spectrum says so. The noise map takes the local brightness
    (it varies little over a drop).

    Parameters
    ----------
    rate_e_per_s : array, shape (channels, rows, columns)
        Electrons per second per camera pixel, blurred by air, telescope and pixel, on a sky grid.
    step_arcsec : float
        Cell of that grid, arcsec; the field must hold a whole number of stack cells, not more than
        the grid's own.
    recording : Recording
        Frames and how they are laid together.
    sensor : SensorNoise
        What the sensor adds.
    transfer : array, shape (channels, rows, columns//2+1), optional
        Response from the truth to `rate_e_per_s` on the same grid; None means 1.
    rng : numpy.random.Generator, optional
        Adds one realisation of the noise to the picture; None leaves it noise-free.

    Returns
    -------
    Stack
        On the grid of the same field and middle with cells of ``recording.step_arcsec``.

    Raises
    ------
    InputError
        If shapes do not agree or the field is no whole number of cells.
    """
    rate = np.asarray(rate_e_per_s)
    if rate.ndim != 3 or rate.shape[0] != len(recording.channel_shares):
        raise InputError("rate_e_per_s", rate.shape, f"give {len(recording.channel_shares)} planes of rows and columns")
    shape = _stack_shape(rate.shape[1:], step_arcsec, recording.step_arcsec)
    response = np.ones((1, 1, 1)) if transfer is None else np.asarray(transfer)
    seconds, rate = recording.exposure_s, np.maximum(rate, 0)
    spread = spread_transfers(shape, recording)
    cut = sensor.clips(float(rate.max(initial=0.0)) * seconds, seconds)
    if cut:
        # each frame is cut before frames are laid together: the mean is that of cut readings
        kept_e, variance_e2 = sensor.reading(rate * seconds, seconds)
        mean = _laid_out(kept_e / seconds, step_arcsec, shape, recording, spread)
        single = np.maximum(_laid_out(variance_e2, step_arcsec, shape, recording, spread), 0.0)
    else:
        mean = _laid_out(rate, step_arcsec, shape, recording, spread)
        single = sensor.variance_e2(np.maximum(mean, 0) * seconds, seconds)
    total = np.broadcast_to(response, (*rate.shape[:2], rate.shape[2] // 2 + 1))
    total = crop_spectrum(total, shape, rate.shape[2]) * spread
    power = spread_powers(shape, recording)
    readings = recording.kept * np.asarray(recording.channel_shares)[:, None, None] / recording.factor**2
    white = np.sqrt(single / readings) / recording.exposure_s
    scatter, aliases = None, []
    if recording.on_own_pixels:
        aliases = [
            find_aliases(p, lattice_of(share if recording.filled_in else 1.0), shape, linear=recording.linear)
            for p, share in zip(rate, recording.channel_shares, strict=True)
        ]
        scatter = np.array([found.scatter() for found in aliases])
    if rng is not None:
        mean = mean + _realised(white, power, rng)
        # frames of a tracked planet repeat the same places: one of them stands for all
        row, column = rng.random(2) if aliases else (0.0, 0.0)
        for channel, found in enumerate(aliases):
            away = FIRST_PIXELS[channel] if recording.filled_in else (0.0, 0.0)
            mean[channel] += found.pattern((row - away[0], column - away[1]))
    level = np.asarray(plane_mean(power, shape[1]))[:, None, None]
    return Stack(
        picture=mean.astype(np.float32),
        noise=(white * np.sqrt(level)).astype(np.float32),
        noise_spectrum=(power / level).astype(np.float32),
        transfer=total,
        step_arcsec=recording.step_arcsec,
        pixel_arcsec=recording.pixel_arcsec,
        exposure_s=recording.exposure_s,
        frames=recording.frames,
        kept=recording.kept,
        scatter=scatter,
    )


def _stack_shape(shape: tuple[int, ...], step_arcsec: float, cell_arcsec: float) -> tuple[int, int]:
    sizes = [n * step_arcsec / cell_arcsec for n in shape]
    whole = [round(n) for n in sizes]
    if any(abs(n - w) > 1e-4 * n or w < 1 for n, w in zip(sizes, whole, strict=True)):
        raise InputError("field of the rate", sizes, "it must be a whole number of stack cells along both axes")
    if any(w > n for w, n in zip(whole, shape, strict=True)):
        raise InputError(
            "step of the rate", step_arcsec, f"it must be at most that of the stack, {cell_arcsec:.5g} arcsec"
        )
    return whole[0], whole[1]


def crop_spectrum(spectrum: npt.NDArray[Any], shape: tuple[int, int], columns: int) -> npt.NDArray[Any]:
    """Return the part of an ``rfft2`` spectrum (..., rows, columns//2+1) that a coarser grid carries.

    Parameters
    ----------
    spectrum : array, shape (..., rows, columns//2+1)
        Of a picture with `columns` columns.
    shape : tuple of int
        (rows, columns) of the coarser grid of the same field.
    columns : int
        Columns of the picture that the spectrum belongs to.
    """
    rows_in = spectrum.shape[-2]
    rows, cols = shape
    if (rows, cols) == (rows_in, columns):
        return spectrum
    upper, lower = (rows + 1) // 2, rows // 2
    kept = np.concatenate([spectrum[..., :upper, :], spectrum[..., rows_in - lower :, :]], axis=-2)
    return kept[..., : cols // 2 + 1]


def _laid_out(
    rate: FloatArray, step_arcsec: float, shape: tuple[int, int], recording: Recording, spread: FloatArray
) -> FloatArray:
    """Spread the picture by the drop and sample it at the stack's cells."""
    rows, columns = rate.shape[1:]
    if shape == (rows, columns) and not recording.spreads:
        return rate
    spectrum = crop_spectrum(np.asarray(scipy.fft.rfft2(rate)), shape, columns) * spread
    # cells are centred on the same field: cell 0 lies half a cell, not half a grid step, from its edge
    move = (recording.step_arcsec - step_arcsec) / 2
    north, west = _frequencies(shape, recording.step_arcsec)
    if move:
        spectrum = spectrum * (np.exp(2j * np.pi * move * north)[:, None] * np.exp(2j * np.pi * move * west))
    scale = shape[0] * shape[1] / (rows * columns)
    return np.asarray(scipy.fft.irfft2(spectrum * scale, s=shape))


def _frequencies(shape: tuple[int, int], step_arcsec: float) -> tuple[FloatArray, FloatArray]:
    return np.fft.fftfreq(shape[0], step_arcsec), np.fft.rfftfreq(shape[1], step_arcsec)


def spread_transfers(shape: tuple[int, int], recording: Recording) -> FloatArray:
    """Return what laying frames together makes of each frequency, (channels, rows, columns//2+1).

    The drop and the cell that gathers it, or colours filled in and frames moved on the camera's own pixels; and the
    error with which frames are laid on each other.

    Parameters
    ----------
    shape : tuple of int
        Cells (rows, columns) of the stack.
    recording : Recording
        Tells how.
    """
    return spread_transfers_at(*_frequencies(shape, recording.step_arcsec), recording)


def spread_transfers_at(north: FloatArray, west: FloatArray, recording: Recording) -> FloatArray:
    """Return the same at other frequencies, cycles per arcsec, (rows,) and (columns//2+1,)."""
    placed = np.outer(_placed(north, recording), _placed(west, recording))
    planes = {share: _spread(north, west, recording, share) * placed for share in set(recording.channel_shares)}
    return np.array([planes[share] for share in recording.channel_shares])


def _placed(frequency: FloatArray, recording: Recording) -> FloatArray:
    """Mean transfer of frames whose places are off by a normal error."""
    sigma = recording.registration_error_px * recording.pixel_arcsec
    return np.exp(-2.0 * (np.pi * sigma * frequency) ** 2)


def _spread(north: FloatArray, west: FloatArray, recording: Recording, share: float) -> FloatArray:
    if recording.on_own_pixels:
        lattice = lattice_of(share) if recording.filled_in else "every pixel"
        pixel = recording.pixel_arcsec
        return kernel_transfer(lattice, north * pixel, west * pixel, linear=recording.linear)
    return np.outer(_spread_line(north, recording), _spread_line(west, recording))


def _spread_line(frequency: FloatArray, recording: Recording) -> FloatArray:
    if recording.drop_pixels == 0:
        return np.ones_like(frequency)
    drop = recording.drop_pixels * recording.pixel_arcsec
    return np.sinc(frequency * drop) * np.sinc(frequency * recording.step_arcsec)


def spread_powers(shape: tuple[int, int], recording: Recording) -> FloatArray:
    """Return the power of the stack's noise relative to readings that each fall into one cell.

    Readings are scattered evenly, so the noise is white before it is spread and sampled; sampling
    folds the spectrum (seven folds hold the tail of a drop, which falls as the fourth power; one each
    way that of a kernel, which falls as fast or faster). Shape (channels, rows, columns//2+1).

    Parameters
    ----------
    shape : tuple of int
        Cells (rows, columns) of the stack.
    recording : Recording
        Tells drop, or kernel, and cell.
    """
    return spread_powers_at(*_frequencies(shape, recording.step_arcsec), recording)


def spread_powers_at(north: FloatArray, west: FloatArray, recording: Recording) -> FloatArray:
    """Return the same at other frequencies, cycles per arcsec, (rows,) and (columns//2+1,)."""
    sampled = 1.0 / recording.step_arcsec
    if recording.on_own_pixels:
        planes: dict[float, FloatArray] = {}
        for share in set(recording.channel_shares):
            folds = [(row * sampled, column * sampled) for row in (-1, 0, 1) for column in (-1, 0, 1)]
            parts = [_spread(north + row, west + column, recording, share) ** 2 for row, column in folds]
            planes[share] = np.sum(parts, axis=0)
        return np.array([planes[share] for share in recording.channel_shares])
    folds = np.arange(-7, 8)[:, None] * sampled
    lines = [
        np.sum(_spread_line(line + folds, recording) ** 2, axis=0) if recording.drop_pixels else np.ones_like(line)
        for line in (north, west)
    ]
    return np.broadcast_to(np.outer(*lines), (len(recording.channel_shares), len(north), len(west)))


def plane_mean(half_plane: FloatArray, columns: int) -> FloatArray:
    """Return the mean over the whole frequency plane of an array (..., rows, columns//2+1) in ``rfft2`` layout."""
    total = np.sum(half_plane * half_plane_weights(columns), axis=(-2, -1))
    return total / (half_plane.shape[-2] * columns)


def _realised(white: FloatArray, power: FloatArray, rng: np.random.Generator) -> FloatArray:
    noise = rng.standard_normal(white.shape, dtype=np.float32) * white
    if np.all(power == 1.0):
        return noise
    return np.asarray(scipy.fft.irfft2(np.asarray(scipy.fft.rfft2(noise)) * np.sqrt(power), s=white.shape[-2:]))
