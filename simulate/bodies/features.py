"""Named surface features of a body, as its data file gives them, painted one upon the other.

A feature is a ``[[feature]]`` section: ``name``, ``kind``, what the kind needs, source and mark.

==========  ==========================================================================================
kind        needs
==========  ==========================================================================================
belt        south_deg, north_deg, edge_deg, colour
oval        latitude_deg, width_km, height_km, edge_deg, drift (rows JD, west longitude, uncertainty),
            drift_deg_per_day, uncertainty_deg_per_year, colour
area        latitude_deg, longitude_deg (east), width_deg (of longitude) and height_deg or width_km and
            height_km; tilt_deg, shape; or instead of all these outline (rows latitude, longitude);
            edge_deg, colour
cap         edge (rows Ls, latitude), edge_deg, colour; centre (rows Ls, distance from the pole) and
            centre_longitude_deg
collar      edge (as the cap), width_deg, edge_deg, season, ramp_deg, colour
hood        south_deg, north_deg, edge_deg, season, ramp_deg, opacity, colour
cloud       as area, with season, ramp_deg, opacity; or places (rows latitude, east longitude, width in deg of
            longitude, height)
marking     on a measured map only: places (rows planetographic latitude, east longitude counted from the
            drifting oval, width in deg of longitude, height), edge_deg
interior    on a measured map only: latitude_deg, width_km, height_km, edge_deg; the structure inside the
            drifting oval
==========  ==========================================================================================

On a measured map belts, areas, ovals, markings and interiors are in the picture already: their sections say
where they lie, so that they can be taken out (`simulate.bodies.levelling`), and need no colour.

The colour is ``reflectance`` (by band, in the unit of the map's ground) or ``factor`` (relative to the
ground; the map's ``contrast`` says how much of its darkening is left in each band).
``part_of`` names a feature with which this one comes and goes; ``minor`` keeps a feature out of the
list of names, because nobody would look for it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from simulate.bodies.seasons import cap_edge_deg, cyclic, season_strength
from simulate.bodies.sections import Section
from simulate.bodies.shapes import Outline, Patch, angular_distance, between, soft_step
from simulate.errors import InputError, nearest

if TYPE_CHECKING:
    from simulate.bodies.body import Body

FloatArray = npt.NDArray[np.float64]

DAYS_PER_YEAR = 365.25


@dataclass(frozen=True)
class Palette:
    """Colours of a map's ground.

    Parameters
    ----------
    bands : tuple of str
        Names of the bands, by rising wavelength.
    wavelengths_nm : tuple of float
        Their wavelengths, nm.
    ground : tuple of float
        Reflectance of a place with factor 1.
    contrast : tuple of float
        How much of a factor's departure from 1 is left in each band.
    """

    bands: tuple[str, ...]
    wavelengths_nm: tuple[float, ...]
    ground: tuple[float, ...]
    contrast: tuple[float, ...]

    def tint(self, factor: npt.ArrayLike) -> FloatArray:
        """Return the reflectance by band, shape (..., bands), of places with this factor."""
        departure = np.asarray(factor, dtype=float)[..., None] - 1.0
        return np.asarray(self.ground) * (1.0 + departure * np.asarray(self.contrast))

    def by_band(self, section: Section) -> FloatArray:
        """Return the numbers of a section with one key a band, shape (bands,)."""
        missing = [band for band in self.bands if band not in section]
        if missing:
            raise InputError(section.where, ", ".join(missing), f"give one number for each of {', '.join(self.bands)}")
        return np.array([section[band] for band in self.bands])

    def colour(self, feature: Section) -> FloatArray:
        """Return the reflectance by band, shape (bands,), that a feature's section states."""
        if "reflectance" in feature:
            return self.by_band(feature["reflectance"])
        return self.tint(required(feature, "factor"))


def read_palette(section: Section) -> Palette:
    """Build the palette of a ``[map]`` section; ground and contrast default to 1 in every band."""
    bands = section["bands"]
    names = tuple(sorted(bands, key=lambda band: bands[band]))
    plain = Palette(names, tuple(float(bands[name]) for name in names), (1.0,) * len(names), (1.0,) * len(names))
    ground = tuple(plain.by_band(section["ground"]).tolist()) if "ground" in section else plain.ground
    contrast = tuple(plain.by_band(section["contrast"]).tolist()) if "contrast" in section else plain.contrast
    return Palette(plain.bands, plain.wavelengths_nm, ground, contrast)


@dataclass(frozen=True)
class Conditions:
    """What a map depends on besides its data.

    Parameters
    ----------
    solar_longitude_deg : float or None
        Ls for Mars; None: no season.
    oval_longitude_deg : float
        WEST longitude, deg, of the drifting oval in the map's own system; 0 where there is none.
    equatorial_km, polar_km : float
        Radii of the body, to turn km into deg.
    """

    solar_longitude_deg: float | None
    oval_longitude_deg: float
    equatorial_km: float
    polar_km: float


