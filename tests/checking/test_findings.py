"""What a check finds in pictures of known planets: moons, times, angles, and the budget against another picture."""

import math
import warnings
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from simulate.bodies import load_body
from simulate.checking import findings
from simulate.checking.budget import budget_of
from simulate.checking.check import CheckOptions, _seen_then, check
from simulate.checking.measures import Measurement
from simulate.checking.reading import UserPicture
from simulate.checking.words import budget_words, check_lines, detail_lines
from simulate.commands.view import view
from simulate.errors import InputError
from simulate.geometry import apparition, as_site, parse_time
from simulate.light.look import ViewOptions
from simulate.values.practice import IDEAL

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
    return taken("jupiter", JUPITER, ViewOptions(field_arcsec=400.0, practice=IDEAL))


@pytest.fixture(scope="module")
def mars() -> UserPicture:
    return taken("mars", MARS, ViewOptions(practice=IDEAL))


def test_moons_are_found_and_their_widths_explained(jupiter: UserPicture) -> None:
    options = CheckOptions(compared_with="2025-12-26T23:10")
    result = check(jupiter, "jupiter", MONO, JUPITER, options=options)
    assert {moon.name for moon in result.moons} == {"io", "europa", "ganymede", "callisto"}
    for moon in result.moons:
        assert moon.off_arcsec < 0.4
        # a linear stack by the ideal hand, which adds nothing: what the setup and its air make of the disc, within the
        # coarse pixels
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


@pytest.mark.parametrize(
    ("told", "hours"),
    [("2022-09-21T08:00", -2.0), pytest.param("2022-09-20T18:00", 12.0, marks=pytest.mark.slow)],
)
def test_moons_tell_a_wrong_time_zone_and_half_a_day(jupiter: UserPicture, told: str, hours: float) -> None:
    result = check(jupiter, "jupiter", MONO, told)
    assert result.moons_time is not None
    assert result.moons_time.matched == 4
    assert result.moons_time.offset_s == pytest.approx(3600 * hours, abs=300)
    assert "mind clock, time zone" in dict(check_lines(result))["the moons"]
    # all else is measured for that time: the face agrees with the moons, and so do clock and longitude
    assert result.told_utc.startswith(told)
    assert result.later_s == pytest.approx(3600 * hours, abs=300)
    assert result.clock is not None
    assert result.clock.value == pytest.approx(3600 * hours, abs=max(3 * result.clock.error, 60))
    assert result.moons_found == ("callisto", "europa", "ganymede", "io")
    assert "by the moons" in dict(check_lines(result))["the time"]


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


def test_what_a_bland_planet_cannot_tell_is_not_measured() -> None:
    # Saturn's map has belts and no spots: its longitude changes nothing in the picture
    picture = taken("saturn", "2032-12-20T00:00", ViewOptions(practice=IDEAL))
    result = check(picture, "saturn", MONO, "2032-12-20T00:00")
    readings = {one.name: one for one in result.readings}
    longitude = readings["longitude of the central meridian (III)"]
    assert not math.isfinite(longitude.error)
    assert readings["opening of the rings"].value == pytest.approx(readings["opening of the rings"].due, abs=0.5)
    lines = dict(detail_lines(result))["what can be measured"]
    assert "Longitude of the central meridian (III): cannot tell" in lines
    assert result.clock is None
    # 0.15 m do not open the Encke gap, whatever it does to the A ring's brightness
    features = {one.name: one for one in result.features}
    assert features["cassini division"].contrast is not None
    assert "encke gap" not in features or features["encke gap"].contrast is None


def bench_at(time: str, site: str | None) -> Any:
    seen = apparition(load_body("jupiter"), parse_time(time), None if site is None else as_site(site))
    return SimpleNamespace(body=load_body("jupiter"), seen=seen)


