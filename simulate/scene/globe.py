"""The lit disc of one body, as cell means on the grid.

Cells well inside the lit part take the law at their middle. Cells near the limb, the terminator and
moons' shadows are integrated: strips across the cell, each with Gauss points on exactly the lit
stretch that lies in the cell. Geometry is computed once for all bins.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Protocol

import numpy as np
import numpy.typing as npt

from simulate.scene.ellipsoid import Ellipsoid, LitChords, SurfacePoints, gauss_legendre
from simulate.scene.raster import Strips, Window, coverage, window_around
from simulate.scene.scattering import Law
from simulate.values.grid import Grid

FloatArray = npt.NDArray[np.floating]
Shade = Callable[[Ellipsoid, SurfacePoints, float], FloatArray]

_FRINGE_CELLS = 5.0
"""Cells nearer to the limb than this are integrated: beyond it a middle value is good to 0.1 %."""

_SMALL_CELLS = 24.0
"""Discs of a smaller radius, in cells, are integrated throughout."""


_STRIPS = 3
"""Least number of strips across a cell."""

_CHUNK = 16_384
"""Points that are computed at a time: all bins of so many stay in a processor's cache."""

_MAP_POINTS = 30_000
"""With more points than this the map is read once a cell."""


class ReflectanceMap(Protocol):
    """What a map of a surface must offer."""

    @property
    def wavelengths_nm(self) -> FloatArray:
        """Wavelengths of the map's planes, nm, rising, shape (w,)."""
        ...

    def sample(self, latitude_graphic_deg: FloatArray, longitude_east_deg: FloatArray | float) -> FloatArray:
        """Return relative reflectances, shape (w, n), at places of shape (n,)."""
        ...


@dataclass(frozen=True, eq=False)
class Pattern:
    """A map fixed to a turning body.

    Parameters
    ----------
    surface_map : ReflectanceMap
        Relative reflectance.
    meridian_east_deg : float
        East longitude of the central meridian.
    wavelengths_nm : array, shape (bins,)
        Middle of each bin; the map is taken as linear between its own wavelengths, constant beyond.
    zonal : bool
        Whether nothing on the map depends on longitude.
    """

    surface_map: ReflectanceMap
    meridian_east_deg: float
    wavelengths_nm: FloatArray
    zonal: bool = False

    def __call__(self, ellipsoid: Ellipsoid, points: SurfacePoints) -> FloatArray:
        """Return the relative reflectance, shape (bins, n), float32."""
        latitude = ellipsoid.latitude_graphic_deg(points)
        longitude = self.meridian_east_deg
        if not self.zonal:
            longitude = ellipsoid.longitude_from_meridian_deg(points) + self.meridian_east_deg
        planes = np.asarray(self.surface_map.sample(latitude, longitude), np.float32)
        own = np.asarray(self.surface_map.wavelengths_nm, float)
        mix = np.stack([np.interp(self.wavelengths_nm, own, row) for row in np.eye(own.size)], axis=1)
        return mix.astype(np.float32) @ planes


@dataclass(frozen=True, eq=False)
class Globe:
    """A lit body: shape, law, pattern and what shades it.

    Parameters
    ----------
    ellipsoid : Ellipsoid
        Shape, place and light.
    law : Law
        Scattering law by bin.
    pattern : Pattern or None
        Map; None for a uniform surface.
    shades : tuple of callable
        Each maps (ellipsoid, points, step in arcsec) to the fraction of sunlight left, shape (n,) or (bins, n).
    rough_spots : tuple of (east, north, radius)
        Circles, arcsec, inside which cells are integrated finely.
    """

    ellipsoid: Ellipsoid
    law: Law
    pattern: Pattern | None = None
    shades: tuple[Shade, ...] = ()
    rough_spots: tuple[tuple[float, float, float], ...] = field(default=())

    def integral(self) -> FloatArray:
        """Return the integral of the relative brightness over the disc, arcsec2, (bins or 1,).

        Shades are left out: the magnitude of a body is that without its moons' shadows.
        """
        points, weights = self.ellipsoid.lit_quadrature(32 if self.pattern is None and self.law.twilight == 0 else 64)
        values = self.law(points.mu, points.mu0)
        if self.pattern is not None:
            values = values * self.pattern(self.ellipsoid, points)
        return values.astype(np.float64) @ weights


@dataclass(frozen=True, eq=False)
class Disc:
    """A drawn body.

    Parameters
    ----------
    window : Window
        Cells it may touch.
    body : array, shape (rows, columns)
        Fraction of each cell inside the silhouette.
    light : float32 array, shape (bins, rows, columns)
        Relative brightness, mean over the whole cell.
    """

    window: Window
    body: FloatArray
    light: npt.NDArray[np.float32]


