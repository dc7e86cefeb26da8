"""The unblurred planet of an instant, blurred and laid under the pixels of a user's picture."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt
import scipy.fft
from scipy import ndimage

from simulate.values.arrays import frozen_array
from simulate.values.grid import Grid

FloatArray = npt.NDArray[np.floating]


@dataclass(frozen=True)
class Pose:
    """How a picture lies on the sky.

    Parameters
    ----------
    row, column : float
        Pixel at which the body's centre lies (row 0 at the bottom).
    scale_arcsec : float
        Side of a pixel, arcsec.
    angle_deg : float
        Position angle, from north through east, in which the rows grow: of the picture's up.
    mirrored : bool
        Whether left and right are exchanged.
    """

    row: float
    column: float
    scale_arcsec: float
    angle_deg: float
    mirrored: bool

    @property
    def side(self) -> float:
        """1, or -1 where mirrored."""
        return -1.0 if self.mirrored else 1.0

    def sky_of(self, row: Any, column: Any) -> tuple[FloatArray, FloatArray]:
        """Return (east, north) in arcsec of pixels; the convention of `simulate.camera.SensorGrid`."""
        sine, cosine = math.sin(math.radians(self.angle_deg)), math.cos(math.radians(self.angle_deg))
        up, left = (row - self.row) * self.scale_arcsec, (column - self.column) * self.scale_arcsec * self.side
        return up * sine - left * cosine, up * cosine + left * sine

    def pixel_of(self, east: Any, north: Any) -> tuple[FloatArray, FloatArray]:
        """Return (row, column) of places on the sky, arcsec."""
        sine, cosine = math.sin(math.radians(self.angle_deg)), math.cos(math.radians(self.angle_deg))
        up, left = east * sine + north * cosine, -east * cosine + north * sine
        return self.row + up / self.scale_arcsec, self.column + self.side * left / self.scale_arcsec

    def reduced(self, factor: int) -> Pose:
        """Return the pose of the picture whose pixels are the means of `factor` x `factor` of this one's."""
        middle = (factor - 1) / 2
        return Pose(
            (self.row - middle) / factor,
            (self.column - middle) / factor,
            self.scale_arcsec * factor,
            self.angle_deg,
            self.mirrored,
        )

    def enlarged(self, factor: int) -> Pose:
        """Undo `reduced`."""
        middle = (factor - 1) / 2
        return Pose(
            self.row * factor + middle,
            self.column * factor + middle,
            self.scale_arcsec / factor,
            self.angle_deg,
            self.mirrored,
        )


@dataclass(frozen=True, eq=False)
class Doubts:
    """What the light of a theory cannot be trusted for: changes that may be added to it, with priors.

    Parameters
    ----------
    names : tuple of str
        Of the changes.
    lights : array, shape (n, rows, columns)
        Each change at amount 1.
    spreads : array, shape (n,)
        Standard deviations of the amounts; their means are 0.
    """

    names: tuple[str, ...]
    lights: npt.NDArray[np.float32]
    spreads: npt.NDArray[np.float64]

    def __post_init__(self) -> None:
        object.__setattr__(self, "lights", frozen_array(self.lights, np.float32))
        object.__setattr__(self, "spreads", frozen_array(self.spreads, np.float64))


