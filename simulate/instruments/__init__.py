"""Instruments: the user's file of a telescope, a camera and a mount, and what its numbers imply.

reader    `load_instrument`: TOML to `Instrument`, every fault told at once
schema    what may stand in the file, field by field
fields    kinds of field: a value with a unit, a whole number, a word
meaning   `describe`: what each number implies
data      the shipped instruments; all generic, none copies a product
"""

from simulate.instruments.meaning import Fact, describe
from simulate.instruments.reader import (
    Instrument,
    build_instrument,
    instrument_names,
    load_instrument,
    load_practice,
    parse_instrument,
    practice_for,
)

__all__ = [
    "Fact",
    "Instrument",
    "build_instrument",
    "describe",
    "instrument_names",
    "load_instrument",
    "load_practice",
    "parse_instrument",
    "practice_for",
]
