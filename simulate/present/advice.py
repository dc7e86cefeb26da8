"""Sentences that answer what people ask before buying: enlarging, the mount, a bright sky, what the Moon shows."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from simulate.bodies import pole_and_meridian
from simulate.bodies.seasons import cap_edge_deg
from simulate.bodies.surface import red_spot_longitude
from simulate.camera.motion import HIGHEST_FOLLOWED_DEG, field_rotation_deg_per_h
from simulate.geometry.clock import J2000
from simulate.present.place import mounted_view
from simulate.stack.expected import STRICT_SMEAR
from simulate.values.constants import ARCSEC_PER_RADIAN, ASTRONOMICAL_UNIT_KM, FWHM_PER_SIGMA
from simulate.values.resolution import finest_arcsec

if TYPE_CHECKING:
    from simulate.bodies import Body
    from simulate.geometry import Apparition, MoonState
    from simulate.results.view import OpticsFacts, Placement

EYE_ARCSEC = 240.0
"""Period that an eye sees at ease: four times the arc minute that it can just tell (common practice). It
makes twice the aperture in mm the highest useful magnification."""

SPOT_NEAR_EDGE_DEG, SPOT_GONE_DEG = 60.0, 80.0
"""So far from the middle of the disc the red spot is near its edge, and is called not on it (common practice)."""

CITY_MAG = 18.0
"""V magnitude of a square arcsecond of the sky over a city (common practice)."""


def enlarging_text(aperture_mm: float, pixel_arcsec: float) -> str:
    """Return up to where enlarging shows more.

    Two pixels show a period (Shannon 1949); nothing finer than lambda/D is in the picture.

    Parameters
    ----------
    aperture_mm : float
        Of the telescope.
    pixel_arcsec : float
        Side of a camera pixel on the sky.
    """
    finest = finest_arcsec(aperture_mm)
    factor = 2.0 * pixel_arcsec / finest
    beyond = "the camera's pixels" if factor <= 1.05 else f"the camera's pixels beyond {factor:.1f}×"
    return (
        f"enlarging {beyond} shows no new detail, nor does more than {EYE_ARCSEC / finest:.0f}× at an eyepiece: "
        f"the aperture passes nothing finer than {finest:.2f}″"
    )


def altazimuth_turn_deg(seen: Apparition, seconds: float) -> float | None:
    """Return by how much the field turns on an altazimuth mount, deg; None without a site."""
    if seen.site is None or seen.altitude_deg is None:
        return None
    altitude = min(seen.altitude_deg, HIGHEST_FOLLOWED_DEG)
    return abs(field_rotation_deg_per_h(seen.site.latitude_deg, seen.azimuth_deg or 0.0, altitude)) * seconds / 3600.0


def mount_text(seen: Apparition, seconds: float, sharp_arcsec: float) -> str | None:
    """Return whether a recording needs an equatorial mount; None without a site or for a point.

    Parameters
    ----------
    seen : Apparition
        Gives the site, the direction, the size and the moons.
    seconds : float
        Length of the recording.
    sharp_arcsec : float
        Delivered width.
    """
    turn = altazimuth_turn_deg(seen, seconds)
    if turn is None or seen.equatorial_diameter_arcsec <= 0:
        return None
    limit = STRICT_SMEAR * sharp_arcsec
    limb = math.radians(turn) * seen.equatorial_diameter_arcsec / 2
    told = f"an altazimuth mount turns the field by {turn:.2f}° in that time: {limb:.2f}″ at the limb"
    away = 0.0
    clear = [moon for moon in seen.moons if moon.state == "clear"]
    if clear:
        far = max(clear, key=_distance)
        away = math.radians(turn) * _distance(far)
        told += f", {away:.2f}″ at {far.name.capitalize()}"
    if limb > limit:
        return f"{told}; use an equatorial one, or turn the frames back"
    if away > limit:
        return f"{told}; the planet needs no equatorial one, the moons do or a shorter clip"
    return f"{told}; no equatorial one is needed"


def _distance(moon: MoonState) -> float:
    return math.hypot(moon.east_arcsec, moon.north_arcsec)


def sky_text(seen: Apparition, optics: OpticsFacts, given_mag: float | None = None) -> str | None:
    """Return how bright the sky at the target is and what it does; None without a site.

    At night what a city's sky would do is told too, unless the sky is as bright as that.

    Parameters
    ----------
    seen : Apparition
        Gives magnitudes, sizes and where Sun and Moon stand.
    optics : OpticsFacts
        Gives the sky's light as the picture has it.
    given_mag : float, optional
        The brightness of the moonless night that was asked for.
    """
    mag, share = optics.sky_mag_arcsec2, optics.sky_share
    if seen.site is None or mag is None:
        return None
    told = f"V {mag:.1f} a square arcsecond {_lit_by(seen, given_mag)}"
    if share is not None:
        told += f": {_effect_text(share)}"
    if mag <= CITY_MAG + 0.5 or share is None:
        return told
    beside = _faintest(seen, optics)
    share *= 10 ** (0.4 * (mag - CITY_MAG))
    told += f"; a city's, {CITY_MAG:g}, would be {_share_text(share)}"
    if beside is not None:
        told += f", beside {beside[0]} {_share_text(beside[1])}"
    return told + (": it would matter" if share >= 0.01 else "")


def _lit_by(seen: Apparition, given_mag: float | None) -> str:
    """Return what lights the sky, in words with the uncertainty."""
    sun = -90.0 if seen.sun_altitude_deg is None else seen.sun_altitude_deg
    if sun > 0:
        return "by day (± 1)"
    if sun > -15.0:
        return "in twilight (± 1)"
    if (seen.moon_separation_deg or 1.0) < 0.01:  # the Moon itself
        return "beside the Moon (± 0.5)"
    if seen.moon_altitude_deg is not None and seen.moon_altitude_deg > 0 and (seen.moon_phase_angle_deg or 0) < 120:
        return "in moonlight (± 0.5)"
    return "in a dark night (± 0.5)" if given_mag is None else f"in a night of {given_mag:g} at the zenith"


def _effect_text(share: float) -> str:
    """Return what a sky of that share of the disc's light does."""
    if share < 0.01:
        return f"{_share_text(share)} of the disc's light, it does not matter"
    contrast = f"{100 / (1 + share):.0f} % of the contrast on the disc is left"
    if share < 1.0:
        return f"{_share_text(share)} of the disc's light, {contrast}"
    return f"{share:.1f} times the disc's light, {contrast}"


