"""Laying pictures on a display: which way up, at which scale.

A `Display` is a board of square display pixels on the sky. Its first row is the bottom one, as in
every array here; `simulate.present.images` turns pictures over when it writes them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from simulate.errors import InputError
from simulate.results.view import Picture, Placement

FloatArray = npt.NDArray[np.floating]

ORDERS = {"smooth": 3, "lines": 1, "pixels": 0}
"""Order of the spline for each way of drawing."""


@dataclass(frozen=True)
class Display:
    """Display pixels on the sky.

    Parameters
    ----------
    rows, columns : int
        Display pixels.
    step_arcsec : float
        Side of a display pixel, arcsec.
    up_angle_deg : float
        Position angle of "up", from north through east; 0 is north up.
    mirrored : bool
        True: east is to the right when north is up.
    middle_east_arcsec, middle_north_arcsec : float
        What lies in the middle, relative to the body's centre, arcsec.
    """

    rows: int
    columns: int
    step_arcsec: float
    up_angle_deg: float = 0.0
    mirrored: bool = False
    middle_east_arcsec: float = 0.0
    middle_north_arcsec: float = 0.0

    def __post_init__(self) -> None:
        if self.rows < 1 or self.columns < 1 or not self.step_arcsec > 0:
            raise InputError("display", self, "give positive sizes")

    @property
    def placement(self) -> Placement:
        """Where its pixels lie."""
        middle = self.middle_east_arcsec, self.middle_north_arcsec
        return Placement.turned(self.step_arcsec, self.up_angle_deg, self.mirrored, *middle)

    @property
    def shape(self) -> tuple[int, int]:
        """(rows, columns)."""
        return (self.rows, self.columns)

    def direction(self, position_angle_deg: float) -> tuple[float, float]:
        """Return the unit vector (right, up) on the display of a position angle on the sky."""
        turn = math.radians(position_angle_deg - self.up_angle_deg)
        side = 1.0 if self.mirrored else -1.0
        return side * math.sin(turn), math.cos(turn)

    def pixel_of(self, east_arcsec: float, north_arcsec: float) -> tuple[float, float]:
        """Return the fractional (row, column) of a place on the sky."""
        row, column = self.placement.pixel_of(east_arcsec, north_arcsec, self.shape)
        return float(row), float(column)


def mounted_view(placement: Placement) -> tuple[float, bool]:
    """Return (position angle of up in deg, mirrored) of a camera's pixels."""
    up = math.degrees(math.atan2(placement.east_per_row, placement.north_per_row))
    a, b = placement.east_per_column, placement.east_per_row
    c, d = placement.north_per_column, placement.north_per_row
    return up, a * d - b * c > 0


def lay(picture: Picture, display: Display, how: str = "smooth") -> FloatArray:
    """Return `picture` as `display` shows it, shape (rows, columns) or (rows, columns, 3).

    Where the display is coarser than the picture its pixels are means over several points; where it
    is finer the picture is drawn as `how` says. Outside the picture it is dark (0).

    Parameters
    ----------
    picture : Picture
        One plane or a colour picture.
    display : Display
        Where it goes.
    how : str
        "smooth" (cubic, for band-limited pictures), "lines" (linear between cells, for sharp ones) or
        "pixels" (the picture's own square pixels).

    Raises
    ------
    InputError
        If the picture has planes that are not colours.
    """
    values = np.asarray(picture.values, dtype=np.float32)
    if values.ndim == 3 and not picture.in_colour:
        raise InputError("picture", values.shape, "show one plane, or a colour picture")
    ratio = display.step_arcsec / picture.placement.step_arcsec
    points = max(1, min(6, math.ceil(ratio * (2 if how == "pixels" else 1))))
    order = ORDERS[how] if points == 1 else min(1, ORDERS[how])  # where points are averaged, lines between cells do
    planes = values[..., None] if values.ndim == 2 else values
    result = np.stack([_sampled(planes[..., c], picture, display, points, order) for c in range(planes.shape[-1])], -1)
    if order == 3:  # a cubic must not invent light below or above what is there
        result = np.clip(result, min(0.0, float(values.min())), float(values.max()))
    return result[..., 0] if values.ndim == 2 else result


def _sampled(plane: FloatArray, picture: Picture, display: Display, points: int, order: int) -> FloatArray:
    offsets = (np.arange(points) + 0.5) / points - 0.5
    source = ndimage.spline_filter(plane, order=3).astype(np.float32) if order == 3 else plane
    total = np.zeros(display.shape, dtype=np.float32)
    matrix, origin = _map(picture, display)
    for up in offsets:
        for right in offsets:
            start: Any = origin + matrix @ np.array([up, right])
            total += ndimage.affine_transform(
                source, matrix, start, display.shape, order=order, mode="grid-constant", cval=0.0, prefilter=False,
                output=np.float32,
            )  # fmt: skip
    return total / points**2


def _map(picture: Picture, display: Display) -> tuple[npt.NDArray[Any], npt.NDArray[Any]]:
    """Matrix and origin that take (row, column) of the display to those of the picture."""

    def place(row: float, column: float) -> npt.NDArray[Any]:
        east, north = display.placement.sky_of(row, column, display.shape)
        return np.array(picture.placement.pixel_of(east, north, picture.shape))

    origin = place(0, 0)
    return np.column_stack([place(1, 0) - origin, place(0, 1) - origin]), origin
