"""Small linear algebra on stacks of vectors, shape (n, 3), on ERFA's compiled routines."""

from __future__ import annotations

import erfa
import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]


def dot(a: FloatArray, b: FloatArray) -> FloatArray:
    """Return the scalar products along the last axis; shapes broadcast."""
    return erfa.ufunc.pdp(a, b)


def cross(a: FloatArray, b: FloatArray) -> FloatArray:
    """Return the vector products along the last axis; shapes broadcast."""
    return erfa.ufunc.pxp(a, b)


def length(a: FloatArray) -> FloatArray:
    """Return the lengths along the last axis."""
    return erfa.ufunc.pm(a)


def unit(a: FloatArray) -> FloatArray:
    """Return `a` scaled to length 1 along the last axis."""
    return a / length(a)[..., None]


def from_angles(longitude_deg: npt.ArrayLike, latitude_deg: npt.ArrayLike) -> FloatArray:
    """Return unit vectors, shape (..., 3), from longitude and latitude in deg."""
    lon, lat = np.radians(np.asarray(longitude_deg)), np.radians(np.asarray(latitude_deg))
    return np.stack([np.cos(lat) * np.cos(lon), np.cos(lat) * np.sin(lon), np.sin(lat) * np.ones_like(lon)], axis=-1)


def longitude_deg(a: FloatArray) -> FloatArray:
    """Return the angle of `a` in the x-y plane from x through y, 0..360 deg."""
    return np.degrees(np.arctan2(a[..., 1], a[..., 0])) % 360.0


def latitude_deg(a: FloatArray) -> FloatArray:
    """Return the angle of `a` above the x-y plane, deg."""
    return np.degrees(np.arctan2(a[..., 2], np.hypot(a[..., 0], a[..., 1])))


def angle_deg(a: FloatArray, b: FloatArray) -> FloatArray:
    """Return the angle between vectors, deg; exact near 0 and 180 (atan2 of cross and dot)."""
    return np.degrees(np.arctan2(length(cross(a, b)), dot(a, b)))


def turn_z(a: FloatArray, angle_rad: npt.ArrayLike) -> FloatArray:
    """Turn vectors about the z axis by an angle, from x towards y."""
    cosine, sine = np.cos(angle_rad), np.sin(angle_rad)
    x, y = a[..., 0], a[..., 1]
    return np.stack([cosine * x - sine * y, sine * x + cosine * y, a[..., 2] + 0 * cosine], axis=-1)


def carry(a: FloatArray, start: FloatArray, end: FloatArray) -> FloatArray:
    """Turn `a` by the shortest rotation that takes the unit vector `start` to `end` (Rodrigues)."""
    axis = cross(start, end)
    cosine = dot(start, end)[..., None]
    return a * cosine + cross(axis, a) + axis * dot(axis, a)[..., None] / (1.0 + cosine)
