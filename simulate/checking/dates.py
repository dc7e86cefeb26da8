"""Whether a picture that does not fit its time looks like the same body at another one."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable

import numpy as np
import numpy.typing as npt

from simulate.checking.finding import Found
from simulate.checking.fitting import window_of
from simulate.checking.model import Blur, Pose, Theory

FloatArray = npt.NDArray[np.floating]

SIDE_PX = 48
"""Pixels along the planet's window: enough for outlines and large marks."""

TURN_DEG = 7.5
"""Step of the turns that are tried."""


def by_likeness(
    levels: FloatArray, found: Found, times: Iterable[float], theory_at: Callable[[float], Theory]
) -> list[tuple[float, float]]:
    """Return (likeness, offset) of the theory at each offset, in any turn and either mirror; the most alike first.

    Parameters
    ----------
    levels : array, shape (rows, columns)
        The picture.
    found : Found
        Where its planet is.
    times : iterable of float
        Offsets to try, any unit.
    theory_at : callable
        Gives the planet at an offset.
    """
    return sorted(((likeness(levels, found, theory_at(offset)), offset) for offset in times), reverse=True)


def likeness(levels: FloatArray, found: Found, theory: Theory) -> float:
    """Return the largest correlation of a picture with a theory over all turns and both mirrors."""
    light = theory.blurred(Blur(0.25 * theory.cutoff, 0.3, 0.0, theory.cutoff).at(theory.frequency))
    if not light.max() > 0:
        return -1.0  # at that time no light comes from there, which is like no picture
    level = float(np.median(light[light > light.max() / 3]))
    bright = np.where(light > level / 2, light, 0.0)
    scale = math.sqrt(np.count_nonzero(bright) * theory.grid.cell_arcsec2 / found.area_px)
    half = 1.25 * theory.extent_arcsec / scale + 3
    window = window_of(levels, (found.row, found.column), half, SIDE_PX, 0)
    tone = np.maximum(window.levels.ravel() - found.sky, 0.0) ** 1.5
    tone = tone - tone.mean()
    east, north = np.meshgrid(theory.grid.east_arcsec(), theory.grid.north_arcsec())
    middle = tuple(float((bright * x).sum() / bright.sum()) for x in (east, north))
    rows, columns = (x.ravel() for x in window.pixels)
    here = window.pose_here(Pose(found.row, found.column, scale, 0.0, False))
    best = -1.0
    for mirrored in (False, True):
        for angle in np.arange(0.0, 360.0, TURN_DEG):
            pose = Pose(here.row, here.column, here.scale_arcsec, float(angle), mirrored)
            away_east, away_north = pose.sky_of(rows, columns)
            index = np.rint(theory.index_of(away_east + middle[0], away_north + middle[1])).astype(np.intp)
            inside = np.all((index >= 0) & (index < np.array(light.shape)[:, None]), axis=0)
            shown = np.where(inside, light[index[0] % light.shape[0], index[1] % light.shape[1]], 0.0)
            shown = shown - shown.mean()
            best = max(best, float(shown @ tone) / math.sqrt(float(shown @ shown) * float(tone @ tone) + 1e-30))
    return best
