"""Jupiter's moons and red spot against published minutes and against the shared truth table."""

from __future__ import annotations

import csv
from itertools import pairwise
from pathlib import Path

import pytest
from astropy.time import Time

from simulate.bodies import load_body
from simulate.geometry import apparition
from simulate.geometry.clock import days_of
from simulate.planning.events import Event
from simulate.planning.moon_events import moon_events, spot_events

TRUTH = Path(__file__).resolve().parent.parent / "truth" / "moons_shared.csv"

JUPITER = load_body("jupiter")


@pytest.fixture(scope="module")
def october_2013() -> tuple[Event, ...]:
    return moon_events(JUPITER, *days_of(["2013-10-12T02:00", "2013-10-12T09:00"]))


def seconds_off(event: Event, published: str) -> float:
    return float((Time(event.time_utc.rstrip("Z")) - Time(published)).to_value("s"))


def test_the_triple_shadow_of_2013_to_the_minute(october_2013: tuple[Event, ...]) -> None:
    """Three shadows at once on 2013-10-12 from 04:32 to 05:37 UT (widely printed)."""
    third = next(e for e in october_2013 if e.kind == "shadow begins" and e.subject == "io")
    first = next(e for e in october_2013 if e.kind == "shadow ends" and e.subject == "callisto")
    assert abs(seconds_off(third, "2013-10-12T04:32")) <= 60
    assert abs(seconds_off(first, "2013-10-12T05:37")) <= 60


def test_events_come_in_pairs(october_2013: tuple[Event, ...]) -> None:
    assert [e.kind for e in october_2013 if e.subject == "europa"] == [
        "shadow begins", "shadow ends", "transit begins", "transit ends",
    ]  # fmt: skip


def truth() -> list[dict[str, str]]:
    with TRUTH.open(encoding="utf-8") as lines:
        return list(csv.DictReader(line for line in lines if not line.startswith("#")))


@pytest.mark.parametrize(
    "row", [row for row in truth() if row["state"] != "clear"], ids=lambda r: f"{r['moon']}-{r['utc'][:10]}"
)
def test_events_bracket_the_states_of_the_truth_table(row: dict[str, str]) -> None:
    kind = {"transit": "transit", "occulted": "occultation"}[row["state"]]
    day = float(row["jd_tt"]) - 2451545.0
    mine = [e for e in moon_events(JUPITER, day - 0.25, day + 0.25) if e.subject == row["moon"]]
    before = [e for e in mine if e.day_tt < day and e.kind.split()[0] in (kind, "eclipse")]
    after = [e for e in mine if e.day_tt > day and e.kind.split()[0] in (kind, "eclipse")]
    assert before[-1].kind.endswith("begins")
    assert after[0].kind.endswith("ends")


def test_states_change_at_the_events(october_2013: tuple[Event, ...]) -> None:
    second = 1.0 / 86400.0
    for event in [e for e in october_2013 if e.kind.startswith("transit")]:
        states = []
        for shift in (-2.0, 2.0):
            time = Time(2451545.0, event.day_tt + shift * second, format="jd", scale="tt")
            states.append(next(m.state for m in apparition("jupiter", time).moons if m.name == event.subject))
        assert (states[0] == "transit") == event.kind.endswith("ends")
        assert (states[1] == "transit") == event.kind.endswith("begins")


def test_the_red_spot_comes_every_ten_hours_and_stands_on_the_meridian() -> None:
    found = spot_events(JUPITER, *days_of(["2026-01-10T00:00", "2026-01-12T00:00"]), 86.0)
    assert len(found) in (4, 5)
    gaps = [24 * (b.day_tt - a.day_tt) for a, b in pairwise(found)]
    assert gaps == pytest.approx([9.93] * len(gaps), abs=0.02)  # System II turns in 9 h 55.7 min
    seen = apparition("jupiter", Time(2451545.0, found[0].day_tt, format="jd", scale="tt"))
    assert seen.central_meridian_deg["II"] == pytest.approx(86.0, abs=0.05)


def test_a_degree_of_longitude_is_1_65_minutes() -> None:
    """Published: a feature 1 deg further on passes 1.65 min later."""
    span = days_of(["2026-01-10T00:00", "2026-01-10T12:00"])
    first, later = (spot_events(JUPITER, *span, longitude)[0] for longitude in (100.0, 110.0))
    assert 1440 * (later.day_tt - first.day_tt) == pytest.approx(16.5, abs=0.1)


def test_without_a_longitude_the_doubt_is_stated() -> None:
    assert "+-" in spot_events(JUPITER, *days_of(["2026-11-10T00:00", "2026-11-10T12:00"]))[0].what
    assert "+-" not in spot_events(JUPITER, *days_of(["2026-11-10T00:00", "2026-11-10T12:00"]), 104.0)[0].what
