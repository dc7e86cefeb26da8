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

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from simulate.bodies.colour import srgb_decode
from simulate.bodies.surface import SurfaceMap
from simulate.errors import InputError, choose, nearest
from simulate.values.checks import to_float

if TYPE_CHECKING:
    from simulate.bodies.body import Body

FloatArray = npt.NDArray[np.float64]

LARGEST_COLUMNS = 8192
"""A picture wider than this is refused: at 0.04 deg a pixel it is finer than any telescope here shows,
and its numbers would fill more than a gigabyte."""

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
_COLOUR_16_BITS = (2, 4, 6)


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
    bands: list[tuple[float, FloatArray]] = []
    for picture, wavelengths in described.pictures:
        planes = read_picture(picture)
        if len(planes) != len(wavelengths):
            raise InputError(
                "wavelengths_nm", wavelengths, f"{picture.name} has {len(planes)} colours: give one for each"
            )
        bands += zip(wavelengths, _linear(planes, described.gamma, picture), strict=True)
    shapes = {plane.shape for _, plane in bands}
    if len(shapes) > 1:
        raise InputError("band pictures", sorted(shapes), "all must have the same size")
    bands.sort(key=lambda band: band[0])
    reflectance = [_on_nodes(plane, described, body) for _, plane in bands]
    wavelengths_nm = np.array([wavelength for wavelength, _ in bands])
    return SurfaceMap(described.name, wavelengths_nm, np.stack(reflectance), described.longitude_system)


# The description


def read_description(path: str | Path, body: Body) -> MapDescription:
    """Read and check the TOML file that belongs to a picture (see the top of this module)."""
    given = Path(path)
    toml = given if given.suffix.lower() == ".toml" else given.with_suffix(".toml")
    if toml == given and not given.is_file():
        raise InputError("map", str(path), "there is no such file")
    try:
        table = tomllib.loads(toml.read_text(encoding="utf-8"))
    except FileNotFoundError as error:
        wanted = f"put a file {toml.name} beside it that says central_meridian_deg, longitude, latitude, wavelengths_nm"
        raise InputError("map", str(path), wanted) from error
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise InputError("map", str(toml), f"it must be a readable TOML file ({error})") from error
    _refuse_unknown(table, _KEYS, toml.name)
    central = to_float(f"{toml.name}: central_meridian_deg", _needed(table, "central_meridian_deg", toml.name), "deg")
    sense = _choice(table, "longitude", ("east", "west"), toml.name)
    own_system = str(body.sections.get("map", {}).get("longitude_system", ""))
    return MapDescription(
        name=str(table.get("name", toml.stem)),
        pictures=_pictures(table, toml, given),
        central_east_deg=(central if sense == "east" else -central) % 360.0,
        centric=_choice(table, "latitude", ("planetographic", "planetocentric"), toml.name) == "planetocentric",
        gamma=_gamma(table.get("gamma", "linear"), toml.name),
        south_up=_choice({"top": "north", **table}, "top", ("north", "south"), toml.name) == "south",
        west_right=_choice({"right": "east", **table}, "right", ("east", "west"), toml.name) == "west",
        longitude_system=str(table.get("longitude_system", own_system)),
    )


def _refuse_unknown(table: Mapping[str, Any], known: tuple[str, ...], where: str) -> None:
    for key in table:
        if key not in known:
            raise InputError(where, key, f"the keys are {', '.join(known)}{nearest(key, known)}")


def _needed(table: Mapping[str, Any], key: str, where: str) -> Any:
    if key not in table:
        raise InputError(where, key, "it must be given")
    return table[key]


def _choice(table: Mapping[str, Any], key: str, known: tuple[str, ...], where: str) -> str:
    return choose(f"{where}: {key}", str(_needed(table, key, where)), known)


def _gamma(value: Any, where: str) -> str | float:
    if isinstance(value, str):
        return choose(f"{where}: gamma", value, ("linear", "srgb"))
    return to_float(f"{where}: gamma", value, "", 0.1, 10.0)


def _pictures(table: Mapping[str, Any], toml: Path, given: Path) -> tuple[tuple[Path, tuple[float, ...]], ...]:
    if "band" not in table:
        picture = toml.parent / str(table["picture"]) if "picture" in table else _same_name(toml, given)
        return ((picture, _wavelengths(_needed(table, "wavelengths_nm", toml.name), toml.name)),)
    bands = table["band"]
    if not isinstance(bands, list) or not bands or not all(isinstance(band, dict) for band in bands):
        raise InputError(f"{toml.name}: band", bands, "give one [[band]] section for each picture")
    for band in bands:
        _refuse_unknown(band, _BAND_KEYS, f"{toml.name}: band")
    return tuple(
        (
            toml.parent / str(_needed(band, "picture", f"{toml.name}: band")),
            _wavelengths(_needed(band, "wavelength_nm", f"{toml.name}: band"), toml.name),
        )
        for band in bands
    )


def _same_name(toml: Path, given: Path) -> Path:
    if given != toml:
        return given
    for suffix in SUFFIXES:
        if toml.with_suffix(suffix).is_file():
            return toml.with_suffix(suffix)
    raise InputError(toml.name, "picture", f"name the picture, or put {toml.stem}{SUFFIXES[0]} beside the file")


def _wavelengths(value: Any, where: str) -> tuple[float, ...]:
    values = value if isinstance(value, list) else [value]
    return tuple(to_float(f"{where}: wavelengths_nm", item, "nm", 200.0, 2500.0) for item in values)


