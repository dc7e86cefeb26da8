"""`Apparition`: everything that geometry knows of one body at one instant."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from simulate.bodies import Body, load_body
from simulate.errors import EclipseWarning, InputError, note
from simulate.geometry import earth
from simulate.geometry.clock import J2000, parse_time, tt_days, utc_text
from simulate.geometry.earth_shadow import EarthShadow, shadow_seen
from simulate.geometry.ephemeris import load_ephemeris
from simulate.geometry.look import Look, make_look
from simulate.geometry.moons import MoonState, moon_tracks
from simulate.geometry.shadow_light import UMBRA_DOUBT
from simulate.geometry.sight import look_at, make_observer
from simulate.geometry.site import Site, as_site
from simulate.geometry.table import moon_columns, sky_columns, tabulate
from simulate.geometry.vectors import angle_deg, from_angles

if TYPE_CHECKING:
    from simulate.geometry.clock import TimeLike
    from simulate.geometry.site import SiteLike

Vector = tuple[float, float, float]


@dataclass(frozen=True)
class Apparition:
    """A body as seen from a place at an instant.

    Angles in deg, position angles from celestial north of date through east; "sub-observer" is the
    point in the middle of the disc. Latitudes are planetographic unless the name says "centric".
    Longitudes count in the sense in which they grow with time on the central meridian: west for
    bodies that turn eastward, east for Venus and Uranus (and the Moon and the Sun, by their customs).

    Parameters
    ----------
    body : str
        Name.
    time_utc : str
        ISO 8601, to the millisecond, with "Z".
    jd_tt : float
        Julian date of Terrestrial Time.
    ephemeris : str
        "builtin" or "de440".
    site : Site or None
        None: from the Earth's centre.
    distance_au, sun_distance_au, light_time_s : float
        Observer to body (infinite for the star), Sun to body, and the light's way to the observer.
    equatorial_diameter_arcsec, polar_diameter_arcsec : float
        Apparent axes of the outline of the reference spheroid.
    phase_angle_deg, illuminated_fraction, elongation_deg : float
        Sun-body-observer; lit part of the disc; body-observer-Sun.
    north_pole_position_angle_deg, bright_limb_position_angle_deg : float
        Of the rotation axis' north end; of the middle of the bright limb.
    sub_observer_latitude_deg, sub_solar_latitude_deg : float
        Planetographic.
    sub_observer_latitude_centric_deg, sub_solar_latitude_centric_deg : float
        Planetocentric.
    central_meridian_deg, sub_solar_longitude_deg : mapping of str to float
        By longitude system; key "" for the only one. Without any correction for phase.
    ring_opening_deg, ring_opening_sun_deg : float or None
        Planetocentric latitude of observer and Sun above the rings' plane.
    magnitude : float
        V, globe and rings, above the air; for the Moon less what the Earth's shadow takes.
    right_ascension_deg, declination_deg : float
        Apparent place, true equator and equinox of date; topocentric with a site.
    heliocentric_ecliptic_longitude_deg : float
        Of the body, mean ecliptic and equinox of J2000; NaN for the Sun and the star.
    solar_longitude_deg : float
        Ls: 0 at the northern spring equinox, 90 at the northern summer solstice, from the pole and
        the body's own orbit (for the Moon that of the Earth); NaN for the Sun and the star.
    altitude_deg, azimuth_deg : float or None
        Airless; azimuth from north through east.
    apparent_altitude_deg : float or None
        With refraction (Saemundsson 1986; 10 deg C and the standard pressure of the site's height).
    airmass : float or None
        Kasten & Young (1989) at the apparent altitude; None below the horizon.
    parallactic_angle_deg : float or None
        Position angle of the zenith, -180..180: negative while rising.
    sun_altitude_deg, moon_altitude_deg, moon_separation_deg, moon_phase_angle_deg : float or None
        Airless altitudes; the Moon's distance from the body; Sun-Moon-observer.
    moon_sunlit_fraction : float
        V light left on the Moon, relative to outside the Earth's shadow.
    shadow : EarthShadow or None
        The Earth's shadow, for the Moon while some of it is inside.
    moons : tuple of MoonState
        Satellites, from the inside outwards.
    """

    body: str
    time_utc: str
    jd_tt: float
    ephemeris: str
    site: Site | None
    distance_au: float
    sun_distance_au: float
    light_time_s: float
    equatorial_diameter_arcsec: float
    polar_diameter_arcsec: float
    phase_angle_deg: float
    illuminated_fraction: float
    elongation_deg: float
    north_pole_position_angle_deg: float
    bright_limb_position_angle_deg: float
    sub_observer_latitude_deg: float
    sub_solar_latitude_deg: float
    sub_observer_latitude_centric_deg: float
    sub_solar_latitude_centric_deg: float
    central_meridian_deg: Mapping[str, float] = field(hash=False)
    sub_solar_longitude_deg: Mapping[str, float] = field(hash=False)
    magnitude: float
    right_ascension_deg: float
    declination_deg: float
    heliocentric_ecliptic_longitude_deg: float = math.nan
    solar_longitude_deg: float = math.nan
    ring_opening_deg: float | None = None
    ring_opening_sun_deg: float | None = None
    altitude_deg: float | None = None
    azimuth_deg: float | None = None
    apparent_altitude_deg: float | None = None
    airmass: float | None = None
    parallactic_angle_deg: float | None = None
    sun_altitude_deg: float | None = None
    moon_altitude_deg: float | None = None
    moon_separation_deg: float | None = None
    moon_phase_angle_deg: float | None = None
    moon_sunlit_fraction: float = 1.0
    shadow: EarthShadow | None = None
    moons: tuple[MoonState, ...] = ()

    @property
    def sun_direction(self) -> Vector:
        """Unit vector from the body to the Sun: (east, north, toward the observer)."""
        return _direction(self.bright_limb_position_angle_deg, 90.0 - self.phase_angle_deg)

    @property
    def pole_direction(self) -> Vector:
        """Unit vector of the body's north pole: (east, north, toward the observer)."""
        return _direction(self.north_pole_position_angle_deg, self.sub_observer_latitude_centric_deg)


def turned_offset(offset_arcsec: tuple[float, float], angle_deg: float) -> tuple[float, float]:
    """Return an offset (east, north) turned so that its position angle grows by `angle_deg`."""
    cosine, sine = math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg))
    east, north = offset_arcsec
    return east * cosine + north * sine, north * cosine - east * sine


