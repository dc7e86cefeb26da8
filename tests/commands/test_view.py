"""The whole chain: light is conserved, orientation holds, the same inputs give the same bytes."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from simulate.air import Sky, dispersion_arcsec
from simulate.bodies import load_body
from simulate.bodies.spectra import body_photon_flux
from simulate.commands.view import view
from simulate.errors import BelowHorizonError, FieldWarning, InputError
from simulate.geometry import apparition
from simulate.instruments import Instrument, load_instrument
from simulate.light.chain import Aim, Setting, lay_field, make_chain, scene_colours
from simulate.light.look import (
    ViewOptions,
    expected_frame,
    lit_middle_arcsec,
    mount_turn_deg,
    moving_scene,
    rotation_arcsec_per_s,
)
from simulate.results.view import Placement
from simulate.scene import SceneOptions
from simulate.stack import ExposureWishes
from simulate.values.practice import IDEAL
from simulate.values.spectrum import DEFAULT_BINS

OPPOSITION = "2026-01-10T08:00"
SPOT = ViewOptions(scene=SceneOptions(red_spot_longitude_deg=100.0), practice=IDEAL)
"""A stated longitude of the spot, so that no warning about its age is due."""


def centre_of_light(picture: np.ndarray, placement: object) -> tuple[float, float]:
    rows, columns = np.indices(picture.shape)
    east, north = placement.sky_of(rows, columns, picture.shape)  # type: ignore[attr-defined]
    total = picture.sum()
    return float((east * picture).sum() / total), float((north * picture).sum() / total)


def perfect(name: str) -> Instrument:
    instrument = load_instrument(name)
    return replace(instrument, telescope=replace(instrument.telescope, wavefront_error_waves=0.0))


@pytest.mark.parametrize("body", ["mars", "uranus", "venus"])
def test_electrons_on_the_sensor_are_the_photons_of_the_magnitude(body: str) -> None:
    # photons by the magnitude, through area, transmission and quantum efficiency: no loss, no gain
    instrument = load_instrument("refractor-60")
    seen = apparition(body, "2027-02-19T00:00")
    options = ViewOptions(bins=DEFAULT_BINS, practice=IDEAL)
    look = expected_frame(load_body(body), instrument, seen, Sky(seeing_arcsec=1.0), options)
    rates = look.chain.on_sensor(look.rates) - look.chain.sky_rate[:, None, None].astype(np.float32)
    photons = body_photon_flux(load_body(body), seen.magnitude, DEFAULT_BINS)
    expected = look.chain.electrons(photons)
    # wings of the response beyond the window take a little
    np.testing.assert_allclose(rates.sum(axis=(1, 2)), expected, rtol=0.03)
    fine = look.rates - look.chain.sky_rate[:, None, None]
    whole = fine.sum(axis=(1, 2)) / look.laid.factor**2
    np.testing.assert_allclose(whole, expected, rtol=5e-3)


def test_surface_brightness_on_the_sensor_depends_on_the_focal_ratio_only() -> None:
    # common practice, and conservation of etendue: per pixel a disc gives the same at equal f-ratio
    seen = apparition("jupiter", OPPOSITION)
    sky = Sky(seeing_arcsec=0.0)
    peaks = []
    for aperture in (100.0, 200.0):
        instrument = load_instrument("newtonian-200")
        telescope = replace(
            instrument.telescope, aperture_mm=aperture, focal_length_mm=10 * aperture, amplifier=1.0,
            obstruction_mm=0.0, vanes_count=0, vane_width_mm=0.0, wavefront_error_waves=0.0,
        )  # fmt: skip
        look = expected_frame(load_body("jupiter"), replace(instrument, telescope=telescope), seen, sky, SPOT)
        grid = look.laid.grid
        middle = np.hypot(grid.north_arcsec()[:, None], grid.east_arcsec()[None, :]) < 12.0
        peaks.append(look.rates[1][middle].mean())
    assert peaks[0] == pytest.approx(peaks[1], rel=0.01)


def test_the_same_inputs_and_seed_give_the_same_bytes() -> None:
    first, second = (view("mars", "refractor-60", "2027-02-19T00:00", seed=4) for _ in range(2))
    other = view("mars", "refractor-60", "2027-02-19T00:00", seed=5)
    for name in ("frame", "expected", "finished_rgb", "truth_rgb", "psf"):
        assert getattr(first, name).values.tobytes() == getattr(second, name).values.tobytes()
    assert first.inputs == second.inputs
    assert first.frame.values.tobytes() != other.frame.values.tobytes()
    assert first.truth_rgb.values.tobytes() == other.truth_rgb.values.tobytes()


def test_the_lit_side_of_venus_is_toward_the_sun_in_every_picture() -> None:
    seen_from_earth = view("venus", "newtonian-150", "2025-01-10T05:00")
    seen = seen_from_earth.apparition
    angle = np.radians(seen.bright_limb_position_angle_deg)
    for picture in (seen_from_earth.truth_rgb, seen_from_earth.stack_rgb, seen_from_earth.finished_rgb):
        east, north = centre_of_light(np.clip(picture.values[..., 1], 0, None), picture.placement)
        along = east * np.sin(angle) + north * np.cos(angle)
        across = east * np.cos(angle) - north * np.sin(angle)
        assert along > 0.15 * seen.equatorial_diameter_arcsec / 2
        assert abs(across) < 0.1 * along


def test_a_mirrored_instrument_flips_the_frame_and_nothing_else() -> None:
    plain = load_instrument("newtonian-150")
    mirrored = replace(plain, mount=replace(plain.mount, mirrored=True))
    one = view("venus", plain, "2025-01-10T05:00", options=SPOT)
    two = view("venus", mirrored, "2025-01-10T05:00", options=SPOT)
    np.testing.assert_allclose(two.expected.values, one.expected.values[..., ::-1], rtol=1e-3, atol=1e-2)
    np.testing.assert_array_equal(one.truth_rgb.values, two.truth_rgb.values)


def test_camera_angle_turns_the_frame_on_the_sky() -> None:
    plain = load_instrument("newtonian-150")
    turned = replace(plain, mount=replace(plain.mount, kind="equatorial", camera_angle_deg=37.0))
    shown = view("venus", turned, "2025-01-10T05:00", options=SPOT)
    angle = np.radians(shown.apparition.bright_limb_position_angle_deg)
    east, north = centre_of_light(shown.expected.values.sum(axis=0), shown.expected.placement)
    assert east * np.sin(angle) + north * np.cos(angle) > 0
    assert abs(east * np.cos(angle) - north * np.sin(angle)) < 0.3 * np.hypot(east, north)


def test_dispersion_lifts_blue_toward_the_zenith_by_what_the_air_s_index_says() -> None:
    site = "-41.3,174.8,20"
    seen = apparition("mars", "2027-02-19T10:30", site)
    # coma moves the centre of light, so a perfect mirror is taken
    look = expected_frame(load_body("mars"), perfect("newtonian-150"), seen, Sky(), ViewOptions(practice=IDEAL))
    bins, chain = look.scene.bins, look.chain
    lifted = dispersion_arcsec(bins.centres_nm, seen.altitude_deg, Sky(), 20.0)
    light = chain.weights * scene_colours(look.scene)
    expected = light @ lifted / light.sum(axis=1)
    zenith = np.radians(seen.parallactic_angle_deg)
    # the planet's own centre of light differs by colour (the cap is white), so the air's part is a difference
    still = make_chain(replace(chain.setting, without=frozenset({"dispersion"}))).rates(look.scene)
    places = []
    for moved, kept in zip(look.rates, still, strict=True):
        sky = float(chain.sky_rate.min())
        first, second = (centre_of_light(p - sky, Placement.of_grid(look.laid.grid)) for p in (moved, kept))
        places.append(np.subtract(first, second))
    along = [east * np.sin(zenith) + north * np.cos(zenith) for east, north in places]
    across = [east * np.cos(zenith) - north * np.sin(zenith) for east, north in places]
    # red, green, blue: blue stands highest
    assert along[2] - along[0] > 0.5
    np.testing.assert_allclose(np.diff(along), np.diff(expected), atol=0.02)
    np.testing.assert_allclose(np.diff(across), 0.0, atol=0.02)


def test_a_body_below_the_horizon_is_refused_with_its_next_rise() -> None:
    with pytest.raises(BelowHorizonError, match=r"Mars is \d+ deg below the horizon there; it next rises at 2027-"):
        view("mars", "newtonian-150", "2027-02-19T00:30", "-41.3,174.8,20")


def test_better_air_larger_aperture_and_more_frames_never_make_it_worse() -> None:
    width = {}
    for name in ("refractor-60", "newtonian-150", "newtonian-250"):
        for seeing in (1.0, 3.0):
            shown = view("mars", name, "2027-02-19T00:00", sky=Sky(seeing_arcsec=seeing))
            width[name, seeing] = shown.optics.stack_fwhm_arcsec
    assert width["refractor-60", 1.0] > width["newtonian-150", 1.0] > width["newtonian-250", 1.0]
    assert all(width[name, 1.0] < width[name, 3.0] for name in ("refractor-60", "newtonian-150", "newtonian-250"))
    few = view(
        "mars", "refractor-60", "2027-02-19T00:00", options=ViewOptions(ExposureWishes(frames=10), practice=IDEAL)
    )
    many = view(
        "mars", "refractor-60", "2027-02-19T00:00", options=ViewOptions(ExposureWishes(frames=1000), practice=IDEAL)
    )
    ratio = np.median(few.stack.noise) / np.median(many.stack.noise)
    assert ratio == pytest.approx(np.sqrt(many.exposure.kept / few.exposure.kept), rel=0.2)


def test_rotation_of_jupiter_s_middle_is_that_of_the_handbook_formula() -> None:
    # pi d / P with P = 9 h 55.5 min: 46.6 arcsec gives 0.246 arcsec/min (computed in the physics notes)
    seen = apparition("jupiter", OPPOSITION)
    per_minute = 60 * rotation_arcsec_per_s(load_body("jupiter"), seen)
    assert per_minute == pytest.approx(0.246, rel=0.01)
    # at every instant of a rotation: longitudes begin again at 0 in one system or the other
    every = [replace(seen, jd_tt=seen.jd_tt + 0.42 * step / 1000) for step in range(1000)]
    rates = [60 * rotation_arcsec_per_s(load_body("jupiter"), one) for one in every]
    assert min(rates) == pytest.approx(max(rates), rel=1e-3)


def test_moons_and_field_turn_together_as_the_ephemeris_says() -> None:
    """The sky turns in the camera's frame against the change of the parallactic angle, which geometry alone gives."""
    site, tool = "50,11", load_instrument("newtonian-150")
    tool = replace(tool, mount=replace(tool.mount, kind="altazimuth", camera_angle_deg=0.0))
    middle = apparition("jupiter", "2027-02-10T23:30", site)
    # the two instants that stand for 300 s: 150 s / sqrt(3) from the middle
    around = [apparition("jupiter", f"2027-02-10T23:{time}", site) for time in ("28:33.397", "31:26.603")]
    turns = [seen.parallactic_angle_deg - middle.parallactic_angle_deg for seen in around]
    assert mount_turn_deg(tool, middle, 300.0) == pytest.approx((turns[1] - turns[0]) * np.sqrt(3), rel=1e-3)
    assert mount_turn_deg(replace(tool, mount=replace(tool.mount, kind="equatorial")), middle, 300.0) == 0.0

    options = ViewOptions(field_arcsec=500.0, scene=SceneOptions(red_spot_longitude_deg=60.0), practice=IDEAL)
    look = expected_frame(load_body("jupiter"), tool, middle, Sky(), options)
    drawn = [(p.east_arcsec, p.north_arcsec) for p in moving_scene(look, 300.0).points if p.name == "europa"]
    for (east, north), seen, turn in zip(drawn, around, turns, strict=True):
        moon = next(moon for moon in seen.moons if moon.name == "europa")
        # a place of position angle p on the sky stands at p less the turn in the camera's frame
        place = (moon.north_arcsec + 1j * moon.east_arcsec) * np.exp(-1j * np.radians(turn))
        assert (east, north) == pytest.approx((place.imag, place.real), abs=0.01)


