"""A user's own map: an equirectangular picture with a small TOML file beside it.

The picture (PNG with 8 or 16 bits, TIFF, FITS) is twice as wide as high and shows the whole globe; its
pixels divide latitude and longitude evenly. The TOML file has the picture's name with the ending
``.toml`` and says how to read it::

    picture = "my-map.png"            # may be left out: the file of the same name
    central_meridian_deg = 180        # longitude of the middle of the picture
    longitude = "west"                # the sense in which that longitude is counted: "west" or "east"
    latitude = "planetographic"       # or "planetocentric"
    wavelengths_nm = [650, 550, 450]  # one for each colour of the picture; one number for a grey one
    gamma = "linear"                  # or "srgb" for a picture made for the screen, or an exponent
    top = "north"                     # or "south"
    right = "east"                    # or "west" for a picture that is seen in a mirror

Several grey pictures make one map of several colours with one ``[[band]]`` section each (``picture``
and ``wavelength_nm``) in place of ``picture`` and ``wavelengths_nm``. Brightness counts as reflectance
relative to the mean of the globe.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from simulate.bodies.colour import srgb_decode
from simulate.bodies.surface import SurfaceMap
from simulate.errors import InputError, choose, nearest
from simulate.given.door import read_toml
from simulate.given.pictures import read_pixels
from simulate.values.checks import to_float

if TYPE_CHECKING:
    from simulate.bodies.body import Body

FloatArray = npt.NDArray[np.float64]

LARGEST_COLUMNS = 8192
"""A picture wider than this is refused: at 0.04 deg a pixel it is finer than any telescope here shows."""

MOST_NUMBERS = 50_000_000
"""Pixels times colours of a map: each is held in 4 bytes more than once. One colour of `LARGEST_COLUMNS`, or three of
5760 columns."""

MOST_BANDS = 64
"""Colours of a map."""

SUFFIXES = (".png", ".tif", ".tiff", ".fits", ".fit")

_KEYS = (
    "name",
    "body",
    "note",
    "licence",
    "picture",
    "central_meridian_deg",
    "longitude",
    "latitude",
    "wavelengths_nm",
    "gamma",
    "top",
    "right",
    "longitude_system",
    "band",
)
_BAND_KEYS = ("picture", "wavelength_nm", "full_scale")


@dataclass(frozen=True)
class MapDescription:
    """What the TOML file beside a picture says.

    Parameters
    ----------
    name : str
        Shown in results.
    pictures : tuple of (Path, tuple of float)
        Each picture with the wavelengths, nm, of its colours.
    central_east_deg : float
        East longitude of the middle of the pictures.
    centric : bool
        Rows are even in planetocentric latitude.
    gamma : str or float
        "linear", "srgb" or the exponent that makes the numbers linear.
    south_up, west_right : bool
        How the picture is turned.
    longitude_system : str
        As in `SurfaceMap`.
    """

    name: str
    pictures: tuple[tuple[Path, tuple[float, ...]], ...]
    central_east_deg: float
    centric: bool
    gamma: str | float
    south_up: bool
    west_right: bool
    longitude_system: str


def load_user_map(path: str | Path, body: Body) -> SurfaceMap:
    """Return the map in a user's picture.

    Parameters
    ----------
    path : str or Path
        The picture, or the TOML file beside it.
    body : Body
        For the flattening, where the picture counts planetocentric latitude, and the longitude system.

    Raises
    ------
    InputError
        If a file is missing, unreadable, too large or not twice as wide as high, a key is unknown,
        missing or of the wrong kind, or a picture is black or holds holes.
    """
    described = read_description(path, body)
    every = [wavelength for _, wavelengths in described.pictures for wavelength in wavelengths]
    order = np.argsort(every, kind="stable")
    rank = np.argsort(order, kind="stable")
    reflectance: npt.NDArray[np.float32] | None = None
    done = 0
    for picture, wavelengths in described.pictures:
        planes = read_picture(picture, colours=len(every))
        if len(planes) != len(wavelengths):
            raise InputError(
                "wavelengths_nm", wavelengths, f"{picture.name} has {len(planes)} colours: give one for each"
            )
        rows, columns = planes.shape[1:]
        if reflectance is None:
            reflectance = np.empty((len(every), rows + 1, columns), np.float32)
        if reflectance.shape[1:] != (rows + 1, columns):
            sizes = sorted({(rows, columns), (reflectance.shape[1] - 1, reflectance.shape[2])})
            raise InputError("band pictures", sizes, "all must have the same size")
        for plane in planes:  # one colour at a time: a map's numbers fill much of the memory
            reflectance[rank[done]] = _on_nodes(_linear(plane, described.gamma, picture), described, body)
            done += 1
    wavelengths_nm = np.array(every, float)[order]
    return SurfaceMap(described.name, wavelengths_nm, np.asarray(reflectance), described.longitude_system)


# The description


def read_description(path: str | Path, body: Body) -> MapDescription:
    """Read and check the TOML file that belongs to a picture (see the top of this module)."""
    given = Path(path)
    if not given.name:
        raise InputError("map", str(path), "give the name of a file")
    toml = given if given.suffix.lower() == ".toml" else given.with_suffix(".toml")
    wanted = f"; put {toml.name} beside the picture: it says central_meridian_deg, longitude, latitude, wavelengths_nm"
    table = read_toml("map", toml, hint="" if toml == given else wanted)
    _refuse_unknown(table, _KEYS, toml.name)
    if "body" in table and table["body"] != body.name:
        raise InputError(
            f"{toml.name}: body", table["body"], f"it is laid upon {body.name}; leave the key out to do so"
        )
    central = to_float(f"{toml.name}: central_meridian_deg", _needed(table, "central_meridian_deg", toml.name), "deg")
    sense = _choice(table, "longitude", ("east", "west"), toml.name)
    own_system = str(body.sections.get("map", {}).get("longitude_system", ""))
    return MapDescription(
        name=_line(table, "name", toml.stem, toml.name),
        pictures=_pictures(table, toml, given),
        central_east_deg=(central if sense == "east" else -central) % 360.0,
        centric=_choice(table, "latitude", ("planetographic", "planetocentric"), toml.name) == "planetocentric",
        gamma=_gamma(table.get("gamma", "linear"), toml.name),
        south_up=_choice({"top": "north", **table}, "top", ("north", "south"), toml.name) == "south",
        west_right=_choice({"right": "east", **table}, "right", ("east", "west"), toml.name) == "west",
        longitude_system=_line(table, "longitude_system", own_system, toml.name),
    )


def _refuse_unknown(table: Mapping[str, Any], known: tuple[str, ...], where: str) -> None:
    for key in table:
        if key not in known:
            raise InputError(where, key, f"the keys are {', '.join(known)}{nearest(key, known)}")


def _needed(table: Mapping[str, Any], key: str, where: str) -> Any:
    if key not in table:
        raise InputError(where, key, "it must be given")
    return table[key]


def _line(table: Mapping[str, Any], key: str, default: str, where: str) -> str:
    value = table.get(key, default)
    if not isinstance(value, str) or len(value) > 80 or not (value.isprintable() or value == default):
        raise InputError(f"{where}: {key}", value, "give one line of text in quotes, at most 80 characters")
    return value


def _choice(table: Mapping[str, Any], key: str, known: tuple[str, ...], where: str) -> str:
    return choose(f"{where}: {key}", str(_needed(table, key, where)), known)


def _gamma(value: Any, where: str) -> str | float:
    if isinstance(value, str):
        return choose(f"{where}: gamma", value, ("linear", "srgb"))
    return to_float(f"{where}: gamma", value, "", 0.1, 10.0)


def _pictures(table: Mapping[str, Any], toml: Path, given: Path) -> tuple[tuple[Path, tuple[float, ...]], ...]:
    if "band" not in table:
        named = "picture" in table
        picture = toml.parent / _file_name(table, toml.name) if named else _same_name(toml, given)
        return ((picture, _wavelengths(_needed(table, "wavelengths_nm", toml.name), toml.name)),)
    bands = table["band"]
    if not isinstance(bands, list) or not bands or not all(isinstance(band, dict) for band in bands):
        raise InputError(f"{toml.name}: band", bands, "give one [[band]] section for each picture")
    if len(bands) > MOST_BANDS:
        raise InputError(f"{toml.name}: band", len(bands), f"a map has at most {MOST_BANDS} colours")
    for band in bands:
        _refuse_unknown(band, _BAND_KEYS, f"{toml.name}: band")
    return tuple(
        (
            toml.parent / _file_name(band, f"{toml.name}: band"),
            _wavelengths(_needed(band, "wavelength_nm", f"{toml.name}: band"), toml.name),
        )
        for band in bands
    )


def _file_name(table: Mapping[str, Any], where: str) -> str:
    name = _needed(table, "picture", where)
    if not isinstance(name, str) or not name.strip():
        raise InputError(f"{where}: picture", name, "give the name of the picture in quotes")
    return name


def _same_name(toml: Path, given: Path) -> Path:
    if given != toml:
        return given
    for suffix in SUFFIXES:
        if toml.with_suffix(suffix).is_file():
            return toml.with_suffix(suffix)
    raise InputError(toml.name, "picture", f"name the picture, or put {toml.stem}{SUFFIXES[0]} beside the file")


def _wavelengths(value: Any, where: str) -> tuple[float, ...]:
    values = value if isinstance(value, list) else [value]
    if not 1 <= len(values) <= MOST_BANDS:
        raise InputError(f"{where}: wavelengths_nm", value, f"give one for each colour, at most {MOST_BANDS}")
    return tuple(to_float(f"{where}: wavelengths_nm", item, "nm", 200.0, 2500.0) for item in values)


# The picture


def read_picture(path: Path, *, colours: int = 1) -> npt.NDArray[Any]:
    """Return the colours of a picture as the file holds them, shape (colours, rows, columns), its top row first.

    Transparency is left out.

    Parameters
    ----------
    path : Path
        The file.
    colours : int
        How many colours the whole map has, which bounds its size.

    Raises
    ------
    InputError
        If the file is missing, of another kind, unreadable, too large, or not twice as wide as high.
    """
    suffix = path.suffix.lower()
    if suffix not in SUFFIXES:
        raise InputError("picture", path.name, f"use PNG, TIFF or FITS ({', '.join(SUFFIXES)})")

    def check(columns: int, rows: int, samples: int) -> None:
        _check_size(columns, rows, max(colours, samples), path.name)

    pixels = read_pixels("picture", path, check, kinds=("PNG", "TIFF", "FITS"), planes=MOST_BANDS)
    planes = pixels.planes
    if pixels.bits and len(planes) in (2, 4):
        return planes[:-1]
    if not pixels.bits and not all(np.all(np.isfinite(plane)) for plane in planes):
        raise InputError("picture", path.name, "every pixel must be a finite number")
    return planes


def _check_size(columns: int, rows: int, colours: int, name: str) -> None:
    size = f"{columns} x {rows}"
    if columns != 2 * rows:
        raise InputError("picture size", size, f"{name} must be twice as wide as high, to show the whole globe")
    widest = min(LARGEST_COLUMNS, 2 * math.isqrt(MOST_NUMBERS // (2 * colours)))
    if columns > widest:
        told = "" if colours == 1 else f" in {colours} colours"
        raise InputError("picture size", size, f"make {name} smaller: at most {widest} pixels wide{told}")
    if columns < 4:
        raise InputError("picture size", size, f"{name} must be at least 4 pixels wide")


def _linear(stored: npt.NDArray[Any], gamma: str | float, picture: Path) -> npt.NDArray[np.float32]:
    """Return numbers proportional to reflectance, refusing a colour without light.

    Whole numbers are divided by the largest that their kind can hold; a gamma tells nothing without that.
    """
    plane = stored.astype(np.float32)
    if stored.dtype.kind == "u":
        plane /= np.float32(np.iinfo(stored.dtype).max)
    with np.errstate(over="ignore", invalid="ignore"):  # told below
        if gamma == "srgb":
            for row in range(0, len(plane), 256):  # some rows at a time, since this one works in double precision
                plane[row : row + 256] = srgb_decode(plane[row : row + 256])
        elif isinstance(gamma, float):
            plane = np.maximum(plane, 0.0) ** np.float32(gamma)
        mean = float(plane.mean(dtype=np.float64))
    if np.any(plane < 0) or mean <= 0:
        raise InputError("picture", picture.name, "no pixel may be negative and no colour all black")
    if not 1e-30 < mean < 1e30:
        raise InputError("picture", picture.name, "its numbers must be brightnesses, from 1e-30 to 1e30")
    return plane


def _on_nodes(plane: npt.NDArray[np.float32], described: MapDescription, body: Body) -> npt.NDArray[np.float32]:
    """Turn a picture, shape (rows, 2 rows), into a map on nodes, shape (rows + 1, 2 rows), of mean 1.

    Nodes lie between the pixels; each takes the mean of those around it, by distance.
    """
    rows, columns = plane.shape
    latitude = np.linspace(-90.0, 90.0, rows + 1)
    if described.centric and body.equatorial_radius_km > 0:
        square = (body.polar_radius_km / body.equatorial_radius_km) ** 2
        counted = np.degrees(np.arctan(np.tan(np.radians(latitude)) * square))
    else:
        counted = latitude
    down = (counted + 90.0 if described.south_up else 90.0 - counted) / 180.0 * rows - 0.5
    offset = np.arange(columns) * (360.0 / columns) - described.central_east_deg
    along = ((-offset if described.west_right else offset) / 360.0 + 0.5) * columns - 0.5
    map_values = _between(plane, np.clip(down, 0.0, rows - 1.0), along)
    means = map_values.mean(axis=1, dtype=np.float64)
    map_values /= np.float32(np.average(means, weights=np.cos(np.radians(latitude))))
    return map_values


def _between(plane: npt.NDArray[np.float32], row: FloatArray, column: FloatArray) -> npt.NDArray[np.float32]:
    """Interpolate linearly at every (row, column); columns wrap. Shape (row, column)."""
    rows, columns = plane.shape
    top = np.minimum(row.astype(int), rows - 2)
    down = (row - top).astype(np.float32)[:, None]
    left = np.floor(column).astype(int)
    across = (column - left).astype(np.float32)
    west, east = left % columns, (left + 1) % columns
    result = np.empty((len(row), len(column)), np.float32)
    for start in range(0, len(row), 256):  # some rows at a time, since the steps between take several times the room
        part = slice(start, start + 256)
        lines = plane[top[part]] * (1 - down[part]) + plane[top[part] + 1] * down[part]
        result[part] = lines[:, west] * (1 - across) + lines[:, east] * across
    return result
