"""The colour filter array: which pixel sees which colour, laying a mosaic and taking it apart.

The letters of a pattern are those of array pixels [0, 0], [0, 1], [1, 0], [1, 1] and repeat.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from simulate.camera.settings import COLOUR_PATTERNS, choose_pattern
from simulate.errors import InputError

_CHANNEL = {"R": 0, "G": 1, "B": 2}
_SITES = ((0, 0), (0, 1), (1, 0), (1, 1))


def channel_index(pattern: str, rows: int, columns: int) -> npt.NDArray[np.uint8]:
    """Return which channel (0 red, 1 green, 2 blue) each pixel sees, shape (rows, columns)."""
    cell = np.array([_CHANNEL[letter] for letter in _colour_pattern(pattern)], dtype=np.uint8).reshape(2, 2)
    return np.tile(cell, ((rows + 1) // 2, (columns + 1) // 2))[:rows, :columns]


def lay_mosaic(planes: npt.NDArray[np.floating], pattern: str) -> npt.NDArray[np.floating]:
    """Return the picture behind the filter array: each pixel keeps the one plane that it sees.

    Parameters
    ----------
    planes : array, shape (..., 3, rows, columns)
        Red, green, blue; any unit.
    pattern : str
        One of `COLOUR_PATTERNS`.

    Returns
    -------
    array, shape (..., rows, columns)
        Same unit and type as `planes`.
    """
    if planes.ndim < 3 or planes.shape[-3] != 3:
        raise InputError("planes", planes.shape, "a colour camera needs three planes: red, green, blue")
    result = np.empty((*planes.shape[:-3], *planes.shape[-2:]), dtype=planes.dtype)
    for (row, column), letter in zip(_SITES, _colour_pattern(pattern), strict=True):
        result[..., row::2, column::2] = planes[..., _CHANNEL[letter], row::2, column::2]
    return result


def demosaic_bilinear(raw: npt.NDArray[np.generic], pattern: str) -> npt.NDArray[np.float32]:
    """Return the three full colour planes, the gaps filled with the mean of the nearest same-coloured pixels.

    Bilinear interpolation written as a convolution divided by the convolution of the mask, which keeps
    the weights right at the edges too.

    Parameters
    ----------
    raw : array, shape (rows, columns)
        Any unit.
    pattern : str
        One of `COLOUR_PATTERNS`.

    Returns
    -------
    array of float32, shape (3, rows, columns)
        Red, green, blue in the unit of `raw`.
    """
    from scipy.ndimage import convolve

    index = channel_index(pattern, *raw.shape)
    cross = np.array([[0, 1, 0], [1, 4, 1], [0, 1, 0]], dtype=np.float32)
    full = np.array([[1, 2, 1], [2, 4, 2], [1, 2, 1]], dtype=np.float32)
    values = raw.astype(np.float32)
    planes = []
    for channel, kernel in enumerate((full, cross, full)):
        mask = (index == channel).astype(np.float32)
        weight = convolve(mask, kernel, mode="constant")
        total = convolve(values * mask, kernel, mode="constant")
        planes.append(np.divide(total, weight, out=np.zeros_like(total), where=weight > 0))
    return np.stack(planes)


def _colour_pattern(pattern: str) -> str:
    known = choose_pattern("filter array", pattern)
    if known == "mono":
        raise InputError("filter array", pattern, f"use one of {', '.join(COLOUR_PATTERNS)}")
    return known
