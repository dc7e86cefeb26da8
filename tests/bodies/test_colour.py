"""Colours of the screen: white of the Sun, order of the planets, and a reference library."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from simulate.bodies import load_body
from simulate.bodies.colour import (
    SCREEN_WHITE_XYZ,
    adaptation,
    srgb_decode,
    srgb_encode,
    srgb_weights,
    to_linear_srgb,
    xyz_weights,
)
from simulate.bodies.spectra import (
    body_photon_flux,
    photons_per_joule,
    solar_irradiance,
    solar_photon_flux,
    wavelength_scale,
)
from simulate.errors import InputError
from simulate.values.spectrum import DEFAULT_BINS, SpectralBins

FINE_BINS = SpectralBins(tuple(np.arange(380.0, 781.0, 5.0)))


@pytest.mark.parametrize("bins", [DEFAULT_BINS, FINE_BINS])
def test_sunlight_is_neutral(bins):
    assert to_linear_srgb(solar_photon_flux(bins), bins) == pytest.approx([1.0, 1.0, 1.0], abs=1e-12)
    assert to_linear_srgb(0.18 * solar_photon_flux(bins), bins) == pytest.approx([0.18] * 3, abs=1e-12)


def test_the_suns_chromaticity():
    # (0.3233, 0.3326) for the extraterrestrial Sun, CIE 1931: about 5780 K, between D55 and D65 (from memory)
    xyz = xyz_weights(FINE_BINS) @ solar_photon_flux(FINE_BINS)
    assert xyz[:2] / xyz.sum() == pytest.approx([0.3233, 0.3326], abs=0.002)


def test_few_bins_give_nearly_the_colour_of_many():
    for name in ("mars", "jupiter", "saturn", "uranus", "neptune", "io"):
        body = load_body(name)
        coarse = to_linear_srgb(body_photon_flux(body, 0.0, DEFAULT_BINS), DEFAULT_BINS)
        fine = to_linear_srgb(body_photon_flux(body, 0.0, FINE_BINS), FINE_BINS)
        assert srgb_encode(coarse / coarse.max()) == pytest.approx(srgb_encode(fine / fine.max()), abs=0.02)


def test_the_colours_of_the_planets_have_the_right_order():
    def rgb(name):
        light = to_linear_srgb(body_photon_flux(load_body(name), 0.0, DEFAULT_BINS), DEFAULT_BINS)
        return light / light[1]

    red = {name: rgb(name)[0] for name in ("mars", "saturn", "jupiter", "venus", "uranus", "neptune")}
    assert sorted(red, key=red.get, reverse=True) == ["mars", "saturn", "jupiter", "venus", "uranus", "neptune"]
    assert rgb("mars")[0] > 1.3 > 0.7 > rgb("mars")[2]
    assert rgb("neptune")[2] > 1.0 > rgb("neptune")[0]


def test_pictures_keep_their_shape():
    rng = np.random.default_rng(1)
    picture = rng.random((len(DEFAULT_BINS), 3, 4)).astype(np.float32)
    colours = to_linear_srgb(picture, DEFAULT_BINS)
    assert colours.shape == (3, 4, 3)
    assert colours[1, 2] == pytest.approx(to_linear_srgb(picture[:, 1, 2], DEFAULT_BINS), rel=1e-6)


def test_a_wrong_number_of_bins_is_refused():
    with pytest.raises(InputError, match="11 spectral bins"):
        to_linear_srgb(np.ones((3, 4, 4)), DEFAULT_BINS)
    with pytest.raises(InputError, match="visible"):
        srgb_weights(SpectralBins((850.0, 900.0, 1000.0)))


@given(st.floats(0.0, 1.0))
def test_encoding_and_decoding_undo_each_other(value):
    assert float(srgb_decode(srgb_encode(value))) == pytest.approx(value, abs=1e-6)


def test_encoding_at_known_points():
    # IEC 61966-2-1: linear 0.2140 is half way, 0.0031308 is the joint, values outside are clipped
    assert srgb_encode([0.0, 0.0031308, 0.214041, 1.0, 7.0, -1.0]) == pytest.approx(
        [0.0, 0.0404499, 0.5, 1.0, 1.0, 0.0], abs=1e-5
    )


def test_adaptation_takes_white_to_white():
    sun = [0.97, 1.0, 1.03]
    assert adaptation(sun, SCREEN_WHITE_XYZ) @ sun == pytest.approx(SCREEN_WHITE_XYZ, abs=1e-12)


@pytest.mark.oracle
@pytest.mark.parametrize("name", ["mars", "neptune", "io", "venus"])
def test_against_a_colour_science_library(name):
    colour = pytest.importorskip("colour")
    scale = wavelength_scale()
    inside = (scale >= 380) & (scale <= 780)
    shape = colour.SpectralShape(380, 780, 1)
    observer = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"].copy().align(shape)
    photons = body_photon_flux(load_body(name), 0.0, FINE_BINS)
    body = photons / FINE_BINS.widths_nm / photons_per_joule(FINE_BINS.centres_nm)  # mean irradiance in each bin
    spectrum = np.interp(scale[inside], FINE_BINS.centres_nm, body)

    def tristimulus(values):
        return values @ observer.values

    white = tristimulus(solar_irradiance()[inside])
    xyz = tristimulus(spectrum)
    adapted = colour.adaptation.chromatic_adaptation_VonKries(
        xyz / white[1], white / white[1], SCREEN_WHITE_XYZ, transform="Bradford"
    )
    theirs = colour.XYZ_to_sRGB(adapted, apply_cctf_encoding=False)
    ours = to_linear_srgb(photons, FINE_BINS)
    assert ours / ours[1] == pytest.approx(theirs / theirs[1], abs=0.004)
    clipped = np.clip(theirs / theirs.max(), 0, 1)
    assert srgb_encode(clipped) == pytest.approx(colour.cctf_encoding(clipped, function="sRGB"), abs=1e-6)
