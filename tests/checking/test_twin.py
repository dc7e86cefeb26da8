"""The twin on pictures made frame by frame: a false gap in Saturn's A ring, and the real Cassini Division."""

import math
from dataclasses import replace

import numpy as np
import pytest
import scipy.fft
from check_trial import averaged_frames, draw_case, faulty, instrument_of

from simulate.air import Sky
from simulate.checking.check import CheckOptions, check
from simulate.checking.reading import UserPicture
from simulate.checking.twin import Twin, deepest_trough

CASE = replace(
    draw_case(3),
    body="saturn",
    time="2017-06-15T01:00",
    aperture_mm=200.0,
    focal_ratio=14.0,
    seeing_arcsec=1.0,
    colour=False,
    without=("encke gap",),
)
"""Rings open by 26.6 deg, north up, and no Encke gap in the planet at all."""

ENCKE_KM = 133584.0
A_RING_EDGE_KM = 136775.0
CASSINI_KM = (117580.0, 122170.0)
"""NSSDC, Saturnian rings fact sheet."""


def sharpened_strongly(plane: np.ndarray, resolution_px: float, blur: float, times: int) -> np.ndarray:
    """Iterate Richardson's and Lucy's restoration (1972, 1974) with a blur that is told too wide, as people do."""
    frequency = np.hypot(np.fft.fftfreq(plane.shape[0])[:, None], np.fft.rfftfreq(plane.shape[1])[None])
    inside = np.clip(frequency * resolution_px, 0, 1)
    transfer = 2 / np.pi * (np.arccos(inside) - inside * np.sqrt(1 - inside**2))
    transfer *= np.exp(-2 * (np.pi * frequency * blur * resolution_px / 2.355) ** 2)

    def blurred(light: np.ndarray) -> np.ndarray:
        return np.asarray(scipy.fft.irfft2(np.asarray(scipy.fft.rfft2(light)) * transfer, s=plane.shape))

    light = np.full_like(plane, plane.mean())
    for _ in range(times):
        light = light * blurred(plane / np.maximum(blurred(light), 1e-9))
    return light


@pytest.fixture(scope="module")
def picture() -> UserPicture:
    linear = averaged_frames(CASE, *faulty(CASE, instrument_of(CASE)))
    noisy = linear.planes[0] + linear.noise[0] * np.random.default_rng(1).standard_normal(linear.planes[0].shape)
    noisy = noisy[60:-60, 60:-60] - np.median(noisy[:3])
    resolution_px = 550e-6 / CASE.aperture_mm * 206264.8 / linear.pixel_arcsec
    sharp = sharpened_strongly(np.maximum(noisy, 0) + 0.01 * noisy.max(), resolution_px, 0.7, 160)
    sharp -= np.median(sharp[:3])
    levels = np.clip(0.02 + 0.9 * sharp / np.quantile(sharp, 0.9995), 0, 1) ** (1 / 1.4)
    return UserPicture((np.rint(65535 * levels) / 65535)[None].astype(np.float32), 16, 1000, 0.0, "PNG")


def tried(picture: UserPicture, feature: str) -> Twin:
    options = CheckOptions(only_fit=True, twin=feature)
    result = check(
        picture, "saturn", instrument_of(CASE), CASE.time, sky=Sky(seeing_arcsec=CASE.seeing_arcsec), options=options
    )
    assert result.twin is not None
    return result.twin


def test_a_false_gap_in_the_a_ring_is_found_out(picture: UserPicture) -> None:
    twin = tried(picture, "encke gap")
    assert twin.profile is not None
    assert twin.profile.picture_km is not None
    # a thin dark ring is there, within 0.6 diameters of the Airy disc (5400 km) of the true gap's place
    assert twin.depth > 0.03
    assert twin.depth > 4 * twin.depth_error
    assert twin.profile.picture_km == pytest.approx(ENCKE_KM, abs=3000)
    assert twin.profile.picture_km < A_RING_EDGE_KM - 2000
    # and the planet without any gap has the same ring at the same place
    assert twin.artefact is True
    assert twin.profile.twin_km == pytest.approx(twin.profile.picture_km, abs=1000)
    assert twin.twin_depth == pytest.approx(twin.depth, rel=0.5)


def test_the_cassini_division_of_the_same_picture_is_cleared(picture: UserPicture) -> None:
    twin = tried(picture, "cassini division")
    assert twin.profile is not None
    assert twin.artefact is False
    assert twin.depth > 0.4
    assert twin.profile.picture_km is not None
    assert CASSINI_KM[0] < twin.profile.picture_km < CASSINI_KM[1]
    assert twin.twin_depth < 0.1 * twin.depth


def test_a_trough_is_measured_below_the_line_between_its_shoulders() -> None:
    place = np.linspace(0.0, 1.0, 201)
    profile = 1.0 + 0.1 * place - 0.2 * np.exp(-(((place - 0.6) / 0.05) ** 2))
    anywhere = np.ones(201, bool)
    found = deepest_trough(profile, anywhere, anywhere)
    assert found is not None
    assert place[found[0]] == pytest.approx(0.6, abs=0.01)
    assert found[1] == pytest.approx(0.2 / 1.06, rel=0.03)
    assert math.isclose(place[found[3]], 1.0)
    assert deepest_trough(1.0 + 0.1 * place, anywhere, anywhere) is None
    assert deepest_trough(profile, place < 0.4, anywhere) is None
