"""A body: shape, spin, scattering, colours, rings and moons, read from its data file."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib import resources
from pathlib import Path
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from simulate.bodies.orientation import Orientation, read_orientation
from simulate.bodies.scattering import Scattering
from simulate.bodies.sections import Section, Sourced, read_section
from simulate.errors import InputError, choose
from simulate.given.door import read_toml

FloatArray = npt.NDArray[np.float64]

BODY_NAMES = (
    "mercury",
    "venus",
    "mars",
    "jupiter",
    "saturn",
    "uranus",
    "neptune",
    "moon",
    "star",
    "sun",
    "io",
    "europa",
    "ganymede",
    "callisto",
    "titan",
    "rhea",
    "tethys",
    "dione",
    "iapetus",
)

_KINDS = ("planet", "moon", "satellite", "star")


@dataclass(frozen=True)
class Ring:
    """A ring, or a gap, between two radii in the equatorial plane.

    Parameters
    ----------
    name : str
        Trade name ("B inner", "Cassini Division").
    inner_km, outer_km : float
        Radii from the planet's centre.
    optical_depth : float
        Normal optical depth, V band.
    brightness : float
        I/F of the lit face in V at the reference opening and small phase angle.
    colour_nm, colour : tuple of float
        Brightness relative to V (550 nm) at these wavelengths.
    """

    name: str
    inner_km: float
    outer_km: float
    optical_depth: float
    brightness: float
    colour_nm: tuple[float, ...]
    colour: tuple[float, ...]

    def brightness_at(self, wavelengths_nm: npt.ArrayLike) -> FloatArray:
        """Return the I/F of the lit face at `wavelengths_nm`, same shape, linear in between."""
        return self.brightness * np.interp(np.asarray(wavelengths_nm, dtype=float), self.colour_nm, self.colour)


@dataclass(frozen=True, eq=False, repr=False)
class Body:
    """What one body is; made by `load_body`, one object a name.

    Parameters
    ----------
    name : str
        Lower case.
    kind : str
        "planet", "moon" (the Earth's), "satellite" or "star".
    equatorial_radius_km, polar_radius_km : float
        Reference spheroid; zero for the point star.
    cloud_top_radius_km : float or None
        Radius of the visible disc where it differs from the reference spheroid.
    longitude_sense : str
        "west" or "east": the sense in which the sub-observer longitude is counted.
    orientation : Orientation or None
        Pole and prime meridian; None for the star.
    scattering : Scattering
        Limb darkening.
    rings : tuple of Ring
        Ordered from the inside, gaps included; empty for most.
    satellites : tuple of str
        Names that `load_body` knows.
    features : tuple of Section
        Named surface features, in file order.
    sections : mapping
        Every section of the data file, by name.
    """

    name: str
    kind: Literal["planet", "moon", "satellite", "star"]
    equatorial_radius_km: float
    polar_radius_km: float
    cloud_top_radius_km: float | None
    longitude_sense: Literal["west", "east"]
    orientation: Orientation | None
    scattering: Scattering
    rings: tuple[Ring, ...]
    satellites: tuple[str, ...]
    features: tuple[Section, ...]
    sections: Section

    def __repr__(self) -> str:
        return f"load_body({self.name!r})"

    def __reduce__(self) -> tuple[Any, tuple[str]]:
        return (load_body, (self.name,))

    @property
    def disc_radius_km(self) -> float:
        """Equatorial radius of the visible disc, km."""
        return self.cloud_top_radius_km or self.equatorial_radius_km

    @property
    def disc_polar_radius_km(self) -> float:
        """Polar radius of the visible disc, km: the flattening of the reference spheroid is kept."""
        if self.equatorial_radius_km == 0:
            return 0.0
        return self.disc_radius_km * self.polar_radius_km / self.equatorial_radius_km

    def section(self, name: str) -> Section:
        """Return a section of the data file.

        Raises
        ------
        InputError
            If the body's file has no such section.
        """
        found = self.sections.get(name)
        if not isinstance(found, Section):
            has = ", ".join(key for key, entry in self.sections.items() if isinstance(entry, Section))
            raise InputError(f"section of {self.name}", name, f"its data file has {has}")
        return found

    def number(self, path: str) -> Sourced:
        """Return the sourced number at ``"section.key"`` of the data file."""
        section, _, key = path.partition(".")
        return self.section(section).sourced(key)


def body_names() -> tuple[str, ...]:
    """Return the names that `load_body` accepts: planets, moon, star, sun, satellites."""
    return BODY_NAMES


@cache
def load_body(name: str) -> Body:
    """Return the body called `name` (case does not matter), read once.

    Raises
    ------
    InputError
        For an unknown name; the nearest known one is offered.
    """
    key = choose("body", name, BODY_NAMES)
    if key != name:
        return load_body(key)
    text = resources.files("simulate.bodies").joinpath("data", f"{key}.toml").read_text(encoding="utf-8")
    return read_body(tomllib.loads(text), f"{key}.toml")


def read_body_file(path: str | Path) -> Body:
    """Return the body described by a data file of the user's own.

    Raises
    ------
    InputError
        If the file cannot be read as TOML or a number stands without its source.
    """
    return read_body(read_toml("body file", path), Path(path).name)


def read_body(table: Mapping[str, Any], where: str) -> Body:
    """Turn the parsed data file of a body into a `Body`; `where` names it in messages."""
    root = read_section(table, where)
    kind = choose(f"{where}: kind", str(root.get("kind", "")), _KINDS)
    sense = choose(f"{where}: longitude_sense", str(root.get("longitude_sense", "west")), ("west", "east"))
    size = root.get("size", {})
    for key in ("name", "size"):
        if key not in root:
            raise InputError(where, key, "the file must have it")
    return Body(
        name=root["name"],
        kind=kind,  # type: ignore[arg-type]
        equatorial_radius_km=size["equatorial_radius"],
        polar_radius_km=size["polar_radius"],
        cloud_top_radius_km=size.get("cloud_top_radius"),
        longitude_sense=sense,  # type: ignore[arg-type]
        orientation=read_orientation(root["orientation"]) if "orientation" in root else None,
        scattering=_read_scattering(root),
        rings=_read_rings(root),
        satellites=tuple(root.get("satellites", ())),
        features=tuple(root.get("feature", ())),
        sections=root,
    )


def _read_scattering(root: Section) -> Scattering:
    section = root.get("scattering", {"law": "none"})
    law = choose(f"{root.where}: law", section["law"], ("minnaert", "lommel-seeliger", "none"))
    if law != "minnaert":
        return Scattering(law, np.array([]), np.array([]))
    table = section["exponent"]
    return Scattering(law, table[:, 0], table[:, 1])


def _read_rings(root: Section) -> tuple[Ring, ...]:
    colours = root.get("ring_colour", {})
    rings = []
    for ring in root.get("ring", ()):
        table = colours.get(ring.get("colour", ""), np.array([[550.0, 1.0]]))
        nm, colour = (tuple(float(x) for x in column) for column in table.T)
        inner, outer, depth, brightness = (ring[key] for key in ("inner_km", "outer_km", "optical_depth", "brightness"))
        rings.append(Ring(ring["name"], inner, outer, depth, brightness, nm, colour))
    return tuple(rings)


def body_title(body: str) -> str:
    """Return a body's name as a title."""
    return {"star": "Star test", "moon": "The Moon"}.get(body, body.capitalize())
