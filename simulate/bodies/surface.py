"""The face of a body: its reflectance by place and band, from measured ground and named features.

`surface_map` builds a map in a fraction of a second from the body's data file and keeps it. Light and
shadow are no part of it: a map says how bright a place is beside the rest of the globe, band by band;
the scattering law and the magnitude make it light.
"""

from __future__ import annotations

import copy
from dataclasses import dataclass, field
from functools import cached_property, lru_cache
from itertools import takewhile
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from simulate.bodies.features import (
    IN_THE_MAP_KINDS,
    LASTING_KINDS,
    ZONAL_KINDS,
    Canvas,
    Conditions,
    Palette,
    check_features,
    oval_longitude,
    oval_section,
    paint,
    read_palette,
    read_patch,
    required,
    shown_features,
)
from simulate.bodies.levelling import bridge, fill, level, level_inside
from simulate.bodies.measured import has_measured_map, measured_nodes, measured_values
from simulate.bodies.seasons import with_dust
from simulate.bodies.sections import Section
from simulate.bodies.shapes import Patch
from simulate.bodies.texture import paint_texture
from simulate.errors import InputError, RangeWarning, note
from simulate.values.arrays import frozen_array
from simulate.values.checks import to_float

if TYPE_CHECKING:
    from simulate.bodies.body import Body

FloatArray = npt.NDArray[np.floating]
Nodes = tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]
"""Latitudes and longitudes of a map."""
Blocks = tuple[tuple[slice, slice, FloatArray], ...]
"""Rows, columns and the share covered there, (rows, columns, 1)."""

SEASON_DIGITS = 1
"""Seasons and drifting spots are taken to a tenth of a degree: finer than anything known of either, and one
map then serves a whole recording."""

SEASONAL_KINDS = frozenset({"cap", "collar", "hood", "cloud"})
"""Kinds of feature that follow the season."""

LARGEST_QUIET_UNCERTAINTY_DEG = 10.0
"""An oval's longitude that is less certain than this is warned about: near this error its transit
comes a quarter of an hour early or late, which a user would notice."""

_MEAN_STEP_DEG = 1.0

_SPARE_DEG = 3.0
"""How far beyond its outline an area is filled: outlines are rounder than what a map shows."""

_LARGEST_AVERAGED = 12
"""Most nodes that a coarser map takes together."""


