"""What the hand does to the optics, against textbook numbers of defocus and the secondary spectrum."""

from __future__ import annotations

import math

import numpy as np
import pytest

from simulate.telescope import Telescope, make_pupil, strehl
from simulate.telescope.hand import focus_departure_um, used_by_hand
from simulate.telescope.pupil import focus_shift
from simulate.values.practice import PRACTICES


def sharp(frequency: np.ndarray) -> np.ndarray:
    return np.ones_like(frequency)


def test_a_tenth_of_growth_without_other_blur_is_the_quarter_wave() -> None:
    # Born & Wolf, Principles of Optics, 8.8: a quarter wave of defocus leaves (sin u / u)^2 = 0.8106, u = pi / 4,
    # of the peak; the disc of the same light is then 0.8106^-1/2 = 1.1107 times as wide
    lens = Telescope(60.0, 700.0)
    away = focus_departure_um(lens, 0.8106**-0.5 - 1.0, 0.0, sharp)
    assert away == pytest.approx(2 * 0.55 * (700 / 60) ** 2, rel=0.02)


def test_the_departure_that_is_not_seen_grows_with_pixel_and_air_and_has_its_floor() -> None:
    lens = Telescope(50.0, 250.0)
    pixel = 2.9e-3 / 250.0 * 206264.8
    coarse = focus_departure_um(lens, 0.15, 1.0, lambda f: np.sinc(f * pixel))
    bare = focus_departure_um(lens, 0.15, 1.0, sharp)
    assert coarse > bare > lens.depth_of_focus_um
    assert focus_departure_um(lens, 0.0, 0.5, sharp) == pytest.approx(0.5 * lens.depth_of_focus_um)


@pytest.mark.parametrize("level", PRACTICES)
def test_only_mirrors_are_out_of_line_and_the_departure_is_that_of_the_picture(level: str) -> None:
    hand = PRACTICES[level]  # type: ignore[index]
    lens, mirror = Telescope(100.0, 1000.0), Telescope(150.0, 1200.0, obstruction_mm=37.0)
    assert dict(used_by_hand(lens, hand, sharp).aberrations).get("coma", 0.0) == 0.0
    assert dict(used_by_hand(mirror, hand, sharp).aberrations).get("coma", 0.0) == hand.collimation_waves
    # Marechal (1947): Strehl ratio exp(-(2 pi rms)^2) for small errors
    expected = math.exp(-((2 * math.pi * hand.collimation_waves) ** 2))
    out_of_line = Telescope(150.0, 1200.0, obstruction_mm=37.0, aberrations=(("coma", hand.collimation_waves),))
    assert strehl(make_pupil(out_of_line), 550.0) == pytest.approx(expected, rel=0.03)


def test_stated_coma_and_the_hand_s_add_as_squares() -> None:
    mirror = Telescope(150.0, 1200.0, obstruction_mm=37.0, aberrations=(("coma", -0.06),))
    assert dict(used_by_hand(mirror, PRACTICES["ordinary"], sharp).aberrations)["coma"] == pytest.approx(-0.1)


def test_colour_error_is_a_defocus_of_each_colour() -> None:
    # in blue and red the pupil is that of the same lens with its sensor too near by the stated shift
    lens = Telescope(60.0, 700.0, colour_error_um=(350.0, 350.0))
    moved = Telescope(60.0, 700.0, defocus_um=-350.0)
    for nm in (486.1, 656.3):
        assert strehl(make_pupil(lens), nm) == pytest.approx(strehl(make_pupil(moved), nm), abs=1e-4)
    assert strehl(make_pupil(lens), 546.1) == pytest.approx(1.0, abs=1e-6)


def test_the_secondary_spectrum_turns_in_green_and_is_much_larger_in_violet() -> None:
    # two common glasses: F and C together, e in front of them by f/2000, g (435.8 nm) behind by about f/800
    # (Kingslake 1978, Lens Design Fundamentals, chapter 5, from memory): two to three times F's
    shift = [focus_shift((1.0, 1.0), nm) for nm in (435.8, 486.1, 546.1, 656.3)]
    assert shift[1:] == pytest.approx([1.0, 0.0, 1.0])
    assert 2.0 < shift[0] < 3.5
    assert min(focus_shift((1.0, 1.0), nm) for nm in range(500, 640)) == pytest.approx(0.0, abs=0.2)


def test_an_amplifier_leaves_the_colour_error_of_the_wave() -> None:
    plain = Telescope(60.0, 700.0, colour_error_um=(350.0, 300.0))
    longer = Telescope(60.0, 700.0, amplifier=2.0, colour_error_um=(350.0, 300.0))
    assert plain.colour_error_nm == longer.colour_error_nm == pytest.approx((-321.4, -275.5), abs=0.1)
