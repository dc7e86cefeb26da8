"""What a check finds in pictures of known planets: moons, times, angles, and the budget against another picture."""

import warnings
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from simulate.compose.check import CheckOptions, check
from simulate.compose.view import ViewOptions, view
from simulate.errors import InputError
from simulate.judgement.checking.reading import UserPicture
from simulate.present.check_words import check_lines, detail_lines

MONO = "newtonian-150-mono"
JUPITER, MARS = "2022-09-21T06:00", "2020-10-13T02:30"


def taken(body: str, time: str, options: ViewOptions) -> UserPicture:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        plane = view(body, MONO, time, options=replace(options, judge=False)).stack.picture[0]
    levels = np.clip(plane / np.quantile(plane, 0.9999), 0, 1) ** (1 / 1.6)
    rows = len(levels) // 2
    half = min(rows, 210)
    return UserPicture(levels[None, rows - half : rows + half], 16, 1000, 0.0, "PNG")


@pytest.fixture(scope="module")
def jupiter() -> UserPicture:
    """Jupiter with four moons beside it."""
    return taken("jupiter", JUPITER, ViewOptions(field_arcsec=400.0))


@pytest.fixture(scope="module")
def mars() -> UserPicture:
    return taken("mars", MARS, ViewOptions())


def test_moons_are_found_and_their_widths_explained(jupiter: UserPicture) -> None:
    options = CheckOptions(compared_with="2025-12-26T23:10")
    result = check(jupiter, "jupiter", MONO, JUPITER, options=options)
    assert {moon.name for moon in result.moons} == {"io", "europa", "ganymede", "callisto"}
    for moon in result.moons:
        assert moon.off_arcsec < 0.4
        # a linear stack: what the setup and its air make of the disc, within the coarse pixels
        assert moon.width.value == pytest.approx(moon.due_arcsec, rel=0.15)
        assert moon.width.value > moon.perfect_arcsec
    assert result.dots == ()
    assert result.moons_time is not None
    assert result.moons_time.offset_s == 0.0
    readings = {one.name: one for one in result.readings}
    belt = readings["latitude of the north equatorial belt"]
    assert belt.value == pytest.approx(belt.due, abs=0.5)
    # the other evening's disc is smaller, the rest of the difference is what a linear stack leaves unused
    assert result.budget is not None
    assert result.budget.size == pytest.approx(0.93, abs=0.02)
    assert result.budget.conditions == pytest.approx(1.0, abs=0.1)
    assert result.budget.picture > 1.5
    words = " ".join(text for _, text in check_lines(result)) + str(detail_lines(result))
    assert "times as many steps" in words
    assert "Io: 1." in words


@pytest.mark.parametrize(("told", "hours"), [("2022-09-21T08:00", -2.0), ("2022-09-20T18:00", 12.0)])
def test_moons_tell_a_wrong_time_zone_and_half_a_day(jupiter: UserPicture, told: str, hours: float) -> None:
    result = check(jupiter, "jupiter", MONO, told)
    assert result.moons_time is not None
    assert result.moons_time.matched == 4
    assert result.moons_time.offset_s == pytest.approx(3600 * hours, abs=300)
    assert "mind clock, time zone" in dict(check_lines(result))["the moons"]


def test_a_face_tells_a_small_clock_error(mars: UserPicture) -> None:
    result = check(mars, "mars", MONO, "2020-10-13T02:50")
    assert result.clock is not None
    assert result.clock.value == pytest.approx(-1200.0, abs=120)


def test_a_wrong_time_is_named_and_a_right_one_offered(mars: UserPicture) -> None:
    try:
        result = check(mars, "mars", MONO, "2020-10-13T08:30")
    except InputError as error:
        told = str(error)
        assert "\n" not in told
    else:
        told = dict(check_lines(result))["the time"]
    # the instant it was taken; the faces that are tried are 1.5 h apart, and the nearest is bettered by its own clock
    assert "2020-10-13 02:3" in told or "2020-10-13 02:2" in told
    assert "time zone" in told


def test_another_picture_needs_its_time(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="compared-with"):
        CheckOptions(compared_picture=tmp_path / "other.png")
