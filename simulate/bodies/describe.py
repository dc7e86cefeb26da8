"""Every number of a body beside its uncertainty, its source and how far it was checked."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import numpy.typing as npt

from simulate.bodies.sections import Sourced

if TYPE_CHECKING:
    from simulate.bodies.body import Body

_LISTED = 8
"""Longer lists are told by their length and range."""

_UNIT_IN_NAME = re.compile(r"_(deg|km|nm|mag|arcsec|d|h|au|deg_per_day|m_per_s)$")


class Fact(NamedTuple):
    """One line of what is known: texts, ready to print."""

    quantity: str
    value: str
    uncertainty: str
    source: str
    mark: str


def describe(body: Body) -> list[Fact]:
    """Return every number of `body` as texts (quantity, value with unit, uncertainty, source, mark).

    First what follows from the data file (flattening, rotation), then the file's own numbers in its
    order.
    """
    return [_fact(name, number) for name, number in sourced_numbers(body)]


def sourced_numbers(body: Body) -> list[tuple[str, Sourced]]:
    """Return (quantity, number with provenance) for every number of `body`, derived ones first."""
    numbers = [*_derived(body), *((_plain(name), number) for name, number in body.sections.walk())]
    repeats: Counter[str] = Counter()
    named = []
    for name, number in numbers:
        repeats[name] += 1  # a feature drawn in several pieces has several entries of one name
        named.append((name if repeats[name] == 1 else f"{name} ({repeats[name]})", number))
    return named


def _derived(body: Body) -> Iterator[tuple[str, Sourced]]:
    if body.polar_radius_km < body.equatorial_radius_km:
        flattening = 1 - body.polar_radius_km / body.equatorial_radius_km
        yield "flattening", Sourced(round(flattening, 6), "", "not stated", "from the radii below", "computed")
    if body.orientation is not None:
        for system, rotation in body.orientation.rotation.items():
            name = f"rotation period, System {system}" if system else "rotation period"
            source = "from the orientation below; negative is retrograde"
            yield name, Sourced(round(24 * 360.0 / float(rotation[1]), 6), "h", "not stated", source, "computed")


def _plain(name: str) -> str:
    """Turn a dotted key into words: "magnitude.last_phase_deg" -> "magnitude: last phase"."""
    words = ": ".join(_UNIT_IN_NAME.sub("", part).replace("_", " ") for part in name.split("."))
    return words.removesuffix(": single")


def _fact(quantity: str, number: Sourced) -> Fact:
    return Fact(quantity, value_text(number), _uncertainty_text(number), number.source, number.mark)


def value_text(number: Sourced) -> str:
    """Return a number, a list or a summary of a table, with its unit."""
    value = number.value
    unit = "" if number.unit == "1" else number.unit
    if not isinstance(value, np.ndarray):
        return f"{_number(value)} {unit}".rstrip()
    if value.ndim == 1 and value.size <= _LISTED:
        return f"{', '.join(_number(x) for x in value)} {_bracketed(unit)}".rstrip()
    if value.ndim == 1:
        return f"{value.size} values from {_number(value.min())} to {_number(value.max())} {unit}".rstrip()
    if value.ndim == 2 and value.shape[1] == 2:
        return _pairs(value, unit)
    shape = " x ".join(str(n) for n in value.shape)
    return f"table of {shape} {_bracketed(unit)}".rstrip()


def _pairs(table: npt.NDArray[Any], unit: str) -> str:
    if len(table) <= _LISTED:
        text = ", ".join(f"{_number(x)}: {_number(y)}" for x, y in table)
        return f"{text} {_bracketed(unit)}".rstrip()
    span = f"{_number(table[0, 0])} to {_number(table[-1, 0])}"
    return f"{len(table)} pairs, {span} {_bracketed(unit)}".rstrip()


def _number(value: float) -> str:
    return f"{float(value):.10g}"


def _bracketed(unit: str) -> str:
    return f"({unit})" if ";" in unit else unit


def _uncertainty_text(number: Sourced) -> str:
    if isinstance(number.uncertainty, str):
        return number.uncertainty
    if number.uncertainty == 0:
        return "exact"
    unit = "" if ";" in number.unit or number.unit == "1" else number.unit
    return f"+-{_number(number.uncertainty)} {unit}".rstrip()
