"""The twin: the same blur, sharpening and noise on a theory without a detail, and whether it shows the detail too.

A gap in a ring is looked for where processing may have put it: over-sharpening darkens a ring some way inside its
bright rim, at a distance that follows the sharpening and not the planet. So the radial profile of both is searched
for its deepest trough around the gap's place. Any other detail is measured where the theory says that it lies.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from simulate.checking.fitting import Fit, Problem, correlated_pixels, window_of
from simulate.checking.measures import free_transfer, parameters_of
from simulate.checking.model import Pose, Theory, laid_under
from simulate.errors import InputError
from simulate.values.arrays import frozen_array

FloatArray = npt.NDArray[np.floating]
Mask = npt.NDArray[np.bool_]

SHARE_OF_ARTEFACT = 0.5
"""A detail is called an artefact if its twin shows at least this share of it."""

CLEAR = 3.0
"""Standard deviations by which a detail must stand out of the picture before it is tried."""

LEAST_DEPTH = 0.005
"""Contrast below which the theory's own faults pass for detail."""

CORE_PX, FLANK_PX = 12, 12
"""Fewest pixels of the detail and of its surroundings from which its depth is measured."""

CLOSE_SIDE_PX = 480
"""Most pixels along the planet's window while a detail is tried: finer than the fit, which needs no fine detail."""

ANSA_DEG = 25.0
"""Azimuth in the rings' plane, from their tips, over which a profile is averaged: no globe and little slant there."""

SECTORS = 10
"""Parts of that azimuth, both tips together, whose scatter gives a profile's uncertainty."""

SAME_TROUGH = 0.3
"""Share of a gap's reach by which the trough of the twin may lie beside the picture's."""


