import math
import re

import numpy as np
import pytest

from simulate.checking.dots import Expected, MoonWidth, lit_part, measure_spot, perfect_width, stray_dots
from simulate.checking.measures import Measurement
from simulate.checking.model import Pose
from simulate.checking.words import moon_words


@pytest.mark.parametrize(("aperture_mm", "width"), [(30, 3.9), (50, 2.4), (100, 1.35), (150, 1.12)])
def test_io_is_as_wide_as_published_through_perfect_apertures(aperture_mm: float, width: float) -> None:
    # Io, 1.19 arcsec across, at 550 nm, clear apertures
    cutoff = aperture_mm * 1e-3 / 550e-9 / 206264.806
    assert perfect_width(cutoff, 1.19) == pytest.approx(width, rel=0.02)


def test_a_point_is_as_wide_as_the_airy_disc() -> None:
    # full width at half maximum 1.029 lambda / D (Born & Wolf)
    assert perfect_width(1.0, 0.0) == pytest.approx(1.029, rel=0.005)


def field(*spots: tuple[float, float, float, float], noise: float = 0.001) -> np.ndarray:
    rows, columns = np.indices((160, 200), dtype=float)
    light = 0.002 * noise * rows + noise * np.random.default_rng(4).standard_normal(rows.shape)
    for row, column, width, top in spots:
        light += top * np.exp(-4 * math.log(2) * ((rows - row) ** 2 + (columns - column) ** 2) / width**2)
    return light


def test_a_spot_is_measured_where_it_is_and_as_wide_as_it_is() -> None:
    spot = measure_spot(field((60.3, 90.6, 4.0, 0.2)), 62.0, 89.0, 3.0, math.inf)
    assert spot is not None
    assert (spot.row, spot.column) == pytest.approx((60.3, 90.6), abs=0.05)
    assert spot.width_px == pytest.approx(4.0, rel=0.04)
    assert 0 < spot.error_px < 0.3


def test_no_spot_is_measured_in_noise_at_the_edge_or_where_it_is_burnt_out() -> None:
    assert measure_spot(field(), 60, 90, 3.0, math.inf) is None
    assert measure_spot(field((2, 90, 4.0, 0.2)), 2, 90, 3.0, math.inf) is None
    assert measure_spot(field((60, 90, 4.0, 0.2)), 60, 90, 3.0, 0.15) is None


def test_strange_dots_are_told_and_known_ones_are_not() -> None:
    pose = Pose(80.0, 100.0, 0.5, 0.0, False)
    light = field((80, 100, 20, 1.0), (30, 40, 4.0, 0.1), (130, 160, 4.0, 0.08), (120, 60, 1.0, 0.2))
    east, north = pose.sky_of(np.array([30.0]), np.array([40.0]))
    moon = Expected("io", float(east[0]), float(north[0]), 1.0)
    dots = stray_dots(light, pose, 15.0, 2.0, (moon,))
    places = sorted((round(dot.row), round(dot.column), dot.narrow) for dot in dots)
    assert places == [(120, 60, True), (130, 160, False)]
    row, column = pose.pixel_of(np.float64(dots[0].east_arcsec), np.float64(dots[0].north_arcsec))
    assert (row, column) == pytest.approx((dots[0].row, dots[0].column), abs=0.01)


def test_the_shares_of_a_width_add_up() -> None:
    moon = MoonWidth("io", 0.0, Measurement(2.0, 0.1), 1.2, 1.3, 1.6)
    assert sum(moon.shares.values()) == pytest.approx(1.0)
    assert moon.shares["disc"] == pytest.approx((0.589 * 1.2 / 2) ** 2, rel=2e-3)
    sharpened = MoonWidth("io", 0.0, Measurement(1.1, 0.1), 1.2, 1.3, 1.6)
    assert sharpened.shares["focus, motion, processing"] < 0


def test_rings_of_processing_and_noise_are_no_stars() -> None:
    pose, width = Pose(80.0, 100.0, 0.5, 0.0, False), 2.0
    turns = np.arange(0.0, 360.0, 40.0)
    around = [(80 + 40 * math.sin(math.radians(t)), 100 + 40 * math.cos(math.radians(t)), 4.0, 0.05) for t in turns]
    # dots as bright as each other all round the limb, and one star farther out
    dots = stray_dots(field((80, 100, 20, 1.0), *around, (30, 180, 4.0, 0.08)), pose, 15.0, width, ())
    assert [(round(dot.row), round(dot.column)) for dot in dots] == [(30, 180)]
    # a sky with long tails, cut to black, as strong restoration leaves it
    grain = np.random.default_rng(8).laplace(size=(160, 200))
    assert stray_dots(field() + 0.02 * np.maximum(grain, 0.0), pose, 15.0, width, ()) == ()


def test_what_is_lit_is_found_with_room_around_it() -> None:
    plane = np.full((600, 500), 0.02, np.float32)
    plane[300:320, 200:260] = 0.8
    rows, columns = lit_part(plane, 0.02, 0.001)
    assert (rows.start, rows.stop) == (260, 360)
    assert (columns.start, columns.stop) == (160, 300)
    assert lit_part(np.zeros((50, 60), np.float32), 0.0, 0.0) == (slice(0, 90), slice(0, 100))


def test_a_moon_that_sharpening_made_narrower_is_told_so() -> None:
    sharpened = moon_words(MoonWidth("io", 0.0, Measurement(1.2, 0.1), 1.2, 1.3, 1.6))
    assert "narrower by 25 %" in sharpened
    assert "-" not in sharpened
    shares = [int(found) for found in re.findall(r"(\d+) %", sharpened)][:3]
    assert sum(shares) == pytest.approx(100, abs=2)
    assert "focus, motion, processing 36 %" in moon_words(MoonWidth("io", 0.0, Measurement(2.0, 0.1), 1.2, 1.3, 1.6))


def test_a_fit_that_runs_away_finds_no_spot_and_breaks_nothing() -> None:
    from simulate.checking.dots import _half_width, _spot_on_slope

    rows, columns = np.indices((11, 11)) - 5.0
    for width in (-800.0, 800.0):
        light = _spot_on_slope(np.array([0.0, 0.0, width, 1.0, 0.1, 0.0, 0.0]), rows, columns)
        assert np.all(np.isfinite(light))
    assert _half_width(np.ones((11, 11)), np.array([100.0, -100.0, 1.0, 1.0, 0.0, 0.0, 0.0])) is None
