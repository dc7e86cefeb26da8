"""Noise, gain, digits: photon transfer after EMVA 1288, Release 4.0, with fixed seeds and 5-sigma bounds."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import erf
from scipy.stats import poisson

from simulate.camera import Camera, Frame, expected_dn, expose, noise_variance_e, take_frame
from simulate.camera.exposure import skewed_normal
from simulate.errors import InputError

SIDE = 256
PIXELS = SIDE * SIDE
MONO = Camera(3.0, SIDE, SIDE, read_noise_e=1.6, gain_e_per_dn=2.0, full_well_e=50000, bits=14, offset_dn=64)
LEVELS = (0.0, 5.0, 40.0, 300.0, 2000.0, 8000.0)


def _flat(level):
    return np.full((1, SIDE, SIDE), level, dtype=np.float32)


def _pair(level, camera, seed, **options):
    """Mean and variance in DN from two frames; the difference takes out any pattern."""
    rng = np.random.default_rng(seed)
    first, second = (expose(_flat(level), camera, rng, **options).astype(float) for _ in range(2))
    variance = ((first - second) ** 2).mean() / 2 - (first.mean() - second.mean()) ** 2 / 2
    return (first.mean() + second.mean()) / 2, variance


@pytest.mark.parametrize("exact", [False, True])
def test_variance_and_mean_follow_the_linear_model(exact):
    for index, level in enumerate(LEVELS):
        mean, variance = _pair(level, MONO, 100 + index, exact_poisson=exact)
        model = (level + 1.6**2) / 2.0**2 + 1 / 12
        assert abs(mean - (level / 2 + 64)) < 5 * math.sqrt(model / (2 * PIXELS)) + 0.005
        # relative deviation of a pair variance sqrt(2/N), plus the kurtosis of Poisson light
        assert abs(variance / model - 1) < 5 * math.sqrt((2 + 1 / max(level, 1.0)) / PIXELS)


@pytest.mark.parametrize("gain", [0.5, 2.0, 3.1])
def test_slope_of_the_photon_transfer_is_one_over_gain(gain):
    camera = replace(MONO, gain_e_per_dn=gain, read_noise_e=3.0)
    points = np.array([_pair(level, camera, 7 + k) for k, level in enumerate((100.0, 800.0, 2500.0, 6000.0))])
    weights = 1 / (points[:, 1] * math.sqrt(2 / PIXELS))
    (slope, offset), covariance = np.polyfit(points[:, 0] - 64, points[:, 1], 1, w=weights, cov="unscaled")
    assert abs(slope - 1 / gain) < 5 * math.sqrt(covariance[0, 0])
    assert 5 * math.sqrt(covariance[0, 0]) < 0.04 / gain
    assert abs(offset - (9 / gain**2 + 1 / 12)) < 5 * math.sqrt(covariance[1, 1])


def test_dark_frame_has_read_noise_and_a_twelfth_of_a_step():
    camera = replace(MONO, read_noise_e=1.0, gain_e_per_dn=1.0)
    _, variance = _pair(0.0, camera, 3)
    assert abs(variance - (1.0 + 1 / 12)) < 5 * (13 / 12) * math.sqrt(2 / PIXELS)
    assert 5 * (13 / 12) * math.sqrt(2 / PIXELS) < 1 / 24  # small enough to see the twelfth missing


def test_dark_current_adds_mean_and_variance_with_time():
    camera = replace(MONO, dark_current_e_per_s=20.0)
    rng = np.random.default_rng(8)
    frames = [expose(_flat(0.0), camera, rng, exposure_s=3.0).astype(float) for _ in range(2)]
    variance = ((frames[0] - frames[1]) ** 2).mean() / 2
    model = (60 + 1.6**2) / 4 + 1 / 12
    assert abs(frames[0].mean() - 94) < 5 * math.sqrt(model / PIXELS) + 0.005
    assert abs(variance / model - 1) < 5 * math.sqrt((2 + 1 / 60) / PIXELS)


def test_digitiser_clips_at_its_largest_number_and_never_wraps():
    camera = replace(MONO, bits=12, read_noise_e=5.0, offset_dn=0)
    rng = np.random.default_rng(4)
    assert np.all(expose(_flat(40000.0), camera, rng) == 4095)
    dark = expose(_flat(0.0), camera, rng)
    assert dark.min() == 0
    assert dark.max() < 30


def test_full_well_clips_the_charge_below_the_read_noise():
    camera = replace(MONO, full_well_e=9000, read_noise_e=6.0)
    raw = expose(_flat(20000.0), camera, np.random.default_rng(5)).astype(float)
    assert abs(raw.mean() - (9000 / 2 + 64)) < 5 * 3 / SIDE
    assert abs(raw.var() - (9 + 1 / 12)) < 5 * 9 * math.sqrt(2 / PIXELS)
    assert expected_dn(_flat(20000.0), camera).max() == 9000 / 2 + 64


def test_variance_bends_down_only_at_saturation():
    camera = replace(MONO, full_well_e=9000)
    below, above = _pair(8500.0, camera, 1)[1], _pair(9100.0, camera, 1)[1]
    assert below == pytest.approx((8500 + 2.56) / 4, rel=0.04)
    assert above < 0.5 * below


@pytest.mark.parametrize("read", [0.0, 1.5, 4.0])
@pytest.mark.parametrize("mean", [20.0, 50.0, 200.0, 1000.0])
def test_skewed_normal_has_the_distribution_of_poisson_and_read_noise(mean, read):
    deviate = np.linspace(-5, 5, 20001)
    charge = skewed_normal(np.float64(mean), read, deviate)
    assert np.all(np.diff(charge) > 0)
    ours = 0.5 * (1 + erf(deviate / math.sqrt(2)))
    counts = np.arange(0, int(mean + 12 * math.sqrt(mean) + 20))
    if read == 0:  # a staircase: its middle is what rounding sees
        true = poisson.cdf(np.floor(charge), mean) - 0.5 * poisson.pmf(np.floor(charge), mean)
        ours_at_steps = np.interp(counts.astype(float), charge, ours, left=0.0, right=1.0)
        true = poisson.cdf(counts, mean) - 0.5 * poisson.pmf(counts, mean)
        error = np.abs(ours_at_steps - true).max()
        normal = np.abs(0.5 * (1 + erf((counts - mean) / math.sqrt(2 * mean))) - true).max()
    else:
        steps = 0.5 * (1 + erf((charge[::50, None] - counts) / (read * math.sqrt(2))))
        true = steps @ poisson.pmf(counts, mean)
        error = np.abs(ours[::50] - true).max()
        normal = np.abs(0.5 * (1 + erf((charge[::50] - mean) / math.sqrt(2 * (mean + read**2)))) - true).max()
    assert error < 0.002
    assert normal > 1.5 * error  # what a plain normal would miss


def test_skewed_normal_keeps_mean_and_variance_exactly():
    # Gauss-Hermite quadrature: exact for these polynomials
    nodes, weights = np.polynomial.hermite_e.hermegauss(12)
    weights = weights / weights.sum()
    for mean, read in ((2.0, 1.0), (20.0, 1.5), (500.0, 3.0)):
        values = skewed_normal(np.float64(mean), read, nodes)
        assert values @ weights == pytest.approx(mean, rel=1e-12)
        assert (values - mean) ** 2 @ weights == pytest.approx(mean + read**2, rel=1e-12)
        assert (values - mean) ** 3 @ weights == pytest.approx(mean, rel=0.05)


def test_light_below_twenty_electrons_is_truly_poisson():
    camera = replace(MONO, read_noise_e=0.0, gain_e_per_dn=1.0, offset_dn=0)
    raw = expose(_flat(1.7), camera, np.random.default_rng(11))
    for count in range(8):
        share = (raw == count).mean()
        expected = poisson.pmf(count, 1.7)
        assert abs(share - expected) < 5 * math.sqrt(expected * (1 - expected) / PIXELS)


def test_faint_and_bright_pixels_side_by_side_keep_their_laws():
    # a row of each in turn, so that they are drawn together
    light = np.empty((1, SIDE, SIDE), np.float32)
    for index, level in enumerate(LEVELS[:4]):
        light[:, index::4] = level
    rng = np.random.default_rng(21)
    first, second = (expose(light, MONO, rng).astype(float) for _ in range(2))
    for index, level in enumerate(LEVELS[:4]):
        one, two = first[index::4], second[index::4]
        model = (level + 1.6**2) / 4 + 1 / 12
        assert abs((one.mean() + two.mean()) / 2 - (level / 2 + 64)) < 5 * math.sqrt(model / (2 * one.size)) + 0.005
        variance = ((one - two) ** 2).mean() / 2
        assert abs(variance / model - 1) < 5 * math.sqrt((2 + 1 / max(level, 1.0)) / one.size)


def test_same_seed_same_frame_and_other_seed_another():
    light = _flat(300.0)
    first, second = (expose(light, MONO, np.random.default_rng(1)) for _ in range(2))
    assert np.array_equal(first, second)
    assert not np.array_equal(first, expose(light, MONO, np.random.default_rng(2)))
    assert first.dtype == np.uint16


def test_each_pixel_of_a_colour_camera_sees_its_own_channel():
    camera = Camera(3.0, 64, 64, "GBRG", read_noise_e=1.0, gain_e_per_dn=1.0, offset_dn=100, bits=14)
    planes = np.stack([np.full((64, 64), level, np.float32) for level in (1000.0, 3000.0, 200.0)])
    raw = expose(planes, camera, np.random.default_rng(0)).astype(float)
    assert raw.shape == (64, 64)
    for site, level in (((0, 0), 3000), ((0, 1), 200), ((1, 0), 1000), ((1, 1), 3000)):
        part = raw[site[0] :: 2, site[1] :: 2]
        assert abs(part.mean() - 100 - level) < 5 * math.sqrt((level + 1) / part.size)
        assert expected_dn(planes, camera)[site] == level + 100


def test_shapes_of_mono_filters_and_batches():
    rng = np.random.default_rng(0)
    light = np.full((5, 3, 8, 6), 50.0)
    filters = Camera(3.0, 6, 8, filters=("red", "green", "blue"))
    assert expose(light, filters, rng).shape == (5, 3, 8, 6)
    assert expose(light[:, :1], Camera(3.0, 6, 8), rng).shape == (5, 8, 6)
    assert expose(light, Camera(3.0, 6, 8, "RGGB"), rng).shape == (5, 8, 6)


@pytest.mark.parametrize(
    "bad", [np.ones((2, 4, 4)), np.ones((4, 4)), np.full((3, 4, 4), np.nan), np.full((3, 4, 4), np.inf)]
)
def test_wrong_planes_and_infinite_light_are_refused(bad):
    with pytest.raises(InputError, match="expected electrons"):
        expose(bad, Camera(3.0, 4, 4, "RGGB"), np.random.default_rng(0))


@settings(deadline=None, max_examples=60)
@given(
    st.floats(-10, 1e12),
    st.floats(0, 50),
    st.floats(0.01, 50),
    st.integers(8, 16),
    st.floats(0, 200),
    st.booleans(),
)
def test_numbers_stay_within_the_digitiser(level, read, gain, bits, offset, exact):
    camera = Camera(3.0, 4, 4, read_noise_e=read, gain_e_per_dn=gain, bits=bits, offset_dn=offset)
    raw = expose(np.full((1, 4, 4), level), camera, np.random.default_rng(0), exact)
    assert raw.max() <= 2**bits - 1
    assert np.all(expected_dn(np.full((1, 4, 4), level), camera) <= 2**bits - 1)


def test_gain_may_differ_per_exposure_and_takes_its_read_noise():
    camera = replace(MONO, read_noise_curve=((0.5, 1.0), (2.0, 1.6)), gain_e_per_dn=2.0)
    frame = take_frame(_flat(4000.0), camera, 0.05, np.random.default_rng(3), gain_e_per_dn=0.5)
    assert frame.gain_e_per_dn == 0.5
    assert abs(frame.raw.mean() - (64 + 200 / 0.5)) < 5 * math.sqrt(201 / 0.25 / PIXELS) + 0.01
    assert noise_variance_e(200.0, camera, gain_e_per_dn=0.5) == pytest.approx(200 + 1.0 + 0.25 / 12)
    assert noise_variance_e([0.0, 9.0], camera) == pytest.approx([2.56 + 4 / 12, 11.56 + 4 / 12])


def test_frame_gives_electrons_back_and_cannot_be_changed():
    frame = take_frame(_flat(4000.0), MONO, 0.05, np.random.default_rng(3))
    assert abs(frame.electrons().mean() - 200) < 5 * math.sqrt(203 / PIXELS) + 0.01
    assert frame.exposure_s == 0.05
    with pytest.raises(ValueError, match="read-only"):
        frame.raw[0, 0] = 1
    assert isinstance(frame, Frame)
    with pytest.raises(InputError, match="exposure"):
        take_frame(_flat(1.0), MONO, 0.0, np.random.default_rng(3))


@pytest.mark.parametrize("mean", [0.003, 0.1, 0.25, 0.6, 1.3, 5.1, 13.37, 19.9])
def test_few_electrons_follow_the_poisson_law(mean):
    from simulate.camera.exposure import _bits, _low_counts

    size = 400_000
    counts = _low_counts(np.full(size, mean, np.float32), _bits(np.random.default_rng(5), 2, size))
    numbers = np.arange(60)
    found = np.cumsum(np.bincount(counts.astype(int), minlength=60)) / size
    exact = np.cumsum(np.exp(-mean + numbers * math.log(mean) - np.array([math.lgamma(n + 1) for n in numbers])))
    # Kolmogorov-Smirnov: 1.95 / sqrt(n) is passed by chance once in 1000
    assert np.abs(found - exact).max() < 1.95 / math.sqrt(size)
    assert counts.mean() == pytest.approx(mean, abs=5 * math.sqrt(mean / size))
