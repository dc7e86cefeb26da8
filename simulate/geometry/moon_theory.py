"""Theories of the satellites' motion, as vectors from the planet's centre in ICRF axes, km and km/s."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from simulate.errors import EphemerisWarning, InputError, choose, note
from simulate.geometry.clock import DAY_S, J2000, delta_t_s
from simulate.geometry.ellipse import along_ellipse
from simulate.geometry.ephemeris import orbit_of
from simulate.geometry.sight import Observer, Sight, sky_axes
from simulate.geometry.vectors import FloatArray
from simulate.values.constants import ASTRONOMICAL_UNIT_KM

if TYPE_CHECKING:
    from simulate.bodies import Body

Motion = dict[str, tuple[FloatArray, FloatArray]]

GALILEAN = ("io", "europa", "ganymede", "callisto")
SATURN_RADIUS_KM = 60_035.0
"""Unit of the theory of Saturn's moons; found by its mean distances, which it turns into km."""
SATURN_FIRST_DAY = -365.5  # 1999-01-01
SATURN_LAST_DAY = 14609.5  # 2040-01-01
SATURNIAN = ("mimas", "enceladus", "tethys", "dione", "rhea", "titan", "hyperion", "iapetus")
_DUBLIN = 2415020.0  # epoch of ephem's day count
_STEP_DAYS = 60.0 / DAY_S


def motions(moons: Sequence[Body], planet: Sight, observer: Observer) -> Motion:
    """Return place (n, 3), km, and velocity (n, 3), km/s, of satellites when the light seen now left their planet.

    By name, ICRF axes, from the planet's centre. Where a theory does not reach the satellite is left out.

    Parameters
    ----------
    moons : sequence of Body
        Satellites of one planet.
    planet : Sight
        The planet as seen.
    observer : Observer
        Who looks.

    Warns
    -----
    EphemerisWarning
        For the theory of Saturn's moons outside 1999-2039.
    """
    found: Motion = {}
    theories = dict.fromkeys(orbit_of(moon).theory for moon in moons)
    days = observer.days - planet.light_days
    for theory in theories:
        members = {moon.name: orbit_of(moon) for moon in moons if orbit_of(moon).theory == theory}
        if theory == "moons of jupiter":
            motion = jupiter_moons(days)
        elif theory == "moons of saturn":
            motion = saturn_moons(tuple(orbit.member for orbit in members.values()), planet, observer)
        else:
            for name, orbit in members.items():
                if orbit.elements is not None:
                    place, speed = along_ellipse(orbit.elements, days)
                    found[name] = place, speed / DAY_S
            continue
        for name, orbit in members.items():
            if orbit.member in motion:
                found[name] = motion[orbit.member]
            elif motion:
                raise InputError(f"{name}: orbit.member", orbit.member, f"{theory} has {', '.join(motion)}")
    return {moon.name: found[moon.name] for moon in moons if moon.name in found}


def jupiter_moons(days_tt: FloatArray) -> Motion:
    """Return place (n, 3) and velocity (n, 3) of the Galilean moons at TT days since J2000.

    IMCCE's theory L1.2 (Lainey, Duriez & Vienne 2006, A&A 456, 783) as carried by the package
    astronomy-engine; within 0.05 (Io) to 0.17 (Callisto) arcsec of JPL's jup365 over 1992-2040.
    """
    import astronomy

    states = np.empty((4, len(days_tt), 6))
    for i, day in enumerate(days_tt):
        found = astronomy.JupiterMoons(astronomy.Time.FromTerrestrialTime(float(day)))
        for moon, s in zip(states, (found.io, found.europa, found.ganymede, found.callisto), strict=True):
            moon[i] = s.x, s.y, s.z, s.vx, s.vy, s.vz
    states *= ASTRONOMICAL_UNIT_KM
    states[..., 3:] /= DAY_S
    return {name: (moon[:, :3], moon[:, 3:]) for name, moon in zip(GALILEAN, states, strict=True)}


def saturn_moons(names: tuple[str, ...], sight: Sight, observer: Observer) -> Motion:
    """Return place (n, 3) and velocity (n, 3) of Saturn's moons when the light seen now left Saturn.

    The Bureau des longitudes' series as carried by the package ephem, of 1999 to 2039 only; outside
    they are left out with a warning. ephem gives (east, south, toward the Earth) on the sky of J2000
    (found by the orbits of Dione and Rhea: in these axes they lie in Saturn's equator), light time
    included.
    """
    days = observer.days
    if np.any(days < SATURN_FIRST_DAY) or np.any(days >= SATURN_LAST_DAY):
        note("the moons of Saturn are known from 1999 to 2039 only; they are left out", EphemerisWarning, stacklevel=3)
        return {}
    sky = sky_axes(sight, np.array([[0.0, 0.0, 1.0]]))
    universal = days + (J2000 - _DUBLIN) - delta_t_s(days) / DAY_S
    axes = np.stack([sky.east, -sky.north, sky.toward], axis=-1)

    def place(name: str, when: FloatArray) -> FloatArray:
        return SATURN_RADIUS_KM * np.einsum("nij,nj->ni", axes, _saturn_offsets(name, when))

    moons: Motion = {}
    for name in names:
        choose("orbit.member", name, SATURNIAN)
        before, after = place(name, universal - _STEP_DAYS), place(name, universal + _STEP_DAYS)
        moons[name] = (place(name, universal), (after - before) / (2.0 * _STEP_DAYS * DAY_S))
    return moons


def _saturn_offsets(name: str, dublin_days: FloatArray) -> FloatArray:
    import ephem

    moon = getattr(ephem, name.capitalize())()
    offsets = np.empty((len(dublin_days), 3))
    for i, day in enumerate(dublin_days):
        moon.compute(float(day))
        offsets[i] = moon.x, moon.y, moon.z
    return offsets
