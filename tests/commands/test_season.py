"""Seasons: dates, judged figure of merit, best dates, strip, processes."""

from __future__ import annotations

from concurrent.futures import Executor, Future
from typing import Any

import numpy as np
import pytest

from simulate.air import Sky
from simulate.bodies import load_body
from simulate.commands.season import (
    Season,
    SeasonOptions,
    SeasonTask,
    alike_once,
    apparitions_of,
    best_dates,
    chosen_nodes,
    merits,
    season,
    season_likeness,
    season_rows,
    strip_dates,
)
from simulate.errors import InputError
from simulate.geometry import Apparition, Site, apparition
from simulate.geometry.ephemeris import load_ephemeris
from simulate.geometry.sight import make_observer
from simulate.instruments import load_instrument
from simulate.judging import THRESHOLDS
from simulate.judging.thresholds import FeatureLine
from simulate.light.look import ViewOptions, expected_frame
from simulate.planning.events import Event
from simulate.planning.moon_calendar import HALF_HOUR_UP, judge_event
from simulate.planning.nights import altitudes, noon_of, times_of
from simulate.planning.outlook import Case, Node, feature_merit, prospect, sharpness_curve
from simulate.present.planning_chart import season_chart
from simulate.present.planning_text import season_text
from simulate.recording.workers import open_executor
from simulate.scene import SceneOptions
from simulate.values.practice import IDEAL

SITE = Site(47.4, 8.5, 400.0)


@pytest.fixture(scope="module")
def jupiter() -> Season:
    options = SeasonOptions(step_days=15.0, judged=2)
    return season("jupiter", "2026-08-01", "2027-10-01", "refractor-60", SITE, options=options)


def test_jupiter_is_best_near_its_opposition(jupiter: Season) -> None:
    """Opposition 2027-02-11, 45.2 arcsec."""
    top = jupiter.times_utc[jupiter.best[0]][:10]
    assert "2027-01-10" <= top <= "2027-03-15"
    assert jupiter.columns["equatorial_diameter_arcsec"][jupiter.best[0]] > 43.5


def test_merit_is_nought_where_it_cannot_be_had_and_positive_elsewhere(jupiter: Season) -> None:
    assert np.all(jupiter.columns["merit"][~jupiter.usable] == 0)
    assert np.all(jupiter.columns["merit"][jupiter.usable] > 0)
    assert np.all(jupiter.columns["clear"] <= 14)


def test_every_moment_is_dark_and_high_enough(jupiter: Season) -> None:
    assert np.all(jupiter.columns["sun_altitude_deg"][jupiter.usable] <= -6.0)
    assert np.all(jupiter.columns["altitude_deg"][jupiter.usable] >= 5.0)


def test_rows_are_those_of_the_apparition_then(jupiter: Season) -> None:
    index = jupiter.best[0]
    seen = apparition("jupiter", jupiter.times_utc[index], SITE)
    assert jupiter.columns["altitude_deg"][index] == pytest.approx(seen.altitude_deg, abs=0.2)
    assert jupiter.columns["magnitude"][index] == pytest.approx(seen.magnitude, abs=0.01)
    assert jupiter.central_meridian_deg[index] == pytest.approx(seen.central_meridian_deg["II"], abs=1.0)


def test_the_advice_says_to_wait(jupiter: Season) -> None:
    assert jupiter.advice[0].startswith("Best: 2027-")
    assert "first be had" in jupiter.advice[1]
    assert "wait" in jupiter.advice[2]


def test_sharpness_by_altitude_is_that_of_the_view() -> None:
    tool, sky = load_instrument("refractor-60"), Sky()
    seen = apparition("jupiter", "2027-02-10T22:00", SITE)
    options = ViewOptions(scene=SceneOptions(red_spot_longitude_deg=0.0), practice=IDEAL)
    look = expected_frame(load_body("jupiter"), tool, seen, sky, options)
    curve = sharpness_curve(tool, sky, SITE.height_m)
    assert float(curve.width(np.array(seen.altitude_deg))) == pytest.approx(look.sharp_arcsec, rel=0.05)
    assert np.all(np.diff(curve.fwhm_arcsec) <= 0)