class Canvas:
    """A map under way: reflectance by place and band on a regular grid of nodes.

    Parameters
    ----------
    latitudes_deg, longitudes_deg : array
        Nodes; one longitude alone means that nothing depends on it.
    palette : Palette
        Bands and colours.
    ground : array, shape (latitudes, longitudes, bands)
        Painted upon in place.
    """

    def __init__(
        self, latitudes_deg: FloatArray, longitudes_deg: FloatArray, palette: Palette, ground: FloatArray
    ) -> None:
        self.latitudes_deg = latitudes_deg
        self.longitudes_deg = longitudes_deg
        self.palette = palette
        self.values = ground

    def cover(self, weight: FloatArray, colour: FloatArray) -> None:
        """Lay a colour over whole rows; `weight` has the shape (latitudes,)."""
        rows = _run(weight > 0)
        block = self.values[rows]
        block += weight[rows, None, None] * (colour - block)

    def cover_patch(self, patch: Patch | Outline, colour: FloatArray, opacity: float = 1.0) -> None:
        """Lay a colour over a patch, touching only the rows and columns it reaches."""
        for block, weight in self._reached(patch):
            block += (opacity * weight) * (colour - block)

    def scale_patch(self, patch: Patch | Outline, factors: FloatArray) -> None:
        """Multiply by `factors`, shape (bands,), inside a patch."""
        for block, weight in self._reached(patch):
            block *= 1.0 + weight * (factors - 1.0)

    def _reached(self, patch: Patch | Outline) -> Iterator[tuple[FloatArray, FloatArray]]:
        """Yield the blocks that a patch reaches, as views, with its weight there, shape (rows, columns, 1)."""
        for rows, columns, weight in self.reach(patch):
            yield self.values[rows, columns], weight

    def reach(self, patch: Patch | Outline) -> Iterator[tuple[slice, slice, FloatArray]]:
        """Yield the rows and columns that a patch reaches, with its weight there, shape (rows, columns, 1).

        A patch that lies across longitude 0 reaches two blocks.
        """
        reach_x, reach_y = patch.reach_deg
        rows = _run(np.abs(self.latitudes_deg - patch.latitude_deg) <= reach_y)
        latitude = self.latitudes_deg[rows]
        narrowest = float(np.cos(np.radians(latitude)).min(initial=1.0))
        offset = self.longitudes_deg - patch.longitude_deg % 360.0
        for turn in (-360.0, 0.0, 360.0):
            columns = _run(np.abs(offset + turn) <= min(reach_x / max(narrowest, 1e-3), 180.0))
            if self.values[rows, columns].size:
                weight = patch.weight(latitude[:, None], self.longitudes_deg[columns][None, :])
                yield rows, columns, weight[..., None]


def _run(chosen: npt.NDArray[np.bool_]) -> slice:
    """Return the slice of the one run of True in `chosen`."""
    found = np.flatnonzero(chosen)
    return slice(int(found[0]), int(found[-1]) + 1) if found.size else slice(0, 0)


def degrees_per_km(latitude_deg: float, equatorial_km: float, polar_km: float) -> tuple[float, float]:
    """Return deg of arc per km (along the parallel, along the meridian) on a spheroid.

    Both are scaled as `Patch` counts them: east-west in deg of longitude times cos(latitude),
    north-south in deg of planetographic latitude (radii of curvature of an ellipsoid; any text on
    geodesy).
    """
    square = 1.0 - (polar_km / equatorial_km) ** 2
    sine = math.sin(math.radians(latitude_deg))
    prime_vertical = equatorial_km / math.sqrt(1.0 - square * sine**2)
    meridional = equatorial_km * (1.0 - square) / (1.0 - square * sine**2) ** 1.5
    return math.degrees(1.0 / prime_vertical), math.degrees(1.0 / meridional)


def required(feature: Section, key: str) -> float:
    """Return a number of a feature's section, or say in a sentence that it is missing."""
    if key not in feature:
        raise InputError(f"{feature.where} ({feature.get('name', 'without a name')})", key, "the feature must state it")
    return feature[key]


