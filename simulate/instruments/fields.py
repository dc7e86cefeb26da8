"""Kinds of field in an instrument file: each turns what was written into a plain value or says what is allowed.

The checks raise `InputError` without a field name; the reader, which knows the place in the file, adds it.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from pydantic import BeforeValidator

from simulate.errors import InputError, choose, nearest
from simulate.values.checks import parse_quantity, to_float, trade_unit

WAVE_NM = 550.0
"""Wavelength that "wave" stands for in an instrument file, nm."""


class BareNumber(InputError):
    """A number stands where a value with a unit is needed; `unit` is the one to write."""

    def __init__(self, value: object, unit: str) -> None:
        super().__init__("", value, f"write it with its unit, in quotes, such as {value} {unit}")
        self.unit = unit


def quantity(unit: str, lowest: float, highest: float, *, open_low: bool = False) -> BeforeValidator:
    """Return the check of a text with a unit; the result is a float in `unit`."""

    def check(value: Any) -> float:
        _refuse_bare(value, trade_unit(unit))
        if not isinstance(value, str):
            raise InputError("", value, f'write a number and a unit in quotes, such as "{lowest:g} {trade_unit(unit)}"')
        return to_float("", value, unit, lowest, highest, open_low=open_low)

    return BeforeValidator(check)


def wavefront(lowest: float, highest: float) -> BeforeValidator:
    """Return the check of a wavefront error: waves of 550 nm, or a length; the result is in waves."""

    def check(value: Any) -> float:
        _refuse_bare(value, "wave")
        wanted = f'write waves of 550 nm or a length, from {lowest:g} to {highest:g} wave, such as "0.05 wave"'
        if not isinstance(value, str):
            raise InputError("", value, wanted)
        try:
            given = parse_quantity(value)
            is_length = given.unit.is_equivalent("m")
            waves = float(given.to_value("nm")) / WAVE_NM if is_length else float(given.to_value(""))
        except (ValueError, TypeError) as error:
            raise InputError("", value, wanted) from error
        if not lowest <= waves <= highest:
            raise InputError("", value, wanted)
        return waves

    return BeforeValidator(check)


def number(lowest: float, highest: float, *, open_low: bool = False) -> BeforeValidator:
    """Return the check of a pure number (a text with % is taken too)."""

    def check(value: Any) -> float:
        if isinstance(value, bool):
            raise InputError("", value, f"give a number from {lowest:g} to {highest:g}")
        return to_float("", value, "", lowest, highest, open_low=open_low)

    return BeforeValidator(check)


def whole(lowest: int, highest: int) -> BeforeValidator:
    """Return the check of a whole number."""

    def check(value: Any) -> int:
        if isinstance(value, bool) or not isinstance(value, int) or not lowest <= value <= highest:
            raise InputError("", value, f"give a whole number from {lowest} to {highest}")
        return value

    return BeforeValidator(check)


def word(known: Iterable[str]) -> BeforeValidator:
    """Return the check of a word out of a list; case does not matter."""
    spelled = {name.lower(): name for name in known}

    def check(value: Any) -> str:
        if not isinstance(value, str):
            raise InputError("", value, f"use one of {', '.join(spelled.values())}, in quotes")
        try:
            return spelled[choose("", value, spelled)]
        except InputError as error:
            raise InputError("", value, f"use one of {', '.join(spelled.values())}{_near(value, spelled)}") from error

    return BeforeValidator(check)


def text(longest: int) -> BeforeValidator:
    """Return the check of a line of text that is not empty."""

    def check(value: Any) -> str:
        if not isinstance(value, str) or not value.strip() or len(value) > longest or not value.isprintable():
            raise InputError("", value, f"give one line of text in quotes, at most {longest} characters")
        return value.strip()

    return BeforeValidator(check)


def switch() -> BeforeValidator:
    """Return the check of true or false."""

    def check(value: Any) -> bool:
        if not isinstance(value, bool):
            raise InputError("", value, "use true or false, without quotes")
        return value

    return BeforeValidator(check)


def _near(value: str, spelled: dict[str, str]) -> str:
    hint = nearest(value, spelled)
    for lower, name in spelled.items():
        hint = hint.replace(repr(lower), repr(name))
    return hint


def _refuse_bare(value: Any, unit: str) -> None:
    if isinstance(value, (int, float)) and not isinstance(value, bool):
        raise BareNumber(value, unit)
