"""A bracket of two exposures: the planet from the short one, its moons from the long one."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import numpy.typing as npt
import scipy.fft

from simulate.errors import InputError
from simulate.stack.combine import FrameStack
from simulate.stack.quality import Examiner, NoiseModel, move
from simulate.stack.reader import Facts
from simulate.values.constants import DISC_WIDTH

SATURATED = 0.8
"""A cell of the long exposure counts as clipped from this share of its full scale: single frames peak higher."""


def blend_bracket(short: FrameStack, long: FrameStack, full_scale_e_per_s: float, reach_px: float = 4.0) -> FrameStack:
    """Blend two stacks of the same field by exposure.

    Both are rates, so where neither is clipped they agree and are averaged by their noise; where the long one is
    clipped, and `reach_px` around it, the short one alone counts. The long one is first laid on the short one, which
    is clipped at the same rate for that.

    Parameters
    ----------
    short, long : FrameStack
        In electrons per second, same shape and cells.
    full_scale_e_per_s : float
        Rate at which the long exposure clips.
    reach_px : float
        Cells around a clipped one that are not trusted.

    Raises
    ------
    InputError
        If the stacks do not fit each other.
    """
    if short.unit != "electron/s" or long.unit != "electron/s":
        units = (short.unit, long.unit)
        raise InputError("bracket", units, "gain and exposure of both must be known")
    if short.picture.shape != long.picture.shape:
        raise InputError("bracket", (short.picture.shape, long.picture.shape), "both must be of one field")
    shape = (short.picture.shape[1], short.picture.shape[2])
    top = SATURATED * full_scale_e_per_s
    examiner = Examiner(shape, Facts(), NoiseModel(0.0, 0.0))
    clipped = [np.minimum(stack.picture, top).mean(axis=0) for stack in (short, long)]
    shift = examiner.shift(*(examiner.spectrum(plane.astype(np.float32)) for plane in clipped))
    moved = np.stack([_moved(plane, shape, shift) for plane in long.picture])
    # band-limited interpolation rings: no cell becomes better than the best one
    noise = np.stack([np.maximum(_moved(plane, shape, shift), plane.min()) for plane in long.noise])
    usable = ~_near(moved.max(axis=0) > top, reach_px)
    weights = [1 / short.noise.astype(float) ** 2, np.where(usable, 1 / noise**2, 0.0)]
    total = weights[0] + weights[1]
    picture = (weights[0] * short.picture + weights[1] * moved) / total
    return replace(short, picture=picture.astype(np.float32), noise=np.sqrt(1 / total).astype(np.float32))


def _moved(
    plane: npt.NDArray[np.float32], shape: tuple[int, int], shift: tuple[float, float]
) -> npt.NDArray[np.float64]:
    return np.asarray(scipy.fft.irfft2(move(np.asarray(scipy.fft.rfft2(plane)), shape, shift), s=shape), float)


def _near(mask: npt.NDArray[np.bool_], reach: float) -> npt.NDArray[np.bool_]:
    from scipy.ndimage import distance_transform_edt

    return np.asarray(distance_transform_edt(~mask)) <= reach if mask.any() else mask


def recorded_width_arcsec(diameter_arcsec: float, fwhm_arcsec: float) -> float:
    """Return the width at half maximum at which a small disc is recorded, arcsec.

    Variances add: an even disc of diameter d has the variance d^2/16 in each axis, as a Gaussian of width 0.589 d.

    Parameters
    ----------
    diameter_arcsec, fwhm_arcsec : float
        True diameter and delivered width of a point.
    """
    return math.hypot(fwhm_arcsec, DISC_WIDTH * diameter_arcsec)


def why_large(name: str, diameter_arcsec: float, fwhm_arcsec: float, clipped: bool = False) -> str:
    """Return the sentence that tells why a moon looks larger than it is.

    Parameters
    ----------
    name : str
        The moon.
    diameter_arcsec, fwhm_arcsec : float
        True diameter and delivered width of a point.
    clipped : bool
        Whether its middle is clipped.
    """
    width = recorded_width_arcsec(diameter_arcsec, fwhm_arcsec)
    text = (
        f"{name.capitalize()} is {diameter_arcsec:.2f} arcsec across and is recorded {width:.2f} arcsec wide: "
        f"air and telescope spread every point over {fwhm_arcsec:.2f} arcsec"
    )
    if clipped:
        return text + "; its middle is clipped, so it looks wider still"
    return text


__all__ = ["blend_bracket", "recorded_width_arcsec", "why_large"]
