"""`simulate season` and `simulate plan` at the command line: files, JSON, bad input."""

from __future__ import annotations

import json
from datetime import date
from pathlib import Path

import pytest

from simulate.cli import main
from simulate.cli.plan import tonight
from simulate.cli.season import _date
from simulate.geometry import Site

SITE = ["--site", "47.4,8.5,400"]
SMALL = ["--instrument", "refractor-40"]


def run(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str, str]:
    code = main(list(words))
    shown = capsys.readouterr()
    return code, shown.out, shown.err


def test_a_season_writes_chart_strip_and_calendar(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    span = ["--from", "2026-12", "--until", "2027-04", "--step", "20 day", "--judged", "1", "--pictures", "1"]
    code, out, err = run(capsys, "season", "uranus", *span, *SITE, *SMALL, "--output", str(tmp_path), "--json")
    assert code == 0, err
    document = json.loads(out)
    assert document["body"] == "uranus"
    assert len(document["dates"]) == 8  # up to the end of April
    assert document["dates"][-1]["time"].startswith("2027-04-20")
    assert {Path(path).suffix for path in document["files"].values()} == {".png", ".ics"}
    assert all(Path(path).stat().st_size > 200 for path in document["files"].values())
    assert document["others"] == []


def test_a_plan_writes_a_chart_and_a_calendar(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    night = ["--night", "2027-01-10", *SITE, *SMALL, "--output", str(tmp_path)]
    code, out, err = run(capsys, "plan", "uranus", "neptune", *night)
    assert code == 0, err
    assert "What to look at in the night of 2027-01-10" in out
    assert "Capture card" in out
    assert max(len(line) for line in out.splitlines() if str(tmp_path) not in line) <= 80
    assert sorted(path.suffix for path in tmp_path.iterdir()) == [".ics", ".ics", ".png", ".png"]


def test_the_moon_can_be_planned_with_a_station_before_it(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    night = ["--night", "2027-02-15", *SITE, *SMALL, "--output", str(tmp_path), "--station-range", "600 km"]
    code, out, err = run(capsys, "plan", "moon", *night)
    assert code == 0, err
    assert "space station 600 km away" in " ".join(out.split())


def test_trade_offs_and_the_layer_of_moons_are_written(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    night = ["--night", "2027-01-10", *SITE, *SMALL, "--output", str(tmp_path), "--quick", "--trades", "--json"]
    code, out, err = run(capsys, "plan", "saturn", *night)
    assert code == 0, err
    document = json.loads(out)
    assert {Path(document["files"][kind]).suffix for kind in ("trades", "moons")} == {".png"}
    assert all(Path(path).stat().st_size > 200 for path in document["files"].values())
    assert "titan" in document["moon_layer"]["moons"]
    assert len(document["trades"]["frames"]) == len(document["trades"]["frames_snr"])
    assert document["card"]["sharpening_strength"] >= 0


@pytest.mark.parametrize(
    ("words", "field"),
    [
        (["plan", "jupiter", "--night", "2027-02-10"], "--site"),
        (["plan", "jupiter", "--night", "soon", *SITE], "night"),
        (["plan", "pluto", "--night", "2027-02-10", *SITE], "pluto"),
        (["plan", "jupiter", "--night", "2027-02-10", *SITE, "--exposure", "5 apples"], "--exposure"),
        (["plan", "star", "--night", "2027-02-10", *SITE], "star"),
        (["season", "mars", "--from", "2027-20"], "--from"),
        (["season", "mars", "--from", "2027-02", "--until", "2026-02"], "until"),
        (["season", "mars", "--step", "0 day"], "--step"),
        (["season", "mars", "--judged", "0"], "--judged"),
        (["season", "mars", "--pictures", "99"], "--pictures"),
        (["season", "mars", "--hour", "25:00", *SITE], "--hour"),
        (["season", "sun"], "sun"),
    ],
)
def test_bad_input_gets_one_sentence(words: list[str], field: str, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = run(capsys, *words)
    assert code == 2
    assert out == ""
    assert field in err
    assert "Traceback" not in err


@pytest.mark.parametrize(
    ("text", "first", "last"),
    [
        ("2028", "2028-01-01", "2028-12-31"),
        ("2028-02", "2028-02-01", "2028-02-29"),
        ("2029-12", "2029-12-01", "2029-12-31"),
        ("2027-03-05", "2027-03-05", "2027-03-05"),
    ],
)
def test_a_month_or_year_is_taken_from_its_first_to_its_last_day(text: str, first: str, last: str) -> None:
    assert _date("--from", text) == first
    assert _date("--until", text, last=True) == last


def test_a_plan_without_a_place_says_so(capsys: pytest.CaptureFixture[str]) -> None:
    code, _, err = run(capsys, "plan", "jupiter", "--night", "2027-02-10")
    assert code == 2
    assert "--site is missing; a night needs a place" in err
    assert "None" not in err


def test_tonight_is_the_evening_s_date_at_the_site() -> None:
    east, west = (date.fromisoformat(tonight(Site(0.0, longitude))) for longitude in (179.0, -179.0))
    assert 0 <= (east - west).days <= 1
