from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from simulate.planning.search import crossed, crossings, maxima, spans, wrapped


@given(st.floats(-3, 3))
def test_crossings_of_a_sine(phase: float) -> None:
    days = np.linspace(0, 50, 201)
    found, signs = crossings(lambda t: np.sin(t + phase), days)
    expected = (np.arange(-1, 20) * np.pi) - phase
    expected = expected[(expected > 1e-9) & (expected < 50 - 1e-9)]
    assert len(found) == pytest.approx(len(expected), abs=1)  # one that falls on an end may count
    for day, sign in zip(found, signs, strict=True):
        assert abs(np.sin(day + phase)) < 1e-6
        assert np.sign(np.cos(day + phase)) == sign


def test_an_angle_that_wraps_crosses_once_a_turn() -> None:
    days = np.linspace(0, 100, 401)
    found, signs = crossings(lambda t: wrapped(36.0 * t - 90.0), days)
    assert found == pytest.approx(2.5 + 10 * np.arange(10), abs=1e-9)
    assert set(signs) == {1.0}


def test_a_state_without_slope_is_found_to_the_last_cut() -> None:
    found, _ = crossings(lambda t: np.where(t < 3.21, -1.0, 1.0), np.linspace(0, 10, 11))
    assert found == pytest.approx([3.21], abs=1 / 12**3)


@given(st.floats(-3, 3))
def test_maxima_of_a_sine(phase: float) -> None:
    days = np.linspace(0, 50, 201)
    found, values = maxima(lambda t: np.sin(t + phase), days)
    assert np.cos(found + phase) == pytest.approx(0.0, abs=1e-3)
    assert values == pytest.approx(1.0, abs=1e-6)
    assert len(found) in (7, 8)


def test_nothing_is_found_where_nothing_happens() -> None:
    days = np.linspace(0, 1, 11)
    assert len(crossings(lambda t: t + 1.0, days)[0]) == 0
    assert len(maxima(lambda t: t, days)[0]) == 0


def test_spans() -> None:
    assert spans(np.array([1, 1, 0, 0, 1], bool)) == [(0, 1), (4, 4)]
    assert spans(np.zeros(3, bool)) == []


def test_crossings_of_a_table_lie_on_straight_lines() -> None:
    days, signs = crossed(np.array([0.0, 1.0, 2.0, 4.0]), np.array([-1.0, 1.0, 3.0, -1.0]))
    assert days.tolist() == [0.5, 3.5]
    assert signs.tolist() == [1.0, -1.0]