@dataclass(frozen=True, eq=False)
class SurfaceMap:
    """Reflectance of a body's surface, relative to the mean of its globe.

    Rows run in **planetographic latitude** from -90 deg (row 0, the south pole) to +90 deg (the last
    row, the north pole), both included; north is the pole north of the Solar System's plane, as the
    IAU says. Columns run in **longitude counted to the east** (right-handed about that north pole)
    from `first_longitude_deg` (column 0) in steps of 360/columns. West
    longitudes, as they are counted on Jupiter, Saturn, Mars and Mercury, enter with their sign
    changed. One single column means that nothing depends on longitude.

    Parameters
    ----------
    name : str
        Of the body, or of the user's picture.
    wavelengths_nm : array, shape (bands,)
        Rising.
    reflectance : float32 array, shape (bands, latitudes, longitudes)
        Relative to the mean over the whole globe (by area) with every feature in place: about 1.
    longitude_system : str
        System in which longitudes count, as a key of the apparition's central meridians: "II" for
        Jupiter, "III" for Saturn, "" for bodies that have only one.
    first_longitude_deg : float
        East longitude of column 0: a map turns without being drawn anew.
    """

    name: str
    wavelengths_nm: npt.NDArray[np.float64]
    reflectance: npt.NDArray[np.float32]
    longitude_system: str = ""
    first_longitude_deg: float = 0.0
    _wrapped: npt.NDArray[np.float32] = field(init=False, repr=False)
    _like: tuple[SurfaceMap, slice] | None = field(init=False, repr=False, default=None)
    """The map that it was made from, and the rows in which they differ."""
    _unturned: SurfaceMap | None = field(init=False, repr=False, default=None)

    def __post_init__(self) -> None:
        object.__setattr__(self, "wavelengths_nm", frozen_array(self.wavelengths_nm, float))
        # kept once, with the first column repeated after the last: sampling then needs no wrap
        values = np.asarray(self.reflectance, np.float32)
        wrapped = frozen_array(np.concatenate([values, values[:, :, :1]], axis=2))
        object.__setattr__(self, "_wrapped", wrapped)
        object.__setattr__(self, "reflectance", wrapped[:, :, :-1])

    @cached_property
    def uniform(self) -> bool:
        """Whether the map is the same everywhere."""
        return bool(np.ptp(self.reflectance) == 0)

    @property
    def latitudes_deg(self) -> npt.NDArray[np.float64]:
        """Planetographic latitude of the rows, deg, shape (latitudes,)."""
        return np.linspace(-90.0, 90.0, self.reflectance.shape[1])

    @property
    def longitudes_deg(self) -> npt.NDArray[np.float64]:
        """East longitude of the columns, deg, shape (longitudes,)."""
        columns = self.reflectance.shape[2]
        return self.first_longitude_deg + np.arange(columns) * (360.0 / columns)

    def turned(self, east_deg: float) -> SurfaceMap:
        """Return the same map turned eastward by `east_deg`, sharing its numbers."""
        other = copy.copy(self)
        object.__setattr__(other, "first_longitude_deg", self.first_longitude_deg + east_deg)
        object.__setattr__(other, "_unturned", self._unturned or self)
        return other

    def changed(self, rows: slice, values: npt.NDArray[np.float32]) -> SurfaceMap:
        """Return the map with other reflectances in some rows, shape (bands, those rows, longitudes).

        What was computed of this map then serves for all other rows (`coarser`).
        """
        wrapped = self._wrapped.copy()
        wrapped[:, rows, :-1] = values
        wrapped[:, rows, -1] = wrapped[:, rows, 0]
        wrapped.flags.writeable = False
        other = copy.copy(self)
        object.__setattr__(other, "_wrapped", wrapped)
        object.__setattr__(other, "reflectance", wrapped[:, :, :-1])
        object.__setattr__(other, "_like", (self, rows))
        other.__dict__.pop("uniform", None)
        return other

    def coarser(self, step_deg: float) -> SurfaceMap:
        """Return the map averaged over about `step_deg`, itself where it is no finer; kept.

        A picture whose cells are wider than the nodes of the map would otherwise pick single nodes out of its finest
        structure.
        """
        rows, columns = self.reflectance.shape[1] - 1, self.reflectance.shape[2]
        wanted = min(step_deg * rows / 180.0, _LARGEST_AVERAGED)
        factor = max(n for n in range(1, max(int(wanted), 1) + 1) if rows % n == 0 and columns % n == 0)
        if factor == 1:
            return self
        whole = self._unturned or self
        found, turn = _averaged(whole, factor), self.first_longitude_deg - whole.first_longitude_deg
        return found.turned(turn) if turn else found

    def sample(
        self,
        latitude_graphic_deg: npt.ArrayLike,
        longitude_east_deg: npt.ArrayLike,
        wavelengths_nm: npt.ArrayLike | None = None,
    ) -> FloatArray:
        """Return the relative reflectance at places, linear between the nodes of the map.

        Parameters
        ----------
        latitude_graphic_deg, longitude_east_deg : array_like, shape (...)
            Planetographic latitude and east longitude, deg; longitudes wrap.
        wavelengths_nm : array_like, shape (n,), optional
            Wavelengths wanted; linear between the map's bands and constant beyond. Default: the
            bands themselves.

        Returns
        -------
        float32 array, shape (bands or n, ...)
        """
        latitude, longitude = np.broadcast_arrays(
            np.asarray(latitude_graphic_deg, dtype=float), np.asarray(longitude_east_deg, dtype=float)
        )
        found = self._gather(latitude.ravel(), longitude.ravel())
        if wavelengths_nm is not None:
            found = self.band_weights(wavelengths_nm) @ found
        return found.reshape(found.shape[0], *latitude.shape)  # -1 would fail for no places at all

    def band_weights(self, wavelengths_nm: npt.ArrayLike) -> npt.NDArray[np.float32]:
        """Return the matrix, shape (n, bands), that interpolates from the map's bands to wavelengths in nm."""
        wanted = np.atleast_1d(np.asarray(wavelengths_nm, dtype=float))
        unit = np.eye(len(self.wavelengths_nm))
        return np.array([np.interp(wanted, self.wavelengths_nm, row) for row in unit], dtype=np.float32).T

    def _gather(self, latitude: npt.NDArray[np.float64], longitude: npt.NDArray[np.float64]) -> FloatArray:
        """Interpolate at places, shape (places,); result (bands, places)."""
        _, rows, columns = self.reflectance.shape
        row = np.clip((latitude + 90.0) * ((rows - 1) / 180.0), 0.0, rows - 1.0)
        south = np.minimum(row.astype(np.int32), rows - 2)
        up = (row - south).astype(np.float32)
        turn = (longitude - self.first_longitude_deg) * (1.0 / 360.0)
        column = (turn - np.floor(turn)) * columns
        west = np.minimum(column.astype(np.int32), columns - 1)
        right = (column - west).astype(np.float32)
        first = south * np.int32(columns + 1) + west
        return np.stack(
            [
                self._blend(plane, first, columns + 1, up, right)
                for plane in self._wrapped.reshape(len(self._wrapped), -1)
            ]
        )

    @staticmethod
    def _blend(
        plane: npt.NDArray[np.float32],
        first: npt.NDArray[np.int32],
        width: int,
        up: npt.NDArray[np.float32],
        right: npt.NDArray[np.float32],
    ) -> npt.NDArray[np.float32]:
        """Interpolate in one band between four nodes: `first` and those one column and one row on."""
        low, high = plane.take(first), plane.take(first + width)
        if width > 2:
            low += right * (plane.take(first + 1) - low)
            high += right * (plane.take(first + width + 1) - high)
        high -= low
        high *= up
        low += high
        return low


