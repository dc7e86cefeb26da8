"""Invented texture: fine structure that looks right and is made up.

Each ``[[texture]]`` section of a body's file paints one layer. They are kept apart from the features,
off by default, and never part of what judges or measures. Positions come from a generator whose seed
stands in the section, so that the same body always wears the same texture.

========  ============================================================================================
kind      needs
========  ============================================================================================
spots     count, seed, south_deg, north_deg, width_deg (smallest, largest), aspect (width over height),
          strength (largest departure of the factor from 1), edge_deg
row       count, seed, latitude_deg, width_deg, height_deg, jitter_deg, tilt_deg, edge_deg, factor
others    as the features of that kind, their colour a factor by band laid on what is there
========  ============================================================================================
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from simulate.bodies.features import Canvas, Conditions, Palette, read_patch, required
from simulate.bodies.sections import Section
from simulate.bodies.shapes import Patch
from simulate.errors import choose

FloatArray = npt.NDArray[np.float64]

TEXTURE_KINDS = ("spots", "row", "area")


def paint_texture(canvas: Canvas, section: Section, conditions: Conditions) -> None:
    """Paint one invented layer, multiplying what is there.

    Parameters
    ----------
    canvas : Canvas
        Painted upon in place.
    section : Section
        A ``[[texture]]`` section.
    conditions : Conditions
        For the radii.

    Raises
    ------
    InputError
        For an unknown kind or a missing key.
    """
    kind = choose(f"{section.where}.kind", str(section.get("kind", "")), TEXTURE_KINDS)
    if kind == "spots":
        _spots(canvas, section)
    elif kind == "row":
        _row(canvas, section)
    else:
        canvas.scale_patch(read_patch(section, conditions), _factors(canvas.palette, section))


def _factors(palette: Palette, section: Section) -> FloatArray:
    return palette.by_band(section["factor"])


def _spots(canvas: Canvas, section: Section) -> None:
    """Soft spots, lighter and darker, spread evenly over the globe between two latitudes."""
    generator = np.random.Generator(np.random.PCG64(int(required(section, "seed"))))
    south, north = (math.sin(math.radians(required(section, key))) for key in ("south_deg", "north_deg"))
    low, high = section["width_deg"]
    strength, contrast = required(section, "strength"), np.asarray(canvas.palette.contrast)
    for place, turn, size, shade in generator.random((int(required(section, "count")), 4)):
        latitude = math.degrees(math.asin(south + (north - south) * place))
        width = low * (high / low) ** size
        patch = Patch(latitude, 360.0 * turn, width, width / required(section, "aspect"), required(section, "edge_deg"))
        canvas.scale_patch(patch, 1.0 + strength * (2.0 * shade - 1.0) * contrast)


def _row(canvas: Canvas, section: Section) -> None:
    """Spots of one kind around a parallel, nearly evenly spaced, as festoons are."""
    count = int(required(section, "count"))
    generator = np.random.Generator(np.random.PCG64(int(required(section, "seed"))))
    jitter = required(section, "jitter_deg") * (2.0 * generator.random((count, 2)) - 1.0)
    for index in range(count):
        patch = Patch(
            required(section, "latitude_deg"),
            (index * 360.0 / count + jitter[index, 0]) % 360.0,
            required(section, "width_deg") * (1.0 + jitter[index, 1] / 20.0),
            required(section, "height_deg"),
            required(section, "edge_deg"),
            section.get("tilt_deg", 0.0),
        )
        canvas.scale_patch(patch, _factors(canvas.palette, section))
