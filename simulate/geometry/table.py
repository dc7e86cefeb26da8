"""Everything scalar that geometry knows of one body, for many instants at once."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING

import numpy as np

from simulate.bodies import Body, load_body
from simulate.bodies.photometry import visual_magnitude
from simulate.errors import InputError, RangeWarning, kept_warnings, note
from simulate.geometry import earth
from simulate.geometry.clock import DAYS_PER_YEAR, days_of, utc_text, warn_outside_table
from simulate.geometry.earth_shadow import shadow_track
from simulate.geometry.ellipse import OBLIQUITY_J2000_RAD
from simulate.geometry.look import BySystem, Look, make_look
from simulate.geometry.sight import Observer, look_at
from simulate.geometry.site import Site, as_site
from simulate.geometry.vectors import FloatArray, angle_deg, cross, dot, length, longitude_deg, unit
from simulate.values.arrays import frozen_array
from simulate.values.constants import ARCSEC_PER_RADIAN, ASTRONOMICAL_UNIT_KM, LIGHT_TIME_PER_AU_S

if TYPE_CHECKING:
    from simulate.geometry.clock import TimesLike
    from simulate.geometry.site import SiteLike

Columns = dict[str, FloatArray]


@dataclass(frozen=True, eq=False)
class ApparitionTable:
    """Apparitions of one body at n instants.

    ``table["altitude_deg"]`` is a read-only array of shape (n,); the names, units and meanings are
    those of the fields of `Apparition`. Where that has None (no rings, no site) the column is missing.

    Parameters
    ----------
    body : str
        Name.
    days_tt : array, shape (n,)
        TT days since 2000-01-01 12:00.
    ephemeris : str
        "builtin" or "de440".
    site : Site or None
        None: from the Earth's centre.
    columns : mapping of str to array, shape (n,)
        The numbers.
    central_meridian_deg, sub_solar_longitude_deg : mapping of str to array, shape (n,)
        By longitude system.
    """

    body: str
    days_tt: FloatArray
    ephemeris: str
    site: Site | None
    columns: Mapping[str, FloatArray]
    central_meridian_deg: BySystem
    sub_solar_longitude_deg: BySystem

    def __getitem__(self, name: str) -> FloatArray:
        try:
            return self.columns[name]
        except KeyError as error:
            raise InputError("column", name, f"use one of {', '.join(self.columns)}") from error

    def __len__(self) -> int:
        return len(self.days_tt)

    @property
    def times_utc(self) -> tuple[str, ...]:
        """The instants as ISO 8601 text in UTC, to the millisecond."""
        return tuple(utc_text(day) for day in self.days_tt)


def apparition_table(
    body: str | Body, times: TimesLike, site: SiteLike | None = None, *, ephemeris: str = "builtin"
) -> ApparitionTable:
    """Return the apparitions of a body at many instants.

    Parameters
    ----------
    body : str or Body
        Anything but the star.
    times : Time array or iterable of str, datetime or Time
        Instants of the years 1900-2099.
    site : Site, EarthLocation, text or tuple, optional
        Default: from the Earth's centre.
    ephemeris : str
        "builtin" or "de440".

    Raises
    ------
    InputError
        For an unknown body or the star, and for instants or sites out of range.
    """
    place = None if site is None else as_site(site)
    return tabulate(make_look(body if isinstance(body, Body) else load_body(body), days_of(times), place, ephemeris))


def tabulate(look: Look) -> ApparitionTable:
    """Return the numbers that follow from a look."""
    observer, site, body = look.observer, look.observer.site, look.body
    columns: Columns = {}
    for part in _PARTS:
        part(look, columns)
    direction = observer.axes.to_date(look.sight.apparent)
    columns |= moon_columns(observer, direction)
    if site is not None:
        warn_outside_table(observer.days)
        columns |= sky_columns(site, observer, direction)
    columns["magnitude"] = _magnitudes(look, columns)
    if body.kind == "moon":
        columns["magnitude"] -= 2.5 * np.log10(columns["moon_sunlit_fraction"])
    return ApparitionTable(
        body=body.name,
        days_tt=frozen_array(observer.days),
        ephemeris=observer.ephemeris.name,
        site=site,
        columns=MappingProxyType({name: frozen_array(column) for name, column in columns.items()}),
        central_meridian_deg=look.longitudes(-look.sight.line),
        sub_solar_longitude_deg=look.longitudes(look.towards_sun),
    )


def _add_size(look: Look, columns: Columns) -> None:
    sight, body = look.sight, look.body
    distance_km = sight.distance_au * ASTRONOMICAL_UNIT_KM
    tilt = np.radians(look.centric_latitude_deg(-sight.line))
    # outline of a spheroid seen under the latitude B: half minor axis sqrt(a^2 sin^2 B + b^2 cos^2 B)
    minor_km = np.hypot(body.equatorial_radius_km * np.sin(tilt), body.polar_radius_km * np.cos(tilt))
    columns["distance_au"] = sight.distance_au
    columns["sun_distance_au"] = length(sight.sun)
    columns["light_time_s"] = sight.distance_au * LIGHT_TIME_PER_AU_S
    columns["equatorial_diameter_arcsec"] = 2 * ARCSEC_PER_RADIAN * np.arcsin(body.equatorial_radius_km / distance_km)
    columns["polar_diameter_arcsec"] = 2 * ARCSEC_PER_RADIAN * np.arcsin(minor_km / distance_km)


def _add_phase(look: Look, columns: Columns) -> None:
    phase = angle_deg(-look.sight.line, look.towards_sun)
    columns["phase_angle_deg"] = phase
    columns["illuminated_fraction"] = 0.5 * (1.0 + np.cos(np.radians(phase)))
    columns["elongation_deg"] = angle_deg(look.sight.line, look_at(load_body("sun"), look.observer).line)


def _add_angles(look: Look, columns: Columns) -> None:
    pole, sun = look.sky.resolve(look.pole), look.sky.resolve(look.towards_sun)
    columns["north_pole_position_angle_deg"] = np.degrees(np.arctan2(pole[:, 0], pole[:, 1])) % 360.0
    columns["bright_limb_position_angle_deg"] = np.degrees(np.arctan2(sun[:, 0], sun[:, 1])) % 360.0
    observer_lat, sun_lat = look.centric_latitude_deg(-look.sight.line), look.centric_latitude_deg(look.towards_sun)
    columns["sub_observer_latitude_centric_deg"] = observer_lat
    columns["sub_solar_latitude_centric_deg"] = sun_lat
    columns["sub_observer_latitude_deg"] = look.graphic_latitude_deg(observer_lat)
    columns["sub_solar_latitude_deg"] = look.graphic_latitude_deg(sun_lat)
    if look.body.rings:
        columns["ring_opening_deg"] = observer_lat
        columns["ring_opening_sun_deg"] = sun_lat


def _add_place(look: Look, columns: Columns) -> None:
    of_date = look.observer.axes.to_date(look.sight.apparent)
    columns["right_ascension_deg"], columns["declination_deg"] = earth.equatorial(of_date)


def _add_season(look: Look, columns: Columns) -> None:
    """Add the heliocentric longitude and Ls, the longitude of the Sun from the northern spring equinox."""
    if look.body.self_luminous:
        return
    from_sun = -look.sight.sun
    cosine, sine = np.cos(OBLIQUITY_J2000_RAD), np.sin(OBLIQUITY_J2000_RAD)
    ecliptic = np.stack([from_sun[:, 0], cosine * from_sun[:, 1] + sine * from_sun[:, 2]], axis=-1)
    columns["heliocentric_ecliptic_longitude_deg"] = longitude_deg(ecliptic)
    near = look.observer.near
    carrier, speed = (from_sun, look.sight.velocity - look.sight.sun_velocity)
    if look.body.parent is not None:  # and that of a satellite its planet's
        planet = look_at(look.body.parent, look.observer)
        carrier, speed = -planet.sun, planet.velocity - planet.sun_velocity
    if look.body.kind == "moon":  # the year of the Moon is that of the Earth
        carrier, speed = near.earth - near.sun, near.earth_velocity - near.sun_velocity
    orbit_pole = unit(cross(carrier, speed))
    equinox = unit(cross(look.pole, orbit_pole))
    ahead = cross(orbit_pole, equinox)
    columns["solar_longitude_deg"] = np.degrees(np.arctan2(dot(-from_sun, ahead), dot(-from_sun, equinox))) % 360.0


_PARTS: tuple[Callable[[Look, Columns], None], ...] = (_add_size, _add_phase, _add_angles, _add_place, _add_season)


def sky_columns(site: Site, observer: Observer, direction: FloatArray) -> Columns:
    """Return where unit vectors of date, shape (n, 3), stand at a site, and the altitudes of Sun and Moon."""
    here = earth.horizontal(site, observer.axes, direction)
    lifted = here.altitude_deg + earth.refraction_deg(here.altitude_deg, site.height_m)
    columns = {
        "altitude_deg": here.altitude_deg,
        "azimuth_deg": here.azimuth_deg,
        "apparent_altitude_deg": lifted,
        "airmass": earth.airmass(lifted),
        "parallactic_angle_deg": here.parallactic_angle_deg,
    }
    for name in ("sun", "moon"):
        of_date = observer.axes.to_date(look_at(load_body(name), observer).apparent)
        columns[f"{name}_altitude_deg"] = earth.horizontal(site, observer.axes, of_date).altitude_deg
    return columns


def moon_columns(observer: Observer, direction: FloatArray) -> Columns:
    """Return the Moon's distance from unit vectors of date, shape (n, 3), its phase angle and the light left on it."""
    moon = look_at(load_body("moon"), observer)
    return {
        "moon_separation_deg": angle_deg(direction, observer.axes.to_date(moon.apparent)),
        "moon_phase_angle_deg": angle_deg(-moon.line, moon.sun),
        "moon_sunlit_fraction": shadow_track(observer, moon).sunlit_fraction(),
    }


