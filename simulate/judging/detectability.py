"""How much of a feature is left in a picture, and how far it stands above the noise.

Two noise-free pictures go in, with and without the feature. Their difference is fitted with what a
careful user could not know: overall brightness, an offset, the place to a part of a pixel, how brightness
runs over the disc, the exact blur, and size where size is not the feature. What the fit
leaves is the signal. Its signal to noise is that of the best linear observer in locally white noise,
sqrt(sum(signal^2 / variance)) (Barrett & Myers 2004, Foundations of Image Science, chapter 13).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.ndimage import correlate1d

from simulate.errors import InputError, choose
from simulate.values.constants import FWHM_PER_SIGMA

FloatArray = npt.NDArray[np.floating]

UNKNOWNS = ("brightness", "offset", "place", "shading", "blur", "size", "stretch")
"""What may be fitted away: "shading" is brightness that runs evenly across the disc or from its middle to
its limb, "blur" a broader or narrower response, known to within `KNOWN_BLUR`, "stretch" a change of size
along every axis by itself (an oblong disc)."""

KNOWN_BLUR = 0.1
"""How well the width of the response is known, relative to it: seeing and focus change by that much
between a star and the planet (common practice, a chosen value)."""

ALWAYS_UNKNOWN = ("brightness", "offset", "place", "blur")
"""What no user knows, whatever is looked for: seeing and focus, too, are never quite those of the model."""

UNKNOWN_OF_DISCS = (*ALWAYS_UNKNOWN, "shading")
"""What no user knows of a body that shows a disc. A flat field, vignetting and the brightness of the sky
leave a slope; the strength of limb darkening is known to a few hundredths of its exponent at best, which
changes the disc, to lowest order, by a share that grows as the square of the distance from its middle."""

_TINY = 1e-30

SLOPE = (-1 / 60, 3 / 20, -3 / 4, 0.0, 3 / 4, -3 / 20, 1 / 60)
BEND = (1 / 90, -3 / 20, 3 / 2, -49 / 18, 3 / 2, -3 / 20, 1 / 90)
"""Central differences of sixth order for the first and second derivative (any text on numerics): a sharp
picture of few cells a resolution element needs them."""


@dataclass(frozen=True)
class Measured:
    """What is left of a feature in one channel.

    Parameters
    ----------
    contrast : float
        Largest remaining difference over the brighter of the two pictures at that place, 0 to 1.
    snr : float
        Signal to noise.
    channel : int
        Channel of the camera.
    peak : (int, int)
        (row, column) of the largest remaining difference.
    depth_sign : int
        -1 for a dark feature, 1 for a bright one.
    """

    contrast: float
    snr: float
    channel: int
    peak: tuple[int, int]
    depth_sign: int


@dataclass(frozen=True, eq=False)
class Signal:
    """The signal of a feature after the fit.

    Parameters
    ----------
    residual : array, shape (channels, rows, columns)
        What the fit leaves of the difference, in the unit of the pictures.
    variance : array, shape (channels, rows, columns)
        Variance of the noise in each cell that the observer reckons with.
    with_it, without : array, shape (channels, rows, columns)
        Both pictures.
    """

    residual: FloatArray
    variance: FloatArray
    with_it: FloatArray
    without: FloatArray

    @property
    def snr(self) -> FloatArray:
        """Signal to noise in each channel, shape (channels,)."""
        return np.sqrt(np.sum(self.residual**2 / self.variance, axis=(1, 2)))

    def template(self, channel: int) -> FloatArray:
        """Return the weights of the best linear observer, (rows, columns): unit noise, mean = snr."""
        weights = self.residual[channel] / self.variance[channel]
        return weights / max(float(np.sqrt(np.sum(self.residual[channel] * weights))), _TINY)

    def measured(self, *, whole: bool = False, channel: int | None = None) -> Measured:
        """Return contrast and signal to noise of one channel.

        Channels are not added up: the floor is the same in all of them.

        Parameters
        ----------
        channel : int, optional
            Which one; default that of the largest signal to noise.
        whole : bool
            Count the contrast against the brightest cell of the picture with the feature instead of the
            place of the difference: for a source that is the feature as a whole.
        """
        snr = self.snr
        channel = int(np.argmax(snr)) if channel is None else channel
        residual, with_it = self.residual[channel], self.with_it[channel]
        row, column = np.unravel_index(int(np.argmax(np.abs(residual))), residual.shape)
        peak = _peak_value(np.abs(residual), int(row), int(column))
        brighter = max(float(with_it[row, column]), float(self.without[channel, row, column]))
        level = max(float(with_it.max()) if whole else brighter, _TINY)
        sign = 1 if residual[row, column] > 0 else -1
        return Measured(min(peak / level, 1.0), float(snr[channel]), channel, (int(row), int(column)), sign)


def find_signal(
    difference: FloatArray,
    without: FloatArray,
    variance: FloatArray,
    unknowns: Sequence[str] = ALWAYS_UNKNOWN,
    *,
    middle: tuple[float, float] | None = None,
    fwhm_cells: float = 0.0,
) -> Signal:
    """Fit away what the user cannot know and return what is left.

    Parameters
    ----------
    difference : array, shape (channels, rows, columns)
        Picture with the feature less `without`.
    without : array, shape (channels, rows, columns)
        Picture without the feature.
    variance : array, shape (channels, rows, columns)
        Of the noise, positive, in each cell; locally white.
    unknowns : sequence of str
        From `UNKNOWNS`.
    middle : (float, float), optional
        (row, column) about which size is counted; default the middle of the array.
    fwhm_cells : float
        Width of the response, cells; needed for "blur".

    Raises
    ------
    InputError
        If shapes differ, the variance is not positive or an unknown is not known.
    """
    if difference.shape != without.shape or difference.shape != variance.shape or difference.ndim != 3:
        raise InputError("pictures", (difference.shape, without.shape, variance.shape), "give equal shapes, three axes")
    if not np.all(variance > 0):
        raise InputError("variance", float(np.min(variance)), "the noise of every cell must be positive")
    wanted = [choose("unknown", word, UNKNOWNS) for word in unknowns]
    centre = middle or ((difference.shape[1] - 1) / 2, (difference.shape[2] - 1) / 2)
    if "blur" in wanted and fwhm_cells <= 0:
        raise InputError("fwhm_cells", fwhm_cells, "give the width of the response, in cells")
    left = np.empty(difference.shape)
    for channel, below in enumerate(without):
        templates = _templates(below, wanted, centre)
        blur = _blur_template(below, fwhm_cells) if "blur" in wanted else None
        left[channel] = _fitted_away(difference[channel], templates, variance[channel], blur)
    return Signal(left, variance, without + difference, without)


def _templates(without: FloatArray, unknowns: Sequence[str], middle: tuple[float, float]) -> list[FloatArray]:
    """What the picture changes by when each unknown changes a little, each of shape (rows, columns)."""
    made: list[FloatArray] = []
    if "brightness" in unknowns:
        made.append(without)
    if "offset" in unknowns:
        made.append(np.ones_like(without))
    y = (np.arange(without.shape[0]) - middle[0])[:, None]
    x = (np.arange(without.shape[1]) - middle[1])[None, :]
    if "shading" in unknowns:
        made += [y * without, x * without, (y * y + x * x) * without]
    if not {"place", "size", "stretch"} & set(unknowns):
        return made
    along_rows, along_columns = (correlate1d(without, SLOPE, axis, mode="nearest") for axis in (0, 1))
    if "place" in unknowns:
        made += [along_rows, along_columns]
    if "stretch" in unknowns:
        made.extend((y * along_rows, x * along_columns, x * along_rows + y * along_columns))
    elif "size" in unknowns:
        made.append(y * along_rows + x * along_columns)
    return made


def _blur_template(without: FloatArray, fwhm_cells: float) -> FloatArray:
    """What the picture changes by for a response broader by `KNOWN_BLUR`: that much variance, diffused."""
    bend = correlate1d(without, BEND, 0, mode="nearest")
    bend += correlate1d(without, BEND, 1, mode="nearest")
    bend *= KNOWN_BLUR * (fwhm_cells / FWHM_PER_SIGMA) ** 2
    return bend


def _fitted_away(
    difference: FloatArray, templates: list[FloatArray], variance: FloatArray, known: FloatArray | None = None
) -> FloatArray:
    """Return what weighted least squares leaves of `difference`.

    `known` is one more template, whose factor is known to be 0 within 1: its departure from 0 is
    charged as one more measurement would be, and stays in the result as what the prior does not allow.
    """
    weight = 1.0 / np.sqrt(variance)
    used = templates if known is None else [*templates, known]
    if not used:
        return np.array(difference)
    columns = np.empty((len(used), difference.size))
    for line, template in zip(columns, used, strict=True):
        np.multiply(template, weight, out=line.reshape(difference.shape))
    target = (difference * weight).ravel().astype(float)
    matrix, sums = columns @ columns.T, columns @ target
    if known is not None:
        matrix[-1, -1] += 1.0
    norms = np.maximum(np.sqrt(np.diagonal(matrix)), _TINY)
    matrix /= np.outer(norms, norms)
    # equal templates (a uniform picture) must not blow up: the pseudo-inverse drops what is not there
    factors = np.linalg.pinv(matrix, rcond=1e-10, hermitian=True) @ (sums / norms) / norms
    left = target - factors @ columns
    return left.reshape(difference.shape) / weight


def _peak_value(values: FloatArray, row: int, column: int) -> float:
    """Height of the peak between cells: of parabolas through the logarithms of a cell and its neighbours.

    Exact for a Gaussian, and within 2 % for the core of an Airy disc on critical sampling.
    """
    top = float(values[row, column])
    if top <= 0:
        return top
    factor = 1.0
    for line, place in ((values[:, column], row), (values[row], column)):
        if 0 < place < len(line) - 1 and min(line[place - 1], line[place + 1]) > 0.05 * top:
            low, high = (math.log(float(line[place + side]) / top) for side in (-1, 1))
            bend = low + high
            if bend < 0:
                factor *= math.exp(-((high - low) ** 2) / (8 * bend))
    return top * factor


def floor_per_cell(share: float, fwhm_arcsec: float, step_arcsec: float) -> float:
    """Return the floor in one cell that adds up to `share` over a resolution element.

    A resolution element is the disc of diameter `fwhm_arcsec`; independent cells of side
    `step_arcsec` average to `share` over it.
    """
    cells = np.pi / 4 * (fwhm_arcsec / step_arcsec) ** 2
    return float(share * np.sqrt(max(cells, 1e-12)))