def test_points_and_discs_agree_on_where_the_light_is() -> None:
    options = ViewOptions(practice=IDEAL)  # coma moves the centre of the light
    shown = view("star", perfect("newtonian-150"), "2027-02-19T00:00", options=options)
    plane = shown.stack.picture[1]
    core = np.where(plane > 0.1 * plane.max(), plane, 0.0)
    east, north = centre_of_light(core, shown.stack_placement)
    assert abs(east) < 0.05
    assert abs(north) < 0.05
    assert shown.psf.values.sum() == pytest.approx(1.0, abs=1e-4)


def test_unknown_steps_and_fields_are_refused() -> None:
    instrument = load_instrument("refractor-60")
    laid = lay_field(instrument, 40.0, Aim())
    with pytest.raises(InputError, match="did you mean 'seeing'"):
        Setting(instrument, Sky(), Aim(), laid.grid, laid.sensor, without=frozenset({"seing"}))
    bare = make_chain(
        Setting(
            instrument, Sky(), Aim(), laid.grid, laid.sensor,
            without=frozenset({"diffraction", "seeing", "dispersion", "pixel", "tracking"}),
        )
    )  # fmt: skip
    np.testing.assert_array_equal(bare.response, 1)
    np.testing.assert_array_equal(bare.pixel, 1)