def _magnitudes(look: Look, columns: Columns) -> FloatArray:
    observer_lon, sun_lon = look.longitude_west_deg(-look.sight.line), look.longitude_west_deg(look.towards_sun)

    def one(i: int) -> float:
        row = {name: float(column[i]) for name, column in columns.items()}
        return visual_magnitude(
            look.body,
            row["phase_angle_deg"],
            row["distance_au"],
            row["sun_distance_au"],
            ring_opening_deg=row.get("ring_opening_deg"),
            ring_opening_sun_deg=row.get("ring_opening_sun_deg"),
            sub_observer_longitude_west_deg=float(observer_lon[i]),
            sub_solar_longitude_west_deg=float(sun_lon[i]),
            solar_ecliptic_longitude_deg=row.get("heliocentric_ecliptic_longitude_deg"),
            sub_observer_latitude_graphic_deg=row["sub_observer_latitude_deg"],
            sub_solar_latitude_graphic_deg=row["sub_solar_latitude_deg"],
            year=2000.0 + look.observer.days[i] / DAYS_PER_YEAR,
        )

    count = len(look.observer.days)
    if count == 1:
        return np.array([one(0)])
    with kept_warnings() as texts:
        result = np.array([one(i) for i in range(count)])
    if texts:  # thousands of rows say it once
        note(texts[0], RangeWarning, stacklevel=2)
    return result
