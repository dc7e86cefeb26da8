"""Where the planet is in a picture, by brightness alone."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
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


OUTLINE = 0.12
"""Share of the disc's level at which its outline is taken."""

STEEP, FLAT = 0.3, 0.4
"""Share of the disc's level to which a cut limb rises within two pixels, and share of that rise by which it goes on
rising over the third: a limb seen through a telescope does neither."""

ROUND_PX, ROUND_SHARE = 0.5, 0.008
"""Standard deviation from a circle, pixels and share of the radius, up to which an outline is one."""


@dataclass(frozen=True)
class Edge:
    """How a planet ends in a sky that is exactly black.

    Parameters
    ----------
    level : float
        Below which its light was cut off; 0 where nothing but the darkest sky was.
    radius_px : float
        Of the circle to which the disc was cut; 0 where it was not.
    """

    level: float = 0.0
    radius_px: float = 0.0

    @property
    def circle(self) -> bool:
        """Whether the outline is an editor's circle and not the planet's."""
        return self.radius_px > 0.0


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
    edge : Edge
        How it ends.
    outline_px : float
        Pixels above `OUTLINE` of its brightness, gaps between globe and rings left out; 0 stands for `area_px`.
    """

    row: float
    column: float
    area_px: float
    mask: npt.NDArray[np.bool_]
    sky: float
    disc: float
    noise: float
    edge: Edge = field(default_factory=Edge)
    outline_px: float = 0.0

    def __post_init__(self) -> None:
        if self.outline_px <= 0.0:
            object.__setattr__(self, "outline_px", self.area_px)

    @property
    def reach_px(self) -> float:
        """Largest distance of a bright pixel from the middle of its light."""
        rows, columns = np.nonzero(self.mask)
        return float(np.hypot(rows - self.row, columns - self.column).max())


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
    # where noise allows, the low contour is a better outline than that of half the brightness
    low = sky + max(OUTLINE * (disc - sky), 5.0 * shaken)
    around: Any = ndimage.label(smooth > low)[0]  # type: ignore[index]
    outline = float(np.count_nonzero(around == np.bincount(around[mask]).argmax()))
    row, column = float((rows * weight).sum() / total), float((columns * weight).sum() / total)
    return Found(
        row=row,
        column=column,
        area_px=area,
        mask=mask,
        sky=sky,
        disc=disc,
        noise=noise,
        edge=edge_of(plane, mask, sky, disc),
        outline_px=outline,
    )


def edge_of(plane: FloatArray, mask: npt.NDArray[np.bool_], sky: float, disc: float) -> Edge:
    """Return how a planet ends; an even sky is told by being exactly the same in most of the picture.

    Parameters
    ----------
    plane : array, shape (rows, columns)
        Levels.
    mask : bool array
        Part of the planet.
    sky, disc : float
        Levels.
    """
    lit = plane > sky + 1e-6
    if sky > 0.02 or np.count_nonzero(lit) > 0.5 * lit.size:
        return Edge()
    part = tuple(slice(max(int(held[0]) - 60, 0), int(held[-1]) + 61) for held in map(np.flatnonzero, _sides(mask)))
    labels: Any = ndimage.label(lit[part])[0]  # type: ignore[index]
    own = np.bincount(labels[mask[part]]).argmax()
    region = ndimage.binary_opening(ndimage.binary_fill_holes(labels == own), iterations=2)
    rings = []
    for _ in range(3):
        inner = ndimage.binary_erosion(region)
        rings.append(region & ~inner)  # pyright: ignore[reportOperatorIssue]
        region = inner
    if not rings[2].any():
        return Edge()
    first, second, third = (float(np.median(plane[part][ring]) - sky) / max(disc - sky, 1e-6) for ring in rings)
    rise = second - first
    if third - second > FLAT * rise or second < 0.5 * STEEP:
        return Edge()
    level = sky + second * (disc - sky)
    rows, columns = (x.astype(float) for x in np.nonzero(rings[0]))
    # the circle through the outline: u^2 + v^2 is linear in its middle and its radius (Kasa 1976)
    solved = np.linalg.lstsq(np.column_stack([rows, columns, np.ones(rows.size)]), rows**2 + columns**2, rcond=None)[0]
    radius = math.sqrt(max(float(solved[2]) + float(solved[0] ** 2 + solved[1] ** 2) / 4, 1.0))
    off = np.hypot(rows - solved[0] / 2, columns - solved[1] / 2) - radius
    is_round = second > STEEP and float(off.std()) < max(ROUND_PX, ROUND_SHARE * radius)
    return Edge(level, radius if is_round else 0.0)


def _sides(mask: npt.NDArray[np.bool_]) -> tuple[npt.NDArray[np.bool_], npt.NDArray[np.bool_]]:
    return mask.any(axis=1), mask.any(axis=0)  # pyright: ignore[reportReturnType]


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
