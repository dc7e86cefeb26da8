"""Place, scale, angle, mirror, blur and tone curve of a picture, fitted to the planet's theory without a hint.

The picture's levels v are taken for v = t^(1/g) of linear light t, shifted and scaled: a + b v^g is compared with the
theory under each pixel, in linear light, where noise is nearly even. Starts come from the area and the middle of the
brightest part and a search over all angles and both mirrors; then robust least squares (soft L1) runs with exact
derivatives for place, scale, angle and tone. Uncertainties are those of an estimating equation with correlated
noise: curvature on both sides of the scatter of the score over tiles of the picture (Huber 1967; Liang & Zeger 1986).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import numpy.typing as npt
import scipy.fft

from simulate.checking.finding import OUTLINE, Edge, Found
from simulate.checking.model import Blur, Pose, Theory, laid_under, reduced_plane

FloatArray = npt.NDArray[np.floating]

MOST_SIDE_PX = 120
"""Pixels along the planet's window in the fit; finer pictures are averaged down to this."""

COARSE_SIDE_PX = 64
"""The same while all angles are tried."""

TELLING = 5.0
"""Log of the odds by which one mirror, or angle, must beat the other to be named."""

ANGLE_SHARE = 0.85
"""Share of the angle's error from the scatter of the residual that is stated: part of what is left is the blur's shape,
which lies evenly on both sides of a marking and turns nothing, but scatters from tile to tile all the same (chosen on
one half of the trial's pictures; without it 78 % of them lie within one sigma)."""

LOOSEST_ANGLE_DEG = 4.0
"""Largest uncertainty with which an angle is named."""

STRETCHES = (0.93, 1.0, 1.07)
"""Factors on the scale of the planet's area that are searched."""

WIDE_STRETCHES = (0.64, 0.71, 0.79, 0.87, 1.15, 1.26, 1.38)
"""The same where nothing was found near that scale."""

ROUGHLY_AS_GOOD = 3.0
"""Up to how many times the smallest misfit of the rough fits another angle is tried in the fine one, too."""

CLEARLY_EXPLAINED = 0.8
"""Share of a picture's variance that any right body explains, however processed."""

LEAST_AMOUNT_ERROR = 0.15
"""Least standard deviation of the amount of a difference that a residual holds."""

MOST_RESCALED = 0.4
"""Log of the factor by which a solution's scale may differ from where it starts."""

NAMES = ("row", "column", "log scale", "angle", "log reach", "lift", "plain", "gamma", "offset", "factor", "halo")
"""Parameters of the fit, in order; the angle in radians."""

_LOWEST = (-np.inf, -np.inf, -np.inf, -np.inf, -np.inf, -0.4, 0.0, 0.3, -2.0, 0.3, -0.3)
_HIGHEST = (np.inf, np.inf, np.inf, np.inf, np.inf, 20.0, 1.0, 4.5, 0.08, 20.0, 4.0)

START_GAMMA = 1.5
"""Exponent of the tone with which a fit starts."""

NEAR_OUTLINE = 0.05
"""Share of the scale by the planet's outline within which that of the fit lies (on six finished pictures of owners it
was right to 0.00-0.05 where no editor had cut it)."""

MOONS_HOLD = 0.1
"""Share of the moons' own errors within which they hold scale and angle during the fit of the disc."""

FIRST_NOISE = 0.03
"""Rms of what is left, the disc being 1, that is assumed at first, and at most: more is a face that is not
understood, and to take it for noise would let the fit ignore the limb."""

USUAL_GAMMA, GAMMA_SPREAD = 1.5, 0.35
"""Middle and spread of the log of a tone's exponent: finished pictures of owners had 0.4 to 2.4."""

OFFSET_SPREAD = 0.03
"""Standard deviation of the light, the disc being 1, at which a finished picture is black: skies are cut, and with
them the darkest limb. It must stay small, or a sky that is cut frees any planet's edge from the comparison."""

USUAL_REACH, REACH_SPREAD, LIFT_SPREAD, HALO_SPREAD = 0.4, 0.5, 5.0, 0.7
"""Middle, of the telescope's cut-off, and spread of the log of a blur's reach, and the usual sizes of its lift and
halo: no picture is sharper than its telescope, however sharply an editor cut its limb."""

BLUR_CHANGE = 0.05
"""Change of a transfer, anywhere, from which the doubts of the face are blurred anew."""

MOST_DAMPED = 6
"""Dampings that are tried for one step of the fit."""

ENOUGH = 1e-4
"""Share of the cost that a step must save for another one to be worth it."""

PRIOR_PX = 60.0
"""Independent residuals against which a prior is weighed in the fit, before their number is known."""

MOST_DOUBT = 2.5
"""Standard deviations of its prior to which a doubt of the face is held."""


_STEPS = np.array([1.0, 1.0, 0.02, 0.05, 0.2, 0.3, 0.3, 0.2, 0.05, 0.2, 0.2])
"""Usual sizes of the parameters' steps; that of a doubt is its spread."""

PLAIN = len(NAMES)
"""Parameters of place, blur and tone; those of the face's doubts follow."""


