"""The mount's path: its size, its memory, and that it needs no past."""

from __future__ import annotations

import numpy as np
import pytest

from simulate.camera import wander_within
from simulate.errors import InputError
from simulate.recording.wander import Wander


def test_size_over_a_long_time():
    places = np.concatenate([Wander(seed, 1.5).at(np.arange(0, 900, 3.7)) for seed in range(12)])
    assert places.std(axis=0) == pytest.approx([1.5, 1.5], rel=0.05)
    assert np.abs(places.mean(axis=0)).max() < 0.15


def test_correlation_falls_exponentially():
    times = np.arange(0, 600, 0.25)
    for lag, wanted in ((1, np.exp(-0.25)), (4, np.exp(-1.0)), (12, np.exp(-3.0))):
        found = []
        for seed in range(20):
            path = Wander(seed, 1.0, 1.0).at(times)
            found.append(np.mean(path[lag:] * path[:-lag]))
        assert np.mean(found) == pytest.approx(wanted, abs=0.05)


def test_wander_within_an_exposure_is_what_the_expected_path_assumes():
    exposure = 0.5
    inside = [
        Wander(seed, 1.0).at(start + np.linspace(0, exposure, 40)).var(axis=0).mean()
        for seed in range(10)
        for start in range(0, 60, 2)
    ]
    assert np.sqrt(np.mean(inside)) == pytest.approx(wander_within(1.0, exposure), rel=0.08)


def test_any_order_and_any_seed():
    one = Wander(4, 1.0)
    np.testing.assert_array_equal(one.at(7.25), Wander(4, 1.0).at([1.0, 7.25])[1])
    assert not np.allclose(one.at(7.25), Wander(5, 1.0).at(7.25))


def test_negative_error_is_refused():
    with pytest.raises(InputError, match="tracking error"):
        Wander(0, -1.0)
