"""Speed of the expected path as ratios to the bare transforms of the same sizes in the same run.

The ratios go to the benchmark's extra columns; bars (with the measured prototype's ratio in mind) are
checked against the median of interleaved rounds, so that a busy machine slows both alike.
"""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
import scipy.fft

pytest.importorskip("pytest_benchmark", reason="needs the [oracles] extra")

from simulate.air import Sky
from simulate.bodies import load_body
from simulate.camera import SensorGrid, take_frame
from simulate.commands.view import view
from simulate.geometry import apparition
from simulate.instruments import load_instrument
from simulate.light.chain import Aim, Setting, make_chain
from simulate.light.look import ViewOptions, seen_bins
from simulate.scene import SceneOptions, render
from simulate.telescope import diffraction
from simulate.values.practice import IDEAL

pytestmark = pytest.mark.benchmark_ratio

SIZE = 256


def floor() -> None:
    """Three bare rfft2 + irfft2 pairs of 256 x 256 in single precision."""
    planes = PLANES
    for plane in planes:
        scipy.fft.irfft2(scipy.fft.rfft2(plane), s=plane.shape)


PLANES = np.random.default_rng(0).random((3, SIZE, SIZE), dtype=np.float32)


def interleaved(first: Callable[[], Any], second: Callable[[], Any], rounds: int = 15) -> float:
    """Median ratio of the times of two functions, run in turn."""
    ratios = []
    for _ in range(rounds):
        start = time.perf_counter()
        first()
        middle = time.perf_counter()
        second()
        ratios.append((middle - start) / (time.perf_counter() - middle))
    return statistics.median(ratios)


@pytest.fixture(scope="module")
def setting() -> Setting:
    instrument = load_instrument("newtonian-150")
    sensor = SensorGrid(SIZE, SIZE, 0.2492)
    return Setting(instrument, Sky(), Aim(), sensor.fine_grid(1), sensor, seen_bins(instrument.camera))


def test_scene_to_frame_with_known_transfers(benchmark: Any, setting: Setting) -> None:
    chain = make_chain(setting)
    options = SceneOptions(red_spot_longitude_deg=100.0)
    scene = render(
        apparition("jupiter", "2026-01-10T08:00"), load_body("jupiter"), setting.grid, setting.bins, options=options
    )
    random = np.random.default_rng(1)

    def whole() -> None:
        take_frame(chain.on_sensor(chain.rates(scene)), setting.instrument.camera, 0.01, random)

    benchmark(whole)
    ratio = interleaved(whole, floor)
    benchmark.extra_info["times the three transform pairs"] = round(ratio, 1)
    assert ratio <= 15


def test_scene_to_frame_with_everything_anew(benchmark: Any, setting: Setting) -> None:
    body, seen = load_body("jupiter"), apparition("jupiter", "2026-01-10T08:00")
    random = np.random.default_rng(1)
    options = SceneOptions(red_spot_longitude_deg=100.0)
    scene = render(seen, body, setting.grid, setting.bins, options=options)

    def whole() -> None:
        diffraction.transfers.cache_clear()
        chain = make_chain(setting)
        take_frame(chain.on_sensor(chain.rates(scene)), setting.instrument.camera, 0.01, random)

    benchmark(whole)
    ratio = interleaved(whole, floor)
    benchmark.extra_info["times the three transform pairs"] = round(ratio, 1)
    assert ratio <= 40


def test_a_whole_warm_view(benchmark: Any) -> None:
    options = ViewOptions(scene=SceneOptions(red_spot_longitude_deg=100.0), practice=IDEAL)
    benchmark(lambda: view("jupiter", "newtonian-150", "2026-01-10T08:00", options=options))
    benchmark.extra_info["seconds, median"] = round(benchmark.stats.stats.median, 3)