@dataclass(frozen=True, eq=False)
class Window:
    """The part of a picture that the fit looks at, averaged down if it is fine.

    Parameters
    ----------
    levels : array, shape (rows, columns)
        Levels of one plane.
    first_row, first_column : int
        Where the window begins in the picture.
    factor : int
        Pixels of the picture along one of the window's.
    ceiling : float
        Level from which a pixel counts as clipped.
    edge : Edge
        How the planet ends in a sky that was cut to black.
    """

    levels: npt.NDArray[np.float64]
    first_row: int
    first_column: int
    factor: int
    ceiling: float
    edge: Edge = field(default_factory=Edge)

    @property
    def pixels(self) -> tuple[FloatArray, FloatArray]:
        """Rows and columns of the window's own pixels."""
        rows, columns = np.indices(self.levels.shape, dtype=float)
        return rows, columns

    def pose_in_picture(self, pose: Pose) -> Pose:
        """Return the pose in the picture's pixels of one in the window's."""
        outer = pose.enlarged(self.factor)
        return replace(outer, row=outer.row + self.first_row, column=outer.column + self.first_column)

    def same_part(self, plane: FloatArray) -> npt.NDArray[np.float64]:
        """Return the window's part of another plane of the same picture, averaged down alike."""
        rows, columns = (n * self.factor for n in self.levels.shape)
        part = plane[self.first_row : self.first_row + rows, self.first_column : self.first_column + columns]
        return reduced_plane(part, self.factor)

    def pose_here(self, pose: Pose) -> Pose:
        """Undo `pose_in_picture`."""
        return replace(pose, row=pose.row - self.first_row, column=pose.column - self.first_column).reduced(self.factor)


def window_of(
    plane: FloatArray,
    middle: tuple[float, float],
    half_px: float,
    most_side: int,
    bits: int,
    edge: Edge | None = None,
) -> Window:
    """Cut the planet's surroundings out of a plane.

    Parameters
    ----------
    plane : array, shape (rows, columns)
        Levels.
    middle : (row, column)
        Of the planet.
    half_px : float
        Half the wanted width.
    most_side : int
        Largest side of the result; larger windows are averaged down.
    bits : int
        Of the file.
    edge : Edge, optional
        How the planet ends.
    """
    rows, columns = plane.shape
    low_row, high_row = max(0, int(middle[0] - half_px)), min(rows, int(middle[0] + half_px) + 1)
    low_column, high_column = max(0, int(middle[1] - half_px)), min(columns, int(middle[1] + half_px) + 1)
    part = plane[low_row:high_row, low_column:high_column]
    factor = max(1, math.ceil(max(part.shape) / most_side))
    top = 1.0 - 0.6 / (2**bits - 1) if bits else np.inf
    return Window(reduced_plane(part, factor), low_row, low_column, factor, top, edge or Edge())


@dataclass(frozen=True, eq=False)
class Fit:
    """A picture's place on the sky and its tone, with uncertainties.

    Parameters
    ----------
    pose : Pose
        In the pixels of the whole picture.
    errors : mapping
        Standard deviation by `NAMES`.
    blur : Blur
        From the theory to the picture.
    gamma, offset, factor : float
        Of the tone a + b v^gamma.
    residual : array, shape of the window
        Picture less theory in linear light, the disc being 1; NaN where nothing was compared.
    noise : float
        Robust rms of the residual.
    correlated_px : float
        Pixels that share one independent residual.
    explained : float
        Share of the picture's variance that the theory explains.
    window : Window
        What was fitted.
    amounts : array, shape (doubts,)
        By how much the theory's doubts were added; the theory that is laid beside the picture has them.
    mirror_evidence : float
        Log likelihood of the named mirror over the other.
    angle_rival_evidence : float
        The same of the angle over the best other angle.
    other_angle_deg : float
        The angle if the mirror is the other one.
    by_moons : bool
        Whether scale, angle and mirror are those of the moons.
    """

    pose: Pose
    errors: dict[str, float]
    blur: Blur
    gamma: float
    offset: float
    factor: float
    residual: npt.NDArray[np.float64]
    noise: float
    correlated_px: float
    explained: float
    window: Window
    amounts: npt.NDArray[np.float64] = field(default_factory=lambda: np.zeros(0))
    mirror_evidence: float = 0.0
    angle_rival_evidence: float = math.inf
    other_angle_deg: float = 0.0
    by_moons: bool = False

    @property
    def pose_here(self) -> Pose:
        """The pose in the window's pixels."""
        return self.window.pose_here(self.pose)

    @property
    def linear(self) -> npt.NDArray[np.float64]:
        """The window's picture in linear light, the theory's disc being 1."""
        return self._linear(self.window.levels)

    def linear_of(self, plane: FloatArray) -> npt.NDArray[np.float64]:
        """Return the window's part of another plane of the same picture in linear light, by the same tone curve."""
        return self._linear(self.window.same_part(plane))

    def _linear(self, levels: FloatArray) -> npt.NDArray[np.float64]:
        return self.offset + self.factor * np.maximum(levels, 0.0) ** self.gamma

    def cost_at(self, noise: float) -> float:
        """Return the robust cost (soft L1 at three times the noise), in units of the noise squared."""
        square = (np.nan_to_num(self.residual) / (3.0 * noise)) ** 2
        return float(9.0 * np.sum(np.sqrt(1.0 + square) - 1.0))

    @property
    def half_frequency(self) -> float:
        """Frequency at which the fitted blur leaves half the contrast, cycles per arcsec."""
        return self.blur.half

    @property
    def tells_mirror(self) -> bool:
        """Whether the picture carries its mirror."""
        return self.mirror_evidence > TELLING

    @property
    def tells_angle(self) -> bool:
        """Whether the picture carries its angle: no other one, under the other mirror either, fits about as well."""
        certain = math.degrees(self.errors["angle"]) < LOOSEST_ANGLE_DEG
        apart = abs(math.remainder(self.other_angle_deg - self.pose.angle_deg, 360.0)) > 1.0
        return certain and self.angle_rival_evidence > TELLING and (self.tells_mirror or not apart)


