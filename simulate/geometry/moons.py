"""Satellites of the planets: where they stand, what they hide and what hides them.

All in km in the axes (east, north, toward the observer) about the planet's centre as seen. Light's
way inside the system counts: a moon 10^6 km behind the planet is seen 3.5 s earlier than it, and a
shadow falls seconds after the moon stood in the light. Moons that hide or darken one another are not
looked at, nor is sunlight bent by the planet's air.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

import numpy as np
import numpy.typing as npt

from simulate.bodies import Body, load_body
from simulate.bodies.photometry import visual_magnitude
from simulate.errors import InputError
from simulate.geometry.clock import DAY_S, days_of
from simulate.geometry.look import Look, make_look
from simulate.geometry.moon_theory import motions
from simulate.geometry.site import as_site
from simulate.geometry.spheroid import Spheroid
from simulate.geometry.vectors import FloatArray, angle_deg, dot, length, unit
from simulate.values.constants import (
    ARCSEC_PER_RADIAN,
    ASTRONOMICAL_UNIT_KM,
    LIGHT_SPEED_KM_S,
    SUN_RADIUS_KM,
)

if TYPE_CHECKING:
    from simulate.geometry.clock import TimesLike
    from simulate.geometry.site import SiteLike

Vector = tuple[float, float, float]
State = Literal["clear", "transit", "occulted", "eclipsed"]


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
        Apparent radius of the visible disc.
    magnitude : float
        V in full sunlight; times `sunlit_fraction` gives what is left in an eclipse.
    state : str
        "transit" or "occulted": the centre lies before or behind the planet's outline; else
        "eclipsed": more than half of its sunlight is taken by the planet; else "clear".
    position_km : tuple of float
        (east, north, toward the observer) relative to the planet's centre as seen.
    shadow_position_km : tuple of float
        Where the moon stood when it cast the shadow seen now, relative to the planet's centre at the
        moment when the shadow falls: the line from the Sun's centre through this point meets the
        planet in the middle of the shadow.
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
    state: State
    position_km: Vector
    shadow_position_km: Vector
    shadow_east_arcsec: float | None
    shadow_north_arcsec: float | None
    sunlit_fraction: float


@dataclass(frozen=True, eq=False)
class MoonTrack:
    """A satellite at n instants; the meanings are those of the fields of `MoonState`.

    Parameters
    ----------
    name : str
        Lower case.
    position_km, shadow_position_km : array, shape (n, 3)
        East, north, toward the observer.
    offset_arcsec, shadow_arcsec : array, shape (n, 2)
        East and north; the shadow's are NaN where none is seen on the disc.
    radius_arcsec : array, shape (n,)
        Apparent radius.
    miss : array, shape (n,)
        Distance from the planet's centre in units in which its outline lies at 1.
    sunlit_fraction, centre_sunlit_fraction : array, shape (n,)
        Part of the sunlight on the whole disc, and on its middle.
    magnitude : array, shape (n,)
        V in full sunlight.
    """

    name: str
    position_km: FloatArray
    shadow_position_km: FloatArray
    offset_arcsec: FloatArray
    shadow_arcsec: FloatArray
    radius_arcsec: FloatArray
    miss: FloatArray
    sunlit_fraction: FloatArray
    centre_sunlit_fraction: FloatArray
    magnitude: FloatArray

    def state(self, index: int) -> State:
        """Return the state at one instant."""
        if self.miss[index] < 1.0:
            return "transit" if self.position_km[index, 2] > 0.0 else "occulted"
        return "eclipsed" if self.centre_sunlit_fraction[index] < 0.5 else "clear"

    def clear(self) -> npt.NDArray[np.bool_]:
        """Return when it stands beside its planet and in sunlight, shape (n,)."""
        return (self.miss >= 1.0) & (self.centre_sunlit_fraction >= 0.5)

    def row(self, index: int) -> MoonState:
        """Return the moon at one instant."""
        shadow = [None if np.isnan(x) else float(x) for x in self.shadow_arcsec[index]]
        return MoonState(
            name=self.name,
            east_arcsec=float(self.offset_arcsec[index, 0]),
            north_arcsec=float(self.offset_arcsec[index, 1]),
            radius_arcsec=float(self.radius_arcsec[index]),
            magnitude=float(self.magnitude[index]),
            state=self.state(index),
            position_km=_vector(self.position_km[index]),
            shadow_position_km=_vector(self.shadow_position_km[index]),
            shadow_east_arcsec=shadow[0],
            shadow_north_arcsec=shadow[1],
            sunlit_fraction=float(self.sunlit_fraction[index]),
        )


def _vector(array: FloatArray) -> Vector:
    return (float(array[0]), float(array[1]), float(array[2]))


def moon_table(
    body: str | Body, times: TimesLike, site: SiteLike | None = None, *, ephemeris: str = "builtin"
) -> tuple[MoonTrack, ...]:
    """Return the satellites of a planet at many instants, for the search of events.

    Parameters
    ----------
    body : str or Body
        A planet; some have none here.
    times : Time array or iterable of str, datetime or Time
        Instants of the years 1900-2099.
    site : Site, EarthLocation, text or tuple, optional
        Default: from the Earth's centre.
    ephemeris : str
        "builtin" or "de440".

    Raises
    ------
    InputError
        For an unknown body, and for instants or sites out of range.

    Warns
    -----
    EphemerisWarning
        For Saturn outside 1999-2039.
    """
    place = None if site is None else as_site(site)
    known = body if isinstance(body, Body) else load_body(body)
    return moon_tracks(make_look(known, days_of(times), place, ephemeris))


def satellite_track(
    body: Body, times: TimesLike, site: SiteLike | None = None, *, ephemeris: str = "builtin"
) -> MoonTrack:
    """Return one satellite beside its planet at many instants; parameters as for `moon_table`.

    Raises
    ------
    InputError
        For what is no satellite, and where its place is not known.
    """
    if body.parent is None:
        raise InputError("body", body.name, "it must go round a planet")
    found = moon_table(replace(body.parent, satellites=(body,)), times, site, ephemeris=ephemeris)
    if not found:
        raise InputError("body", body.name, "its place is not known at that time")
    return found[0]


def moon_tracks(look: Look) -> tuple[MoonTrack, ...]:
    """Return the satellites of the planet looked at, from the inside outwards.

    Warns
    -----
    EphemerisWarning
        For Saturn outside 1999-2039.
    """
    moons = look.body.satellites
    if not moons:
        return ()
    motion, system = motions(moons, look.sight, look.observer), _System(look)
    return tuple(system.track(moon, *motion[moon.name]) for moon in moons if moon.name in motion)


class _System:
    """A planet with what its moons need: size, Sun, speed; km, km/s, axes of the sky."""

    def __init__(self, look: Look) -> None:
        sight, body, resolve = look.sight, look.body, look.sky.resolve
        self.resolve = resolve
        self.globe = Spheroid(body.equatorial_radius_km, body.polar_radius_km, resolve(look.pole))
        self.sun_km = resolve(sight.sun) * ASTRONOMICAL_UNIT_KM
        self.velocity = resolve(sight.velocity) * (ASTRONOMICAL_UNIT_KM / DAY_S)
        self.distance_km = sight.distance_au * ASTRONOMICAL_UNIT_KM
        self.toward = np.broadcast_to(np.array([0.0, 0.0, 1.0]), self.sun_km.shape)

    def track(self, moon: Body, place: FloatArray, speed: FloatArray) -> MoonTrack:
        """Return a moon from its place and velocity at the moment when the planet's light left."""
        start, speed = self.resolve(place), self.resolve(speed)
        seen = self._seen(start, speed)
        shadow_from, shadow = self._shadow(start, speed)
        disc_sun, centre_sun = self._sunlight(moon, start, speed)
        distance = self.distance_km - seen[:, 2]
        flat = seen * (self.distance_km / distance)[:, None]
        miss, _ = self.globe.outline(flat, self.toward)
        return MoonTrack(
            name=moon.name,
            position_km=seen,
            shadow_position_km=shadow_from,
            offset_arcsec=self._arcsec(seen),
            shadow_arcsec=self._arcsec(shadow),
            radius_arcsec=ARCSEC_PER_RADIAN * np.arcsin(moon.disc_radius_km / distance),
            miss=miss,
            sunlit_fraction=disc_sun,
            centre_sunlit_fraction=centre_sun,
            magnitude=self._magnitude(moon, seen),
        )

    def _seen(self, start: FloatArray, speed: FloatArray) -> FloatArray:
        """Move a moon by its own light-time difference; the planet's own way counts as well."""
        earlier = start[:, 2] / LIGHT_SPEED_KM_S
        return start + (speed + self.velocity) * earlier[:, None]

    def _arcsec(self, place: FloatArray) -> FloatArray:
        return ARCSEC_PER_RADIAN * np.arctan2(place[:, :2], (self.distance_km - place[:, 2])[:, None])

    def _shadow(self, start: FloatArray, speed: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return where the moon cast its shadow from, and where that falls (NaN where unseen)."""
        cast_from, hit = start, np.zeros_like(start)
        for _ in range(2):  # the ways are seconds of light: the second pass leaves under 1 km
            target = np.where(np.isnan(hit), 0.0, hit)
            falls = target[:, 2] / LIGHT_SPEED_KM_S
            way = length(cast_from - target) / LIGHT_SPEED_KM_S
            cast_from = start + speed * (falls - way)[:, None] - self.velocity * way[:, None]
            hit = self.globe.meet(cast_from, unit(cast_from - self.sun_km))
        on_face = self.globe.normal(hit)[:, 2] > 0.0
        return cast_from, np.where(on_face[:, None], hit, np.nan)

    def _sunlight(self, moon: Body, start: FloatArray, speed: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return the sunlit parts of a moon's disc and of its middle.

        The planet's limb is taken as straight over the Sun's disc and the moon's, whose radii are at
        most 1/40 of the planet's; the fraction is the segment of the Sun's disc beyond it.
        """
        seen = start + speed * (start[:, 2] / LIGHT_SPEED_KM_S)[:, None]
        # where the planet was when this light passed it
        place = seen + self.velocity * (length(seen) / LIGHT_SPEED_KM_S)[:, None]
        to_sun = unit(self.sun_km)
        behind = -dot(place, to_sun)
        sun_distance = length(self.sun_km)
        widening = (sun_distance + behind) / sun_distance
        _, beyond = self.globe.outline(place / widening[:, None], to_sun)
        beyond = beyond * widening
        half_shade = SUN_RADIUS_KM * np.maximum(behind, 1.0) / (sun_distance + behind)
        angles = (np.arange(64) + 0.5) / 64 * np.pi - np.pi / 2
        strips = moon.disc_radius_km * np.sin(angles)
        weights = np.cos(angles) ** 2 / np.sum(np.cos(angles) ** 2)
        disc = _sun_beyond((beyond[:, None] + strips) / half_shade[:, None]) @ weights
        centre = _sun_beyond(beyond / half_shade)
        return np.where(behind > 0.0, disc, 1.0), np.where(behind > 0.0, centre, 1.0)

    def _magnitude(self, moon: Body, seen: FloatArray) -> FloatArray:
        to_observer = self.toward * self.distance_km[:, None] - seen
        to_sun = self.sun_km - seen
        phase = angle_deg(to_observer, to_sun)
        distances = length(to_observer) / ASTRONOMICAL_UNIT_KM, length(to_sun) / ASTRONOMICAL_UNIT_KM
        rows = zip(phase, *distances, strict=True)
        return np.array([visual_magnitude(moon, float(p), float(d), float(r)) for p, d, r in rows])


def _sun_beyond(limb: FloatArray) -> FloatArray:
    """Return the part of a disc beyond a straight limb, from the limb's distance in disc radii.

    1 where the disc is clear of it (distance above 1), 0 where it is hidden (below -1).
    """
    x = np.clip(limb, -1.0, 1.0)
    return 0.5 + (x * np.sqrt(1.0 - x**2) + np.arcsin(x)) / np.pi
