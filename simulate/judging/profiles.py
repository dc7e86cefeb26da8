"""Lines across a picture: a separate dark line is a true minimum between two brighter sides."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.ndimage import map_coordinates

FloatArray = npt.NDArray[np.floating]


@dataclass(frozen=True)
class Cut:
    """A straight cut through the middle of a body.

    Parameters
    ----------
    middle : (float, float)
        (row, column) of the body's middle.
    direction : (float, float)
        (rows, columns) per cell of length: a unit vector.
    reach : float
        Half length, cells.
    """

    middle: tuple[float, float]
    direction: tuple[float, float]
    reach: float

    def sample(self, picture: FloatArray, per_cell: int = 8) -> tuple[FloatArray, FloatArray]:
        """Return (place along the cut in cells, brightness there) by cubic interpolation."""
        count = 2 * int(np.ceil(self.reach * per_cell)) + 1
        place = np.linspace(-self.reach, self.reach, count)
        where = [self.middle[axis] + place * self.direction[axis] for axis in (0, 1)]
        return place, map_coordinates(np.asarray(picture, float), where, order=3, mode="nearest")


def dip_depth(profile: FloatArray, change: FloatArray) -> float:
    """Return how deep a feature's true minimum is, relative to the lower of its two shoulders.

    The minimum must lie around the place where the feature darkens the profile most, as far as it
    darkens it by at least half as much. Its shoulders are the brightest places that are met on each side before
    the profile falls below the minimum. 0 where the profile runs past without a minimum, 1 where it
    falls to nothing.

    Parameters
    ----------
    profile : array, shape (n,)
        Brightness along a cut.
    change : array, shape (n,)
        What the feature adds to it (negative where it is dark).
    """
    start = int(np.argmin(change))
    if change[start] >= 0:
        return 0.0
    weak = np.flatnonzero(change > change[start] / 2)
    first = int(weak[weak < start].max(initial=0)) + 1
    last = int(weak[weak > start].min(initial=len(profile) - 1))
    near = np.arange(first, last)
    hollow = (profile[near] <= profile[near - 1]) & (profile[near] <= profile[near + 1])
    deepest = 0.0
    for place in near[hollow]:
        shoulder = min(_shoulder(profile[place::-1]), _shoulder(profile[place:]))
        if shoulder > 0:
            deepest = max(deepest, 1.0 - float(profile[place]) / shoulder)
    return deepest


def _shoulder(profile: FloatArray) -> float:
    """Brightest place before the profile falls below its first value."""
    lower = np.flatnonzero(profile < profile[0])
    return float(np.max(profile[: lower[0]] if lower.size else profile))
