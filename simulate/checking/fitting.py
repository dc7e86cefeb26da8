"""Place, scale, angle, mirror, blur and tone curve of a picture, fitted to the planet's theory without a hint.

The picture's levels v are taken for v = t^(1/g) of linear light t, shifted and scaled: a + b v^g is compared with the
theory under each pixel, in linear light, where noise is nearly even. Starts come from the area and the middle of the
brightest part and a search over all angles and both mirrors; then robust least squares (soft L1) runs with exact
derivatives for place, scale, angle and tone. Uncertainties are those of an estimating equation with correlated
noise: curvature on both sides of the scatter of the score over tiles of the picture (Huber 1967; Liang & Zeger 1986).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.optimize import least_squares

from simulate.checking.finding import Found
from simulate.checking.model import Blur, Pose, Theory, laid_under, reduced_plane
from simulate.errors import InputError

FloatArray = npt.NDArray[np.floating]

MOST_SIDE_PX = 150
"""Pixels along the planet's window in the fit; finer pictures are averaged down to this."""

COARSE_SIDE_PX = 64
"""The same while all angles are tried."""

TELLING = 10.0
"""Log likelihood by which one mirror, or angle, must beat the other to be named."""

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

CLEARLY_EXPLAINED = 0.9
"""Share of a picture's variance that any right body explains, however processed."""

MOST_RESCALED = 0.4
"""Log of the factor by which a solution's scale may differ from where it starts."""

NAMES = ("row", "column", "log scale", "angle", "log reach", "lift", "plain", "gamma", "offset", "factor")
"""Parameters of the fit, in order; the angle in radians."""

_LOWEST = (-np.inf, -np.inf, -np.inf, -np.inf, -np.inf, -0.4, 0.0, 0.6, -2.0, 0.5)
_HIGHEST = (np.inf, np.inf, np.inf, np.inf, np.inf, 20.0, 1.0, 3.2, 2.0, 20.0)


_STEPS = np.array([1.0, 1.0, 0.02, 0.05, 0.2, 0.3, 0.3, 0.2, 0.05, 0.2])
"""Usual sizes of the parameters' steps."""


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
    """

    levels: npt.NDArray[np.float64]
    first_row: int
    first_column: int
    factor: int
    ceiling: float

    @property
    def pixels(self) -> tuple[FloatArray, FloatArray]:
        """Rows and columns of the window's own pixels."""
        rows, columns = np.indices(self.levels.shape, dtype=float)
        return rows, columns

    def pose_in_picture(self, pose: Pose) -> Pose:
        """Return the pose in the picture's pixels of one in the window's."""
        outer = pose.enlarged(self.factor)
        return replace(outer, row=outer.row + self.first_row, column=outer.column + self.first_column)

    def pose_here(self, pose: Pose) -> Pose:
        """Undo `pose_in_picture`."""
        return replace(pose, row=pose.row - self.first_row, column=pose.column - self.first_column).reduced(self.factor)


