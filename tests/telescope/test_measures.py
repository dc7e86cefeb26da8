import numpy as np
import pytest

from simulate.errors import InputError
from simulate.telescope import (
    Telescope,
    fwhm_arcsec,
    make_pupil,
    strehl,
    transfer,
    transfer_encircled_energy,
    transfer_fwhm_arcsec,
)
from simulate.values.constants import ARCSEC_PER_RADIAN
from simulate.values.grid import Grid

NM = 550.0
UNIT_ARCSEC = NM * 1e-9 / 0.2 * ARCSEC_PER_RADIAN


def pupil(ratio=0.0, **faults):
    return make_pupil(Telescope(200.0, 1000.0, obstruction_mm=200 * ratio, **faults))


@pytest.mark.parametrize(
    ("ratio", "radius", "expected"),
    [
        # 1 - J0^2 - J1^2 at the dark rings (Rayleigh 1881; Born & Wolf 8.5.2)
        (0.0, 1.2197, 0.8378),
        (0.0, 2.2331, 0.9099),
        (0.0, 3.2383, 0.9376),
        # obstructed: quadrature of the closed form
        (0.25, 1.2197, 0.7263),
        (0.25, 3.2383, 0.9051),
        (0.35, 1.2197, 0.6378),
        (0.35, 2.2331, 0.8941),
    ],
)
def test_encircled_energy(ratio, radius, expected):
    grid = Grid(1024, 1024, 0.5 * UNIT_ARCSEC)
    found = transfer_encircled_energy(transfer(pupil(ratio), grid, NM), grid, radius * UNIT_ARCSEC)
    assert found == pytest.approx(expected, abs=5e-4)


@pytest.mark.parametrize(("ratio", "expected"), [(0.0, 1.0290), (0.25, 0.9949), (0.35, 0.9656)])
def test_width_of_the_pattern(ratio, expected):
    # half-maximum of the closed Airy form, in lambda / D
    assert fwhm_arcsec(pupil(ratio), NM) / UNIT_ARCSEC == pytest.approx(expected, abs=5e-4)


@pytest.mark.parametrize(
    ("waves", "expected"),
    # exact integrals over a clear pupil: defocus, spherical, coma, astigmatism
    [
        (1 / 20, (0.9051, 0.9054, 0.9057, 0.9058)),
        (1 / 14, (0.8141, 0.8152, 0.8162, 0.8168)),
        (1 / 10, (0.6626, 0.6664, 0.6694, 0.6713)),
    ],
)
def test_strehl_against_rms(waves, expected):
    names = ("defocus", "spherical", "coma", "astigmatism")
    found = [strehl(pupil(aberrations=((name, waves),)), NM) for name in names]
    np.testing.assert_allclose(found, expected, atol=6e-4)
    # Marechal in its exponential form (Mahajan 1983) within a per cent here
    np.testing.assert_allclose(found, np.exp(-((2 * np.pi * waves) ** 2)), atol=0.012)


@pytest.mark.parametrize(("ratio", "expected"), [(0.0, 0.8106), (0.35, 0.8514)])
def test_quarter_wave_of_defocus(ratio, expected):
    # sinc^2(1/4) for the clear pupil (Born & Wolf 8.8); with an obstruction the annulus's share of it
    assert strehl(pupil(ratio, defocus_um=27.5), NM) == pytest.approx(expected, abs=1e-3)


def test_measures_of_a_gaussian():
    # a transfer exp(-2 (pi s f)^2) belongs to a Gaussian of standard deviation s
    grid, sigma = Grid(192, 256, 0.11), 0.7
    values = np.exp(-2 * (np.pi * sigma * grid.frequency()) ** 2)
    assert transfer_fwhm_arcsec(values, grid) == pytest.approx(2 * sigma * np.sqrt(2 * np.log(2)), rel=2e-3)
    assert transfer_encircled_energy(values, grid, 0.9) == pytest.approx(1 - np.exp(-0.5 * (0.9 / 0.7) ** 2), abs=2e-3)


def test_width_larger_than_the_field_is_refused():
    grid = Grid(32, 32, 0.1)
    values = np.exp(-2 * (np.pi * 3.0 * grid.frequency()) ** 2)
    with pytest.raises(InputError, match="field"):
        transfer_fwhm_arcsec(values, grid)