@dataclass(frozen=True, eq=False)
class Solved:
    """Parameters of least cost, that cost, and what is left under the pixels."""

    x: npt.NDArray[np.float64]
    cost: float
    fun: npt.NDArray[np.float64]


@dataclass(frozen=True)
class Known:
    """What is known of one parameter of a fit beforehand: a mean and a standard deviation."""

    index: int
    value: float
    error: float


class Problem:
    """Residuals and their derivatives for one mirror.

    Parameters
    ----------
    window : Window
        The picture.
    theory : Theory
        The planet.
    mirrored : bool
        The mirror that is tried.
    known : tuple of Known
        What is known of single parameters beforehand.
    """

    held: tuple[int, ...] = ()
    """Parameters that a solution leaves where they start."""

    def __init__(self, window: Window, theory: Theory, mirrored: bool, known: tuple[Known, ...] = ()) -> None:
        self.window, self.theory, self.mirrored, self.known = window, theory, mirrored, known
        rows, columns = window.pixels
        self._place = rows.ravel(), columns.ravel()
        self.levels = np.maximum(window.levels.ravel(), 0.0)
        self._logs = np.log(np.maximum(self.levels, 1e-4))
        self._black = self.levels <= 1e-6
        self._white = self.levels >= window.ceiling
        lit = self.levels[self.levels > OUTLINE * float(np.quantile(self.levels, 0.98))]
        self._usual_log = float(np.mean(np.log(lit))) if lit.size else 0.0
        self._last: _Laid | None = None
        self._blurred_doubts: tuple[FloatArray, npt.NDArray[np.float32]] | None = None

    def pose(self, parameters: FloatArray) -> Pose:
        """Return the pose, in the window's pixels, of the parameters."""
        row, column, log_scale, angle = (float(x) for x in parameters[:4])
        return Pose(row, column, math.exp(log_scale), math.degrees(angle), self.mirrored)

    def blur(self, parameters: FloatArray) -> Blur:
        """Return the blur of the parameters."""
        log_reach, lift, plain = (float(x) for x in parameters[4:7])
        return Blur(math.exp(log_reach), lift, plain, self.theory.cutoff, float(parameters[10]))

    def _transfer(self, parameters: FloatArray) -> FloatArray:
        return self.blur(parameters).at(self.theory.frequency, self.theory.perfect)

    def _blurred(self, parameters: FloatArray) -> FloatArray:
        return self.theory.blurred(self._transfer(parameters), parameters[PLAIN:])

    def model(self, parameters: FloatArray) -> FloatArray:
        """Return the theory under the pixels, shape (pixels,)."""
        return laid_under(self._blurred(parameters), self.theory, self.pose(parameters), self._place)

    def _laid(self, parameters: FloatArray) -> _Laid:
        """Return the theory under the pixels and what was left, kept for the derivatives at the same place."""
        key = np.asarray(parameters).tobytes()
        if self._last is None or self._last.key != key:
            gamma, offset, factor = (float(x) for x in parameters[7:10])
            place = self.pose(parameters).sky_of(*self._place)
            index = self.theory.index_of(*place)
            tone = self.levels**gamma
            residual = (
                offset + factor * tone - self.theory.seen_at(self._transfer(parameters), index, parameters[PLAIN:])
            )
            size = np.array(self.theory.grid.shape)[:, None]
            outside = np.any((index < 1) | (index > size - 2), axis=0)
            # a clipped pixel says only that the light is at least, or at most, so much
            residual[self._black] += factor * self.window.edge.level**gamma
            free = outside | (self._black & ((residual > 0) | self.window.edge.circle)) | (self._white & (residual < 0))
            residual[free] = 0.0
            self._last = _Laid(key, place, index, tone, free, residual)
        return self._last

    def residual(self, parameters: FloatArray) -> FloatArray:
        """Return picture less theory in linear light, shape (pixels,)."""
        return self._laid(parameters).residual

    def jacobian(self, parameters: FloatArray) -> FloatArray:
        """Return the derivatives of `residual`, shape (pixels, parameters)."""
        laid, pose, factor = self._laid(parameters), self.pose(parameters), float(parameters[9])
        east, north = laid.place
        light = self._blurred(parameters)
        slopes = np.gradient(light, self.theory.grid.step_arcsec)
        d_north, d_east = _sampled(slopes[0], laid.index), -_sampled(slopes[1], laid.index)
        jacobian = np.zeros((laid.residual.size, len(parameters)))
        sine, cosine = math.sin(math.radians(pose.angle_deg)), math.cos(math.radians(pose.angle_deg))
        scale, side = pose.scale_arcsec, pose.side
        jacobian[:, 0] = scale * (sine * d_east + cosine * d_north)
        jacobian[:, 1] = scale * side * (-cosine * d_east + sine * d_north)
        jacobian[:, 2] = -(east * d_east + north * d_north)
        jacobian[:, 3] = -(north * d_east - east * d_north)
        for column, step in ((4, 0.02), (5, 0.05), (6, 0.05), (10, 0.05)):
            moved = np.array(parameters, float)
            moved[column] += step
            jacobian[:, column] = -_sampled(self._blurred(moved) - light, laid.index) / step
        jacobian[:, 7] = factor * laid.tone * self._logs
        jacobian[:, 8] = 1.0
        jacobian[:, 9] = laid.tone
        transfer = self._transfer(parameters)
        for column, change in enumerate(self._changes(transfer, len(parameters) - PLAIN), start=PLAIN):
            jacobian[:, column] = -_sampled(change, laid.index)
        jacobian[laid.free] = 0.0
        return jacobian

    def solve(self, start: FloatArray, noise: float, steps: int) -> Solved:
        """Run robust least squares from a start."""
        lowest, highest = np.array(_LOWEST), np.array(_HIGHEST)
        result = self._solved(start, noise, steps, (lowest, highest))
        if abs(result.x[2] - start[2]) > MOST_RESCALED:
            # a planet so small that hardly a pixel is compared would fit anything
            lowest[2], highest[2] = start[2] - MOST_RESCALED, start[2] + MOST_RESCALED
            result = self._solved(start, noise, steps, (lowest, highest))
        return result

    def _changes(self, transfer: FloatArray, count: int) -> npt.NDArray[np.float32]:
        """Return the doubts through a transfer; while the blur hardly changes, as it was: only slopes hang on it."""
        kept = self._blurred_doubts
        if kept is None or len(kept[1]) != count or float(np.abs(kept[0] - transfer).max()) > BLUR_CHANGE:
            spectra = self.theory.doubt_spectra[:count] * np.asarray(transfer, np.float32)
            kept = transfer, np.asarray(scipy.fft.irfft2(spectra, s=self.theory.grid.shape), np.float32)
            self._blurred_doubts = kept
        return kept[1]

    def _solved(self, start: FloatArray, noise: float, steps: int, bounds: tuple[FloatArray, FloatArray]) -> Solved:
        """Damped least squares (Levenberg 1944, Marquardt 1963) with soft L1 weights, steps cut at the bounds.

        What is left is weighed by the slope of the tone curve at the geometric mean of the disc's levels (Box & Cox
        1964, J. R. Stat. Soc. B 26, 211): else the curve that makes everything alike would always fit best.
        """
        spreads = self.spreads(len(start))
        lowest = np.concatenate([bounds[0][:PLAIN], -MOST_DOUBT * spreads])
        highest = np.concatenate([bounds[1][:PLAIN], MOST_DOUBT * spreads])
        # a blur wider than the planet would leave nothing to compare, and fit anything
        lowest[4] = math.log(max(0.35 / self.theory.extent_arcsec, 0.07 * self.theory.cutoff))
        free = np.setdiff1d(np.arange(len(start)), self.held)
        usual, weight = np.concatenate([_STEPS, spreads])[free], noise * math.sqrt(PRIOR_PX)
        here = np.clip(start, lowest + 1e-6, highest - 1e-6)
        cost, damping = self._cost(here, noise, weight), 1e-2
        for _ in range(steps):
            evened = self.evened(here)
            residual, prior = evened * self.residual(here), weight * self.prior(here)
            soft = 1.0 / np.sqrt(1.0 + (residual / (3.0 * noise)) ** 2)
            slopes = evened * self.jacobian(here)
            slopes[:, 7] -= residual * (1.0 / float(here[7]) + self._usual_log)
            slopes[:, 9] -= residual / float(here[9])
            slopes = slopes[:, free] * usual
            known = weight * self.prior_jacobian(here)[:, free] * usual
            normal = slopes.T @ (slopes * soft[:, None]) + known.T @ known
            pull = slopes.T @ (soft * residual) + known.T @ prior
            before = cost
            for _ in range(MOST_DAMPED):
                damped = normal + damping * np.diag(np.diag(normal) + 1e-9 * float(np.trace(normal)))
                step = np.linalg.solve(damped, -pull) * usual
                moved = here.copy()
                moved[free] = np.clip(here[free] + step, lowest[free] + 1e-9, highest[free] - 1e-9)
                tried = self._cost(moved, noise, weight)
                if tried < cost:
                    here, cost, damping = moved, tried, max(damping / 5.0, 1e-7)
                    break
                damping *= 6.0
            if before - cost < ENOUGH * cost:
                break
        return Solved(here, cost, self.residual(here))  # pyright: ignore[reportArgumentType]

    def evened(self, parameters: FloatArray) -> float:
        """Return the slope of the tone curve on the disc's usual level for a usual exponent over that of parameters."""
        gamma, factor = float(parameters[7]), float(parameters[9])
        slope = factor * gamma * math.exp((gamma - 1.0) * self._usual_log)
        return START_GAMMA * math.exp(-self._usual_log) / slope

    def _cost(self, parameters: FloatArray, noise: float, weight: float) -> float:
        square = (self.evened(parameters) * self.residual(parameters) / (3.0 * noise)) ** 2
        prior = weight * self.prior(parameters)
        return float((3.0 * noise) ** 2 * np.sum(np.sqrt(1.0 + square) - 1.0) + 0.5 * prior @ prior)

    def spreads(self, count: int) -> npt.NDArray[np.float64]:
        """Return the standard deviations of the doubts among `count` parameters."""
        doubts = self.theory.doubts
        return np.zeros(0) if doubts is None else np.array(doubts.spreads[: count - PLAIN])

    def prior(self, parameters: FloatArray) -> FloatArray:
        """Return how far tone and face are from what is usual, in standard deviations."""
        gamma, offset = float(parameters[7]), float(parameters[8])
        tone = [
            math.log(gamma / USUAL_GAMMA) / GAMMA_SPREAD,
            offset / OFFSET_SPREAD,
            (float(parameters[4]) - math.log(USUAL_REACH * self.theory.cutoff)) / REACH_SPREAD,
            float(parameters[5]) / LIFT_SPREAD,
            float(parameters[10]) / HALO_SPREAD,
        ]
        told = [(float(parameters[one.index]) - one.value) / one.error for one in self.known]
        return np.concatenate([tone, parameters[PLAIN:] / self.spreads(len(parameters)), told])

    def prior_jacobian(self, parameters: FloatArray) -> FloatArray:
        """Return the derivatives of `prior`, shape (priors, parameters)."""
        spreads = self.spreads(len(parameters))
        result = np.zeros((5 + len(spreads) + len(self.known), len(parameters)))
        result[0, 7] = 1.0 / (GAMMA_SPREAD * float(parameters[7]))
        result[1, 8] = 1.0 / OFFSET_SPREAD
        result[2, 4] = 1.0 / REACH_SPREAD
        result[3, 5] = 1.0 / LIFT_SPREAD
        result[4, 10] = 1.0 / HALO_SPREAD
        result[np.arange(len(spreads)) + 5, np.arange(len(spreads)) + PLAIN] = 1.0 / spreads
        for row, one in enumerate(self.known, start=5 + len(spreads)):
            result[row, one.index] = 1.0 / one.error
        return result


