"""Cost of scenes beside bare transforms of their own size, measured in the same run."""

from __future__ import annotations

import time
import warnings
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
import scipy.fft

from simulate.bodies import load_body
from simulate.geometry import Apparition, apparition
from simulate.scene import Scene, SceneOptions, render
from simulate.values.grid import Grid

pytest.importorskip("pytest_benchmark")

pytestmark = pytest.mark.benchmark_ratio

SPOT = SceneOptions(red_spot_longitude_deg=90.0)


def seen(body: str, when: str) -> Apparition:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return apparition(body, when)


def ratio_of(function: Callable[[], object], unit: Callable[[], object], rounds: int = 15) -> float:
    """Return the ratio of the least times of two calls that take turns, so that both meet the same load."""
    times: tuple[list[float], list[float]] = ([], [])
    for _ in range(rounds):
        for call, found in zip((function, unit), times, strict=True):
            start = time.perf_counter()
            call()
            found.append(time.perf_counter() - start)
    return min(times[0]) / min(times[1])


@pytest.mark.parametrize("cells", [720, 1000])
def test_the_largest_scene_costs_at_most_twelve_transforms(benchmark, cells):
    """Saturn through 300 mm, all bins; a new apparition each time, so that nothing is remembered."""
    there, saturn = seen("saturn", "2032-12-25"), load_body("saturn")
    grid = Grid(cells, cells, 46.0 / cells)
    plane = np.random.default_rng(1).normal(size=grid.shape) + 0j
    render(there, saturn, grid)
    counter = iter(range(1000))

    def draw() -> Scene:
        return render(replace(there, jd_tt=there.jd_tt + 1e-6 * next(counter)), saturn, grid)

    ratio = ratio_of(draw, lambda: scipy.fft.fft2(plane))
    benchmark.extra_info["transforms"] = ratio
    benchmark.pedantic(draw, rounds=3, iterations=1)
    assert ratio <= 12.0


def test_jupiter_on_a_small_grid_against_its_transforms(benchmark):
    """256 x 256, all 11 bins, warm; beside 11 pairs of real transforms."""
    there, jupiter = seen("jupiter", "2026-02-10T12:00"), load_body("jupiter")
    grid = Grid(256, 256, 0.2)
    render(there, jupiter, grid, options=SPOT)
    planes = np.random.default_rng(1).normal(size=(11, *grid.shape)).astype(np.float32)

    def draw() -> Scene:
        return render(there, jupiter, grid, options=SPOT)

    ratio = ratio_of(draw, lambda: scipy.fft.irfft2(scipy.fft.rfft2(planes)))
    benchmark.extra_info["pairs_of_all_bins"] = ratio
    benchmark.pedantic(draw, rounds=5, iterations=1)
    assert ratio <= 12.0