def test_a_node_scales_to_itself_and_falls_with_blur() -> None:
    lines = (FeatureLine("belt", "clear", 0.5, 40.0), FeatureLine("gap", "lost", 0.05, 3.0))
    node = Node(0, 0.05, 40.0, (0.0,), lines)
    same = node.scaled(0.05, 40.0)
    assert [(line.contrast, line.snr, line.verdict) for line in same] == [(0.5, 40.0, "clear"), (0.05, 3.0, "lost")]
    # a spot as wide as the blur keeps half its contrast; twice the blur leaves a fifth
    assert node.scaled(0.10, 40.0)[0].contrast == pytest.approx(0.2)
    assert node.scaled(0.10, 40.0)[0].verdict == THRESHOLDS.verdict(0.2, 16.0)


def test_a_feature_counts_from_the_threshold_on() -> None:
    low, high = THRESHOLDS.contrast_doubtful, THRESHOLDS.contrast_clear
    assert feature_merit(low, 1000.0) == 0.0
    assert feature_merit(0.9, THRESHOLDS.snr_doubtful) == 0.0
    assert feature_merit(high, 1000.0) == pytest.approx(high)
    assert feature_merit(0.9, 1000.0) == 0.9
    assert 0.0 < feature_merit((low + high) / 2, 1000.0) < high


def test_the_figure_of_merit_agrees_with_a_full_judgement() -> None:
    """Interpolated dates against the same dates judged one by one."""
    few = season("jupiter", "2027-02-01", "2027-06-01", "refractor-60", SITE, options=SeasonOptions(40.0, judged=2))
    all_ = season("jupiter", "2027-02-01", "2027-06-01", "refractor-60", SITE, options=SeasonOptions(40.0, judged=20))
    good = all_.columns["elements"] >= np.median(all_.columns["elements"])
    assert few.columns["merit"][good] == pytest.approx(all_.columns["merit"][good], rel=0.1)


def test_processes_change_nothing() -> None:
    task = SeasonTask(load_body("saturn"), tuple(9900.0 + 10.0 * np.arange(20)), SITE)
    whole = season_rows(task, 0, 20)
    with open_executor(2) as executor:
        assert executor is not None
        parts = [executor.submit(season_rows, task, *span).result() for span in ((0, 7), (7, 20))]
    for name, column in whole.items():
        assert np.array_equal(column, np.concatenate([part[name] for part in parts]), equal_nan=True), name


def test_without_a_site_every_date_will_do() -> None:
    found = season("saturn", "2026-12-01", "2027-06-01", "refractor-60", options=SeasonOptions(60.0, judged=1))
    assert found.usable.all()
    assert "altitude_deg" not in found.columns


def test_a_planet_that_never_rises_gets_a_sentence() -> None:
    found = season("jupiter", "2027-06-01", "2027-07-01", "refractor-60", Site(-85.0, 0.0), options=SeasonOptions(10.0))
    assert not found.usable.any()
    assert "cannot be had" in found.advice[0]
    assert found.best == ()


@pytest.mark.parametrize("body", ["star", "sun"])
def test_what_has_no_season_is_refused(body: str) -> None:
    with pytest.raises(InputError, match=body):
        season(body, "2027-01-01", "2028-01-01", "refractor-60")


def test_a_span_that_runs_backwards_is_refused() -> None:
    with pytest.raises(InputError, match="after the start"):
        season("mars", "2028-01-01", "2027-01-01", "refractor-60")
    with pytest.raises(InputError, match="dates"):
        season("mars", "1950-01-01", "2050-01-01", "refractor-60", options=SeasonOptions(step_days=0.5))


