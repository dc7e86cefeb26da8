import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from simulate.air import Lights, Sky, sky_magnitudes, sky_radiance
from simulate.air.brightness import DARK_MAG, moon_nanolamberts
from simulate.errors import InputError
from simulate.values.spectrum import DEFAULT_BINS, SpectralBins


def test_dark_site():
    # Patat 2003: U 22.3 B 22.6 V 21.6 R 20.9 I 19.7
    np.testing.assert_allclose(sky_magnitudes(Lights()), [22.3, 22.6, 21.6, 20.9, 19.7], atol=1e-6)


def test_town():
    np.testing.assert_allclose(sky_magnitudes(Lights(), Sky(sky_brightness_mag=18.6)), DARK_MAG - 3.0, atol=1e-6)


def test_photons_of_a_magnitude():
    # V = 0 brings about 1000 photons s-1 cm-2 A-1 at 550 nm (Bessell 1979); here 21.6 mag/arcsec2
    narrow = SpectralBins((545.0, 555.0))
    expected = 1000 * 1e4 * 100 * 10 ** (-0.4 * 21.6)
    assert sky_radiance(narrow, Lights())[0] == pytest.approx(expected, rel=0.08)


def test_moonlight_of_krisciunas_and_schaefer():
    # their eq. 15, worked by hand for the full Moon 60 deg away, both at 45 deg, k = 0.172
    airmass = (1 - 0.96 * 0.5) ** -0.5
    moon = 10 ** (-0.4 * 3.84)
    scatter = 10**5.36 * (1.06 + 0.25) + 10 ** (6.15 - 1.5)
    by_hand = scatter * moon * 10 ** (-0.4 * 0.172 * airmass) * (1 - 10 ** (-0.4 * 0.172 * airmass))
    lights = Lights(45, None, None, 45, 60, 0)
    assert moon_nanolamberts(lights, 0.172) == pytest.approx(by_hand, rel=1e-12)
    # full Moon: 3.5 to 4.5 mag brighter than the dark site half the sky away, in V
    brightening = sky_magnitudes(Lights())[2] - sky_magnitudes(lights)[2]
    assert 3.0 < brightening < 4.5


@pytest.mark.parametrize(
    ("lights", "least", "most"),
    [
        # ING, La Palma: 20 min after sunset (4.5 deg down) about 13 mag/arcsec2 in r, +-1 with Patat's fit
        (Lights(sun_altitude_deg=-4.5), 10.5, 14.0),
        (Lights(sun_altitude_deg=0.0), 6.0, 7.0),
        (Lights(sun_altitude_deg=40.0, sun_separation_deg=80.0), 2.5, 3.5),
        (Lights(sun_altitude_deg=40.0, sun_separation_deg=20.0), 1.5, 2.5),
        (Lights(sun_altitude_deg=40.0, sun_separation_deg=10.0), 0.5, 1.5),
        (Lights(sun_altitude_deg=-10.0), 17.0, 19.0),
        (Lights(sun_altitude_deg=-30.0), 21.59, 21.61),
    ],
)
def test_twilight_and_day(lights, least, most):
    assert least < sky_magnitudes(lights)[2] < most


def test_twilight_doubles_in_three_minutes():
    # ING: a factor of 2 in 2.9 min, i.e. in 0.6 to 0.73 deg of depression at middle latitudes
    early, late = (sky_magnitudes(Lights(sun_altitude_deg=-d))[2] for d in (8.0, 9.0))
    assert 0.75 / 0.73 * 0.8 < late - early < 0.75 / 0.6 * 1.3


@given(st.floats(-24, 60))
def test_a_higher_sun_is_never_darker(altitude):
    lower = sky_magnitudes(Lights(sun_altitude_deg=altitude, sun_separation_deg=70.0))
    higher = sky_magnitudes(Lights(sun_altitude_deg=altitude + 0.5, sun_separation_deg=70.0))
    # V and R: at the end of twilight Patat's fits for U and I turn by some hundredths
    assert (higher[2:4] <= lower[2:4] + 0.02).all()


@given(st.floats(-30, 60), st.floats(1, 170))
def test_radiance_is_positive_and_falls_with_separation(altitude, separation):
    near = sky_radiance(DEFAULT_BINS, Lights(30, altitude, separation))
    far = sky_radiance(DEFAULT_BINS, Lights(30, altitude, separation + 10))
    assert (near > 0).all()
    assert (far <= near * (1 + 1e-9)).all()


def test_moon_below_the_horizon_gives_nothing():
    np.testing.assert_allclose(sky_magnitudes(Lights(60, None, None, -3, 80, 10)), DARK_MAG, atol=1e-6)


def test_target_below_the_horizon():
    with pytest.raises(InputError, match="altitude"):
        sky_magnitudes(Lights(altitude_deg=-10))