def window_of(plane: FloatArray, middle: tuple[float, float], half_px: float, most_side: int, bits: int) -> Window:
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
    """
    rows, columns = plane.shape
    low_row, high_row = max(0, int(middle[0] - half_px)), min(rows, int(middle[0] + half_px) + 1)
    low_column, high_column = max(0, int(middle[1] - half_px)), min(columns, int(middle[1] + half_px) + 1)
    part = plane[low_row:high_row, low_column:high_column]
    factor = max(1, math.ceil(max(part.shape) / most_side))
    top = 1.0 - 0.6 / (2**bits - 1) if bits else np.inf
    return Window(reduced_plane(part, factor), low_row, low_column, factor, top)


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
    mirror_evidence : float
        Log likelihood of the named mirror over the other.
    angle_rival_evidence : float
        The same of the angle over the best other angle.
    other_angle_deg : float
        The angle if the mirror is the other one.
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
    mirror_evidence: float = 0.0
    angle_rival_evidence: float = math.inf
    other_angle_deg: float = 0.0

    @property
    def pose_here(self) -> Pose:
        """The pose in the window's pixels."""
        return self.window.pose_here(self.pose)

    @property
    def linear(self) -> npt.NDArray[np.float64]:
        """The window's picture in linear light, the theory's disc being 1."""
        return self.offset + self.factor * np.maximum(self.window.levels, 0.0) ** self.gamma

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
    """

    held: tuple[int, ...] = ()
    """Parameters that a solution leaves where they start."""

    def __init__(self, window: Window, theory: Theory, mirrored: bool) -> None:
        self.window, self.theory, self.mirrored = window, theory, mirrored
        rows, columns = window.pixels
        self._place = rows.ravel(), columns.ravel()
        self.levels = np.maximum(window.levels.ravel(), 0.0)
        self._logs = np.log(np.maximum(self.levels, 1e-4))
        self._black = self.levels <= 1e-6
        self._white = self.levels >= window.ceiling
        self._last: _Laid | None = None

    def pose(self, parameters: FloatArray) -> Pose:
        """Return the pose, in the window's pixels, of the parameters."""
        row, column, log_scale, angle = (float(x) for x in parameters[:4])
        return Pose(row, column, math.exp(log_scale), math.degrees(angle), self.mirrored)

    def blur(self, parameters: FloatArray) -> Blur:
        """Return the blur of the parameters."""
        log_reach, lift, plain = (float(x) for x in parameters[4:7])
        return Blur(math.exp(log_reach), lift, plain, self.theory.cutoff)

    def _transfer(self, parameters: FloatArray) -> FloatArray:
        return self.blur(parameters).at(self.theory.frequency, self.theory.perfect)

    def _blurred(self, parameters: FloatArray) -> FloatArray:
        return self.theory.blurred(self._transfer(parameters))

    def model(self, parameters: FloatArray) -> FloatArray:
        """Return the theory under the pixels, shape (pixels,)."""
        return laid_under(self._blurred(parameters), self.theory, self.pose(parameters), self._place)

    def _laid(self, parameters: FloatArray) -> _Laid:
        """Return the theory under the pixels and what was left, kept for the derivatives at the same place."""
        key = np.asarray(parameters).tobytes()
        if self._last is None or self._last.key != key:
            gamma, offset, factor = (float(x) for x in parameters[7:])
            place = self.pose(parameters).sky_of(*self._place)
            index = self.theory.index_of(*place)
            tone = self.levels**gamma
            residual = offset + factor * tone - self.theory.seen_at(self._transfer(parameters), index)
            size = np.array(self.theory.grid.shape)[:, None]
            outside = np.any((index < 1) | (index > size - 2), axis=0)
            # a clipped pixel says only that the light is at least, or at most, so much
            free = outside | (self._black & (residual > 0)) | (self._white & (residual < 0))
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
        jacobian = np.empty((laid.residual.size, len(NAMES)))
        sine, cosine = math.sin(math.radians(pose.angle_deg)), math.cos(math.radians(pose.angle_deg))
        scale, side = pose.scale_arcsec, pose.side
        jacobian[:, 0] = scale * (sine * d_east + cosine * d_north)
        jacobian[:, 1] = scale * side * (-cosine * d_east + sine * d_north)
        jacobian[:, 2] = -(east * d_east + north * d_north)
        jacobian[:, 3] = -(north * d_east - east * d_north)
        for column, step in ((4, 0.02), (5, 0.05), (6, 0.05)):
            moved = np.array(parameters, float)
            moved[column] += step
            jacobian[:, column] = -_sampled(self._blurred(moved) - light, laid.index) / step
        jacobian[:, 7] = factor * laid.tone * self._logs
        jacobian[:, 8] = 1.0
        jacobian[:, 9] = laid.tone
        jacobian[laid.free] = 0.0
        return jacobian

    def solve(self, start: FloatArray, noise: float, steps: int) -> Any:
        """Run robust least squares from a start; returns scipy's result."""
        lowest, highest = np.array(_LOWEST), np.array(_HIGHEST)
        result = self._solved(start, noise, steps, (lowest, highest))
        if abs(result.x[2] - start[2]) > MOST_RESCALED:
            # a planet so small that hardly a pixel is compared would fit anything
            lowest[2], highest[2] = start[2] - MOST_RESCALED, start[2] + MOST_RESCALED
            result = self._solved(start, noise, steps, (lowest, highest))
        return result

    def _solved(self, start: FloatArray, noise: float, steps: int, bounds: tuple[FloatArray, FloatArray]) -> Any:
        lowest, highest = bounds
        # a blur wider than the planet would leave nothing to compare, and fit anything
        lowest[4] = math.log(max(0.35 / self.theory.extent_arcsec, 0.07 * self.theory.cutoff))
        whole = np.clip(start, lowest + 1e-6, highest - 1e-6)
        free = np.setdiff1d(np.arange(len(NAMES)), self.held)

        def all_of(some: FloatArray) -> FloatArray:
            filled = whole.copy()
            filled[free] = some
            return filled

        result = least_squares(
            lambda some: self.residual(all_of(some)),
            whole[free],
            jac=lambda some: self.jacobian(all_of(some))[:, free],  # type: ignore[arg-type]
            bounds=(lowest[free], highest[free]),
            loss="soft_l1",
            f_scale=3.0 * noise,
            x_scale=_STEPS[free],
            max_nfev=steps,
            ftol=1e-5,
            xtol=1e-6,
            gtol=1e-8,
        )
        result.x = all_of(result.x)
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


