"""The hand as numbers: three levels, each stated, sourced and open to change."""

from __future__ import annotations

import math
from dataclasses import fields
from itertools import pairwise

import pytest

from simulate.errors import InputError
from simulate.values.practice import LEVELS, PRACTICES, SOURCES, Practice, practice_of, three_levels

WORSE_WHEN_LARGER = (
    "focus_growth",
    "focus_depths",
    "collimation_waves",
    "tube_air_arcsec",
    "compression",
    "registration_error_px",
    "least_drop_px",
    "response_error",
    "floor",
    "readable_contrast",
)
BETTER_WHEN_LARGER = ("frames_per_second", "seconds", "bits", "finest_cells", "restoration_gain")


def test_every_number_of_a_level_says_where_it_comes_from() -> None:
    assert set(SOURCES) == {field.name for field in fields(Practice)} - {"level"}
    assert all(len(text) > 10 for text in SOURCES.values())


def test_no_number_of_a_better_level_is_the_worse_one() -> None:
    for worse, better in pairwise(PRACTICES[level] for level in LEVELS):
        for name in WORSE_WHEN_LARGER:
            assert getattr(better, name) <= getattr(worse, name), name
        for name in BETTER_WHEN_LARGER:
            low, high = (getattr(p, name) if getattr(p, name) is not None else math.inf for p in (worse, better))
            assert high >= low, name


def test_the_default_is_the_practised_hand_and_a_number_may_be_changed() -> None:
    assert Practice() == PRACTICES["practised"] == practice_of("Practised")
    own = practice_of("ordinary", tube_air_arcsec="0.3 arcsec", bits=12)
    assert (own.level, own.tube_air_arcsec, own.bits, own.floor) == ("ordinary", 0.3, 12, PRACTICES["ordinary"].floor)
    assert not own.as_stated
    assert PRACTICES["ideal"].as_stated
    assert three_levels(own) == (own, PRACTICES["practised"], PRACTICES["ideal"])


@pytest.mark.parametrize(
    ("level", "numbers", "told"),
    [
        ("perfect", {}, "ordinary, practised, ideal"),
        ("ideal", {"tube_air": 1.0}, "tube_air_arcsec"),
        ("ideal", {"floor": -0.1}, "practice.floor"),
        ("ideal", {"finest_cells": 2.5}, "1, 1.5, 2 or 3"),
        ("ordinary", {"finest_cells": 2.0}, "own pixels"),
        ("ideal", {"colour": "painted"}, "interpolated, resampled"),
        ("ideal", {"restoration_gain": math.nan}, "practice.restoration_gain"),
    ],
)
def test_a_wrong_practice_is_answered_in_one_sentence(level: str, numbers: dict[str, object], told: str) -> None:
    with pytest.raises(InputError, match=told) as caught:
        practice_of(level, **numbers)
    assert "\n" not in str(caught.value)
