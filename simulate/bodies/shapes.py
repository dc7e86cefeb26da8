"""Soft-edged shapes on a sphere: how much of a feature lies at each place of a map.

Places are planetographic latitude and east longitude, deg. Offsets from a shape's centre are taken
true to scale along its parallel and its meridian (sinusoidal coordinates), so that a round feature
stays round. Every weight is 1 well inside, 0 well outside and one half on the nominal edge.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from simulate.errors import choose

FloatArray = npt.NDArray[np.float64]

SHAPES = ("ellipse", "band", "triangle")
_POWERS = {"ellipse": 2.0, "band": 4.0}


def soft_step(distance_deg: npt.ArrayLike, edge_deg: float) -> FloatArray:
    """Return 1 for places well inside and 0 for places well outside an edge.

    Parameters
    ----------
    distance_deg : array_like
        Distance from the edge, deg, negative inside.
    edge_deg : float
        Width over which the weight falls, deg; a cubic with level ends.
    """
    t = np.clip(0.5 - np.asarray(distance_deg, dtype=float) / edge_deg, 0.0, 1.0)
    return t * t * (3.0 - 2.0 * t)


def between(latitude_deg: npt.ArrayLike, south_deg: float, north_deg: float, edge_deg: float) -> FloatArray:
    """Return the weight of a belt between two latitudes, deg; an edge at a pole is left open.

    Parameters
    ----------
    latitude_deg : array_like
        Planetographic latitude, deg.
    south_deg, north_deg : float
        Where the weight is one half, deg.
    edge_deg : float
        Width of the soft edges, deg.
    """
    latitude = np.asarray(latitude_deg, dtype=float)
    weight = np.ones_like(latitude)
    if south_deg > -90.0:
        weight = weight * soft_step(south_deg - latitude, edge_deg)
    if north_deg < 90.0:
        weight = weight * soft_step(latitude - north_deg, edge_deg)
    return weight


def angular_distance(
    latitude_deg: npt.ArrayLike, longitude_deg: npt.ArrayLike, centre_latitude_deg: float, centre_longitude_deg: float
) -> FloatArray:
    """Return the great-circle distance from a centre, deg, by the haversine formula."""
    latitude = np.radians(np.asarray(latitude_deg, dtype=float))
    half_longitude = np.radians(np.asarray(longitude_deg, dtype=float) - centre_longitude_deg) / 2
    centre = math.radians(centre_latitude_deg)
    square = np.sin((latitude - centre) / 2) ** 2 + np.cos(latitude) * math.cos(centre) * np.sin(half_longitude) ** 2
    return np.degrees(2 * np.arcsin(np.sqrt(np.clip(square, 0.0, 1.0))))


@dataclass(frozen=True)
class Patch:
    """A soft-edged shape around a centre.

    Parameters
    ----------
    latitude_deg, longitude_deg : float
        Centre, planetographic latitude and east longitude.
    width_deg, height_deg : float
        Full east-west and north-south size, deg of arc along the parallel and the meridian.
    edge_deg : float
        Width of the soft edge.
    tilt_deg : float
        Turn of the long axis: the east end toward the north.
    shape : str
        "ellipse", "band" (a rectangle with round corners) or "triangle" (its point to the north
        before the tilt).
    """

    latitude_deg: float
    longitude_deg: float
    width_deg: float
    height_deg: float
    edge_deg: float
    tilt_deg: float = 0.0
    shape: str = "ellipse"

    def __post_init__(self) -> None:
        choose("shape", self.shape, SHAPES)

    @property
    def reach_deg(self) -> tuple[float, float]:
        """Half sizes, deg of arc (east-west, north-south), beyond which the weight is zero."""
        half, height = self.width_deg / 2, self.height_deg / 2
        if self.tilt_deg:
            half = height = math.hypot(half, height)
        return half + self.edge_deg, height + self.edge_deg

    def weight(self, latitude_deg: npt.ArrayLike, longitude_deg: npt.ArrayLike) -> FloatArray:
        """Return the weight, 0 to 1, at places given in deg; shape by broadcasting."""
        latitude = np.asarray(latitude_deg, dtype=float)
        offset = (np.asarray(longitude_deg, dtype=float) - self.longitude_deg + 180.0) % 360.0 - 180.0
        x, y = offset * np.cos(np.radians(latitude)), latitude - self.latitude_deg
        if self.tilt_deg:
            cosine, sine = math.cos(math.radians(self.tilt_deg)), math.sin(math.radians(self.tilt_deg))
            x, y = x * cosine + y * sine, y * cosine - x * sine
        return soft_step(self._distance(x, y), self.edge_deg)

    def _distance(self, x: FloatArray, y: FloatArray) -> FloatArray:
        """Distance from the edge, deg, negative inside, to first order near the edge."""
        a, b = self.width_deg / 2, self.height_deg / 2
        if self.shape == "triangle":
            slant = (np.abs(x) - a * (b - y) / (2 * b)) * (2 * b) / math.hypot(2 * b, a)
            return np.maximum(slant, -b - y)
        power = _POWERS[self.shape]
        u, v = np.abs(x) / a, np.abs(y) / b
        radius = np.maximum((u**power + v**power) ** (1 / power), 1e-9)
        slope = np.hypot((u / radius) ** (power - 1) / a, (v / radius) ** (power - 1) / b)
        return (radius - 1) / np.clip(slope, 1 / max(a, b), math.inf)