def fit_picture(plane: FloatArray, found: Found, theory: Theory, bits: int) -> Fit:
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

    Raises
    ------
    InputError
        If what was found does not look like this body.
    """
    fit = _fitted(plane, found, theory, bits, STRETCHES)
    # rings sharpened until their brightest parts alone stand above half give a scale far off
    return fit if fit.explained > CLEARLY_EXPLAINED else _fitted(plane, found, theory, bits, WIDE_STRETCHES)


def _fitted(plane: FloatArray, found: Found, theory: Theory, bits: int, stretches: tuple[float, ...]) -> Fit:
    """Fit from the scale of the planet's area times each stretch, at all angles and in both mirrors."""
    reach = 0.4 * theory.cutoff
    scale = _first_scale(found, theory, reach)
    half = 1.3 * theory.extent_arcsec / (scale * min(1.0, stretches[0] / 0.93)) + 4
    middle = _first_middle(found)
    coarse = window_of(plane, middle, half, COARSE_SIDE_PX, bits)
    starts = _searched(coarse, found, theory, [scale * stretch for stretch in stretches], reach)
    rough = [_rough(coarse, theory, start, mirrored) for mirrored, start in starts]
    fine = window_of(plane, middle, half, MOST_SIDE_PX, bits)
    kept = _distinct(rough)
    fits = [_finished(fine, coarse, theory, mirrored, result) for mirrored, result in kept]
    noise = min(fit.noise for fit in fits)
    winner = min(fits, key=lambda fit: fit.cost_at(noise))
    return _with_evidence(winner, fits)


def _first_scale(found: Found, theory: Theory, reach: float) -> float:
    """Scale from the area above half brightness of the picture and of the theory, arcsec."""
    light = theory.blurred(Blur(reach, 0.5, 0.0, theory.cutoff).at(theory.frequency))
    level = float(np.median(light[light > light.max() / 3]))
    area = np.count_nonzero(light > level / 2) * theory.grid.cell_arcsec2
    return math.sqrt(area / found.area_px)


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
    gamma = 1.5
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
        ]
    )


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


def _finished(fine: Window, coarse: Window, theory: Theory, mirrored: bool, rough: Any) -> Fit:
    """Fit the fine window, first with a guess of the noise, then with the noise that was left."""
    problem = Problem(fine, theory, mirrored)
    start = rough.x.copy()
    pose = fine.pose_here(coarse.pose_in_picture(Problem(coarse, theory, mirrored).pose(rough.x)))
    start[:3] = pose.row, pose.column, math.log(pose.scale_arcsec)
    result = problem.solve(start, 0.03, 12)
    noise = max(_robust_rms(result.fun), 1e-4)
    result = problem.solve(result.x, noise, 20)
    return _summary(problem, result, noise)


def _robust_rms(values: FloatArray) -> float:
    seen = values[values != 0]
    return float(np.median(np.abs(seen)) / 0.6745) if seen.size else 0.0


