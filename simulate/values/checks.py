"""One helper for the door: numbers with units in, plain floats out."""

from __future__ import annotations

import math
from typing import Any

from simulate.errors import InputError


def to_float(
    field: str,
    value: Any,
    unit: str,
    lowest: float = -math.inf,
    highest: float = math.inf,
    *,
    open_low: bool = False,
) -> float:
    """Return `value` as a finite float in `unit`, checked against its range.

    Parameters
    ----------
    field : str
        Name used in the message.
    value : float, str or `~astropy.units.Quantity`
        A bare number is taken to be in `unit`; text such as ``"150 mm"`` and quantities are
        converted.
    unit : str
        Unit of the result, as astropy spells it; "" for pure numbers.
    lowest, highest : float
        Accepted range in `unit`, ends included.
    open_low : bool
        Exclude the lower end.

    Raises
    ------
    InputError
        For a wrong kind of unit, a value that is not a finite number, or one out of range.
    """
    wanted = f"give {_range_text(unit, lowest, highest, open_low)}"
    number = _strip(field, value, unit, wanted)
    below = number <= lowest if open_low else number < lowest
    if not math.isfinite(number) or below or number > highest:
        raise InputError(field, _shown(value), wanted)
    return number


def _strip(field: str, value: Any, unit: str, wanted: str) -> float:
    if isinstance(value, (int, float)) and not isinstance(value, bool):
        try:
            return float(value)
        except OverflowError as error:  # a whole number of hundreds of digits
            raise InputError(field, "a number too large to hold", wanted) from error
    from astropy import units as u  # heavy: only where units really come in

    if unit and isinstance(value, str) and _is_number(value):
        raise InputError(field, value, f'{wanted}, with its unit: "{value.strip()} {trade_unit(unit)}"')
    try:
        quantity: Any = parse_quantity(value) if isinstance(value, str) else u.Quantity(value)
        return float(quantity.to_value(u.Unit(unit) if unit else u.dimensionless_unscaled))
    except (u.UnitConversionError, u.UnitsError, TypeError, ValueError) as error:
        raise InputError(field, _shown(value), wanted) from error


def _is_number(text: str) -> bool:
    try:
        return math.isfinite(float(text))
    except ValueError:
        return False


_ALIASES = {
    "inches": "imperial_inch",
    "inch": "imperial_inch",
    "in": "imperial_inch",
    '"': "arcsec",
    "fps": "1 / s",
    "degC": "deg_C",
    "waves": "wave",
}


def parse_quantity(text: str) -> Any:
    """Return the `~astropy.units.Quantity` that `text` means, with the trade's spellings.

    Accepts what astropy accepts and in addition ``e-``, ``DN`` (also within ``e-/DN``, ``e-/s``),
    ``inch``, ``fps`` and ``wave`` (the last as a dimensionless count of wavelengths).

    Raises
    ------
    ValueError
        If the text holds no number or no known unit.
    """
    import re

    from astropy import units as u
    from astropy.units import imperial

    match = re.fullmatch(r"\s*([-+]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][-+]?[0-9]+)?)\s*(.*?)\s*", text, re.ASCII)
    if not match:
        raise ValueError(f"{text!r} does not start with a number")
    number, unit = match.groups()
    unit = _ALIASES.get(unit, unit)
    unit = re.sub(r"(?<![A-Za-z])e-", "electron", unit)
    unit = re.sub(r"\b(?:DN|ADU)\b", "adu", unit)
    if unit in ("wave", "pixel", ""):
        return u.Quantity(float(number), u.dimensionless_unscaled)
    if unit == "imperial_inch":
        return u.Quantity(float(number), imperial.inch)
    return u.Quantity(float(number), u.Unit(unit))


def _shown(value: Any) -> Any:
    return value if isinstance(value, (int, float, str)) else str(value)


def trade_unit(unit: str) -> str:
    """Return a unit as people in the trade write it: ``electron / adu`` becomes ``e-/DN``."""
    return unit.replace("electron", "e-").replace("adu", "DN").replace(" / ", "/")


def _range_text(unit: str, lowest: float, highest: float, open_low: bool) -> str:
    suffix = f" {trade_unit(unit)}" if unit else ""
    if math.isinf(lowest) and math.isinf(highest):
        return f"a number{' in' + suffix if unit else ''}"
    if math.isinf(highest):
        return f"a value {'above' if open_low else 'of at least'} {lowest:g}{suffix}"
    if math.isinf(lowest):
        return f"a value of at most {highest:g}{suffix}"
    start, to = ("above", "up to") if open_low else ("from", "to")
    return f"a value {start} {lowest:g}{suffix} {to} {highest:g}{suffix}"
