from __future__ import annotations

import numpy as np
import pytest
import scipy.fft
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from simulate.errors import InputError
from simulate.stack.restore import Restoring, delivered_fwhm, limb_overshoot, restore, rings_of

SIZE, STEP = 128, 0.25
SHAPE = (SIZE, SIZE)
FREQUENCY = rings_of(SHAPE, STEP).radius


def aperture_transfer(cutoff: float) -> np.ndarray:
    """Transfer of a clear round aperture (Goodman, Introduction to Fourier Optics, 3rd ed., eq. 6-31)."""
    u = np.clip(FREQUENCY / cutoff, 0, 1)
    return 2 / np.pi * (np.arccos(u) - u * np.sqrt(1 - u * u))


def disc(radius: float = 9.0) -> np.ndarray:
    y, x = (np.indices(SHAPE) - (SIZE - 1) / 2) * STEP
    r = np.hypot(x, y)
    shade = np.sqrt(np.clip(1.1 - (r / radius) ** 2, 0.0, None))
    return 1000 * np.clip((radius - r) / STEP + 0.5, 0, 1) * shade * (1 - 0.2 * (np.abs(y - 2) < 1.0))


BLUR = aperture_transfer(1.4) * np.exp(-1.5 * FREQUENCY ** (5 / 3))


def blurred(truth: np.ndarray, sigma: float = 0.0, transfer: np.ndarray = BLUR) -> np.ndarray:
    noise = np.random.default_rng(2).standard_normal(SHAPE) * sigma
    return (scipy.fft.irfft2(scipy.fft.rfft2(truth) * transfer, s=SHAPE) + noise)[None]


def restored(picture: np.ndarray, sigma: float, transfer: np.ndarray = BLUR, **options: object):
    planes = np.broadcast_to(transfer, (len(picture), *transfer.shape))
    return restore(picture, np.full(picture.shape, sigma), planes, STEP, **options)


def test_without_noise_a_band_limited_truth_comes_back():
    truth = scipy.fft.irfft2(scipy.fft.rfft2(disc()) * np.clip((1.1 - FREQUENCY) / 0.3, 0, 1), s=SHAPE)
    result = restored(blurred(truth), 0.0, how=Restoring(ringing_limit=1.0, model_error=0.0))
    assert_allclose(result.picture[0], truth, atol=1e-6 * truth.max())


def test_less_noise_makes_it_stronger():
    widths, gains, errors = [], [], []
    for sigma in (30.0, 10.0, 3.0, 1.0, 0.3, 0.1):
        result = restored(blurred(disc(), sigma), sigma)
        widths.append(result.delivered_fwhm_arcsec[0])
        gains.append(result.noise_gain[0])
        errors.append(np.std(result.picture[0] - disc()))
        assert errors[-1] < np.std(blurred(disc(), sigma)[0] - disc())
    assert widths == sorted(widths, reverse=True)
    assert gains == sorted(gains)
    assert errors == sorted(errors, reverse=True)


@pytest.mark.parametrize("sigma", [30.0, 3.0, 0.3])
def test_near_the_best_linear_filter(sigma: float):
    """The estimate of the signal from the picture costs little against Wiener's filter with the truth known."""
    result = restored(blurred(disc(), sigma), sigma, how=Restoring(ringing_limit=1.0, model_error=0.0))
    ring = rings_of(SHAPE, STEP)
    truth_power = ring.mean(np.abs(scipy.fft.rfft2(disc())) ** 2)[ring.index]
    best = BLUR * truth_power / (BLUR**2 * truth_power + sigma**2 * SIZE**2)
    ideal = scipy.fft.irfft2(scipy.fft.rfft2(blurred(disc(), sigma)[0]) * best, s=SHAPE)
    assert np.std(result.picture[0] - disc()) < 1.12 * np.std(ideal - disc())
    assert np.std(result.picture[0] - disc()) > 0.97 * np.std(ideal - disc())


@pytest.mark.parametrize("sigma", [10.0, 0.01])
def test_stated_noise_gain_is_what_noise_meets(sigma: float):
    picture = blurred(disc(), sigma)
    result = restored(picture, sigma)
    noise = np.random.default_rng(9).standard_normal(SHAPE)
    through = scipy.fft.irfft2(scipy.fft.rfft2(noise) * result.gain[0], s=SHAPE)
    assert through.std() == pytest.approx(result.noise_gain[0], rel=0.05)
    assert_allclose(result.noise[0], sigma * result.noise_gain[0], rtol=1e-9)


