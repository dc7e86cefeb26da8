"""Satellites of Jupiter and Saturn: where they stand, what they hide and what hides them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Vector = tuple[float, float, float]


@dataclass(frozen=True)
class MoonState:
    """A satellite as seen.

    Parameters
    ----------
    name : str
        Lower case.
    east_arcsec, north_arcsec : float
        Centre relative to the planet's centre on the sky.
    radius_arcsec : float
        Apparent radius.
    magnitude : float
        V in full sunlight; times `sunlit_fraction` gives what is left in an eclipse.
    state : str
        "transit" or "occulted": the centre lies before or behind the planet's outline; "eclipsed":
        it lies in the planet's shadow, more than half of the sunlight gone; else "clear".
    position_km : tuple of float
        (east, north, toward the observer) relative to the planet's centre, when the light left.
    shadow_position_km : tuple of float
        Where the moon stood when it cast the shadow seen now, relative to where the planet's centre is
        when the shadow falls on it: the line from the Sun's centre through this point meets the planet
        in the middle of the shadow.
    shadow_east_arcsec, shadow_north_arcsec : float or None
        Middle of the shadow on the visible disc; None when there is none.
    sunlit_fraction : float
        Part of the sunlight that reaches the moon's disc, 0..1.
    """

    name: str
    east_arcsec: float
    north_arcsec: float
    radius_arcsec: float
    magnitude: float
    state: Literal["clear", "transit", "occulted", "eclipsed"]
    position_km: Vector
    shadow_position_km: Vector
    shadow_east_arcsec: float | None
    shadow_north_arcsec: float | None
    sunlit_fraction: float
