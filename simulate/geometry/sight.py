"""The line of sight from an observer to a body, with light time and aberration."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import erfa
import numpy as np

from simulate.errors import InputError
from simulate.geometry.clock import DAY_S
from simulate.geometry.earth import Axes, make_axes, site_place
from simulate.geometry.ephemeris import Ephemeris, Snapshot
from simulate.geometry.site import Site
from simulate.geometry.vectors import FloatArray, carry, cross, length, unit
from simulate.values.constants import ASTRONOMICAL_UNIT_KM, LIGHT_TIME_PER_AU_S

if TYPE_CHECKING:
    from simulate.bodies import Body

LIGHT_DAY_PER_AU = LIGHT_TIME_PER_AU_S / DAY_S


@dataclass(frozen=True, eq=False)
class Observer:
    """Who looks, and when.

    Parameters
    ----------
    days : array, shape (n,)
        TT days since J2000.
    ephemeris : Ephemeris
        Source of places.
    near : Snapshot
        Earth and Sun at `days`.
    axes : Axes
        Equator of date.
    place : array, shape (n, 3)
        Barycentric place of the observer, au: the site, or the Earth's centre without one.
    site : Site or None
        The site.
    """

    days: FloatArray
    ephemeris: Ephemeris
    near: Snapshot
    axes: Axes
    place: FloatArray
    site: Site | None


def make_observer(days: FloatArray, site: Site | None, ephemeris: Ephemeris) -> Observer:
    """Return the observer at TT days since J2000, shape (n,)."""
    near = ephemeris.snapshot(days)
    axes = make_axes(days, turning=site is not None)
    place = near.earth if site is None else near.earth + site_place(site, axes)
    return Observer(days, ephemeris, near, axes, place, site)


@dataclass(frozen=True, eq=False)
class Sight:
    """A body as seen; arrays of shape (n,) or (n, 3), ICRF axes, au and days.

    Parameters
    ----------
    line : array, shape (n, 3)
        From the observer now to the body when its light left.
    distance_au, light_days : array, shape (n,)
        Length of the line and the time that light takes for it.
    place, velocity : array, shape (n, 3)
        Barycentric place and velocity of the body when its light left.
    sun : array, shape (n, 3)
        From the body to the Sun at that moment.
    sun_velocity : array, shape (n, 3)
        Of the Sun relative to the barycentre.
    apparent : array, shape (n, 3)
        Unit vector to where the body is seen, stellar aberration included (light deflection, under
        0.02 arcsec at 20 deg from the Sun, is not).
    """

    line: FloatArray
    distance_au: FloatArray
    light_days: FloatArray
    place: FloatArray
    velocity: FloatArray
    sun: FloatArray
    sun_velocity: FloatArray
    apparent: FloatArray


def look_at(body: Body, observer: Observer) -> Sight:
    """Return the sight of a planet, the Moon, the Sun or a planet's satellite."""
    if body.parent is not None:
        return _look_at_satellite(body, body.parent, observer)
    near = observer.near
    light = np.zeros(len(observer.days))
    # each pass shrinks the error by v/c, 1e-4: the third leaves 1e-12 of the light time
    for _ in range(2):
        place, _ = observer.ephemeris.place(body, observer.days - light, near)
        light = length(place - observer.place) * LIGHT_DAY_PER_AU
    place, velocity = observer.ephemeris.place(body, observer.days - light, near)
    return _sight(observer, place, velocity)


def _sight(observer: Observer, place: FloatArray, velocity: FloatArray) -> Sight:
    """Return the sight of what was at a place when its light left."""
    near = observer.near
    line = place - observer.place
    distance = length(line)
    light = distance * LIGHT_DAY_PER_AU
    sun = near.sun - near.sun_velocity * light[:, None] - place
    return Sight(
        line=line,
        distance_au=distance,
        light_days=light,
        place=place,
        velocity=velocity,
        sun=sun,
        sun_velocity=near.sun_velocity,
        apparent=aberrated(observer, line),
    )


def _look_at_satellite(body: Body, parent: Body, observer: Observer) -> Sight:
    """Carry a satellite from the moment when its planet's light left to that when its own did."""
    from simulate.geometry.moon_theory import motions  # late: the theories look at the planet

    planet = look_at(parent, observer)
    found = motions((body,), planet, observer)
    if body.name not in found:
        raise InputError("body", body.name, "its place is not known at that time")
    place, speed = found[body.name]
    offset, velocity = place / ASTRONOMICAL_UNIT_KM, speed * (DAY_S / ASTRONOMICAL_UNIT_KM)
    velocity = planet.velocity + velocity
    start = planet.place + offset
    light = planet.light_days
    for _ in range(2):  # the ways differ by seconds: the second pass leaves less than a metre
        there = start + velocity * (planet.light_days - light)[:, None]
        light = length(there - observer.place) * LIGHT_DAY_PER_AU
    return _sight(observer, start + velocity * (planet.light_days - light)[:, None], velocity)


def aberrated(observer: Observer, line: FloatArray) -> FloatArray:
    """Return unit vectors along `line`, shape (n, 3), turned by the Earth's orbital motion."""
    speed = observer.near.earth_velocity * LIGHT_DAY_PER_AU
    to_sun = length(observer.near.sun - observer.place)
    return erfa.ab(unit(line), speed, to_sun, np.sqrt(1.0 - np.sum(speed**2, axis=-1)))


@dataclass(frozen=True, eq=False)
class SkyAxes:
    """East, north and toward-the-observer at a body, unit vectors in ICRF axes, shape (n, 3).

    Aberration moves a small field as a whole along the circle to its apex; these axes are those of
    the apparent place, carried back along it. So position angles are the ones seen, while `toward` is
    the true line of sight, and phase and limb angle agree to the last arcsecond even at opposition.
    """

    east: FloatArray
    north: FloatArray
    toward: FloatArray

    def resolve(self, vectors: FloatArray) -> FloatArray:
        """Return ICRF vectors, shape (n, 3), as (east, north, toward)."""
        frame = np.stack([self.east, self.north, self.toward], axis=-2)
        return np.einsum("nij,nj->ni", frame, vectors)


def sky_axes(sight: Sight, pole_of_date: FloatArray) -> SkyAxes:
    """Return the sky's axes at the body, north being the celestial pole of date."""
    east = unit(cross(pole_of_date, sight.apparent))
    north = cross(sight.apparent, east)
    away = unit(sight.line)
    return SkyAxes(carry(east, sight.apparent, away), carry(north, sight.apparent, away), -away)
