"""Data files in which no number stands without its source.

A data file is TOML. Every number, alone or in a list, lives in a section (a TOML table) that states
``source`` and ``mark``, or in an inline table that states its own, or inherits them from an outer
section::

    [size]
    source = "Archinal et al. 2018"
    mark = "seen"
    unit = "km"
    equatorial_radius = 71492
    polar_radius = { value = 66854, uncertainty = 10 }

``value`` holds one number, ``values`` a list or a table of numbers. ``unit`` and ``uncertainty`` are
inherited in the same way; a key ending in ``_deg``, ``_km``, ``_nm`` ... carries its unit in its name.
Marks say how far a value was checked: "seen" in its source, "quoted" by a second document,
"computed" from such values, "memory" for what still wants a source.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any

import numpy as np

from simulate.errors import InputError, MissingError, nearest
from simulate.values.arrays import frozen_array

MARKS = ("seen", "quoted", "computed", "memory")

_INHERITED = ("source", "mark", "unit", "uncertainty")
_UNIT_SUFFIXES = {
    "_deg": "deg",
    "_km": "km",
    "_nm": "nm",
    "_mag": "mag",
    "_arcsec": "arcsec",
    "_d": "d",
    "_h": "h",
    "_au": "au",
    "_deg_per_day": "deg/d",
    "_m_per_s": "m/s",
}


@dataclass(frozen=True, eq=False)
class Sourced:
    """A value beside its provenance.

    Parameters
    ----------
    value : float or read-only array
        In `unit`.
    unit : str
        As astropy spells it; "" for a pure number; columns of a table are separated by ";".
    uncertainty : float or str
        In `unit`, or a clause such as "15 %"; "not stated" where the source gives none.
    source : str
        Author and year, or where the value stands.
    mark : str
        One of `MARKS`.
    """

    value: Any
    unit: str
    uncertainty: float | str
    source: str
    mark: str


class MissingKeyError(MissingError, KeyError):
    """A data file lacks something; a `KeyError` too, so that a section is a mapping like any other."""

    __str__ = Exception.__str__


@dataclass(frozen=True, eq=False)
class Section(Mapping[str, Any]):
    """A section of a data file, read-only; indexing gives plain values.

    ``section[key]`` is a float, a read-only array, a str, a bool, a `Section` or a tuple of
    sections; ``section.sourced(key)`` gives a number with its provenance. A key that the file lacks
    raises `MissingKeyError`, which says where it should stand.
    """

    where: str
    entries: Mapping[str, Any]
    source: str = ""
    mark: str = ""
    numbers: Mapping[str, Sourced] = field(init=False)

    def __post_init__(self) -> None:
        numbers = {key: entry for key, entry in self.entries.items() if isinstance(entry, Sourced)}
        object.__setattr__(self, "numbers", MappingProxyType(numbers))

    def __reduce__(self) -> tuple[Any, ...]:
        return (_section, (self.where, dict(self.entries), self.source, self.mark))

    def __getitem__(self, key: str) -> Any:
        try:
            entry = self.entries[key]
        except KeyError:
            raise MissingKeyError(f"{self.where}.{key}", "the file must have it") from None
        return entry.value if isinstance(entry, Sourced) else entry

    def __iter__(self) -> Iterator[str]:
        return iter(self.entries)

    def __len__(self) -> int:
        return len(self.entries)

    def sourced(self, key: str) -> Sourced:
        """Return the number `key` with unit, uncertainty, source and mark."""
        return self.numbers[key]

    def walk(self) -> Iterator[tuple[str, Sourced]]:
        """Yield (dotted name, sourced number) for every number here and below, in file order."""
        for key, entry in self.entries.items():
            if isinstance(entry, Sourced):
                yield key, entry
            elif isinstance(entry, Section):
                yield from ((f"{key}.{name}", number) for name, number in entry.walk())
            elif isinstance(entry, tuple):
                for index, item in enumerate(entry):
                    if isinstance(item, Section):
                        label = item.get("name", str(index + 1))
                        yield from ((f"{key} {label}.{name}", number) for name, number in item.walk())


_KINDS: Mapping[str, Callable[[Any], bool]] = {
    "a number": lambda value: isinstance(value, float),
    "a list of numbers": lambda value: isinstance(value, np.ndarray) and value.ndim == 1,
    "a number or a list of numbers": lambda value: isinstance(value, float) or np.ndim(value) == 1,
    "rows of numbers": lambda value: isinstance(value, np.ndarray) and value.ndim == 2,
    "a text in quotes": lambda value: isinstance(value, str),
    "a list of texts": lambda value: isinstance(value, tuple) and all(isinstance(entry, str) for entry in value),
    "true or false": lambda value: isinstance(value, bool),
    "a section": lambda value: isinstance(value, Section),
}


def check_keys(section: Section, kinds: Mapping[str, str], *, others: bool = False) -> None:
    """Refuse what a section does not know, and what is of another kind than it should be.

    Parameters
    ----------
    section : Section
        As read.
    kinds : mapping of str to str
        What each key holds: "a number", "a list of numbers", "a number or a list of numbers", "rows of numbers",
        "a text in quotes", "a list of texts", "true or false" or "a section".
    others : bool
        Leave alone what is not named.

    Raises
    ------
    InputError
        For the first key that is unknown or of another kind.
    """
    for key, value in section.items():
        if key not in kinds:
            if others:
                continue
            raise InputError(section.where, key, f"its keys are {', '.join(kinds)}{nearest(key, kinds)}")
        if not _KINDS[kinds[key]](value):
            shown = value.tolist() if isinstance(value, np.ndarray) else value
            shown = "a section" if isinstance(shown, Section) else shown
            raise InputError(f"{section.where}.{key}", shown, f"give {kinds[key]}")


def _section(where: str, entries: dict[str, Any], source: str, mark: str) -> Section:
    return Section(where, MappingProxyType(entries), source, mark)


def read_section(table: Mapping[str, Any], where: str, outer: Mapping[str, Any] | None = None) -> Section:
    """Turn a parsed TOML table into a `Section`, refusing any number without source and mark.

    Parameters
    ----------
    table : mapping
        As ``tomllib`` gives it.
    where : str
        Name used in messages, such as ``"jupiter.toml: size"``.
    outer : mapping, optional
        What is inherited: source, mark, unit, uncertainty.

    Raises
    ------
    InputError
        For a number without a source or a mark, an unknown mark, or a number that is not finite.
    """
    known = {**(outer or {}), **{key: table[key] for key in _INHERITED if key in table}}
    entries = {
        key: _read_entry(value, key, f"{where}.{key}", known) for key, value in table.items() if key not in _INHERITED
    }
    return Section(where, MappingProxyType(entries), str(known.get("source", "")), str(known.get("mark", "")))


def _read_entry(value: Any, key: str, where: str, known: Mapping[str, Any]) -> Any:
    if isinstance(value, Mapping):
        if "value" in value or "values" in value:
            return _read_number(value, key, where, known)
        return read_section(value, where, known)
    if isinstance(value, list) and value and isinstance(value[0], Mapping):
        return tuple(read_section(item, f"{where}[{index}]", known) for index, item in enumerate(value))
    if isinstance(value, (int, float, list)) and not isinstance(value, bool):
        if isinstance(value, list) and all(isinstance(item, str) for item in value):
            return tuple(value)
        return _read_number({"value": value}, key, where, known)
    return value


def _read_number(entry: Mapping[str, Any], key: str, where: str, known: Mapping[str, Any]) -> Sourced:
    stated = {**known, **entry}
    source, mark = str(stated.get("source", "")), str(stated.get("mark", ""))
    if not source.strip():
        raise InputError(where, entry.get("value", entry.get("values")), "a number needs a source beside it")
    if mark not in MARKS:
        raise InputError(f"{where}.mark", mark, f"use one of {', '.join(MARKS)}")
    raw = entry["value"] if "value" in entry else entry["values"]
    unit = entry.get("unit", _unit_of(key) or stated.get("unit", ""))
    return Sourced(_numeric(raw, where), str(unit), stated.get("uncertainty", "not stated"), source, mark)


def _unit_of(key: str) -> str:
    matches = [suffix for suffix in _UNIT_SUFFIXES if key.endswith(suffix)]
    return _UNIT_SUFFIXES[max(matches, key=len)] if matches else ""


def _numeric(raw: Any, where: str) -> Any:
    allowed = "give finite numbers, in rows of equal length"
    try:
        array = np.array(raw, dtype=float)
    except (TypeError, ValueError) as error:
        raise InputError(where, raw, allowed) from error
    if not np.all(np.isfinite(array)):
        raise InputError(where, raw, allowed)
    return float(array) if array.ndim == 0 else frozen_array(array)
