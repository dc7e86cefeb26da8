"""How good a fitted picture is: contrast by frequency, effective aperture, channel shifts, levels, the limb."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import ndimage
from scipy.special import j0, j1

from simulate.checking.fitting import Fit, Problem
from simulate.checking.model import Theory, laid_under
from simulate.values.arrays import frozen_array
from simulate.values.constants import ARCSEC_PER_RADIAN

FloatArray = npt.NDArray[np.floating]

LADDER = (0.3, 0.5, 0.8, 1.25, 2.0, 3.2)
"""Widths of the Gaussians that a measured transfer is a sum of, relative to where the fitted blur is at one half."""

SHARED = 0.4
"""Share of two channels' errors of place that stays in their difference: much of each is the theory's, common to
both (measured on trial pictures)."""

OVEREXPOSED = 0.15
"""Share of the disc at the largest level from which a picture is called overexposed."""

HALF_OF_PERFECT = 0.40397
"""Frequency, over D / lambda, at which a clear, perfect aperture leaves half the contrast (the root of
(2/pi)(acos x - x sqrt(1 - x^2)) = 1/2; Goodman 2005, Introduction to Fourier Optics, section 6.3)."""


@dataclass(frozen=True)
class Measurement:
    """A number with its standard deviation."""

    value: float
    error: float


@dataclass(frozen=True, eq=False)
class MeasuredTransfer:
    """What a picture left of the contrast at each frequency.

    Parameters
    ----------
    widths : array, shape (n,)
        Of the Gaussians, cycles/arcsec: exp(-(f / width)^2).
    weights : array, shape (n,)
        Their weights, sum 1.
    covariance : array, shape (n, n)
        Of the weights.
    box_arcsec : float
        Side of the pixels over which the picture was averaged for the measurement; their own blur is
        divided out. 0 where it was not averaged.
    """

    widths: npt.NDArray[np.float64]
    weights: npt.NDArray[np.float64]
    covariance: npt.NDArray[np.float64]
    box_arcsec: float = 0.0

    def __post_init__(self) -> None:
        for name in ("widths", "weights", "covariance"):
            object.__setattr__(self, name, frozen_array(getattr(self, name), np.float64))

    def at(self, frequency: FloatArray) -> FloatArray:
        """Return the transfer at frequencies in cycles per arcsec, same shape."""
        return np.tensordot(self.weights, self._shapes(frequency), axes=1)

    def error_at(self, frequency: FloatArray) -> npt.NDArray[np.float64]:
        """Return its standard deviation at frequencies, shape (m,)."""
        shapes = self._shapes(frequency)
        variance = np.einsum("im,ij,jm->m", shapes, self.covariance, shapes)
        return np.sqrt(np.maximum(variance, 0.0)).astype(np.float64)

    def _shapes(self, frequency: FloatArray) -> FloatArray:
        frequency = np.asarray(frequency, float)
        # mean of the square's two sinc functions over all directions, near enough up to 0.6 cycles a box
        box = np.sinc(np.minimum(frequency * self.box_arcsec, 0.9) / math.sqrt(2.0)) ** 2
        return np.array([np.exp(-((frequency / width) ** 2)) / box for width in self.widths])

    def half(self) -> tuple[float, float]:
        """Return the frequency at which half the contrast is left, and its standard deviation, cycles/arcsec."""
        line = np.linspace(0.02, 1.5, 1500) * self.widths[-1]
        values = self.at(line)
        # the first fall through one half, so that a faint tail of a sum of Gaussians does not count
        below = np.flatnonzero(values < 0.5)
        last = max(int(below[0]) - 1, 0) if below.size else len(line) - 1
        middle = float(line[last])
        slope = abs(float(np.gradient(values, line)[last]))
        return middle, float(self.error_at(np.array([middle]))[0]) / max(slope, 1e-9)


def measure_transfer(fit: Fit, theory: Theory) -> MeasuredTransfer:
    """Fit a sum of Gaussians as the transfer from the theory to the picture in linear light.

    Place, scale, angle and tone may move once more, linearly. A weak pull towards the blur of the
    fit keeps the weights small where the planet holds no such frequency.

    Parameters
    ----------
    fit : Fit
        The fitted picture.
    theory : Theory
        The planet.
    """
    widths = np.array(LADDER) * fit.half_frequency / math.sqrt(math.log(2.0))
    bench = _Bench(fit, theory, [np.exp(-((theory.frequency / width) ** 2)) for width in widths])
    prior, count = _prior(widths, fit), len(widths)
    scale = np.maximum(np.sqrt((bench.design**2).mean(axis=0)), 1e-12)
    design, target = bench.design / scale, bench.light - bench.design[:, :count] @ prior
    ridge = np.full(design.shape[1], 1e-9)
    ridge[:count] += 1e-4
    normal = design.T @ design + np.diag(ridge * len(target))
    inverse = np.linalg.pinv(normal, rcond=1e-12, hermitian=True)
    solved = inverse @ (design.T @ target)
    left = target - design @ solved
    covariance = inverse @ _tiled(design * left[:, None], bench.used, fit.window.levels.shape) @ inverse
    weights = prior + solved[:count] / scale[:count]
    total = float(weights.sum())
    unit = covariance[:count, :count] / np.outer(scale[:count], scale[:count])
    weights = weights / total
    project = (np.eye(count) - np.outer(weights, np.ones(count))) / total
    box = fit.pose_here.scale_arcsec if fit.window.factor > 1 else 0.0
    return MeasuredTransfer(widths, weights, project @ unit @ project.T, box)


class _Bench:
    """Theories through chosen transfers under a picture's pixels, beside small changes of pose and tone.

    Attributes
    ----------
    used : int array, shape (n,)
        Pixels that are compared.
    design : array, shape (n, transfers + 6)
        One column a transfer, then row, column, scale, angle, tone and offset.
    light : array, shape (n,)
        Linear light of the picture.
    """

    def __init__(self, fit: Fit, theory: Theory, transfers: Sequence[FloatArray]) -> None:
        problem = Problem(fit.window, theory, fit.pose.mirrored)
        parameters = parameters_of(fit)
        residual, jacobian = problem.residual(parameters), problem.jacobian(parameters)
        self.used = np.flatnonzero(np.any(jacobian != 0, axis=1))
        rows, columns = fit.window.pixels
        place = rows.ravel()[self.used], columns.ravel()[self.used]
        shown = [laid_under(theory.blurred(each), theory, fit.pose_here, place) for each in transfers]
        jacobian = jacobian[self.used]
        self.design = np.column_stack([*shown, jacobian[:, :4], jacobian[:, 7], np.ones(len(self.used))])
        self.light = problem.model(parameters)[self.used] + residual[self.used]


KNOTS = 16
"""Frequencies between which a free transfer runs straight."""

FREE_RIDGE = 1e-5
"""Weight of a free transfer's bends, mean square of light; enough where the planet holds no such frequency."""


