"""Where the planet is in a picture, by brightness alone."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from simulate.errors import InputError

FloatArray = npt.NDArray[np.floating]

LEAST_AREA_PX = 24
"""Pixels above half brightness below which a spot is a star or noise rather than a planet's disc."""

LEAST_CLEARNESS = 6.0
"""Brightness of the disc over the noise of the sky (of the smoothed picture) that a planet must have."""


@dataclass(frozen=True, eq=False)
class Found:
    """The brightest thing in a picture that may be a planet.

    Parameters
    ----------
    row, column : float
        Middle of its light, pixels.
    area_px : float
        Pixels above half its brightness.
    mask : bool array, shape (rows, columns)
        Those pixels.
    sky, disc : float
        Levels of the sky and of the disc.
    noise : float
        Rms of the sky from pixel to pixel, levels.
    """

    row: float
    column: float
    area_px: float
    mask: npt.NDArray[np.bool_]
    sky: float
    disc: float
    noise: float


def find_planet(plane: FloatArray, name: str = "the picture") -> Found:
    """Find the planet in one plane of levels.

    The sky is the median of the darker half, the planet the largest connected part of the smoothed
    picture above the middle between sky and disc.

    Parameters
    ----------
    plane : array, shape (rows, columns)
        Levels.
    name : str
        Of the file, for messages.

    Raises
    ------
    InputError
        If nothing stands out of the noise, there are only points, or the planet fills the picture.
    """
    width = max(0.7, min(plane.shape) / 300)
    smooth = ndimage.gaussian_filter(np.asarray(plane, np.float32), width, mode="nearest")
    sky = float(np.median(smooth[smooth <= np.median(smooth)]))
    noise = _pixel_noise(plane)
    disc = _disc_level(smooth, sky)
    shaken = noise / (2 * math.sqrt(math.pi) * width)
    if disc - sky < max(LEAST_CLEARNESS * shaken, 1e-5):
        raise InputError("PICTURE", name, "it holds no planet: nothing stands out of its noise")
    mask, area, parts = _largest_part(smooth > (sky + disc) / 2)
    inside = plane[mask]
    if area < LEAST_AREA_PX:
        what = "only points, no disc" if parts > 3 else f"a spot of {area:.0f} pixels, too small for a disc"
        raise InputError("PICTURE", name, f"it holds no planet that can be measured: {what}")
    if parts > 40 and area < 0.5 * np.count_nonzero(smooth > (sky + disc) / 2):
        raise InputError("PICTURE", name, "it holds no planet: many spots and no disc")
    _refuse_cut(mask, name)
    rows, columns = np.nonzero(mask)
    weight = np.maximum(inside - sky, 0)
    total = weight.sum() or 1.0
    return Found(
        float((rows * weight).sum() / total), float((columns * weight).sum() / total), area, mask, sky, disc, noise
    )


def _pixel_noise(plane: FloatArray) -> float:
    """Noise from differences of neighbours (median, so that edges do not count)."""
    steps = np.concatenate([np.diff(plane, axis=0).ravel(), np.diff(plane, axis=1).ravel()])
    return float(np.median(np.abs(steps)) / 0.6745 / math.sqrt(2.0))


def _disc_level(smooth: FloatArray, sky: float) -> float:
    """Level that a disc has: the median of what is brighter than a third of the way to the brightest."""
    top = float(np.sort(smooth, axis=None)[-min(24, smooth.size)])
    bright = smooth[smooth > sky + (top - sky) / 3]
    return float(np.median(bright)) if bright.size else top


def _largest_part(above: npt.NDArray[np.bool_]) -> tuple[npt.NDArray[np.bool_], float, int]:
    labels: Any
    labels, count = ndimage.label(above)  # type: ignore[misc]
    sizes = np.bincount(labels.ravel())[1:]
    if not sizes.size:
        return np.zeros_like(above), 0.0, 0
    return labels == 1 + int(np.argmax(sizes)), float(sizes.max()), int(count)


def _refuse_cut(mask: npt.NDArray[np.bool_], name: str) -> None:
    edge = np.concatenate([mask[0], mask[-1], mask[:, 0], mask[:, -1]])
    if mask.mean() > 0.9:
        raise InputError("PICTURE", name, "it holds no planet against a dark sky")
    if np.count_nonzero(edge) > 0.35 * math.sqrt(np.count_nonzero(mask)):
        raise InputError("PICTURE", name, "the planet is cut off by the edge; leave some sky around it")
