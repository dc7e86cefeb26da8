"""Charts, strip, tables and JSON of a season and a night, from one computed example of each."""

from __future__ import annotations

import io
import json
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from simulate.commands.plan import PlanOptions, plan
from simulate.commands.season import SeasonOptions, season
from simulate.geometry import Site
from simulate.geometry.clock import days_of
from simulate.planning.nights import SunEvent
from simulate.planning.records import MoonCard, MoonLayer, Plan, Season
from simulate.present.board import Board
from simulate.present.planning_chart import (
    HEAD,
    Chart,
    Panel,
    _strip_note,
    _sun_label,
    date_ticks,
    hour_ticks,
    night_chart,
    round_step,
    scale_of,
    season_chart,
    strip_board,
)
from simulate.present.planning_json import plan_json, season_json
from simulate.present.planning_text import _moon_text, plan_text, ranking_text, season_text
from simulate.present.planning_trades import trades_board, write_moon_layer

SITE = Site(47.4, 8.5, 400.0)


@pytest.fixture(scope="module")
def saturn() -> Season:
    options = SeasonOptions(step_days=20.0, judged=1, pictures=2)
    return season("saturn", "2026-08-01", "2027-08-01", "refractor-40", SITE, options=options)


@pytest.fixture(scope="module")
def venus() -> Plan:
    return plan("venus", "2026-08-15", SITE, "refractor-40", options=PlanOptions(judge_events=False, trades=True))


def test_tables_fit_eighty_columns_and_plain_ones_are_ascii(saturn: Season, venus: Plan) -> None:
    for text in (season_text(saturn), plan_text(venus), ranking_text([venus], ["jupiter stays too low"])):
        assert max(len(line) for line in text.splitlines()) <= 80
    plain = "\n".join((season_text(saturn, plain=True), ranking_text([venus], [], plain=True)))
    assert plain.isascii()
    assert max(len(line) for line in plain.splitlines()) <= 80
    assert plan_text(venus, plain=True).isascii()
    table = [line for line in plan_text(venus, plain=True).splitlines() if line.startswith("* ")]
    assert len({len(line) for line in table}) == 1


def test_the_table_says_what_the_numbers_are(saturn: Season) -> None:
    text = season_text(saturn)
    index = saturn.best[0]
    row = next(line for line in text.splitlines() if line.startswith(saturn.times_utc[index][:10]))
    assert f"{saturn.columns['equatorial_diameter_arcsec'][index]:.1f}″" in row
    assert f"{saturn.columns['ring_opening_deg'][index]:+.1f}°" in row
    assert "opposition" in text


def test_a_night_s_text_holds_the_card_and_the_daylight_caution(venus: Plan) -> None:
    text = plan_text(venus)
    for word in ("Exposure", "Longest recording", "Window", "Bits", "Keep", "Sampling", "Focus", "Colour fringe"):
        assert f"\n  {word}" in text
    assert "CAUTION" in " ".join(text.split())
    assert "Sunset" in text


def test_trade_offs_are_told_drawn_and_put_into_json(venus: Plan) -> None:
    assert "Gain, share and number of frames" in plan_text(venus)
    board = trades_board(venus)
    assert board.png({}) == trades_board(venus).png({})
    values = json.loads(json.dumps(plan_json(venus, {})))["trades"]
    assert len(values["shares"]) == len(values["share_snr"])
    assert values["sharpening"]["limited_by"] in ("ringing", "noise")


def test_a_layer_of_moons_is_white_with_their_light_as_opacity(tmp_path: Path) -> None:
    light = np.zeros((5, 7), np.float32)
    light[1, 2] = 1.0
    path = write_moon_layer(tmp_path / "moons.png", MoonLayer(light, 2.0, 3.0, ("io",), "2027-02-10T23:00:00.000Z"))
    with Image.open(path) as picture:
        values = np.asarray(picture)
        assert "column 3.00, row 2.00 from the top" in picture.info["Comment"]
    assert values.shape == (5, 7, 2)
    assert np.all(values[..., 0] == 255)
    assert np.argwhere(values[..., 1]).tolist() == [[3, 2]]  # row 0 of the file is the top


def test_the_charts_are_drawn_alike_each_time(saturn: Season, venus: Plan) -> None:
    first, second = (season_chart(saturn).png({}) for _ in range(2))
    assert first == second
    night = night_chart(venus)
    assert night.width == 1120
    assert night.png({})[:4] == b"\x89PNG"


def test_the_strip_shows_its_pictures_at_one_scale(saturn: Season) -> None:
    from io import BytesIO

    from PIL import Image

    board = strip_board(saturn)
    with Image.open(BytesIO(board.png({}))) as picture:
        pixels = np.asarray(picture.convert("L"), float)
    assert pixels.shape == (board.height, board.width)
    light = [pixels[92:392, 28 + k * 314 : 328 + k * 314].max() for k in range(len(saturn.strip))]
    assert min(light) > 100  # a planet in every cell