@dataclass(frozen=True, eq=False)
class _Laid:
    """A theory laid under a picture's pixels; arrays of shape (pixels,) but for the index."""

    key: bytes
    place: tuple[FloatArray, FloatArray]
    index: FloatArray
    tone: FloatArray
    free: npt.NDArray[np.bool_]
    residual: npt.NDArray[np.float64]


def _sampled(picture: Any, index: FloatArray) -> FloatArray:
    from scipy import ndimage

    return ndimage.map_coordinates(picture, index, order=1, mode="constant", output=np.float64)


@dataclass(frozen=True)
class KnownPose:
    """How a picture lies, from its moons, before its planet is fitted.

    Parameters
    ----------
    scale_arcsec, angle_deg : float
        Side of a pixel, and where up points.
    mirrored : bool
        Whether left and right are exchanged.
    scale_error, angle_error_deg : float
        Standard deviations: share of the scale, and degrees.
    odds : float
        Log of the odds that the mirror is right.
    """

    scale_arcsec: float
    angle_deg: float
    mirrored: bool
    scale_error: float
    angle_error_deg: float
    odds: float


def fit_picture(
    plane: FloatArray,
    found: Found,
    theory: Theory,
    bits: int,
    *,
    axis_deg: float | None = None,
    pose: KnownPose | None = None,
) -> Fit:
    """Fit a plane of a picture.

    Parameters
    ----------
    plane : array, shape (rows, columns)
        Levels.
    found : Found
        Where the planet is.
    theory : Theory
        The planet as it stood.
    bits : int
        Of the file; 0 for floating point.
    axis_deg : float, optional
        Position angle of the axis about which the theory is nearly its own mirror image: then the mirrored fits start
        from the others' reflections.
    pose : KnownPose, optional
        How the picture lies, where its moons tell.

    Raises
    ------
    InputError
        If what was found does not look like this body.
    """
    if pose is not None:
        return _fitted_as_known(plane, found, theory, bits, pose)
    fit = _fitted(plane, found, theory, bits, STRETCHES, axis_deg)
    # rings sharpened until their brightest parts alone stand out give a scale far off
    return fit if fit.explained > CLEARLY_EXPLAINED else _fitted(plane, found, theory, bits, WIDE_STRETCHES, axis_deg)


