"""How sharp each frame is, and where the planet stands in it.

Both come from one transform of the raw frame. Behind a colour filter array the light of all colours together lies in
the frequencies below a quarter cycle a pixel; the colours' own patterns lie beyond and are left out. So neither needs
the frame's colours to be filled in first.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import scipy.fft

from simulate.errors import InputError
from simulate.stack.reader import Facts, border_of, light_of
from simulate.values.grid import half_plane_weights

Float32Array = npt.NDArray[np.float32]
Complex64Array = npt.NDArray[np.complex64]
FloatArray = npt.NDArray[np.float64]

BAND = (0.12, 0.6)
"""Share of the telescope's cut-off between which structure counts as sharpness: above the planet's own shape, below
what hardly passes."""

_MOSAIC_LIMIT = 0.21


@dataclass(frozen=True)
class NoiseModel:
    """Variance of a raw reading: fixed + slope x level.

    Parameters
    ----------
    fixed : float
        Read noise and rounding, squared, in the unit of the values.
    slope : float
        1 where values are electrons (photon noise); 1/gain in other units.
    """

    fixed: float
    slope: float

    def variance(self, level: npt.ArrayLike) -> FloatArray:
        """Return the variance of one reading at a level above the offset, shape of `level`."""
        return self.fixed + self.slope * np.maximum(np.asarray(level, float), 0.0)


def noise_of(facts: Facts, frame: Float32Array) -> NoiseModel:
    """Return the noise of a recording: from its header (EMVA 1288), else measured on a frame.

    Parameters
    ----------
    facts : Facts
        What is known.
    frame : array, shape (rows, columns) or (3, rows, columns)
        A typical frame's `values`; used where the header tells no gain or read noise, and for frames in colour, whose
        values are no readings any more but means of some. It is then the green plane's noise.
    """
    if facts.filter_array == "colour":
        return measured_noise(frame[1], 2)
    if facts.gain_e_per_dn is not None and facts.read_noise_e is not None:
        return NoiseModel(facts.read_noise_e**2 + facts.gain_e_per_dn**2 / 12, 1.0)
    return measured_noise(frame, 2 if facts.is_mosaic else 1)


def light_noise(facts: Facts, frame: Float32Array) -> NoiseModel:
    """Return the noise of a frame's `simulate.stack.reader.light_of`: of frames in colour that of their mean."""
    return measured_noise(light_of(frame), 2) if facts.filter_array == "colour" else noise_of(facts, frame)


def measured_noise(frame: Float32Array, spacing: int = 1) -> NoiseModel:
    """Measure the noise of one frame from second differences, against brightness.

    The mask ((1, -2, 1), (-2, 4, -2), (1, -2, 1)) is blind to planes and slopes (Immerkaer 1996); the mean square of
    its answer, over 36, is the variance. The median over groups of equal brightness is fitted by a line.

    Parameters
    ----------
    frame : array, shape (rows, columns)
        Values above the offset.
    spacing : int
        Distance of pixels of one colour.
    """
    s = spacing
    rows = frame[2 * s :] - 2 * frame[s:-s] + frame[: -2 * s]
    answer = (rows[:, 2 * s :] - 2 * rows[:, s:-s] + rows[:, : -2 * s])[s:-s, s:-s]
    # brightness from pixels outside the mask: the noise that is measured must not choose its group
    middle = slice(2 * s, -2 * s)
    ring = (frame[: -4 * s, middle] + frame[4 * s :, middle] + frame[middle, : -4 * s] + frame[middle, 4 * s :]) / 4
    order = np.argsort(ring, axis=None)
    groups = np.array_split(order, 24)
    level = np.array([ring.flat[group].mean() for group in groups])
    # median of a squared normal deviate: 0.4549 of its mean; robust against limbs and moons
    variance = np.array([np.median(answer.flat[group] ** 2) for group in groups]) / (36 * 0.4549)
    if np.ptp(level) <= 0:
        return NoiseModel(float(max(variance.mean(), 1e-12)), 0.0)
    slope, fixed = np.polyfit(level, variance, 1, w=1 / np.maximum(variance, 1e-12))
    return NoiseModel(float(max(fixed, 1e-12)), float(max(slope, 0.0)))


