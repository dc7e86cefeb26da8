"""The observer on the turning Earth: axes of date, the site's place, altitude and azimuth.

Axes of date: precession-nutation IAU 2000B (within 1 mas of the full model), sidereal time IAU 2006,
both from ERFA. Polar motion (0.5 arcsec) and the aberration by the Earth's turn (0.3 arcsec) are left
out; the ellipsoid is WGS84.
"""

from __future__ import annotations

from dataclasses import dataclass

import erfa
import numpy as np
import numpy.typing as npt

from simulate.geometry.clock import DAY_S, J2000, delta_t_s
from simulate.geometry.site import Site
from simulate.geometry.vectors import FloatArray, cross, dot, from_angles, latitude_deg, longitude_deg, turn_z
from simulate.values.constants import ASTRONOMICAL_UNIT_KM

_WGS84 = 1
_METRES_PER_AU = ASTRONOMICAL_UNIT_KM * 1000.0


@dataclass(frozen=True, eq=False)
class Axes:
    """Axes of date and the Earth's turn at some instants.

    Parameters
    ----------
    of_date : array, shape (n, 3, 3)
        Takes ICRF vectors to the true equator and equinox of date.
    sidereal_rad : array, shape (n,) or None
        Greenwich apparent sidereal time; None where no site asks for it.
    """

    of_date: FloatArray
    sidereal_rad: FloatArray | None

    def to_date(self, vectors: FloatArray) -> FloatArray:
        """Return ICRF vectors, shape (n, 3), in axes of date."""
        return np.einsum("nij,nj->ni", self.of_date, vectors)

    def to_icrf(self, vectors: FloatArray) -> FloatArray:
        """Return vectors of date, shape (n, 3), in ICRF axes."""
        return np.einsum("nji,nj->ni", self.of_date, vectors)

    @property
    def pole(self) -> FloatArray:
        """The celestial pole of date in ICRF axes, shape (n, 3)."""
        return self.of_date[:, 2, :]

    @property
    def turn(self) -> FloatArray:
        """Greenwich apparent sidereal time, rad, shape (n,)."""
        if self.sidereal_rad is None:
            raise ValueError("these axes were made without the Earth's turn")
        return self.sidereal_rad


def make_axes(days_tt: FloatArray, *, turning: bool) -> Axes:
    """Return the axes at TT days since J2000, shape (n,); with the Earth's turn if `turning`."""
    of_date = erfa.pnm00b(J2000, days_tt)
    if not turning:
        return Axes(of_date, None)
    days_ut1 = days_tt - delta_t_s(days_tt) / DAY_S
    return Axes(of_date, erfa.gst06(J2000, days_ut1, J2000, days_tt, of_date))


def site_place(site: Site, axes: Axes) -> FloatArray:
    """Return the site relative to the Earth's centre in ICRF axes, au, shape (n, 3)."""
    fixed = erfa.gd2gc(_WGS84, np.radians(site.longitude_deg), np.radians(site.latitude_deg), site.height_m)
    return axes.to_icrf(turn_z(fixed[None, :] / _METRES_PER_AU, axes.turn))


def zenith_of(site: Site, axes: Axes) -> FloatArray:
    """Return the site's zenith in axes of date, unit vectors, shape (n, 3)."""
    return turn_z(from_angles(site.longitude_deg, site.latitude_deg)[None, :], axes.turn)


@dataclass(frozen=True, eq=False)
class Horizontal:
    """Where a direction stands in the sky of a site; arrays of shape (n,), deg.

    Parameters
    ----------
    altitude_deg, azimuth_deg : array
        Airless; azimuth from north through east.
    parallactic_angle_deg : array
        Position angle of the zenith, from celestial north through east, -180..180: negative east of
        the meridian.
    """

    altitude_deg: FloatArray
    azimuth_deg: FloatArray
    parallactic_angle_deg: FloatArray


def horizontal(site: Site, axes: Axes, direction_of_date: FloatArray) -> Horizontal:
    """Return altitude, azimuth and parallactic angle of unit vectors of date, shape (n, 3)."""
    zenith = zenith_of(site, axes)
    east = np.stack([-zenith[:, 1], zenith[:, 0], np.zeros(len(zenith))], axis=-1)
    flat = np.hypot(east[:, 0], east[:, 1])[:, None]
    # at a pole of the Earth every direction is south (north): the meridian of the longitude decides
    east = np.where(flat > 1e-12, east / np.where(flat > 1e-12, flat, 1.0), [[0.0, 1.0, 0.0]])
    north = cross(zenith, east)
    up, e, n = (dot(direction_of_date, axis) for axis in (zenith, east, north))
    azimuth = np.degrees(np.arctan2(e, n)) % 360.0
    altitude = np.degrees(np.arctan2(up, np.hypot(e, n)))
    return Horizontal(altitude, azimuth, position_angle_deg(direction_of_date, zenith))


def position_angle_deg(at: FloatArray, towards: FloatArray) -> FloatArray:
    """Return the angle at `at` from north through east to `towards`, -180..180 deg.

    Unit vectors in axes whose z points to the celestial pole, shape (n, 3).
    """
    east = np.stack([-at[..., 1], at[..., 0], np.zeros(at.shape[:-1])], axis=-1)
    north = cross(at, east)
    return np.degrees(np.arctan2(dot(towards, east), dot(towards, north)))


def equatorial(direction_of_date: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return right ascension (0..360) and declination of vectors of date, deg."""
    return longitude_deg(direction_of_date), latitude_deg(direction_of_date)


def refraction_deg(altitude_deg: npt.ArrayLike, height_m: float = 0.0) -> FloatArray:
    """Return how much air lifts a body, deg, for an airless altitude in deg of any shape.

    Saemundsson (1986, Sky & Telescope 72, 70; Meeus 1998, eq. 16.4), for 10 deg C and the pressure of
    the standard atmosphere at the site's height; the formula's value at -1 deg is kept below it.
    """
    h = np.maximum(np.asarray(altitude_deg, dtype=float), -1.0)
    pressure_hpa = 1013.25 * (1.0 - 2.25577e-5 * height_m) ** 5.25588
    arcmin = 1.02 / np.tan(np.radians(h + 10.3 / (h + 5.11)))
    return np.maximum(arcmin, 0.0) * (pressure_hpa / 1010.0) / 60.0


def airmass(apparent_altitude_deg: npt.ArrayLike) -> FloatArray:
    """Return the airmass at a refracted altitude in deg, NaN below the horizon, any shape.

    Kasten & Young (1989, Appl. Opt. 28, 4735).
    """
    h = np.asarray(apparent_altitude_deg, dtype=float)
    above = np.maximum(h, 0.0)
    value = 1.0 / (np.sin(np.radians(above)) + 0.50572 * (above + 6.07995) ** -1.6364)
    return np.where(h >= 0.0, value, np.nan)
