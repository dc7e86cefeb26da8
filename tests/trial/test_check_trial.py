"""A sample of the trial of `simulate check`: pictures made frame by frame; the whole is `check_trial`."""

import json
import math
from dataclasses import asdict, replace
from pathlib import Path

import pytest
from check_trial import (
    NO_FAULT,
    TIMES,
    Case,
    draw_case,
    draw_fault,
    fault_table,
    kept_picture,
    run_cases,
    said_of,
    summary,
    tables,
    try_case,
)

from simulate.checking.faults import Fault


@pytest.fixture(scope="module")
def rows() -> list[dict]:
    small = [replace(draw_case(seed), aperture_mm=80.0, enlargement=1.2) for seed in (1, 6)]
    return [try_case(case) for case in small]


def test_a_sample_of_the_trial_finds_its_truth(rows: list[dict]) -> None:
    for row in rows:
        assert row["refused"] == ""
        assert row["scale"] == pytest.approx(row["true_scale"], rel=0.01)
        assert row["aperture"] == pytest.approx(row["true_aperture"], rel=0.12)
        if row["tells_angle"]:
            assert math.remainder(row["angle"] - row["case"]["angle_deg"], 360) == pytest.approx(0, abs=1.5)
        if row["tells_mirror"]:
            assert row["mirrored"] is row["case"]["mirrored"]


def test_the_summary_counts(rows: list[dict]) -> None:
    table = summary(rows)
    assert table["pictures"] == 2
    assert table["scale within 1 %"] == 1.0
    spoiled = [{**row, "scale": 1.05 * row["true_scale"]} for row in rows]
    assert summary(spoiled)["scale within 1 %"] == 0.0


def test_the_confusion_table_tells_a_wrong_name_from_silence() -> None:
    def row(seed: int, **evidence: float) -> dict:
        faults = [asdict(Fault(name, value, 1.0, "")) for name, value in evidence.items()]
        return {"case": {"fault": "coma", "seed": seed}, "refused": "", "faults": faults}

    table = fault_table(
        [
            row(0, coma=90.0, seeing=9.0),
            row(1, coma=89.0, seeing=88.0),
            row(2, coma=88.9, seeing=89.0),
            row(3, coma=9.0, seeing=90.0),
            row(5, coma=1.0, seeing=2.0),
        ]
    )
    assert "| coma | 5 | 2 | 1 | 2 (seeing 1, none 1) | seeing 1 |" in table
    assert "* all: 2 of 5 (40 %) ranked first, 1 named; of the 3 others 2 not named, 1 named wrongly" in table
    assert "* odd seeds: 1 of 3 (33 %) ranked first, 0 named; of the 2 others 1 not named, 1 named wrongly" in table


def test_a_sample_of_faults_is_named_and_a_good_picture_is_not_blamed() -> None:
    rows = [try_case(draw_fault(fault, 0), only_fit=False) for fault in ("motion", "coarse sampling", "dispersion")]
    assert [said_of(row)[1] for row in rows] == ["motion", "coarse sampling", "dispersion"]
    good = try_case(draw_fault(NO_FAULT, 0), only_fit=False)
    assert said_of(good) == (NO_FAULT, "none")
    table = tables([*rows, good])
    assert "| motion | 1 | 1 | 1 | 0 | 0 |" in table
    assert "* all: 3 of 3 (100 %) ranked first, 3 named; of the 0 others 0 not named, 0 named wrongly" in table


def test_cases_that_were_kept_are_not_run_again(tmp_path: Path, rows: list[dict]) -> None:
    file = tmp_path / "rows.jsonl"
    file.write_text("".join(json.dumps({**row, "mark": 1}) + "\n" for row in rows))
    again = run_cases([Case(**row["case"]) for row in rows], file, None, 1)
    assert [row["mark"] for row in again] == [1, 1]
    assert [row["scale"] for row in again] == [row["scale"] for row in rows]
    assert "| pictures | 2 |" in tables(again)
    assert "| scale within 1 % | 100.0 % | 95 % |" in tables(again)


def test_a_kept_picture_is_not_made_again(tmp_path: Path) -> None:
    case = replace(draw_case(5), aperture_mm=55.0, body="mars", time=TIMES["mars"][0])
    made = kept_picture(case, tmp_path)
    before = {path.name: path.stat().st_mtime_ns for path in tmp_path.iterdir()}
    again = kept_picture(case, tmp_path)
    assert (again.data, again.pose, again.aperture_mm) == (made.data, made.pose, made.aperture_mm)
    assert {path.name: path.stat().st_mtime_ns for path in tmp_path.iterdir()} == before
    # another case under the same name is made anew
    assert kept_picture(replace(case, gamma=1.0), tmp_path).data != made.data
