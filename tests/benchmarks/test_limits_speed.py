"""What `limits` costs: linear in apertures and in features, since scenes and their transforms are shared."""

from __future__ import annotations

from typing import Any

import pytest

from simulate.commands.limits import LimitsOptions, limits

pytest.importorskip("pytest_benchmark", reason="needs the [oracles] extra")

pytestmark = [pytest.mark.benchmark_ratio, pytest.mark.filterwarnings("ignore")]

LADDERS = {
    3: (60.0, 80.0, 100.0),
    6: (60.0, 70.0, 80.0, 85.0, 90.0, 100.0),
    12: (60.0, 65.0, 70.0, 75.0, 78.0, 80.0, 83.0, 86.0, 90.0, 93.0, 96.0, 100.0),
}


@pytest.mark.parametrize("number", sorted(LADDERS))
def test_apertures(benchmark: Any, number: int) -> None:
    options = LimitsOptions(apertures_mm=LADDERS[number])
    found = benchmark.pedantic(
        limits, ("jupiter", "refractor-60", "2026-01-10T08:00"), {"options": options}, rounds=2, warmup_rounds=1
    )
    assert len(found.ladder) == number


def test_the_default_family(benchmark: Any) -> None:
    found = benchmark.pedantic(limits, ("jupiter", "newtonian-150", "2026-01-10T08:00"), rounds=1)
    assert len(found.ladder) == 12