def draw_globe(grid: Grid, globe: Globe, bins: int) -> Disc:
    """Return the cell means of a globe's relative brightness.

    Parameters
    ----------
    grid : Grid
        Cells to fill.
    globe : Globe
        What to draw.
    bins : int
        Number of spectral bins.
    """
    ellipsoid = globe.ellipsoid
    window = window_around(grid, *ellipsoid.centre, *ellipsoid.half_widths)
    if window.empty:
        return Disc(window, np.zeros(window.shape), np.zeros((bins, *window.shape), np.float32))
    upright = _upright_cells(window, ellipsoid)
    cuts = [_Cut.make(window, ellipsoid, along_north) for along_north in (True, False)]
    body = np.where(upright, cuts[0].body, cuts[1].body)
    lit = np.where(upright, cuts[0].lit, cuts[1].lit)
    fine = _fine_cells(window, globe, lit)
    light = np.zeros((bins, window.shape[0] * window.shape[1]), np.float32)
    _fill_plain(light, window, globe, np.flatnonzero((lit > 0) & ~fine))
    for cut, mine in zip(cuts, (upright, ~upright), strict=True):
        _fill_fine(light, cut, globe, (lit > 0) & fine & mine)
    return Disc(window, body, light.reshape(bins, *window.shape))


@dataclass(frozen=True, eq=False)
class _Cut:
    """A disc cut into strips of one direction, with the shares of cells that follow."""

    strips: Strips
    chords: LitChords
    body: FloatArray
    lit: FloatArray

    @classmethod
    def make(cls, window: Window, ellipsoid: Ellipsoid, along_north: bool) -> _Cut:
        """Cut finely enough for small discs and thin crescents."""
        radius = min(ellipsoid.half_widths) / window.grid.step_arcsec
        thickness = max(radius * (1.0 + float(ellipsoid.sun_on_sphere[2])), 1e-6)
        strips = Strips(
            window,
            along_north,
            per_cell=int(min(math.ceil(max(_STRIPS, 32.0 / radius, 16.0 / thickness)), 96)),
            points_per_stretch=4 if min(radius, thickness) < _SMALL_CELLS else 2,
        )
        chords = ellipsoid.lit_chords(strips)
        lit = coverage(strips, *chords.ends(0)) + coverage(strips, *chords.ends(1))
        return cls(strips, chords, coverage(strips, *ellipsoid.silhouette_chords(strips)), lit)


def _upright_cells(window: Window, ellipsoid: Ellipsoid) -> npt.NDArray[np.bool_]:
    """Return the cells to cut along north-south strips, (rows, columns).

    Strips should cross the edge that a cell holds: near the limb its normal decides, elsewhere the
    direction of the Sun, along which the terminator is crossed.
    """
    radius = min(ellipsoid.half_widths) / window.grid.step_arcsec
    x = (window.east - ellipsoid.centre[0])[None, :]
    y = (window.north - ellipsoid.centre[1])[:, None]
    q = ellipsoid.silhouette
    east, north = q[0, 0] * x + q[0, 1] * y, q[0, 1] * x + q[1, 1] * y
    inside = x * east + y * north < max(1.0 - _FRINGE_CELLS / radius, 0.0) ** 2
    sunward = bool(abs(ellipsoid.sun[1]) >= abs(ellipsoid.sun[0]))
    return np.where(inside, sunward, np.abs(north) >= np.abs(east))


def _fine_cells(window: Window, globe: Globe, lit: FloatArray) -> npt.NDArray[np.bool_]:
    """Return the cells that need more than their middle, shape (rows, columns)."""
    ellipsoid, step = globe.ellipsoid, window.grid.step_arcsec
    radius = min(ellipsoid.half_widths) / step
    if radius < _SMALL_CELLS:
        return np.ones(window.shape, bool)
    x = (window.east - ellipsoid.centre[0])[None, :]
    y = (window.north - ellipsoid.centre[1])[:, None]
    q = ellipsoid.silhouette
    fine = q[0, 0] * x * x + 2 * q[0, 1] * x * y + q[1, 1] * y * y > (1.0 - _FRINGE_CELLS / radius) ** 2
    partly = lit < 1.0 - 1e-9
    spread = partly.copy()
    spread[1:] |= partly[:-1]
    spread[:-1] |= partly[1:]
    wide = spread.copy()
    wide[:, 1:] |= spread[:, :-1]
    wide[:, :-1] |= spread[:, 1:]
    fine |= wide
    for east, north, reach in globe.rough_spots:
        fine |= np.hypot(window.east[None, :] - east, window.north[:, None] - north) < reach + step
    return fine


