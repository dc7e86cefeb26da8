"""The twin: the same blur and noise on a theory without a detail, and whether it shows the detail too."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from simulate.errors import InputError
from simulate.judgement.checking.fitting import Fit
from simulate.judgement.checking.measures import MeasuredTransfer
from simulate.judgement.checking.model import Theory, laid_under
from simulate.values.arrays import frozen_array

FloatArray = npt.NDArray[np.floating]

SHARE_OF_ARTEFACT = 0.5
"""A detail is called an artefact if its twin shows at least this share of it."""

CORE_PX, FLANK_PX = 12, 12
"""Fewest pixels of the detail and of its surroundings from which its depth is measured."""


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
        Both in linear light.
    """

    feature: str
    artefact: bool | None
    depth: float
    depth_error: float
    twin_depth: float
    picture: npt.NDArray[np.float64]
    twin: npt.NDArray[np.float64]

    def __post_init__(self) -> None:
        for name in ("picture", "twin"):
            object.__setattr__(self, name, frozen_array(getattr(self, name)))


def make_twin(
    feature: str, fit: Fit, transfer: MeasuredTransfer, with_it: Theory, without_it: Theory, seed: int = 0
) -> Twin:
    """Blur the theory without a detail as the picture is blurred, add its noise, and measure both at its place.

    Parameters
    ----------
    feature : str
        Name of the detail.
    fit : Fit
        The fitted picture.
    transfer : MeasuredTransfer
        What the picture did to contrast: blur and sharpening in one.
    with_it, without_it : Theory
        The planet with the detail (which says where it lies) and without.
    seed : int
        Seed of the noise.

    Raises
    ------
    InputError
        If too little of the picture shows the place.
    """
    response = transfer.at(with_it.frequency)
    rows, columns = fit.window.pixels
    place, pose, shape = (rows.ravel(), columns.ravel()), fit.pose_here, fit.window.levels.shape

    def shown(theory: Theory) -> FloatArray:
        return laid_under(theory.blurred(response), theory, pose, place).reshape(shape)

    detail = shown(Theory(with_it.grid, with_it.light - without_it.light, with_it.cutoff))
    clean = shown(without_it)
    random = np.random.default_rng([seed, 7])
    smooth = math.sqrt(max(fit.correlated_px, 1.0)) / 3.5
    grain = ndimage.gaussian_filter(random.standard_normal(shape), smooth)
    noise = 1.4826 * float(np.nanmedian(np.abs(fit.residual)))
    twin = clean + noise * grain / max(float(grain.std()), 1e-9)
    core, flank = _masks(detail, clean)
    if np.count_nonzero(core) < CORE_PX or np.count_nonzero(flank) < FLANK_PX:
        raise InputError("--twin", feature, "the picture shows too little of its place to tell")
    depth, twin_depth = _depth(fit.linear, core, flank), _depth(clean, core, flank)
    level = float(np.mean(clean[flank]))
    independent = max(np.count_nonzero(core) / fit.correlated_px, 1.0)
    error = math.hypot(noise / level * math.sqrt(2.0 / independent), 0.005)
    sign = 1.0 if depth >= 0 else -1.0
    artefact: bool | None = None
    if abs(depth) > 3.0 * error:
        artefact = bool(sign * twin_depth > SHARE_OF_ARTEFACT * abs(depth))
    return Twin(feature, artefact, depth, error, twin_depth, fit.linear, twin)


def _masks(detail: FloatArray, clean: FloatArray) -> tuple[npt.NDArray[np.bool_], npt.NDArray[np.bool_]]:
    """The detail's core, where it is strongest, and the lit surroundings on both sides of it."""
    size = np.abs(detail)
    lit = clean > 0.25 * float(np.quantile(clean[clean > 0.1 * clean.max()], 0.9))
    core = (size > 0.6 * size[lit].max()) & lit
    near = ndimage.binary_dilation(core, iterations=max(3, round(math.sqrt(core.sum()) / 4)))
    flank = near & lit & (size < 0.15 * size[lit].max())
    return core, flank


def _depth(picture: FloatArray, core: npt.NDArray[np.bool_], flank: npt.NDArray[np.bool_]) -> float:
    around = float(np.mean(picture[flank]))
    return (around - float(np.mean(picture[core]))) / around
