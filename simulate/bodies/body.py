"""A body: shape, spin, scattering, colours, rings and moons, read from its data file."""

from __future__ import annotations

import hashlib
import math
import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from functools import cache, cached_property
from importlib import resources
from pathlib import Path
from typing import Any, Literal, cast

import numpy as np
import numpy.typing as npt

from simulate.bodies.orbit import Elements, Orbit, read_orbit
from simulate.bodies.orientation import Orientation, read_orientation
from simulate.bodies.photometry import check_magnitude
from simulate.bodies.scattering import Scattering
from simulate.bodies.sections import Section, Sourced, check_keys, read_section
from simulate.bodies.traits import Observing, read_observing
from simulate.errors import InputError, choose, nearest
from simulate.given.door import read_toml

FloatArray = npt.NDArray[np.float64]

Kind = Literal["planet", "moon", "star", "sun", "satellite"]
KINDS: tuple[Kind, ...] = ("planet", "moon", "star", "sun", "satellite")
"""In the order in which bodies are listed."""

_NAME = re.compile(r"[a-z0-9][a-z0-9 ._-]*")
_LARGEST_RADIUS_KM = 1e6


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
    opposition_ratio : float
        I/F at a phase angle of 0 over that at 0.5 deg.
    unlit_share : float
        Brightness of the unlit face relative to what is measured for the rings on the whole.
    """

    name: str
    inner_km: float
    outer_km: float
    optical_depth: float
    brightness: float
    colour_nm: tuple[float, ...]
    colour: tuple[float, ...]
    opposition_ratio: float = 1.0
    unlit_share: float = 1.0

    def brightness_at(self, wavelengths_nm: npt.ArrayLike) -> FloatArray:
        """Return the I/F of the lit face at `wavelengths_nm`, same shape, linear in between."""
        return self.brightness * np.interp(np.asarray(wavelengths_nm, dtype=float), self.colour_nm, self.colour)


@dataclass(frozen=True, eq=False, repr=False)
class Body:
    """What one body is, as a value: it travels whole, and two bodies of the same numbers are equal.

    Made by `load_body` (of the shipped ones there is one object each) or `read_body_file`;
    ``dataclasses.replace`` makes another body of it.

    Parameters
    ----------
    name : str
        Lower case.
    kind : str
        "planet" (goes round the Sun), "moon" (the Earth's), "satellite" (of another planet), "sun" or
        "star".
    equatorial_radius_km, polar_radius_km : float
        Reference spheroid; zero for the point star.
    cloud_top_radius_km : float or None
        Radius of the visible disc where it differs from the reference spheroid.
    longitude_sense : str
        "west" or "east": the sense in which the sub-observer longitude is counted.
    orientation : Orientation or None
        Pole and prime meridian; None for the star.
    orbit : Orbit or None
        Where its place comes from; None for the star.
    scattering : Scattering
        Limb darkening.
    observing : Observing
        When it can be looked at, and what is told of it.
    rings : tuple of Ring
        Ordered from the inside, gaps included; empty for most.
    parent : Body or None
        The planet that a satellite goes round, without its satellites.
    satellites : tuple of Body
        From the inside outwards.
    features : tuple of Section
        Named surface features, in file order.
    sections : mapping
        Every section of the data file, by name.
    """

    name: str
    kind: Kind
    equatorial_radius_km: float
    polar_radius_km: float
    cloud_top_radius_km: float | None
    longitude_sense: Literal["west", "east"]
    orientation: Orientation | None
    orbit: Orbit | None
    scattering: Scattering
    observing: Observing
    rings: tuple[Ring, ...]
    parent: Body | None
    satellites: tuple[Body, ...]
    features: tuple[Section, ...]
    sections: Section

    def __repr__(self) -> str:
        return f"load_body({self.name!r})" if _is_shipped(self) else f"<body {self.name!r} {self.fingerprint[:8]}>"

    def __reduce__(self) -> tuple[Any, ...]:
        # a shipped body is the same everywhere; any other goes with all its numbers
        if _is_shipped(self):
            return (load_body, (self.name,))
        return (Body, tuple(getattr(self, field.name) for field in fields(self)))

    def __eq__(self, other: object) -> bool:
        return self is other or (isinstance(other, Body) and self.fingerprint == other.fingerprint)

    def __hash__(self) -> int:
        return hash(self.name)  # equal bodies have equal names, and a digest of all numbers takes its time

    @cached_property
    def fingerprint(self) -> str:
        """What tells this body from any other: a digest (SHA-256, hexadecimal) of everything in it."""
        digest = hashlib.sha256()
        for part in _canonical(self):
            digest.update(part.encode())
            digest.update(b"\0")
        return digest.hexdigest()

    @property
    def title(self) -> str:
        """Name as a heading."""
        return str(self.sections.get("title", self.name.capitalize()))

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

    @property
    def self_luminous(self) -> bool:
        """Whether it shines by itself."""
        return self.kind in ("star", "sun")

    @property
    def is_point(self) -> bool:
        """Whether it has no disc at all."""
        return self.equatorial_radius_km == 0

    @property
    def inside_earths_orbit(self) -> bool:
        """Whether it goes round the Sun nearer to it than the Earth does."""
        return self.kind == "planet" and self.orbit is not None and 0.0 < self.orbit.mean_distance_au < 1.0

    @property
    def shows_phases(self) -> bool:
        """Whether it is looked at as a crescent and half lit, not only when it is full."""
        return self.kind == "moon" or self.inside_earths_orbit

    @property
    def longitude_system(self) -> str:
        """System in which its markings are followed, a key of the apparition's central meridians."""
        systems = list(self.orientation.rotation) if self.orientation else [""]
        told = self.sections.get("map", {}).get("longitude_system", systems[-1])
        return str(told) if told in systems else systems[-1]

    def satellite(self, name: str) -> Body:
        """Return the satellite of this name.

        Raises
        ------
        InputError
            If the body has none of it.
        """
        for moon in self.satellites:
            if moon.name == name:
                return moon
        has = ", ".join(moon.name for moon in self.satellites) or "none"
        raise InputError(f"satellite of {self.name}", name, f"it has {has}")

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


_VALUES = (Body, Ring, Scattering, Observing, Orientation, Orbit, Elements, Sourced)


def _canonical(value: Any) -> Any:
    """Yield texts that are the same for equal values, in a fixed order."""
    if isinstance(value, Section):
        yield from (value.source, value.mark)
        yield from _canonical(value.entries)
    elif isinstance(value, _VALUES):
        yield type(value).__name__
        for field in fields(value):
            yield from _canonical(getattr(value, field.name))
    elif isinstance(value, Mapping):
        yield f"mapping {len(value)}"
        for key, entry in value.items():
            yield str(key)
            yield from _canonical(entry)
    elif isinstance(value, tuple):
        yield f"tuple {len(value)}"
        for entry in value:
            yield from _canonical(entry)
    elif isinstance(value, np.ndarray):
        yield f"array {value.shape} {value.tolist()!r}"
    else:
        yield repr(value)


# The folder of data files is the list of bodies


@cache
def _shipped_tables() -> dict[str, dict[str, Any]]:
    """Heads of the shipped data files by name: what stands before the first section."""
    folder = resources.files("simulate.bodies").joinpath("data")
    texts = {
        entry.name.removesuffix(".toml"): entry.read_text(encoding="utf-8")
        for entry in folder.iterdir()
        if entry.name.endswith(".toml")
    }
    heads = {name: _head(text) for name, text in sorted(texts.items())}
    return {name: head for name, head in heads.items() if "kind" in head}  # other files hold parts of bodies


def _head(text: str) -> dict[str, Any]:
    """Parse what stands before the first section of a data file, which costs a hundredth of the whole."""
    return tomllib.loads(re.split(r"^\[", text, maxsplit=1, flags=re.MULTILINE)[0])


@cache
def body_names() -> tuple[str, ...]:
    """Return the names of the shipped bodies: planets from the Sun outwards, moon, star, sun, satellites."""
    return tuple(sorted(_shipped_tables(), key=_order))


def _order(name: str) -> tuple[Any, ...]:
    body = _bare(name)
    own = body.orbit.mean_distance_km if body.orbit else 0.0
    return KINDS.index(body.kind), _order(body.parent.name) if body.parent else (), own, name


def load_body(name: str | Path) -> Body:
    """Return a shipped body by its name (case does not matter), or one of your own by the path of its data file.

    A shipped body is read once.

    Raises
    ------
    InputError
        For an unknown name, where the nearest known one is offered; for a file see `read_body_file`.
    """
    key = str(name).strip().lower()
    if key in _shipped_tables():
        return _shipped(key)
    path = Path(name)
    if path.suffix.lower() == ".toml" or len(path.parts) > 1:
        return read_body_file(path)
    hint = nearest(key, _shipped_tables())
    known = ", ".join(body_names())
    raise InputError("body", str(name), f"use one of {known}, or the path of a TOML file{hint}")


@cache
def _shipped(name: str) -> Body:
    body = _bare(name)
    moons = [_shipped(moon) for moon, head in _shipped_tables().items() if head.get("parent") == name]
    return replace(body, satellites=_outwards(moons)) if moons else body


@cache
def _bare(name: str) -> Body:
    """A shipped body without its satellites."""
    text = resources.files("simulate.bodies").joinpath("data", f"{name}.toml").read_text(encoding="utf-8")
    table = tomllib.loads(text)
    parent = table.get("parent")
    found = None if parent is None else _bare(choose(f"{name}.toml: parent", str(parent), _shipped_tables()))
    return read_body(table, f"{name}.toml", parent=found)


def _outwards(moons: list[Body]) -> tuple[Body, ...]:
    return tuple(sorted(moons, key=lambda moon: (moon.orbit.mean_distance_km if moon.orbit else 0.0, moon.name)))


def _is_shipped(body: Body) -> bool:
    return body.name in _shipped_tables() and body is _shipped(body.name)


def read_body_file(path: str | Path) -> Body:
    """Return the body described by a data file of the user's own.

    Bodies that belong to it, the ``parent`` of a satellite and the ``satellites`` of a planet, are
    sought among the files beside it and then among the shipped bodies. A planet whose file names no
    satellites has the shipped ones of a planet of its name.

    Raises
    ------
    InputError
        If the file cannot be read as TOML, something is missing or a number stands without its source.
    """
    return _read_file(Path(path), satellites=True)


def _read_file(path: Path, *, satellites: bool) -> Body:
    table = read_toml("body file", path)
    parent = table.get("parent")
    body = read_body(table, path.name, parent=None if parent is None else _beside(path, str(parent), "parent"))
    names = table.get(
        "satellites", [moon for moon, head in _shipped_tables().items() if head.get("parent") == body.name]
    )
    if not satellites or not names:
        return body
    if not isinstance(names, list) or not all(isinstance(name, str) for name in names):
        raise InputError(f"{path.name}: satellites", names, "give a list of names")
    moons = [replace(_beside(path, name, "satellites"), parent=body, kind="satellite") for name in names]
    return replace(body, satellites=_outwards(moons))


def _beside(path: Path, name: str, key: str) -> Body:
    beside = path.with_name(f"{Path(name).name}.toml")
    if beside.is_file() and not beside.samefile(path):
        # one step only: the parent does without its satellites, a satellite's own parent is this body
        return _read_parentless(beside)
    if name in _shipped_tables():
        return _bare(name)
    raise InputError(f"{path.name}: {key}", name, f"put {beside.name} beside it, or name a shipped body")


def _read_parentless(path: Path) -> Body:
    return read_body(read_toml("body file", path), path.name, parent=None, adopted=True)


def read_body(table: Mapping[str, Any], where: str, *, parent: Body | None = None, adopted: bool = False) -> Body:
    """Turn the parsed data file of a body into a `Body`.

    Parameters
    ----------
    table : mapping
        As ``tomllib`` gives it.
    where : str
        Names the file in messages.
    parent : Body, optional
        The planet that a satellite goes round.
    adopted : bool
        The parent is put in later.

    Raises
    ------
    InputError
        If something is missing, or of the wrong kind.
    """
    root = read_section(table, where)
    name = root["name"]
    if not isinstance(name, str) or not _NAME.fullmatch(name):
        raise InputError(f"{where}: name", name, "use lower case letters, digits, blanks, '-' and '_'")
    kind = cast(Kind, choose(f"{where}: kind", str(root.get("kind", "")), KINDS))
    if kind == "satellite" and parent is None and not adopted:
        raise InputError(f"{where}: parent", root.get("parent"), "name the planet that it goes round")
    sense = choose(f"{where}: longitude_sense", str(root.get("longitude_sense", "west")), ("west", "east"))
    size = _table(root, "size")
    radii = [_radius(size, key, point=kind == "star") for key in ("equatorial_radius", "polar_radius")]
    orbit = orientation = None
    if kind != "star":
        orientation = read_orientation(_table(root, "orientation"))
        orbit = read_orbit(_table(root, "orbit"), satellite=kind == "satellite")
        if kind != "sun":
            check_magnitude(_table(root, "magnitude"))
            _needed(_table(root, "albedo"), "V")
    return Body(
        name=name,
        kind=kind,
        equatorial_radius_km=radii[0],
        polar_radius_km=radii[1],
        cloud_top_radius_km=_radius(size, "cloud_top_radius") if "cloud_top_radius" in size else None,
        longitude_sense=cast(Literal["west", "east"], sense),
        orientation=orientation,
        orbit=orbit,
        scattering=_read_scattering(root),
        observing=read_observing(root, kind),
        rings=_read_rings(root),
        parent=parent,
        satellites=(),
        features=_sections(root, "feature"),
        sections=root,
    )


def _table(root: Section, key: str) -> Section:
    found = root[key]
    if not isinstance(found, Section):
        raise InputError(f"{root.where}: {key}", found, f"make it a section [{key}]")
    return found


def _sections(root: Section, key: str) -> tuple[Section, ...]:
    found = root.get(key, ())
    if not isinstance(found, tuple) or not all(isinstance(entry, Section) for entry in found):
        raise InputError(f"{root.where}: {key}", found, f"make them sections [[{key}]]")
    return found


def _needed(section: Section, key: str) -> float:
    value = section[key]
    if not isinstance(value, float):
        raise InputError(f"{section.where}.{key}", value, "give a number")
    return value


def _radius(size: Section, key: str, *, point: bool = False) -> float:
    value = _needed(size, key)
    if not (0.0 if point else math.nextafter(0.0, 1.0)) <= value <= _LARGEST_RADIUS_KM:
        raise InputError(f"{size.where}.{key}", value, f"give a radius above 0 and up to {_LARGEST_RADIUS_KM:g} km")
    return value


def _read_scattering(root: Section) -> Scattering:
    section = root.get("scattering", {"law": "none"})
    law = choose(f"{root.where}: law", str(section["law"]), ("minnaert", "lommel-seeliger", "none"))
    twilight = float(section.get("twilight_deg", 0.0))
    if law != "minnaert":
        return Scattering(law, np.array([]), np.array([]), twilight)
    table = section["exponent"]
    if np.ndim(table) != 2 or np.shape(table)[1] != 2:
        raise InputError(f"{root.where}: scattering.exponent", table, "give rows of wavelength (nm) and exponent")
    return Scattering(law, table[:, 0], table[:, 1], twilight)


_RING_KEYS = {
    "name": "a text in quotes",
    "colour": "a text in quotes",
    **dict.fromkeys(
        ("inner_km", "outer_km", "optical_depth", "brightness", "opposition_ratio", "unlit_share"), "a number"
    ),
}
_RING_SYSTEM_KEYS = {
    "opposition_ratio": "a number",
    "flare_deg": "a number",
    "unlit_ratio": "rows of numbers",
    "reference_opening_deg": "a number",
}


def _read_rings(root: Section) -> tuple[Ring, ...]:
    sections = _sections(root, "ring")
    if not sections:
        return ()
    shared = _table(root, "ring_system")
    check_keys(shared, _RING_SYSTEM_KEYS)
    for key in ("opposition_ratio", "unlit_ratio", "reference_opening_deg"):
        shared[key]  # said now that it is missing, not in the middle of a picture
    colours = _table(root, "ring_colour") if "ring_colour" in root else {}
    rings = []
    for ring in sections:
        check_keys(ring, _RING_KEYS)
        table = np.array([[550.0, 1.0]])
        if "colour" in ring:
            table = colours[choose(f"{ring.where}.colour", ring["colour"], colours)]
        if np.ndim(table) != 2 or np.shape(table)[1] != 2:
            raise InputError(
                f"{root.where}: ring_colour", ring["colour"], "give rows of wavelength (nm) and brightness"
            )
        if not 0.0 < ring["inner_km"] < ring["outer_km"]:
            given = (ring["inner_km"], ring["outer_km"])
            raise InputError(f"{ring.where}: inner_km, outer_km", given, "give two radii, the smaller first")
        nm, colour = (tuple(float(x) for x in column) for column in table.T)
        rings.append(
            Ring(
                name=ring["name"],
                inner_km=ring["inner_km"],
                outer_km=ring["outer_km"],
                optical_depth=ring["optical_depth"],
                brightness=ring["brightness"],
                colour_nm=nm,
                colour=colour,
                opposition_ratio=ring.get("opposition_ratio", shared["opposition_ratio"]),
                unlit_share=ring.get("unlit_share", 1.0),
            )
        )
    return tuple(rings)
