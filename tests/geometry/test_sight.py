"""Lines of sight: light time, aberration, and the axes in which angles are told."""

from __future__ import annotations

import numpy as np
import pytest

from simulate.bodies import load_body
from simulate.geometry.ephemeris import load_ephemeris
from simulate.geometry.sight import LIGHT_DAY_PER_AU, aberrated, look_at, make_observer, sky_axes
from simulate.geometry.vectors import angle_deg, length, unit

DAYS = np.array([-3000.3, 500.2, 9505.8, 12000.0])


@pytest.mark.parametrize("body", ["venus", "mars", "neptune", "moon"])
def test_light_left_as_long_ago_as_it_needs(body: str) -> None:
    observer = make_observer(DAYS, None, load_ephemeris("builtin"))
    sight = look_at(load_body(body), observer)
    place, _ = observer.ephemeris.place(load_body(body), DAYS - sight.light_days, observer.near)
    assert np.abs(length(place - observer.place) * LIGHT_DAY_PER_AU - sight.light_days).max() * 86400 < 1e-4


def test_aberration_is_at_most_that_of_the_earth_s_speed() -> None:
    # constant of aberration 20.5 arcsec (IAU)
    observer = make_observer(np.linspace(0.0, 365.0, 40), None, load_ephemeris("builtin"))
    sight = look_at(load_body("jupiter"), observer)
    moved = angle_deg(unit(sight.line), sight.apparent) * 3600
    assert 19.5 < moved.max() < 20.9


@pytest.mark.parametrize("body", ["mars", "jupiter", "uranus"])
def test_position_angles_are_those_of_the_moved_sky(body: str) -> None:
    """A point 1000 km off the centre, sent through aberration itself, lies where the axes say."""
    observer = make_observer(DAYS, None, load_ephemeris("builtin"))
    sight = look_at(load_body(body), observer)
    sky = sky_axes(sight, observer.axes.pole)
    for angle in (0.3, 1.9, 4.0):
        offset = (np.cos(angle) * sky.north + np.sin(angle) * sky.east) * (1e4 / 149597870.7)
        away = aberrated(observer, sight.line + offset) - sight.apparent
        east = unit(np.cross(observer.axes.pole, sight.apparent))
        north = np.cross(sight.apparent, east)
        found = np.arctan2(np.sum(away * east, axis=-1), np.sum(away * north, axis=-1))
        assert np.abs((found - angle + np.pi) % (2 * np.pi) - np.pi).max() < 2e-5


def test_the_sky_s_axes_are_right_handed_and_of_unit_length() -> None:
    observer = make_observer(DAYS, None, load_ephemeris("builtin"))
    sky = sky_axes(look_at(load_body("saturn"), observer), observer.axes.pole)
    # toward the observer, east and north: seen from outside east is left, so east x north points away
    assert np.abs(np.cross(sky.east, sky.north) + sky.toward).max() < 1e-12
    assert np.abs(length(sky.east) - 1.0).max() < 1e-12