@pytest.mark.parametrize(
    ("body", "instrument", "time", "site", "behind", "said", "unsaid"),
    [
        # Io behind Jupiter, Dione in Saturn's shadow: what cannot be seen is not counted as seen
        ("jupiter", "refractor-60", "2027-02-14T12:20", "-41.3,174.8,20", {"io"}, "3 of 4 moons", "four moons"),
        ("saturn", "refractor-60", "2025-04-25T04:00", "-33.9,18.4,50", {"dione"}, "tethys", "tethys and dione"),
    ],
)
def test_a_verdict_on_moons_names_those_that_are_there(
    body: str, instrument: str, time: str, site: str, behind: set[str], said: str, unsaid: str
) -> None:
    shown = view(body, instrument, time, site, options=SPOT)
    assert {moon.name for moon in shown.apparition.moons if moon.state in ("occulted", "eclipsed")} >= behind
    names = [line.name for line in shown.features]
    assert said in names
    assert unsaid not in names


def test_a_planet_by_day_stands_out_of_the_sky_that_is_taken_off() -> None:
    options = ViewOptions(judge=False, practice=IDEAL)
    shown = view("mercury", "newtonian-150", "2026-10-26T12:00", "48.1,11.6,500", options=options)
    optics = shown.optics
    assert optics.sky_mag_arcsec2 is not None
    assert optics.sky_share is not None
    # V 2 at 20 deg from the Sun (air/brightness.py); Mercury is fainter than that sky through 2.7 air masses
    assert optics.sky_mag_arcsec2 == pytest.approx(1.8, abs=0.3)
    assert 5 < optics.sky_share < 20
    light = shown.finished_rgb.values.mean(axis=2)
    seen = shown.apparition
    angle = np.radians(seen.bright_limb_position_angle_deg)
    rows, columns = np.indices(light.shape)
    east, north = shown.finished_rgb.placement.sky_of(rows, columns, light.shape)
    limb = np.hypot(east - 3.3 * np.sin(angle), north - 3.3 * np.cos(angle)) < 1.0
    sky = np.hypot(east, north) > 1.5 * seen.equatorial_diameter_arcsec
    assert 0.2 < light[limb].mean() < 1.0
    assert abs(light[sky].mean()) < 0.03


