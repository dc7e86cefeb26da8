"""Measured maps: pictures in ``reference_maps/`` that a body's ``[map]`` section names.

``measured_file`` is a grey 16-bit PNG, north at the top, even in planetographic latitude, its left edge at
the east longitude ``left_edge_deg``; its numbers run evenly from ``lowest`` to ``highest``. They are the
factor of the ground (1 is the bright ground of the palette) or, where the section has a ``profile``, the
departure from the mean of each latitude in green light, relative to that mean.

A ``profile`` holds rows (planetographic latitude; level in each band, from the longest wavelength to the
shortest; scatter along longitude in each band, in the same order): a departure in another band is that in
green times the ratio of the scatters. ``cosine`` names, by band, the exponent of the cosine of the
planetocentric latitude by which the levels are multiplied.
"""

from __future__ import annotations

from functools import lru_cache
from importlib import resources
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from simulate.bodies.features import Conditions, Palette, degrees_per_km, oval_section, read_patch, required
from simulate.bodies.levelling import reach
from simulate.bodies.shapes import between
from simulate.errors import MissingError
from simulate.values.arrays import frozen_array

if TYPE_CHECKING:
    from simulate.bodies.body import Body
    from simulate.bodies.sections import Section

FloatArray = npt.NDArray[np.float32]

FULL = 65535

LARGEST_DEPARTURE = 1.0
"""Departures from the mean of a latitude are stored between this and its negative."""

DARKEST = 0.1
"""Share of its latitude's mean that no place falls below: a departure scaled from green to blue has no such limit."""

_SQUEEZED_FAR_DEG = 45.0
"""Distance in longitude from the oval at which the squeezing of the map around it has died away."""


def reference_folder() -> Traversable:
    """Return the folder of the shipped maps: inside the package where it was installed, beside it in a checkout."""
    packed = resources.files("simulate").joinpath("reference_maps")
    return packed if packed.is_dir() else Path(__file__).parents[2] / "reference_maps"


def has_measured_map(body: Body) -> bool:
    """Return whether the body's face rests on a measured picture."""
    return "measured_file" in body.sections.get("map", {})


@lru_cache(maxsize=3)
def read_measured(name: str, lowest: float, highest: float) -> FloatArray:
    """Return a shipped picture on nodes, shape (rows + 1, columns), south first, read-only.

    Rows become nodes at even latitudes with both poles (each the mean of the pixels beside it); columns
    stay where they are, in the middle of their pixels.

    Raises
    ------
    MissingError
        If the file is not there.
    """
    from PIL import Image  # late: only where a face is drawn

    try:
        with reference_folder().joinpath(name).open("rb") as file, Image.open(file) as image:
            pixels = np.asarray(image, dtype=np.float32)[::-1]
    except FileNotFoundError as error:
        raise MissingError(
            "map of the body", f"{name} is not in {reference_folder()}: install the program anew"
        ) from error
    padded = np.concatenate([pixels[:1], pixels, pixels[-1:]])
    nodes = 0.5 * (padded[:-1] + padded[1:])
    return frozen_array(lowest + nodes * np.float32((highest - lowest) / FULL), np.float32)


def measured_nodes(body: Body) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Return latitudes and east longitudes, deg, of the nodes of a body's measured map."""
    values = _picture(body.section("map"))
    rows, columns = values.shape
    first = required(body.section("map"), "left_edge_deg") + 180.0 / columns
    return np.linspace(-90.0, 90.0, rows), first + np.arange(columns) * (360.0 / columns)


def measured_values(body: Body, palette: Palette) -> FloatArray:
    """Return the reflectance on the nodes of a measured map, shape (bands, latitudes, longitudes), writable."""
    section = body.section("map")
    values = _picture(section)
    if "profile" not in section:
        ground, contrast = (np.asarray(row, np.float32)[:, None, None] for row in (palette.ground, palette.contrast))
        return ground * (1.0 + (values - 1.0) * contrast)  # pyright: ignore[reportReturnType]
    latitude, longitude = measured_nodes(body)
    departure = _squeezed(body, values, latitude, longitude)
    level, scatter = profile(body, palette, latitude)
    ratio = (scatter / scatter[palette.bands.index("green")]).astype(np.float32)
    relative = np.maximum(1.0 + ratio[:, :, None] * departure, np.float32(DARKEST))
    _tint_oval(body, palette, relative, latitude, longitude)
    return relative * level.astype(np.float32)[:, :, None]