def _fitted_as_known(plane: FloatArray, found: Found, theory: Theory, bits: int, pose: KnownPose) -> Fit:
    """Fit with scale, angle and mirror from the moons."""
    half = 1.3 * theory.extent_arcsec / pose.scale_arcsec + 4
    fine = window_of(plane, (found.row, found.column), half, MOST_SIDE_PX, bits, found.edge)
    here = fine.pose_here(Pose(found.row, found.column, pose.scale_arcsec, pose.angle_deg, pose.mirrored))
    start = _start(here, 0.4 * theory.cutoff, found)
    # many pixels of a face that is not understood must not outvote the moons
    known = (
        Known(2, math.log(pose.scale_arcsec), MOONS_HOLD * pose.scale_error),
        Known(3, math.radians(pose.angle_deg), MOONS_HOLD * math.radians(pose.angle_error_deg)),
    )
    fit = _finished(fine, fine, theory, pose.mirrored, Solved(start, 0.0, np.zeros(0)), known)
    errors = fit.errors | {"log scale": pose.scale_error, "angle": math.radians(pose.angle_error_deg)}
    return replace(fit, errors=errors, mirror_evidence=pose.odds, other_angle_deg=fit.pose.angle_deg, by_moons=True)


def _fitted(
    plane: FloatArray,
    found: Found,
    theory: Theory,
    bits: int,
    stretches: tuple[float, ...],
    axis_deg: float | None,
) -> Fit:
    """Fit from the scale of the planet's area times each stretch, at all angles and in both mirrors."""
    reach = 0.4 * theory.cutoff
    scale = first_scale(found, theory, reach)
    half = 1.3 * theory.extent_arcsec / (scale * min(1.0, stretches[0] / 0.93)) + 4
    middle = _first_middle(found)
    coarse = window_of(plane, middle, half, COARSE_SIDE_PX, bits, found.edge)
    starts = _searched(coarse, found, theory, [scale * stretch for stretch in stretches], reach)
    rough = [_rough(coarse, theory, start, mirrored) for mirrored, start in starts]
    fine = window_of(plane, middle, half, MOST_SIDE_PX, bits, found.edge)
    kept = _distinct(rough)
    known = (Known(2, math.log(scale), NEAR_OUTLINE),)
    if axis_deg is None:
        fits = [_finished(fine, coarse, theory, mirrored, result, known) for mirrored, result in kept]
    else:
        first = min(kept, key=lambda entry: entry[1].cost)
        others = [entry for entry in kept if entry[0] is first[0] and entry is not first]
        fits = [_finished(fine, coarse, theory, mirrored, result, known) for mirrored, result in (first, *others[:1])]
        fits += [_reflected(fit, theory, axis_deg, known) for fit in fits]
    noise = min(fit.noise for fit in fits)
    winner = min(fits, key=lambda fit: fit.cost_at(noise))
    return _with_evidence(winner, fits, theory)


