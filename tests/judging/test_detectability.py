"""Signal to noise against closed forms and against noisy draws; what no user knows is fitted away."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.special import ndtr

from simulate.errors import InputError
from simulate.judging import THRESHOLDS, UNKNOWN_OF_DISCS, find_signal, floor_per_cell

SIDE = 48
Y, X = np.indices((SIDE, SIDE)) - (SIDE - 1) / 2


def disc(radius: float = 15.0, blur: float = 1.5, row: float = 0.0, along: float = 1.0) -> np.ndarray:
    y, x = np.indices((SIDE, SIDE)) - (SIDE - 1) / 2
    return 1000.0 * ndtr((radius - np.hypot(x / along, (y - row) * along)) / blur)[None] + 5.0


def spot(depth: float, row: float = 3.0, column: float = -4.0, width: float = 2.0) -> np.ndarray:
    y, x = np.indices((SIDE, SIDE)) - (SIDE - 1) / 2
    return -depth * np.exp(-((x - column) ** 2 + (y - row) ** 2) / (2 * width**2))[None]


def test_without_unknowns_the_closed_form_holds() -> None:
    # a Gaussian of depth a and width s on white noise v: sum = pi s^2 a^2 / v (Barrett & Myers 2004, 13.2)
    variance = np.full((1, SIDE, SIDE), 16.0)
    found = find_signal(spot(30.0), disc(), variance, ()).measured()
    assert found.snr == pytest.approx(30.0 / 4.0 * np.sqrt(np.pi) * 2.0, rel=1e-3)
    assert found.depth_sign == -1
    assert found.peak[0] in (26, 27)
    assert found.peak[1] in (19, 20)


@pytest.mark.parametrize(
    ("unknown", "changed"),
    [
        ("brightness", lambda p: 1.001 * p),
        ("offset", lambda p: p + 0.5),
        ("place", lambda p: disc(row=0.02)),
        ("shading", lambda p: p * (1 + 1e-4 * (X - 2 * Y))),
        ("shading", lambda p: p * (1 - 1e-5 * (X**2 + Y**2))),
        ("size", lambda p: disc(15.0 * 1.002)),
    ],
)
def test_what_no_user_knows_leaves_no_signal(unknown: str, changed: object) -> None:
    picture = disc()
    difference = changed(picture) - picture  # type: ignore[operator]
    variance = np.full(picture.shape, 4.0)
    bare = find_signal(difference, picture, variance, ()).snr[0]
    left = find_signal(difference, picture, variance, (unknown,)).snr[0]
    assert bare > 1.0
    # a larger disc of the same blur is not quite a scaled one: its edge keeps its width
    assert left < (0.08 if unknown == "size" else 0.02) * bare


def test_an_oblong_disc_is_fitted_away_by_stretch_and_not_by_size() -> None:
    wide = disc(along=1.01)
    variance = np.full(wide.shape, 25.0)
    usual = ("brightness", "offset", "place")
    by_size = find_signal(wide - disc(), disc(), variance, (*usual, "size")).snr[0]
    by_stretch = find_signal(wide - disc(), disc(), variance, (*usual, "stretch")).snr[0]
    assert by_stretch < 0.05 * by_size


def test_a_disc_that_a_slightly_broader_response_explains_is_not_told_from_a_point() -> None:
    y, x = np.indices((SIDE, SIDE)) - (SIDE - 1) / 2

    def star(width: float) -> np.ndarray:
        return (1e5 * np.exp(-(x**2 + y**2) / (2 * width**2)) / width**2)[None]

    variance = np.full((1, SIDE, SIDE), 100.0)
    unknowns = ("brightness", "offset", "place", "blur")
    fwhm = 2.3548 * 2.0
    slight = find_signal(star(2.0 * 1.01) - star(2.0), star(2.0), variance, unknowns, fwhm_cells=fwhm).snr[0]
    strong = find_signal(star(2.0 * 1.8) - star(2.0), star(2.0), variance, unknowns, fwhm_cells=fwhm).snr[0]
    sure = find_signal(star(2.0 * 1.01) - star(2.0), star(2.0), variance, unknowns[:3]).snr[0]
    assert sure > THRESHOLDS.snr_clear  # a user who knew the response exactly would tell it
    assert slight < THRESHOLDS.snr_doubtful / 2
    assert strong > THRESHOLDS.snr_clear


def test_a_steeper_limb_darkening_is_hardly_a_signal_and_a_belt_still_is() -> None:
    # limb darkening mu^k with k = 0.95 and 1.0, which nobody knows to better: what is left of its signal is
    # a small part, while a belt keeps most of its own
    r = np.minimum(np.hypot(X, Y) / 18.0, 1.0)
    mu = np.sqrt(np.maximum(1 - r**2, 0.02))
    lit = 1000.0 * ndtr((18.0 - np.hypot(X, Y)) / 1.5)

    def left(difference: np.ndarray) -> float:
        usual = ("brightness", "offset", "place")
        picture, variance = (lit * mu**0.95)[None], np.full((1, SIDE, SIDE), 25.0)
        bare = find_signal(difference, picture, variance, usual).snr[0]
        return float(find_signal(difference, picture, variance, (*usual, "shading")).snr[0] / bare)

    assert left((lit * (mu**1.0 - mu**0.95))[None]) < 0.35
    assert left((-0.05 * lit * mu * np.exp(-0.5 * ((Y - 5.0) / 2.0) ** 2))[None]) > 0.8


def test_nothing_is_lost_by_a_blur_that_an_even_picture_does_not_show() -> None:
    even, variance = np.full((1, SIDE, SIDE), 7.0), np.full((1, SIDE, SIDE), 4.0)
    usual = ("brightness", "offset", "place")
    sure = find_signal(spot(1.0), even, variance, usual).snr[0]
    assert find_signal(spot(1.0), even, variance, (*usual, "blur"), fwhm_cells=3.0).snr[0] == pytest.approx(sure)


@pytest.mark.parametrize("level", [0.1, 3.0, 100.0])
def test_fewer_than_one_false_alarm_in_a_hundred_on_2000_noisy_draws(level: float) -> None:
    # nothing is there; the best observer looks for the spot with its weights, at any noise
    picture = disc()
    variance = (level**2) * picture
    weights = find_signal(spot(1.0), picture, variance, fwhm_cells=3.5).template(0)
    rng = np.random.default_rng(4)
    noise = rng.standard_normal((2000, SIDE, SIDE)) * np.sqrt(variance)
    found = np.einsum("nij,ij->n", noise, weights)
    assert np.mean(found > THRESHOLDS.snr_doubtful) < 0.01
    assert np.mean(np.abs(found) > 3.0) < 0.01  # even a threshold of 3 would do: 0.27 % expected
    # the statistic has unit noise: its standard deviation is 1 within 5 sigma of sqrt(1/2N)
    assert found.std() == pytest.approx(1.0, abs=5 / np.sqrt(4000))


def test_the_noisy_statistic_means_the_signal_to_noise() -> None:
    picture, difference = disc(), spot(6.0)
    variance = picture.copy()
    signal = find_signal(difference, picture, variance, fwhm_cells=3.5)
    rng = np.random.default_rng(5)
    noise = rng.standard_normal((2000, SIDE, SIDE)) * np.sqrt(variance)
    found = np.einsum("nij,ij->n", noise + difference, signal.template(0))
    assert found.mean() == pytest.approx(signal.snr[0], abs=5 / np.sqrt(2000))


def test_a_feature_of_no_contrast_is_not_found_at_any_noise() -> None:
    picture = disc()
    for level in (1e-6, 1.0, 1e6):
        found = find_signal(
            np.zeros_like(picture), picture, np.full(picture.shape, level), UNKNOWN_OF_DISCS, fwhm_cells=3.5
        )
        found = found.measured()
        assert found.snr == 0.0
        assert found.contrast == 0.0
        assert THRESHOLDS.verdict(found.contrast, found.snr) == "lost"


@given(place=st.tuples(st.floats(-0.5, 0.5), st.floats(-0.5, 0.5)))
def test_contrast_and_signal_to_noise_do_not_depend_on_where_the_peak_falls_between_cells(
    place: tuple[float, float],
) -> None:
    # critically sampled: a width at half maximum of 2.06 cells, as an Airy disc has (1.03 lambda/D)
    def measured(row: float, column: float) -> tuple[float, float]:
        found = find_signal(
            spot(40.0, row, column, 2.06 / 2.3548),
            np.full((1, SIDE, SIDE), 500.0),
            np.full((1, SIDE, SIDE), 9.0),
            fwhm_cells=2.06,
        ).measured()
        return found.contrast, found.snr

    centred, moved = measured(0.5, 0.5), measured(0.5 + place[0], 0.5 + place[1])
    assert moved[0] == pytest.approx(centred[0], rel=0.05)
    assert moved[1] == pytest.approx(centred[1], rel=0.05)


@given(turns=st.integers(0, 3), flip=st.booleans())
def test_mirrored_and_turned_pictures_give_the_same(turns: int, flip: bool) -> None:
    def seen(planes: np.ndarray) -> np.ndarray:
        turned = np.rot90(planes, turns, axes=(1, 2))
        return turned[:, :, ::-1] if flip else turned

    picture, variance = disc(), disc() / 3
    unknowns = ("brightness", "offset", "place", "size")
    plain = find_signal(spot(20.0), picture, variance, unknowns).measured()
    other = find_signal(seen(spot(20.0)), seen(picture), seen(variance), unknowns).measured()
    assert other.snr == pytest.approx(plain.snr, rel=1e-6)
    assert other.contrast == pytest.approx(plain.contrast, rel=1e-6)


def test_the_floor_of_a_resolution_element_is_the_mean_of_its_cells() -> None:
    step, fwhm = 0.1, 1.3
    cell = floor_per_cell(0.01, fwhm, step)
    rng = np.random.default_rng(6)
    y, x = np.indices((15, 15)) - 7
    inside = np.hypot(x, y) * step < fwhm / 2
    means = (cell * rng.standard_normal((4000, 15, 15)))[:, inside].mean(axis=1)
    assert means.std() == pytest.approx(0.01, rel=0.06)


def test_bad_arguments_are_refused() -> None:
    picture = disc()
    with pytest.raises(InputError, match="equal shapes"):
        find_signal(spot(1.0)[:, :-1], picture, picture)
    with pytest.raises(InputError, match="positive"):
        find_signal(spot(1.0), picture, 0 * picture)
    with pytest.raises(InputError, match="unknown"):
        find_signal(spot(1.0), picture, picture, ("colour",))
    with pytest.raises(InputError, match="width"):
        find_signal(spot(1.0), picture, picture, ("blur",))
