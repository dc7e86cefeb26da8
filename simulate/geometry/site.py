"""A place on the Earth."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, TypeAlias

from simulate.errors import InputError

LOWEST_M = -500.0
HIGHEST_M = 9000.0
_FORM = 'write "LAT,LON[,HEIGHT_M]", east and north positive ("-41.3,174.8,20" or "41.3S,174.8E")'
_NUMBER = re.compile(r"\s*([-+]?(?:[0-9]+\.?[0-9]*|\.[0-9]+))\s*([NSEW]?)\s*", re.IGNORECASE | re.ASCII)


@dataclass(frozen=True)
class Site:
    """A place of observation, WGS84.

    Parameters
    ----------
    latitude_deg : float
        Geodetic, north positive.
    longitude_deg : float
        East positive, -180..180 (0..360 is accepted and turned).
    height_m : float
        Above the ellipsoid.
    name : str
        What the user calls it.

    Raises
    ------
    InputError
        For a latitude outside +-90 deg, a longitude outside -180..360 or an unlikely height.
    """

    latitude_deg: float
    longitude_deg: float
    height_m: float = 0.0
    name: str = ""

    def __post_init__(self) -> None:
        _check("site latitude", self.latitude_deg, -90.0, 90.0, "degrees, north positive")
        _check("site longitude", self.longitude_deg, -180.0, 360.0, "degrees, east positive")
        _check("site height", self.height_m, LOWEST_M, HIGHEST_M, "metres above the sea")
        if self.longitude_deg > 180.0:
            object.__setattr__(self, "longitude_deg", self.longitude_deg - 360.0)


if TYPE_CHECKING:
    from astropy.coordinates import EarthLocation

    SiteLike: TypeAlias = Site | EarthLocation | str | tuple[float, ...]


def _check(field: str, value: float, lowest: float, highest: float, unit: str) -> None:
    if not (math.isfinite(value) and lowest <= value <= highest):
        raise InputError(field, value, f"give {lowest:g} to {highest:g} {unit}")


def parse_site(text: str, name: str = "") -> Site:
    """Read ``"LAT,LON[,HEIGHT_M]"``; signs or the letters N, S, E, W tell the side.

    Raises
    ------
    InputError
        If the text has another form or a number is out of range.
    """
    parts = text.split(",")
    if len(parts) not in (2, 3):
        raise InputError("site", text, _FORM)
    latitude = _angle(text, parts[0], "N", "S")
    longitude = _angle(text, parts[1], "E", "W")
    height = 0.0
    if len(parts) == 3:
        height_text = parts[2].strip().removesuffix("m").strip()
        try:
            height = float(height_text)
        except ValueError as error:
            raise InputError("site height", parts[2].strip(), "give metres as a plain number") from error
    return Site(latitude, longitude, height, name)


def _angle(text: str, part: str, positive: str, negative: str) -> float:
    match = _NUMBER.fullmatch(part)
    if match is None:
        raise InputError("site", text, _FORM)
    value, side = float(match.group(1)), match.group(2).upper()
    if side not in ("", positive, negative) or (side and match.group(1)[0] in "+-"):
        raise InputError("site", text, _FORM)
    return -value if side == negative else value


def as_site(place: SiteLike) -> Site:
    """Return a `Site` from a Site, text, an `~astropy.coordinates.EarthLocation` or plain numbers.

    Parameters
    ----------
    place : Site, str, EarthLocation or tuple
        A tuple is (latitude, longitude[, height in m]).

    Raises
    ------
    InputError
        For anything else, or for numbers out of range.
    """
    if isinstance(place, Site):
        return place
    if isinstance(place, str):
        return parse_site(place)
    if isinstance(place, tuple) and len(place) in (2, 3):
        return Site(float(place[0]), float(place[1]), float(place[2]) if len(place) == 3 else 0.0)
    geodetic: Any = getattr(place, "to_geodetic", None)
    if geodetic is None:
        raise InputError("site", place, _FORM)
    lon, lat, height = geodetic("WGS84")
    return Site(float(lat.deg), float(lon.wrap_at("180d").deg), float(height.to_value("m")))