def test_a_chart_maps_time_from_edge_to_edge() -> None:
    board = Board(1120, 400)
    days = np.linspace(10.0, 20.0, 5)
    chart = Chart(board, HEAD, days, np.ones(5, bool))
    assert chart.x(10.0) == chart.x0
    assert chart.x(20.0) == chart.x1
    assert chart.x(15.0) == pytest.approx((chart.x0 + chart.x1) / 2)


@pytest.mark.parametrize(("least", "step"), [(0.7, 1), (1.0, 1), (1.1, 2), (18, 20), (0.03, 0.05), (600, 1000)])
def test_steps_are_round(least: float, step: float) -> None:
    assert round_step(least) == pytest.approx(step)


def test_a_scale_holds_all_values_and_labels_round_ones() -> None:
    low, high, levels = scale_of(Panel("x", ((np.array([3.2, 9.7, np.nan]), "c"),)), np.ones(3, bool))
    assert low <= 3.2
    assert high >= 9.7
    assert levels == sorted(levels)
    assert all(level == round(level) for level in levels)


def test_ticks_fall_on_round_dates() -> None:
    first, last = (float(day) for day in days_of(["2026-12-01", "2028-12-01"]))
    ticks = date_ticks(first, last)
    assert 6 <= len(ticks) <= 14
    labels = [text for _, text in ticks]
    assert "Jan 2027" in labels
    assert "Jan 2028" in labels
    assert [text for _, text in hour_ticks(*days_of(["2027-02-10T20:30", "2027-02-10T23:10"]))] == [
        "21:00", "22:00", "23:00",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("first", "last", "start", "step"),
    [("2027-02-01", "2027-02-12", "1 Feb 2027", 1), ("2027-01-01T12:00", "2027-02-20", "6 Jan 2027", 5)],
)
def test_short_spans_have_ticks_of_days(first: str, last: str, start: str, step: int) -> None:
    ticks = date_ticks(*(float(day) for day in days_of([first, last])))
    assert 8 <= len(ticks) <= 14
    assert ticks[0][1] == start
    assert all((int(text.split()[0]) - 1) % step == 0 for _, text in ticks)
    assert all((day + 0.5) % 1.0 == pytest.approx(0.0, abs=1e-9) for day, _ in ticks)


def test_a_single_moment_stands_in_the_middle_and_a_short_window_is_shaded() -> None:
    board = Board(1120, 400)
    chart = Chart(board, HEAD, np.array([10.0]), np.ones(1, bool))
    assert chart.x(10.0) == pytest.approx((chart.x0 + chart.x1) / 2)
    chart.shade(10.0, 10.0, 1, "#ffffff")
    pixels = np.asarray(Image.open(io.BytesIO(board.png({}))).convert("L"))
    assert pixels[HEAD + 20, round(chart.x(10.0))] == 255


def test_moons_are_told_to_a_tenth_of_an_arcsecond_and_in_pixels() -> None:
    moon = MoonCard("io", "clear", 5.2, -8.04, 2.13, 8.24, 32.06, 6.3, 0.0632)
    assert _moon_text(moon) == ("clear, 5.2 mag, 8.0″ W, 2.1″ N (rows +8.2, columns +32.1 px); exposure x6.3 = 63.2 ms")


def test_the_sun_s_lines_and_the_strip_are_labelled(saturn: Season) -> None:
    assert _sun_label(SunEvent(0.0, "nautical twilight ends")) == "−12°"
    assert _sun_label(SunEvent(0.0, "sunset")) == "sunset"
    assert _strip_note(saturn).startswith("2 dates, each at its best moment of the night")


def test_json_of_a_season_keeps_its_promise(saturn: Season) -> None:
    document = json.loads(json.dumps(season_json(saturn, {"body": "saturn"}), allow_nan=False))
    assert set(document) >= {"body", "dates", "best", "events"}
    assert set(document["dates"][0]) >= {
        "time", "equatorial_diameter_arcsec", "illuminated_fraction", "altitude_deg", "merit",
    }  # fmt: skip
    assert set(document["best"][0]) == {"time", "merit"}
    assert set(document["events"][0]) >= {"time", "what"}
    assert len(document["dates"]) == len(saturn.days_tt)


def test_json_of_a_plan_keeps_its_promise(venus: Plan) -> None:
    document = json.loads(json.dumps(plan_json(venus, {}), allow_nan=False))
    assert set(document) >= {"body", "window", "curve", "events", "card"}
    assert set(document["window"]) == {"from", "until", "best"}
    assert set(document["curve"][0]) >= {"time", "altitude_deg", "delivered_fwhm_arcsec", "dispersion_arcsec"}
    assert set(document["card"]) >= {
        "exposure_s", "gain_e_per_dn", "frames_per_second", "frames", "gigabytes", "longest_recording_s",
        "keep_fraction", "critical_focal_ratio", "amplifier", "focus_tolerance_um", "dispersion_px",
        "moon_exposure_ratio", "field_rotation_deg_per_min",
    }  # fmt: skip
    assert set(document["card"]["longest_recording_s"]) == {"strict", "usual"}
