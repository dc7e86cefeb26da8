"""Saturn's rings: brightness of both faces, geometry, shadows, gaps narrower than a cell."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scene_helpers import centroid, drawn, seen

from simulate.bodies import load_body
from simulate.scene.ellipsoid import Ellipsoid
from simulate.scene.raster import window_around
from simulate.scene.rings import RingView, blocked_light, ring_reflectance, ring_shares, ring_window, visible_rings
from simulate.values.grid import Grid
from simulate.values.spectrum import DEFAULT_BINS

SATURN = load_body("saturn")
RINGS = visible_rings(SATURN, frozenset())
GREEN = np.array([550.0])


def ring(name: str):
    return next(item for item in RINGS if item.name == name)


def brightness(name: str, view: RingView) -> float:
    return float(ring_reflectance(SATURN, ring(name), view, GREEN)[0])


def test_at_its_reference_a_ring_has_the_brightness_of_the_table():
    view = RingView(22.0, 22.0, 0.5, 6000.0)
    for item in RINGS:
        assert brightness(item.name, view) == pytest.approx(item.brightness, rel=1e-9)


def test_the_opposition_surge_is_that_of_the_abstract():
    """French et al. 2005: I/F at 0 over I/F at 0.5 deg is 1.3 for A and B, 1.4 for C."""
    for name, ratio in (("A inner", 1.3), ("B core", 1.3), ("C", 1.4)):
        exact, half = (brightness(name, RingView(22.0, 22.0, phase, 6000.0)) for phase in (0.0, 0.5))
        assert exact / half == pytest.approx(ratio, rel=0.02)  # the mean slope of 0.03 mag/deg comes on top


def test_thick_and_thin_rings_answer_the_opening_differently():
    """A thin ring brightens toward the edge-on view, an opaque one hardly changes (single scattering)."""
    narrow, wide = RingView(5.0, 5.0, 0.5, 6000.0), RingView(26.0, 26.0, 0.5, 6000.0)
    assert brightness("A inner", narrow) > 1.05 * brightness("A inner", wide)
    assert brightness("C", narrow) > 2.0 * brightness("C", wide)
    assert brightness("B core", narrow) == pytest.approx(brightness("B core", wide), rel=0.02)


@pytest.mark.parametrize(("height", "ratio"), [(1.0, 0.08), (2.8, 0.03)])
def test_the_unlit_face_is_as_faint_as_measured(height, ratio):
    """Brunier & Dollfus: 8 % with the Sun 1.0 deg high, 3 % at 2.8 deg; A is 1.8 times brighter than B."""
    lit, unlit = RingView(2.0, height, 0.5, 6000.0), RingView(2.0, -height, 0.5, 6000.0)
    area = {item.name: item.outer_km**2 - item.inner_km**2 for item in RINGS}
    dense = [name for name in area if name[0] in "AB"]
    total = [sum(area[name] * brightness(name, view) for name in dense) for view in (unlit, lit)]
    assert total[0] / total[1] == pytest.approx(ratio, rel=0.25)
    assert brightness("A inner", unlit) / brightness("B core", unlit) == pytest.approx(1.8, rel=0.1)


def test_transparency_falls_with_depth_and_slant():
    view = RingView(10.0, 10.0, 1.0, 6000.0)
    for item, blocked in zip(RINGS, blocked_light(RINGS, view), strict=True):
        assert blocked == pytest.approx(1 - math.exp(-item.optical_depth / math.sin(math.radians(10.0))))


@pytest.mark.parametrize("opening", [26.2, -7.4, 3.0])
@pytest.mark.parametrize("angle", [0.0, 33.0, 90.0])
def test_moments_of_the_a_ring_have_the_ratio_of_the_opening(opening, angle):
    """A flat ring seen under B: the second moments along its axes stand as 1 to sin^2 B."""
    toward, turn = math.radians(opening), math.radians(angle)
    pole = np.array([math.cos(toward) * math.sin(turn), math.cos(toward) * math.cos(turn), math.sin(toward)])
    globe = Ellipsoid(9.0, 8.1, pole, (0, 0, 1), (0.013, 0.021))
    view = RingView(opening, opening, 1.0, SATURN.disc_radius_km / 9.0)
    grid = Grid(220, 222, 0.2)
    chosen = tuple(item for item in RINGS if item.name.startswith("A"))
    share = ring_shares(window_around(grid, 0, 0, 30, 30), globe, chosen, view, np.ones((1, len(chosen))))[0]
    x, y = np.meshgrid(grid.east_arcsec() - 0.013, grid.north_arcsec() - 0.021)
    window = window_around(grid, 0, 0, 30, 30)
    x, y = x[window.slices], y[window.slices]
    along = x * math.cos(turn) - y * math.sin(turn)
    across = x * math.sin(turn) + y * math.cos(turn)
    cell = 0.2**2 / 12  # a cell's own width widens both moments
    major = (share * along**2).sum() / share.sum() - cell
    minor = (share * across**2).sum() / share.sum() - cell
    assert math.sqrt(minor / major) == pytest.approx(abs(math.sin(toward)), rel=5e-3)
    area = math.pi * sum(item.outer_km**2 - item.inner_km**2 for item in chosen) / view.km_per_arcsec**2
    assert share.sum() * 0.04 == pytest.approx(area * abs(math.sin(toward)), rel=1e-3)


def test_the_rendered_outer_edge_has_the_axis_ratio_of_the_opening():
    there = replace(seen("saturn", "2032-12-25"), north_pole_position_angle_deg=0.0, moons=())
    scene = drawn(there, 250, without=frozenset({"globe shadow on rings", "encke gap"}))
    picture, grid = scene.radiance[4], scene.grid
    level = 0.5 * np.median(picture[grid.rows // 2, 15:25])  # half of the A ring's brightness

    def reach(line: np.ndarray) -> float:
        first = int(np.argmax(line > level))
        return len(line) / 2 - (first - 1 + (level - line[first - 1]) / (line[first] - line[first - 1]) + 0.5)

    middle = grid.rows // 2
    major = reach(picture[middle - 1 : middle + 1].mean(axis=0))
    minor = reach(picture[:, middle - 1 : middle + 1].mean(axis=1))
    assert minor / major == pytest.approx(math.sin(math.radians(abs(there.ring_opening_deg))), rel=5e-3)


def ring_light(date: str, **changes: float) -> tuple[float, float]:
    """Return V-band light beside the globe, and all light."""
    there = replace(seen("saturn", date), moons=(), **changes)
    green = drawn(there, 150).radiance[4].astype(float)
    off = drawn(there, 150, without=frozenset({"rings"})).radiance[4] == 0
    return float(green[off].sum()), float(green.sum())


def test_edge_on_the_rings_nearly_vanish():
    beside, total = ring_light("2025-03-23")
    assert beside < 0.005 * total  # 1 % with as much again before and behind the globe


def test_the_unlit_face_is_ten_times_fainter_than_the_lit_one():
    there = seen("saturn", "2025-04-20")
    assert there.ring_opening_deg * there.ring_opening_sun_deg < 0
    views = [RingView(there.ring_opening_deg, s * abs(there.ring_opening_sun_deg), 3.3, 6000.0) for s in (1.0, -1.0)]
    area = np.array([item.outer_km**2 - item.inner_km**2 for item in RINGS])
    unlit, lit = (sum(area * [brightness(item.name, view) for item in RINGS]) for view in views)
    assert 0 < unlit < lit / 10


@pytest.mark.parametrize(("date", "side"), [("2025-11-23", 1.0), ("2032-10-15", 1.0), ("2018-10-01", -1.0)])
def test_the_rings_shadow_lies_away_from_the_sun_s_latitude(date, side):
    there = replace(seen("saturn", date), north_pole_position_angle_deg=0.0, moons=())
    assert there.ring_opening_sun_deg * side < 0
    shaded = drawn(there, 100).radiance[4]
    free = drawn(there, 100, without=frozenset({"ring shadow"}))
    lost = free.radiance[4] - shaded
    assert lost.min() > -1e-3 * free.radiance.max()
    _, north = centroid(lost, free.grid)
    # the rings' own plane at the middle of the globe projects to the disc's middle
    assert north * side > 0.02 * there.equatorial_diameter_arcsec


@pytest.mark.parametrize(("date", "side"), [("2032-09-20", -1.0), ("2033-03-20", 1.0)])
def test_the_globe_s_shadow_falls_to_the_west_before_opposition_and_to_the_east_after(date, side):
    there = replace(seen("saturn", date), moons=())
    free = drawn(there, 100, without=frozenset({"globe shadow on rings"}))
    lost = free.radiance[4] - drawn(there, 100).radiance[4]
    east, _ = centroid(lost, free.grid)
    assert lost.sum() > 0.005 * free.radiance[4].sum()
    assert east * side > 0.1 * there.equatorial_diameter_arcsec


def test_gaps_much_narrower_than_a_cell_keep_their_light():
    there = replace(seen("saturn", "2032-12-25"), moons=())
    loss = []
    for cells in (25, 40, 300):
        filled = drawn(there, cells, (0.37, 0.21), without=frozenset({"encke gap"}))
        scene = drawn(there, cells, (0.37, 0.21))
        loss.append(1 - scene.photons()[4] / filled.photons()[4])
    assert 0 < loss[2] < 0.01
    assert loss[0] == pytest.approx(loss[2], rel=0.02)
    assert loss[1] == pytest.approx(loss[2], rel=0.02)


def test_filled_gaps_take_the_mean_of_their_neighbours():
    rings = visible_rings(SATURN, frozenset({"cassini division", "encke gap", "c ring"}))
    by_name = {item.name: item for item in rings}
    assert by_name["Cassini Division"].brightness == pytest.approx(
        (by_name["B outer"].brightness + by_name["A inner"].brightness) / 2
    )
    assert by_name["Encke Gap"].optical_depth == pytest.approx(
        (by_name["A inner"].optical_depth + by_name["A outer"].optical_depth) / 2
    )
    assert by_name["C"].brightness == 0
    assert visible_rings(SATURN, frozenset({"rings"})) == ()


def test_the_near_side_lies_toward_the_pole_that_is_turned_away():
    """Seen from the south (B < 0), the near half of the rings passes north of the globe's middle."""
    globe = Ellipsoid(9.0, 8.1, (0.0, math.cos(0.4), -math.sin(0.4)), (0, 0, 1))
    view = RingView(-math.degrees(0.4), -20.0, 1.0, SATURN.disc_radius_km / 9.0)
    grid = Grid(200, 200, 0.25)
    window = ring_window(grid, globe, RINGS, view)
    near = ring_shares(window, globe, RINGS, view, np.ones((1, len(RINGS))), near_only=True)[0]
    assert near[window.north > 0.5].sum() > 0
    assert near[window.north < -0.5].sum() == 0


def test_globe_and_rings_meet_the_magnitude_with_little_scaling():
    """Reflectances and magnitudes have different sources; they agree to the rings' stated 15 %."""
    for date in ("2032-12-25", "2032-09-25", "2026-10-04", "2025-11-23", "2024-09-08", "2017-06-15"):
        assert drawn(replace(seen("saturn", date), moons=()), 30).flux_scale == pytest.approx(1.0, abs=0.1)


def test_the_bins_are_those_of_the_scene():
    assert drawn(replace(seen("saturn", "2032-12-25"), moons=()), 20).bins == DEFAULT_BINS
