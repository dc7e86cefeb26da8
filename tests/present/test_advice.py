"""Sentences of advice against the numbers that they rest on."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from simulate.bodies import load_body
from simulate.geometry import apparition
from simulate.present.advice import (
    altazimuth_turn_deg,
    camera_text,
    corrector_text,
    dispersion_text,
    enlarging_text,
    moons_text,
    mount_text,
    on_the_moon_text,
    red_spot_text,
    season_text,
    sky_text,
)
from simulate.results.view import OpticsFacts, Placement
from simulate.values.resolution import finest_arcsec

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


def sky(mag: float | None, share: float | None, sharp: float = 1.0) -> OpticsFacts:
    return OpticsFacts(0.25, 0.76, sharp, 10.5, 0.66, sky_mag_arcsec2=mag, sky_share=share)


def test_a_city_s_sky_beside_jupiter() -> None:
    # check value: a sky of 18 mag a square arcsecond is 0.8e-5 of Jupiter's disc; 3.5 mag darker 0.04 of that
    night = apparition("jupiter", "2026-01-10T22:00", SITE)
    told = sky_text(night, sky(21.5, 0.8e-5 * 10 ** (-0.4 * 3.5)))
    assert told is not None
    assert told.startswith("V 21.5 a square arcsecond in a dark night")
    assert "1 part in 3\u202f000\u202f000 of the disc's light, it does not matter" in told
    assert "a city's, 18, would be 1 part in 100\u202f000" in told
    assert "it would matter" not in told
    faint = sky_text(apparition("saturn", "2026-10-04T23:00", SITE), sky(21.5, 1e-6, 4.0))
    assert faint is not None
    assert "beside Iapetus 2 %" in faint or "beside Iapetus 1 %" in faint
    assert sky_text(apparition("jupiter", "2026-01-10T22:00"), sky(21.5, 1e-6)) is None
    bare = sky_text(night, sky(21.5, None))
    assert bare is not None
    assert bare.endswith("(± 0.5)")


def test_a_bright_sky_is_told_for_what_it_is() -> None:
    # contrast over a veil of the same light is halved, over nine times the light a tenth is left
    day = apparition("mercury", "2026-10-26T12:00", "48.1,11.6,500")
    told = sky_text(day, sky(2.0, 9.0))
    assert told == (
        "V 2.0 a square arcsecond by day (± 1): 9.0 times the disc's light, 10 % of the contrast on the disc is left"
    )
    dusk = sky_text(replace(day, sun_altitude_deg=-8.0), sky(15.0, 0.001))
    assert dusk is not None
    assert "in twilight" in dusk
    assert "city" not in dusk
    night = replace(day, sun_altitude_deg=-30.0, moon_altitude_deg=40.0, moon_phase_angle_deg=20.0)
    moonlit, given = (
        sky_text(night, sky(19.5, 1e-5)),
        sky_text(replace(night, moon_altitude_deg=-5.0), sky(17.5, 1e-4), 17.5),
    )
    assert moonlit is not None
    assert "in moonlight" in moonlit
    assert given is not None
    assert "in a night of 17.5 at the zenith" in given
    assert "city" not in given


def test_channels_are_aligned_by_less_than_the_whole_spread() -> None:
    told = dispersion_text(replace(sky(21.0, 0.0), dispersion_arcsec=2.0, blue_red_arcsec=0.75))
    assert (
        told == "2.00″ ± 5 % from 400 to 700 nm: 8.0 pixels; shift red against blue by 0.75″, 3.0 pixels, to align them"
    )
    assert dispersion_text(sky(21.0, 0.0)) is None


def test_the_season_of_mars() -> None:
    # northern spring began on 2026-09-30 and on 2024-11-12 (Mars years 39 and 38; from memory)
    mars = load_body("mars")
    for date, season in (
        ("2026-10-02T00:00", "spring"),
        ("2026-09-28T00:00", "winter"),
        ("2024-11-14T00:00", "spring"),
    ):
        told = season_text(mars, apparition("mars", date))
        assert told is not None
        assert f"{season} in the north" in told
    # the north pole is turned to us by more than the small southern cap is wide
    told = season_text(mars, apparition("mars", "2026-10-26T00:00"))
    assert told is not None
    assert "south polar cap" in told
    assert told.endswith("turned away")
    north = float(told.split("north polar cap to ")[1].split("°")[0])
    assert f"° N, {180 - 2 * north:.0f}° across" in told or f"° N, {181 - 2 * north:.0f}° across" in told
    assert season_text(load_body("jupiter"), apparition("jupiter", "2027-02-19T00:00")) is None


def test_the_red_spot_comes_round_in_ten_hours() -> None:
    # System II turns in 9 h 55 min 40.6 s (Davies et al. 1986)
    body, seen = load_body("jupiter"), apparition("jupiter", "2027-02-14T12:00")
    middle = seen.central_meridian_deg["II"]
    turn = 9 + 55 / 60 + 40.6 / 3600
    for away, words, hours in (
        (30.0, "on the disc, 30° from the middle: in the middle in {} h", turn / 12),
        (-30.0, "on the disc, 30° from the middle: in the middle {} h ago", turn / 12),
        (70.0, "near the edge of the disc, 70° from the middle: in the middle in {} h", turn * 70 / 360),
        (180.0, "not on the disc; in the middle in {} h", turn / 2),
        (-120.0, "not on the disc; in the middle in {} h", turn * 2 / 3),
    ):
        assert red_spot_text(body, seen, (middle + away) % 360.0) == words.format(f"{hours:.1f}")
    carried_on = red_spot_text(body, seen)
    assert carried_on is not None
    assert " ± 0." in carried_on
    assert red_spot_text(load_body("mars"), apparition("mars", "2027-02-14T12:00")) is None


def test_moons_stand_in_order_and_hidden_ones_are_told() -> None:
    seen = apparition("jupiter", "2027-02-14T12:20", "-41.3,174.8,20")
    assert moons_text(seen, "Jupiter") == "east to west: Callisto, Jupiter, Europa, Ganymede; Io behind"
    assert moons_text(apparition("mars", "2027-02-14T12:20"), "Mars") is None


def test_a_camera_s_turn_and_mirror_in_words() -> None:
    assert camera_text(Placement.turned(0.25, 30.0, False)).startswith("up in its picture is position angle 30°; not")
    assert camera_text(Placement.turned(0.25, -90.0, True)).startswith("up in its picture is position angle 270°; mirr")


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