@lru_cache(maxsize=6)
def _averaged(fine: SurfaceMap, factor: int) -> SurfaceMap:
    """Return a map with every `factor`-th row and column, each the mean of those around it."""
    rows, half = fine.reflectance.shape[1], factor // 2
    if fine._like is not None:
        base, part = fine._like
        first, last = max((part.start - half) // factor, 0), (part.stop - 1 + half) // factor
        chosen = np.arange(first, min(last, (rows - 1) // factor) + 1)
        return _averaged(base, factor).changed(
            slice(first, first + len(chosen)), _means(fine.reflectance, chosen * factor, factor)
        )
    first_deg = fine.first_longitude_deg + 0.5 * (factor - 1) * 360.0 / fine.reflectance.shape[2]
    means = _means(fine.reflectance, np.arange(0, rows, factor), factor)
    return SurfaceMap(fine.name, fine.wavelengths_nm, means, fine.longitude_system, first_deg)


def _means(values: npt.NDArray[np.float32], chosen: npt.NDArray[np.intp], factor: int) -> npt.NDArray[np.float32]:
    """Return the means of `factor` columns and of about as many rows around each chosen one."""
    bands, rows, columns = values.shape
    half = factor // 2
    low, high = max(int(chosen[0]) - half, 0), min(int(chosen[-1]) + half, rows - 1) + 1
    across = values[:, low:high].reshape(bands, high - low, columns // factor, factor).mean(axis=3)
    ends = 0.5 if factor % 2 == 0 else 1.0  # an even number of rows takes half of each outermost
    total = np.zeros((bands, len(chosen), columns // factor), np.float32)
    for offset in range(-half, half + 1):
        total += across[:, np.clip(chosen + offset, 0, rows - 1) - low] * (ends if abs(offset) == half else 1.0)
    total /= factor
    return total


def surface_map(
    body: Body,
    *,
    without: frozenset[str] = frozenset(),
    time_jd: float | None = None,
    solar_longitude_deg: float | None = None,
    red_spot_longitude_deg: float | None = None,
    dust: float = 0.0,
    invented_texture: bool = False,
    user_map: SurfaceMap | None = None,
) -> SurfaceMap:
    """Return the map of a body's surface; the same call gives the same object again.

    Parameters
    ----------
    body : Body
        Any; one without a ``[map]`` section is uniform.
    without : frozenset of str
        Names of features to leave out, as `feature_names` gives them; what lies around or beneath
        takes their place. The scale of the map does not change by it.
    time_jd : float, optional
        Julian date for what drifts: Jupiter's red spot. Default: the date of the
        last position in the data.
    solar_longitude_deg : float, optional
        Ls, for Mars. Without it there is no season: only the remnants of the caps are there.
    red_spot_longitude_deg : float, optional
        System II longitude (west) of Jupiter's red spot. Default: from the data, for `time_jd`.
    dust : float
        Optical depth of dust above that of clear air, from 0 up.
    invented_texture : bool
        Add fine structure that looks right and is made up; never for measuring or judging.
    user_map : SurfaceMap, optional
        A user's own map, used instead. What has a place of its own (belts, areas) is taken out of it,
        caps, hoods, clouds and dust are laid upon it.

    Raises
    ------
    InputError
        For an unknown feature, a number out of range, or a feature whose place on a user's map nobody knows.

    Warns
    -----
    RangeWarning
        If the red spot's longitude had to be carried on so far that it is uncertain by more than
        `LARGEST_QUIET_UNCERTAINTY_DEG`.
    """
    dust = to_float("dust", dust, "", 0.0, 20.0)
    names = check_features(body, frozenset(without))
    season = None if solar_longitude_deg is None else to_float("Ls", solar_longitude_deg, "deg") % 360.0
    season = round(season, SEASON_DIGITS) if season is not None and _seasonal(body) else None
    if user_map is not None:
        return _veiled(body, _own_map(body, user_map, names, season), dust)
    oval = _oval_longitude(body, names, time_jd, red_spot_longitude_deg)
    if has_measured_map(body):
        return _veiled(body, _turned(body, _measured_map(body, names, season), oval), dust)
    return _veiled(body, _bare_map(body, names, season, oval, invented_texture), dust)


def red_spot_longitude(body: Body, time_jd: float | None = None) -> tuple[float, float] | None:
    """Return (System II longitude west, its uncertainty) of the body's drifting oval, deg, or None without one.

    Parameters
    ----------
    body : Body
        Jupiter, that is.
    time_jd : float, optional
        Julian date; default the date of the last position in the data.
    """
    oval = oval_section(body)
    return None if oval is None else oval_longitude(oval, time_jd)


def _oval_longitude(body: Body, without: frozenset[str], time_jd: float | None, given: float | None) -> float:
    if given is not None:
        return to_float("red spot longitude", given, "deg") % 360.0
    found = red_spot_longitude(body, time_jd)
    if found is None:
        return 0.0
    longitude, uncertainty = round(found[0], SEASON_DIGITS), found[1]
    seen = not any(f["name"] in without for f in body.features if f.get("kind") == "oval")
    if seen and uncertainty > LARGEST_QUIET_UNCERTAINTY_DEG:
        message = (
            f"the red spot's System II longitude of {longitude:.0f} deg is carried on from older positions and "
            f"uncertain by {uncertainty:.0f} deg; give the present one (--red-spot)"
        )
        note(message, RangeWarning, stacklevel=3)
    return longitude


@lru_cache(maxsize=4)
def _veiled(body: Body, bare: SurfaceMap, dust: float) -> SurfaceMap:
    if dust == 0.0:
        return bare
    section = body.sections.get("map", {})
    gain = np.zeros(len(bare.wavelengths_nm))
    if "dust_brightening" in section:
        palette = read_palette(section)
        gain = np.interp(bare.wavelengths_nm, palette.wavelengths_nm, palette.by_band(section["dust_brightening"]))
    veiled = with_dust(np.moveaxis(bare.reflectance, 0, -1).astype(float), dust, gain)
    return SurfaceMap(
        bare.name,
        bare.wavelengths_nm,
        _bands_first(veiled, np.ones(veiled.shape[-1])),
        bare.longitude_system,
        bare.first_longitude_deg,
    )


# Measured maps, and the user's own


@lru_cache(maxsize=4)
def _turned(body: Body, bare: SurfaceMap, oval_deg: float) -> SurfaceMap:
    """Turn a map, in which everything stays beside the drifting oval, so that the oval stands at its place."""
    oval = oval_section(body)
    return bare if oval is None else bare.turned(-oval_deg - required(oval, "map_longitude_deg"))


@lru_cache(maxsize=4)
def _measured_map(body: Body, without: frozenset[str], season_deg: float | None) -> SurfaceMap:
    section = body.section("map")
    palette = read_palette(section)
    values, unit = _measured_face(body, without, season_deg), _measured_mean(body, season_deg)[:, None, None]
    if without:
        # one feature less changes few rows
        differs = np.flatnonzero((values != _measured_face(body, frozenset(), season_deg)).any(axis=(0, 2)))
        base = _measured_map(body, frozenset(), season_deg)
        if not differs.size:
            return base
        rows = slice(int(differs[0]), int(differs[-1]) + 1)
        return base.changed(rows, values[:, rows] / unit)
    values = values / unit
    first = float(measured_nodes(body)[1][0])
    system = str(section.get("longitude_system", ""))
    return SurfaceMap(body.name, np.array(palette.wavelengths_nm), values, system, first)


@lru_cache(maxsize=64)
def _measured_mean(body: Body, season_deg: float | None) -> npt.NDArray[np.float32]:
    """Mean over the globe by area with every feature in place, shape (bands,)."""
    weight = np.cos(np.radians(measured_nodes(body)[0]))
    zonal = _measured_face(body, frozenset(), season_deg).mean(axis=2, dtype=np.float64)
    return np.average(zonal, axis=1, weights=weight).astype(np.float32)


@lru_cache(maxsize=2)
def _measured_face(body: Body, without: frozenset[str], season_deg: float | None) -> npt.NDArray[np.float32]:
    """Return the measured map without some features and with its season, shape (bands, latitudes, longitudes)."""
    ground = _measured_whole(body)
    taken = [f for f in body.features if _named(f, without) and f["kind"] in IN_THE_MAP_KINDS]
    laid = [f for f in body.features if not _named(f, without) and f["kind"] not in IN_THE_MAP_KINDS]
    if not taken and not laid:
        return ground
    values = ground.copy()
    latitudes, longitudes = measured_nodes(body)
    conditions = Conditions(season_deg, 0.0, body.equatorial_radius_km, body.polar_radius_km)
    for feature in taken:
        _take_out(values, (latitudes, longitudes), feature, conditions, oval_section(body))
    canvas = Canvas(latitudes, longitudes, read_palette(body.section("map")), np.moveaxis(values, 0, -1))  # pyright: ignore[reportArgumentType]
    for feature in laid:
        paint(canvas, feature, conditions)
    return frozen_array(values, np.float32)


@lru_cache(maxsize=2)
def _measured_whole(body: Body) -> npt.NDArray[np.float32]:
    return frozen_array(measured_values(body, read_palette(body.section("map"))), np.float32)


def _named(feature: Section, names: frozenset[str]) -> bool:
    return feature["name"] in names or feature.get("part_of", "") in names


def _take_out(
    values: npt.NDArray[np.float32], nodes: Nodes, feature: Section, conditions: Conditions, oval: Section | None
) -> None:
    """Take one feature out of a map, shape (bands, latitudes, longitudes), in place.

    Parameters
    ----------
    values : array
        Changed.
    nodes : tuple of array
        Latitudes and longitudes.
    feature : Section
        What is taken out.
    conditions : Conditions
        For the radii.
    oval : Section or None
        The drifting oval, beside which ovals and markings have their places on a measured map.
    """
    latitudes, longitudes = nodes
    kind = feature["kind"]
    if kind == "belt":
        bridge(values, latitudes, *(required(feature, key) for key in ("south_deg", "north_deg", "edge_deg")))
    elif kind == "area":
        fill(values, latitudes, longitudes, read_patch(feature, conditions).grown(_SPARE_DEG))
    elif oval is None:
        raise InputError("without", feature["name"], "it has no place of its own on a map of yours")
    elif kind == "marking":
        middle, edge = required(oval, "map_longitude_deg"), required(feature, "edge_deg")
        for latitude, east, width, height in feature["places"]:
            narrow = float(np.cos(np.radians(latitude)))
            level(
                values,
                latitudes,
                longitudes,
                Patch(latitude, middle + east, width * narrow, height, edge, shape="band"),
            )
    else:
        shape = read_patch(feature, conditions, required(oval, "map_longitude_deg"))
        (level_inside if kind == "interior" else level)(values, latitudes, longitudes, shape)


@lru_cache(maxsize=4)
def _own_map(body: Body, own: SurfaceMap, without: frozenset[str], season_deg: float | None) -> SurfaceMap:
    """Return a user's own map without some features and with the season's caps, hoods and clouds."""
    taken = [f for f in body.features if _named(f, without) and f["kind"] in IN_THE_MAP_KINDS]
    laid = [f for f in body.features if not _named(f, without) and f["kind"] not in IN_THE_MAP_KINDS]
    if not taken and (season_deg is None or not laid):
        return own
    values = np.array(own.reflectance)
    nodes = own.latitudes_deg, own.longitudes_deg
    conditions = Conditions(season_deg, 0.0, body.equatorial_radius_km, body.polar_radius_km)
    for feature in taken:
        _take_out(values, nodes, feature, conditions, None)
    if season_deg is not None and laid:
        palette = read_palette(body.section("map"))
        shape = (*values.shape[1:], len(palette.bands))
        # painting is linear in what is painted upon: light and dark ground tell how much is covered, and by what
        black, white = (Canvas(*nodes, palette, np.full(shape, level, np.float32)) for level in (0.0, 1.0))  # pyright: ignore[reportArgumentType]
        for feature in laid:
            paint(black, feature, conditions)
            paint(white, feature, conditions)
        left = white.values[..., 0] - black.values[..., 0]
        colour = black.values / _mean_of_body(body, season_deg)
        for plane, wavelength in zip(values, own.wavelengths_nm, strict=True):
            weights = [np.interp(wavelength, palette.wavelengths_nm, row) for row in np.eye(len(palette.bands))]
            plane *= left
            plane += colour @ np.asarray(weights, np.float32)
    return SurfaceMap(own.name, own.wavelengths_nm, values, own.longitude_system, own.first_longitude_deg)


def _mean_of_body(body: Body, season_deg: float | None) -> FloatArray:
    return _measured_mean(body, season_deg) if has_measured_map(body) else _mean_reflectance(body, season_deg)


# Painted maps


@lru_cache(maxsize=4)
def _bare_map(
    body: Body,
    without: frozenset[str],
    season_deg: float | None,
    oval_deg: float,
    texture: bool,
) -> SurfaceMap:
    section = body.sections.get("map")
    if not isinstance(section, Section):
        return SurfaceMap(body.name, np.array([550.0]), np.ones((1, 2, 1), np.float32))
    palette = read_palette(section)
    conditions = Conditions(season_deg, oval_deg, body.equatorial_radius_km, body.polar_radius_km)
    canvas = _painted(body, palette, without, conditions, section["step_deg"])
    if texture:
        canvas = _textured(body, canvas, conditions)
    relative = _bands_first(canvas.values, _mean_reflectance(body, season_deg))
    system = str(section.get("longitude_system", ""))
    return SurfaceMap(body.name, np.array(palette.wavelengths_nm), relative, system)


def _bands_first(values: npt.NDArray[np.float64], unit: FloatArray) -> npt.NDArray[np.float32]:
    """Turn (latitudes, longitudes, bands) into float32 (bands, latitudes, longitudes), in a unit for each band."""
    turned = np.moveaxis(values, -1, 0)
    relative = np.empty(turned.shape, np.float32)
    return np.divide(turned, unit[:, None, None], out=relative, casting="same_kind")


@lru_cache(maxsize=64)
def _mean_reflectance(body: Body, season_deg: float | None) -> FloatArray:
    """Mean over the globe by area with every feature in place, shape (bands,), in the unit of the ground."""
    palette = read_palette(body.section("map"))
    conditions = Conditions(season_deg, 0.0, body.equatorial_radius_km, body.polar_radius_km)
    canvas = _painted(body, palette, frozenset(), conditions, _MEAN_STEP_DEG)
    weight = np.cos(np.radians(canvas.latitudes_deg))
    return np.average(canvas.values.mean(axis=1), axis=0, weights=weight)


def _painted(body: Body, palette: Palette, without: frozenset[str], conditions: Conditions, step_deg: float) -> Canvas:
    """Paint the ground and the features upon it."""
    features = tuple(shown_features(body, without))
    lasting = tuple(takewhile(lambda feature: feature["kind"] in LASTING_KINDS, features))
    zonal = all(f["kind"] in ZONAL_KINDS for f in features)
    latitudes, longitudes = _nodes(step_deg, zonal)
    values = _lasting(body, without, step_deg, zonal)
    shape = len(latitudes), len(longitudes), values.shape[2]
    canvas = Canvas(latitudes, longitudes, palette, np.broadcast_to(values, shape).copy())
    for feature in features[len(lasting) :]:
        paint(canvas, feature, conditions)
    return canvas


@lru_cache(maxsize=2)
def _lasting(body: Body, without: frozenset[str], step_deg: float, zonal: bool) -> npt.NDArray[np.float64]:
    """Paint the ground and the features that no date changes, up to the first that one does.

    Read-only; one column where nothing depends on longitude. Kept, because seasons and drifting spots
    ask for it again and again. An area changes only the places where it lies: a map without some is the
    map with them, painted again there.
    """
    features = tuple(takewhile(lambda f: f["kind"] in LASTING_KINDS, shown_features(body, without)))
    zonal = zonal or all(f["kind"] in ZONAL_KINDS for f in features)
    nodes = _nodes(step_deg, zonal)
    areas = {} if zonal else _area_blocks(body, step_deg)
    local = frozenset(name for name in without if all(f.where in areas for f in _sections_of(body, name)))
    if not areas or not local:
        return frozen_array(_paint_part(body, features, nodes, areas, (slice(None), slice(None))))
    values = _lasting(body, without - local, step_deg, zonal).copy()
    for feature in (f for name in sorted(local) for f in _sections_of(body, name)):
        for rows, columns, _ in areas[feature.where]:
            values[rows, columns] = _paint_part(body, features, nodes, areas, (rows, columns))
    return frozen_array(values)


def _sections_of(body: Body, name: str) -> tuple[Section, ...]:
    """Return a feature and its parts."""
    return tuple(f for f in body.features if name in (f["name"], f.get("part_of", "")))


def _paint_part(
    body: Body, features: tuple[Section, ...], nodes: Nodes, areas: dict[str, Blocks], part: tuple[slice, slice]
) -> npt.NDArray[np.float64]:
    """Paint the ground and features upon it in some rows and columns of the map, (rows, columns, bands)."""
    palette = read_palette(body.section("map"))
    conditions = Conditions(None, 0.0, body.equatorial_radius_km, body.polar_radius_km)
    latitudes, longitudes = nodes[0][part[0]], nodes[1][part[1]]
    canvas = Canvas(latitudes, longitudes, palette, _ground(body, palette, conditions, nodes, part))
    starts = [cut.indices(len(axis))[0] for cut, axis in zip(part, nodes, strict=True)]
    for feature in features:
        if feature.where not in areas:
            paint(canvas, feature, conditions)
            continue
        colour = palette.colour(feature)
        for rows, columns, cover in areas[feature.where]:
            down, across = (
                slice(max(cut.start - start, 0), max(cut.stop - start, 0))
                for cut, start in zip((rows, columns), starts, strict=True)
            )
            block = canvas.values[down, across]
            top, left = max(starts[0] - rows.start, 0), max(starts[1] - columns.start, 0)
            block += cover[top : top + block.shape[0], left : left + block.shape[1]] * (colour - block)
    return canvas.values


@lru_cache(maxsize=2)
def _area_blocks(body: Body, step_deg: float) -> dict[str, Blocks]:
    """Return what each area that no date changes covers: rows, columns and the share covered there.

    Outlines are costly, and every twin of a map without one of its features has all the others.
    """
    palette = read_palette(body.section("map"))
    conditions = Conditions(None, 0.0, body.equatorial_radius_km, body.polar_radius_km)
    latitudes, longitudes = _nodes(step_deg, zonal=False)
    canvas = Canvas(latitudes, longitudes, palette, np.empty((len(latitudes), len(longitudes), 1)))
    areas = (f for f in body.features if f["kind"] == "area" and "season" not in f)
    return {
        feature.where: tuple(
            (rows, columns, frozen_array(feature.get("opacity", 1.0) * weight))
            for rows, columns, weight in canvas.reach(read_patch(feature, conditions))
        )
        for feature in areas
    }


def _nodes(step_deg: float, zonal: bool) -> Nodes:
    rows, columns = round(180.0 / step_deg) + 1, round(360.0 / step_deg)
    return np.linspace(-90.0, 90.0, rows), np.arange(1 if zonal else columns, dtype=np.float64) * (360.0 / columns)


def _textured(body: Body, canvas: Canvas, conditions: Conditions) -> Canvas:
    """Return the canvas with the invented sections of the body's file painted on, at full width."""
    texture = body.sections.get("texture", ())
    if not texture:
        return canvas
    latitudes, longitudes = _nodes(180.0 / (len(canvas.latitudes_deg) - 1), zonal=False)
    values = np.broadcast_to(canvas.values, (len(latitudes), len(longitudes), canvas.values.shape[2])).copy()
    full = Canvas(latitudes, longitudes, canvas.palette, values)
    for section in texture:
        paint_texture(full, section, conditions)
    return full


# The ground


def _ground(
    body: Body, palette: Palette, conditions: Conditions, nodes: Nodes, part: tuple[slice, slice]
) -> npt.NDArray[np.float64]:
    """Return what the features are painted upon, shape (latitudes, longitudes, bands) of a part, writable."""
    section = body.section("map")
    latitudes, longitudes = nodes[0][part[0]], nodes[1][part[1]]
    if "zone" in section:
        profile = _zone_profile(section["zone"], palette, latitudes)
        return np.repeat(profile[:, None, :], len(longitudes), axis=1)
    return np.tile(np.asarray(palette.ground), (len(latitudes), len(longitudes), 1))


def _zone_profile(
    zones: tuple[Section, ...], palette: Palette, latitudes: npt.NDArray[np.float64]
) -> npt.NDArray[np.float64]:
    """Return the brightness of zones without their belts, shape (latitudes, bands).

    Level within each zone and linear across what lies between two: that is what is left where a belt
    is taken out. Zones that touch meet within the soft edge of the more northern one.
    """
    points, colours = [], []
    for index, zone in enumerate(zones):
        soft = zone["edge_deg"] / 2
        low = zone["south_deg"] + (soft if index and zones[index - 1]["north_deg"] == zone["south_deg"] else 0.0)
        follower = zones[index + 1] if index + 1 < len(zones) else None
        touches = follower is not None and follower["south_deg"] == zone["north_deg"]
        high = zone["north_deg"] - (follower["edge_deg"] / 2 if follower is not None and touches else 0.0)
        points += [low, high]
        colours += [palette.colour(zone)] * 2
    table = np.array(colours)
    return np.stack([np.interp(latitudes, points, column) for column in table.T], axis=-1)


def _seasonal(body: Body) -> bool:
    """Return whether any feature of the body comes and goes with its season."""
    return any(feature["kind"] in SEASONAL_KINDS or "season" in feature for feature in body.features)
