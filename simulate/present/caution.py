"""The fixed safety text. This package never says that something is safe."""

from __future__ import annotations

NEAR_DEG = 10.0
"""Elongation within which the caution stands at any time."""

NEAR_BY_DAY_DEG = 20.0
"""Elongation within which it stands while the Sun is up."""

NO_ADVICE_DEG = 5.0
"""Elongation within which no advice is given to point there."""

SUN_IS_UP_DEG = -1.0
"""Altitude of the Sun's centre above which it counts as up: its edge, refraction and a little more."""

_DANGER = (
    "Sunlight through a telescope, finder or binoculars blinds at once and burns cameras and shutters. "
    "Never sweep for the target while the Sun is above the horizon: put the Sun behind a solid edge such as a "
    "wall so that no direct sunlight can reach any optics, keep finders capped, and stop well before the "
    "shadow moves off. "
)

_SOLAR = (
    "Work on the Sun itself needs a certified filter (ISO 12312-2 for eyes; a full-aperture filter on the front "
    "of the telescope) fixed over the front, finder covered. Local rules and the filter maker's instructions "
    "come first."
)


def caution_for(elongation_deg: float, sun_altitude_deg: float | None) -> str | None:
    """Return the caution for a target, or None where none is called for.

    It stands within 10 deg of the Sun at any time, within 20 deg while the Sun is up, and in a
    shorter form for anything else by day. Below 5 deg it says that no advice is given to point there.

    Parameters
    ----------
    elongation_deg : float
        Angle between target and Sun, degrees.
    sun_altitude_deg : float or None
        Altitude of the Sun; None, without a site, counts as up for targets within 20 deg.
    """
    day = sun_altitude_deg is not None and sun_altitude_deg > SUN_IS_UP_DEG
    near = elongation_deg < NEAR_DEG or (elongation_deg < NEAR_BY_DAY_DEG and (day or sun_altitude_deg is None))
    if elongation_deg < NO_ADVICE_DEG:
        return (
            f"CAUTION: the target stands {elongation_deg:.1f} degrees from the Sun. No advice is given to point a "
            f"telescope there. {_DANGER}{_SOLAR}"
        )
    if near:
        return f"CAUTION: the target stands {elongation_deg:.1f} degrees from the Sun. {_DANGER}{_SOLAR}"
    if day:
        return (
            f"CAUTION: the Sun is up, {elongation_deg:.0f} degrees from the target. Keep it out of every telescope, "
            f"finder and camera. {_SOLAR}"
        )
    return None
