import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from simulate.air import Sky, airmass, extinction_magnitudes, transmission
from simulate.errors import InputError
from simulate.values.spectrum import DEFAULT_BINS

# La Silla, 2400 m, mag per airmass (ESO's standard extinction curve)
LA_SILLA = {
    380: 0.37,
    400: 0.30,
    420: 0.25,
    440: 0.20,
    460: 0.17,
    480: 0.16,
    500: 0.13,
    540: 0.11,
    580: 0.10,
    600: 0.09,
    640: 0.07,
    660: 0.05,
    700: 0.04,
    800: 0.02,
    900: 0.01,
}


@pytest.mark.parametrize(
    ("altitude", "expected"), [(90, 0.99971), (60, 1.1540), (30, 1.9943), (10, 5.5860), (1, 26.3106)]
)
def test_airmass(altitude, expected):
    # Kasten & Young 1989, evaluated by an independent solar-energy library
    assert airmass(altitude) == pytest.approx(expected, abs=2e-4)


@pytest.mark.parametrize("altitude", [-0.1, 90.1, float("nan")])
def test_no_airmass_below_the_horizon(altitude):
    with pytest.raises(InputError, match="altitude"):
        airmass(altitude)


def test_la_silla():
    # the table is of an exceptionally clean site: an average night of that height is a little hazier
    found = extinction_magnitudes(list(LA_SILLA), 2400)
    np.testing.assert_allclose(found, list(LA_SILLA.values()), atol=0.026)
    clean = extinction_magnitudes(list(LA_SILLA), 2400, Sky(haze=0.3))
    np.testing.assert_allclose(clean, list(LA_SILLA.values()), atol=0.016)


def test_sea_level():
    # typical totals in B, V, R, I (common practice): 0.35 (0.30-0.50), 0.22, 0.15, 0.10
    found = extinction_magnitudes([440, 550, 640, 800])
    np.testing.assert_allclose(found, [0.35, 0.22, 0.15, 0.10], atol=0.035)


def test_mauna_kea():
    # 4200 m: medians 0.194 in B and 0.111 in V
    np.testing.assert_allclose(extinction_magnitudes([440, 548], 4200), [0.194, 0.111], atol=0.035)


@pytest.mark.parametrize("nm", [400.0, 550.0])
def test_molecules_after_hayes_and_latham(nm):
    # Hayes & Latham 1975, ApJ 197, 593: an independent formula, haze off and ozone nearly absent at 400 nm
    inverse2 = (1000.0 / nm) ** 2
    index = 0.23465 + 107.6 / (146 - inverse2) + 0.93161 / (41 - inverse2)
    molecules = 9.4977e-3 * inverse2**2 * index**2
    ozone = 0.0 if nm == 400 else 0.029
    assert extinction_magnitudes(nm, 0, Sky(haze=0)) == pytest.approx(molecules + ozone, abs=0.008)


def test_transmission_of_a_bin_is_its_mean():
    found = transmission(DEFAULT_BINS, 2.0)
    middle = 10 ** (-0.8 * extinction_magnitudes(DEFAULT_BINS.centres_nm))
    np.testing.assert_allclose(found, middle, rtol=0.01)
    assert found.shape == (11,)
    assert (np.diff(found[:3]) > 0).all()


@given(st.floats(1, 20), st.floats(0, 4000))
def test_more_air_takes_more(air, height):
    thin, thick = transmission(DEFAULT_BINS, air, height), transmission(DEFAULT_BINS, air + 0.5, height)
    assert ((thick > 0) & (thick < thin) & (thin < 1)).all()
    assert (transmission(DEFAULT_BINS, air, height + 500) > thin).all()


@pytest.mark.parametrize("air", [0.5, float("nan"), float("inf")])
def test_bad_airmass(air):
    with pytest.raises(InputError, match="airmass"):
        transmission(DEFAULT_BINS, air)
