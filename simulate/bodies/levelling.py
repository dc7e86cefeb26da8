"""Taking features out of any map: what lies around them takes their place.

A belt is bridged in the mean of each latitude while the structure along longitude stays; an area is filled
smoothly from its rim; a marking is levelled to the mean of its latitude; the inside of an oval is levelled
to its own mean. Each works on a map of any origin, in place.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import numpy.typing as npt

from simulate.bodies.shapes import Outline, Patch, between

Nodes = npt.NDArray[np.float64]
Values = npt.NDArray[np.float32]

_COARSE_DEG = 1.0
"""Step on which the filling of an area is solved: it is smooth by nature."""

_RIM_DEG = 1.5
"""Width of the rim from which an area is filled."""


def bridge(values: Values, latitudes_deg: Nodes, south_deg: float, north_deg: float, edge_deg: float) -> None:
    """Take a belt out of a map: its mean profile becomes straight between its two edges.

    Parameters
    ----------
    values : array, shape (bands, latitudes, longitudes)
        Changed in place.
    latitudes_deg : array, shape (latitudes,)
        Planetographic.
    south_deg, north_deg, edge_deg : float
        Edges of the belt and their softness.
    """
    mean = values.mean(axis=2)
    ends = np.array([south_deg - edge_deg / 2, north_deg + edge_deg / 2])
    weight = between(latitudes_deg, south_deg, north_deg, edge_deg)
    for plane, row in zip(values, mean, strict=True):
        straight = np.interp(latitudes_deg, ends, np.interp(ends, latitudes_deg, row))
        plane *= (1.0 + weight * (straight / row - 1.0)).astype(np.float32)[:, None]


def level(values: Values, latitudes_deg: Nodes, longitudes_deg: Nodes, shape: Patch | Outline) -> None:
    """Replace what lies inside a shape by the mean of its latitude, in place."""
    mean = values.mean(axis=2)
    for rows, columns, weight in reach(latitudes_deg, longitudes_deg, shape):
        block = values[:, rows, columns]
        block += weight * (mean[:, rows, None] - block)


def level_inside(values: Values, latitudes_deg: Nodes, longitudes_deg: Nodes, shape: Patch | Outline) -> None:
    """Replace what lies inside a shape by its own mean, in place."""
    blocks = list(reach(latitudes_deg, longitudes_deg, shape))
    total = sum(float(weight.sum()) for _, _, weight in blocks)
    mean = sum((values[:, rows, columns] * weight).sum(axis=(1, 2)) for rows, columns, weight in blocks) / total
    for rows, columns, weight in blocks:
        block = values[:, rows, columns]
        block += weight * (np.asarray(mean, np.float32)[:, None, None] - block)


def fill(values: Values, latitudes_deg: Nodes, longitudes_deg: Nodes, shape: Patch | Outline) -> None:
    """Replace what lies inside a shape by the smoothest surface through its rim (Laplace's equation), in place."""
    from scipy.sparse.linalg import splu  # late: only where something is taken out

    south, north = (shape.latitude_deg + sign * (shape.reach_deg[1] + 2 * _RIM_DEG) for sign in (-1, 1))
    grid_lat = np.arange(max(south, -90.0), min(north, 90.0) + _COARSE_DEG, _COARSE_DEG).clip(-90.0, 90.0)
    widest = (shape.reach_deg[0] + 2 * _RIM_DEG) / max(float(np.cos(np.radians(np.abs(grid_lat).max()))), 0.05)
    half = min(np.ceil(widest), 180.0)
    grid_lon = shape.longitude_deg + np.arange(-half, half + 0.5 * _COARSE_DEG, _COARSE_DEG)
    hidden = shape.weight(grid_lat[:, None], grid_lon[None, :]) > 0
    hidden[[0, -1]] = hidden[:, [0, -1]] = False
    if not hidden.any():
        return
    known = _coarse(values, latitudes_deg, longitudes_deg, grid_lat, grid_lon)
    matrix = _laplace(hidden)
    target = np.where(hidden, 0.0, known).reshape(len(values), -1)
    smooth = splu(matrix).solve(target.T).T.reshape(known.shape)
    for rows, columns, weight in reach(latitudes_deg, longitudes_deg, shape):
        offset = (longitudes_deg[columns] - shape.longitude_deg + 180.0) % 360.0 - 180.0 + half
        block = values[:, rows, columns]
        filling = _bilinear(smooth, (latitudes_deg[rows] - grid_lat[0]) / _COARSE_DEG, offset / _COARSE_DEG)
        block += weight * (filling - block)


def _coarse(values: Values, latitudes: Nodes, longitudes: Nodes, wanted_lat: Nodes, wanted_lon: Nodes) -> Nodes:
    """Return means over about a coarse step around each place, shape (bands, places, places)."""
    step_lat, step_lon = latitudes[1] - latitudes[0], 360.0 / len(longitudes)
    rows = np.rint((wanted_lat - latitudes[0]) / step_lat).astype(int)
    columns = np.rint((wanted_lon - longitudes[0]) / step_lon).astype(int)
    half_row, half_column = (int(_COARSE_DEG / step // 2) for step in (step_lat, step_lon))
    total = np.zeros((len(values), len(rows), len(columns)))
    for down in range(-half_row, half_row + 1):
        picked = values[:, np.clip(rows + down, 0, len(latitudes) - 1)]
        for across in range(-half_column, half_column + 1):
            total += picked[:, :, (columns + across) % len(longitudes)]
    return total / ((2 * half_row + 1) * (2 * half_column + 1))


def _laplace(hidden: npt.NDArray[np.bool_]):
    """Return the matrix that makes each hidden place the mean of its four neighbours and keeps the others."""
    from scipy.sparse import coo_matrix

    index = np.arange(hidden.size).reshape(hidden.shape)
    row, column = np.nonzero(hidden)
    here = index[row, column]
    beside = [index[row + 1, column], index[row - 1, column], index[row, column + 1], index[row, column - 1]]
    entries = np.concatenate([np.ones(hidden.size), np.full(4 * len(here), -0.25)])
    place = np.concatenate([index.ravel(), *[here] * 4]), np.concatenate([index.ravel(), *beside])
    return coo_matrix((entries, place), shape=(hidden.size, hidden.size)).tocsc()


def _bilinear(table: Nodes, row: Nodes, column: Nodes) -> Values:
    top = np.clip(row.astype(int), 0, table.shape[1] - 2)
    left = np.clip(column.astype(int), 0, table.shape[2] - 2)
    down, across = (row - top)[:, None], column - left
    lines = table[:, top] * (1 - down) + table[:, top + 1] * down
    return (lines[:, :, left] * (1 - across) + lines[:, :, left + 1] * across).astype(np.float32)


def reach(latitudes_deg: Nodes, longitudes_deg: Nodes, shape: Patch | Outline) -> Iterator[tuple[slice, slice, Values]]:
    """Yield the rows and columns that a shape reaches, with its weight there, shape (rows, columns)."""
    reach_x, reach_y = shape.reach_deg
    rows = _run(np.abs(latitudes_deg - shape.latitude_deg) <= reach_y)
    latitude = latitudes_deg[rows]
    narrowest = float(np.cos(np.radians(latitude)).min(initial=1.0))
    offset = longitudes_deg - (shape.longitude_deg - longitudes_deg[0]) % 360.0 - longitudes_deg[0]
    for turn in (-360.0, 0.0, 360.0):
        columns = _run(np.abs(offset + turn) <= min(reach_x / max(narrowest, 1e-3), 180.0))
        if latitude.size and columns.stop > columns.start:
            weight = shape.weight(latitude[:, None], longitudes_deg[columns][None, :])
            yield rows, columns, weight.astype(np.float32)


def _run(chosen: npt.NDArray[np.bool_]) -> slice:
    found = np.flatnonzero(chosen)
    return slice(int(found[0]), int(found[-1]) + 1) if found.size else slice(0, 0)
