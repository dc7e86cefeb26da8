"""Sunlight that something else takes away: moons before the Sun, with umbra and penumbra."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from simulate.geometry.shadow_light import uncovered_fraction
from simulate.values.constants import SUN_RADIUS_KM

FloatArray = npt.NDArray[np.floating]


@dataclass(frozen=True, eq=False)
class MoonShadow:
    """The shadow that one moon throws on its planet.

    Parameters
    ----------
    name : str
        The moon.
    position_km : array, shape (3,)
        Where it was when it cast the shadow, planet-centred (east, north, toward the observer).
    radius_km : float
        Its radius.
    sun_position_km : array, shape (3,)
        The Sun in the same frame.
    """

    name: str
    position_km: FloatArray
    radius_km: float
    sun_position_km: FloatArray

    def _axis(self) -> tuple[FloatArray, float]:
        to_sun = self.sun_position_km - self.position_km
        beyond = float(np.linalg.norm(to_sun))
        return to_sun / beyond, beyond

    def sunlit(self, places_km: FloatArray) -> FloatArray:
        """Return the fraction of sunlight left at places of shape (3, n), shape (n,).

        The angular separation of Sun and moon follows from the place's distance to the line that
        joins them; both angular radii are those seen from the place.
        """
        axis, beyond = self._axis()
        height = axis @ self.position_km - axis @ places_km
        foot = self.position_km[:, None] - np.multiply.outer(axis, height)
        across = np.sqrt(((foot - places_km) ** 2).sum(axis=0))
        light = np.ones(across.shape)
        near = np.flatnonzero((height > 0) & (across < self.reach_km() * 1.2))
        height, across = height[near], across[near]
        separation = across * beyond / (height * (height + beyond))
        light[near] = uncovered_fraction(separation, SUN_RADIUS_KM / (height + beyond), self.radius_km / height)
        return light

    def touches(self, radius_km: float) -> bool:
        """Tell whether the penumbra can meet a sphere of that radius about the planet's centre."""
        axis, _ = self._axis()
        height = float(axis @ self.position_km)
        across = float(np.linalg.norm(self.position_km - axis * height))
        return height > 0 and across < radius_km + self.reach_km()

    def reach_km(self) -> float:
        """Return the radius of the penumbra at the planet, km."""
        distance = float(np.linalg.norm(self.position_km))
        _, sun = self._axis()
        return self.radius_km + (SUN_RADIUS_KM + self.radius_km) * distance / sun
