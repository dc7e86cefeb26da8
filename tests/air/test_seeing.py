"""Mean transfer of turbulence against closed forms, quoted results and an independent simulation."""

import math
from functools import lru_cache

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.optimize import brentq
from scipy.special import j0

from simulate.air import (
    Sky,
    fried_parameter_m,
    kept_share_gain,
    kept_transfer,
    long_exposure_transfer,
    motion_removed_transfer,
    seeing_fwhm_arcsec,
    seeing_transfers,
)
from simulate.air.seeing import phase_structure
from simulate.errors import InputError
from simulate.values.constants import ARCSEC_PER_RADIAN
from simulate.values.grid import Grid
from simulate.values.spectrum import DEFAULT_BINS, SpectralBins

NM = 500.0


def on_sky(shift_m):
    """Frequency (cycles/arcsec) that compares points so far apart."""
    return np.asarray(shift_m) / (NM * 1e-9 * ARCSEC_PER_RADIAN)


def width(r0, outer):
    """Full width at half maximum of a long exposure in lambda / r0, by numerical Hankel transform."""
    shift = np.linspace(0, 6 * r0, 4001)
    values = long_exposure_transfer(on_sky(shift), NM, r0, outer) * shift

    def excess(u):
        return np.trapezoid(values * (j0(2 * np.pi * u * shift / r0) - 0.5), shift)

    return 2 * brentq(excess, 0.1, 1.0)


def clear_overlap(share):
    return 2 / np.pi * (np.arccos(share) - share * np.sqrt(1 - share**2))


def test_fried_parameter():
    # 2 arcsec at 500 nm: 50 mm; lambda^1.2, airmass^-0.6 (Roddier 1981)
    sky = Sky(2.0)
    assert fried_parameter_m(sky, 500.0) == pytest.approx(0.0503, rel=2e-3)
    assert fried_parameter_m(sky, 1000.0) / fried_parameter_m(sky, 500.0) == pytest.approx(2**1.2)
    assert fried_parameter_m(sky, 500.0, 2.0) / fried_parameter_m(sky, 500.0) == pytest.approx(2**-0.6)
    assert math.isinf(fried_parameter_m(Sky(0.0), 500.0))


def test_width_of_a_kolmogorov_long_exposure():
    # 0.976 lambda / r0 (Fried 1966)
    assert width(0.1, math.inf) == pytest.approx(0.976, rel=2e-3)


@pytest.mark.parametrize(
    # von Karman over Kolmogorov, computed independently from the exact structure function
    ("r0", "outer", "expected"),
    [(0.05, 20, 0.8635), (0.10, 20, 0.8225), (0.20, 20, 0.7661), (0.1, 10, 0.7661), (0.1, 50, 0.8744)],
)
def test_width_with_an_outer_scale(r0, outer, expected):
    assert width(r0, outer) / 0.9759 == pytest.approx(expected, rel=3e-3)
    # Tokovinin 2002, eq. 19
    quoted = seeing_fwhm_arcsec(NM, r0, outer) / seeing_fwhm_arcsec(NM, r0)
    assert quoted == pytest.approx(width(r0, outer) / 0.9759, rel=0.02)


def test_kolmogorov_transfer():
    # exp(-3.44 (lambda f / r0)^(5/3)) (Fried 1966)
    shift = np.linspace(0, 0.3, 50)
    expected = np.exp(-3.44 * (shift / 0.1) ** (5 / 3))
    np.testing.assert_allclose(long_exposure_transfer(on_sky(shift), NM, 0.1, math.inf), expected, atol=3e-4)


def test_table_for_large_arrays_is_the_formula():
    shift = np.linspace(0, 0.5, 5000)
    table = long_exposure_transfer(on_sky(shift), NM, 0.08, 20.0)
    np.testing.assert_allclose(table, np.exp(-0.5 * phase_structure(shift, 0.08, 20.0)), atol=1e-5)


@pytest.mark.parametrize(
    # Strehl ratio of tilt-removed short exposures by Monte Carlo of phase screens (4000-8000 pupils)
    ("ratio", "expected"),
    [(1, 0.877), (3, 0.460), (8, 0.050)],
)
def test_strehl_with_motion_removed(ratio, expected):
    share = np.linspace(0, 1, 2001)
    air = motion_removed_transfer(on_sky(0.2 * share), NM, 0.2 / ratio, 0.2, 20.0)
    found = np.trapezoid(air * clear_overlap(share) * share, share) / np.trapezoid(clear_overlap(share) * share, share)
    assert found == pytest.approx(expected, rel=0.03)


