"""Small linear algebra."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from simulate.geometry.vectors import angle_deg, carry, from_angles, latitude_deg, longitude_deg, turn_z

longitude, latitude = st.floats(0.0, 359.99), st.floats(-89.0, 89.0)


@given(longitude, latitude)
def test_angles_and_vectors_are_inverse(lon: float, lat: float) -> None:
    vector = from_angles(lon, lat)
    assert np.linalg.norm(vector) == pytest.approx(1.0)
    assert abs((longitude_deg(vector) - lon + 180.0) % 360.0 - 180.0) < 1e-9
    assert latitude_deg(vector) == pytest.approx(lat, abs=1e-9)


@given(longitude, latitude, st.floats(1e-7, 170.0))
def test_small_angles_are_not_lost(lon: float, lat: float, arc: float) -> None:
    start = from_angles(lon, lat)[None, :]
    side = np.cross(start, from_angles(lon + 50.0, -lat / 2 + 1.0)[None, :])
    side = side / np.linalg.norm(side)
    end = start * np.cos(np.radians(arc)) + side * np.sin(np.radians(arc))
    assert angle_deg(start, end)[0] == pytest.approx(arc, rel=1e-6, abs=1e-10)


@given(longitude, latitude, longitude, latitude)
def test_carrying_takes_start_to_end_and_keeps_lengths(a: float, b: float, c: float, d: float) -> None:
    start, end = from_angles(a, b)[None, :], from_angles(c, d)[None, :]
    if angle_deg(start, end)[0] > 179.0:
        return
    assert np.abs(carry(start, start, end) - end).max() < 1e-9
    other = from_angles(d * 2, b / 3)[None, :]
    assert np.linalg.norm(carry(other, start, end)) == pytest.approx(1.0, abs=1e-9)


def test_turning_about_z_goes_from_x_to_y() -> None:
    turned = turn_z(np.array([[1.0, 0.0, 0.5]]), np.pi / 2)
    assert turned[0] == pytest.approx([0.0, 1.0, 0.5], abs=1e-12)