def read_patch(feature: Section, conditions: Conditions, longitude_deg: float | None = None) -> Patch | Outline:
    """Return the shape of an area, a cloud or an oval.

    Parameters
    ----------
    feature : Section
        Sizes in km, or in deg of longitude (width) and latitude (height).
    conditions : Conditions
        For the radii.
    longitude_deg : float, optional
        East longitude, where the section does not state it.
    """
    if "outline" in feature:
        return Outline(feature["outline"], required(feature, "edge_deg"))
    latitude = required(feature, "latitude_deg")
    if "width_km" in feature:
        per_x, per_y = degrees_per_km(latitude, conditions.equatorial_km, conditions.polar_km)
        width, height = feature["width_km"] * per_x, required(feature, "height_km") * per_y
    else:
        width = required(feature, "width_deg") * math.cos(math.radians(latitude))
        height = required(feature, "height_deg")
    return Patch(
        latitude_deg=latitude,
        longitude_deg=required(feature, "longitude_deg") if longitude_deg is None else longitude_deg,
        width_deg=width,
        height_deg=height,
        edge_deg=required(feature, "edge_deg"),
        tilt_deg=feature.get("tilt_deg", 0.0),
        shape=feature.get("shape", "ellipse"),
        round="width_km" in feature,
    )


def oval_longitude(feature: Section, time_jd: float | None = None) -> tuple[float, float]:
    """Return (west longitude, its uncertainty), deg, of a drifting oval.

    Linear between the dated positions of its data; before the first and after the last carried on
    with the stated drift, while the uncertainty grows.

    Parameters
    ----------
    feature : Section
        An oval: ``drift`` rows (Julian date, longitude without turns taken off, uncertainty).
    time_jd : float, optional
        Julian date; None means the last position.
    """
    table = feature["drift"]
    first, last = table[0], table[-1]
    time = float(last[0]) if time_jd is None else time_jd
    end = first if time < first[0] else last
    if first[0] <= time <= last[0]:
        longitude = float(np.interp(time, table[:, 0], table[:, 1]))
        uncertainty = float(np.interp(time, table[:, 0], table[:, 2]))
    else:
        away = time - float(end[0])
        longitude = float(end[1]) + required(feature, "drift_deg_per_day") * away
        uncertainty = float(end[2]) + required(feature, "uncertainty_deg_per_year") * abs(away) / DAYS_PER_YEAR
    return longitude % 360.0, uncertainty


def oval_section(body: Body) -> Section | None:
    """Return the section of the body's drifting oval, or None without one."""
    return next((f for f in body.features if f.get("kind") == "oval" and "drift" in f), None)


def _strength(feature: Section, conditions: Conditions) -> float:
    if "season" not in feature:
        return 1.0
    start, end = feature["season"]
    return season_strength(start, end, required(feature, "ramp_deg"), conditions.solar_longitude_deg)


def _paint_belt(canvas: Canvas, feature: Section, conditions: Conditions) -> None:
    del conditions
    edges = required(feature, "south_deg"), required(feature, "north_deg"), required(feature, "edge_deg")
    canvas.cover(between(canvas.latitudes_deg, *edges), canvas.palette.colour(feature))


def _paint_oval(canvas: Canvas, feature: Section, conditions: Conditions) -> None:
    patch = read_patch(feature, conditions, -conditions.oval_longitude_deg % 360.0)
    canvas.cover_patch(patch, canvas.palette.colour(feature))


def _paint_area(canvas: Canvas, feature: Section, conditions: Conditions) -> None:
    opacity = feature.get("opacity", 1.0) * _strength(feature, conditions)
    if opacity <= 0:
        return
    if "places" not in feature:
        canvas.cover_patch(read_patch(feature, conditions), canvas.palette.colour(feature), opacity)
        return
    for latitude, longitude, width, height in feature["places"]:
        narrow = math.cos(math.radians(latitude))
        patch = Patch(latitude, longitude, width * narrow, height, required(feature, "edge_deg"))
        canvas.cover_patch(patch, canvas.palette.colour(feature), opacity)


def cap_distance_deg(
    edge_deg: float, offset_deg: float, centre_longitude_deg: float, latitude_deg: FloatArray, longitude_deg: FloatArray
) -> FloatArray:
    """Return the distance of places from a cap's edge, deg, negative on the cap.

    Parameters
    ----------
    edge_deg : float
        Latitude of the edge were the cap centred on its pole, deg, negative in the south.
    offset_deg, centre_longitude_deg : float
        How far from the pole and at which east longitude the cap's centre lies, deg.
    latitude_deg, longitude_deg : array
        Places, deg, broadcasting with each other.
    """
    sign = math.copysign(1.0, edge_deg)
    centre = sign * (90.0 - offset_deg)
    return angular_distance(latitude_deg, longitude_deg, centre, centre_longitude_deg) - (90.0 - abs(edge_deg))


def _cap_rows(canvas: Canvas, edge_deg: float, beyond_deg: float) -> npt.NDArray[np.intp]:
    sign = math.copysign(1.0, edge_deg)
    return np.flatnonzero(sign * canvas.latitudes_deg >= abs(edge_deg) - beyond_deg)