def _faintest(seen: Apparition, optics: OpticsFacts) -> tuple[str, float] | None:
    """Return the faintest moon that stands clear, and a city's sky over it relative to its light."""
    clear = [moon for moon in seen.moons if moon.state == "clear"]
    if not clear:
        return None
    moon = max(clear, key=lambda moon: moon.magnitude)
    spread = math.pi / 4 * (optics.delivered_fwhm_arcsec**2 + (2 * moon.radius_arcsec) ** 2)
    return moon.name.capitalize(), 10 ** (-0.4 * (CITY_MAG - moon.magnitude)) * spread


def _share_text(share: float) -> str:
    if share >= 0.01:
        return f"{100 * share:.0f} %"
    return f"1 part in {float(f'{1 / max(share, 1e-12):.1g}'):,.0f}".replace(",", "\u202f")


def dispersion_text(optics: OpticsFacts) -> str | None:
    """Return how far the air spreads the colours, and by how much the channels must be shifted; None without a site."""
    if optics.dispersion_arcsec is None:
        return None
    spread, pixel = abs(optics.dispersion_arcsec), optics.pixel_scale_arcsec
    told = f"{spread:.2f}″ ± 5 % from 400 to 700 nm: {spread / pixel:.1f} pixels"
    if optics.blue_red_arcsec is None:
        return told
    apart = optics.blue_red_arcsec
    return f"{told}; shift red against blue by {abs(apart):.2f}″, {abs(apart) / pixel:.1f} pixels, to align them"


def corrector_text(spread_arcsec: float, channels: int, frame_arcsec: float) -> str:
    """Return whether a corrector of dispersion would gain.

    Within a channel the air spreads a point evenly over the channel's share of the visible spectrum; the
    variance of that line, a twelfth of its square, adds to the frame's.

    Parameters
    ----------
    spread_arcsec : float
        From 400 to 700 nm.
    channels : int
        Colour channels of the camera, which share the spectrum.
    frame_arcsec : float
        Width at half maximum of one frame, the spread in it.
    """
    own = FWHM_PER_SIGMA * spread_arcsec / channels / math.sqrt(12.0)
    wider = frame_arcsec / math.sqrt(max(frame_arcsec**2 - own**2, 0.25 * frame_arcsec**2)) - 1
    if wider < 0.05:
        return f"a corrector would sharpen a channel by {100 * wider:.0f} %: not needed once the colours are shifted"
    return f"a corrector would sharpen a channel by {100 * wider:.0f} %"


