"""A separate line is a true minimum; a mere shoulder is none."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from simulate.judging import Cut, dip_depth

X = np.linspace(-10.0, 10.0, 401)


def dark_line(depth: float, width: float, place: float = 0.0) -> np.ndarray:
    return -depth * np.exp(-0.5 * ((X - place) / width) ** 2)


def test_a_line_on_an_even_ground_is_as_deep_as_it_is() -> None:
    change = dark_line(0.4, 0.5)
    assert dip_depth(1.0 + change, change) == pytest.approx(0.4, rel=1e-3)


def test_a_weak_line_on_a_steep_slope_is_no_minimum() -> None:
    change = dark_line(0.05, 1.0)
    assert dip_depth(5.0 + 0.4 * X + change, change) == 0.0
    assert dip_depth(5.0 + 0.001 * X + change, change) > 0.005


def test_the_lower_shoulder_counts() -> None:
    change = dark_line(0.5, 0.5)
    ground = np.where(X < 0, 1.0, 0.7)
    profile = ground + change
    # the minimum lies on the lower side, 0.7 - 0.5, between shoulders of 1.0 and 0.7
    assert dip_depth(profile, change) == pytest.approx(0.5 / 0.7, rel=0.02)


def test_a_bright_feature_is_no_dark_line() -> None:
    assert dip_depth(1.0 - dark_line(0.4, 0.5), -dark_line(0.4, 0.5)) == 0.0


def test_a_hollow_elsewhere_is_not_this_feature_s() -> None:
    change = dark_line(0.02, 0.3, place=5.0)
    other = dark_line(0.5, 0.5, place=-5.0)
    assert dip_depth(1.0 + 0.05 * X + change + other, change) == 0.0


@given(depth=st.floats(0.01, 0.99), width=st.floats(0.2, 2.0), scale=st.floats(1e-3, 1e6))
def test_the_depth_does_not_depend_on_the_unit_or_the_sense_of_the_cut(
    depth: float, width: float, scale: float
) -> None:
    change = dark_line(depth, width)
    profile = 2.0 + 0.05 * X + change
    once = dip_depth(profile, change)
    assert 0.0 <= once <= 1.0
    assert dip_depth(scale * profile, scale * change) == pytest.approx(once, abs=1e-9)
    assert dip_depth(profile[::-1], change[::-1]) == pytest.approx(once, abs=1e-9)


def test_a_cut_reads_the_picture_along_its_direction() -> None:
    rows, columns = np.indices((41, 61), dtype=float)
    place, light = Cut((20.0, 30.0), (0.6, 0.8), 15.0).sample(100 + rows + 10 * columns)
    np.testing.assert_allclose(light, 100 + 20 + 300 + (0.6 + 8.0) * place, rtol=1e-6)
