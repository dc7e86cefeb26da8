"""Rays and outlines of spheroids."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from simulate.geometry.spheroid import Spheroid
from simulate.geometry.vectors import dot, from_angles, unit

angle = st.floats(-80.0, 80.0)
turn = st.floats(0.0, 360.0)


def ball_in_equation(globe: Spheroid, point: np.ndarray) -> float:
    along = float(point @ globe.pole[0])
    across2 = float(point @ point) - along**2
    return across2 / globe.equatorial_km**2 + along**2 / globe.polar_km**2


@given(turn, angle, turn, angle, st.floats(-0.6, 0.6))
def test_a_ray_meets_the_surface_on_its_near_side(ra: float, dec: float, lon: float, lat: float, off: float) -> None:
    globe = Spheroid(71492.0, 66854.0, from_angles(ra, dec)[None, :])
    direction = from_angles(lon, lat)[None, :]
    side = unit(np.cross(direction, [[0.3, 0.5, 0.8]]))
    start = -direction * 5e5 + side * off * 66854.0
    hit = globe.meet(start, direction)
    assert ball_in_equation(globe, hit[0]) == pytest.approx(1.0, abs=1e-9)
    assert dot(globe.normal(hit), direction)[0] < 0.0
    assert np.linalg.norm(np.cross(hit - start, direction)) < 1e-4 * 5e5


def test_a_ray_that_misses_or_points_away_meets_nothing() -> None:
    globe = Spheroid(10.0, 8.0, np.array([[0.0, 0.0, 1.0]]))
    assert np.isnan(globe.meet(np.array([[-50.0, 10.5, 0.0]]), np.array([[1.0, 0.0, 0.0]]))).all()
    assert np.isnan(globe.meet(np.array([[-50.0, 0.0, 8.5]]), np.array([[1.0, 0.0, 0.0]]))).all()
    assert np.isnan(globe.meet(np.array([[50.0, 0.0, 0.0]]), np.array([[1.0, 0.0, 0.0]]))).all()


def test_the_outline_of_a_tilted_spheroid() -> None:
    # tilted by B: half minor axis sqrt(a^2 sin^2 B + b^2 cos^2 B), along the projected pole
    tilt = np.radians(30.0)
    globe = Spheroid(10.0, 8.0, np.array([[0.0, np.cos(tilt), np.sin(tilt)]]))
    minor = np.hypot(10.0 * np.sin(tilt), 8.0 * np.cos(tilt))
    toward = np.array([[0.0, 0.0, 1.0]])
    for place, miss, beyond in (
        ((10.0, 0, 3), 1.0, 0.0),
        ((0, minor, -7), 1.0, 0.0),
        ((0, minor + 0.1, 0), None, 0.1),
        ((9.9, 0, 0), 0.99, -0.1),
    ):
        found, distance = globe.outline(np.array([place], dtype=float), toward)
        if miss is not None:
            assert found[0] == pytest.approx(miss, abs=1e-12)
        assert distance[0] == pytest.approx(beyond, abs=1e-3)


def test_rays_that_graze_agree_with_the_outline() -> None:
    rng = np.random.default_rng(4)
    pole = unit(rng.normal(size=(500, 3)))
    globe = Spheroid(60268.0, 54364.0, pole)
    toward = np.broadcast_to(np.array([0.0, 0.0, 1.0]), pole.shape)
    places = rng.uniform(-65000, 65000, size=(500, 3))
    places[:, 2] = 5e5
    miss, _ = globe.outline(places, toward)
    met = ~np.isnan(globe.meet(places, -toward)[:, 0])
    assert np.array_equal(met, miss < 1.0)
    assert 50 < met.sum() < 450