def _reflected(fit: Fit, theory: Theory, axis_deg: float, known: tuple[Known, ...]) -> Fit:
    """Fit the mirror image of a fit about the planet's axis, from there on."""
    start = all_parameters(fit)
    start[3] = math.radians(2.0 * axis_deg - fit.pose.angle_deg)
    here = tuple(replace(one, value=one.value + math.log(fit.window.factor)) for one in known if one.index == 2)
    problem = Problem(fit.window, theory, not fit.pose.mirrored, here)
    return _summary(problem, problem.solve(start, fit.noise, 5), fit.noise)


def first_scale(found: Found, theory: Theory, reach: float | None = None) -> float:
    """Return the scale from the area of the picture and of the theory above a low level, arcsec.

    A low one, since limb darkening and tone curves move the contour of half the brightness by a fifth, that of a tenth
    by a few hundredths.
    """
    reach = reach or 0.4 * theory.cutoff
    light = theory.blurred(Blur(reach, 0.5, 0.0, theory.cutoff).at(theory.frequency))
    level = float(np.median(light[light > light.max() / 3]))
    area = np.count_nonzero(light > level * OUTLINE**START_GAMMA) * theory.grid.cell_arcsec2
    return math.sqrt(area / found.outline_px)


def _first_middle(found: Found) -> tuple[float, float]:
    return found.row, found.column


def _searched(
    window: Window, found: Found, theory: Theory, scales: list[float], reach: float
) -> list[tuple[bool, npt.NDArray[np.float64]]]:
    """Try all angles and both mirrors; return the best two angles of each mirror as (mirrored, parameters)."""
    light = theory.blurred(Blur(0.7 * reach, 0.3, 0.0, theory.cutoff).at(theory.frequency))
    east, north = np.meshgrid(theory.grid.east_arcsec(), theory.grid.north_arcsec())
    near = np.hypot(east, north) < theory.extent_arcsec * 1.05
    weight = np.where(near & (light > 0.4 * np.median(light[light > light.max() / 3])), light, 0.0)
    centre_east, centre_north = (float((weight * x).sum() / weight.sum()) for x in (east, north))
    rows, columns = window.pixels
    place = rows.ravel(), columns.ravel()
    tone = np.maximum(window.levels.ravel() - found.sky, 0.0) ** 1.5
    tone = tone - tone.mean()
    row = (found.row - window.first_row - (window.factor - 1) / 2) / window.factor
    column = (found.column - window.first_column - (window.factor - 1) / 2) / window.factor
    result = []
    for mirrored in (False, True):
        tried = []
        for scale in scales:
            for angle in np.arange(0.0, 360.0, 6.0):
                pose = Pose(row, column, scale * window.factor, float(angle), mirrored)
                up, across = pose.pixel_of(np.float64(centre_east), np.float64(centre_north))
                pose = replace(pose, row=2 * row - float(up), column=2 * column - float(across))
                index = theory.index_of(*pose.sky_of(*place))
                near_index = np.rint(index).astype(np.intp)
                inside = np.all((near_index >= 0) & (near_index < np.array(light.shape)[:, None]), axis=0)
                shown = np.where(inside, light[near_index[0] % light.shape[0], near_index[1] % light.shape[1]], 0.0)
                shown = shown - shown.mean()
                likeness = float(shown @ tone) / math.sqrt(float(shown @ shown) * float(tone @ tone) + 1e-30)
                tried.append((likeness, pose))
        tried.sort(key=lambda entry: -entry[0])
        chosen: list[Pose] = []
        for _, pose in tried:
            if all(abs(math.remainder(pose.angle_deg - other.angle_deg, 360.0)) > 20.0 for other in chosen):
                chosen.append(pose)
            if len(chosen) == 2:
                break
        result += [(mirrored, _start(pose, reach, found)) for pose in chosen]
    return result


def _start(pose: Pose, reach: float, found: Found) -> npt.NDArray[np.float64]:
    gamma = START_GAMMA
    span = max(found.disc, 1e-3) ** gamma - max(found.sky, 0.0) ** gamma
    factor = 1.0 / max(span, 1e-3)
    offset = -factor * max(found.sky, 0.0) ** gamma
    angle = math.radians(pose.angle_deg)
    return np.array(
        [
            pose.row,
            pose.column,
            math.log(pose.scale_arcsec),
            angle,
            math.log(reach),
            0.5,
            0.5,
            gamma,
            offset,
            factor,
            0.0,
        ]
    )


def _with_doubts(start: FloatArray, theory: Theory) -> npt.NDArray[np.float64]:
    """Return the parameters of a fit that leaves the face alone with those of the face, all 0, behind them."""
    count = 0 if theory.doubts is None else len(theory.doubts.names)
    return np.concatenate([start[:PLAIN], np.zeros(count)])  # pyright: ignore[reportReturnType]


