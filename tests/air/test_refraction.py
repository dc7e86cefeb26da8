import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simulate.air import Sky, dispersion_arcsec, dispersion_transfer, refraction_arcsec, refractivity
from simulate.air.refraction import bin_displacements
from simulate.errors import InputError
from simulate.values.constants import ARCSEC_PER_RADIAN
from simulate.values.grid import Grid
from simulate.values.spectrum import DEFAULT_BINS


def test_index_of_ciddors_example():
    # Ciddor 1996, table 1: 633 nm, 20 C, 100 kPa, dry, 450 ppm
    assert refractivity(633, 1000, 20, 0, 450) * 1e8 == pytest.approx(26824.4, abs=0.1)


@pytest.mark.parametrize(
    # Ciddor 1996, table 2, moist air at 633 nm: C, Pa, Pa of vapour, ppm of CO2, (n - 1) 1e8; from memory
    ("celsius", "pascal", "vapour", "co2", "expected"),
    [
        (19.526, 102094.8, 1065, 510, 27392.3),
        (19.517, 102096.8, 1065, 510, 27394.0),
    ],
)
def test_index_of_moist_air(celsius, pascal, vapour, co2, expected):
    kelvin = celsius + 273.15
    saturation = math.exp(1.2378847e-5 * kelvin**2 - 1.9121316e-2 * kelvin + 33.93711047 - 6.3431645e3 / kelvin)
    found = refractivity(633, pascal / 100, celsius, vapour / saturation, co2)
    assert found * 1e8 == pytest.approx(expected, rel=5e-5)


@pytest.mark.parametrize(
    # integration through a spherical atmosphere with Ciddor's index, sea level, 15 C, dry
    ("altitude", "expected"),
    [(20, 3.907), (30, 2.475), (45, 1.432), (60, 0.827)],
)
def test_dispersion(altitude, expected):
    blue, red = dispersion_arcsec([400, 700], altitude)
    assert blue - red == pytest.approx(expected, rel=0.005)
    assert blue > 0 > red


@pytest.mark.parametrize("altitude", [15, 20, 30, 45, 60, 80])
def test_refraction_against_erfa(altitude):
    import erfa

    first, third = erfa.refco(1013.25, 15.0, 0.0, 0.55)
    tangent = math.tan(math.radians(90 - altitude))
    expected = (first * tangent + third * tangent**3) * ARCSEC_PER_RADIAN
    assert refraction_arcsec(550, altitude) == pytest.approx(expected, rel=3e-3)
    blue, red = (erfa.refco(1013.25, 15.0, 0.0, micron) for micron in (0.4, 0.7))
    spread = ((blue[0] - red[0]) * tangent + (blue[1] - red[1]) * tangent**3) * ARCSEC_PER_RADIAN
    assert np.diff(dispersion_arcsec([700, 400], altitude))[0] == pytest.approx(spread, rel=0.01)


def test_refraction_near_the_horizon():
    # Bennett 1982 at 10 C, 1010 hPa: 34.5 arcmin on the horizon, 9.9 at 5 deg; good to some per cent here
    sky = Sky(pressure_hpa=1010, temperature_c=10)
    assert refraction_arcsec(575, 0, sky) / 60 == pytest.approx(34.5, rel=0.05)
    assert refraction_arcsec(575, 5, sky) / 60 == pytest.approx(9.9, rel=0.04)


def test_refraction_runs_on_through_ten_degrees():
    assert refraction_arcsec(550, 10.001) == pytest.approx(refraction_arcsec(550, 9.999), rel=1e-3)


def test_less_air_disperses_less():
    # proportional to the density: 2400 m has 0.746 of the pressure
    ratio = dispersion_arcsec(400, 30, height_m=2400) / dispersion_arcsec(400, 30)
    assert ratio == pytest.approx(0.746, rel=0.005)


@pytest.mark.parametrize("altitude", [-1, 91, math.nan])
def test_no_refraction_below_the_horizon(altitude):
    with pytest.raises(InputError, match="altitude"):
        refraction_arcsec(550, altitude)


@pytest.mark.parametrize("angle", [0, 90, 200, 315])
def test_blue_goes_to_the_zenith(angle):
    grid = Grid(64, 80, 0.15)
    factor = dispersion_transfer(grid, DEFAULT_BINS, 30, angle)
    assert factor.shape == (11, 64, 41)
    star = np.zeros(grid.shape)
    star[32, 40] = 1
    pictures = np.fft.irfft2(np.fft.rfft2(star) * factor, grid.shape)
    np.testing.assert_allclose(pictures.sum(axis=(1, 2)), 1, atol=1e-5)
    means, _ = bin_displacements(DEFAULT_BINS, 30)
    for index in (0, 3, 10):
        # a band-limited picture rings, but its middle of mass is exact by the phase of the first frequencies
        west = -np.angle(factor[index, 0, 1]) / (2 * np.pi * grid.frequency_west()[1])
        north = -np.angle(factor[index, 1, 0]) / (2 * np.pi * grid.frequency_north()[1])
        assert -west == pytest.approx(means[index] * math.sin(math.radians(angle)), abs=2e-3)
        assert north == pytest.approx(means[index] * math.cos(math.radians(angle)), abs=2e-3)
    row, column = np.unravel_index(pictures[0].argmax(), grid.shape)
    upward = (-(column - 40) * math.sin(math.radians(angle)) + (row - 32) * math.cos(math.radians(angle))) * 0.15
    assert upward == pytest.approx(means[0], abs=0.4)  # the streak has a flat top


def test_smear_inside_a_bin():
    # 380-420 nm at 20 deg: compare with the sum over many wavelengths
    grid = Grid(64, 64, 0.1)
    factor = dispersion_transfer(grid, DEFAULT_BINS, 20, 0)
    places = dispersion_arcsec(np.linspace(380, 420, 401), 20)
    exact = np.exp(-2j * np.pi * grid.frequency_north()[:, None] * places).mean(axis=1)
    # an even streak of the same place and variance: right where it still passes half of the contrast
    low = np.abs(grid.frequency_north()) < 0.5
    np.testing.assert_allclose(factor[0, low, 0], exact[low], atol=0.02)
    _, smear = bin_displacements(DEFAULT_BINS, 20)
    assert smear[0] == pytest.approx(places[0] - places[-1], rel=0.02)


@settings(deadline=None, max_examples=20)
@given(st.floats(5, 90), st.floats(0, 360))
def test_dispersion_transfer_never_amplifies(altitude, angle):
    factor = dispersion_transfer(Grid(16, 18, 0.3), DEFAULT_BINS, altitude, angle)
    np.testing.assert_allclose(factor[:, 0, 0], 1, atol=1e-6)
    assert np.abs(factor).max() <= 1 + 1e-5
