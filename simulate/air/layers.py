"""Frozen-flow layers of turbulence: the air's path difference over a pupil, as a pure function of (seed, time).

Each layer is a sum of periodic screens that drift together with the layer's wind, so the layer is a rigid pattern
(frozen flow, Taylor 1938) and any instant can be computed without the one before it.

How the screens are cut from the von Karman spectrum:

* **Octaves of scale.** One screen would have to be as fine as the pupil's samples and several outer scales wide at
  the same time. The spectrum is instead divided by smooth windows that add up to 1 between a fine screen, one 16
  times coarser, one 256 times coarser and so on, until the coarsest is at least four outer scales wide. Low
  frequencies are then right without subharmonics, for any outer scale; a coarse screen costs a handful of samples
  per instant.
* **No repetition.** The finest part is the sum of two screens of half the variance each whose sides have no small
  common multiple, and the drift is kept off their axes. The pupil comes back to the same place of both at once
  only after hours, with a few megabytes of memory whatever the length of the recording.

Pictures between the samples of a screen are read with cubic B-splines; their smoothing is divided out of the
screen's spectrum beforehand.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt
import scipy.fft

from simulate.errors import InputError
from simulate.values.constants import ARCSEC_PER_RADIAN

Float32Array = npt.NDArray[np.float32]
FloatArray = npt.NDArray[np.float64]

_SCALE_RATIO = 16
_COARSE_SIDE = 512
_FINE_SIDES = (1024, 810)  # 2^10 and 2*3^4*5: quick to transform, common period 414720 samples
_OUTER_SCALES_ACROSS = 4.0
_LEAST_TURN = 1.0 / 16.0

VON_KARMAN_CONSTANT = math.gamma(11 / 6) ** 2 / (2 * math.pi ** (11 / 3)) * (24 / 5 * math.gamma(6 / 5)) ** (5 / 6)
"""0.0229: spectrum of the phase is this times r0^(-5/3) (f^2 + 1/L0^2)^(-11/6) rad2 m2, f in cycles/m."""


@dataclass(frozen=True)
class Layer:
    """One sheet of turbulence.

    Parameters
    ----------
    share : float
        Share of the whole turbulence (of r0^(-5/3)); shares are scaled to add up to 1.
    speed_m_s : float
        Speed of the wind, m/s.
    direction_deg : float
        Direction into which the pattern moves over the pupil, deg from the pupil's row axis (up) towards its
        column axis.
    """

    share: float
    speed_m_s: float
    direction_deg: float

    def __post_init__(self) -> None:
        if not (math.isfinite(self.share) and self.share > 0):
            raise InputError("layer share", self.share, "give a positive share of the turbulence")
        if not (math.isfinite(self.speed_m_s) and self.speed_m_s >= 0):
            raise InputError("layer wind speed", self.speed_m_s, "give a speed of at least 0 m/s")
        if not math.isfinite(self.direction_deg):
            raise InputError("layer wind direction", self.direction_deg, "give an angle in degrees")

    def velocity_m_s(self) -> tuple[float, float]:
        """Return the drift (along rows, along columns), m/s, kept off the axes of the screens.

        A drift along an axis would meet itself after one side of a screen. Its slope is held at 1/16 or more
        (3.6 deg), which no picture can tell and which makes every lap a new one.
        """
        angle = math.radians(self.direction_deg)
        row, column = self.speed_m_s * math.cos(angle), self.speed_m_s * math.sin(angle)
        least = _LEAST_TURN * self.speed_m_s
        row = math.copysign(max(abs(row), least), row)
        column = math.copysign(max(abs(column), least), column)
        scale = self.speed_m_s / math.hypot(row, column) if self.speed_m_s else 0.0
        return row * scale, column * scale


DEFAULT_LAYERS = (Layer(0.5, 5.0, 38.0), Layer(0.3, 12.0, 75.0), Layer(0.2, 28.0, 107.0))
"""A slow, strong ground layer and two faster, weaker ones (common practice; values from memory)."""


def effective_wind_m_s(layers: Sequence[Layer]) -> float:
    """Return the wind that sets the coherence time, m/s: the mean of v^(5/3) by share (Roddier 1981)."""
    total = sum(layer.share for layer in layers)
    return (sum(layer.share * layer.speed_m_s ** (5 / 3) for layer in layers) / total) ** 0.6


def coherence_time_s(fried_m: float, layers: Sequence[Layer]) -> float:
    """Return 0.314 r0 / v in s (Roddier 1981), infinite without wind; `fried_m` is r0 in m."""
    wind = effective_wind_m_s(layers)
    return 0.314 * fried_m / wind if wind else math.inf


def phase_spectrum(frequency: npt.ArrayLike, fried_m: float, outer_scale_m: float) -> FloatArray:
    """Return the von Karman spectrum of the phase, rad2 m2 (shape as `frequency`, in cycles/m).

    Parameters
    ----------
    frequency : array_like
        Length of the frequency vector, cycles/m.
    fried_m, outer_scale_m : float
        r0 and L0 in m.
    """
    f2 = np.square(np.asarray(frequency, dtype=float)) + outer_scale_m**-2.0
    return VON_KARMAN_CONSTANT * fried_m ** (-5 / 3) * f2 ** (-11 / 6)


def structure_function(separation_m: npt.ArrayLike, fried_m: float, outer_scale_m: float) -> FloatArray:
    """Return the von Karman structure function of the phase, rad2 (shape as `separation_m`, in m).

    The closed form with the Bessel function K_5/6 (e.g. Conan 2000); tends to 6.88 (r/r0)^(5/3) for small r.
    """
    from scipy.special import gamma, kv  # only here: the frame path needs none of it

    r = np.atleast_1d(np.asarray(separation_m, dtype=float))
    x = 2 * np.pi * np.maximum(r, 1e-12) / outer_scale_m
    scale = (outer_scale_m / fried_m) ** (5 / 3) * 2 ** (1 / 6) * gamma(11 / 6) / np.pi ** (8 / 3)
    scale *= (24 / 5 * gamma(6 / 5)) ** (5 / 6)
    value = scale * (gamma(5 / 6) / 2 ** (1 / 6) - x ** (5 / 6) * kv(5 / 6, x))
    return np.where(r > 0, np.maximum(value, 0.0), 0.0).reshape(np.shape(separation_m))


def motion_within_arcsec(
    exposure_s: float,
    aperture_m: float,
    fried_m: float,
    outer_scale_m: float = 20.0,
    layers: Sequence[Layer] = DEFAULT_LAYERS,
    wavelength_nm: float = 500.0,
) -> float:
    """Return how far the air moves the picture about its mean place during one exposure, arcsec rms in each axis.

    Aligning frames takes out the mean place of each, not this. The spectrum of the tilt is that of the phase times
    16 (J2(x)/x)^2, x = pi D f (Noll 1976); a layer that drifts by v T keeps sinc^2 of it in the mean.

    Parameters
    ----------
    exposure_s : float
        Exposure, s.
    aperture_m, fried_m, outer_scale_m : float
        Diameter of the telescope, r0 and L0, m.
    layers : sequence of Layer
        Winds and shares.
    wavelength_nm : float
        Wavelength of `fried_m`, nm.
    """
    from scipy.special import jv  # only here: the frame path needs none of it

    if exposure_s <= 0 or math.isinf(fried_m):
        return 0.0
    frequency = np.geomspace(1e-3 / outer_scale_m, 30 / aperture_m, 1500)
    x = np.pi * aperture_m * frequency
    ring = phase_spectrum(frequency, fried_m, outer_scale_m) * 16 * np.square(jv(2, x) / x) * 2 * np.pi * frequency**2
    angles = (np.arange(64) + 0.5) / 64 * np.pi / 2
    total = sum(layer.share for layer in layers)
    variance = 0.0
    for layer in layers:
        path = layer.speed_m_s * exposure_s * frequency[:, None] * np.cos(angles)
        lost = 1 - np.mean(np.sinc(path) ** 2, axis=1)
        variance += layer.share / total * float(np.trapezoid(ring * lost, np.log(frequency)))
    to_angle = 2 * wavelength_nm * 1e-9 / (np.pi * aperture_m) * ARCSEC_PER_RADIAN
    return to_angle * math.sqrt(variance / 2)


@dataclass(frozen=True)
class ScreenPart:
    """The statistics of one periodic screen: a band of the spectrum on a square of `side` samples.

    Parameters
    ----------
    side : int
        Samples along a side.
    pitch_m : float
        Distance of samples, m.
    variance_share : float
        Factor on the spectrum (1, or 1/2 where two screens share a band).
    lower, upper : float or None
        Frequencies (cycles/m) of the cross-over to the next coarser and the next finer screen; None: no such.
    """

    side: int
    pitch_m: float
    variance_share: float
    lower: float | None
    upper: float | None

    def frequency(self) -> FloatArray:
        """Frequencies in cycles/m, shape (side, side//2+1), layout of ``rfft2``."""
        along = np.fft.fftfreq(self.side, self.pitch_m)
        return np.hypot(along[:, None], np.abs(along[None, : self.side // 2 + 1]))

    def power(self, outer_scale_m: float) -> FloatArray:
        """Spectrum for r0 = 1 m times the window of this part, rad2 m2, shape (side, side//2+1)."""
        frequency = self.frequency()
        window = np.full_like(frequency, self.variance_share)
        if self.lower is not None:
            window *= 1 - _low_window(frequency, self.lower)
        if self.upper is not None:
            window *= _low_window(frequency, self.upper)
        power = phase_spectrum(frequency, 1.0, outer_scale_m) * window
        power[0, 0] = 0.0
        return power


def _low_window(frequency: FloatArray, crossover: float) -> FloatArray:
    """Return a smooth step, 1 below and 0 above the cross-over, an octave wide on each side."""
    position = np.log2(np.maximum(frequency, 1e-30) / crossover)
    return 0.5 - 0.5 * np.sin(0.5 * np.pi * np.clip(position, -1.0, 1.0))


def screen_parts(pitch_m: float, outer_scale_m: float, samples: int) -> tuple[ScreenPart, ...]:
    """Return the screens that make one layer, finest first.

    Parameters
    ----------
    pitch_m : float
        Distance of the samples over the pupil, m.
    outer_scale_m : float
        L0, m.
    samples : int
        Samples across the pupil; the finest screens are at least four times as wide.
    """
    wider = max(0, 4 * samples - _FINE_SIDES[-1])
    sides = [_fast_size(side + wider) for side in _FINE_SIDES]
    coarse = [pitch_m * _SCALE_RATIO]
    while coarse[-1] * _COARSE_SIDE < _OUTER_SCALES_ACROSS * outer_scale_m:
        coarse.append(coarse[-1] * _SCALE_RATIO)
    crossovers = [1 / (4 * pitch) for pitch in coarse]
    parts = [ScreenPart(side, pitch_m, 1 / len(sides), crossovers[0], None) for side in sides]
    for index, pitch in enumerate(coarse):
        lower = crossovers[index + 1] if index + 1 < len(coarse) else None
        parts.append(ScreenPart(_COARSE_SIDE, pitch, 1.0, lower, crossovers[index]))
    return tuple(parts)


def _fast_size(least: int) -> int:
    return int(scipy.fft.next_fast_len(least, real=True) or least)


@dataclass(frozen=True, eq=False)
class _Screen:
    """B-spline coefficients of one screen, padded so that every patch is a plain slice.

    `start` is where the drift begins and `velocity` how fast it goes, both in samples (rows, columns).
    """

    part: ScreenPart
    coefficients: Float32Array
    start: tuple[float, float]
    velocity: tuple[float, float]

    def position(self, time_s: float) -> tuple[float, float]:
        """Return the (row, column) in samples where the pupil's first sample stands; it runs against the flow."""
        side = self.part.side
        return (self.start[0] - self.velocity[0] * time_s) % side, (self.start[1] - self.velocity[1] * time_s) % side


def _fine_matrix(fraction: float, samples: int) -> Float32Array:
    """Return the cubic B-spline weights at one distance, shape (samples, samples + 3): one band of four."""
    t = fraction
    band = ((1 - t) ** 3 / 6, (3 * t**3 - 6 * t**2 + 4) / 6, (-3 * t**3 + 3 * t**2 + 3 * t + 1) / 6, t**3 / 6)
    matrix = np.zeros((samples, samples + 3), dtype=np.float32)
    flat = matrix.reshape(-1)
    for tap, weight in enumerate(band):
        flat[tap :: samples + 4] = weight
    return matrix


def _coarse_weights(distance: Float32Array) -> Float32Array:
    """Return the cubic B-spline of `distance` (samples, any shape)."""
    outer = np.abs(distance)
    np.subtract(2, outer, out=outer)
    np.maximum(outer, 0, out=outer)
    inner = np.maximum(outer - 1, 0)
    return (outer * outer * outer - 4 * (inner * inner * inner)) * np.float32(1 / 6)


def _spline_gain(part: ScreenPart) -> FloatArray:
    """Return what cubic B-splines make of each frequency, shape (side, side//2+1), to be divided out.

    The finest screens are read at their own pitch, so they must be exact at their samples; the coarse ones are
    read between theirs, so their continuous gain counts (they hold nothing near their Nyquist frequency).
    """
    cycles = np.fft.fftfreq(part.side)
    gain = np.sinc(cycles) ** 4 if part.upper is not None else 2 / 3 + np.cos(2 * np.pi * cycles) / 3
    return gain[:, None] * gain[None, : part.side // 2 + 1]


def _make_screen(
    part: ScreenPart, outer_scale_m: float, rng: np.random.Generator, reach: int, velocity_m_s: tuple[float, float]
) -> _Screen:
    """Draw one screen of phase for r0 = 1 m; `reach` is the width of the largest patch in its samples."""
    start = rng.random(2) * part.side
    white = np.asarray(scipy.fft.rfft2(rng.standard_normal((part.side, part.side), dtype=np.float32)))
    white *= (np.sqrt(part.power(outer_scale_m)) / (part.pitch_m * _spline_gain(part))).astype(np.float32)
    values = np.asarray(scipy.fft.irfft2(white, s=(part.side, part.side), overwrite_x=True))
    # coefficient k stands one to the left of sample k, so that a patch starts at its own floor
    padded = np.pad(values, ((1, reach + 4), (1, reach + 4)), mode="wrap")
    velocity = velocity_m_s[0] / part.pitch_m, velocity_m_s[1] / part.pitch_m
    return _Screen(part, padded, (float(start[0]), float(start[1])), velocity)


class _Flow:
    """All screens of all layers, ready to be read: two matrix products an instant for all of them.

    A patch is L C R^T with spline weights L, R; the sum over screens is one product of the L side by side with
    the C R^T on top of each other.
    """

    def __init__(self, screens: Sequence[_Screen], pitch_m: float) -> None:
        self._fine = [screen for screen in screens if screen.part.upper is None]
        self._coarse = [screen for screen in screens if screen.part.upper is not None]
        self._ratios = np.array([pitch_m / screen.part.pitch_m for screen in self._coarse])

    def read(self, time_s: float, rows: int, columns: int) -> Float32Array:
        """Return the sum of all screens, shape (rows, columns)."""
        left, right = [], []
        for screen in self._fine:
            row, column = screen.position(time_s)
            i, j = int(row), int(column)
            left.append(_fine_matrix(row - i, rows))
            block = screen.coefficients[i : i + rows + 3, j : j + columns + 3]
            right.append(block @ _fine_matrix(column - j, columns).T)
        if self._coarse:
            self._read_coarse(time_s, (rows, columns), left, right)
        return np.concatenate(left, axis=1) @ np.concatenate(right, axis=0)

    def _read_coarse(self, time_s: float, shape: tuple[int, int], left: list, right: list) -> None:
        positions = np.array([screen.position(time_s) for screen in self._coarse])
        floors = positions.astype(int)
        taps = int(max(shape) * self._ratios.max()) + 5
        along = np.arange(max(shape)) * self._ratios[:, None]
        where = (positions - floors)[:, :, None, None] + along[:, None, :, None] - (np.arange(taps) - 1)
        weights = _coarse_weights(where.astype(np.float32))
        left.append(weights[:, 0, : shape[0]].transpose(1, 0, 2).reshape(shape[0], -1))
        blocks = np.stack(
            [s.coefficients[i : i + taps, j : j + taps] for s, (i, j) in zip(self._coarse, floors, strict=True)]
        )
        product = blocks @ weights[:, 1, : shape[1]].transpose(0, 2, 1)
        right.append(product.reshape(-1, shape[1]))


@dataclass(frozen=True)
class Turbulence:
    """Layers over a pupil grid: the path difference at any time, from (seed, time) alone.

    Parameters
    ----------
    seed : int
        Decides the air; the same seed gives the same air at the same time.
    pitch_m : float
        Distance of the samples over the pupil, m; a quarter of r0 or less.
    samples : int
        Most samples that will be asked for along an axis.
    fried_m : float
        r0 at `wavelength_nm` along the line of sight, m.
    outer_scale_m : float
        L0, m.
    layers : tuple of Layer
        One to four (more are accepted).
    wavelength_nm : float
        Wavelength of `fried_m`, nm.
    """

    seed: int
    pitch_m: float
    samples: int
    fried_m: float
    outer_scale_m: float = 20.0
    layers: tuple[Layer, ...] = DEFAULT_LAYERS
    wavelength_nm: float = 500.0

    def __post_init__(self) -> None:
        for name in ("pitch_m", "fried_m", "outer_scale_m", "wavelength_nm"):
            value = getattr(self, name)
            if not (math.isfinite(value) and value > 0):
                raise InputError(f"turbulence {name}", value, "give a positive length")
        if not self.layers:
            raise InputError("layers", self.layers, "give at least one layer of turbulence")
        if self.samples < 2:
            raise InputError("turbulence samples", self.samples, "give at least 2 samples across the pupil")

    @cached_property
    def parts(self) -> tuple[ScreenPart, ...]:
        """The screens of each layer."""
        return screen_parts(self.pitch_m, self.outer_scale_m, self.samples)

    @cached_property
    def _flow(self) -> _Flow:
        pairs = [(layer, index) for layer in range(len(self.layers)) for index in range(len(self.parts))]
        return _Flow([self._draw(layer, index) for layer, index in pairs], self.pitch_m)

    def _draw(self, layer: int, index: int) -> _Screen:
        part = self.parts[index]
        rng = np.random.Generator(np.random.SFC64(np.random.SeedSequence(self.seed, spawn_key=(layer, index))))
        reach = math.ceil(self.samples * self.pitch_m / self.parts[2].pitch_m) if index >= 2 else self.samples
        screen = _make_screen(part, self.outer_scale_m, rng, reach, self.layers[layer].velocity_m_s())
        share = self.layers[layer].share / sum(layer.share for layer in self.layers)
        phase_to_opd = self.wavelength_nm / (2 * math.pi) * self.fried_m ** (-5 / 6)
        coefficients = screen.coefficients
        coefficients *= np.float32(phase_to_opd * math.sqrt(share))
        coefficients.setflags(write=False)
        return screen

    def opd_nm(self, time_s: float, rows: int | None = None, columns: int | None = None) -> Float32Array:
        """Return the path difference over the pupil, nm, shape (rows, columns), at `time_s`.

        Parameters
        ----------
        time_s : float
            Time since the start of the recording, s.
        rows, columns : int, optional
            Size, at most `samples`; default `samples`.
        """
        rows, columns = rows or self.samples, columns or self.samples
        if max(rows, columns) > self.samples:
            raise InputError("pupil samples", (rows, columns), f"at most {self.samples} along an axis were announced")
        return self._flow.read(time_s, rows, columns)

    def expected_structure_function(self, row_steps: int, column_steps: int) -> float:
        """Return the exact mean of the squared phase difference over a separation, rad2 at `wavelength_nm`.

        Parameters
        ----------
        row_steps, column_steps : int
            Separation in samples. The sum over the spectra of all screens: free of noise.
        """
        return sum(self._part_structure(part, row_steps, column_steps) for part in self.parts)

    def _part_structure(self, part: ScreenPart, row_steps: int, column_steps: int) -> float:
        along = np.fft.fftfreq(part.side, part.pitch_m)
        half = along[: part.side // 2 + 1]
        angle = 2 * np.pi * self.pitch_m * (row_steps * along[:, None] + column_steps * half[None, :])
        power = self.mode_power(part)
        return float(2 * np.sum(power * (1 - np.cos(angle))))

    def mode_power(self, part: ScreenPart) -> FloatArray:
        """Return the phase variance (rad2) of each mode of a part, shape (side, side//2+1), halves counted twice."""
        power = part.power(self.outer_scale_m) * self.fried_m ** (-5 / 3) / (part.side * part.pitch_m) ** 2
        power[:, 1 : (part.side + 1) // 2] *= 2
        return power
