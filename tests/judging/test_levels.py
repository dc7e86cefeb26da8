"""Levels of practice are ordered: a better hand never gets the worse verdict or the worse signal to noise."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import pytest

from simulate.air import Sky
from simulate.bodies import load_body
from simulate.geometry import apparition
from simulate.instruments import Instrument, load_instrument
from simulate.judging import THRESHOLDS, WORDS, Judgement, judged_features
from simulate.judging.bench import Setup, make_bench
from simulate.judging.judge import judge_feature
from simulate.light.chain import Aim
from simulate.values.practice import LEVELS, PRACTICES

pytestmark = pytest.mark.filterwarnings("ignore")


def coarse_lens() -> Instrument:
    """50 mm at f/5 on pixels of 2.9 um, twice coarser than critical."""
    tool = load_instrument("refractor-60")
    colour = (125.0, 125.0)  # focal length / 2000
    optics = replace(tool.telescope, aperture_mm=50.0, focal_length_mm=250.0, amplifier=1.0, colour_error_um=colour)
    return replace(tool, name="coarse-lens", telescope=optics)


CASES = [
    ("mars", "2025-01-16T00:00", "refractor-60"),
    ("mars", "2025-01-16T00:00", "coarse-lens"),
    pytest.param("jupiter", "2026-01-10T08:00", "refractor-60", marks=pytest.mark.slow),
    pytest.param("jupiter", "2026-01-10T08:00", "coarse-lens", marks=pytest.mark.slow),
    pytest.param("jupiter", "2026-01-10T08:00", "newtonian-150", marks=pytest.mark.slow),
    pytest.param("saturn", "2032-12-20T00:00", "newtonian-250-mono", marks=pytest.mark.slow),
    pytest.param("venus", "2025-02-25T00:00", "refractor-40", marks=pytest.mark.slow),
    pytest.param("uranus", "2025-11-21T00:00", "catadioptric-203", marks=pytest.mark.slow),
]


def judged(body: str, time: str, tool: Instrument) -> dict[str, dict[str, Judgement]]:
    seen = apparition(body, time)
    bare = Setup(body=load_body(body), seen=seen, instrument=tool, sky=Sky(), aim=Aim.of(seen))
    found: dict[str, dict[str, Judgement]] = {}
    for level in LEVELS:
        bench = make_bench(bare.used_by(PRACTICES[level]))
        for feature in judged_features(bare.body):
            for entry in judge_feature(bench, feature, aside=True):
                found.setdefault(entry.name, {})[level] = entry
    return found


@pytest.mark.parametrize(("body", "time", "name"), CASES)
def test_a_better_hand_never_gets_the_worse_verdict(body: str, time: str, name: str) -> None:
    tool = coarse_lens() if name == "coarse-lens" else load_instrument(name)
    for feature, by_level in judged(body, time, tool).items():
        for worse, better in pairwise(LEVELS):
            low, high = by_level[worse], by_level[better]
            words = [THRESHOLDS.verdict(one.contrast, one.snr, one.legible) for one in (low, high)]
            assert WORDS.index(words[1]) <= WORDS.index(words[0]), (feature, worse, better)
            if words != ["lost", "lost"]:  # what neither sees has a signal that is not to be trusted in either
                assert high.snr >= low.snr, (feature, worse, better)


@pytest.mark.slow
def test_a_coarse_camera_costs_an_ordinary_hand_a_step_on_belts() -> None:
    # the same 60 mm at f/5 and f/11 on colour pixels of 2.9 um (common practice)
    tool = load_instrument("refractor-60")
    seen = apparition("jupiter", "2026-01-10T08:00")
    features = [one for one in judged_features(load_body("jupiter")) if "equatorial belt" in one.name]
    words: list[list[int]] = []
    for focal_mm in (300.0, 660.0):
        optics = replace(tool.telescope, focal_length_mm=focal_mm, amplifier=1.0, colour_error_um=(0.0, 0.0))
        bare = Setup(
            body=load_body("jupiter"), seen=seen, instrument=replace(tool, telescope=optics), sky=Sky(),
            aim=Aim.of(seen),
        )  # fmt: skip
        bench = make_bench(bare.used_by(PRACTICES["ordinary"]))
        found = [judge_feature(bench, feature, aside=True)[0] for feature in features]
        words.append([WORDS.index(THRESHOLDS.verdict(one.contrast, one.snr, one.legible)) for one in found])
    coarse, fine = words
    assert all(c > f for c, f in zip(coarse, fine, strict=True))
