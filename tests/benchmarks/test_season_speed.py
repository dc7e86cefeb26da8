"""The cost of a season grows with the number of its dates and no faster."""

from __future__ import annotations

import time

import numpy as np
import pytest

from simulate.bodies import load_body
from simulate.commands.season import SeasonTask, season_rows
from simulate.geometry import Site

pytest.importorskip("pytest_benchmark")

pytestmark = pytest.mark.benchmark_ratio


def least_time(dates: int, rounds: int = 5) -> float:
    task = SeasonTask(load_body("saturn"), tuple(9900.0 + 3.0 * np.arange(dates)), Site(47.4, 8.5, 400.0))
    times = []
    for _ in range(rounds):
        start = time.perf_counter()
        season_rows(task, 0, dates)
        times.append(time.perf_counter() - start)
    return min(times)


def test_four_times_the_dates_cost_four_times_the_time() -> None:
    least_time(10, 1)  # tables are read once
    ratio = least_time(800) / least_time(200)
    assert 2.5 < ratio < 5.5


def test_time_of_two_hundred_dates(benchmark) -> None:  # type: ignore[no-untyped-def]
    task = SeasonTask(load_body("jupiter"), tuple(9900.0 + 3.0 * np.arange(200)), Site(47.4, 8.5, 400.0))
    rows = benchmark(season_rows, task, 0, 200)
    assert len(rows["day_tt"]) == 200
