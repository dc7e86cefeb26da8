"""A stack of frames as a picture to show: white balanced to sunlit grey, enlarged, north up.

The colour of a planet's whole light is known better than any hand balances it: the channels are scaled until the sum
of the planet's light has the colour of its albedo, and sunlit white is white then, whatever camera and air took away.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from simulate.bodies import Body
from simulate.bodies.spectra import geometric_albedo, solar_photon_flux
from simulate.camera import Camera, channel_response
from simulate.light.chain import refined
from simulate.light.colours import LUMINANCE, screen_matrix, to_screen
from simulate.light.screen import BRIGHTEST_SHOWN
from simulate.values.grid import Grid
from simulate.values.spectrum import DEFAULT_BINS

FloatArray = npt.NDArray[np.floating]

TYPICAL_CAMERA = Camera(pixel_um=2.9, columns=1936, rows=1096, filter_array="RGGB")
"""Dyes of a colour array as they are common; only their shapes count, the balance takes care of their heights."""

LIT = 0.1
"""Share of the brightest part from which light counts as the planet's."""

CELLS_OF_A_POINT = 6.0
"""Cells of the picture that is shown across the width of a point."""

MOST_ENLARGED = 4

MOST_SHOWN = 12_000_000
"""Cells of the picture that is shown."""


@dataclass(frozen=True, eq=False)
class Balance:
    """How channels become colours of a screen.

    Parameters
    ----------
    sky : array, shape (channels,)
        Level of the sky, shown as black.
    white : array, shape (channels,)
        What sunlit white would record, up to a common factor.
    matrix : array, shape (3, channels)
        From balanced channels to linear sRGB.
    level : float
        What is shown as 1.
    """

    sky: FloatArray
    white: FloatArray
    matrix: FloatArray
    level: float

    def show(self, planes: FloatArray) -> npt.NDArray[np.float32]:
        """Return linear sRGB, (rows, columns, 3), of planes (channels, rows, columns)."""
        above = np.asarray(planes, np.float32) - self.sky.astype(np.float32)[:, None, None]
        return to_screen(above, self.white, self.matrix, self.level)


def balanced(planes: FloatArray, names: tuple[str, ...], body: Body | None) -> Balance:
    """Return the balance of a stack's colours.

    Parameters
    ----------
    planes : array, shape (channels, rows, columns)
        The stack, its colours aligned.
    names : tuple of str
        Of the channels: red, green and blue, or one.
    body : Body or None
        What it shows; None balances its whole light to grey.
    """
    sky = np.array([np.median(np.concatenate([p[:2].ravel(), p[-2:].ravel()])) for p in planes], float)
    above = planes - sky[:, None, None]
    light = above.mean(axis=0)
    lit = light > LIT * np.quantile(light, 0.999)
    sums = np.maximum(above[:, lit].sum(axis=1, dtype=float), 1e-30) if lit.any() else np.ones(len(planes))
    if len(names) == 1:
        white, matrix = sums / sums.mean(), np.ones((3, 1))
    else:
        response, sun = channel_response(TYPICAL_CAMERA, DEFAULT_BINS), solar_photon_flux(DEFAULT_BINS)
        share = np.ones(len(names))
        if body is not None and body.kind != "star":
            albedo = geometric_albedo(body, DEFAULT_BINS.centres_nm)
            share = response @ (albedo * sun) / (response @ sun)
        white = sums / share
        white = white / white.mean()
        matrix = screen_matrix(response, names, DEFAULT_BINS)
    shown = to_screen(above, white, matrix, 1.0) @ LUMINANCE.astype(np.float32)
    bright = float(np.quantile(shown[lit], 0.98)) if lit.any() else float(shown.max())
    return Balance(sky, white, matrix, max(bright, 1e-30) / BRIGHTEST_SHOWN)


def enlargement(step: float, width: float | None, shape: tuple[int, int]) -> int:
    """Return by which whole number a picture is enlarged so that a point is some cells wide.

    Parameters
    ----------
    step, width : float
        Side of a cell and width of a point, same unit; None where nothing tells it.
    shape : pair of int
        (rows, columns) before.
    """
    wanted = 2 if width is None else math.ceil(CELLS_OF_A_POINT * step / max(width, step))
    most = math.floor(math.sqrt(MOST_SHOWN / math.prod(shape)))
    return max(1, min(wanted, MOST_ENLARGED, most))


def enlarged(planes: FloatArray, factor: int) -> npt.NDArray[np.float32]:
    """Return planes with `factor` times more cells along each axis, nothing invented: band-limited."""
    return refined(planes, Grid(planes.shape[1], planes.shape[2], 1.0), factor)[0]


def north_up(picture: FloatArray, up_deg: float, mirrored: bool) -> npt.NDArray[np.float32]:
    """Turn a picture until north is up and east left, about its middle; what was outside the field is black.

    Parameters
    ----------
    picture : array, shape (rows, columns, 3)
        Rows grow to position angle `up_deg`.
    up_deg : float
        That angle, deg.
    mirrored : bool
        Whether columns grow to the east where rows grow to the north.
    """
    values = np.asarray(picture, np.float32)
    if mirrored:
        values = values[:, ::-1]
    quarter = round(up_deg / 90.0)
    if abs(up_deg - 90.0 * quarter) < 0.05:
        # rows that grow to the east lie to the left once turned by a quarter
        return np.ascontiguousarray(np.rot90(values, -quarter))
    from scipy.ndimage import map_coordinates

    angle = math.radians(up_deg)
    # a place (north, west) of the new picture, turned into (row, column) of the old one
    back = np.array([[math.cos(angle), -math.sin(angle)], [math.sin(angle), math.cos(angle)]])
    rows, columns = values.shape[:2]
    sides = np.abs(back) @ (rows, columns)
    shape = tuple(int(2 * math.ceil(min(side, max(rows, columns)) / 2)) for side in sides)
    middle = np.array([(rows - 1) / 2, (columns - 1) / 2])
    new = np.stack(np.meshgrid(*(np.arange(n) - (n - 1) / 2 for n in shape), indexing="ij"))
    places = np.tensordot(back, new, axes=1) + middle[:, None, None]
    turned = [map_coordinates(values[..., k], places, order=3, mode="constant") for k in range(values.shape[2])]
    return np.stack(turned, axis=-1).astype(np.float32)


__all__ = ["Balance", "balanced", "enlarged", "enlargement", "north_up"]