def _fill_plain(light: npt.NDArray[np.float32], window: Window, globe: Globe, cells: npt.NDArray[np.intp]) -> None:
    east, north = window.east.astype(np.float32), window.north.astype(np.float32)
    for start in range(0, cells.size, _CHUNK):
        part = cells[start : start + _CHUNK]
        rows, columns = np.divmod(part, window.shape[1])
        points = globe.ellipsoid.points(east[columns], north[rows])
        values = globe.law(points.mu, points.mu0)
        if globe.pattern is not None:
            values = values * globe.pattern(globe.ellipsoid, points)
        light[:, part] = _shaded(values, globe, points, window.grid.step_arcsec)


def _shaded(values: FloatArray, globe: Globe, points: SurfacePoints, step: float) -> FloatArray:
    for shade in globe.shades:
        values = values * shade(globe.ellipsoid, points, step).astype(np.float32)
    return values


def _fill_fine(
    light: npt.NDArray[np.float32],
    cut: _Cut,
    globe: Globe,
    cells: npt.NDArray[np.bool_],
) -> None:
    strips = cut.strips
    across, along = np.nonzero(strips.to_window(cells))  # the swap is its own inverse
    if across.size == 0:
        return
    cell, cross, scan, weight = _gauss_points(strips, cut.chords, across, along)
    places = (cross, scan) if strips.along_north else (scan, cross)
    points = globe.ellipsoid.points(*(place.astype(np.float32) for place in places))
    starts = np.flatnonzero(np.diff(cell, prepend=-1))
    values = globe.law(points.mu, points.mu0)
    if globe.pattern is not None:
        values = values * _read_pattern(globe, points, places, cell, starts, weight)
    values = _shaded(values, globe, points, strips.window.grid.step_arcsec / strips.per_cell)
    summed = np.add.reduceat(values * weight.astype(np.float32), starts, axis=1)
    kept = cell[starts]
    row, column = (along, across) if strips.along_north else (across, along)
    light[:, row[kept] * strips.window.shape[1] + column[kept]] = summed


def _gauss_points(
    strips: Strips,
    chords: LitChords,
    across: npt.NDArray[np.intp],
    along: npt.NDArray[np.intp],
) -> tuple[npt.NDArray[np.intp], FloatArray, FloatArray, FloatArray]:
    """Return, ordered by cell: cell number, cross and scan offset (arcsec) and weight of each point.

    The points are Gaussian in the chord's own angle, in which brightness is smooth up to the limb.
    """
    node, gauss = gauss_legendre(strips.points_per_stretch)
    strip = across[:, None] * strips.per_cell + np.arange(strips.per_cell)
    middle, half = chords.middle[strip], np.maximum(chords.half[strip], 1e-12)
    first = np.arcsin(np.clip((along[:, None] - middle) / half, -1.0, 1.0))
    last = np.arcsin(np.clip((along[:, None] + 1 - middle) / half, -1.0, 1.0))
    low = np.maximum(chords.low[:, strip], first).transpose(1, 2, 0)
    high = np.minimum(chords.high[:, strip], last).transpose(1, 2, 0)
    which, inside, stretch = np.nonzero(high > low)
    strip, middle, half = strip[which, inside], middle[which, inside], half[which, inside]
    low, high = low[which, inside, stretch], high[which, inside, stretch]
    angle = 0.5 * (high + low)[:, None] + 0.5 * (high - low)[:, None] * node
    scan = strips.scan_offset(middle[:, None] + half[:, None] * np.sin(angle))
    weight = (0.5 * half * (high - low) / strips.per_cell)[:, None] * gauss * np.cos(angle)
    cross = np.broadcast_to(strips.cross_arcsec()[strip][:, None], scan.shape)
    return np.repeat(which, node.size), cross.ravel(), scan.ravel(), weight.ravel()


def _read_pattern(
    globe: Globe,
    points: SurfacePoints,
    places: tuple[FloatArray, FloatArray],
    cell: npt.NDArray[np.intp],
    starts: npt.NDArray[np.intp],
    weight: FloatArray,
) -> FloatArray:
    """Return the pattern at each point, or, where points are many, at the middle of its cell's light."""
    assert globe.pattern is not None
    if cell.size <= _MAP_POINTS:
        return globe.pattern(globe.ellipsoid, points)
    total = np.add.reduceat(weight, starts)
    middle = [np.add.reduceat(place * weight, starts) / total for place in places]
    counts = np.diff(np.append(starts, cell.size))
    return np.repeat(globe.pattern(globe.ellipsoid, globe.ellipsoid.points(*middle)), counts, axis=1)