def free_transfer(fit: Fit, theory: Theory) -> FloatArray:
    """Fit a transfer of any shape over frequency, straight between knots; returns it on the theory's frequencies.

    Unlike `measure_transfer` it follows ringing of any kind, and so what strong sharpening does to
    edges, but where the planet holds nothing it tells nothing: no uncertainty is stated.

    Parameters
    ----------
    fit : Fit
        The fitted picture.
    theory : Theory
        The planet.
    """
    knots = np.linspace(0.0, max(1.3 * theory.cutoff, 2.0 * fit.half_frequency), KNOTS)
    hats = [np.interp(theory.frequency, knots, hat, right=0.0) for hat in np.eye(KNOTS)]
    bench = _Bench(fit, theory, hats)
    prior = fit.blur.at(knots)
    count = len(bench.light)
    bends = np.diff(np.eye(KNOTS), 2, axis=0)
    pull = np.diag(1e-6 * np.maximum((bench.design**2).mean(axis=0), 1e-12))
    pull[:KNOTS, :KNOTS] = FREE_RIDGE * (bends.T @ bends + 0.01 * np.eye(KNOTS))
    target = bench.light - bench.design[:, :KNOTS] @ prior
    solved = np.linalg.solve(bench.design.T @ bench.design / count + pull, bench.design.T @ target / count)
    return np.interp(theory.frequency, knots, prior + solved[:KNOTS], right=0.0)


def parameters_of(fit: Fit) -> npt.NDArray[np.float64]:
    """Return a fit's parameters in the order of `simulate.checking.fitting.NAMES`, for its window.

    Those of the face's doubts behind them are 0: the theory beside a fit has them added already.
    """
    pose = fit.pose_here
    return np.array(
        [
            pose.row,
            pose.column,
            math.log(pose.scale_arcsec),
            math.radians(pose.angle_deg),
            math.log(fit.blur.reach),
            fit.blur.lift,
            fit.blur.plain,
            fit.gamma,
            fit.offset,
            fit.factor,
            fit.blur.halo,
            *np.zeros(len(fit.amounts)),
        ]
    )


def _prior(widths: FloatArray, fit: Fit) -> npt.NDArray[np.float64]:
    """Weights whose sum of Gaussians comes nearest to the fitted blur."""
    square = np.linspace(0.0, 2.5, 120) * fit.half_frequency
    wanted = fit.blur.at(square)
    shapes = np.exp(-((square[:, None] / widths) ** 2))
    pulled = np.vstack([shapes, 0.02 * np.eye(len(widths))])
    solved = np.linalg.lstsq(pulled, np.concatenate([wanted, np.zeros(len(widths))]), rcond=None)[0]
    return np.asarray(solved, np.float64)