def turned(seen: Apparition, angle_deg: float) -> Apparition:
    """Return an apparition with everything turned about its centre, position angles growing.

    For a field that turns against the sky, as on an altazimuth mount; place and altitude stay.

    Parameters
    ----------
    seen : Apparition
        Upright.
    angle_deg : float
        What is added to every position angle, deg.
    """

    def turn(east: float, north: float) -> tuple[float, float]:
        return turned_offset((east, north), angle_deg)

    def turn_vector(vector: Vector) -> Vector:
        return (*turn(*vector[:2]), vector[2])

    def turn_moon(moon: MoonState) -> MoonState:
        east, north = turn(moon.east_arcsec, moon.north_arcsec)
        shadow: tuple[float | None, float | None] = (None, None)
        if moon.shadow_east_arcsec is not None and moon.shadow_north_arcsec is not None:
            shadow = turn(moon.shadow_east_arcsec, moon.shadow_north_arcsec)
        return replace(
            moon,
            east_arcsec=east,
            north_arcsec=north,
            position_km=turn_vector(moon.position_km),
            shadow_position_km=turn_vector(moon.shadow_position_km),
            shadow_east_arcsec=shadow[0],
            shadow_north_arcsec=shadow[1],
        )

    def turn_shadow(shadow: EarthShadow) -> EarthShadow:
        east, north = turn(shadow.east_arcsec, shadow.north_arcsec)
        earth, sun = turn_vector(shadow.earth_km), turn_vector(shadow.sun_km)
        return replace(shadow, earth_km=earth, sun_km=sun, east_arcsec=east, north_arcsec=north)

    return replace(
        seen,
        shadow=None if seen.shadow is None else turn_shadow(seen.shadow),
        north_pole_position_angle_deg=(seen.north_pole_position_angle_deg + angle_deg) % 360.0,
        bright_limb_position_angle_deg=(seen.bright_limb_position_angle_deg + angle_deg) % 360.0,
        moons=tuple(turn_moon(moon) for moon in seen.moons),
    )


def _direction(position_angle_deg: float, towards_deg: float) -> Vector:
    across = math.cos(math.radians(towards_deg))
    angle = math.radians(position_angle_deg)
    return (across * math.sin(angle), across * math.cos(angle), math.sin(math.radians(towards_deg)))


