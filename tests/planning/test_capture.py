"""The arithmetic of a recording against figures computed elsewhere and the habits of the trade."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from simulate.camera.motion import field_rotation_deg_per_h
from simulate.errors import InputError
from simulate.planning import capture

JUPITER_ARCSEC_PER_S = 46.6 * math.pi / (9.9250 * 3600.0)
"""Middle of a disc of 46.6 arcsec that turns in 9.925 h (System III, IAU 2015): 0.246 arcsec/min."""


def test_half_a_width_passes_in_4_7_minutes_at_50_mm() -> None:
    """Worked figure: at 50 mm half of the diffraction width (1.03 lambda/D) passes in 4.7 min."""
    width = 1.03 * 550e-9 / 0.050 * 206265
    limits = capture.longest_recording(width, JUPITER_ARCSEC_PER_S)
    assert 0.5 / 0.8 * limits.usual_s / 60 == pytest.approx(4.7, abs=0.1)
    assert limits.usual_s == pytest.approx(2 * limits.strict_s)


@pytest.mark.parametrize(("aperture_mm", "shortest", "longest"), [(150, 120, 180), (300, 60, 90)])
def test_the_habits_of_the_trade_lie_between_strict_and_usual(
    aperture_mm: float, shortest: float, longest: float
) -> None:
    """Common practice: 2-3 min at 150 mm, 60-90 s at 250-350 mm."""
    width = 1.03 * 550e-6 / aperture_mm * 206265
    limits = capture.longest_recording(width, JUPITER_ARCSEC_PER_S)
    assert limits.strict_s < longest
    assert limits.usual_s > shortest


def test_a_body_that_does_not_turn_sets_no_limit() -> None:
    assert capture.longest_recording(1.0, 0.0).usual_s == math.inf


@pytest.mark.parametrize(("latitude", "azimuth", "altitude"), [(47, 120, 35), (-41.3, 30, 50), (20, 250, 70)])
def test_field_rotation_is_the_derivative_of_the_parallactic_angle(
    latitude: float, azimuth: float, altitude: float
) -> None:
    """Spherical trigonometry, differenced numerically over the hour angle."""
    lat, az, alt = np.radians([latitude, azimuth, altitude])
    dec = math.asin(math.sin(alt) * math.sin(lat) + math.cos(alt) * math.cos(lat) * math.cos(az))
    hour = math.atan2(
        -math.sin(az) * math.cos(alt), math.sin(alt) * math.cos(lat) - math.cos(alt) * math.sin(lat) * math.cos(az)
    )

    def parallactic(h: float) -> float:
        return math.atan2(math.sin(h), math.tan(lat) * math.cos(dec) - math.sin(dec) * math.cos(h))

    step = 1e-5
    turn = (parallactic(hour + step) - parallactic(hour - step)) / (2 * step)  # deg per deg of hour angle
    assert field_rotation_deg_per_h(latitude, azimuth, altitude) == pytest.approx(-15.041 * turn, rel=1e-6)


def test_field_rotation_is_fastest_on_the_meridian_and_nil_due_east() -> None:
    """The formula in circulation with sin(azimuth) has it the other way round."""
    assert field_rotation_deg_per_h(50, 180, 40) == pytest.approx(
        -15.041 * math.cos(math.radians(50)) / math.cos(math.radians(40))
    )
    assert field_rotation_deg_per_h(50, 90, 40) == pytest.approx(0.0, abs=1e-12)
    with pytest.raises(InputError, match="zenith"):
        field_rotation_deg_per_h(50, 180, 90)


@pytest.mark.parametrize(("wavelength_nm", "factor"), [(450, 4.44), (550, 3.64), (650, 3.08)])
def test_critical_focal_ratio(wavelength_nm: float, factor: float) -> None:
    """Nyquist, computed: 4.44 p, 3.64 p and 3.08 p; 10.5 for 2.9 um at 550 nm."""
    assert capture.critical_focal_ratio(1.0, wavelength_nm) == pytest.approx(factor, abs=0.006)
    assert capture.critical_focal_ratio(2.9) == pytest.approx(10.5, abs=0.06)
    assert 3 * 2.9 < capture.critical_focal_ratio(2.9) < 5 * 2.9  # common practice: 3 to 5 times the pixel


def test_the_amplifier_brings_a_telescope_to_critical_sampling() -> None:
    factor = capture.critical_amplifier(2.9, 5.0)
    assert 5.0 * factor == pytest.approx(capture.critical_focal_ratio(2.9))


def test_focus_tolerance_and_its_drift() -> None:
    """Worked figures: +-27 um at f/5; 5.75 um/K for 250 mm of aluminium (coefficient from memory, 2.5 %)."""
    assert capture.focus_tolerance_um(5.0) == pytest.approx(27.5, abs=0.01)
    assert capture.focus_drift_um_per_k(250.0) == pytest.approx(5.75, rel=0.03)
    # a quarter wave at the rim: path difference dz / (8 N^2)
    assert capture.focus_tolerance_um(8.0) / (8 * 8.0**2) == pytest.approx(0.55 / 4)


def test_an_amplifier_leaves_tolerance_and_drift_in_the_same_proportion() -> None:
    plain = capture.focus_tolerance_um(5.0) / capture.focus_drift_um_per_k(750.0)
    amplified = capture.focus_tolerance_um(12.5) / capture.focus_drift_um_per_k(750.0, 2.5)
    assert amplified == pytest.approx(plain)


@pytest.mark.parametrize("noise", [0.2, 0.3, 0.4])
def test_ripple_against_rounded_noise(noise: float) -> None:
    """The mean of rounded Gaussian readings, summed exactly over the steps, against its first harmonic."""
    from scipy.special import ndtr

    levels = np.linspace(0.0, 1.0, 201)
    steps = np.arange(-8, 10)[:, None]
    mean = (steps * (ndtr((steps + 0.5 - levels) / noise) - ndtr((steps - 0.5 - levels) / noise))).sum(axis=0)
    assert np.abs(mean - levels).max() == pytest.approx(capture.ripple_steps(noise), rel=0.1)


def test_ripple_vanishes_above_half_a_step() -> None:
    assert capture.ripple_steps(0.0) == pytest.approx(1 / math.pi)
    assert capture.ripple_steps(0.5) < 0.003


def test_eight_bits_are_enough_only_where_noise_hides_their_steps() -> None:
    """A deep well read in 12 bits: one 8-bit step is 58 e-, so 100 e- (noise 10 e-) shows contours."""
    assert capture.bit_depth(100.0, 1.2, 3.6, 12)[0] == 16
    bits, steps = capture.bit_depth(4000.0, 1.2, 3.6, 12)
    assert bits == 8
    assert steps == pytest.approx(math.sqrt(4000 + 1.44) / 57.6)


def test_data_volume() -> None:
    assert capture.gigabytes(640, 480, 10_000, 8) == pytest.approx(3.072)
    assert capture.gigabytes(640, 480, 10_000, 12) == pytest.approx(6.144)


@given(st.floats(0, 3000), st.floats(0.05, 5))
def test_the_window_holds_the_body_and_fits_the_sensor(width: float, pixel: float) -> None:
    columns, rows = capture.region_of_interest(width, pixel, 1096, 1936)
    assert columns <= 1936
    assert rows <= 1096
    assert columns % 16 == 0 or columns == 1936
    assert columns >= min(1936, width / pixel)


def test_more_frames_stop_helping_at_the_floor() -> None:
    frames = capture.enough_frames(50.0, 0.01)
    assert 1 / (50.0 * math.sqrt(frames)) == pytest.approx(0.01, rel=0.2)


@pytest.mark.parametrize(("range_km", "seconds"), [(379.0, 0.47), (1017.0, 1.2)])
def test_a_station_before_the_sun(range_km: float, seconds: float) -> None:
    """Common practice: 0.47 s at 379 km, 1.2 s at 1017 km, across a disc of 31.5 arcmin."""
    assert capture.station_crossing(range_km, 1890.0, 0.5).seconds == pytest.approx(seconds, rel=0.08)


def test_a_station_s_size_and_motion() -> None:
    """Common practice: at 379 km 48.9 arcsec long and 66.5 arcmin/s fast."""
    found = capture.station_crossing(379.0, 1890.0, 0.5)
    assert found.size_arcsec == pytest.approx(48.9, rel=0.02)
    assert found.rate_arcmin_per_s == pytest.approx(66.5, rel=0.02)
    assert found.size_px == pytest.approx(2 * found.size_arcsec)
    assert found.sharp_exposure_s * found.rate_arcmin_per_s * 60 == pytest.approx(0.5)
    with pytest.raises(InputError, match="range"):
        capture.station_crossing(5.0, 1890.0, 0.5)