@pytest.mark.parametrize(("outer", "expected"), [(math.inf, 0.134), (20.0, 0.134)])
def test_variance_without_tilt(outer, expected):
    # Noll 1976: 0.134 (D/r0)^(5/3). For weak turbulence the loss of Strehl ratio is the variance.
    share, r0 = np.linspace(0, 1, 2001), 20.0
    air = motion_removed_transfer(on_sky(0.2 * share), NM, r0, 0.2, outer)
    loss = np.trapezoid((1 - air) * clear_overlap(share) * share, share)
    loss /= np.trapezoid(clear_overlap(share) * share, share)
    assert loss / (0.2 / r0) ** (5 / 3) == pytest.approx(expected, rel=0.015)


def test_removing_motion_only_helps():
    share = np.linspace(0.02, 1, 60)
    for r0 in (0.4, 0.1, 0.03):
        long = long_exposure_transfer(on_sky(0.2 * share), NM, r0, 20.0)
        short = motion_removed_transfer(on_sky(0.2 * share), NM, r0, 0.2, 20.0)
        assert (short >= long - 1e-9).all()
        assert short.max() <= 1 + 1e-9


def test_fried_short_exposure_at_weak_turbulence():
    # near-field formula exp(-3.44 (f)^(5/3) (1 - f^(1/3))) (Fried 1966), within 4 % at D/r0 = 1
    share = np.array([0.25, 0.5, 0.75])
    fried = np.exp(-3.44 * share ** (5 / 3) * (1 - share ** (1 / 3)))
    found = motion_removed_transfer(on_sky(0.2 * share), NM, 0.2, 0.2, math.inf)
    np.testing.assert_allclose(found, fried, rtol=0.08)
    assert (found > fried).all()


@lru_cache(maxsize=1)
def tilt_free_phases(count=2500, across=28):
    """Gaussian phases with exactly the von Karman covariance, D = r0, plane fitted and removed."""
    axis = (np.arange(across) - (across - 1) / 2) / across
    x, y = np.meshgrid(axis, axis)
    mask = np.hypot(x, y) <= 0.5
    places = np.stack([x[mask], y[mask]], axis=1)
    basis = np.column_stack([np.ones(len(places)), places])
    removal = np.eye(len(places)) - basis @ np.linalg.pinv(basis)
    distance = np.linalg.norm(places[:, None] - places, axis=2)
    values, vectors = np.linalg.eigh(removal @ (-0.5 * phase_structure(distance, 1.0, 100.0)) @ removal)
    normal = np.random.default_rng(5).standard_normal((count, len(places)))
    return mask, (normal @ (vectors * np.sqrt(np.maximum(values, 0))).T).astype(np.float32)


def mean_transfer(mask, phases):
    across = len(mask)
    total = np.zeros((2 * across, 2 * across))
    for start in range(0, len(phases), 250):
        wave = np.zeros((len(phases[start : start + 250]), across, across), np.complex64)
        wave[:, mask] = np.exp(1j * phases[start : start + 250])
        total += (np.abs(np.fft.fft2(wave, total.shape)) ** 2).sum(axis=0)
    found = np.fft.fft2(total).real
    return found / found[0, 0]


@pytest.mark.parametrize(
    ("ratio", "kept", "tolerance"),
    [(1, 1.0, 0.01), (3, 1.0, 0.02), (5, 1.0, 0.06), (1, 0.1, 0.02), (3, 0.3, 0.07), (3, 0.1, 0.08), (5, 0.3, 0.16)],
)
def test_against_simulated_exposures(ratio, kept, tolerance):
    mask, phases = tilt_free_phases()
    phases = phases * np.float32(ratio ** (5 / 6))
    quality = np.abs(np.exp(1j * phases).mean(axis=1))
    best = phases[np.argsort(-quality)[: round(kept * len(phases))]]
    found, perfect = mean_transfer(mask, best), mean_transfer(mask, np.zeros((1, phases.shape[1])))
    step = np.fft.fftfreq(len(found), 1 / len(found)) / len(mask)
    share = np.hypot(step[:, None], step[None, :])
    for low, high in ((0.2, 0.3), (0.45, 0.55), (0.7, 0.8)):
        ring = (share > low) & (share < high)
        model = kept_transfer(on_sky(0.2 * share[ring]), NM, 0.2 / ratio, 0.2, 20.0, kept)
        expected = found[ring].sum() / perfect[ring].sum()
        assert (model * perfect[ring]).sum() / perfect[ring].sum() == pytest.approx(expected, rel=tolerance)


def test_keeping_all_changes_nothing():
    assert kept_share_gain(1.0) == pytest.approx(1, abs=1e-9)
    # and hardly anything below D/r0 = 1
    share = np.array([0.25, 0.5, 0.75])
    all_frames = kept_transfer(on_sky(0.1 * share), NM, 0.2, 0.1, 20.0, 1.0)
    best = kept_transfer(on_sky(0.1 * share), NM, 0.2, 0.1, 20.0, 0.1)
    assert (best > all_frames).all()
    assert (best - all_frames).max() < 0.04


