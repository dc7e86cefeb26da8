"""A sample of the trial of `simulate check`: pictures made frame by frame; the whole is `simulate.compose.trial`."""

import math
from dataclasses import replace

import pytest

from simulate.compose.trial import confusion, draw_case, summary, try_case


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
    def row(first: str, verdict: str) -> dict:
        return {"case": {"fault": "coma"}, "refused": "", "verdict": verdict, "faults": [(first, 9.0)]}

    table = confusion([row("coma", "coma"), row("seeing", "cannot tell"), row("seeing", "seeing")])
    assert table == {"coma": {"first: coma": 1, "first: seeing": 2, "wrong, not named": 1}}