def _tiled(inner: FloatArray, used: npt.NDArray[np.intp], shape: tuple[int, ...]) -> FloatArray:
    """Scatter of the score over tiles, as for the fit's own uncertainties."""
    side = max(4, math.ceil(max(shape) / 14))
    row, column = np.divmod(used, shape[1])
    tile = (row // side) * (shape[1] // side + 1) + column // side
    score = np.zeros((int(tile.max()) + 1, inner.shape[1]))
    np.add.at(score, tile, inner)
    return score.T @ score


@dataclass(frozen=True)
class Aperture:
    """The perfect, clear aperture that leaves half the contrast at the same frequency.

    Parameters
    ----------
    value_mm, error_mm : float
        Diameter and standard deviation.
    """

    value_mm: float
    error_mm: float


def aperture_of(half_cycles_per_arcsec: float, wavelength_nm: float) -> float:
    """Return the diameter, mm, of the clear, perfect aperture with half contrast at a frequency."""
    return half_cycles_per_arcsec / HALF_OF_PERFECT * wavelength_nm * 1e-6 * ARCSEC_PER_RADIAN


def effective_aperture(transfer: MeasuredTransfer, wavelength_nm: float, window_scale_arcsec: float) -> Aperture:
    """Return the effective aperture of a measured transfer.

    Parameters
    ----------
    transfer : MeasuredTransfer
        From `measure_transfer`.
    wavelength_nm : float
        Mean wavelength of the channel.
    window_scale_arcsec : float
        Side of the pixels that were fitted: the half frequency cannot be known beyond what they hold.
    """
    half, error = transfer.half()
    half = min(half, 0.5 / window_scale_arcsec)
    value = aperture_of(half, wavelength_nm)
    return Aperture(value, aperture_of(error, wavelength_nm))


@dataclass(frozen=True)
class ChannelShift:
    """By how much a colour lies beside the green one.

    Parameters
    ----------
    name : str
        "red" or "blue".
    row_px, column_px : float
        Shift in the picture's pixels, up and to the right.
    error_px : float
        Standard deviation of each.
    """

    name: str
    row_px: float
    column_px: float
    error_px: float

    @property
    def length_px(self) -> float:
        """Length of the shift, pixels."""
        return math.hypot(self.row_px, self.column_px)


def channel_shift(name: str, fit: Fit, plane_fit: Fit) -> ChannelShift:
    """Return the shift of one channel's fit against the green one's."""
    widest = max(math.hypot(fit.errors[axis], plane_fit.errors[axis]) for axis in ("row", "column"))
    error = SHARED * widest * fit.window.factor
    return ChannelShift(name, plane_fit.pose.row - fit.pose.row, plane_fit.pose.column - fit.pose.column, float(error))


@dataclass(frozen=True)
class Levels:
    """What the numbers of the file can hold.

    Parameters
    ----------
    bits : int
        Of the file.
    distinct : int
        Levels that occur on the disc.
    step : float
        Usual distance of neighbouring levels on the disc, share of its brightness.
    noise_in_steps : float
        Noise from pixel to pixel in such steps; below a half contours may show.
    clipped : float
        Share of the disc at the largest level; the other numbers are those of the rest.
    """

    bits: int
    distinct: int
    step: float
    noise_in_steps: float
    clipped: float

    @property
    def overexposed(self) -> bool:
        """Whether so much is burnt out that the rest tells little of sharpness."""
        return self.clipped > OVEREXPOSED

    @property
    def contours(self) -> bool:
        """Whether steps of brightness can show as contours."""
        return self.noise_in_steps < 0.5 and self.step > 1.0 / 160.0


def measure_levels(plane: FloatArray, mask: npt.NDArray[np.bool_], bits: int, sky: float, disc: float) -> Levels:
    """Measure the levels on the disc of one plane.

    Parameters
    ----------
    plane : array, shape (rows, columns)
        Levels.
    mask : bool array
        The disc.
    bits : int
        Of the file.
    sky, disc : float
        Levels of both.
    """
    top = 1.0 - 0.6 / (2**bits - 1) if bits else np.inf
    clipped = float(np.mean(plane[mask] >= top))
    # what is burnt out has neither noise nor steps of its own
    mask = mask & (ndimage.maximum_filter(plane, size=3) < top)
    if not mask.any():
        return Levels(bits, 1, 1.0, math.inf, clipped)
    values = np.unique(plane[mask])
    span = max(disc - sky, 1e-6)
    step = float(np.median(np.diff(values))) if values.size > 1 else span
    inner = ndimage.binary_erosion(mask, iterations=2)
    inner = inner if np.count_nonzero(inner) > 30 else mask
    second = plane[:, 2:] - 2 * plane[:, 1:-1] + plane[:, :-2]
    noise = float(np.sqrt(np.mean(second[inner[:, 1:-1]] ** 2) / 6.0)) if inner[:, 1:-1].any() else 0.0  # pyright: ignore[reportArgumentType, reportCallIssue]
    return Levels(bits, int(values.size), step / span, noise / max(step, 1e-9), clipped)


def limb_overshoot_of(transfer: MeasuredTransfer, radius_arcsec: float) -> float:
    """Return by how much the limb of an even disc overshoots its middle through a transfer, share of it.

    The profile of a disc of radius R is the Hankel transform of R J1(2 pi R f) / f times the transfer (Goodman 2005,
    Introduction to Fourier Optics, section 2.1).
    """
    shape, weight = _disc_profile(float(transfer.widths[-1]), float(transfer.widths[0]), radius_arcsec)
    profile = shape @ (weight * transfer.at(_frequencies(float(transfer.widths[-1]))))
    return max(0.0, float(profile[1:].max() / max(profile[0], 1e-6)) - 1.0)


FREQUENCIES = 1200
"""Frequencies of the disc's transform, up to twice the widest Gaussian."""


def _frequencies(widest: float) -> FloatArray:
    return np.linspace(1e-6, 2.0 * widest, FREQUENCIES)


@lru_cache(maxsize=8)
def _disc_profile(widest: float, narrowest: float, radius: float) -> tuple[FloatArray, FloatArray]:
    """Return what turns a transfer into a disc's brightness: its middle's mean, then places within the limb."""
    frequency = _frequencies(widest)
    weight = 2.0 * np.pi * radius * j1(2.0 * np.pi * radius * frequency) * (frequency[1] - frequency[0])
    inner = np.linspace(0.0, 0.5, 12) * radius
    # no further in than where an edge's ringing of the widest blur begins
    limb = radius - np.linspace(0.0, min(0.5 * radius, 2.0 / narrowest), 60)
    middle = (j0(2.0 * np.pi * inner[:, None] * frequency) * inner[:, None]).sum(axis=0) / inner.sum()
    return np.vstack([middle, j0(2.0 * np.pi * limb[:, None] * frequency)]), weight


LEAST_OWN = 3e-4
"""Share of a difference that the derivatives must leave over for it to be measured: less is lost in rounding."""


def amplitude_of(fit: Fit, difference: FloatArray, jacobian: FloatArray) -> tuple[float, float]:
    """Return how much of a difference the picture's residual holds, and its standard deviation.

    The deviation is infinite where the difference is nothing, or nothing but what place, scale, turn, blur and tone
    could make as well: then the picture cannot tell.

    Parameters
    ----------
    fit : Fit
        Gives the residual.
    difference : array, shape (pixels,)
        What would be added to the theory under the pixels.
    jacobian : array, shape (pixels, parameters)
        Derivatives that may take up part of it.
    """
    residual = np.nan_to_num(fit.residual).ravel()
    used = np.any(jacobian != 0, axis=1)
    design = np.column_stack([difference, -jacobian])[used]
    own = own_part(design)
    whole = float(np.sqrt((design[:, 0] ** 2).sum()))
    if not own > LEAST_OWN * whole:
        return 0.0, math.inf
    scale = np.maximum(np.sqrt((design**2).sum(axis=0)), 1e-12)
    scale[0] = whole
    inverse = np.linalg.pinv((design / scale).T @ (design / scale), rcond=1e-9)
    weight = 1.0 / np.sqrt(1.0 + (residual[used] / (3.0 * max(fit.noise, 1e-6))) ** 2)
    solved = inverse @ ((design / scale).T @ residual[used])
    left = (residual[used] - (design / scale) @ solved) * weight
    spread = _tiled((design / scale) * left[:, None], np.flatnonzero(used), fit.window.levels.shape)
    covariance: Any = inverse @ spread @ inverse
    error = math.sqrt(max(covariance[0, 0], 0.0)) / whole
    # few tiles that hold the difference may agree by chance; no less than even noise would give
    even = float(np.std(left)) * math.sqrt(fit.correlated_px) / own
    return float(solved[0] / whole), float(max(error, 0.5 * even))


def own_part(design: FloatArray) -> float:
    """Return the length of the first column of a matrix that no mixture of the others makes up."""
    first, others = design[:, 0], design[:, 1:]
    others = others / np.maximum(np.sqrt((others**2).sum(axis=0)), 1e-12)
    made = others @ np.linalg.lstsq(others.T @ others, others.T @ first, rcond=1e-10)[0]
    return float(np.sqrt(((first - made) ** 2).sum()))
