"""The scale of a picture by its limb alone: where the light falls steepest, in the picture and in the theory beside it.

A face that is brighter or darker than its theory, a limb that sharpening made bright, a tone curve: all pull on a fit
of the whole disc. The place of the steepest fall hardly moves with any of them, and what the telescope's blur does to
it is taken out by measuring the theory, blurred alike, in the same way.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from simulate.checking.fitting import Fit
from simulate.checking.model import Theory, laid_under
from simulate.scene.ellipsoid import Ellipsoid

FloatArray = npt.NDArray[np.floating]

DIRECTIONS, INNER, OUTER, STEPS = 120, 0.8, 1.2, 161
"""Directions from the middle, and the part of the radius in which the limb is looked for."""

LIT_SHARE = 0.35
"""Brightness just inside the limb, of the brightest limb, from which a direction is used: a terminator is no limb."""

LEAST_DIRECTIONS = 24
"""Directions without which nothing is told."""


@dataclass(frozen=True)
class LimbSize:
    """Size of the picture's outline over that of the theory beside it.

    Parameters
    ----------
    ratio, error : float
        Of the sizes, and standard deviation.
    scatter : float
        Of the directions, share of the radius.
    """

    ratio: float
    error: float
    scatter: float


def limb_size(fit: Fit, theory: Theory, globe: Ellipsoid) -> LimbSize | None:
    """Return how large a picture's limb is beside the theory's; None where too little of it shows.

    Parameters
    ----------
    fit : Fit
        The fitted picture.
    theory : Theory
        What was fitted.
    globe : Ellipsoid
        The planet's outline on the sky.
    """
    angle = np.arange(DIRECTIONS) * 2.0 * math.pi / DIRECTIONS
    away = np.array([np.sin(angle), np.cos(angle)])
    radius = 1.0 / np.linalg.norm(globe.sky_to_disc @ away, axis=0)
    share = np.linspace(INNER, OUTER, STEPS)
    east, north = (side[:, None] * radius[:, None] * share for side in away)
    rows, columns = fit.window.pixels
    place = rows.ravel(), columns.ravel()
    light = theory.blurred(fit.blur.at(theory.frequency, theory.perfect))
    shape = fit.window.levels.shape
    clean = laid_under(light, theory, fit.pose_here, place).reshape(shape)
    # both as levels of the file: what the tone curve does to the darkest limb is known least
    clean = (np.maximum(clean - fit.offset, 0.0) / fit.factor) ** (1.0 / fit.gamma)
    index = np.array(fit.pose_here.pixel_of(east, north))
    places = []
    for picture in (np.maximum(fit.window.levels, 0.0), clean):
        line = ndimage.map_coordinates(picture, index, order=1, mode="nearest")
        line = ndimage.gaussian_filter1d(line, 2.5, axis=1)
        inside = line[:, : STEPS // 3].mean(axis=1)
        slope = -np.gradient(line, share, axis=1)
        best = np.argmax(slope, axis=1)
        edge = np.array([_peak(slope[i], int(best[i]), share) for i in range(DIRECTIONS)])
        edge[(inside < LIT_SHARE * np.quantile(inside, 0.9)) | (best < 4) | (best > STEPS - 5)] = np.nan
        places.append(edge)
    ratio = places[0] / places[1]
    told = np.isfinite(ratio)
    if np.count_nonzero(told) < LEAST_DIRECTIONS:
        return None
    # opposite directions together, or a middle that is a little off would count as scatter
    half = DIRECTIONS // 2
    pair = 0.5 * (ratio[:half] + ratio[half:])
    used = pair[np.isfinite(pair)] if np.count_nonzero(np.isfinite(pair)) >= LEAST_DIRECTIONS // 2 else ratio[told]
    middle = float(np.median(used))
    scatter = 1.4826 * float(np.median(np.abs(used - middle)))
    # neighbours share their blur: about one in four is independent
    return LimbSize(middle, 1.25 * scatter / math.sqrt(max(len(used) / 4.0, 1.0)), scatter)


def limb_middle(plane: FloatArray, fit: Fit, globe: Ellipsoid) -> tuple[float, float] | None:
    """Return (row, column) of the middle of a plane's limb, in pixels beside the fit's; None where too little shows.

    Parameters
    ----------
    plane : array, shape (rows, columns)
        Levels of the whole picture.
    fit : Fit
        How it lies.
    globe : Ellipsoid
        The planet's outline.
    """
    angle = np.arange(DIRECTIONS) * 2.0 * math.pi / DIRECTIONS
    away = np.array([np.sin(angle), np.cos(angle)])
    radius = 1.0 / np.linalg.norm(globe.sky_to_disc @ away, axis=0)
    share = np.linspace(INNER, OUTER, STEPS)
    index = np.array(fit.pose.pixel_of(*(side[:, None] * radius[:, None] * share for side in away)))
    line = ndimage.gaussian_filter1d(ndimage.map_coordinates(plane, index, order=1, mode="nearest"), 2.5, axis=1)
    slope = -np.gradient(line, share, axis=1)
    best = np.argmax(slope, axis=1)
    inside = line[:, : STEPS // 3].mean(axis=1)
    used = (inside > LIT_SHARE * np.quantile(inside, 0.9)) & (best > 3) & (best < STEPS - 4)
    if np.count_nonzero(used) < 0.8 * DIRECTIONS:
        return None
    edge = np.array([_peak(slope[i], int(best[i]), share) for i in range(DIRECTIONS)])
    here = np.array([[fit.pose.row], [fit.pose.column]])
    outward = np.array(fit.pose.pixel_of(*(side * radius for side in away))) - here
    length = np.hypot(*outward)
    # a shift moves the edge by its part along each direction; a wider or narrower limb moves all alike
    design = np.column_stack([*(outward / length), length])[used]
    solved = np.linalg.lstsq(design, (edge * length)[used], rcond=None)[0]
    return float(solved[0]), float(solved[1])


def _peak(values: FloatArray, place: int, where: FloatArray) -> float:
    """Return where a parabola through the highest of some values has its top."""
    if not 0 < place < len(values) - 1:
        return float(where[place])
    before, here, after = values[place - 1 : place + 2]
    bend = before - 2 * here + after
    return float(where[place] + (where[1] - where[0]) * (0.5 * (before - after) / bend if bend < 0 else 0.0))
