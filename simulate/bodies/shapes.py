"""Soft-edged shapes on a sphere: how much of a feature lies at each place of a map.

Places are planetographic latitude and east longitude, deg. Offsets from a shape's centre are true to
scale along parallels and along the middle meridian (sinusoidal coordinates), which suits what lies
along a parallel; for round features they are distance and bearing instead. Every
weight is 1 well inside, 0 well outside and one half on the nominal edge.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

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


def _by_bearing(latitude_deg: FloatArray, offset_deg: FloatArray, centre_deg: float) -> tuple[FloatArray, FloatArray]:
    """Return (east, north) offsets, deg: distance times sine and cosine of the bearing from a centre."""
    latitude, offset, centre = np.radians(latitude_deg), np.radians(offset_deg), math.radians(centre_deg)
    east = np.cos(latitude) * np.sin(offset)
    north = np.sin(latitude) * math.cos(centre) - np.cos(latitude) * np.cos(offset) * math.sin(centre)
    toward = np.sin(latitude) * math.sin(centre) + np.cos(latitude) * np.cos(offset) * math.cos(centre)
    sine = np.hypot(east, north)
    scale = np.degrees(np.arctan2(sine, toward)) / np.maximum(sine, 1e-12)
    return east * scale, north * scale


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
    round : bool
        Offsets are great-circle distance and bearing from the centre: a circle stays one even at a
        pole.
    """

    latitude_deg: float
    longitude_deg: float
    width_deg: float
    height_deg: float
    edge_deg: float
    tilt_deg: float = 0.0
    shape: str = "ellipse"
    round: bool = False

    def __post_init__(self) -> None:
        choose("shape", self.shape, SHAPES)

    @property
    def reach_deg(self) -> tuple[float, float]:
        """Half sizes, deg of arc (east-west, north-south), beyond which the weight is zero."""
        half, height = self.width_deg / 2, self.height_deg / 2
        if self.tilt_deg or self.round:
            half = height = math.hypot(half, height)
        return half + self.edge_deg, height + self.edge_deg

    def grown(self, margin_deg: float) -> Patch:
        """Return the same shape with its edge moved outward, deg."""
        return replace(self, width_deg=self.width_deg + 2 * margin_deg, height_deg=self.height_deg + 2 * margin_deg)

    def weight(self, latitude_deg: npt.ArrayLike, longitude_deg: npt.ArrayLike) -> FloatArray:
        """Return the weight, 0 to 1, at places given in deg; shape by broadcasting."""
        latitude = np.asarray(latitude_deg, dtype=float)
        offset = (np.asarray(longitude_deg, dtype=float) - self.longitude_deg + 180.0) % 360.0 - 180.0
        if self.round:
            x, y = _by_bearing(latitude, offset, self.latitude_deg)
        else:
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


@dataclass(frozen=True, eq=False)
class Outline:
    """A soft-edged area inside a closed line with rounded corners.

    Parameters
    ----------
    corners_deg : array, shape (corners, 2)
        Rows (planetographic latitude, east longitude), deg, in order around the area, longitudes
        without jumps.
    edge_deg : float
        Width of the soft edge.
    grow_deg : float
        How far the edge is moved outward.
    """

    corners_deg: FloatArray
    edge_deg: float
    grow_deg: float = 0.0

    @property
    def latitude_deg(self) -> float:
        """Middle of the area's range of latitude, deg."""
        return float(self.corners_deg[:, 0].min() + self.corners_deg[:, 0].max()) / 2

    @property
    def longitude_deg(self) -> float:
        """Middle of the area's range of longitude, deg."""
        return float(self.corners_deg[:, 1].min() + self.corners_deg[:, 1].max()) / 2

    @property
    def reach_deg(self) -> tuple[float, float]:
        """Half sizes, deg of arc (east-west, north-south), beyond which the weight is zero."""
        latitude, longitude = self.corners_deg.T
        scale = float(np.cos(np.radians(np.abs(latitude).min())))
        spare = self.edge_deg + self.grow_deg
        return float(np.ptp(longitude)) / 2 * scale + spare, float(np.ptp(latitude)) / 2 + spare

    def grown(self, margin_deg: float) -> Outline:
        """Return the same shape with its edge moved outward, deg."""
        return replace(self, grow_deg=self.grow_deg + margin_deg)

    def weight(self, latitude_deg: npt.ArrayLike, longitude_deg: npt.ArrayLike) -> FloatArray:
        """Return the weight, 0 to 1, at places given in deg; shape by broadcasting."""
        latitude = np.asarray(latitude_deg, dtype=float)
        offset = (np.asarray(longitude_deg, dtype=float) - self.longitude_deg + 180.0) % 360.0 - 180.0
        latitude, offset = np.broadcast_arrays(latitude, offset)
        line = rounded(self.corners_deg)
        x = (line[:, 1] - self.longitude_deg) * np.cos(np.radians(line[:, 0]))
        distance = _distance_to_line(offset * np.cos(np.radians(latitude)), latitude, x, line[:, 0])
        return soft_step(distance - self.grow_deg, self.edge_deg)


def rounded(corners: FloatArray, rounds: int = 1) -> FloatArray:
    """Cut the corners of a closed line, shape (n, 2) to (n 2^rounds, 2) (Chaikin 1974)."""
    line = corners
    for _ in range(rounds):
        following = np.roll(line, -1, axis=0)
        line = np.stack([0.75 * line + 0.25 * following, 0.25 * line + 0.75 * following], axis=1).reshape(-1, 2)
    return line


def _distance_to_line(x: FloatArray, y: FloatArray, line_x: FloatArray, line_y: FloatArray) -> FloatArray:
    """Distance of places from a closed line, negative inside; shape of `x`."""
    nearest_square = np.full(x.shape, math.inf)
    inside = np.zeros(x.shape, dtype=bool)
    for index in range(len(line_x)):
        ax, ay = line_x[index - 1], line_y[index - 1]
        dx, dy = line_x[index] - ax, line_y[index] - ay
        px, py = x - ax, y - ay
        along = np.clip((px * dx + py * dy) / max(dx * dx + dy * dy, 1e-12), 0.0, 1.0)
        np.minimum(nearest_square, (px - along * dx) ** 2 + (py - along * dy) ** 2, out=nearest_square)
        if dy != 0.0:
            # crossing count: a ray to the east enters or leaves at each side it meets
            crosses = ((y >= ay) != (y >= ay + dy)) & (px < py * (dx / dy))
            inside ^= crosses
    distance = np.sqrt(nearest_square)
    return np.where(inside, -distance, distance)