def _cap_offset(feature: Section, conditions: Conditions) -> tuple[float, float]:
    if "centre" not in feature or conditions.solar_longitude_deg is None:
        offset = 0.0 if "centre" not in feature else float(feature["centre"][:, 1].max())
    else:
        offset = float(cyclic(feature["centre"], conditions.solar_longitude_deg))
    return offset, feature.get("centre_longitude_deg", 0.0)


def _paint_cap(canvas: Canvas, feature: Section, conditions: Conditions) -> None:
    soft = required(feature, "edge_deg")
    edge = cap_edge_deg(feature["edge"], conditions.solar_longitude_deg)
    offset, longitude = _cap_offset(feature, conditions)
    rows = _cap_rows(canvas, edge, offset + soft)
    latitude = canvas.latitudes_deg[rows][:, None]
    distance = cap_distance_deg(edge, offset, longitude, latitude, canvas.longitudes_deg[None, :])
    weight = soft_step(distance, soft)
    colour = canvas.palette.colour(feature)
    canvas.values[rows] += weight[..., None] * (colour - canvas.values[rows])


def _paint_collar(canvas: Canvas, feature: Section, conditions: Conditions) -> None:
    strength = _strength(feature, conditions)
    if strength == 0.0:
        return
    edge = cap_edge_deg(feature["edge"], conditions.solar_longitude_deg)
    outer = edge - math.copysign(required(feature, "width_deg"), edge)
    weight = between(canvas.latitudes_deg, min(edge, outer), max(edge, outer), required(feature, "edge_deg"))
    canvas.cover(strength * weight, canvas.palette.colour(feature))


def _paint_hood(canvas: Canvas, feature: Section, conditions: Conditions) -> None:
    opacity = required(feature, "opacity") * _strength(feature, conditions)
    if opacity == 0.0:
        return
    edges = required(feature, "south_deg"), required(feature, "north_deg"), required(feature, "edge_deg")
    canvas.cover(opacity * between(canvas.latitudes_deg, *edges), canvas.palette.colour(feature))


Painter = Callable[[Canvas, Section, Conditions], None]

PAINTERS: dict[str, Painter] = {
    "belt": _paint_belt,
    "oval": _paint_oval,
    "area": _paint_area,
    "cap": _paint_cap,
    "collar": _paint_collar,
    "hood": _paint_hood,
    "cloud": _paint_area,
}

IN_THE_MAP_KINDS = frozenset({"belt", "area", "oval", "marking", "interior"})
"""Kinds that a measured map shows by itself."""

MAP_KINDS = frozenset({"marking", "interior"})
"""Kinds that only a measured map has."""

LASTING_KINDS = frozenset({"belt", "area"})
"""Kinds that look the same at every time of the year and the day."""

ZONAL_KINDS = frozenset({"belt", "collar", "hood"})
"""Kinds that depend on the latitude only."""


def paint(canvas: Canvas, feature: Section, conditions: Conditions) -> None:
    """Paint one feature.

    Raises
    ------
    InputError
        For an unknown kind or a missing key.
    """
    kind = str(feature.get("kind", ""))
    if kind not in PAINTERS:
        raise InputError(f"{feature.where}.kind", kind, f"use one of {', '.join(PAINTERS)}{nearest(kind, PAINTERS)}")
    PAINTERS[kind](canvas, feature, conditions)


def feature_names(body: Body, *, minor: bool = False) -> tuple[str, ...]:
    """Return the names of the body's removable surface features, in the order they are painted.

    Parameters
    ----------
    body : Body
        Any.
    minor : bool
        Also those that nobody would look for by themselves (weak deserts, parts of others).
    """
    names = (str(f["name"]) for f in body.features if minor or not (f.get("minor", False) or "part_of" in f))
    return tuple(dict.fromkeys(names))


def placeless_features(body: Body) -> frozenset[str]:
    """Return the names of features whose place on a map of the user's own nobody knows: they drift."""
    return frozenset(str(f["name"]) for f in body.features if f["kind"] in MAP_KINDS or f["kind"] == "oval")


def shown_features(body: Body, without: frozenset[str]) -> Iterator[Section]:
    """Yield the features that stay when those named in `without`, and their parts, are taken out."""
    for feature in body.features:
        if feature["name"] not in without and feature.get("part_of", "") not in without:
            yield feature


def check_features(body: Body, without: frozenset[str]) -> frozenset[str]:
    """Return the names in lower case.

    Raises
    ------
    InputError
        If the body has no feature of that name; the nearest known one is offered.
    """
    known = feature_names(body, minor=True)
    names = frozenset(name.strip().lower() for name in without)
    for name in sorted(names):
        if name not in known:
            allowed = f"{body.name} has {', '.join(known)}" if known else f"{body.name} has no named surface features"
            raise InputError("without", name, f"{allowed}{nearest(name, known)}")
    return names