# The picture


def read_picture(path: Path) -> FloatArray:
    """Return the colours of a picture, shape (colours, rows, columns), its top row first.

    Whole numbers are divided by the largest that their kind can hold. Transparency is left out.

    Raises
    ------
    InputError
        If the file is missing, of another kind, unreadable, too large, or not twice as wide as high.
    """
    suffix = path.suffix.lower()
    if suffix not in SUFFIXES:
        raise InputError("picture", path.name, f"use PNG, TIFF or FITS ({', '.join(SUFFIXES)})")
    if not path.is_file():
        raise InputError("picture", str(path), "there is no such file")
    reader = _read_fits if suffix in (".fits", ".fit") else _read_image
    try:
        planes = reader(path)
    except InputError:
        raise
    except Exception as error:  # whatever a damaged file makes its library say
        raise InputError("picture", path.name, f"it cannot be read ({error or type(error).__name__})") from error
    if not np.all(np.isfinite(planes)):
        raise InputError("picture", path.name, "every pixel must be a finite number")
    return planes


def _check_size(columns: int, rows: int, name: str) -> None:
    size = f"{columns} x {rows}"
    if columns != 2 * rows:
        raise InputError("picture size", size, f"{name} must be twice as wide as high, to show the whole globe")
    if columns > LARGEST_COLUMNS:
        raise InputError("picture size", size, f"make {name} smaller: at most {LARGEST_COLUMNS} pixels wide")
    if columns < 4:
        raise InputError("picture size", size, f"{name} must be at least 4 pixels wide")


def _read_fits(path: Path) -> FloatArray:
    from astropy.io import fits  # heavy: only for FITS files

    with fits.open(path) as units:
        image = next((unit for unit in units if unit.header.get("NAXIS", 0) in (2, 3)), None)
        if image is None:
            raise InputError("picture", path.name, "the FITS file holds no picture of two or three axes")
        _check_size(image.header["NAXIS1"], image.header["NAXIS2"], path.name)
        data = np.asarray(image.data, dtype=float)
    planes = data if data.ndim == 3 else data[None]
    return planes[:, ::-1]  # FITS has the bottom row first


def _read_image(path: Path) -> FloatArray:
    from PIL import Image  # late: only for a user's pictures

    with Image.open(path) as image:
        if image.format not in ("PNG", "TIFF"):
            raise InputError("picture", path.name, f"it holds {image.format} data; use PNG, TIFF or FITS")
        _check_size(*image.size, path.name)
        if image.format == "PNG" and _png_is_deep_colour(path):
            return _read_deep_png(path)
        if image.format == "TIFF" and image.mode in ("RGB", "RGBA") and max(image.tag_v2.get(258, (8,))) > 8:  # type: ignore[attr-defined]
            raise InputError("picture", path.name, "save colour with 16 bits as PNG, or one grey TIFF for each colour")
        return _planes(image)


def _planes(image: Any) -> FloatArray:
    if image.mode in ("I;16", "I;16B", "I"):
        return np.asarray(image, dtype=float)[None] / 65535.0
    if image.mode == "F":
        return np.asarray(image, dtype=float)[None]
    grey = image.mode in ("1", "L", "LA")
    pixels = np.asarray(image.convert("L" if grey else "RGB"), dtype=float) / 255.0
    return pixels[None] if grey else np.moveaxis(pixels, -1, 0)


def _png_is_deep_colour(path: Path) -> bool:
    """Return whether a PNG has 16 bits and more than grey, which the usual reader cuts to 8 bits."""
    with path.open("rb") as file:
        header = file.read(26)
    return header[24] == 16 and header[25] in _COLOUR_16_BITS


def _read_deep_png(path: Path) -> FloatArray:
    import png  # pure Python and slow, but it keeps all 16 bits

    width, height, rows, info = png.Reader(filename=str(path)).asDirect()
    pixels = np.vstack([np.asarray(row, dtype=np.uint16) for row in rows]).reshape(height, width, info["planes"])
    colours = 1 if info["greyscale"] else 3
    return np.moveaxis(pixels[:, :, :colours], -1, 0) / 65535.0


def _linear(planes: FloatArray, gamma: str | float, picture: Path) -> FloatArray:
    """Return numbers proportional to reflectance, refusing a picture without light."""
    if gamma == "srgb":
        linear = np.asarray(srgb_decode(planes), dtype=np.float64)
    elif isinstance(gamma, float):
        linear = np.maximum(planes, 0.0) ** gamma
    else:
        linear = planes
    if np.any(linear < 0) or np.any(linear.mean(axis=(1, 2)) <= 0):
        raise InputError("picture", picture.name, "no pixel may be negative and no colour all black")
    return linear


def _on_nodes(plane: FloatArray, described: MapDescription, body: Body) -> npt.NDArray[np.float32]:
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
    weight = np.cos(np.radians(latitude))
    return (map_values / np.average(map_values.mean(axis=1), weights=weight)).astype(np.float32)


def _between(plane: FloatArray, row: FloatArray, column: FloatArray) -> FloatArray:
    """Interpolate linearly at every (row, column); columns wrap. Shape (row, column)."""
    rows, columns = plane.shape
    top = np.minimum(row.astype(int), rows - 2)
    down = (row - top)[:, None]
    lines = plane[top] * (1 - down) + plane[top + 1] * down
    left = np.floor(column).astype(int)
    across = column - left
    return lines[:, left % columns] * (1 - across) + lines[:, (left + 1) % columns] * across