@dataclass(frozen=True)
class RingGap:
    """Where a gap in the rings is looked for.

    Parameters
    ----------
    middle_km : float
        Radius of the gap.
    inner_km, outer_km : float
        Radii between which the ring is bright: where a trough's shoulders are looked for.
    reach_km : float
        How far beside the middle a trough counts as the gap.
    km_per_arcsec : float
        Scale at the planet.
    pole_direction : tuple of three floats
        Unit vector of the rings' north pole: east, north, toward the observer.
    """

    middle_km: float
    inner_km: float
    outer_km: float
    reach_km: float
    km_per_arcsec: float
    pole_direction: tuple[float, float, float]

    def around(self, radius_km: FloatArray, azimuth_deg: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return (east, north), arcsec, of places in the rings' plane; azimuth 0 and 180 deg are the tips."""
        east, north, toward = self.pole_direction
        across = math.hypot(east, north) or 1.0
        length = radius_km / self.km_per_arcsec
        along = length * np.cos(np.radians(azimuth_deg))
        slanted = length * np.sin(np.radians(azimuth_deg)) * abs(toward)
        return (along * north + slanted * east) / across, (-along * east + slanted * north) / across


@dataclass(frozen=True, eq=False)
class RingProfile:
    """Brightness along the rings' radius, of a picture and of its twin.

    Parameters
    ----------
    radius_km : array, shape (n,)
        Radii.
    picture, twin : array, shape (n,)
        Mean over both tips of the rings, the mean between the searched radii being 1.
    gap : RingGap
        What was looked for.
    picture_km, twin_km : float or None
        Where the deepest trough lies; None where there is none.
    """

    radius_km: npt.NDArray[np.float64]
    picture: npt.NDArray[np.float64]
    twin: npt.NDArray[np.float64]
    gap: RingGap
    picture_km: float | None
    twin_km: float | None

    def __post_init__(self) -> None:
        for name in ("radius_km", "picture", "twin"):
            object.__setattr__(self, name, frozen_array(getattr(self, name), np.float64))


@dataclass(frozen=True, eq=False)
class Twin:
    """Whether a detail is real.

    Parameters
    ----------
    feature : str
        Its name.
    artefact : bool or None
        True if the theory without it, blurred and restored as the picture was, shows it too; None if
        the picture does not show it clearly.
    depth, depth_error : float
        Contrast of the detail in the picture, positive where it is darker than its surroundings, and
        standard deviation.
    twin_depth : float
        The same in the twin.
    picture, twin : arrays, shape of the window
        Both in linear light, the disc being about 1; the twin with noise like the picture's.
    pose : Pose
        How both lie on the sky.
    profile : RingProfile or None
        For a gap in the rings.
    """

    feature: str
    artefact: bool | None
    depth: float
    depth_error: float
    twin_depth: float
    picture: npt.NDArray[np.float64]
    twin: npt.NDArray[np.float64]
    pose: Pose
    profile: RingProfile | None = None

    def __post_init__(self) -> None:
        for name in ("picture", "twin"):
            object.__setattr__(self, name, frozen_array(getattr(self, name)))


def close_up(plane: FloatArray, fit: Fit, theory: Theory, bits: int) -> Fit:
    """Return a fit seen through a window of finer pixels: the same parameters, their residual on those pixels.

    Parameters
    ----------
    plane : array, shape (rows, columns)
        Levels of the fitted plane.
    fit : Fit
        Of that plane.
    theory : Theory
        The planet.
    bits : int
        Of the file.
    """
    if fit.window.factor == 1:
        return fit
    middle = fit.pose.row, fit.pose.column
    half = 1.3 * theory.extent_arcsec / fit.pose.scale_arcsec + 4
    close = replace(fit, window=window_of(plane, middle, half, CLOSE_SIDE_PX, bits))
    problem, parameters = Problem(close.window, theory, fit.pose.mirrored), parameters_of(close)
    compared = np.any(problem.jacobian(parameters) != 0, axis=1)
    residual = np.where(compared, problem.residual(parameters), np.nan).reshape(close.window.levels.shape)
    return replace(close, residual=residual, correlated_px=correlated_pixels(np.nan_to_num(residual)))


def make_twin(
    feature: str, fit: Fit, with_it: Theory, without_it: Theory, gap: RingGap | None = None, seed: int = 0
) -> Twin:
    """Blur the theory without a detail as the picture is blurred, add its noise, and look for the detail in both.

    Parameters
    ----------
    feature : str
        Name of the detail.
    fit : Fit
        The fitted picture, in pixels as fine as the detail needs (`close_up`).
    with_it, without_it : Theory
        The planet with the detail (which says where it lies) and without.
    gap : RingGap, optional
        Where to look, if the detail is a gap in the rings.
    seed : int
        Seed of the noise.

    Raises
    ------
    InputError
        If too little of the picture shows the place.
    """
    # measured against the planet without the detail: could any blur and sharpening make it out of nothing?
    response = free_transfer(fit, without_it)
    rows, columns = fit.window.pixels
    place, shape = (rows.ravel(), columns.ravel()), fit.window.levels.shape

    def shown(theory: Theory) -> FloatArray:
        return laid_under(theory.blurred(response), theory, fit.pose_here, place).reshape(shape)

    clean = shown(without_it)
    if gap is None:
        detail = shown(Theory(with_it.grid, with_it.light - without_it.light, with_it.cutoff))
        depth, error, twin_depth = _depths(feature, fit, detail, clean)
        profile = None
    else:
        depth, error, twin_depth, profile = _troughs(fit, clean, gap)
    artefact: bool | None = None
    if abs(depth) > max(CLEAR * error, LEAST_DEPTH):
        artefact = bool(math.copysign(1.0, depth) * twin_depth > SHARE_OF_ARTEFACT * abs(depth))
    twin = clean + _grain(fit, seed)
    return Twin(
        feature=feature,
        artefact=artefact,
        depth=depth,
        depth_error=error,
        twin_depth=twin_depth,
        picture=fit.linear,
        twin=twin,
        pose=fit.pose_here,
        profile=profile,
    )


def _noise(fit: Fit) -> float:
    return 1.4826 * float(np.nanmedian(np.abs(fit.residual)))


def _grain(fit: Fit, seed: int) -> FloatArray:
    """Noise of the picture's strength and width of grain."""
    random = np.random.default_rng([seed, 7])
    smooth = math.sqrt(max(fit.correlated_px, 1.0)) / 3.5
    grain = ndimage.gaussian_filter(random.standard_normal(fit.window.levels.shape), smooth)
    return _noise(fit) * grain / max(float(grain.std()), 1e-9)


def _depths(feature: str, fit: Fit, detail: FloatArray, clean: FloatArray) -> tuple[float, float, float]:
    """Contrast of a detail at its place in the picture, its error, and the same contrast in the twin."""
    core, flank = _masks(detail, clean)
    if np.count_nonzero(core) < CORE_PX or np.count_nonzero(flank) < FLANK_PX:
        raise InputError("--twin", feature, "the picture shows too little of its place to tell")
    level = float(np.mean(clean[flank]))
    independent = max(np.count_nonzero(core) / fit.correlated_px, 1.0)
    error = math.hypot(_noise(fit) / level * math.sqrt(2.0 / independent), LEAST_DEPTH)
    return _depth(fit.linear, core, flank), error, _depth(clean, core, flank)


def _masks(detail: FloatArray, clean: FloatArray) -> tuple[Mask, Mask]:
    """The detail's core, where it is strongest, and the lit surroundings on both sides of it."""
    size = np.abs(detail)
    lit = clean > 0.25 * float(np.quantile(clean[clean > 0.1 * clean.max()], 0.9))
    core = (size > 0.6 * size[lit].max()) & lit
    near = ndimage.binary_dilation(core, iterations=max(3, round(math.sqrt(core.sum()) / 4)))
    flank = near & lit & (size < 0.15 * size[lit].max())  # pyright: ignore[reportOperatorIssue]
    return core, flank


def _depth(picture: FloatArray, core: Mask, flank: Mask) -> float:
    around = float(np.mean(picture[flank]))
    return (around - float(np.mean(picture[core]))) / around


def _troughs(fit: Fit, clean: FloatArray, gap: RingGap) -> tuple[float, float, float, RingProfile]:
    """Depth of the picture's deepest trough, its error, the depth of the twin's at that place, and both profiles."""
    wide = gap.outer_km - gap.inner_km
    radius = np.linspace(gap.inner_km - 0.4 * wide, gap.outer_km + 0.4 * wide, 360)
    searched = (radius >= gap.inner_km) & (radius <= gap.outer_km)
    sectors = _by_sector(fit.linear, fit.pose_here, gap, radius)
    level = float(sectors[:, searched].mean())
    picture = sectors.mean(axis=0) / level
    twin = _by_sector(clean, fit.pose_here, gap, radius).mean(axis=0)
    twin = twin / float(twin[searched].mean())
    found = deepest_trough(picture, searched & (np.abs(radius - gap.middle_km) < gap.reach_km), searched)
    seen = gap.middle_km if found is None else float(radius[found[0]])
    made = deepest_trough(twin, searched & (np.abs(radius - seen) < SAME_TROUGH * gap.reach_km), searched)
    places = [None if trough is None else float(radius[trough[0]]) for trough in (found, made)]
    profile = RingProfile(radius, picture, twin, gap, *places)
    if found is None:
        return 0.0, LEAST_DEPTH, 0.0 if made is None else made[1], profile
    middle, depth, left, right = found
    share = (middle - left) / (right - left)
    each = 1.0 - sectors[:, middle] / ((1 - share) * sectors[:, left] + share * sectors[:, right])
    error = math.hypot(float(np.std(each)) / math.sqrt(SECTORS - 1), 0.2 * LEAST_DEPTH)
    return depth, error, 0.0 if made is None else made[1], profile


def has_trough(theory: Theory, gap: RingGap, response: FloatArray) -> bool:
    """Whether a gap in the rings of a theory is still a dark line of its own when seen through a transfer.

    Parameters
    ----------
    theory : Theory
        The planet with the gap.
    gap : RingGap
        Where it is looked for.
    response : array, shape of the theory's frequencies
        The transfer.
    """
    grid = theory.grid
    row = (grid.rows - 1) / 2 - grid.middle_north_arcsec / grid.step_arcsec
    column = (grid.columns - 1) / 2 + grid.middle_east_arcsec / grid.step_arcsec
    radius = np.linspace(gap.inner_km, gap.outer_km, 200)
    sectors = _by_sector(theory.blurred(response), Pose(row, column, grid.step_arcsec, 0.0, False), gap, radius)
    profile = sectors.mean(axis=0)
    near = np.abs(radius - gap.middle_km) < 0.5 * gap.reach_km
    found = deepest_trough(profile, near, np.ones(len(radius), bool))
    return found is not None and found[1] > LEAST_DEPTH


def _by_sector(picture: FloatArray, pose: Pose, gap: RingGap, radius_km: FloatArray) -> FloatArray:
    """Mean brightness along the radius in sectors around both tips of the rings, shape (sectors, radii)."""
    half = SECTORS // 2
    steps = np.linspace(-ANSA_DEG, ANSA_DEG, 8 * half)
    azimuth = np.concatenate([steps, 180.0 + steps])[:, None]
    place = np.array(pose.pixel_of(*gap.around(radius_km[None, :], azimuth)))
    values = ndimage.map_coordinates(picture, place, order=3, mode="nearest")
    return values.reshape(SECTORS, -1, len(radius_km)).mean(axis=1)


def deepest_trough(profile: FloatArray, candidates: Mask, between: Mask) -> tuple[int, float, int, int] | None:
    """Return (place, depth, left shoulder, right shoulder) of the deepest trough of a profile, or None.

    The depth is that below the straight line between the highest points on both sides.

    Parameters
    ----------
    profile : array, shape (n,)
        Brightness.
    candidates : bool array, shape (n,)
        Where the trough's bottom may lie.
    between : bool array, shape (n,)
        Where the shoulders may lie.
    """
    inside = np.flatnonzero(between)
    first, last = int(inside[0]), int(inside[-1])
    best: tuple[int, float, int, int] | None = None
    for place in np.flatnonzero(candidates):
        if not first < place < last or profile[place] > min(profile[place - 1], profile[place + 1]):
            continue
        left = first + int(np.argmax(profile[first:place]))
        right = int(place) + 1 + int(np.argmax(profile[place + 1 : last + 1]))
        share = (place - left) / (right - left)
        line = (1 - share) * profile[left] + share * profile[right]
        depth = 1.0 - float(profile[place] / line)
        if depth > 0 and (best is None or depth > best[1]):
            best = int(place), depth, left, right
    return best
