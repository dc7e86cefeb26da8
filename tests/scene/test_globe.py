"""Cell means of a lit disc: light does not depend on where the disc falls on the grid."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simulate.scene.ellipsoid import Ellipsoid
from simulate.scene.globe import Globe, Pattern, draw_globe
from simulate.scene.scattering import Law
from simulate.values.grid import Grid


def sun_at(phase_deg: float, position_angle_deg: float) -> tuple[float, float, float]:
    phase, angle = math.radians(phase_deg), math.radians(position_angle_deg)
    return (math.sin(phase) * math.sin(angle), math.sin(phase) * math.cos(angle), math.cos(phase))


@settings(max_examples=60, deadline=None)
@given(
    phase=st.floats(0, 165),
    angle=st.floats(0, 360),
    radius=st.floats(12, 60),
    east=st.floats(-0.5, 0.5),
    north=st.floats(-0.5, 0.5),
)
def test_light_and_area_do_not_depend_on_the_offset(phase, angle, radius, east, north):
    body = Ellipsoid(radius, radius * 0.935, (0.3, 0.9, 0.2), sun_at(phase, angle), (east, north))
    globe = Globe(body, Law((0.9, 1.0)))
    side = int(2 * radius + 8)
    disc = draw_globe(Grid(side, side, 1.0), globe, 2)
    assert disc.body.sum() == pytest.approx(body.area, rel=2e-4)
    assert disc.light.sum(axis=(1, 2), dtype=float) == pytest.approx(
        globe.integral(), rel=1e-3 if phase < 140 else 3e-3
    )


@pytest.mark.parametrize("phase", [0.0, 40.0, 100.0, 140.0])
def test_every_cell_agrees_with_brute_force(phase):
    """A plain sum over 24 x 24 rays a cell, no chord and no area formula in it."""
    body = Ellipsoid(30.0, 28.0, (0.3, 0.9, 0.2), sun_at(phase, 120.0), (0.2, -0.4))
    law = Law((0.7, 0.95))
    grid = Grid(66, 66, 1.0)
    disc = draw_globe(grid, Globe(body, law), 2)
    drawn = np.zeros((2, *grid.shape))
    drawn[(slice(None), *disc.window.slices)] = disc.light
    fine = grid.finer(24)
    east, north = (a.ravel() for a in np.broadcast_arrays(fine.east_arcsec()[None, :], fine.north_arcsec()[:, None]))
    place = np.stack([east - 0.2, north + 0.4])
    inside = (place * (body.silhouette @ place)).sum(axis=0) < 1
    values = np.zeros((2, east.size), np.float32)
    points = body.points(east[inside], north[inside])
    values[:, inside] = law(points.mu, points.mu0)
    brute = values.reshape(2, 66, 24, 66, 24).mean(axis=(2, 4))
    assert np.abs(drawn - brute).max() < 0.04
    assert np.sqrt(((drawn - brute) ** 2).mean()) < 1.5e-3


def test_the_terminator_lies_away_from_the_sun():
    body = Ellipsoid(20.0, 20.0, (0.0, 1.0, 0.0), sun_at(90.0, 90.0))  # Sun due east
    light = draw_globe(Grid(48, 48, 1.0), Globe(body, Law((1.0,))), 1).light[0]
    east, west = light[:, : light.shape[1] // 2].sum(), light[:, light.shape[1] // 2 :].sum()
    assert west < 0.01 * east  # columns grow to the west


class Stripe:
    """Bright between the latitudes 20 and 30 deg, on longitudes 0 to 90 deg east."""

    wavelengths_nm = np.array([400.0, 600.0])

    def sample(self, latitude, longitude):
        inside = (latitude > 20) & (latitude < 30) & (longitude % 360 < 90)
        return np.stack([np.ones(latitude.shape), 1.0 + inside])


def test_the_map_is_mixed_by_wavelength_and_turned_by_the_meridian():
    body = Ellipsoid(30.0, 30.0, (0.0, 1.0, 0.0), sun_at(0.0, 0.0))
    grid = Grid(64, 64, 1.0)
    wavelengths = np.array([350.0, 500.0, 700.0])
    light = {}
    for meridian in (45.0, 225.0):
        globe = Globe(body, Law((1.0, 1.0, 1.0)), Pattern(Stripe(), meridian, wavelengths))
        light[meridian] = draw_globe(grid, globe, 3).light
    ratio = light[45.0].sum(axis=0) / np.maximum(light[225.0].sum(axis=0), 1e-9)
    row = int(light[45.0].shape[1] / 2 + 30 * math.sin(math.radians(25)))
    middle = light[45.0].shape[2] // 2
    first, second, third = (light[45.0][b, row, middle] / light[225.0][b, row, middle] for b in range(3))
    assert (first, second, third) == pytest.approx((1.0, 1.5, 2.0), abs=1e-3)
    assert ratio[light[45.0].shape[1] // 2 - 10, middle] == pytest.approx(1.0, abs=1e-4)
