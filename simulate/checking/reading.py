"""A picture file into plain levels; every file that cannot be used is refused with one sentence."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from simulate.errors import InputError
from simulate.given.pictures import Pixels, read_pixels
from simulate.values.arrays import frozen_array

MOST_PIXELS = 16_000_000
"""Largest picture that is decoded: with 16 bits and three colours it still needs well under 1 GB."""

SMALLEST_SIDE = 16
"""Pixels; a planet on fewer shows nothing that could be compared."""


@dataclass(frozen=True, eq=False)
class UserPicture:
    """A picture as it came, bottom row first.

    Parameters
    ----------
    levels : float32 array, shape (channels, rows, columns)
        0 black to 1 the largest number that the file can hold; one channel or red, green, blue. **Row 0 is
        the bottom row**, so that rows grow upwards as everywhere here.
    bits : int
        Bits a sample; 0 for floating point, whose levels are scaled to the largest value.
    distinct : int
        How many different levels occur.
    clipped : float
        Share of the pixels that hold the largest level.
    kind : str
        "PNG", "TIFF", "FITS" or "JPEG".
    notes : tuple of str
        What should be known about the file, one sentence each.
    name : str
        Of the file, without its folder.
    """

    levels: npt.NDArray[np.float32]
    bits: int
    distinct: int
    clipped: float
    kind: str
    notes: tuple[str, ...] = ()
    name: str = "the picture"

    def __post_init__(self) -> None:
        object.__setattr__(self, "levels", frozen_array(self.levels, np.float32))

    @property
    def shape(self) -> tuple[int, int]:
        """(rows, columns)."""
        return self.levels.shape[1], self.levels.shape[2]


def read_picture(path: str | Path) -> UserPicture:
    """Read a finished or half-finished picture; the file is only ever read.

    Parameters
    ----------
    path : str or Path
        PNG (8 or 16 bits, grey or colour), TIFF, FITS (a plane, or three) or JPEG.

    Raises
    ------
    InputError
        If the file is missing, of another kind, damaged, empty of contrast, too small or too large.
    """
    place = Path(path)
    return _judged(place, read_pixels("PICTURE", place, lambda columns, rows, _: _check_size(place, columns, rows)))


def _check_size(place: Path, columns: int, rows: int) -> None:
    if columns * rows > MOST_PIXELS:
        wanted = f"it has {columns} x {rows} pixels, more than {MOST_PIXELS / 1e6:.0f} million; crop it to the planet"
        raise InputError("PICTURE", str(place), wanted)
    if min(columns, rows) < SMALLEST_SIDE:
        wanted = f"it has only {columns} x {rows} pixels; {SMALLEST_SIDE} along each side are the least"
        raise InputError("PICTURE", str(place), wanted)


def _judged(place: Path, pixels: Pixels) -> UserPicture:
    """Scale decoded numbers and refuse what shows nothing."""
    planes, bits = pixels.planes, pixels.bits
    remarks = []
    if pixels.kind == "JPEG":
        remarks.append("a JPEG file: its blocks of 8 pixels limit what fine detail can tell")
    if not pixels.row_order_told:
        remarks.append("row 0 of the FITS file is taken as the bottom row")
    if planes.shape[0] in (2, 4):
        alpha = planes[-1]
        planes = planes[:-1]
        if np.any(alpha < alpha.max()):
            remarks.append("transparent parts are taken as black")
            planes = np.where(alpha > 0, planes, 0)
    # whole numbers are sorted in a quarter of the room, and sooner
    distinct = int(np.unique(planes).size) if bits else 0
    levels = planes.astype(np.float32)
    if not np.all(np.isfinite(levels)):
        remarks.append("values that are no numbers are taken as black")
        levels = np.nan_to_num(levels, nan=0.0, posinf=0.0, neginf=0.0)
    low, high = float(levels.min()), float(levels.max())
    if high - low > float(np.finfo(np.float32).max):
        levels = levels / np.float32(2)  # else their difference has no number
        low, high = low / 2, high / 2
    if not high > low:
        raise InputError("PICTURE", str(place), "every pixel has the same value: it holds no planet")
    if bits:
        levels /= 2.0**bits - 1
        clipped = float(np.mean(levels >= 1.0))
    else:
        levels = (levels - low) / (high - low)
        clipped = 0.0
    if levels.shape[0] == 3 and np.array_equal(levels[0], levels[1]) and np.array_equal(levels[1], levels[2]):
        levels = levels[:1]
    distinct = distinct or int(np.unique(levels).size)
    turned = np.ascontiguousarray(levels[:, ::-1])  # the bottom row first
    return UserPicture(
        levels=turned,
        bits=bits,
        distinct=distinct,
        clipped=clipped,
        kind=pixels.kind,
        notes=tuple(remarks),
        name=place.name,
    )
