"""Satellites: discs and points, transits, occultations, eclipses, shadows."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scene_helpers import centroid, drawn, seen

from simulate.bodies import load_body
from simulate.bodies.spectra import body_photon_flux
from simulate.errors import RangeWarning
from simulate.scene import SceneOptions, render
from simulate.scene.ellipsoid import Ellipsoid
from simulate.scene.moons import Backdrop, visible_fraction
from simulate.values.grid import Grid
from simulate.values.spectrum import DEFAULT_BINS

SPOT = SceneOptions(red_spot_longitude_deg=80.0)

IO_TRANSIT = "2026-02-10T12:00"
IO_PLACE, IO_SHADOW = (-4.590, -2.682), (7.584, -4.273)
"""Of Io and its shadow, arcsec east and north (Lainey's L1.2 theory through an independent program,
tests/truth/moons_shared.csv)."""


def test_a_transiting_moon_and_its_shadow_stand_where_the_theory_says():
    there = seen("jupiter", IO_TRANSIT)
    scene = drawn(there, 120)
    no_moon = drawn(there, 120, without=frozenset({"io"}))
    no_shadow = drawn(there, 120, without=frozenset({"shadow of io"}))
    east, north = centroid(np.abs(scene.radiance[4] - no_moon.radiance[4]), scene.grid)
    assert (east, north) == pytest.approx(IO_PLACE, abs=0.25)
    lost = no_shadow.radiance[4] - scene.radiance[4]
    assert centroid(lost, scene.grid) == pytest.approx(IO_SHADOW, abs=0.3)
    io = next(moon for moon in there.moons if moon.name == "io")
    assert centroid(lost, scene.grid) == pytest.approx((io.shadow_east_arcsec, io.shadow_north_arcsec), abs=0.05)
    assert lost.max() > 0.95 * no_shadow.radiance[4][lost == lost.max()][0]  # the umbra is black
    assert "io" in scene.drawn_moons


def test_a_moon_in_front_covers_just_its_disc():
    there = seen("jupiter", IO_TRANSIT)
    io = next(moon for moon in there.moons if moon.name == "io")
    scene = drawn(there, 100)
    bare = drawn(there, 100, without=frozenset({"io"}))
    own = body_photon_flux(load_body("io"), io.magnitude, DEFAULT_BINS)
    x, y = np.meshgrid(scene.grid.east_arcsec() - io.east_arcsec, scene.grid.north_arcsec() - io.north_arcsec)
    near = np.hypot(x, y) < io.radius_arcsec
    hidden = bare.radiance[:, near].mean(axis=1) * np.pi * io.radius_arcsec**2
    assert scene.photons() - bare.photons() == pytest.approx(own - hidden, abs=2e-2 * own.max())


def test_three_shadows_at_once():
    """2013-10-12, 04:32 to 05:37 UTC: shadows of Io, Europa and Callisto together on the disc."""
    there = seen("jupiter", "2013-10-12T05:00")
    scene = drawn(there, 100)
    for name in ("io", "europa", "callisto"):
        free = drawn(there, 100, without=frozenset({f"shadow of {name}"}))
        moon = next(item for item in there.moons if item.name == name)
        lost = free.radiance[4] - scene.radiance[4]
        assert lost.sum() > 0
        place = (moon.shadow_east_arcsec, moon.shadow_north_arcsec)
        assert centroid(lost, scene.grid) == pytest.approx(place, abs=0.15)
    free = drawn(there, 100, without=frozenset({"shadow of ganymede"}))
    assert np.array_equal(free.radiance, scene.radiance)


def test_moons_outside_the_grid_stay_points_with_their_light():
    there = seen("jupiter", IO_TRANSIT)
    scene = drawn(there, 30)
    points = {point.name: point for point in scene.points}
    assert {"europa", "ganymede", "callisto"} <= set(points)
    far = next(moon for moon in there.moons if moon.name == "callisto")
    assert (points["callisto"].east_arcsec, points["callisto"].north_arcsec) == (far.east_arcsec, far.north_arcsec)
    expected = body_photon_flux(load_body("callisto"), far.magnitude, DEFAULT_BINS)
    assert points["callisto"].photons == pytest.approx(expected)


def test_a_resolved_moon_on_free_sky_sends_its_own_light():
    there = seen("jupiter", IO_TRANSIT)
    moon = next(item for item in there.moons if item.name == "europa")
    grid = Grid(60, 60, 0.06, moon.east_arcsec + 0.013, moon.north_arcsec - 0.02)
    scene = render(there, "jupiter", grid, options=SPOT)
    assert scene.drawn_moons == ("europa",)
    assert scene.photons() == pytest.approx(
        body_photon_flux(load_body("europa"), moon.magnitude, DEFAULT_BINS), rel=2e-3
    )


def test_an_eclipsed_moon_fades():
    """2026-02-11 0:30 UTC: Europa beside the disc, in Jupiter's shadow."""
    there = seen("jupiter", "2026-02-11T00:30")
    europa = next(moon for moon in there.moons if moon.name == "europa")
    assert europa.sunlit_fraction < 0.5
    dim = replace(europa, sunlit_fraction=0.25)
    there = replace(there, moons=(dim,))
    grid = Grid(40, 40, 0.08, europa.east_arcsec, europa.north_arcsec)
    light = render(there, "jupiter", grid, options=SPOT).photons()
    assert light == pytest.approx(
        0.25 * body_photon_flux(load_body("europa"), europa.magnitude, DEFAULT_BINS), rel=3e-3
    )
    gone = replace(there, moons=(replace(europa, sunlit_fraction=0.0),))
    scene = render(gone, "jupiter", grid, options=SPOT)
    assert scene.radiance.max() == 0
    assert scene.points == ()


