"""Apparitions that several tests of scenes share; geometry is computed once."""

from __future__ import annotations

import warnings
from functools import cache

import numpy as np

from simulate.bodies import load_body
from simulate.geometry import Apparition, apparition
from simulate.scene import Scene, SceneOptions, render, scene_grid, scene_radius_arcsec
from simulate.values.grid import Grid


@cache
def seen(body: str, time: str) -> Apparition:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return apparition(body, time)


def drawn(
    apparition: Apparition,
    cells: int = 60,
    offset: tuple[float, float] = (0.0, 0.0),
    margin: float = 0.0,
    **options: object,
) -> Scene:
    """Draw with so many cells on the radius of globe and rings; the offset is in cells."""
    body = load_body(apparition.body)
    step = scene_radius_arcsec(apparition, body) / cells
    grid = scene_grid(apparition, body, step, max(margin, 3 * step))
    grid = Grid(grid.rows, grid.columns, step, offset[0] * step, offset[1] * step)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return render(apparition, body, grid, options=SceneOptions(**options))  # type: ignore[arg-type]


def centroid(picture: np.ndarray, grid: Grid) -> tuple[float, float]:
    """Return (east, north) of the middle of the light, arcsec."""
    total = picture.sum()
    east = (picture.sum(axis=0) * grid.east_arcsec()).sum() / total
    return float(east), float((picture.sum(axis=1) * grid.north_arcsec()).sum() / total)