@pytest.mark.parametrize("sigma", [10.0, 0.1, 0.0])
def test_ringing_stays_within_its_bound(sigma: float):
    finer = 16  # the limb is drawn finely, so that its own sampling adds nothing
    strip = np.zeros(finer * SIZE)
    strip[finer * SIZE // 4 : 3 * finer * SIZE // 4] = 1000.0
    for limit in (0.01, 0.03):
        result = restored(blurred(disc(), sigma), sigma, how=Restoring(ringing_limit=limit))
        line = np.zeros(finer * SIZE // 2 + 1)
        line[: SIZE // 2 + 1] = result.transfer[0, 0].real
        seen = scipy.fft.irfft(scipy.fft.rfft(strip) * line)
        assert result.limb_overshoot[0] <= limit
        assert result.limb_overshoot[0] == pytest.approx(seen.max() / 1000 - 1, abs=3e-4)
        assert seen.min() == pytest.approx(-1000 * result.limb_overshoot[0], abs=0.3)
    free = restored(blurred(disc(), sigma), sigma, how=Restoring(ringing_limit=1.0))
    assert free.limb_overshoot[0] <= 0.0896  # Gibbs (Wilbraham 1848): 8.949 % of the step


def test_overshoot_of_a_sharp_band_edge_is_the_one_of_gibbs():
    hard = (FREQUENCY < 1.0).astype(float)
    assert limb_overshoot(hard, SIZE) == pytest.approx(0.0895, abs=0.004)
    assert limb_overshoot(aperture_transfer(1.4), SIZE) < 1e-3


def test_noisy_point_is_not_sharpened_beyond_what_is_seen():
    result = restored(np.random.default_rng(1).standard_normal((1, *SHAPE)), 1.0)
    assert result.noise_gain[0] < 0.2


def test_two_channels_share_one_final_transfer():
    sharp, soft = aperture_transfer(1.4), aperture_transfer(1.0)
    picture = np.concatenate([blurred(disc(), 1.0, sharp), blurred(disc(), 1.0, soft)])
    noise = np.ones(picture.shape)
    both = restore(picture, noise, np.stack([sharp, soft]), STEP)
    assert_allclose(both.transfer[0], both.transfer[1], atol=1e-9)
    apart = restore(picture, noise, np.stack([sharp, soft]), STEP, common=False)
    assert apart.delivered_fwhm_arcsec[0] < 0.9 * apart.delivered_fwhm_arcsec[1]
    assert both.delivered_fwhm_arcsec[0] == pytest.approx(apart.delivered_fwhm_arcsec[1], rel=0.03)


def test_one_bad_channel_does_not_hold_back_two_good_ones():
    sharp, soft = aperture_transfer(1.4), aperture_transfer(0.7)
    good, bad = blurred(disc(), 1.0, sharp), blurred(disc(), 1.0, soft)
    result = restore(np.concatenate([good, good, bad]), np.ones((3, *SHAPE)), np.stack([sharp, sharp, soft]), STEP)
    alone = restored(good, 1.0, sharp)
    red, green, blue = result.delivered_fwhm_arcsec
    assert red == pytest.approx(green) == pytest.approx(alone.delivered_fwhm_arcsec[0], rel=0.02)
    assert blue > 1.5 * green
    one = restore(np.concatenate([good, bad, bad]), np.ones((3, *SHAPE)), np.stack([sharp, soft, soft]), STEP)
    assert one.delivered_fwhm_arcsec[0] == pytest.approx(one.delivered_fwhm_arcsec[1], rel=0.02)


def test_a_shift_in_the_transfer_is_undone():
    phase = np.exp(-2j * np.pi * np.fft.rfftfreq(SIZE, STEP)[None, :] * 0.6)
    result = restored(blurred(disc(), 0.0, BLUR * phase), 0.1, BLUR * phase)
    plain = restored(blurred(disc(), 0.0), 0.1)
    assert np.abs(result.picture - plain.picture).max() < 0.5
    assert np.abs(blurred(disc(), 0.0, BLUR * phase)[0] - plain.picture).max() > 100


@settings(max_examples=20, deadline=None)
@given(st.floats(0.1, 1e4), st.floats(-50, 50), st.floats(0.01, 30))
def test_linear_in_brightness_and_keeps_flux(scale: float, sky: float, sigma: float):
    picture = blurred(disc(), sigma)
    plain = restored(picture, sigma)
    scaled = restored(picture * scale + sky, sigma * scale)
    assert_allclose(scaled.picture, plain.picture * scale + sky, atol=1e-6 * scale * 1000 + 1e-9)
    assert plain.picture.sum() == pytest.approx(picture.sum(), rel=1e-9)


def test_bad_input_is_refused():
    good = np.ones((1, *SHAPE))
    with pytest.raises(InputError, match="picture"):
        restore(good[0], good[0], BLUR, STEP)
    with pytest.raises(InputError, match="transfer"):
        restore(good, good, BLUR, STEP)
    with pytest.raises(InputError, match="noise"):
        restore(good, -good, BLUR[None], STEP)


@pytest.mark.parametrize("fwhm", [0.8, 1.5, 3.0])
def test_width_of_a_gaussian(fwhm: float):
    sigma = fwhm / (2 * np.sqrt(2 * np.log(2)))
    transfer = np.exp(-2 * (np.pi * sigma * FREQUENCY) ** 2)
    assert delivered_fwhm(transfer, STEP) == pytest.approx(fwhm, rel=5e-3)


def test_width_of_the_airy_pattern():
    # width at half maximum 1.029 lambda/D; the cut-off frequency is D/lambda
    assert delivered_fwhm(aperture_transfer(1.0), STEP) == pytest.approx(1.029, rel=5e-3)


@pytest.mark.oracle
def test_against_wiener_and_richardson_lucy_of_a_reference_library():
    restoration = pytest.importorskip("skimage.restoration")
    sigma = 3.0
    picture = blurred(disc(), sigma)[0]
    psf = scipy.fft.fftshift(scipy.fft.irfft2(BLUR, s=SHAPE))
    psf = psf[SIZE // 2 - 32 : SIZE // 2 + 33, SIZE // 2 - 32 : SIZE // 2 + 33]
    bare = Restoring(ringing_limit=1.0, model_error=0.0)
    ours = np.std(restored(picture[None], sigma, how=bare).picture[0] - disc())
    wiener = min(
        np.std(restoration.wiener(picture, psf, balance, clip=False) - disc())
        for balance in (1e-3, 3e-3, 1e-2, 3e-2, 0.1)
    )
    lucy = min(
        np.std(1000 * restoration.richardson_lucy(np.maximum(picture, 0.1) / 1000, psf, n, clip=False) - disc())
        for n in (5, 10, 20, 40)
    )
    # theirs take their strength by hand, here from the truth; Richardson-Lucy gains from its positivity
    assert ours < 1.15 * wiener
    assert ours < 1.5 * lucy
    assert ours > 0.5 * min(wiener, lucy)


def test_what_is_not_known_of_the_blur_is_not_undone():
    """A point whose blur differs from the stated one by 2 % of the zero frequency is not turned into rings."""
    wrong = np.clip(BLUR + 0.02 * np.cos(9 * FREQUENCY), 0, None) / 1.02
    bold = restored(blurred(disc(), 0.0, wrong), 0.0, how=Restoring(model_error=0.0))
    careful = restored(blurred(disc(), 0.0, wrong), 0.0)
    sharp = restored(blurred(disc(), 0.0), 0.0, how=Restoring(model_error=0.0))
    assert np.std(careful.picture - disc()) < 0.5 * np.std(bold.picture - disc())
    assert careful.delivered_fwhm_arcsec[0] > sharp.delivered_fwhm_arcsec[0]


def test_a_gain_is_never_larger_than_allowed_and_a_worse_known_response_is_undone_less():
    picture = blurred(disc(), 0.1)
    free, capped = restored(picture, 0.1), restored(picture, 0.1, how=Restoring(largest_gain=4.0))
    assert np.abs(capped.gain).max() <= 4.0 * (1 + 1e-6) < np.abs(free.gain).max()
    assert_allclose(capped.transfer, capped.gain * BLUR)
    # Wiener with the error e of the response as its only noise: T / (T^2 + e^2) is at most 1 / 2e, at T = e
    unsure = restored(blurred(disc()), 0.0, how=Restoring(model_error=0.1, ringing_limit=1.0))
    assert np.abs(unsure.gain).max() == pytest.approx(5.0, rel=0.01)
    assert unsure.delivered_fwhm_arcsec[0] > restored(blurred(disc()), 0.0).delivered_fwhm_arcsec[0]


def test_a_gaussian_undoes_a_gaussian_up_to_its_cap():
    # FWHM = 2 sqrt(2 ln 2) sigma; its transfer exp(-2 (pi sigma f)^2)
    sigma = 1.2
    gauss = np.exp(-2 * (np.pi * sigma * FREQUENCY) ** 2)
    result = restored(blurred(disc(), 0.0, gauss), 0.0, gauss, how=Restoring("gaussian", 2.0))
    low = gauss > 0.55
    assert np.abs(result.transfer[0][low]) == pytest.approx(1.0, abs=0.02)
    assert result.gain.max() == pytest.approx(2.0, rel=1e-6)
    coarse = restore(
        blurred(disc(), 0.0, gauss), np.ones((1, *SHAPE)), gauss[None], STEP,
        how=Restoring("gaussian", 2.0), pixel_arcsec=4 * STEP,
    )  # fmt: skip
    beyond = FREQUENCY > 1.5 * 0.5 / (4 * STEP)
    assert coarse.gain[0][beyond] == pytest.approx(1.0)


def test_a_gaussian_lays_shifted_colours_on_each_other():
    """The Fourier shift theorem: what a channel is moved by is undone, to a thousandth of the brightest cell."""
    gauss = np.exp(-2 * (np.pi * 1.5 / 2.3548 * FREQUENCY) ** 2)
    rows, columns = np.fft.fftfreq(SIZE, STEP), np.fft.rfftfreq(SIZE, STEP)
    moved = gauss * np.exp(-2j * np.pi * (rows[:, None] * 0.7 - columns[None, :] * 0.4))
    still = restored(blurred(disc(), 0.0, gauss), 0.0, gauss, how=Restoring("gaussian", 2.0))
    found = restored(blurred(disc(), 0.0, moved), 0.0, moved, how=Restoring("gaussian", 2.0))
    assert_allclose(found.picture, still.picture, atol=1e-3 * still.picture.max())
