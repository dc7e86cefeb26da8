from __future__ import annotations

import math

import numpy as np
import pytest
import scipy.fft
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import gamma

from simulate.errors import InputError
from simulate.stack.expected import (
    ExposureWishes,
    SensorNoise,
    choose_exposure,
    crop_spectrum,
    expected_stack,
    finer_sampling,
    keep_fraction,
)
from simulate.stack.results import Recording


def zernike_covariance(highest_order: int) -> np.ndarray:
    """Covariance of Kolmogorov Zernike coefficients from defocus on, at D/r0 = 1 (Noll 1976, eq. 25).

    Only the sums over squares matter here, so each (n, m) stands once per orientation.
    """
    modes = [
        (n, m, side)
        for n in range(2, highest_order + 1)
        for m in range(n % 2, n + 1, 2)
        for side in (0, 1)[: 1 + (m > 0)]
    ]
    size = len(modes)
    covariance = np.zeros((size, size))
    constant = 0.0072 * math.pi ** (8 / 3)  # 0.046 / pi of Noll's spectrum, in his normalisation
    for i, (n, m, side) in enumerate(modes):
        for j, (k, q, other) in enumerate(modes):
            if m != q or side != other:
                continue
            sign = (-1) ** ((n + k - 2 * m) // 2)
            ratio = gamma(14 / 3) * gamma((n + k - 5 / 3) / 2)
            ratio /= gamma((n - k + 17 / 3) / 2) * gamma((k - n + 17 / 3) / 2) * gamma((n + k + 23 / 3) / 2)
            covariance[i, j] = constant * sign * math.sqrt((n + 1) * (k + 1)) * ratio
    return covariance


def test_share_of_frames_follows_kolmogorov_statistics():
    covariance = zernike_covariance(9)
    # Noll (1976), table IV: residual 0.134 once tilt is removed; order 9 leaves 0.0081 of it
    scale = (0.134 - 0.2944 * 52 ** (-math.sqrt(3) / 2)) / np.trace(covariance)
    assert scale == pytest.approx(1.0, abs=0.03)
    eigenvalues = np.linalg.eigvalsh(covariance)
    rng = np.random.default_rng(4)
    variance = rng.standard_normal((40000, len(eigenvalues))) ** 2 @ eigenvalues + 0.2944 * 52 ** (-math.sqrt(3) / 2)
    for ratio in (2.0, 3.0, 4.0, 5.0):
        simulated = np.mean(variance * ratio ** (5 / 3) < 1.0)
        assert keep_fraction(ratio) == pytest.approx(simulated, rel=0.2, abs=0.01)


@pytest.mark.parametrize(("ratio", "one_in"), [(5.0, 9.0), (6.0, 50.0)])
def test_share_of_frames_against_fried(ratio: float, one_in: float):
    # Fried (1978): a lucky frame in 9 at D/r0 = 5, in 50 at 6; his formula is high by 15-30 % there
    assert 0.6 / one_in < keep_fraction(ratio) < 1.15 / one_in


def test_share_of_frames_at_the_ends():
    assert keep_fraction(0.0) == 1.0
    assert keep_fraction(1.0) > 0.999
    assert keep_fraction(12.0) == 0.01
    with pytest.raises(InputError, match="D/r0"):
        keep_fraction(-1.0)


@given(st.floats(0, 20), st.floats(0, 20))
def test_share_of_frames_falls(a: float, b: float):
    low, high = sorted((a, b))
    assert keep_fraction(low) >= keep_fraction(high)


def test_exposure_takes_sixty_per_cent_or_ten_milliseconds():
    bright = choose_exposure(5e6, 14000.0)
    assert bright.peak_fraction == pytest.approx(0.6)
    assert bright.exposure_s == pytest.approx(0.6 * 14000 / 5e6)
    assert (bright.limited_by, bright.frames_per_second) == ("full well", 200.0)
    faint = choose_exposure(1e4, 14000.0, fried_ratio=3.0, rotation_limit_s=50.0)
    assert (faint.exposure_s, faint.seconds, faint.frames) == (0.010, 50.0, 5000)
    assert faint.kept == round(5000 * keep_fraction(3.0))
    assert faint.limited_by == "motion of the air"


def test_a_faint_target_keeps_more_frames():
    faint = choose_exposure(3000.0, 14000.0, fried_ratio=7.0)
    assert faint.kept == math.ceil(200**2 / 30)  # 30 electrons a frame; 1 % of 12000 frames would be 120
    assert choose_exposure(3000.0, 14000.0, wishes=ExposureWishes(keep=0.01)).kept == 120
    assert choose_exposure(10.0, 14000.0, fried_ratio=7.0).kept == 12000


def test_exposure_follows_wishes():
    wishes = ExposureWishes(exposure_s=0.02, seconds=30.0, frames_per_second=40.0, keep=0.1)
    chosen = choose_exposure(1e4, 14000.0, wishes=wishes)
    assert (chosen.exposure_s, chosen.frames, chosen.kept, chosen.limited_by) == (0.02, 1200, 120, "user")
    assert choose_exposure(1e4, 14000.0, wishes=ExposureWishes(frames=77)).frames == 77
    with pytest.raises(InputError, match="frames_per_second"):
        choose_exposure(1e4, 14000.0, wishes=ExposureWishes(exposure_s=0.02, frames_per_second=60.0))
    with pytest.raises(InputError, match="keep"):
        ExposureWishes(keep=1.5)
    with pytest.raises(InputError, match="full well"):
        choose_exposure(1e4, 0.0)


def test_finer_sampling_only_where_pixels_are_coarse():
    assert finer_sampling(0.9, (1.0,), 1000) == (1.0, 0.0)
    assert finer_sampling(1.6, (1.0,), 1000) == (2.0, 0.5)
    assert finer_sampling(2.5, (1.0,), 1000) == (3.0, 1 / 3)
    assert finer_sampling(0.9, (0.25, 0.5, 0.25), 1000) == (1.5, 1 / 1.5)
    assert finer_sampling(0.4, (0.25, 0.5, 0.25), 1000) == (1.0, 0.0)
    assert finer_sampling(1.6, (0.25, 0.5, 0.25), 4) == (1.0, 2.0)
    assert finer_sampling(1.6, (0.25, 0.5, 0.25), 50)[1] == pytest.approx(0.8)


def recording(**changes: object) -> Recording:
    values = {"exposure_s": 0.01, "frames": 1000, "kept": 400, "pixel_arcsec": 0.5} | changes
    return Recording(**values)


SENSOR = SensorNoise(read_noise_e=2.0, full_scale_e=14000.0, gain_e_per_dn=3.6)


def scattered_readings(factor: float, drop: float, frames: int, cells: int, rng: np.random.Generator) -> np.ndarray:
    """Lay pure noise of variance 1 as drops on a line of cells, as a recording drifting at random does."""
    edges = np.arange(cells + 1) / factor
    total, weight = np.zeros(cells), np.zeros(cells)
    for _ in range(frames):
        centres = np.arange(cells / factor) + rng.uniform(-0.5, 0.5)
        reading = rng.standard_normal(len(centres))
        low = np.maximum(edges[:-1, None], centres - drop / 2)
        overlap = np.maximum(0.0, np.minimum(edges[1:, None], centres + drop / 2) - low)
        total += overlap @ reading
        weight += overlap.sum(axis=1)
    return total / weight


@pytest.mark.parametrize(("factor", "drop"), [(1.5, 2 / 3), (2.0, 0.5), (2.0, 1.0)])
def test_noise_of_scattered_drops(factor: float, drop: float):
    """The stated variance and correlation agree with drops laid one by one (one axis; the plane is the product)."""
    cells, frames = 60, 48
    rng = np.random.default_rng(11)
    lines = np.array([scattered_readings(factor, drop, frames, cells, rng)[4:-4] for _ in range(250)])
    plan = recording(frames=frames, kept=frames, factor=factor, drop_pixels=drop, exposure_s=1.0)
    n = 64
    stack = expected_stack(np.zeros((1, n, n)), 0.5 / factor, plan, SensorNoise(read_noise_e=1.0))
    # the plane's variance is the square of a line's, with `frames` readings in place of frames^2
    line_variance = float(stack.noise[0, 0, 0]) * math.sqrt(frames) / frames
    assert lines.var() == pytest.approx(line_variance, rel=0.08)
    spectrum_line = stack.noise_spectrum[0, 0, :] / np.sqrt(stack.noise_spectrum[0, 0, 0])
    correlation = np.fft.irfft(spectrum_line, n)
    measured = np.mean(lines[:, 1:] * lines[:, :-1]) / lines.var()
    assert measured == pytest.approx(correlation[1] / correlation[0], abs=0.04)


@pytest.mark.parametrize("shares", [(1.0,), (0.25, 0.5, 0.25)])
def test_noise_without_drops_is_that_of_the_mean(shares: tuple[float, ...]):
    rate = np.full((len(shares), 64, 64), 4.0e5)
    stack = expected_stack(rate, 0.5, recording(channel_shares=shares), SENSOR, rng=np.random.default_rng(3))
    for plane, sigma, share in zip(stack.picture, stack.noise, shares, strict=True):
        electrons = 4000.0
        single = math.sqrt(electrons + 2.0**2 + 3.6**2 / 12) / 0.01
        assert sigma == pytest.approx(single / math.sqrt(400 * share), rel=1e-5)
        assert plane.std() == pytest.approx(sigma[0, 0], rel=0.06)
        assert plane.mean() == pytest.approx(4.0e5, abs=4 * float(sigma[0, 0]) / 64)


def test_realised_noise_has_the_stated_spectrum():
    plan = recording(factor=1.5, drop_pixels=1 / 1.5)
    stack = expected_stack(np.full((1, 96, 96), 1e5), 0.5 / 1.5, plan, SENSOR, rng=np.random.default_rng(8))
    noise = stack.picture[0] - 1e5
    power = np.abs(scipy.fft.rfft2(noise)) ** 2 / noise.size / stack.noise[0, 0, 0] ** 2
    inner, outer = np.s_[:12, 1:12], np.s_[36:60, 36:]
    assert power[inner].mean() == pytest.approx(stack.noise_spectrum[0][inner].mean(), rel=0.25)
    assert power[outer].mean() == pytest.approx(stack.noise_spectrum[0][outer].mean(), rel=0.25)
    assert stack.noise_spectrum[0][outer].mean() < 0.2 * stack.noise_spectrum[0][inner].mean()


def blob(shape: tuple[int, int], step: float, sigma: float, east: float, north: float) -> np.ndarray:
    x = (np.arange(shape[1]) - (shape[1] - 1) / 2) * step
    y = (np.arange(shape[0]) - (shape[0] - 1) / 2) * step
    return np.exp(-((x[None, :] + east) ** 2 + (y[:, None] - north) ** 2) / (2 * sigma**2))


def test_coarser_cells_keep_place_and_brightness():
    fine = blob((120, 96), 0.25, 1.5, 2.3, -1.1)[None] * 1e5
    plan = recording(pixel_arcsec=1.0, factor=2.0, drop_pixels=0.0)
    stack = expected_stack(fine, 0.25, plan, SENSOR)
    np.testing.assert_allclose(stack.picture[0], blob((60, 48), 0.5, 1.5, 2.3, -1.1) * 1e5, atol=2.0)


def test_stated_transfer_is_what_the_picture_shows():
    step, plan = 0.25, recording(pixel_arcsec=1.0, factor=2.0, drop_pixels=0.5)
    fine = blob((96, 96), step, 0.9, 0.0, 0.0)[None] * 1e5
    truth = blob((96, 96), step, 0.6, 0.0, 0.0)[None] * 1e5
    blurred, sharp = scipy.fft.rfft2(fine), scipy.fft.rfft2(truth)
    transfer = np.divide(blurred, sharp, out=np.zeros_like(blurred), where=np.abs(sharp) > 1e-3)
    stack = expected_stack(fine, step, plan, SENSOR, transfer=transfer / transfer[0, 0, 0])
    truth_coarse = expected_stack(truth, step, recording(pixel_arcsec=1.0, factor=2.0), SENSOR).picture
    again = scipy.fft.irfft2(scipy.fft.rfft2(truth_coarse) * stack.transfer * transfer[0, 0, 0], s=(48, 48))
    np.testing.assert_allclose(stack.picture, again, atol=30.0)


def test_clipped_pixels_stay_clipped():
    stack = expected_stack(np.full((1, 16, 16), 9e6), 0.5, recording(), SENSOR)
    assert stack.picture == pytest.approx(14000 / 0.01)


@settings(max_examples=25)
@given(st.floats(0.0, 1e5), st.sampled_from([(1.0, 0.0), (1.5, 2 / 3), (2.0, 0.5)]))
def test_mean_brightness_is_kept(level: float, sampling: tuple[float, float]):
    rng = np.random.default_rng(0)
    plan = recording(pixel_arcsec=1.0, factor=sampling[0], drop_pixels=sampling[1])
    size = round(24 * sampling[0])
    rate = rng.random((1, size, size)) * level
    stack = expected_stack(rate, 1.0 / sampling[0], plan, SENSOR)
    assert stack.picture.mean() == pytest.approx(rate.mean(), rel=1e-4, abs=1e-6)


def test_same_seed_same_stack():
    rate = np.full((1, 32, 32), 1e5)
    first, second = (expected_stack(rate, 0.5, recording(), SENSOR, rng=np.random.default_rng(5)) for _ in range(2))
    assert first.picture.tobytes() == second.picture.tobytes()
    with pytest.raises(ValueError, match="read-only"):
        first.picture[0, 0, 0] = 1.0


def test_bad_shapes_are_refused():
    with pytest.raises(InputError, match="rate_e_per_s"):
        expected_stack(np.zeros((16, 16)), 0.5, recording(), SENSOR)
    with pytest.raises(InputError, match="whole number"):
        expected_stack(np.zeros((1, 16, 16)), 0.33, recording(), SENSOR)
    with pytest.raises(InputError, match="step of the rate"):
        expected_stack(np.zeros((1, 16, 16)), 1.0, recording(), SENSOR)
    with pytest.raises(InputError, match="kept"):
        recording(kept=2000)


def test_cropped_spectrum_of_a_smooth_picture_is_its_coarse_spectrum():
    picture = blob((40, 30), 1.0, 4.0, 0.0, 0.0)
    coarse = scipy.fft.irfft2(crop_spectrum(scipy.fft.rfft2(picture), (20, 15), 30) / 4, s=(20, 15))
    np.testing.assert_allclose(coarse, picture[::2, ::2], atol=2e-4)
