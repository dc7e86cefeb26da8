"""What an instrument's numbers imply, against the trade's formulas."""

import math
from dataclasses import replace

import pytest

from simulate.camera import Camera
from simulate.instruments import Instrument, describe, instrument_names, load_instrument
from simulate.instruments.meaning import sampling_word
from simulate.telescope import Telescope


def _facts(instrument):
    return {fact.key: fact for fact in describe(instrument)}


def _clear(aperture=100.0, focal=1000.0, obstruction=0.0, **options):
    return Instrument("x", Telescope(aperture, focal, obstruction_mm=obstruction, **options), Camera(2.9, 1000, 800))


def test_clear_aperture_has_the_textbook_widths():
    # 1.02899 and 1.21967 lambda/D (Born & Wolf 8.5); common practice: 117/D and 138/D arcsec with D in mm
    facts = _facts(_clear())
    unit = 550e-6 / 100 * 206264.806
    assert facts["diffraction_fwhm_arcsec"].value == pytest.approx(1.02899 * unit, rel=1e-4)
    assert facts["first_dark_ring_arcsec"].value == pytest.approx(1.21967 * unit, rel=1e-4)
    assert facts["diffraction_fwhm_arcsec"].value == pytest.approx(117 / 100, rel=0.01)
    assert facts["first_dark_ring_arcsec"].value == pytest.approx(138 / 100, rel=0.01)


@pytest.mark.parametrize(("ratio", "zero"), [(0.2, 1.167), (0.5, 1.000)])
def test_obstruction_draws_the_first_dark_ring_in(ratio, zero):
    # zeros of the annulus: 1.17 and 1.00 lambda/D (Born & Wolf, table in section 8.6.2)
    facts = _facts(_clear(obstruction=100 * ratio))
    unit = 550e-6 / 100 * 206264.806
    assert facts["first_dark_ring_arcsec"].value == pytest.approx(zero * unit, abs=0.005 * unit)
    assert facts["diffraction_fwhm_arcsec"].value < 1.029 * unit


def test_width_agrees_with_the_telescopes_own_pupil():
    from simulate.telescope import fwhm_arcsec, make_pupil

    instrument = _clear(150.0, 1200.0, 37.0)
    assert _facts(instrument)["diffraction_fwhm_arcsec"].value == pytest.approx(
        fwhm_arcsec(make_pupil(instrument.telescope), 550.0), rel=0.01
    )


def test_sampling_of_the_fast_instrument():
    # f/5 with 2.9 um: focus +-27.5 um, critical at f/10.5, 2.11 pixels too coarse (2 p / (lambda N))
    facts = _facts(load_instrument("newtonian-150-fast"))
    assert facts["focal_ratio"].value == pytest.approx(5.0)
    assert facts["focus_tolerance_um"].value == pytest.approx(27.5)
    assert facts["critical_focal_ratio"].value == pytest.approx(3.64 * 2.9, rel=0.002)
    assert facts["sampling_ratio"].value == pytest.approx(2 * 2.9 / (0.55 * 5), rel=1e-6)
    assert "undersampled" in facts["sampling_ratio"].meaning
    assert facts["pixel_scale_arcsec"].value == pytest.approx(206.265 * 2.9 / 750, rel=1e-5)
    assert facts["field_arcmin"].value == pytest.approx([1936 * 0.79756 / 60, 1096 * 0.79756 / 60], rel=1e-4)


def test_critical_focal_ratio_makes_the_sampling_ratio_one():
    instrument = _clear(100.0, 2 * 2.9 / 0.55 * 100.0)
    assert _facts(instrument)["sampling_ratio"].value == pytest.approx(1.0, rel=1e-9)
    assert [sampling_word(ratio) for ratio in (0.5, 1.0, 2.0)] == ["oversampled", "near critical", "undersampled"]


def test_area_and_light():
    facts = _facts(_clear(200.0, 1000.0, 60.0, transmission=0.8))
    assert facts["collecting_area_cm2"].value == pytest.approx(math.pi * (10**2 - 3**2), rel=1e-9)
    assert "80%" in facts["collecting_area_cm2"].meaning
    assert "30%" in facts["aperture_mm"].meaning


def test_sensor_and_mount():
    instrument = load_instrument("refractor-60-diagonal")
    facts = _facts(instrument)
    assert facts["mirrored"].value is True
    assert facts["mount"].value == "altazimuth"
    assert facts["saturation_e"].value == pytest.approx(min(15000, (4095 - 32) * 3.6))
    assert facts["channels"].value == ["red", "green", "blue"]
    noiseless = replace(instrument, camera=replace(instrument.camera, read_noise_e=0.0))
    assert math.isfinite(_facts(noiseless)["dynamic_range"].value)


@pytest.mark.parametrize("name", instrument_names())
def test_every_fact_is_told_in_words(name):
    facts = describe(load_instrument(name))
    assert len({fact.key for fact in facts}) == len(facts)
    assert all(fact.shown and fact.meaning and "\n" not in fact.meaning for fact in facts)