def test_best_dates_are_the_highest_and_lie_apart() -> None:
    days = np.arange(0.0, 700.0, 10.0)
    merit = 1 + np.cos(2 * np.pi * (days - 350.0) / 400.0)
    chosen = best_dates(days, merit)
    assert days[chosen[0]] == 350.0
    gaps = np.abs(np.subtract.outer(days[list(chosen)], days[list(chosen)]))[~np.eye(len(chosen), dtype=bool)]
    assert gaps.min() >= 30.0


def test_apparitions_are_parted_by_long_gaps_only() -> None:
    days = np.arange(0.0, 200.0, 5.0)
    usable = ~((days > 50) & (days < 60)) & ~((days > 100) & (days < 150))
    assert [(days[a], days[b]) for a, b in apparitions_of(days, usable)] == [(0, 100), (150, 195)]


def test_judged_dates_differ_from_each_other() -> None:
    points = np.array([[0.0, 0.0], [0.1, 0.0], [3.0, 0.0], [0.0, 2.0], [9.0, 9.0]])
    usable = np.array([True, True, True, True, False])
    chosen = chosen_nodes(points, usable, 3)
    assert len(set(chosen)) == 3
    assert {2, 3} <= set(chosen)
    assert 4 not in chosen


def test_the_strip_holds_the_best_of_each_apparition(jupiter: Season) -> None:
    chosen = strip_dates(jupiter, 4)
    assert len(chosen) == 4
    assert int(np.argmax(jupiter.columns["merit"])) in chosen
    assert chosen == sorted(chosen)
    assert strip_dates(jupiter, 0) == []


def test_where_nothing_can_be_seen_the_sharpest_disc_is_best_and_that_is_said() -> None:
    found = season("neptune", "2026-09-01", "2026-12-01", "refractor-40", SITE, options=SeasonOptions(15.0, judged=1))
    assert not found.columns["merit"].any()
    assert found.best
    assert "None of its features" in found.advice[1]


def test_the_moon_is_ranked_by_its_altitude_in_a_dark_sky_and_that_is_said() -> None:
    found = season("moon", "2027-02-01", "2027-02-28", "refractor-40", SITE, options=SeasonOptions(3.0))
    assert found.judged == ()
    assert np.isnan(found.columns["merit"]).all()
    altitude = found.columns["altitude_deg"]
    assert altitude[found.best[0]] == pytest.approx(altitude[found.usable].max(), abs=1.0)
    assert "ranked by its altitude in a dark sky" in found.advice[0]
    assert not any(word in " ".join(found.advice) for word in ("wait", "reaches", "nan"))
    assert "nan" not in season_text(found)


def test_the_moon_without_a_place_is_not_ranked() -> None:
    found = season("moon", "2027-02-01", "2027-02-28", "refractor-40", options=SeasonOptions(9.0))
    assert found.best == ()
    assert "not ranked" in found.advice[0]


def test_a_single_date_is_a_season_too() -> None:
    found = season("saturn", "2027-01-01", "2027-01-03", "refractor-40", SITE, options=SeasonOptions(10.0, judged=1))
    assert len(found.days_tt) == 1
    assert len(found.advice) == 1
    assert season_chart(found).height > 400


def test_notes_that_differ_in_numbers_only_are_told_once() -> None:
    texts = ["the spot at 108 deg is uncertain by 14 deg", "other", "the spot at 109 deg is uncertain by 14.5 deg"]
    assert alike_once(texts) == ("the spot at 108 deg is uncertain by 14 deg", "other")


def test_a_season_is_the_same_in_small_parts_of_which_there_are_many() -> None:
    """So that more than four processes have work."""
    spans: list[tuple[int, int]] = []

    class Counting(Executor):
        def submit(self, fn: Any, /, *args: Any, **kwargs: Any) -> Future:
            done: Future = Future()
            spans.append(args[1:])
            done.set_result(fn(*args, **kwargs))
            return done

    options = SeasonOptions(1.0, judged=1)
    alone = season("uranus", "2026-12-01", "2027-03-01", "refractor-40", SITE, options=options)
    spread = season("uranus", "2026-12-01", "2027-03-01", "refractor-40", SITE, options=options, executor=Counting())
    for name in alone.columns:
        assert np.array_equal(alone.columns[name], spread.columns[name], equal_nan=True), name
    assert len(spans) >= 91 / 8


