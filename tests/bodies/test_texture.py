"""Invented texture: the same every time, small, drifting where it should, refused when unknown."""

from __future__ import annotations

import numpy as np
import pytest

from simulate.bodies import load_body
from simulate.bodies.features import Canvas, Conditions, Palette
from simulate.bodies.sections import read_section
from simulate.bodies.surface import surface_map
from simulate.bodies.texture import paint_texture
from simulate.errors import InputError

CONDITIONS = Conditions(None, 0.0, 1000.0, 1000.0)
PALETTE = Palette(("green",), (550.0,), (1.0,), (1.0,))


def canvas():
    latitude, longitude = np.linspace(-90, 90, 181), np.arange(360.0)
    return Canvas(latitude, longitude, PALETTE, np.ones((181, 360, 1)))


def section(**entries):
    return read_section({"source": "made up for this test", "mark": "memory", **entries}, "test")


ROW = {
    "kind": "row",
    "count": 4,
    "seed": 1,
    "latitude_deg": 10,
    "width_deg": 8,
    "height_deg": 4,
    "jitter_deg": 0,
    "edge_deg": 1,
    "factor": {"green": 0.5},
    "zero_deg": 20,
    "epoch_jd": 2451545.0,
    "drift_deg_per_day": 7.63,
}


def test_row_stands_evenly_around_its_parallel_and_drifts():
    still, later = canvas(), canvas()
    paint_texture(still, section(**ROW), CONDITIONS, None)
    paint_texture(later, section(**ROW), CONDITIONS, 2451545.0 + 10)
    assert still.values[100, [20, 110, 200, 290], 0] == pytest.approx([0.5] * 4)
    assert still.values[100, [65, 155, 245, 335], 0] == pytest.approx([1.0] * 4)
    # ten days at 7.63 deg/d: 76.3 deg on, to 96.3 (and 6.3)
    assert later.values[100, [96, 6], 0] == pytest.approx([0.5, 0.5])


def test_festoons_keep_their_place_in_system_one():
    # System I turns 7.63 deg a day faster than System II (877.900 - 870.270): after 360/7.63 days they are back
    jupiter = load_body("jupiter")
    common = {"red_spot_longitude_deg": 65.0, "invented_texture": True}
    first = surface_map(jupiter, time_jd=2460000.0, **common)
    back = surface_map(jupiter, time_jd=2460000.0 + 360 / 7.63, **common)
    half = surface_map(jupiter, time_jd=2460000.0 + 180 / 7.63, **common)
    assert np.allclose(first.reflectance, back.reflectance, atol=1e-4)
    assert np.abs(first.reflectance - half.reflectance).max() > 0.05


def test_spots_are_the_same_every_time_and_no_stronger_than_stated():
    spots = section(
        kind="spots",
        count=200,
        seed=3,
        south_deg=-60,
        north_deg=60,
        width_deg=[2, 8],
        aspect=2,
        strength=0.1,
        edge_deg=1,
    )
    first, again = canvas(), canvas()
    paint_texture(first, spots, CONDITIONS, None)
    paint_texture(again, spots, CONDITIONS, 2460000.0)
    assert np.array_equal(first.values, again.values)
    assert first.values.std() > 0.005
    assert np.all(first.values[:25] == 1.0)  # beyond 60 S and the largest spot nothing is painted
    assert abs(float(np.log(first.values).mean())) < 0.01


def test_unknown_kind_is_refused():
    with pytest.raises(InputError, match="spots, row, area"):
        paint_texture(canvas(), section(kind="stripes"), CONDITIONS, None)
