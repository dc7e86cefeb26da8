"""One setup, one verdict: `view`, `limits`, `plan` and `season`, alone and in company."""

from __future__ import annotations

from functools import cache

import pytest

from simulate.air import Sky
from simulate.bodies import load_body
from simulate.commands.limits import LimitsOptions, limits
from simulate.commands.view import view
from simulate.geometry import Apparition, apparition
from simulate.instruments import instrument_names, load_instrument
from simulate.judging import Judgement, judged_features
from simulate.judging.bench import Setup, make_bench
from simulate.judging.judge import judge_feature, judge_scene
from simulate.judging.thresholds import FeatureLine
from simulate.light.chain import Aim
from simulate.light.look import ViewOptions
from simulate.planning.outlook import Case, judge_some, prospect
from simulate.values.practice import PRACTISED

pytestmark = pytest.mark.filterwarnings("ignore")

WHEN = {"mars": "2027-02-19T00:00", "saturn": "2026-10-04T00:00", "jupiter": "2026-01-10T08:00"}
LADDER = LimitsOptions(apertures_mm=(40.0, 75.0))
AGREEMENT = 0.02


@cache
def seen(body: str) -> Apparition:
    return apparition(body, WHEN[body])


def unstaged(body: str) -> set[str]:
    """Features that `limits` judges as they stand, as the other commands do all of theirs."""
    return {feature.name for feature in judged_features(load_body(body)) if not feature.stage and feature.kind in
            ("detail", "disc")}  # fmt: skip


def compare(one: dict[str, tuple[float, float]], other: dict[str, tuple[float, float]]) -> None:
    shared = one.keys() & other.keys()
    assert len(shared) >= 5
    for name in shared:
        assert one[name][0] == pytest.approx(other[name][0], rel=AGREEMENT, abs=0.002), name
        assert one[name][1] == pytest.approx(other[name][1], rel=AGREEMENT, abs=0.05), name


def numbers(entries: tuple[Judgement, ...] | tuple[FeatureLine, ...], body: str) -> dict[str, tuple[float, float]]:
    wanted = unstaged(body)
    return {
        entry.name: (entry.contrast or 0.0, entry.snr or 0.0)
        for entry in entries
        if entry.name in wanted or entry.name.removesuffix(" as a separate line") in wanted
    }


def view_numbers(body: str, tool: str) -> dict[str, tuple[float, float]]:
    return numbers(view(body, tool, WHEN[body]).features, body)


def outlook_numbers(body: str, tool: str) -> dict[str, tuple[float, float]]:
    """What `plan` and `season` say: both judge a prospect."""
    case = Case(load_body(body), load_instrument(tool), None, Sky(), ViewOptions())
    return numbers(judge_some(prospect(case, seen(body)), judged_features(case.body)), body)


def alone(body: str, tool: str) -> dict[str, tuple[float, float]]:
    """What `limits` says, which judges this bench for each of its setups."""
    setup = Setup(
        body=load_body(body), seen=seen(body), instrument=load_instrument(tool), sky=Sky(), aim=Aim.of(seen(body))
    )
    bench = make_bench(setup.used_by(PRACTISED))
    answers = [entry for feature in judged_features(setup.body) for entry in judge_feature(bench, feature, aside=True)]
    return numbers(tuple(answers), body)


@pytest.mark.parametrize(("body", "tool"), [("mars", "refractor-60"), ("saturn", "newtonian-150")])
def test_commands_agree_alone_and_in_company(body: str, tool: str) -> None:
    company = {"refractor-60": "newtonian-250", "newtonian-150": "refractor-40"}[tool]
    compared = limits(body, [tool, company], WHEN[body], options=LADDER).compared
    found = numbers(compared[0], body)
    assert found == numbers(limits(body, [company, tool], WHEN[body], options=LADDER).compared[1], body)
    assert found == alone(body, tool)
    compare(found, view_numbers(body, tool))
    compare(found, outlook_numbers(body, tool))


def test_what_was_judged_before_does_not_matter() -> None:
    # drawings and transforms are kept from one setup to the next: they must not change what comes after
    small, large = (load_instrument(name) for name in ("refractor-60", "newtonian-250"))
    setups = [
        Setup(body=load_body("mars"), seen=seen("mars"), instrument=tool, sky=Sky(seeing_arcsec=1.0), aim=Aim())
        for tool in (small, large)
    ]
    first = judge_scene(make_bench(setups[0]))
    judge_scene(make_bench(setups[1]))
    assert judge_scene(make_bench(setups[0])) == first


@pytest.mark.slow
@pytest.mark.parametrize("tool", instrument_names())
@pytest.mark.parametrize("body", ["mars", "saturn", "jupiter"])
def test_every_shipped_instrument_agrees(body: str, tool: str) -> None:
    found = alone(body, tool)
    compare(found, view_numbers(body, tool))
    compare(found, outlook_numbers(body, tool))
