"""Soft-edged shapes: weights, areas and distances against closed forms."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from simulate.bodies.shapes import Outline, Patch, angular_distance, between, rounded, soft_step
from simulate.errors import InputError

LATITUDE = np.linspace(-90, 90, 721)
LONGITUDE = np.arange(1440) * 0.25


def solid_angle(weight):
    """Area of a weight on the unit sphere in square degrees."""
    cell = 0.25 * 0.25
    return float((weight * np.cos(np.radians(LATITUDE))[:, None]).sum() * cell)


def test_soft_step_is_one_half_on_the_edge_and_level_outside():
    assert soft_step(0.0, 2.0) == pytest.approx(0.5)
    assert soft_step([-1.0, -5.0], 2.0) == pytest.approx(1.0)
    assert soft_step([1.0, 5.0], 2.0) == pytest.approx(0.0)


@given(st.floats(-3, 3))
def test_soft_step_takes_from_one_side_what_it_gives_to_the_other(distance):
    assert float(soft_step(distance, 2.5) + soft_step(-distance, 2.5)) == pytest.approx(1.0)


def test_belt_keeps_its_width():
    weight = between(LATITUDE, -19.7, -7.2, 1.5)
    assert weight.sum() * 0.25 == pytest.approx(12.5, abs=0.01)


def test_belt_that_ends_at_a_pole_covers_it():
    assert between(np.array([-90.0, 90.0]), 45, 90, 8) == pytest.approx([0.0, 1.0])
    assert between(np.array([-90.0, 90.0]), -90, -45, 8) == pytest.approx([1.0, 0.0])


def test_angular_distance_against_known_places():
    # Astronomical Algorithms (Meeus 1998, example 17.a): Arcturus to Spica, 32.7930 deg
    assert angular_distance(19.1825, 213.9154, -11.1614, 201.2983) == pytest.approx(32.7930, abs=1e-4)
    assert angular_distance(90.0, 123.0, -90.0, 0.0) == pytest.approx(180.0)


@pytest.mark.parametrize("latitude", [0.0, -43.3, 70.0, 90.0])
def test_round_patch_has_the_area_of_its_cap_wherever_it_lies(latitude):
    radius = 10.0
    patch = Patch(latitude, 350.0, 2 * radius, 2 * radius, 1.0, round=True)
    cap = 2 * math.pi * (1 - math.cos(math.radians(radius))) * math.degrees(1) ** 2
    assert solid_angle(patch.weight(LATITUDE[:, None], LONGITUDE[None, :])) == pytest.approx(cap, rel=0.005)


def test_ellipse_and_triangle_have_their_areas():
    ellipse = Patch(0.0, 180.0, 20.0, 8.0, 1.0, tilt_deg=30)
    assert solid_angle(ellipse.weight(LATITUDE[:, None], LONGITUDE[None, :])) == pytest.approx(math.pi * 40, rel=0.02)
    triangle = Patch(0.0, 180.0, 20.0, 16.0, 0.5, shape="triangle")
    assert solid_angle(triangle.weight(LATITUDE[:, None], LONGITUDE[None, :])) == pytest.approx(160.0, rel=0.03)


def test_tilt_turns_the_east_end_to_the_north():
    patch = Patch(10.0, 40.0, 30.0, 4.0, 1.0, tilt_deg=20)
    rise = 12 * math.sin(math.radians(20))
    assert patch.weight(10 + rise, 40 + 11) == pytest.approx(1.0)
    assert patch.weight(10 - rise, 40 + 11) == pytest.approx(0.0)


def test_triangle_points_to_the_north():
    patch = Patch(0.0, 0.0, 20.0, 20.0, 1.0, shape="triangle")
    assert patch.weight(-8.0, 6.0) == pytest.approx(1.0)
    assert patch.weight(8.0, 6.0) == pytest.approx(0.0)


def test_nothing_lies_beyond_the_reach():
    patch = Patch(-25.0, 5.0, 40.0, 5.0, 3.0, tilt_deg=15)
    reach_x, reach_y = patch.reach_deg
    weight = patch.weight(LATITUDE[:, None], LONGITUDE[None, :])
    rows, columns = np.nonzero(weight)
    assert np.abs(LATITUDE[rows] + 25).max() <= reach_y
    offset = np.abs((LONGITUDE[columns] - 5 + 180) % 360 - 180) * np.cos(np.radians(LATITUDE[rows]))
    assert offset.max() <= reach_x


SQUARE = np.array([[-10.0, -10.0], [-10.0, 10.0], [10.0, 10.0], [10.0, -10.0]])


def test_outline_has_the_area_of_its_rounded_line():
    line = rounded(SQUARE)
    x, y = line[:, 1], line[:, 0]
    shoelace = abs(float(np.sum(x * np.roll(y, -1) - y * np.roll(x, -1)))) / 2
    assert shoelace == pytest.approx(400 * 7 / 8)  # each corner loses a triangle of 5 x 5 / 2
    weight = Outline(SQUARE, 1.0).weight(LATITUDE[:, None], LONGITUDE[None, :])
    assert solid_angle(weight) == pytest.approx(shoelace, rel=0.01)


def test_outline_is_the_same_either_way_around_and_across_longitude_zero():
    there = Outline(SQUARE, 2.0).weight(LATITUDE[:, None], LONGITUDE[None, :])
    back = Outline(SQUARE[::-1], 2.0).weight(LATITUDE[:, None], LONGITUDE[None, :])
    assert np.allclose(there, back)
    turned = Outline(SQUARE + np.array([0.0, 90.0]), 2.0).weight(LATITUDE[:, None], LONGITUDE[None, :])
    assert np.allclose(np.roll(there, 360, axis=1), turned)


def test_grown_shapes_hold_more():
    assert Outline(SQUARE, 1.0).weight(0.0, 13.0) == pytest.approx(0.0)
    assert Outline(SQUARE, 1.0).grown(5.0).weight(0.0, 13.0) == pytest.approx(1.0)
    assert Patch(0, 0, 20, 20, 1).grown(5.0).weight(0.0, 13.0) == pytest.approx(1.0)


def test_unknown_shape_is_refused():
    with pytest.raises(InputError, match="ellipse"):
        Patch(0, 0, 1, 1, 1, shape="elipse")