def _summary(problem: Problem, result: Any, noise: float) -> Fit:
    residual, jacobian = problem.residual(result.x), problem.jacobian(result.x)
    shape = problem.window.levels.shape
    compared = np.any(jacobian != 0, axis=1)
    errors = _sandwich(residual, jacobian, noise, shape)
    errors[NAMES.index("angle")] *= ANGLE_SHARE
    shown = problem.model(result.x)
    explained = 1.0 - float(np.mean(residual[compared] ** 2)) / max(float(np.var(shown[compared])), 1e-12)
    row = problem.pose(result.x)
    kept = np.where(compared, residual, np.nan).reshape(shape)
    gamma, offset, factor = (float(x) for x in result.x[7:])
    return Fit(
        pose=problem.window.pose_in_picture(replace(row, angle_deg=row.angle_deg % 360.0)),
        errors=dict(zip(NAMES, errors, strict=True)),
        blur=problem.blur(result.x),
        gamma=gamma,
        offset=offset,
        factor=factor,
        residual=kept,
        noise=noise,
        correlated_px=correlated_pixels(np.nan_to_num(kept)),
        explained=explained,
        window=problem.window,
    )


def _sandwich(residual: FloatArray, jacobian: FloatArray, noise: float, shape: tuple[int, ...]) -> FloatArray:
    weight = 1.0 / np.sqrt(1.0 + (residual / (3.0 * noise)) ** 2)
    curvature = jacobian.T @ (jacobian * weight[:, None])
    side = max(4, math.ceil(max(shape) / 14))
    rows, columns = np.indices(shape)
    tile = ((rows // side) * (shape[1] // side + 1) + columns // side).ravel()
    score = np.zeros((int(tile.max()) + 1, jacobian.shape[1]))
    np.add.at(score, tile, jacobian * (weight * residual)[:, None])
    scale = np.sqrt(np.maximum(np.diag(curvature), 1e-30))
    inverse = np.linalg.pinv(curvature / np.outer(scale, scale), rcond=1e-10) / np.outer(scale, scale)
    count = max(int(np.count_nonzero(np.any(score != 0, axis=1))), jacobian.shape[1] + 2)
    spread = score.T @ score * count / (count - jacobian.shape[1])
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


def _with_evidence(winner: Fit, fits: list[Fit]) -> Fit:
    """Weigh the winner against the other mirror and the best other angle."""
    mirror, rival, other = math.inf, math.inf, winner.pose.angle_deg
    for fit in fits:
        if fit is winner:
            continue
        ahead = (fit.cost_at(winner.noise) - winner.cost_at(winner.noise)) / winner.correlated_px
        if fit.pose.mirrored is not winner.pose.mirrored:
            if ahead < mirror:
                mirror, other = ahead, fit.pose.angle_deg
        elif abs(math.remainder(fit.pose.angle_deg - winner.pose.angle_deg, 360.0)) > 10.0:
            rival = min(rival, ahead)
    return replace(winner, mirror_evidence=mirror, angle_rival_evidence=rival, other_angle_deg=other)


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
    old = fit.window
    rows, columns = old.levels.shape
    part = plane[
        old.first_row : old.first_row + rows * old.factor, old.first_column : old.first_column + columns * old.factor
    ]
    if float(np.ptp(part)) < 0.02:
        return None
    window = replace(old, levels=reduced_plane(part, old.factor))
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
        ]
    )
    result = problem.solve(start, 0.03, 10)
    noise = max(_robust_rms(result.fun), 1e-4)
    result = problem.solve(result.x, noise, 15)
    return _summary(problem, result, noise)


class _Held(Problem):
    """A problem whose scale and angle stay where they are."""

    held = (2, 3)

    def jacobian(self, parameters: FloatArray) -> FloatArray:
        """Return the derivatives; those of what is held are zero."""
        jacobian = super().jacobian(parameters)
        jacobian[:, self.held] = 0.0
        return jacobian


def refuse_unlike(fit: Fit, least: float, body: str) -> None:
    """Raise `InputError` if the theory of a body explains less than `least` of the picture."""
    if fit.explained < least:
        shares = f"{100 * max(fit.explained, 0.0):.1f} % of it, and {100 * least:.1f} % are needed"
        raise InputError("BODY", body, f"the picture does not look like it: theory explains only {shares}")
