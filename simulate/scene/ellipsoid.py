"""An oblate ellipsoid seen from far away: rays, normals, lit chords, integrals over the lit part.

The ellipsoid is the image of the unit sphere under ``x = A y`` with ``A = a (1 - p p^T) + c p p^T``
(p the unit pole, a and c the semi-axes). In y everything is a sphere again: the silhouette is the
unit disc of the directions across the transformed line of sight, the terminator a great circle, and
the visible lit part a lune. No approximation is made but the parallel line of sight.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache

import numpy as np
import numpy.typing as npt

from simulate.scene.raster import Strips, quadratic_chords
from simulate.values.arrays import frozen_array

FloatArray = npt.NDArray[np.floating]


@cache
def gauss_legendre(count: int) -> tuple[FloatArray, FloatArray]:
    """Return nodes and weights of the Gauss-Legendre rule on [-1, 1], each of shape (count,)."""
    node, weight = np.polynomial.legendre.leggauss(count)
    return frozen_array(node), frozen_array(weight)


def _unit(vector: FloatArray) -> FloatArray:
    return vector / np.linalg.norm(vector)


@dataclass(frozen=True, eq=False)
class SurfacePoints:
    """Points on the visible surface.

    Parameters
    ----------
    sphere : array, shape (3, n)
        Place on the unit sphere y, in the ellipsoid's viewing basis.
    mu, mu0 : array, shape (n,)
        Cosines of the angles of emergence and incidence (the second negative on the night side).
    """

    sphere: FloatArray
    mu: FloatArray
    mu0: FloatArray


@dataclass(frozen=True, eq=False)
class LitChords:
    """Lit stretches of the strips, as angles f on the chord: place = middle + half sin(f).

    Parameters
    ----------
    middle, half : array, shape (strips,)
        Chord of the silhouette, cell coordinates of the scan axis; half is 0 where there is none.
    low, high : array, shape (2, strips)
        Ends of the two stretches, radians in [-pi/2, pi/2]; empty where ``high <= low``.
    """

    middle: FloatArray
    half: FloatArray
    low: FloatArray
    high: FloatArray

    def ends(self, stretch: int) -> tuple[FloatArray, FloatArray]:
        """Return both ends of one stretch in cell coordinates, shape (strips,)."""
        return (
            self.middle + self.half * np.sin(self.low[stretch]),
            self.middle + self.half * np.sin(self.high[stretch]),
        )


class Ellipsoid:
    """An ellipsoid of revolution at a place on the sky, lit from one direction.

    Parameters
    ----------
    equatorial, polar : float
        Semi-axes, arcsec.
    pole, sun : array_like, shape (3,)
        Unit vectors (east, north, toward the observer) of the north pole and of the Sun.
    centre : (float, float)
        (east, north) of the centre on the grid, arcsec.
    twilight_deg : float
        How far sunlight reaches beyond the terminator (hazy atmospheres), deg.
    """

    def __init__(
        self,
        equatorial: float,
        polar: float,
        pole: npt.ArrayLike,
        sun: npt.ArrayLike,
        centre: tuple[float, float] = (0.0, 0.0),
        twilight_deg: float = 0.0,
    ) -> None:
        self.equatorial, self.polar = float(equatorial), float(polar)
        self.pole, self.sun = _unit(np.asarray(pole, float)), _unit(np.asarray(sun, float))
        self.centre = centre
        self.twilight = math.sin(math.radians(twilight_deg))
        outer = np.outer(self.pole, self.pole)
        self.shrink = (np.eye(3) - outer) / self.equatorial + outer / self.polar
        self.stretch = (np.eye(3) - outer) * self.equatorial + outer * self.polar
        observer = np.array([0.0, 0.0, 1.0])
        self._to_observer = float(np.linalg.norm(self.shrink @ observer))
        self._to_sun = float(np.linalg.norm(self.shrink @ self.sun))
        w = _unit(self.shrink @ observer)
        u = _unit(self.shrink @ np.array([1.0, 0.0, 0.0]) - w * (w @ self.shrink @ np.array([1.0, 0.0, 0.0])))
        self.basis = np.stack([u, np.cross(w, u), w])
        self.sky_to_disc = self.basis[:2] @ self.shrink[:, :2]
        self.silhouette = self.sky_to_disc.T @ self.sky_to_disc
        self.sun_on_sphere = self.basis @ _unit(self.shrink @ self.sun)
        self.pole_on_sphere = self.basis @ self.pole

    @property
    def half_widths(self) -> tuple[float, float]:
        """Half extent of the silhouette to the east and to the north, arcsec."""
        inverse = np.linalg.inv(self.silhouette)
        return float(np.sqrt(inverse[0, 0])), float(np.sqrt(inverse[1, 1]))

    @property
    def area(self) -> float:
        """Solid angle of the silhouette, arcsec2."""
        return math.pi / math.sqrt(float(np.linalg.det(self.silhouette)))

    def points(self, east: FloatArray, north: FloatArray) -> SurfacePoints:
        """Return where rays at (east, north) arcsec, shape (n,), meet the visible surface.

        Rays that pass beside the body are moved to its limb. Results have the precision of `east`.
        """
        x, y = east - self.centre[0], north - self.centre[1]
        disc = self.sky_to_disc.astype(x.dtype)
        u = disc[0, 0] * x + disc[0, 1] * y
        v = disc[1, 0] * x + disc[1, 1] * y
        distance2 = u * u + v * v
        outside = distance2 > 1.0
        if outside.any():
            scale = np.where(outside, 1.0 / np.sqrt(np.maximum(distance2, 1.0)), 1.0)
            u, v = u * scale, v * scale
        sphere = np.empty((3, u.size), u.dtype)
        sphere[0], sphere[1] = u, v
        np.sqrt(np.maximum(1.0 - u * u - v * v, 0.0), out=sphere[2])
        return self.on_sphere(sphere)

    def on_sphere(self, sphere: FloatArray) -> SurfacePoints:
        """Return the cosines at points of the unit sphere y, shape (3, n), viewing basis."""
        height = self.pole_on_sphere.astype(sphere.dtype) @ sphere
        lit = self.sun_on_sphere.astype(sphere.dtype) @ sphere
        a2, c2 = self.equatorial**-2, self.polar**-2
        length = np.sqrt(a2 + height * height * (c2 - a2))
        return SurfacePoints(sphere, self._to_observer * sphere[2] / length, self._to_sun * lit / length)

    def normals(self, points: SurfacePoints) -> FloatArray:
        """Return unit normals (east, north, toward the observer), shape (3, n)."""
        raw = (self.shrink @ self.basis.T).astype(points.sphere.dtype) @ points.sphere
        return raw / np.sqrt((raw**2).sum(axis=0))

    def positions(self, points: SurfacePoints) -> FloatArray:
        """Return places relative to the centre (east, north, toward the observer), arcsec, (3, n)."""
        return (self.stretch @ self.basis.T).astype(points.sphere.dtype) @ points.sphere

    def latitude_graphic_deg(self, points: SurfacePoints) -> FloatArray:
        """Return planetographic latitudes, deg, shape (n,)."""
        height = self.pole_on_sphere.astype(points.sphere.dtype) @ points.sphere
        a2, c2 = self.equatorial**-2, self.polar**-2
        sine = height / (self.polar * np.sqrt(a2 + height * height * (c2 - a2)))
        return np.degrees(np.arcsin(np.clip(sine, -1.0, 1.0)))

    def longitude_from_meridian_deg(self, points: SurfacePoints) -> FloatArray:
        """Return longitudes counted eastward on the body from the central meridian, deg, (n,)."""
        observer = np.array([0.0, 0.0, 1.0])
        meridian = observer - self.pole * self.pole[2]
        if np.linalg.norm(meridian) < 1e-9:  # seen from above the pole: any meridian will do
            meridian = np.array([0.0, -1.0, 0.0]) * np.sign(self.pole[2])
        meridian = _unit(meridian - self.pole * (meridian @ self.pole))
        # (east, north, toward the observer) is a left-handed frame: the body's east is pole x meridian
        # as vectors, hence the reversed product of components; it points to the sky's west.
        eastward = np.cross(meridian, self.pole)
        sphere, basis = points.sphere, self.basis
        east, ahead = ((basis @ axis).astype(sphere.dtype) @ sphere for axis in (eastward, meridian))
        return np.degrees(np.arctan2(east, ahead))

    def silhouette_chords(self, strips: Strips) -> tuple[FloatArray, FloatArray]:
        """Return the ends of the silhouette's chord in each strip, cell coordinates, (strips,)."""
        middle, half = quadratic_chords(strips, self.silhouette, self.centre, mean=True)
        return _ordered(strips, middle - half, middle + half)

    def lit_chords(self, strips: Strips) -> LitChords:
        """Return the lit visible stretches of each strip.

        Along a chord ``y = P + rho (sin(f) d + cos(f) o)``; the Sun's height is a cosine in f, so the
        lit stretch is one interval on the circle, cut to the visible half f in [-pi/2, pi/2]. That
        leaves at most two stretches (a chord from horn to horn of a crescent has two).
        """
        middle, half = quadratic_chords(strips, self.silhouette, self.centre)
        scan, cross = (1, 0) if strips.along_north else (0, 1)
        sign = 1.0 if strips.along_north else -1.0  # cell coordinates run against east
        hit = half > 0
        offset = np.empty((2, middle.size))
        offset[scan] = middle - self.centre[scan]
        offset[cross] = strips.cross_arcsec() - self.centre[cross]
        direction = self.sky_to_disc[:, scan]
        rho = np.where(hit, half, 1.0) * np.linalg.norm(direction)
        along = sign * float(_unit(direction) @ self.sun_on_sphere[:2])
        toward = float(self.sun_on_sphere[2])
        base = self.sun_on_sphere[:2] @ (self.sky_to_disc @ offset) + self.twilight
        swing = max(math.hypot(along, toward), 1e-12)
        reach = np.where(hit, np.arccos(np.clip(-base / (rho * swing), -1.0, 1.0)), 0.0)
        first = math.atan2(along, toward)
        angles = np.array([first, first - math.copysign(2.0 * math.pi, first)])[:, None]
        edge = math.pi / 2
        return LitChords(
            middle=strips.scan_index(middle),
            half=np.where(hit, half, 0.0) / strips.window.grid.step_arcsec,
            low=np.clip(angles - reach, -edge, edge),
            high=np.clip(angles + reach, -edge, edge),
        )

    def lit_quadrature(self, count: int) -> tuple[SurfacePoints, FloatArray]:
        """Return points and weights for integrals over the visible lit disc.

        ``sum(weights * f)`` is the integral of f over the sky, arcsec2. Gauss-Legendre in the
        longitude of the lune between limb and terminator and in the angle from its horns; thin
        crescents are as well resolved as full discs.

        Parameters
        ----------
        count : int
            Points in each of the two angles.
        """
        node, weight = gauss_legendre(count)
        latitude = np.arcsin(node)[:, None]
        phase = math.acos(float(np.clip(self.sun_on_sphere[2], -1.0, 1.0)))
        dark = np.arccos(np.clip(-self.twilight / np.maximum(np.cos(latitude), 1e-12), -1.0, 1.0))
        edge = math.pi / 2
        start = np.clip(phase - dark, -edge, edge)
        pieces = [(start, np.full_like(start, edge))]
        if phase + float(dark.max()) > 3 * edge:  # twilight reaches round to the far limb
            pieces.append((np.full_like(start, -edge), np.clip(phase + dark - 4 * edge, -edge, start)))
        low, high = (np.concatenate(ends, axis=1) for ends in zip(*pieces, strict=True))
        half = 0.5 * (high - low)[:, :, None]
        longitude = 0.5 * (high + low)[:, :, None] + half * node
        latitude = np.broadcast_to(latitude[:, :, None], longitude.shape)
        solid = weight[:, None, None] * weight * half
        sunward = self.sun_on_sphere[:2]
        length = float(np.linalg.norm(sunward))
        x = sunward / length if length > 1e-12 else np.array([1.0, 0.0])
        along, across = np.cos(latitude) * np.sin(longitude), np.sin(latitude)
        toward = np.cos(latitude) * np.cos(longitude)
        sphere = np.stack([x[0] * along - x[1] * across, x[1] * along + x[0] * across, toward]).reshape(3, -1)
        # A piece of the sphere y covers det(A) |A^-1 o| (y . o') of the sky.
        to_sky = self.equatorial**2 * self.polar * self._to_observer
        return self.on_sphere(sphere), (solid * toward).ravel() * to_sky


def _ordered(strips: Strips, one: FloatArray, other: FloatArray) -> tuple[FloatArray, FloatArray]:
    a, b = strips.scan_index(one), strips.scan_index(other)
    return (a, b) if strips.along_north else (b, a)