def test_the_sky_s_share_of_jupiter_s_light_follows_its_magnitude() -> None:
    # a sky of 18 mag is 0.8e-5 of the disc above the air; extinction of the disc at 1.8 air masses makes it more
    sky = Sky(sky_brightness_mag=18.0)
    site = "-41.3,174.8,20"
    optics = view(
        "jupiter", "refractor-60", "2027-02-14T12:20", site, sky=sky, options=replace(SPOT, judge=False)
    ).optics
    assert optics.sky_mag_arcsec2 == pytest.approx(18.0, abs=0.05)
    assert optics.sky_share == pytest.approx(0.8e-5 * 10 ** (0.4 * 0.22 * 1.8), rel=0.25)


def test_red_and_blue_lie_apart_by_less_than_the_whole_spectrum() -> None:
    options = replace(SPOT, judge=False)
    optics = view("jupiter", "refractor-60", "2027-02-14T12:20", "-41.3,174.8,20", options=options).optics
    assert optics.blue_red_arcsec is not None
    assert optics.dispersion_arcsec is not None
    # 1.35 arcsec measured in colour pictures at 22 deg, where 460 and 610 nm lie 1.73 apart (common practice)
    apart = dispersion_arcsec(np.array([460.0, 610.0]), 33.4, Sky(), 20.0)
    assert optics.blue_red_arcsec == pytest.approx(1.35 / 1.73 * float(apart[0] - apart[1]), rel=0.08)
    assert 0.2 * optics.dispersion_arcsec < optics.blue_red_arcsec < 0.6 * optics.dispersion_arcsec
    mono = view("venus", "catadioptric-203-mono", "2027-01-07T06:30", options=options).optics
    assert mono.blue_red_arcsec == 0.0  # through the zenith