def test_a_cluster_gives_the_same_rows() -> None:
    distributed = pytest.importorskip("distributed")
    task = SeasonTask(load_body("mars"), tuple(9900.0 + 10.0 * np.arange(6)), SITE)
    with (
        distributed.LocalCluster(n_workers=1, threads_per_worker=1, processes=False, dashboard_address=None) as cluster,
        open_executor(1, cluster.scheduler_address) as executor,
    ):
        assert executor is not None
        far = executor.submit(season_rows, task, 0, 6).result(timeout=60)
    for name, column in season_rows(task, 0, 6).items():
        assert np.array_equal(column, far[name], equal_nan=True), name


def test_an_event_shortly_before_jupiter_sets_is_judged_while_it_is_up(monkeypatch: pytest.MonkeyPatch) -> None:
    """A transit that begins 5 deg up is judged then, not halfway to its end, when the planet is down."""
    site = Site(-41.3, 174.8, 20.0)
    view = ViewOptions(scene=SceneOptions(red_spot_longitude_deg=300.0), practice=IDEAL)
    case = Case(load_body("jupiter"), load_instrument("refractor-60"), site, Sky(), view)
    days = noon_of("2027-03-20", site) + np.arange(0.0, 1.0, 1 / 1440)
    height = altitudes(load_body("jupiter"), make_observer(days, site, load_ephemeris("builtin")), site)
    last = float(days[height > 5.0][-1])
    looked: list[float | None] = []

    def kept(case: Case, seen: Apparition, *_: Any) -> Any:
        looked.append(seen.altitude_deg)
        return prospect(case, seen)

    monkeypatch.setattr("simulate.planning.moon_calendar.prospect", kept)
    # half an hour after it the airless altitude is about zero, on either side of it
    for early in (-0.5, 0.0, 2.0, 4.0):
        event = Event(last - early / 1440, "transit begins", "jupiter", "", "io")
        judge_event(case, event, [event], (last - HALF_HOUR_UP, last + HALF_HOUR_UP))
    assert looked
    assert all(height is not None and height > 4.99 for height in looked)


