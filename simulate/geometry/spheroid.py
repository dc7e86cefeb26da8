"""Spheroids in the axes (east, north, toward the observer): outlines and where a ray meets them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from simulate.geometry.vectors import FloatArray, dot, length


@dataclass(frozen=True, eq=False)
class Spheroid:
    """A body of revolution, seen at n instants.

    Parameters
    ----------
    equatorial_km, polar_km : float
        Semi-axes.
    pole : array, shape (n, 3)
        Unit vectors of the rotation axis.
    """

    equatorial_km: float
    polar_km: float
    pole: FloatArray

    def outline(self, place: FloatArray, direction: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return how `place` stands to the outline seen along `direction` (toward the eye, unit vectors).

        Returns
        -------
        miss : array, shape (n,)
            Distance from the middle in units in which the outline lies at 1.
        beyond_km : array, shape (n,)
            Distance from the outline, positive outside (first order: exact at the outline).
        """
        tilt = dot(self.pole, direction)
        minor_km = np.hypot(self.equatorial_km * tilt, self.polar_km * np.sqrt(np.maximum(1.0 - tilt**2, 0.0)))
        flat = place - direction * dot(place, direction)[:, None]
        up = self.pole - direction * tilt[:, None]
        size = length(up)
        up = up / np.where(size > 0.0, size, 1.0)[:, None]
        y = dot(flat, up)
        x2 = np.maximum(dot(flat, flat) - y**2, 0.0)
        miss = np.sqrt(x2 / self.equatorial_km**2 + y**2 / minor_km**2)
        slope = np.sqrt(x2 / self.equatorial_km**4 + y**2 / minor_km**4)
        # gradient of `miss` is slope/miss; in the very middle the distance is the short semi-axis
        beyond_km = np.where(slope > 0.0, (miss - 1.0) * miss / np.where(slope > 0.0, slope, 1.0), -minor_km)
        return miss, beyond_km

    def meet(self, start: FloatArray, direction: FloatArray) -> FloatArray:
        """Return where rays from `start` along unit vectors first meet the surface ahead, NaN if never.

        Shape (n, 3). The spheroid is stretched along its pole to a sphere, where the equation is
        quadratic.
        """
        p, d = self._stretched(start), self._stretched(direction)
        a, b, c = dot(d, d), dot(p, d), dot(p, p) - self.equatorial_km**2
        root = b**2 - a * c
        way = (-b - np.sqrt(np.where(root >= 0.0, root, np.nan))) / a
        return start + direction * np.where(way > 0.0, way, np.nan)[:, None]

    def normal(self, surface: FloatArray) -> FloatArray:
        """Return outward normals (not of unit length) at points of the surface, shape (n, 3)."""
        ratio = (self.equatorial_km / self.polar_km) ** 2
        along = dot(surface, self.pole)[:, None]
        return surface + self.pole * along * (ratio - 1.0)

    def _stretched(self, vectors: FloatArray) -> FloatArray:
        along = dot(vectors, self.pole)[:, None]
        return vectors + self.pole * along * (self.equatorial_km / self.polar_km - 1.0)