def _rough(window: Window, theory: Theory, start: FloatArray, mirrored: bool) -> tuple[bool, Any]:
    return mirrored, Problem(window, theory, mirrored).solve(start, 0.04, 14)


def _distinct(rough: list[tuple[bool, Any]]) -> list[tuple[bool, Any]]:
    """The best of each mirror, and of each the best other angle where the rough fit does not speak against it.

    Half turned and mirrored a ringed planet looks nearly the same, and a rough fit may take one for the other.
    """
    best = min(entry[1].cost for entry in rough)
    kept: list[tuple[bool, Any]] = []
    for mirrored in (False, True):
        own = sorted((entry for entry in rough if entry[0] is mirrored), key=lambda entry: entry[1].cost)
        kept.append(own[0])
        others = (entry for entry in own if abs(math.remainder(entry[1].x[3] - own[0][1].x[3], 2 * math.pi)) > 0.2)
        kept += [entry for entry in others if entry[1].cost < ROUGHLY_AS_GOOD * best][:1]
    return kept


def _finished(
    fine: Window, coarse: Window, theory: Theory, mirrored: bool, rough: Solved, known: tuple[Known, ...]
) -> Fit:
    """Fit the fine window: blur, tone and face at the scale that the outline gives, then all together."""
    start = _with_doubts(rough.x, theory)
    pose = fine.pose_here(coarse.pose_in_picture(Problem(coarse, theory, mirrored).pose(rough.x)))
    start[:3] = pose.row, pose.column, math.log(pose.scale_arcsec)
    # what is known holds in the window's pixels
    here = tuple(replace(one, value=one.value + math.log(fine.factor)) if one.index == 2 else one for one in known)
    for one in here:
        if one.index == 2:
            start[2] = min(max(start[2], one.value - one.error), one.value + one.error)
    result = _HeldScale(fine, theory, mirrored, here).solve(start, FIRST_NOISE, 12)
    problem = Problem(fine, theory, mirrored, here)
    noise = min(max(_robust_rms(result.fun), 1e-4), FIRST_NOISE)
    result = problem.solve(result.x, noise, 10)
    noise = min(max(_robust_rms(result.fun), 1e-4), FIRST_NOISE)
    result = problem.solve(result.x, noise, 12)
    return _summary(problem, result, noise)


def _robust_rms(values: FloatArray) -> float:
    seen = values[values != 0]
    return float(np.median(np.abs(seen)) / 0.6745) if seen.size else 0.0


def _summary(problem: Problem, result: Any, noise: float) -> Fit:
    residual, jacobian = problem.residual(result.x), problem.jacobian(result.x)
    shape = problem.window.levels.shape
    compared = np.any(jacobian != 0, axis=1)
    kept = np.where(compared, residual, np.nan).reshape(shape)
    correlated = correlated_pixels(np.nan_to_num(kept))
    errors = _sandwich(residual, jacobian, noise, shape, noise**2 * correlated, problem.prior_jacobian(result.x))
    errors[NAMES.index("angle")] *= ANGLE_SHARE
    shown = problem.model(result.x)
    explained = 1.0 - float(np.mean(residual[compared] ** 2)) / max(float(np.var(shown[compared])), 1e-12)
    row = problem.pose(result.x)
    gamma, offset, factor = (float(x) for x in result.x[7:10])
    return Fit(
        pose=problem.window.pose_in_picture(replace(row, angle_deg=row.angle_deg % 360.0)),
        errors=dict(zip(NAMES, errors, strict=False)),
        blur=problem.blur(result.x),
        gamma=gamma,
        offset=offset,
        factor=factor,
        residual=kept,
        noise=noise,
        correlated_px=correlated,
        explained=explained,
        window=problem.window,
        amounts=np.array(result.x[PLAIN:]),
    )