def _tint_oval(
    body: Body,
    palette: Palette,
    relative: FloatArray,
    latitude: npt.NDArray[np.float64],
    longitude: npt.NDArray[np.float64],
) -> None:
    """Give the drifting oval its own colour, in place: its mean is measured, its structure that of the green map."""
    oval = oval_section(body)
    if oval is None or "tint" not in oval:
        return
    conditions = Conditions(None, 0.0, body.equatorial_radius_km, body.polar_radius_km)
    shape = read_patch(oval, conditions, required(oval, "map_longitude_deg"))
    green, tint = palette.bands.index("green"), palette.by_band(oval["tint"]).astype(np.float32)
    for rows, columns, weight in reach(latitude, longitude, shape):
        block = relative[:, rows, columns]
        inside = block[green] / np.average(block[green], weights=weight)
        block += weight * (tint[:, None, None] * inside - block)


def profile(
    body: Body, palette: Palette, latitude_deg: npt.NDArray[np.float64]
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Return level and scatter by planetographic latitude, each of shape (bands, latitudes).

    Beyond the first and the last row of the table both go on level.
    """
    section, bands = body.section("map")["profile"], len(palette.bands)
    table = section["rows"]
    columns = np.stack([np.interp(latitude_deg, table[:, 0], column) for column in table.T[1:]])
    level, scatter = columns[:bands][::-1], columns[bands : 2 * bands][::-1]
    if "cosine" in section:
        square = (body.polar_radius_km / body.equatorial_radius_km) ** 2
        cosine = np.cos(np.arctan(square * np.tan(np.radians(np.clip(latitude_deg, table[0, 0], table[-1, 0])))))
        level = level * cosine ** palette.by_band(section["cosine"])[:, None]
    return level, scatter


def _picture(section: Section) -> FloatArray:
    return read_measured(str(section["measured_file"]), required(section, "lowest"), required(section, "highest"))


def _squeezed(
    body: Body, departure: FloatArray, latitude: npt.NDArray[np.float64], longitude: npt.NDArray[np.float64]
) -> FloatArray:
    """Return the departures with the drifting oval brought to its present length.

    Longitudes near the oval are squeezed about its middle in its latitudes; further out the map is
    stretched by as much, so that nothing is lost and places beyond `_SQUEEZED_FAR_DEG` stay.
    """
    oval = oval_section(body)
    if oval is None or "map_width_deg" not in oval:
        return departure
    per_km, _ = degrees_per_km(required(oval, "latitude_deg"), body.equatorial_radius_km, body.polar_radius_km)
    per_km /= np.cos(np.radians(required(oval, "latitude_deg")))
    half, old_half = 0.5 * required(oval, "width_km") * per_km, 0.5 * required(oval, "map_width_deg")
    middle = required(oval, "map_longitude_deg")
    offset = (longitude - middle + 180.0) % 360.0 - 180.0
    source = np.sign(offset) * np.interp(
        np.abs(offset), [0.0, half, _SQUEEZED_FAR_DEG, 180.0], [0.0, old_half, _SQUEEZED_FAR_DEG, 180.0]
    )
    south, north = oval["squeezed_deg"]
    weight = between(latitude, south, north, required(oval, "squeezed_edge_deg"))
    result = departure.copy()
    columns = departure.shape[1]
    for row in np.flatnonzero(weight > 0):
        place = (middle + offset + weight[row] * (source - offset) - longitude[0]) / (360.0 / columns)
        result[row] = np.interp(place, np.arange(columns), departure[row], period=columns)
    return result