@given(st.floats(0.01, 0.99))
def test_fewer_frames_are_better(kept):
    assert kept_share_gain(kept) < kept_share_gain(min(1.0, kept + 0.01)) <= 1 + 1e-9


@pytest.mark.parametrize("kept", [0.0, -0.1, 1.1, math.nan])
def test_bad_share(kept):
    with pytest.raises(InputError, match="kept"):
        kept_share_gain(kept)


@pytest.mark.parametrize("aperture", [None, 0.15])
def test_transfers_on_a_grid(aperture):
    grid, sky = Grid(90, 120, 0.2), Sky(1.7, outer_scale_m=15)
    found = seeing_transfers(grid, DEFAULT_BINS, sky, 1.4, aperture_m=aperture, kept=0.4)
    assert found.shape == (11, 90, 61)
    assert found.dtype == np.float32
    for index in (0, 5, 10):
        nm = DEFAULT_BINS.centres_nm[index]
        r0 = float(fried_parameter_m(sky, nm, 1.4))
        if aperture is None:
            expected = long_exposure_transfer(grid.frequency(), nm, r0, 15)
        else:
            expected = kept_transfer(grid.frequency(), nm, r0, aperture, 15, 0.4)
        np.testing.assert_allclose(found[index], expected, atol=1.2e-3)


def test_no_turbulence_is_no_blur():
    grid = Grid(16, 16, 0.2)
    for aperture in (None, 0.2):
        np.testing.assert_array_equal(seeing_transfers(grid, DEFAULT_BINS, Sky(0.0), aperture_m=aperture), 1)


@settings(deadline=None, max_examples=25)
@given(st.floats(0.3, 6), st.floats(1, 5), st.floats(0.03, 0.5), st.floats(0.01, 1))
def test_any_transfer_is_a_transfer(seeing, air, aperture, kept):
    bins = SpectralBins((400.0, 500.0, 700.0))
    found = seeing_transfers(Grid(20, 24, 0.3), bins, Sky(seeing), air, aperture_m=aperture, kept=kept)
    np.testing.assert_allclose(found[:, 0, 0], 1, atol=1e-6)
    assert found.min() >= 0
    assert found.max() <= 1 + 1e-6


@pytest.mark.oracle
@pytest.mark.parametrize(("r0", "outer"), [(0.1, math.inf), (0.05, 20.0), (0.15, 20.0)])
def test_long_exposure_against_galsim(r0, outer):
    galsim = pytest.importorskip("galsim")
    if math.isinf(outer):
        oracle = galsim.Kolmogorov(lam=NM, r0=r0)
    else:
        oracle = galsim.VonKarman(lam=NM, r0=r0, L0=outer, do_delta=True)
    assert seeing_fwhm_arcsec(NM, r0, outer) == pytest.approx(oracle.calculateFWHM(), rel=0.02)
    for share in (0.1, 0.3, 0.6, 1.0):
        frequency = float(on_sky(share * r0))
        expected = oracle.kValue(2 * math.pi * frequency, 0).real
        assert long_exposure_transfer(frequency, NM, r0, outer) == pytest.approx(expected, abs=3e-3)


def test_hankel_transform_of_the_transfer_keeps_the_energy():
    # the response integrates to 1: its transform at zero frequency
    r0 = 0.1

    def response(radius):
        shift = np.linspace(0, 0.6, 3001)
        values = long_exposure_transfer(on_sky(shift), NM, r0, 20.0)
        return 2 * np.pi * np.trapezoid(values * shift * j0(2 * np.pi * shift * radius), shift)

    # radius in cycles per m; wings beyond 6 / r0 hold under a per cent
    inside, _ = quad(lambda radius: 2 * np.pi * radius * response(radius), 0, 60, limit=100)
    assert inside == pytest.approx(1, abs=0.012)


def test_air_of_the_tube_adds_by_five_third_powers_and_does_not_grow_with_the_airmass() -> None:
    # structure functions of independent layers add: r0^(-5/3) is their sum (Fried 1966; Roddier 1981)
    sky, tube = Sky(seeing_arcsec=2.0), Sky(seeing_arcsec=2.0, tube_air_arcsec=1.0)
    alone = Sky(seeing_arcsec=0.0, tube_air_arcsec=1.0)
    for airmass in (1.0, 2.0):
        powers = [float(fried_parameter_m(air, 500.0, airmass)) ** (-5 / 3) for air in (sky, alone, tube)]
        assert powers[0] + powers[1] == pytest.approx(powers[2], rel=1e-12)
    assert float(fried_parameter_m(alone, 500.0, 2.0)) == float(fried_parameter_m(alone, 500.0, 1.0))
    assert tube.turbulence_arcsec() == pytest.approx((2.0 ** (5 / 3) + 1.0) ** 0.6)
