"""`View`: everything that is known about one body seen through one instrument.

The composer fills it; every presentation (sheet, FITS, montage, JSON) reads it and nothing else.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy.typing as npt

from simulate.errors import InputError
from simulate.judging.thresholds import FeatureLine
from simulate.stack.results import Exposure, Restored, Stack
from simulate.values.arrays import frozen_array
from simulate.values.grid import Grid
from simulate.values.practice import PRACTISED, Practice

if TYPE_CHECKING:
    from simulate.bodies import Body
    from simulate.geometry import Apparition
    from simulate.instruments import Instrument
    from simulate.scene import Scene


@dataclass(frozen=True)
class Placement:
    """Where the pixels of a picture lie on the sky (a linear map, as the CD matrix of a FITS file).

    A pixel's centre at index (row, column) lies at
    ``east = middle_east + a (column - c0) + b (row - r0)`` and
    ``north = middle_north + c (column - c0) + d (row - r0)``, arcsec, where (r0, c0) is the middle
    of the array, ``((rows-1)/2, (columns-1)/2)``.

    Parameters
    ----------
    east_per_column, east_per_row, north_per_column, north_per_row : float
        a, b, c and d above, arcsec.
    middle_east_arcsec, middle_north_arcsec : float
        Where the middle of the array lies relative to the body's centre, arcsec.
    """

    east_per_column: float
    east_per_row: float
    north_per_column: float
    north_per_row: float
    middle_east_arcsec: float = 0.0
    middle_north_arcsec: float = 0.0

    def __post_init__(self) -> None:
        if not (math.isfinite(self.area_arcsec2) and self.area_arcsec2 > 0):
            raise InputError("placement", self, "the pixels must have a positive, finite area on the sky")

    @classmethod
    def north_up(cls, step_arcsec: float, east_arcsec: float = 0.0, north_arcsec: float = 0.0) -> Placement:
        """Rows grow to the north, columns to the west, as `simulate.values.grid` states."""
        return cls(-step_arcsec, 0.0, 0.0, step_arcsec, east_arcsec, north_arcsec)

    @classmethod
    def of_grid(cls, grid: Grid) -> Placement:
        """Return the placement of arrays that live on a sky grid."""
        return cls.north_up(grid.step_arcsec, grid.middle_east_arcsec, grid.middle_north_arcsec)

    @classmethod
    def turned(
        cls,
        step_arcsec: float,
        up_angle_deg: float,
        mirrored: bool,
        east_arcsec: float = 0.0,
        north_arcsec: float = 0.0,
    ) -> Placement:
        """Return the placement of a camera's pixels.

        Parameters
        ----------
        step_arcsec : float
            Side of a pixel, arcsec.
        up_angle_deg : float
            Position angle, from north through east, of the direction in which rows grow, degrees.
        mirrored : bool
            True: columns grow to the right-hand side of a mirrored sky (to the east when `up_angle_deg` is 0).
        east_arcsec, north_arcsec : float
            Place of the array's middle, arcsec.
        """
        sine, cosine = math.sin(math.radians(up_angle_deg)), math.cos(math.radians(up_angle_deg))
        side = 1.0 if mirrored else -1.0
        s = step_arcsec
        return cls(side * s * cosine, s * sine, -side * s * sine, s * cosine, east_arcsec, north_arcsec)

    @property
    def area_arcsec2(self) -> float:
        """Solid angle of a pixel, arcsec2."""
        return abs(self.east_per_column * self.north_per_row - self.east_per_row * self.north_per_column)

    @property
    def step_arcsec(self) -> float:
        """Side of a square pixel of the same area, arcsec."""
        return math.sqrt(self.area_arcsec2)

    def sky_of(self, row: Any, column: Any, shape: tuple[int, int]) -> tuple[Any, Any]:
        """Return (east, north) in arcsec of fractional (row, column) in an array of `shape`."""
        y = row - (shape[0] - 1) / 2
        x = column - (shape[1] - 1) / 2
        east = self.middle_east_arcsec + self.east_per_column * x + self.east_per_row * y
        north = self.middle_north_arcsec + self.north_per_column * x + self.north_per_row * y
        return east, north

    def pixel_of(self, east_arcsec: Any, north_arcsec: Any, shape: tuple[int, int]) -> tuple[Any, Any]:
        """Return the fractional (row, column) of a place on the sky in an array of `shape`."""
        a, b, c, d = self.east_per_column, self.east_per_row, self.north_per_column, self.north_per_row
        east = east_arcsec - self.middle_east_arcsec
        north = north_arcsec - self.middle_north_arcsec
        determinant = a * d - b * c
        column = (d * east - b * north) / determinant
        row = (a * north - c * east) / determinant
        return row + (shape[0] - 1) / 2, column + (shape[1] - 1) / 2


@dataclass(frozen=True, eq=False)
class Picture:
    """An array with its place on the sky and its unit.

    Parameters
    ----------
    values : array, shape (rows, columns), (planes, rows, columns) or (rows, columns, 3)
        The last form is a colour picture: linear light in the primaries of sRGB.
    placement : Placement
        Where the pixels lie.
    unit : str
        As FITS spells it: "ph s-1 m-2 arcsec-2", "electron", "electron/s", "adu"; "" for colours.
    """

    values: npt.NDArray[Any]
    placement: Placement
    unit: str = ""

    def __post_init__(self) -> None:
        values = frozen_array(self.values)
        if values.ndim not in (2, 3):
            raise InputError("picture", values.shape, "give two axes, or three with planes or colours")
        object.__setattr__(self, "values", values)

    @property
    def in_colour(self) -> bool:
        """Whether the last axis holds red, green and blue."""
        return self.values.ndim == 3 and self.values.shape[-1] == 3

    @property
    def shape(self) -> tuple[int, int]:
        """(rows, columns)."""
        size = self.values.shape[:2] if self.in_colour else self.values.shape[-2:]
        return (int(size[0]), int(size[1]))


@dataclass(frozen=True)
class OpticsFacts:
    """Numbers about sharpness and sampling, all for the green band unless said.

    Parameters
    ----------
    pixel_scale_arcsec : float
        Side of a camera pixel, arcsec.
    diffraction_fwhm_arcsec : float
        Width at half maximum of the telescope's own point response, arcsec.
    delivered_fwhm_arcsec : float
        Width at half maximum of the finished picture's point response, arcsec.
    critical_focal_ratio : float
        Focal ratio at which two pixels sample one lambda N.
    sampling_ratio : float
        Pixels per lambda/(2D): 1 is critical, above 1 undersampled.
    dispersion_arcsec : float or None
        Spread by the air between the ends of the visible (as computed by the composer); None
        without a site.
    seeing_fwhm_arcsec : float or None
        Long-exposure width that the air alone would give at the target's altitude, arcsec.
    raw_fwhm_arcsec, stack_fwhm_arcsec : float or None
        Delivered width in one frame and in the stack before restoration, arcsec.
    strehl_ratio : float or None
        Of the telescope alone.
    fried_ratio : float or None
        Aperture over the Fried parameter at the target, D/r0.
    blue_red_arcsec : float or None
        By how much the air lifts the blue channel above the red one, arcsec; None for other channels.
    sky_mag_arcsec2 : float or None
        V magnitude of a square arcsecond of the sky at the target, as the picture has it.
    sky_share : float or None
        The sky's light over that of the lit disc in the green channel; None for a point.
    """

    pixel_scale_arcsec: float
    diffraction_fwhm_arcsec: float
    delivered_fwhm_arcsec: float
    critical_focal_ratio: float
    sampling_ratio: float
    dispersion_arcsec: float | None = None
    seeing_fwhm_arcsec: float | None = None
    raw_fwhm_arcsec: float | None = None
    stack_fwhm_arcsec: float | None = None
    strehl_ratio: float | None = None
    fried_ratio: float | None = None
    blue_red_arcsec: float | None = None
    sky_mag_arcsec2: float | None = None
    sky_share: float | None = None


@dataclass(frozen=True, eq=False)
class Level:
    """What one level of practice makes of the same setup.

    Parameters
    ----------
    practice : Practice
        The hand.
    features : tuple of FeatureLine
        Verdicts; empty where none were asked for.
    picture : Picture, (rows, columns, 3)
        The finished picture, on the scale of brightness of the view's.
    """

    practice: Practice
    features: tuple[FeatureLine, ...]
    picture: Picture


@dataclass(frozen=True, eq=False)
class View:
    """One body through one instrument, from the truth to the finished picture.

    Parameters
    ----------
    subject : Body
        What is looked at.
    instrument : Instrument
        Telescope, camera and mount.
    apparition : Apparition
        Everything that geometry knows.
    scene : Scene
        Radiance above the air (bins, rows, columns), photons s-1 m-2 arcsec-2, and points.
    sky : object
        The settings of the air.
    expected : Picture, (channels, rows, columns), "electron"
        Noise-free electrons of one exposure on the camera's pixels.
    frame : Picture, (rows, columns) uint16, "adu"
        One raw exposure.
    stack, finished : Stack, Restored
        The expected stack and its restoration.
    stack_placement : Placement
        Where the cells of both lie.
    psf : Picture, (rows, columns)
        Delivered response of the green band on the fine grid, sum 1.
    truth_rgb, frame_rgb, stack_rgb, finished_rgb : Picture, (rows, columns, 3)
        Linear sRGB for display, on one common scale of brightness: the unblurred truth, the single
        frame after demosaicing (one grey for a bare sensor), the stack, the finished picture.
    exposure : Exposure
        How it was recorded.
    optics : OpticsFacts
        Sharpness and sampling.
    channel_names : tuple of str
        Of the planes of `expected`, stack and finished picture.
    features : tuple of FeatureLine
        Verdicts; empty where none were asked for.
    practice : Practice
        The hand that all of this is for.
    levels : tuple of Level
        Ordinary, practised and ideal, among them the one above; empty for a point.
    inputs : mapping
        Everything that the user gave or that was taken by default; plain JSON values.
    warnings : tuple of str
        Reservations that concern this view.
    seed : int
        Seed of the one random frame and of the stack's noise.
    version : str
        Version of this package.
    """

    subject: Body
    instrument: Instrument
    apparition: Apparition
    scene: Scene
    sky: Any
    expected: Picture
    frame: Picture
    stack: Stack
    finished: Restored
    stack_placement: Placement
    psf: Picture
    truth_rgb: Picture
    frame_rgb: Picture
    stack_rgb: Picture
    finished_rgb: Picture
    exposure: Exposure
    optics: OpticsFacts
    channel_names: tuple[str, ...] = ("mono",)
    features: tuple[FeatureLine, ...] = ()
    practice: Practice = PRACTISED
    levels: tuple[Level, ...] = ()
    inputs: Mapping[str, Any] = field(default_factory=dict)
    warnings: tuple[str, ...] = ()
    seed: int = 0
    version: str = ""

    @property
    def body(self) -> str:
        """Name of the subject."""
        return self.subject.name