def apparition(
    body: str | Body,
    time: TimeLike,
    site: SiteLike | None = None,
    *,
    ephemeris: str = "builtin",
    position: tuple[float, float] | None = None,
) -> Apparition:
    """Return everything that geometry knows of `body` at `time` from `site`.

    Parameters
    ----------
    body : str or Body
        Any: a planet, a satellite, the Moon, the Sun, the star, or a body of your own.
    time : str, datetime or Time
        ISO 8601 text, UTC unless it has an offset; years 1900-2099.
    site : Site, EarthLocation, text or tuple, optional
        Default: from the Earth's centre, as if the body stood in the zenith.
    ephemeris : str
        "builtin" or "de440".
    position : tuple of float, optional
        Apparent right ascension and declination of date in deg, for "star" only. Without it the
        star stands in the zenith of the site, or at (0, 0) without a site.

    Raises
    ------
    InputError
        For an unknown body, or a time or site that cannot be used.

    Warns
    -----
    EphemerisWarning
        With a site, where the Earth's turn is not tabulated; for Saturn outside 1999-2039, where its
        moons are left out.
    RangeWarning
        Where the magnitude's formula is used outside its range.
    EclipseWarning
        For the Moon in the Earth's umbra.
    """
    known = body if isinstance(body, Body) else load_body(body)
    days = np.atleast_1d(tt_days(parse_time(time)))
    place = None if site is None else as_site(site)
    if known.kind == "star":
        if not known.is_point:
            raise InputError("body", known.name, "a star has no radius")
        return _star(known, days, place, ephemeris, position)
    if position is not None:
        raise InputError("position", position, "only the star has one of its own")
    seen = _row(make_look(known, days, place, ephemeris))
    if seen.shadow is not None and seen.shadow.umbral_magnitude > 0.0:
        told = (
            f"light in the Earth's umbra is uncertain by a factor of {UMBRA_DOUBT:.0f} either way, and far lower after "
            "a great eruption: clouds and dust along the Earth's edge decide it"
        )
        note(told, EclipseWarning, stacklevel=2)
    return seen


def _row(look: Look) -> Apparition:
    table = tabulate(look)
    return Apparition(
        body=table.body,
        time_utc=utc_text(table.days_tt[0]),
        jd_tt=J2000 + float(table.days_tt[0]),
        ephemeris=table.ephemeris,
        site=table.site,
        central_meridian_deg=_first(table.central_meridian_deg),
        sub_solar_longitude_deg=_first(table.sub_solar_longitude_deg),
        shadow=shadow_seen(look) if look.body.kind == "moon" else None,
        moons=tuple(track.row(0) for track in moon_tracks(look)),
        **_numbers(table.columns),
    )


def _numbers(columns: Mapping[str, Any]) -> dict[str, Any]:
    numbers: dict[str, Any] = {name: float(column[0]) for name, column in columns.items()}
    if "airmass" in numbers and math.isnan(numbers["airmass"]):
        numbers["airmass"] = None
    return numbers


def _first(by_system: Mapping[str, Any]) -> dict[str, float]:
    return {system: float(values[0]) for system, values in by_system.items()}


def _star(body: Body, days: Any, site: Site | None, ephemeris: str, position: tuple[float, float] | None) -> Apparition:
    """Return the point of magnitude 0 that shows the bare response: no disc, no phase, no motion."""
    observer = make_observer(days, site, load_ephemeris(ephemeris))
    direction = np.array([[1.0, 0.0, 0.0]])
    if position is not None:
        direction = from_angles(*position)[None, :]
    elif site is not None:
        direction = earth.zenith_of(site, observer.axes)
    ra, dec = earth.equatorial(direction)
    columns = moon_columns(observer, direction)
    if site is not None:
        columns |= sky_columns(site, observer, direction)
    sun = observer.axes.to_date(look_at(load_body("sun"), observer).apparent)
    return Apparition(
        body=body.name,
        time_utc=utc_text(days[0]),
        jd_tt=J2000 + float(days[0]),
        ephemeris=ephemeris,
        site=site,
        distance_au=math.inf,
        sun_distance_au=math.inf,
        light_time_s=math.inf,
        equatorial_diameter_arcsec=0.0,
        polar_diameter_arcsec=0.0,
        phase_angle_deg=0.0,
        illuminated_fraction=1.0,
        elongation_deg=float(angle_deg(direction, sun)[0]),
        north_pole_position_angle_deg=0.0,
        bright_limb_position_angle_deg=0.0,
        sub_observer_latitude_deg=0.0,
        sub_solar_latitude_deg=0.0,
        sub_observer_latitude_centric_deg=0.0,
        sub_solar_latitude_centric_deg=0.0,
        central_meridian_deg={},
        sub_solar_longitude_deg={},
        magnitude=0.0,
        right_ascension_deg=float(ra[0]),
        declination_deg=float(dec[0]),
        **_numbers(columns),
    )
