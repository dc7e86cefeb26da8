"""Pole and prime meridian of a body after the IAU working group's form.

Right ascension and declination of the north pole (ICRF) and the angle W of the prime meridian are
polynomials in time with trigonometric terms (Archinal et al. 2018, Celest. Mech. Dyn. Astr. 130, 22).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from simulate.errors import InputError

if TYPE_CHECKING:
    from simulate.bodies.body import Body
    from simulate.bodies.sections import Section

DAYS_PER_CENTURY = 36525.0

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Orientation:
    """Coefficients of the pole and the prime meridian.

    Parameters
    ----------
    right_ascension, declination : array, shape (n,)
        Polynomial in Julian centuries TDB from J2000, deg, lowest power first.
    rotation : mapping of str to array, shape (n,)
        Polynomial of W in days TDB from J2000, deg, by longitude system; key "" for the only one.
    terms : array, shape (terms, 5)
        Rows (argument at J2000 in deg, its rate in deg per century, amplitude of the sine in right
        ascension, of the cosine in declination, of the sine in W, all deg).
    """

    right_ascension: FloatArray
    declination: FloatArray
    rotation: Mapping[str, FloatArray]
    terms: FloatArray

    def __reduce__(self) -> tuple[Any, ...]:
        return (_orientation, (self.right_ascension, self.declination, dict(self.rotation), self.terms))

    def at(self, days_tdb: npt.ArrayLike) -> tuple[FloatArray, FloatArray, dict[str, FloatArray]]:
        """Return (right ascension, declination, {system: W}), deg, each of the shape of `days_tdb`.

        Parameters
        ----------
        days_tdb : array_like
            Days of Barycentric Dynamical Time since 2000-01-01 12:00, when the light left.
        """
        days = np.asarray(days_tdb, dtype=float)
        centuries = days / DAYS_PER_CENTURY
        argument = np.radians(self.terms[:, 0] + self.terms[:, 1] * centuries[..., None])
        sine, cosine = np.sin(argument), np.cos(argument)
        ra = np.polynomial.polynomial.polyval(centuries, self.right_ascension) + sine @ self.terms[:, 2]
        dec = np.polynomial.polynomial.polyval(centuries, self.declination) + cosine @ self.terms[:, 3]
        wobble = sine @ self.terms[:, 4]
        spin = {
            system: (np.polynomial.polynomial.polyval(days, coefficients) + wobble) % 360.0
            for system, coefficients in self.rotation.items()
        }
        return ra % 360.0, dec, spin


def read_orientation(section: Section) -> Orientation:
    """Build an `Orientation` from the section of that name of a data file.

    Raises
    ------
    InputError
        If pole or rotation are missing or of another shape.
    """
    rotation = section["rotation"]
    if not isinstance(rotation, Mapping) or not rotation:
        raise InputError(f"{section.where}.rotation", rotation, "make it a section, with one list for each system")
    systems = {("" if system == "single" else system): _series(rotation, system, 2) for system in rotation}
    terms = np.atleast_2d(section.get("terms", np.zeros((0, 5))))
    if terms.shape[1:] != (5,):
        raise InputError(f"{section.where}.terms", terms.shape, "give rows of five numbers")
    return Orientation(
        right_ascension=_series(section, "right_ascension", 1),
        declination=_series(section, "declination", 1),
        rotation=MappingProxyType(systems),
        terms=terms,
    )


def _orientation(right_ascension: FloatArray, declination: FloatArray, rotation: Any, terms: FloatArray) -> Orientation:
    return Orientation(right_ascension, declination, MappingProxyType(rotation), terms)


def _series(section: Mapping[str, Any], key: str, least: int) -> FloatArray:
    value = section[key]
    values = np.atleast_1d(np.asarray(value))
    if values.dtype.kind != "f" or values.ndim != 1 or len(values) < least:
        raise InputError(f"orientation: {key}", value, "give a list of numbers: the value at J2000, then its rate")
    return values


def pole_and_meridian(body: Body, days_tdb: float) -> tuple[float, float, dict[str, float]]:
    """Return the north pole's (right ascension, declination) in ICRF and W by longitude system, deg.

    Parameters
    ----------
    body : Body
        Any but the star.
    days_tdb : float
        Days of Barycentric Dynamical Time since 2000-01-01 12:00, at the moment when the light left.

    Raises
    ------
    InputError
        For a body without a pole.
    """
    if body.orientation is None:
        raise InputError("body", body.name, "it must have a pole and a rotation")
    ra, dec, spin = body.orientation.at(days_tdb)
    return float(ra), float(dec), {system: float(angle) for system, angle in spin.items()}
