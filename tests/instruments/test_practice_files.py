"""The hand in the user's own words: a table of the instrument file, or a file of its own."""

from __future__ import annotations

from pathlib import Path

import pytest

from simulate.errors import InputError
from simulate.instruments import load_instrument, load_practice, parse_instrument, practice_for
from simulate.values.practice import IDEAL, ORDINARY, PRACTISED

SETUP = """
[telescope]
aperture = "100 mm"
focal_length = "1000 mm"
[camera]
pixel = "2.9 um"
columns = 640
rows = 480
[practice]
"""


def test_numbers_without_a_level_count_for_any() -> None:
    tool = parse_instrument(SETUP + 'tube_air = "0.2 arcsec"\ncollimation = "0.01 wave"\n')
    assert practice_for(tool).tube_air_arcsec == 0.2
    assert practice_for(tool).collimation_waves == 0.01
    ordinary = practice_for(tool, ORDINARY)
    assert (ordinary.level, ordinary.tube_air_arcsec, ordinary.floor) == ("ordinary", 0.2, ORDINARY.floor)


def test_numbers_of_a_level_count_for_it_alone() -> None:
    tool = parse_instrument(SETUP + 'level = "ordinary"\nframe_rate = "60 fps"\nlength = "90 s"\n')
    assert practice_for(tool).level == "ordinary"
    assert practice_for(tool).frames_per_second == 60.0
    assert practice_for(tool).seconds == 90.0
    assert practice_for(tool, IDEAL) == IDEAL
    assert practice_for(load_instrument("newtonian-150")) == PRACTISED


def test_a_file_of_its_own(tmp_path: Path) -> None:
    for heading in ("", "[practice]\n"):
        path = tmp_path / "mine.toml"
        path.write_text(heading + 'level = "ideal"\nregistration_error = 0.1\nleast_drop = 0.5\nbits = 8\n')
        own = load_practice(path)
        assert (own.level, own.registration_error_px, own.least_drop_px, own.bits) == ("ideal", 0.1, 0.5, 8)
    assert load_practice("Ideal") == IDEAL


@pytest.mark.parametrize(
    ("lines", "told"),
    [
        ('level = "perfect"', "practice.level"),
        ("tube_air = 0.5", "in quotes"),
        ("tube = 1", "known"),
        ("floor = 2", "practice.floor"),
        ('level = "ordinary"\nfinest_cells = 2', "own pixels"),
    ],
)
def test_a_mistake_is_told_with_its_field(lines: str, told: str) -> None:
    with pytest.raises(InputError, match=told):
        parse_instrument(SETUP + lines + "\n")


def test_a_level_that_there_is_not_and_a_file_that_is_missing(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="ordinary, practised, ideal"):
        load_practice("expert")
    with pytest.raises(InputError, match="practice"):
        load_practice(tmp_path / "none.toml")