def on_the_moon_text(seen: Apparition, sharp_arcsec: float) -> str:
    """Return how small a detail of the Moon shows, and why none is judged by name."""
    size_km = sharp_arcsec / ARCSEC_PER_RADIAN * seen.distance_au * ASTRONOMICAL_UNIT_KM
    return (
        f"the delivered width is {size_km:.1f} km there; no crater is judged by name, since it shows or not by the "
        "height of the Sun over it"
    )


CAP_SEASONS = ("spring", "summer", "autumn", "winter")


def season_text(body: Body, seen: Apparition) -> str | None:
    """Return the season of a body with polar caps, and how far its caps reach; None without any.

    Parameters
    ----------
    body : Body
        Its data file tells how the edge of each cap follows the season.
    seen : Apparition
        Gives Ls, the planetocentric longitude of the Sun, and the latitude in the middle.
    """
    caps = [feature for feature in body.features if feature.get("kind") == "cap"]
    if not caps:
        return None
    season = seen.solar_longitude_deg % 360.0
    told = f"Ls {season:.0f}°: {CAP_SEASONS[int(season // 90.0)]} in the north"
    for cap in caps:
        edge = cap_edge_deg(cap["edge"], season)
        side = math.copysign(1.0, edge)
        hidden = abs(edge) >= 90.0 + side * seen.sub_observer_latitude_deg
        told += f"; {cap['name']} to {abs(edge):.0f}° {'N' if side > 0 else 'S'}"
        told += f", {2 * (90 - abs(edge)):.0f}° across" + (", turned away" if hidden else "")
    return told


def red_spot_text(body: Body, seen: Apparition, given_deg: float | None = None) -> str | None:
    """Return whether the red spot is on the disc, and when it stands in the middle; None for another body.

    Parameters
    ----------
    body : Body
        Jupiter, that is.
    seen : Apparition
        Gives the meridian of System II.
    given_deg : float, optional
        System II longitude of the spot; default carried on from older positions.
    """
    found = red_spot_longitude(body, seen.jd_tt)
    system = body.longitude_system
    if found is None or system not in seen.central_meridian_deg:
        return None
    longitude, doubt = (given_deg, 0.0) if given_deg is not None else found
    days = seen.jd_tt - J2000
    one, two = (pole_and_meridian(body, days + shift)[2][system] for shift in (0.0, 1e-3))
    hours_per_deg = 0.024 / math.remainder(two - one, 360.0)
    ahead = (longitude - seen.central_meridian_deg[system]) % 360.0
    away = math.remainder(ahead, 360.0)
    spread = f" ± {doubt * hours_per_deg:.1f}" if doubt * hours_per_deg >= 0.05 else ""
    hours = abs(away) * hours_per_deg
    if abs(away) < SPOT_GONE_DEG:
        when = f"in the middle in {hours:.1f}{spread} h" if away > 0 else f"in the middle {hours:.1f}{spread} h ago"
        place = "on the disc" if abs(away) < SPOT_NEAR_EDGE_DEG else "near the edge of the disc"
        return f"{place}, {abs(away):.0f}° from the middle: {when}"
    return f"not on the disc; in the middle in {ahead * hours_per_deg:.1f}{spread} h"


def camera_text(placement: Placement) -> str:
    """Return how a camera's picture is turned and whether it is mirrored.

    Parameters
    ----------
    placement : Placement
        Of the camera's pixels.
    """
    up, mirrored = mounted_view(placement)
    told = f"up in its picture is position angle {up % 360.0:.0f}°"
    if mirrored:
        return f"{told}; mirrored: with north up, east is right"
    return f"{told}; not mirrored: with north up, east is left"


def moons_text(seen: Apparition, title: str) -> str | None:
    """Return the order of a planet's moons along its equator, from its east to its west; None without any.

    Parameters
    ----------
    seen : Apparition
        Gives the moons.
    title : str
        Name of the planet.
    """
    if not seen.moons:
        return None
    angle = math.radians(seen.north_pole_position_angle_deg)
    sine, cosine = math.sin(angle), math.cos(angle)
    places = [(moon.east_arcsec * cosine - moon.north_arcsec * sine, moon) for moon in seen.moons]
    row = [(0.0, title)] + [(east, moon.name.capitalize()) for east, moon in places if moon.state == "clear"]
    told = "east to west: " + ", ".join(name for _, name in sorted(row, reverse=True))
    for moon in seen.moons:
        if moon.state != "clear":
            told += f"; {moon.name.capitalize()} {MOON_STATES[moon.state]}"
    return told


MOON_STATES = {"transit": "in front", "occulted": "behind", "eclipsed": "in the shadow"}
"""Where a moon that does not stand clear is."""