def test_an_occulted_moon_is_not_seen_and_one_on_the_limb_is_halved():
    there = seen("jupiter", "2026-01-10T01:00")  # Europa behind the planet
    europa = next(moon for moon in there.moons if moon.name == "europa")
    assert europa.state == "occulted"
    scene = drawn(there, 60)
    hidden = drawn(there, 60, without=frozenset({"europa"}))
    assert np.allclose(scene.radiance, hidden.radiance, rtol=1e-5)
    assert "europa" not in {point.name for point in scene.points}
    globe = Ellipsoid(20.0, 20.0, (0, 1, 0), (0, 0, 1))
    on_limb = replace(europa, east_arcsec=0.0, north_arcsec=20.0)
    assert visible_fraction(on_limb, Backdrop(globe)) == pytest.approx(0.5, abs=0.02)


def test_moons_can_be_switched_off():
    scene = drawn(seen("jupiter", IO_TRANSIT), 30, moons=False)
    assert scene.points == ()
    assert scene.drawn_moons == ()
    options = SceneOptions(without=frozenset({"moons"}))
    with pytest.warns(RangeWarning, match="red spot"):
        named = render(seen("jupiter", IO_TRANSIT), "jupiter", scene.grid, options=options)
    assert np.array_equal(named.radiance, scene.radiance)


def test_a_moon_behind_the_rings_is_dimmed_by_them():
    there = seen("saturn", "2032-12-25")
    titan = next(moon for moon in there.moons if moon.name == "titan")
    step = there.equatorial_diameter_arcsec / 40
    there = replace(there, ring_opening_deg=-26.0, ring_opening_sun_deg=-26.0)
    pole = np.asarray(there.pole_direction)
    east = 1.75 * there.equatorial_diameter_arcsec / 2  # along the long axis: in the B ring
    along = np.array([pole[1], -pole[0]]) / np.hypot(pole[0], pole[1]) * east
    far = replace(titan, east_arcsec=along[0], north_arcsec=along[1], position_km=(0.0, 0.0, -1e6), radius_arcsec=0.1)
    grid = Grid(20, 20, step)
    scene = render(replace(there, moons=(far,)), "saturn", grid)
    near = render(replace(there, moons=(replace(far, position_km=(0.0, 0.0, 1e6)),)), "saturn", grid)
    ratio = scene.points[0].photons / near.points[0].photons
    assert ratio == pytest.approx(np.full(len(DEFAULT_BINS), np.exp(-3.0 / np.sin(np.radians(26.2)))), rel=0.2)
