import math
from functools import cache

import numpy as np
import pytest
from scipy import ndimage

from simulate.checking.faults import Fault, verdict_of
from simulate.checking.finding import find_planet
from simulate.checking.fitting import Fit, fit_picture
from simulate.checking.measures import (
    HALF_OF_PERFECT,
    MeasuredTransfer,
    aperture_of,
    limb_overshoot_of,
    measure_levels,
    measure_transfer,
)
from simulate.checking.model import Blur, Pose, Theory, perfect_transfer
from simulate.values.grid import Grid

STEP, CUTOFF = 0.25, 1.0
RADIUS = 20.0


@cache
def planet(marked: bool) -> Theory:
    """An oblate, limb-darkened disc, 40 arcsec wide; marked, with two spots and a belt off the middle."""
    grid = Grid(256, 256, STEP)
    east, north = np.meshgrid(grid.east_arcsec(), grid.north_arcsec())
    radius = np.hypot(east, north if not marked else north / 0.94) / 20.0
    inside = np.clip((1.0 - radius) * 20.0 / STEP + 0.5, 0, 1)
    light = inside * np.sqrt(np.clip(1 - radius**2, 0.05, 1))
    if marked:
        light = light * (1 - 0.35 * np.exp(-(((north - 6) / 2.0) ** 2)))
        for place, depth in (((7, -8), 0.5), ((-10, 2), 0.4)):
            light = light * (1 - depth * np.exp(-((east - place[0]) ** 2 + (north - place[1]) ** 2) / 5.0))
    return Theory(grid, light.astype(np.float32), CUTOFF)


def gaussian_blur(theory: Theory, sigma_arcsec: float) -> np.ndarray:
    return ndimage.gaussian_filter(theory.light.astype(float), sigma_arcsec / STEP)


def taken(theory: Theory, pose: Pose, gamma: float, seed: int, side: int = 150, sigma: float = 0.8) -> np.ndarray:
    """A picture of the planet by a blur that is not of the family that is fitted, noisy and stretched."""
    random = np.random.default_rng(seed)
    row, column = np.indices((side, side), dtype=float)
    light = ndimage.map_coordinates(
        gaussian_blur(theory, sigma), theory.index_of(*pose.sky_of(row, column)), order=3, mode="constant"
    )
    light = 0.02 + 0.8 * light + 0.006 * random.standard_normal(light.shape)
    return np.rint(255 * np.clip(light, 0, 1) ** (1 / gamma)) / 255


def fitted(theory: Theory, pose: Pose, gamma: float, seed: int) -> Fit:
    plane = taken(theory, pose, gamma, seed)
    return fit_picture(plane, find_planet(plane), theory, 8)


@pytest.mark.parametrize("seed", range(4))
def test_scale_angle_mirror_and_tone_are_found_without_a_hint(seed: int) -> None:
    random = np.random.default_rng(seed)
    pose = Pose(
        74 + random.uniform(-6, 6),
        75 + random.uniform(-6, 6),
        random.uniform(0.36, 0.6),
        random.uniform(0, 360),
        bool(seed % 2),
    )
    gamma = random.uniform(1.0, 2.4)
    fit = fitted(planet(True), pose, gamma, seed)
    assert fit.tells_mirror
    assert fit.tells_angle
    assert fit.pose.mirrored is pose.mirrored
    assert fit.pose.scale_arcsec == pytest.approx(pose.scale_arcsec, rel=0.004)
    assert math.remainder(fit.pose.angle_deg - pose.angle_deg, 360) == pytest.approx(0, abs=0.4)
    assert (fit.pose.row, fit.pose.column) == pytest.approx((pose.row, pose.column), abs=0.1)
    assert fit.gamma == pytest.approx(gamma, abs=0.1)


def test_a_round_disc_without_marks_tells_neither_angle_nor_mirror() -> None:
    fit = fitted(planet(False), Pose(75, 73, 0.45, 70.0, True), 1.6, 5)
    assert not fit.tells_angle
    assert not fit.tells_mirror
    assert fit.pose.scale_arcsec == pytest.approx(0.45, rel=0.01)


