"""Where a feature stands: whether it is in sight, and the stage on which it can be judged at any time."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from simulate.bodies import Body
from simulate.geometry import Apparition
from simulate.judging.drawn import Subject
from simulate.judging.features import JudgedFeature
from simulate.values.constants import ARCSEC_PER_RADIAN, ASTRONOMICAL_UNIT_KM

FARTHEST_SIGHT_DEG = 80.0
"""Surface features farther than this from the middle of the disc are not judged."""


def in_sight(feature: JudgedFeature, subject: Subject) -> bool:
    """Return whether it is worth drawing a feature: on this side of the body, its shadow on the disc.

    Where the longitude of the drifting oval was given, what drifts with it and has one place only is looked for there.
    """
    body, seen, spot_west_deg = subject.body, subject.seen, subject.options.red_spot_longitude_deg
    if feature.stage == "shadow":
        casting = {moon.name for moon in seen.moons if moon.shadow_east_arcsec is not None}
        return bool(casting & set(feature.subjects))
    if feature.stage == "facing" and feature.longitude_of:
        place = feature_longitude_east(body, feature.longitude_of)
        system = str(body.section("map").get("longitude_system", ""))
        if place is None and spot_west_deg is not None:
            offsets = offsets_from_oval_deg(body, feature.longitude_of)
            place = offsets[0] - spot_west_deg if len(offsets) == 1 else None
        if place is not None and seen.central_meridian_deg:
            sense = -1.0 if body.longitude_sense == "west" else 1.0
            middle = sense * seen.central_meridian_deg.get(system, next(iter(seen.central_meridian_deg.values())))
            return abs((place - middle + 180.0) % 360.0 - 180.0) <= FARTHEST_SIGHT_DEG
    return True


def feature_longitude_east(body: Body, name: str) -> float | None:
    """Return the east longitude, deg, of the middle of a surface feature; None where it has none or drifts."""
    for section in body.features:
        if section.get("name") != name:
            continue
        if "longitude_deg" in section:
            return float(section["longitude_deg"])
        if "outline" in section:
            angles = np.radians(section["outline"][:, 1])
            return math.degrees(math.atan2(np.sin(angles).mean(), np.cos(angles).mean())) % 360.0
    return None


def offsets_from_oval_deg(body: Body, name: str) -> tuple[float, ...]:
    """Return how far east of the drifting oval the places of a feature lie that drifts with it, deg."""
    section = next((f for f in body.features if f.get("name") == name), None)
    if section is None or "places" not in section:
        return (0.0,)
    return tuple(float(east) for east in section["places"][:, 1])


def set_aside(seen: Apparition) -> Apparition:
    """Return the apparition with every satellite sunlit at its distance beside the planet, no shadow cast."""
    km_per_arcsec = seen.distance_au * ASTRONOMICAL_UNIT_KM / ARCSEC_PER_RADIAN
    moons = []
    for moon in seen.moons:
        distance = math.sqrt(sum(part**2 for part in moon.position_km))
        moons.append(
            replace(
                moon,
                east_arcsec=distance / km_per_arcsec,
                north_arcsec=0.0,
                state="clear",
                position_km=(distance, 0.0, 0.0),
                shadow_position_km=(distance, 0.0, 0.0),
                shadow_east_arcsec=None,
                shadow_north_arcsec=None,
                sunlit_fraction=1.0,
            )
        )
    return replace(seen, moons=tuple(moons))


def staged(feature: JudgedFeature, subject: Subject) -> Subject:
    """Return the subject in which a feature can be judged at any time.

    A surface feature is brought to the middle of the disc (a drifting one put there), a satellite's shadow on the
    disc while all satellites stand aside; what needs no stage is left as it stands.
    """
    seen, body = subject.seen, subject.body
    if feature.stage == "shadow":
        return replace(subject, seen=_with_shadow(set_aside(seen), feature.subjects[0]))
    if feature.stage == "facing" and seen.central_meridian_deg:
        place = feature_longitude_east(body, feature.longitude_of)
        if place is None:  # it drifts with the oval: turn the map until it lies where the middle is
            east = offsets_from_oval_deg(body, feature.longitude_of)[0]
            west = (_map_meridian(body, seen) + east) % 360.0
            options = replace(subject.options, red_spot_longitude_deg=west)
            return replace(subject, options=options)
        sense = -1.0 if body.longitude_sense == "west" else 1.0
        middles = dict.fromkeys(seen.central_meridian_deg, sense * place % 360.0)
        return replace(subject, seen=replace(seen, central_meridian_deg=middles))
    return subject


def _map_meridian(body: Body, seen: Apparition) -> float:
    """Return the longitude in the middle of the disc, in the system of the body's map."""
    meridians = seen.central_meridian_deg
    return meridians.get(body.section("map").get("longitude_system", ""), next(iter(meridians.values())))


def _with_shadow(seen: Apparition, name: str) -> Apparition:
    """Put a satellite between the Sun and the middle of the sunlit side, but not before the planet."""
    radius = seen.equatorial_diameter_arcsec / 2
    sun = seen.sun_direction
    moons = []
    for moon in seen.moons:
        if moon.name == name:
            distance = math.sqrt(sum(part**2 for part in moon.position_km))
            moon = replace(
                moon,
                shadow_position_km=tuple(distance * part for part in sun),
                shadow_east_arcsec=radius * sun[0],
                shadow_north_arcsec=radius * sun[1],
            )
        moons.append(moon)
    return replace(seen, moons=tuple(moons))
