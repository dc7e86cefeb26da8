"""Sentences that answer what people ask before buying: enlarging, the mount, a bright sky, what the Moon shows."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from simulate.planning.capture import HIGHEST_FOLLOWED_DEG, STRICT_SMEAR, field_rotation_deg_per_h
from simulate.values.constants import ARCSEC_PER_RADIAN, ASTRONOMICAL_UNIT_KM, FWHM_PER_SIGMA, GREEN_NM

if TYPE_CHECKING:
    from simulate.geometry import Apparition, MoonState

EYE_ARCSEC = 240.0
"""Period that an eye sees at ease: four times the arc minute that it can just tell (common practice). It
makes twice the aperture in mm the highest useful magnification."""

CITY_MAG = 18.0
"""V magnitude of a square arcsecond of the sky over a city (common practice)."""


def finest_arcsec(aperture_mm: float) -> float:
    """Return the finest period that an aperture passes at 550 nm, lambda / D, arcsec."""
    return GREEN_NM * 1e-6 / aperture_mm * ARCSEC_PER_RADIAN


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
        told += f", {away:.2f}″ at {far.name}"
    if limb > limit:
        return f"{told}; use an equatorial one, or turn the frames back"
    if away > limit:
        return f"{told}; the planet needs no equatorial one, the moons do or a shorter clip"
    return f"{told}; no equatorial one is needed"


def _distance(moon: MoonState) -> float:
    return math.hypot(moon.east_arcsec, moon.north_arcsec)


def city_text(seen: Apparition, sharp_arcsec: float) -> str | None:
    """Return what the sky over a city would be beside the body and its faintest moon; None for a point.

    Parameters
    ----------
    seen : Apparition
        Gives magnitudes and size.
    sharp_arcsec : float
        Delivered width, over which a moon's light is spread.
    """
    width, height = seen.equatorial_diameter_arcsec, seen.polar_diameter_arcsec
    area = math.pi / 4 * width * height * seen.illuminated_fraction
    if area <= 0:
        return None
    share = _city_share(seen.magnitude, area)
    told = f"a city's, {CITY_MAG:g} mag a square arcsecond, is {_share_text(share)} of the disc's"
    told += ": it does not matter" if share < 0.01 else ": it matters"
    clear = [moon for moon in seen.moons if moon.state == "clear"]
    if clear:
        faintest = max(clear, key=lambda moon: moon.magnitude)
        spread = math.pi / 4 * (sharp_arcsec**2 + (2 * faintest.radius_arcsec) ** 2)
        beside = _city_share(faintest.magnitude, spread)
        told += f"; beside {faintest.name} it is {_share_text(beside)}"
    return told


def _city_share(magnitude: float, area_arcsec2: float) -> float:
    return 10 ** (-0.4 * (CITY_MAG - magnitude)) * area_arcsec2


def _share_text(share: float) -> str:
    if share >= 0.01:
        return f"{100 * share:.0f} %"
    return f"1 part in {float(f'{1 / max(share, 1e-12):.1g}'):,.0f}".replace(",", "\u202f")


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