def test_stated_errors_cover_the_truth_about_two_times_in_three() -> None:
    pulls = []
    for seed in range(8):
        pose = Pose(74.3, 75.6, 0.47, 200.0 + 7 * seed, False)
        fit = fitted(planet(True), pose, 1.4, 100 + seed)
        pulls += [(fit.pose.row - pose.row) / fit.errors["row"], (fit.pose.column - pose.column) / fit.errors["column"]]
    inside = np.mean(np.abs(pulls) < 1)
    # 16 draws of a share of 0.68: three standard deviations are 0.35
    assert 0.33 < inside < 1.0


def test_the_transfer_of_a_known_blur_is_measured() -> None:
    theory, pose = planet(True), Pose(75, 75, 0.4, 20.0, False)
    fit = fitted(theory, pose, 1.3, 9)
    measured = measure_transfer(fit, theory)
    frequency = np.array([0.1, 0.2, 0.3, 0.4])
    true = np.exp(-2 * (np.pi * frequency * 0.8) ** 2) * np.sinc(frequency * STEP)
    assert measured.at(frequency) == pytest.approx(true, abs=0.06)
    half = math.sqrt(math.log(2) / 2) / (math.pi * 0.8)
    assert measured.half()[0] == pytest.approx(half, rel=0.08)


def test_half_of_the_perfect_transfer_lies_where_it_is_said() -> None:
    assert float(perfect_transfer(np.array(HALF_OF_PERFECT))) == pytest.approx(0.5, abs=1e-4)
    # a perfect 100 mm at 550 nm: D / lambda = 0.8815 cycles per arcsec
    assert aperture_of(HALF_OF_PERFECT * 0.100 / 550e-9 / 206264.806, 550.0) == pytest.approx(100.0, rel=1e-6)


def test_a_blur_runs_from_soft_to_over_sharpened() -> None:
    line = np.linspace(0, 1, 50)
    soft, sharp = Blur(0.5, 0.0, 1.0, 1.0).at(line), Blur(0.5, 4.0, 0.0, 1.0).at(line)
    assert soft[0] == sharp[0] == pytest.approx(1.0)
    assert np.all(np.diff(soft) <= 0)
    assert sharp.max() == pytest.approx(4 * math.exp(-0.75), rel=0.01)


def test_the_limb_overshoots_only_where_contrast_is_raised() -> None:
    none = np.zeros((2, 2))
    # the transform of a disc goes on for ever, its sum ends: a hundredth of a per cent, and a tenth is told
    even = MeasuredTransfer(np.array([0.4, 0.8]), np.array([0.5, 0.5]), none)
    assert limb_overshoot_of(even, RADIUS) == pytest.approx(0.0, abs=2e-4)
    raised = MeasuredTransfer(np.array([0.4, 0.8]), np.array([-1.0, 2.0]), none)
    assert 0.05 < limb_overshoot_of(raised, RADIUS) < 0.5


def test_few_levels_without_noise_are_called_contours() -> None:
    row, column = np.indices((80, 80), dtype=float)
    smooth = np.clip(0.8 - np.hypot(row - 40, column - 40) / 60, 0, 1)
    mask = smooth > 0.3
    coarse = measure_levels(np.rint(smooth * 20) / 20, mask, 8, 0.0, 0.7)
    noisy = smooth + 0.05 * np.random.default_rng(0).standard_normal(smooth.shape)
    fine = measure_levels(np.rint(noisy * 255) / 255, mask, 8, 0.0, 0.7)
    assert coarse.contours
    assert not fine.contours


def test_a_fault_is_named_only_with_a_clear_lead() -> None:
    def fault(name: str, evidence: float) -> Fault:
        return Fault(name, evidence, 1.0, "")

    assert verdict_of((fault("coma", 30.0), fault("seeing", 12.0))) == "coma"
    assert verdict_of((fault("coma", 30.0), fault("seeing", 29.0))) == "cannot tell"
    assert verdict_of((fault("coma", 1.0), fault("seeing", 0.0))) == "none"
