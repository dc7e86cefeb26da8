"""Ratios of speeds of the surface maps; run with ``pytest -m benchmark_ratio``. No time is asserted."""

import numpy as np
import pytest
from scipy.ndimage import map_coordinates

from simulate.bodies import load_body, surface_map
from simulate.bodies import surface as surface_module

pytest.importorskip("pytest_benchmark")
pytestmark = pytest.mark.benchmark_ratio

LATITUDE = np.sort(np.random.default_rng(1).uniform(-90, 90, 100_000))
LONGITUDE = np.random.default_rng(2).uniform(0, 360, 100_000)


@pytest.mark.benchmark(group="100 000 places of a map of Mars")
def test_sample(benchmark):
    mars = surface_map(load_body("mars"))
    assert benchmark(lambda: mars.sample(LATITUDE, LONGITUDE)).shape == (3, 100_000)


@pytest.mark.benchmark(group="100 000 places of a map of Mars")
def test_same_by_scipy(benchmark):
    mars = surface_map(load_body("mars"))
    place = np.array([(LATITUDE + 90) * 4, LONGITUDE * 4])

    def run():
        return np.stack([map_coordinates(plane, place, order=1, mode="nearest") for plane in mars.reflectance])

    found = benchmark(run)
    inside = LONGITUDE < 359.7
    assert np.allclose(found[:, inside], mars.sample(LATITUDE, LONGITUDE)[:, inside], atol=1e-4)


@pytest.mark.parametrize("name", ["mars", "moon", "jupiter", "saturn"])
@pytest.mark.benchmark(group="a map built from nothing")
def test_build(benchmark, name):
    body = load_body(name)

    def forget():
        for part in ("_bare_map", "_lasting", "_mean_reflectance"):
            getattr(surface_module, part).cache_clear()

    built = benchmark.pedantic(lambda: surface_map(body), setup=forget, rounds=5)
    assert built.name == name