@dataclass(frozen=True, eq=False)
class Theory:
    """The unblurred planet on the sky, in one plane of light.

    Parameters
    ----------
    grid : Grid
        North up; wide enough that blur does not reach round its edges.
    light : array, shape (rows, columns)
        Means over the cells; the bright part of the disc is about 1.
    cutoff : float
        D / lambda of the telescope in this light, cycles per arcsec.
    doubts : Doubts or None
        By what the light may be wrong.
    """

    grid: Grid
    light: npt.NDArray[np.float32]
    cutoff: float
    doubts: Doubts | None = None

    def __post_init__(self) -> None:
        object.__setattr__(self, "light", frozen_array(self.light, np.float32))

    @cached_property
    def doubt_spectra(self) -> npt.NDArray[np.complex64]:
        """Transforms of what may be added to the light, shape (doubts, rows, columns//2+1)."""
        if self.doubts is None:
            return np.zeros((0, *self.spectrum.shape), np.complex64)
        return np.array([replace(self, light=light, doubts=None).spectrum for light in self.doubts.lights])

    def changed(self, amounts: FloatArray) -> Theory:
        """Return the theory with each of its doubts added by an amount."""
        if self.doubts is None:
            return self
        return replace(self, light=self.light + np.tensordot(np.float32(amounts), self.doubts.lights, axes=1))

    @cached_property
    def spectrum(self) -> npt.NDArray[np.complex64]:
        """Transform of the light itself: the averaging over the cells is divided out."""
        cells = np.outer(np.sinc(np.fft.fftfreq(self.grid.rows)), np.sinc(np.fft.rfftfreq(self.grid.columns))).astype(
            np.float32
        )
        return (np.asarray(scipy.fft.rfft2(self.light)) / cells).astype(np.complex64)

    @cached_property
    def frequency(self) -> npt.NDArray[np.float32]:
        """Cycles per arcsec, shape (rows, columns//2+1)."""
        return self.grid.frequency().astype(np.float32)

    @cached_property
    def extent_arcsec(self) -> float:
        """Largest distance from the centre of light that counts (above 3 % of the brightest), arcsec."""
        lit = self.light > 0.03 * float(np.quantile(self.light, 0.999))
        east, north = np.meshgrid(self.grid.east_arcsec(), self.grid.north_arcsec())
        near = lit & (np.hypot(east, north) < 0.48 * self.width_arcsec)
        return float(np.hypot(east, north)[near].max()) if near.any() else self.width_arcsec / 4

    @property
    def width_arcsec(self) -> float:
        """Smaller width of the grid, arcsec."""
        return min(self.grid.shape) * self.grid.step_arcsec

    def spectrum_with(self, amounts: FloatArray | None) -> npt.NDArray[np.complex64]:
        """Return the transform of the light with the doubts added by their amounts."""
        if amounts is None or not len(amounts) or not np.any(amounts):
            return self.spectrum
        return self.spectrum + np.tensordot(np.asarray(amounts, np.float32), self.doubt_spectra, axes=1)  # pyright: ignore[reportReturnType]

    def blurred(self, transfer: npt.NDArray[np.inexact], amounts: FloatArray | None = None) -> npt.NDArray[np.float32]:
        """Return the light, with the doubts added by their amounts, seen through a transfer, shape (rows, columns)."""
        return np.asarray(scipy.fft.irfft2(self.spectrum_with(amounts) * transfer, s=self.grid.shape), np.float32)

    @cached_property
    def _spline(self) -> npt.NDArray[np.float32]:
        """Transform of the cubic spline that passes through a picture's cells, over that of its coefficients."""
        rows, columns = np.fft.fftfreq(self.grid.rows), np.fft.rfftfreq(self.grid.columns)
        return np.outer(*((2.0 + np.cos(2.0 * np.pi * each)) / 3.0 for each in (rows, columns))).astype(np.float32)

    @cached_property
    def perfect(self) -> npt.NDArray[np.float32]:
        """Transfer of the clear, perfect aperture on the grid's frequencies."""
        return np.asarray(perfect_transfer(self.frequency / self.cutoff), np.float32)

    def seen_at(
        self, transfer: npt.NDArray[np.inexact], index: FloatArray, amounts: FloatArray | None = None
    ) -> npt.NDArray[np.float64]:
        """Return the light seen through a transfer at places on the grid, by cubic splines; 0 outside.

        The coefficients of the splines come with the blur's own transform (Unser 1999, IEEE Signal Processing
        Magazine 16(6), 22): the light repeats round the edges, where there is only sky.

        Parameters
        ----------
        transfer : array, shape (rows, columns//2+1)
            In the layout of ``rfft2``.
        index : array, shape (2, ...)
            From `index_of`.
        amounts : array, shape (doubts,), optional
            By how much each of the doubts is added.
        """
        spectrum = self.spectrum_with(amounts) * transfer
        coefficients = scipy.fft.irfft2(spectrum / self._spline, s=self.grid.shape)
        return ndimage.map_coordinates(
            coefficients, index, order=3, mode="constant", prefilter=False, output=np.float64
        )

    def index_of(self, east: FloatArray, north: FloatArray) -> npt.NDArray[np.floating]:
        """Return fractional (row, column) on the grid, shape (2, ...)."""
        row = (north - self.grid.middle_north_arcsec) / self.grid.step_arcsec + (self.grid.rows - 1) / 2
        column = (self.grid.middle_east_arcsec - east) / self.grid.step_arcsec + (self.grid.columns - 1) / 2
        return np.stack([row, column])


