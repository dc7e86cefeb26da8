"""Sentences of advice against the numbers that they rest on."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from simulate.geometry import apparition
from simulate.present.advice import (
    altazimuth_turn_deg,
    city_text,
    corrector_text,
    enlarging_text,
    finest_arcsec,
    mount_text,
    on_the_moon_text,
)

SITE = "48,11"


def test_nothing_finer_than_lambda_over_d_passes() -> None:
    # 0.756 arcsec at 150 mm and 550 nm (Born & Wolf, 8.6: the cut-off of a lens is D / lambda)
    assert finest_arcsec(150.0) == pytest.approx(0.7563, rel=1e-3)


def test_enlarging_ends_at_two_pixels_a_period_and_at_twice_the_aperture() -> None:
    finest = finest_arcsec(60.0)
    fine, coarse = enlarging_text(60.0, finest / 4), enlarging_text(60.0, finest * 1.5)
    assert "enlarging the camera's pixels shows no new detail" in fine
    assert "beyond 3.0×" in coarse
    # common practice: twice the aperture in mm is the highest useful magnification
    assert "127×" in fine


def test_the_field_turns_as_the_parallactic_angle_does() -> None:
    seen = apparition("jupiter", "2026-01-10T22:00", SITE)
    later = apparition("jupiter", "2026-01-10T22:10", SITE)
    assert seen.parallactic_angle_deg is not None
    assert later.parallactic_angle_deg is not None
    turned = altazimuth_turn_deg(seen, 600.0)
    assert turned == pytest.approx(abs(later.parallactic_angle_deg - seen.parallactic_angle_deg), rel=0.05)
    assert altazimuth_turn_deg(apparition("jupiter", "2026-01-10T22:00"), 600.0) is None


def test_a_mount_is_asked_for_by_what_smears() -> None:
    seen = apparition("jupiter", "2026-01-10T22:00", SITE)
    short, usual, long = (mount_text(seen, seconds, 1.0) for seconds in (5.0, 120.0, 1200.0))
    assert short is not None
    assert short.endswith("no equatorial one is needed")
    assert usual is not None
    assert "the moons do" in usual
    assert long is not None
    assert "use an equatorial one" in long
    # at the limb: the turn in radians times the radius
    limb = float(usual.split(": ")[1].split("″")[0])
    turn = altazimuth_turn_deg(seen, 120.0)
    assert turn is not None
    assert limb == pytest.approx(np.radians(turn) * seen.equatorial_diameter_arcsec / 2, abs=0.005)
    assert mount_text(apparition("jupiter", "2026-01-10T22:00"), 120.0, 1.0) is None


def test_a_city_s_sky_beside_jupiter() -> None:
    # check value: a sky of 18 mag a square arcsecond is 0.8e-5 of Jupiter's disc
    told = city_text(apparition("jupiter", "2026-01-10T22:00", SITE), 1.0)
    assert told is not None
    assert "1 part in 100\u202f000" in told
    assert "it does not matter" in told
    faint = city_text(apparition("saturn", "2026-10-04T23:00", SITE), 4.0)
    assert faint is not None
    assert "beside iapetus it is 2 %" in faint or "beside iapetus it is 1 %" in faint
    star = replace(apparition("jupiter", "2026-01-10T22:00", SITE), equatorial_diameter_arcsec=0.0)
    assert city_text(star, 1.0) is None


def test_a_corrector_is_worth_what_it_takes_away() -> None:
    # a spread of 1 arcsec over one channel alone has an rms of 0.289 arcsec, 0.68 at half maximum
    told = corrector_text(1.0, 1, float(np.hypot(1.0, 0.68)))
    assert told == "a corrector would sharpen a channel by 21 %"
    assert "not needed" in corrector_text(0.3, 3, 1.0)


def test_the_moon_s_kilometres() -> None:
    seen = apparition("moon", "2026-01-26T20:00")
    # an arcsecond at 384 400 km is 1.86 km
    expected = 1.8636 * seen.distance_au * 149597870.7 / 384400.0
    told = on_the_moon_text(seen, 1.0)
    assert float(told.split(" km")[0].split()[-1]) == pytest.approx(expected, abs=0.06)