class Examiner:
    """Grades frames and finds their place.

    Parameters
    ----------
    shape : pair of int
        (rows, columns).
    facts : Facts
        What is known of the recording.
    noise : NoiseModel
        Noise of a reading.
    """

    def __init__(self, shape: tuple[int, int], facts: Facts, noise: NoiseModel) -> None:
        rows, columns = np.fft.fftfreq(shape[0])[:, None], np.fft.rfftfreq(shape[1])[None, :]
        radius = np.hypot(rows, columns)
        ratio = facts.sampling_ratio
        cutoff = min(0.5, ratio / 2) if ratio is not None else 0.25
        limit = _MOSAIC_LIMIT if facts.is_mosaic else 0.5
        high = min(BAND[1] * cutoff, limit)
        low = min(BAND[0] * cutoff, high / 2)
        weight = half_plane_weights(shape[1])
        self._band = np.where((radius >= low) & (radius <= high), weight, 0.0).astype(np.float32)
        self._modes = float(self._band.sum())
        if self._modes == 0:
            wanted = "with this pixel scale a whole frame is smaller than the finest detail of that aperture"
            raise InputError("pixel scale and aperture", [facts.pixel_arcsec, facts.aperture_mm], wanted)
        self._pass = np.where(radius <= min(cutoff, limit), 1.0, 0.0).astype(np.float32)
        self._pass[0, 0] = 0.0
        self._shape, self._noise = shape, noise

    def spectrum(self, frame: Float32Array) -> Complex64Array:
        """Return the ``rfft2`` of a frame, its sky taken off, (rows, columns//2+1)."""
        return np.asarray(scipy.fft.rfft2(frame - np.float32(np.median(border_of(frame)))), np.complex64)

    def grade(self, frame: Float32Array, spectrum: Complex64Array) -> float:
        """Return the sharpness of a frame: power in the band, noise taken off, over the square of its light.

        A frame without light has grade 0.
        """
        light = float(spectrum[0, 0].real)
        if light <= 0:
            return 0.0
        power = float(np.sum(self._band * (np.square(spectrum.real) + np.square(spectrum.imag))))
        noise = float(self._noise.variance(frame).sum())
        return (power / self._modes - noise) / light**2

    def shift(self, reference: Complex64Array, spectrum: Complex64Array) -> tuple[float, float]:
        """Return by how many (rows, columns) a frame must be moved to lie on the reference.

        The peak of the correlation, which is the most likely shift under white noise, sought on the pixels and then
        by a transform zoomed in on the peak (Guizar-Sicairos, Thurman & Fienup 2008) to 1/25 pixel and a parabola.
        """
        product = reference * np.conj(spectrum) * self._pass
        coarse = np.asarray(scipy.fft.irfft2(product, s=self._shape))
        peak = np.unravel_index(int(np.argmax(coarse)), coarse.shape)
        start = [float(p - n if p > n // 2 else p) for p, n in zip(peak, self._shape, strict=True)]
        for step in (0.2, 0.04):
            start = _zoom(product, self._shape, start, step)
        return start[0], start[1]


def _zoom(product: Complex64Array, shape: tuple[int, int], centre: list[float], step: float) -> list[float]:
    """Return the peak of a correlation near `centre`, on a grid of `step` and by a parabola through it."""
    offsets = step * np.arange(-5, 6)
    rows = np.exp(2j * np.pi * np.outer(centre[0] + offsets, np.fft.fftfreq(shape[0])))
    columns = np.exp(2j * np.pi * np.outer(np.fft.rfftfreq(shape[1]), centre[1] + offsets))
    columns *= half_plane_weights(shape[1])[:, None]
    values = (rows.astype(np.complex64) @ product @ columns.astype(np.complex64)).real.astype(float)
    row, column = (int(i) for i in np.unravel_index(int(np.argmax(values)), values.shape))
    return [
        centre[0] + offsets[row] + step * _vertex(values[:, column], row),
        centre[1] + offsets[column] + step * _vertex(values[row], column),
    ]


def _vertex(line: FloatArray, peak: int) -> float:
    if not 0 < peak < len(line) - 1:
        return 0.0
    before, at, after = line[peak - 1 : peak + 2]
    bend = before - 2 * at + after
    return float(0.5 * (before - after) / bend) if bend < 0 else 0.0


def move(spectrum: Complex64Array, shape: tuple[int, int], shift: tuple[float, float]) -> Complex64Array:
    """Return the ``rfft2`` of a picture moved by (rows, columns), which may be fractions."""
    rows = np.exp(-2j * np.pi * np.fft.fftfreq(shape[0]) * shift[0]).astype(np.complex64)
    columns = np.exp(-2j * np.pi * np.fft.rfftfreq(shape[1]) * shift[1]).astype(np.complex64)
    return np.asarray(spectrum * (rows[:, None] * columns), np.complex64)


def recommended_share(facts: Facts, share: float | None = None) -> tuple[float, str]:
    """Return the share of frames to keep and the reason for it.

    Parameters
    ----------
    facts : Facts
        Holds D/r0, or aperture and seeing.
    share : float, optional
        What the user wants.

    Raises
    ------
    InputError
        If the wanted share is not above 0 and at most 1.
    """
    from simulate.stack.expected import keep_fraction

    if share is not None:
        if not 0 < share <= 1:
            raise InputError("--keep", share, "give a share above 0, up to 1")
        return share, "as asked for"
    ratio, fried_m = facts.fried_ratio, facts.fried_m
    if ratio is None and facts.aperture_mm is not None and fried_m is not None:
        ratio = facts.aperture_mm * 1e-3 / fried_m
    if ratio is None:
        return 0.25, "nothing tells the seeing: a quarter is common practice; --keep sets another share"
    kept = keep_fraction(ratio)
    if kept > 0.95:
        return 1.0, f"D/r0 = {ratio:.1f}: nearly every frame is as good as the best, keep all"
    return kept, f"D/r0 = {ratio:.1f}: about {100 * kept:.0f} % of the frames have a wavefront within 1 rad of flat"