@pytest.mark.parametrize(
    ("body", "until", "field"), [("saturn", "2026-11-20", "moons"), ("jupiter", "2027-08-01", "until")]
)
def test_what_moons_cannot_be_listed_for_is_said_before_the_work(
    body: str, until: str, field: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    def worked(*_: Any) -> None:
        raise AssertionError("the work began")

    monkeypatch.setattr("simulate.commands.season._rows", worked)
    with pytest.raises(InputError) as told:
        season(body, "2026-11-18", until, "refractor-60", SITE, options=SeasonOptions(moons=True))
    assert told.value.field == field


def test_moons_and_red_spot_are_listed_in_the_dark_only_with_altitude_and_verdict() -> None:
    options = SeasonOptions(
        1.0, judged=1, moons=True, view=ViewOptions(scene=SceneOptions(red_spot_longitude_deg=300.0), practice=IDEAL)
    )
    found = season("jupiter", "2027-02-10", "2027-02-11", "refractor-40", SITE, options=options)
    moving = [event for event in found.events if event.subject]
    assert {"io", "red spot"} <= {event.subject for event in moving}
    for event in moving:
        seen = apparition("jupiter", event.time_utc, SITE)
        assert seen.sun_altitude_deg is not None
        assert seen.sun_altitude_deg <= -6.0
        assert f"{seen.altitude_deg:.0f} deg high" in event.what
        assert event.what.split(", ")[-1] in ("clear", "doubtful", "lost")
    with pytest.raises(InputError, match="moons"):
        season("mars", "2027-02-10", "2027-02-11", "refractor-40", SITE, options=options)


def test_mars_dates_rank_by_sharpness_and_size_not_by_the_face_that_was_judged() -> None:
    """Of two oppositions seen as sharply against the disc, the wider and sharper one is the better (2035 over 2033).

    The first judged date shows more features (both caps), the second fewer; both dates are like one of them.
    """
    shown = {"syrtis major": 0.6, "mare tyrrhenum": 0.6, "south polar cap": 0.6, "north polar cap": 0.6}
    many = tuple(FeatureLine(name, "clear", contrast, 60.0) for name, contrast in shown.items())
    few = (FeatureLine("syrtis major", "clear", 0.62, 60.0), FeatureLine("mare tyrrhenum", "lost", 0.01, 0.3))
    rows = {
        "equatorial_diameter_arcsec": np.array([22.1, 24.6, 7.9]),
        "delivered_fwhm_arcsec": np.array([0.96, 1.03, 0.96]),
        "phase_angle_deg": np.array([9.0, 4.0, 36.0]),
        "sub_observer_latitude_deg": np.array([0.0, -21.0, 0.0]),
    }
    likeness = season_likeness(rows)
    nodes = tuple(Node(0, 0.05, 20.0, tuple(map(float, likeness[i])), lines) for i, lines in enumerate((many, few)))
    merit, clear = merits(nodes, rows, np.ones(3, bool), one_face=True)
    assert merit[1] > merit[0] > merit[2] > 0
    assert clear[1] >= clear[0] >= clear[2]
    by_likeness, _ = merits(nodes, rows, np.ones(3, bool))
    assert by_likeness[1] < by_likeness[0]


def test_at_a_fixed_hour_mars_turns_back_by_nine_degrees_a_day() -> None:
    """Common practice: the same longitude comes 37 min later each day, that is 9.1 deg less at the same hour."""
    task = SeasonTask(load_body("mars"), tuple(noon_of("2027-02-10", SITE) + np.arange(8.0)), SITE, hour_utc=21.0)
    rows = season_rows(task, 0, 8)
    assert {time[11:] for time in times_of(rows["day_tt"])} == {"21:00Z"}
    steps = (np.diff(rows["central_meridian_deg"]) + 180.0) % 360.0 - 180.0
    assert steps == pytest.approx([-37 / 24.66 * 360 / 60] * 7, abs=0.4)
    assert np.all(rows["darkness"] > 0)


def test_an_hour_needs_a_site() -> None:
    with pytest.raises(InputError, match="site"):
        season("mars", "2027-02-10", "2027-02-13", "refractor-40", options=SeasonOptions(hour_utc=21.0))
    with pytest.raises(InputError, match="hour"):
        SeasonOptions(hour_utc=25.0)


def test_venus_looks_half_before_it_is_in_the_evening_and_after_it_in_the_morning() -> None:
    """Published: 4 to 6 days; a wide blur works against it."""
    options = SeasonOptions(step_days=2.0, judged=1)
    found = season("venus", "2026-07-01", "2027-02-01", "refractor-80", sky=Sky(seeing_arcsec=1.0), options=options)
    true = {event.what.split("(")[1][:6]: event.day_tt for event in found.events if event.kind == "half phase"}
    seen = {event.what.split("(")[1][:6]: event.day_tt for event in found.events if event.kind == "apparent half phase"}
    assert -8 < seen["waning"] - true["waning"] < -3
    assert 3 < seen["growin"] - true["growin"] < 8


def test_saturn_s_season_tells_the_rings_light_at_opposition() -> None:
    options = SeasonOptions(step_days=2.0, judged=1)
    found = season("saturn", "2026-09-10", "2026-11-01", "refractor-80", options=options)
    (sentence,) = [text for text in found.advice if text.startswith("The rings give")]
    assert "opposition on 2026-10-04" in sentence
    top = found.columns["ring_globe_ratio"].max()
    assert f"{top:.2f}" in sentence
