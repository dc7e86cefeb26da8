"""Invented texture: the same every time, small, drifting where it should, refused when unknown."""

from __future__ import annotations

import numpy as np
import pytest

from simulate.bodies.features import Canvas, Conditions, Palette
from simulate.bodies.sections import read_section
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
}


def test_row_stands_evenly_around_its_parallel():
    still = canvas()
    paint_texture(still, section(**ROW), CONDITIONS)
    assert still.values[100, [0, 90, 180, 270], 0] == pytest.approx([0.5] * 4)
    assert still.values[100, [45, 135, 225, 315], 0] == pytest.approx([1.0] * 4)


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
    paint_texture(first, spots, CONDITIONS)
    paint_texture(again, spots, CONDITIONS)
    assert np.array_equal(first.values, again.values)
    assert first.values.std() > 0.005
    assert np.all(first.values[:25] == 1.0)  # beyond 60 S and the largest spot nothing is painted
    assert abs(float(np.log(first.values).mean())) < 0.01


def test_unknown_kind_is_refused():
    with pytest.raises(InputError, match="spots, row, area"):
        paint_texture(canvas(), section(kind="stripes"), CONDITIONS)
