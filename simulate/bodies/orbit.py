"""Where a body's place comes from: a theory that this package carries, or elements of its own."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal, cast

import numpy as np
import numpy.typing as npt

from simulate.bodies.sections import Section, check_keys
from simulate.errors import InputError, choose
from simulate.values.constants import ASTRONOMICAL_UNIT_KM

FloatArray = npt.NDArray[np.float64]

THEORIES = ("sun", "earth's moon", "planets", "moons of jupiter", "moons of saturn", "elements")
"""What ``orbit.theory`` may say; "elements" is what ``[orbit.elements]`` means without a word."""

_OF_PLANETS = ("planets",)
_OF_SATELLITES = ("moons of jupiter", "moons of saturn")
_ANGLES = ("inclination_deg", "mean_longitude_deg", "pericentre_longitude_deg", "node_longitude_deg")

_KEYS = {
    "theory": "a text in quotes",
    "number": "a number",
    "member": "a text in quotes",
    "chain": "rows of numbers",
    "mean_distance_au": "a number",
    "mean_distance_km": "a number",
    "elements": "a section",
}
_ELEMENT_KEYS = {
    "centre": "a text in quotes",
    "pole_deg": "a list of numbers",
    **dict.fromkeys(
        ("semi_major_axis_au", "semi_major_axis_km", "eccentricity", *_ANGLES), "a number or a list of numbers"
    ),
}
CENTRES = ("sun", "barycentre")
"""Of a planet's elements: those of a body far beyond the giants hold about the Solar System's barycentre, about which
the Sun itself goes by 0.01 au in the giants' years."""


@dataclass(frozen=True, eq=False)
class Elements:
    """Mean elements of an ellipse whose numbers change evenly, about the Sun, the barycentre or the planet.

    Each is a polynomial, lowest power first, in Julian centuries TDB from J2000. The plane of reference
    is the ecliptic of J2000, or the plane whose pole is given; longitudes on that plane count from its
    ascending node on the ICRF equator (as satellites' elements on Laplace planes are published), those
    on the ecliptic from the equinox.

    Parameters
    ----------
    semi_major_axis_km, eccentricity : array, shape (n,)
        Size and shape.
    inclination_deg, mean_longitude_deg, pericentre_longitude_deg, node_longitude_deg : array, shape (n,)
        The longitudes are those of the broken arc: node plus argument.
    pole_deg : (float, float) or None
        Right ascension and declination, ICRF, of the pole of the plane of reference; None: the ecliptic.
    centre : str
        Of what goes round no planet: one of `CENTRES`.
    """

    semi_major_axis_km: FloatArray
    eccentricity: FloatArray
    inclination_deg: FloatArray
    mean_longitude_deg: FloatArray
    pericentre_longitude_deg: FloatArray
    node_longitude_deg: FloatArray
    pole_deg: tuple[float, float] | None
    centre: Literal["sun", "barycentre"] = "sun"


@dataclass(frozen=True, eq=False)
class Orbit:
    """How the place of a body is found.

    Parameters
    ----------
    theory : str
        One of `THEORIES`.
    number : int
        Of the planet in its theory; 0 where it has none.
    member : str
        Name of the satellite in its theory; "" where it has none.
    chain : tuple of (int, int)
        Links (centre, target) from the Solar System's barycentre in a precise ephemeris, in NAIF numbers;
        empty where that has none.
    mean_distance_km : float
        From the Sun or the planet.
    elements : Elements or None
        For the theory "elements".
    """

    theory: str
    number: int
    member: str
    chain: tuple[tuple[int, int], ...]
    mean_distance_km: float
    elements: Elements | None

    @property
    def mean_distance_au(self) -> float:
        """Mean distance in au."""
        return self.mean_distance_km / ASTRONOMICAL_UNIT_KM


def read_orbit(section: Section, *, satellite: bool) -> Orbit:
    """Build an `Orbit` from the section of that name of a data file.

    Parameters
    ----------
    section : Section
        With ``theory`` and its number or member, or with ``elements``.
    satellite : bool
        Whether the body goes round a planet.

    Raises
    ------
    InputError
        For an unknown key or theory, one that does not fit the body, or elements that are no ellipse.
    """
    check_keys(section, _KEYS)
    elements = _read_elements(section["elements"]) if "elements" in section else None
    theory = choose(f"{section.where}.theory", str(section.get("theory", "elements" if elements else "")), THEORIES)
    if (theory in _OF_SATELLITES and not satellite) or (theory in _OF_PLANETS and satellite):
        raise InputError(
            f"{section.where}.theory", theory, f"it is for {'planets' if satellite else 'satellites'} only"
        )
    if theory == "elements" and elements is None:
        raise InputError(f"{section.where}.theory", theory, "give them in a section [orbit.elements]")
    number = _whole(section, "number") if theory in _OF_PLANETS else 0
    member = str(section["member"]) if theory in _OF_SATELLITES else ""
    chain = section.get("chain", np.zeros((0, 2)))
    if chain.shape[1] != 2:
        raise InputError(f"{section.where}.chain", chain.tolist(), "give pairs of NAIF numbers (centre, target)")
    return Orbit(
        theory=theory,
        number=number,
        member=member,
        chain=tuple((int(a), int(b)) for a, b in chain),
        mean_distance_km=_mean_distance_km(section, elements),
        elements=elements,
    )


def _whole(section: Section, key: str) -> int:
    value = section[key]
    if value != int(value):
        raise InputError(f"{section.where}.{key}", value, "give a whole number")
    return int(value)


def _mean_distance_km(section: Section, elements: Elements | None) -> float:
    if "mean_distance_au" in section:
        return _positive(section, "mean_distance_au") * ASTRONOMICAL_UNIT_KM
    if "mean_distance_km" in section:
        return _positive(section, "mean_distance_km")
    return float(elements.semi_major_axis_km[0]) if elements else 0.0


def _positive(section: Section, key: str) -> float:
    value = section[key]
    if value <= 0:
        raise InputError(f"{section.where}.{key}", value, "give a number above 0")
    return value


def _read_elements(section: Section) -> Elements:
    check_keys(section, _ELEMENT_KEYS)
    if "semi_major_axis_au" in section:
        axis = _series(section, "semi_major_axis_au") * ASTRONOMICAL_UNIT_KM
    else:
        axis = _series(section, "semi_major_axis_km")
    eccentricity = _series(section, "eccentricity")
    if axis[0] <= 0:
        raise InputError(f"{section.where}: semi-major axis", float(axis[0]), "give a length above 0")
    if not 0.0 <= eccentricity[0] < 0.9:
        raise InputError(f"{section.where}.eccentricity", float(eccentricity[0]), "give a number from 0 to below 0.9")
    centre = choose(f"{section.where}.centre", section.get("centre", "sun"), CENTRES)
    angles = {key: _series(section, key) for key in _ANGLES}
    pole: Any = section.get("pole_deg")
    if pole is not None and np.shape(pole) != (2,):
        raise InputError(f"{section.where}.pole_deg", pole, "give right ascension and declination")
    return Elements(
        semi_major_axis_km=axis,
        eccentricity=eccentricity,
        pole_deg=None if pole is None else (float(pole[0]), float(pole[1])),
        centre=cast(Literal["sun", "barycentre"], centre),
        **angles,
    )


def _series(section: Section, key: str) -> FloatArray:
    return np.atleast_1d(np.asarray(section[key]))