def test_a_sensor_smaller_than_the_planet_is_told_and_nothing_is_judged() -> None:
    instrument = load_instrument("newtonian-150")
    small = replace(instrument, camera=replace(instrument.camera, columns=10))
    with pytest.warns(FieldWarning, match="does not fit: it is 17[0-9] pixels wide, the sensor 10 x"):
        shown = view("jupiter", small, "2027-01-01", options=SPOT)
    assert shown.features == ()
    assert any("nothing on it is judged" in text for text in shown.warnings)


def test_the_window_on_the_moon_is_told() -> None:
    with pytest.warns(FieldWarning, match="the middle of the lit part of the disc.* arcmin of 3[0-9]"):
        view("moon", "newtonian-250", "2027-02-16T10:00")


def test_a_window_on_a_crescent_is_pointed_at_its_light() -> None:
    """Half the way from the terminator to the limb, which the phase angle alone gives."""
    seen = apparition("moon", "2027-02-09T16:59")
    radius = seen.equatorial_diameter_arcsec / 2
    east, north = lit_middle_arcsec(seen)
    assert np.hypot(east, north) == pytest.approx(radius * (1 + np.cos(np.radians(180 - seen.phase_angle_deg))) / 2)
    assert east / north == pytest.approx(np.tan(np.radians(seen.bright_limb_position_angle_deg)))
    with pytest.warns(FieldWarning):
        shown = view("moon", "refractor-80", "2027-02-09T16:59", options=ViewOptions(judge=False, practice=IDEAL))
    placement = shown.frame_rgb.placement
    assert (placement.middle_east_arcsec, placement.middle_north_arcsec) == pytest.approx((east, north), abs=2.0)
    # with its middle on the light, a good part of the window is lit, and nothing of it is nan
    light = shown.truth_rgb.values[..., 1]
    assert np.mean(light > 0.1 * light.max()) > 0.15
    assert 1.0 < shown.optics.stack_fwhm_arcsec < 3.0


def test_the_truth_of_a_small_disc_has_cells_enough() -> None:
    shown = view("neptune", "refractor-60", "2027-02-19T00:00", options=ViewOptions(judge=False, practice=IDEAL))
    cell = shown.truth_rgb.placement.step_arcsec
    assert cell < 0.4 * shown.psf.placement.step_arcsec
    # the disc is as large as geometry says: area over half light
    light = shown.truth_rgb.values[..., 1]
    area = np.count_nonzero(light > 0.25 * light.max()) * cell**2
    seen = shown.apparition
    truth = np.pi / 4 * seen.equatorial_diameter_arcsec * seen.polar_diameter_arcsec
    assert area == pytest.approx(truth, rel=0.1)


def test_diffraction_is_the_same_for_the_moon_as_for_a_star() -> None:
    """1.03 lambda/D of an open aperture (Airy): 1.95 arcsec for 60 mm at 550 nm on any grid."""
    options = ViewOptions(judge=False, practice=IDEAL)
    with pytest.warns(FieldWarning):
        moon = view("moon", "refractor-60", "2027-02-16T10:00", options=options)
    star = view("star", "refractor-60", "2027-02-16T10:00", options=options)
    assert moon.optics.diffraction_fwhm_arcsec == star.optics.diffraction_fwhm_arcsec
    assert star.optics.diffraction_fwhm_arcsec == pytest.approx(1.029 * 550e-9 / 0.060 * 206265, rel=0.005)
