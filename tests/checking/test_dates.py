"""Likeness of a picture with the theory of another time."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np

from simulate.checking.dates import by_likeness
from simulate.checking.finding import find_planet
from simulate.values.grid import Grid


def test_a_time_without_light_is_like_no_picture():
    row, column = np.indices((60, 60), dtype=float)
    disc = np.where(np.hypot(row - 30, column - 30) < 12, 0.7, 0.05)
    picture = disc + np.random.default_rng(1).normal(0, 0.01, disc.shape)
    grid = Grid(48, 48, 1.0)
    dark: Any = SimpleNamespace(
        blurred=lambda transfer: np.zeros((48, 48)),
        cutoff=0.5,
        perfect=np.ones((48, 25)),
        frequency=grid.frequency(),
        grid=grid,
        extent_arcsec=20.0,
    )
    assert by_likeness(picture, find_planet(picture), [3.0], lambda offset: dark) == [(-1.0, 3.0)]