def laid_under(picture: FloatArray, theory: Theory, pose: Pose, pixels: tuple[FloatArray, FloatArray]) -> FloatArray:
    """Return a picture on the theory's grid at pixels of a user's picture (cubic spline; 0 outside).

    Parameters
    ----------
    picture : array, shape (rows, columns) of the grid
        Light.
    theory : Theory
        Gives the grid.
    pose : Pose
        Where the pixels lie.
    pixels : pair of arrays
        Rows and columns, any equal shapes.
    """
    place = theory.index_of(*pose.sky_of(*pixels))
    return ndimage.map_coordinates(picture, place, order=3, mode="constant", cval=0.0)


def perfect_transfer(share: FloatArray) -> FloatArray:
    """Return the transfer of a clear, perfect aperture at f / (D / lambda); never below 1e-3, so that a power exists.

    (2/pi)(acos x - x sqrt(1 - x^2)) (Goodman 2005, Introduction to Fourier Optics, section 6.3).
    """
    inside = np.clip(share, 0.0, 1.0)
    return np.maximum(2 / np.pi * (np.arccos(inside) - inside * np.sqrt(1.0 - inside**2)), 1e-3)


WIDE = 0.25
"""Frequency, over the reach of a blur, from which a second sharpening of wide radius raises the contrast."""


@dataclass(frozen=True)
class Blur:
    """A blur that serves from a raw stack to an over-sharpened picture: P(f)^p (1 + s x^2) exp(-x^2), x = f / reach.

    P is the perfect aperture's transfer. A stack falls from zero frequency on as P does (p = 1), whatever unsharp
    mask of a smooth kernel is laid on it; a restoration divides P out (p = 0).

    Parameters
    ----------
    reach : float
        Cycles per arcsec.
    lift : float
        s: 0 soft, 1 flat, above 1.5 over-sharpened.
    plain : float
        p, 0 to 1.
    cutoff : float
        D / lambda, cycles per arcsec.
    halo : float
        h: contrast raised beyond `WIDE` reach, as a second, wide sharpening does; times 1 + h (1 - exp(-(x / WIDE)^2)).
    """

    reach: float
    lift: float
    plain: float
    cutoff: float
    halo: float = 0.0

    def at(self, frequency: FloatArray, perfect: FloatArray | None = None) -> FloatArray:
        """Return the transfer at frequencies in cycles per arcsec, same shape; `perfect`: of the aperture, if known."""
        square = (frequency / self.reach) ** 2
        known = perfect_transfer(frequency / self.cutoff) if perfect is None else perfect
        wide = 1.0 + self.halo * (1.0 - np.exp(-square / WIDE**2)) if self.halo else 1.0
        return known**self.plain * (1.0 + self.lift * square) * np.exp(-square) * wide

    @property
    def half(self) -> float:
        """Frequency beyond which less than half the contrast is left, cycles per arcsec."""
        line = np.linspace(0.002, 1.0, 1200) * min(4.0 * self.reach, 4.0 * self.cutoff)
        above = np.flatnonzero(self.at(line) >= 0.5)
        return float(line[above[-1]]) if above.size else float(line[0])


def reduced_plane(plane: FloatArray, factor: int) -> npt.NDArray[np.float64]:
    """Return the means of `factor` x `factor` pixels; incomplete ones at the end are left out."""
    rows, columns = (n // factor for n in plane.shape)
    cut = np.asarray(plane)[: rows * factor, : columns * factor]
    return cut.reshape(rows, factor, columns, factor).mean(axis=(1, 3), dtype=np.float64)