def _sandwich(
    residual: FloatArray,
    jacobian: FloatArray,
    noise: float,
    shape: tuple[int, ...],
    unit: float,
    prior_jacobian: FloatArray,
) -> FloatArray:
    """Standard deviations of all parameters; `unit` is the variance of one independent residual."""
    weight = 1.0 / np.sqrt(1.0 + (residual / (3.0 * noise)) ** 2)
    known = prior_jacobian.T @ prior_jacobian
    curvature = jacobian.T @ (jacobian * weight[:, None]) + unit * known
    side = max(4, math.ceil(max(shape) / 14))
    rows, columns = np.indices(shape)
    tile = ((rows // side) * (shape[1] // side + 1) + columns // side).ravel()
    score = np.zeros((int(tile.max()) + 1, jacobian.shape[1]))
    np.add.at(score, tile, jacobian * (weight * residual)[:, None])
    scale = np.sqrt(np.maximum(np.diag(curvature), 1e-30))
    inverse = np.linalg.pinv(curvature / np.outer(scale, scale), rcond=1e-10) / np.outer(scale, scale)
    # what the priors hold costs no freedom
    free = PLAIN
    count = max(int(np.count_nonzero(np.any(score != 0, axis=1))), free + 2)
    spread = score.T @ score * count / (count - free) + unit**2 * known
    return np.sqrt(np.maximum(np.diag(inverse @ spread @ inverse), 0.0))


def correlated_pixels(residual: FloatArray) -> float:
    """Return how many pixels share one independent residual, from its autocorrelation over a few pixels."""
    import scipy.fft

    power = np.abs(np.asarray(scipy.fft.rfft2(residual, [2 * n for n in residual.shape]))) ** 2
    correlation = np.asarray(scipy.fft.irfft2(power))
    reach = min(8, *(n // 2 for n in residual.shape))
    near = np.roll(correlation, (reach, reach), (0, 1))[: 2 * reach + 1, : 2 * reach + 1] / max(
        correlation[0, 0], 1e-30
    )
    return max(1.0, float(np.maximum(near, 0.0).sum()))


def _with_evidence(winner: Fit, fits: list[Fit], theory: Theory) -> Fit:
    """Weigh the winner against the other mirror and the best other angle."""
    mirror, rival, other = math.inf, math.inf, winner.pose.angle_deg
    for fit in fits:
        if fit is winner:
            continue
        ahead = _odds(winner, fit, theory)
        if fit.pose.mirrored is not winner.pose.mirrored:
            if ahead < mirror:
                mirror, other = ahead, fit.pose.angle_deg
        elif abs(math.remainder(fit.pose.angle_deg - winner.pose.angle_deg, 360.0)) > 10.0:
            rival = min(rival, ahead)
    return replace(winner, mirror_evidence=mirror, angle_rival_evidence=rival, other_angle_deg=other)


def _odds(winner: Fit, rival: Fit, theory: Theory) -> float:
    """Log of the odds of one fit over another.

    What the rival leaves must hold the difference of the two once: amount 1 speaks for the winner, 0 for the rival.
    A residual that is not understood holds any other amount of it, and then says nothing.
    """
    left = []
    for fit in (winner, rival):
        problem, parameters = Problem(fit.window, theory, fit.pose.mirrored), all_parameters(fit)
        left.append(problem.evened(parameters) * problem.residual(parameters))
    difference = left[1] - left[0]
    length = float(difference @ difference)
    if length <= 0.0:
        return 0.0
    amount = float(left[1] @ difference) / length
    unexplained = float(np.mean((left[1] - amount * difference)[left[1] != 0] ** 2))
    error = math.hypot(math.sqrt(unexplained * winner.correlated_px / length), LEAST_AMOUNT_ERROR)
    return (2.0 * amount - 1.0) / (2.0 * error**2) if -0.5 < amount < 1.5 else 0.0


def all_parameters(fit: Fit) -> npt.NDArray[np.float64]:
    """Return all parameters of a fit in its window, with the amounts of the doubts."""
    pose = fit.pose_here
    blur = fit.blur
    place = [pose.row, pose.column, math.log(pose.scale_arcsec), math.radians(pose.angle_deg)]
    tone = [math.log(blur.reach), blur.lift, blur.plain, fit.gamma, fit.offset, fit.factor, blur.halo]
    return np.array([*place, *tone, *fit.amounts])


def refit(plane: FloatArray, fit: Fit, theory: Theory, bits: int) -> Fit | None:
    """Fit another plane of the same picture, with scale, angle and mirror held; None where it holds too little.

    Parameters
    ----------
    plane : array, shape (rows, columns)
        Levels.
    fit : Fit
        Of the first plane.
    theory : Theory
        The planet in this plane's colour.
    bits : int
        Of the file.
    """
    window = replace(fit.window, levels=fit.window.same_part(plane))
    if float(np.ptp(window.levels)) < 0.02:
        return None
    problem = _Held(window, theory, fit.pose.mirrored)
    pose = fit.pose_here
    low, high = float(np.quantile(window.levels, 0.05)), float(np.quantile(window.levels, 0.97))
    factor = 1.0 / max(high**fit.gamma - max(low, 0.0) ** fit.gamma, 1e-3)
    start = np.array(
        [
            pose.row,
            pose.column,
            math.log(pose.scale_arcsec),
            math.radians(pose.angle_deg),
            math.log(fit.blur.reach),
            fit.blur.lift,
            fit.blur.plain,
            fit.gamma,
            -factor * max(low, 0.0) ** fit.gamma,
            factor,
            fit.blur.halo,
        ]
    )
    start = _with_doubts(start, theory)
    result = problem.solve(start, 0.03, 10)
    noise = max(_robust_rms(result.fun), 1e-4)
    result = problem.solve(result.x, noise, 15)
    return _summary(problem, result, noise)


class _HeldScale(Problem):
    """A problem whose scale stays where it is."""

    held = (2,)


class _Held(Problem):
    """A problem whose scale and angle stay where they are."""

    held = (2, 3)

    def jacobian(self, parameters: FloatArray) -> FloatArray:
        """Return the derivatives; those of what is held are zero."""
        jacobian = super().jacobian(parameters)
        jacobian[:, self.held] = 0.0
        return jacobian


def settled_on(fit: Fit, theory: Theory, known: tuple[Known, ...] = (), steps: int = 8) -> Fit:
    """Return a fit that goes on from where it is, with another theory or more that is known.

    Parameters
    ----------
    fit : Fit
        Where it starts.
    theory : Theory
        Whose doubts are those of the fit's amounts.
    known : tuple of Known
        In the window's pixels.
    steps : int
        At most.
    """
    problem = Problem(fit.window, theory, fit.pose.mirrored, known)
    again = _summary(problem, problem.solve(all_parameters(fit), fit.noise, steps), fit.noise)
    errors = fit.errors if fit.by_moons else again.errors
    return replace(
        again,
        errors=errors,
        mirror_evidence=fit.mirror_evidence,
        angle_rival_evidence=fit.angle_rival_evidence,
        other_angle_deg=fit.other_angle_deg,
        by_moons=fit.by_moons,
    )