def test_another_evening_is_compared_even_if_the_planet_was_below_this_horizon() -> None:
    wellington = "-41.3,174.8,20"
    here = bench_at("2027-02-10T12:00", wellington)
    below = CheckOptions(compared_with="2022-09-26T23:10")
    seen, elsewhere = _seen_then(here, below)
    assert elsewhere
    assert seen.airmass == here.seen.airmass
    # the disc is that of the other evening: 49.9 arcsec at the opposition of 2022-09-26 (a close one)
    assert seen.equatorial_diameter_arcsec == pytest.approx(49.9, abs=0.2)
    # from a place of its own it stands as high as it does there
    seen, elsewhere = _seen_then(here, replace(below, compared_site="-30.2,-70.8,2700"))
    assert not elsewhere
    assert seen.altitude_deg is not None
    assert seen.altitude_deg > 0
    with pytest.raises(InputError, match="below the horizon"):
        _seen_then(here, replace(below, compared_site=wellington))
    assert _seen_then(bench_at("2027-02-10T12:00", None), below)[1] is False
    with pytest.raises(InputError, match="compared-with"):
        CheckOptions(compared_site=wellington)


def test_sharpening_beyond_what_was_to_be_had_counts_for_nothing() -> None:
    seen = SimpleNamespace(time_utc="", equatorial_diameter_arcsec=45.0, apparent_altitude_deg=None)
    other: Any = SimpleNamespace(seen=seen, expected_aperture_mm=lambda: 150.0)

    def picture(aperture_mm: float) -> Any:
        return SimpleNamespace(
            aperture=Measurement(aperture_mm, 4.0),
            expected_aperture_mm=150.0,
            over_sharpened=aperture_mm > 165,
            apparition=seen,
        )

    assert budget_of(picture(180.0), other).picture == pytest.approx(1.0)
    assert budget_of(picture(180.0), other).over_sharpened
    assert "over-sharpened" in budget_words(budget_of(picture(180.0), other))
    assert budget_of(picture(75.0), other, picture(180.0)).picture == pytest.approx(2.0)
    assert budget_of(picture(75.0), other).picture == pytest.approx(2.0)


def test_a_twin_that_cannot_be_made_is_a_line_and_no_end(monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: Any) -> Any:
        raise InputError("--twin", "polar cap", "the picture shows too little of its place to tell")

    monkeypatch.setattr(findings, "make_twin", refuse)
    monkeypatch.setattr(findings, "close_up", lambda *_: None)
    bench: Any = SimpleNamespace(without=lambda _: None, body=load_body("mars"))
    fitted: Any = SimpleNamespace(levels=None, fit=None, theory=None, picture=SimpleNamespace(bits=8))
    twin, told = findings.twin_of(bench, fitted, "polar cap", 0)
    assert twin is None
    assert told == "polar cap: the picture shows too little of its place to tell"


def test_another_planet_is_named_before_a_far_date() -> None:
    picture = taken("jupiter", JUPITER, ViewOptions(practice=IDEAL))
    with pytest.raises(InputError, match="like jupiter at that time") as error:
        check(picture, "saturn", MONO, JUPITER)
    assert error.value.field == "BODY"


def test_a_face_that_does_not_fit_is_sought_at_other_times() -> None:
    # an hour and a half off, the red spot is where no pose of the theory has it, but the globe fits
    plane = taken("jupiter", "2027-02-10T12:00", ViewOptions(practice=IDEAL))
    result = check(plane, "jupiter", MONO, "2027-02-10T13:30")
    # belts and outline tell the angle, the spot out of its place pulls on it
    assert result.angle is not None
    assert math.remainder(result.angle.value, 360.0) == pytest.approx(0.0, abs=1.0)
    assert result.other_time is not None
    found = parse_time(result.other_time.time_utc) - parse_time("2027-02-10T12:00")
    assert abs(found.sec) < 60
    assert "mind date" in dict(check_lines(result))["the time"]
    right = dict(check_lines(check(plane, "jupiter", MONO, "2027-02-10T12:00")))
    assert "the time" not in right
