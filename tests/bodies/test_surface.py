"""Maps of surfaces: where things are, how bright, how sampled, against published places and figures."""

from __future__ import annotations

import warnings

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simulate.bodies import body_names, load_body
from simulate.bodies.surface import SurfaceMap, red_spot_longitude, surface_map
from simulate.errors import InputError, RangeWarning


def michelson(bright, dark):
    return (bright - dark) / (bright + dark)


@pytest.mark.parametrize("name", body_names())
def test_every_body_has_a_face_of_mean_one(name):
    surface = surface_map(load_body(name))
    weight = np.cos(np.radians(surface.latitudes_deg))
    for plane in surface.reflectance:
        assert np.average(plane.mean(axis=1), weights=weight) == pytest.approx(1.0, abs=0.004)
    assert surface.reflectance.dtype == np.float32
    assert surface.reflectance.min() > 0
    assert np.all(np.diff(surface.wavelengths_nm) > 0)
    with pytest.raises(ValueError, match="read-only"):
        surface.reflectance[0, 0, 0] = 2


def test_syrtis_major_lies_at_290_west():
    # IAU gazetteer: Syrtis Major 9.9 N, 290 W = 70 E; the darkest large area within 35 deg of the equator
    mars = surface_map(load_body("mars")).coarser(3.0)
    red = np.where(np.abs(mars.latitudes_deg)[:, None] < 25, mars.reflectance[2], np.inf)
    rows, columns = np.nonzero(red < np.sort(red.ravel())[40])
    assert np.median(mars.longitudes_deg[columns]) == pytest.approx(68, abs=8)
    assert np.median(mars.latitudes_deg[rows]) == pytest.approx(8, abs=8)


def test_mars_contrast_falls_from_red_to_blue():
    # Arabia and Syrtis Major in the broadband albedo map of the thermal emission spectrometer, 0.30 and 0.11: 0.46;
    # in green three quarters of the darkening in red, in the blue it almost vanishes (several abstracts)
    mars = surface_map(load_body("mars")).coarser(3.0)
    bright, dark = mars.sample([20.0, 9.0], [25.0, 69.0]).T
    for band, expected in zip((2, 1, 0), (0.46, 0.32, 0.03), strict=True):
        assert michelson(bright[band], dark[band]) == pytest.approx(expected, abs=0.07)


def test_jupiter_has_two_main_belts():
    jupiter = surface_map(load_body("jupiter"), red_spot_longitude_deg=100.0)
    assert jupiter.reflectance.shape == (3, 721, 1440)
    blue, latitude = jupiter.reflectance[0].mean(axis=1), jupiter.latitudes_deg
    near = np.abs(latitude) < 35
    dark = latitude[near][blue[near] < np.sort(blue[near])[60]]
    # mean jet latitudes 7.2 S to 19.7 S and 6.9 N to 17.4 N (published); the northern one was wide in 2000
    inside = ((dark > -21) & (dark < -6.4)) | ((dark > 6.1) & (dark < 20))
    assert inside.all()
    assert np.any(dark < 0)
    assert np.any(dark > 0)


def test_red_spot_stands_at_its_west_longitude_with_its_length():
    jupiter = surface_map(load_body("jupiter"), red_spot_longitude_deg=100.0)
    assert jupiter.longitude_system == "II"
    east = np.arange(252.5, 270, 0.05)
    level = jupiter.reflectance[0].mean(axis=1)[round((90 - 22.0) * 4)]
    blue = jupiter.sample(-22.0, east)[0] / level
    dark = east[blue < 0.7]
    assert dark.mean() == pytest.approx(260.0, abs=2.0)
    # 13 800 km (13 000 to 14 500 in 2023-25) at 1164 km a degree
    assert np.ptp(dark) == pytest.approx(13800 / 1164, abs=2)


def test_stale_spot_warns_and_a_given_one_does_not():
    jupiter = load_body("jupiter")
    with pytest.warns(RangeWarning, match="uncertain by 1[34] deg"):
        surface_map(jupiter, time_jd=2461376.5)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        surface_map(jupiter, time_jd=2461376.5, red_spot_longitude_deg=104.0)
        surface_map(jupiter, time_jd=2461376.5, without=frozenset({"red spot"}))
        surface_map(jupiter, time_jd=2460700.5)
    assert red_spot_longitude(load_body("mars")) is None


def test_moon_has_its_maria_where_they_are():
    moon = surface_map(load_body("moon")).coarser(2.0)
    # selenographic places (IAU gazetteer): Crisium 17 N 59 E, Serenitatis 28 N 17.5 E,
    # Imbrium 33 N 16 W, Humorum 24 S 39 W
    maria = moon.sample([17, 28, 33, -24], [59, 17.5, -16, -39])[1]
    highlands = moon.sample([-30, -60, 20, 60], [10, 30, 110, -140])[1]
    assert maria.max() < 0.65 * highlands.min()


def test_uranus_is_brighter_around_its_north_pole_in_red():
    uranus = surface_map(load_body("uranus"))
    pole, equator = uranus.sample([70.0, 0.0], 0.0, [700.0, 550.0]).T
    # 10 to 20 per cent in red and infrared, below 5 in V (from memory, 2015-35)
    assert 0.10 <= pole[0] / equator[0] - 1 <= 0.20
    assert 0.0 <= pole[1] / equator[1] - 1 < 0.05


def test_texture_is_off_unless_asked_for():
    mercury = load_body("mercury")
    plain = surface_map(mercury)
    textured = surface_map(mercury, invented_texture=True)
    assert not np.array_equal(plain.reflectance, textured.reflectance)
    assert np.abs(textured.reflectance / plain.reflectance - 1).mean() < 0.03
    assert np.ptp(surface_map(load_body("venus")).reflectance) == 0


def test_same_call_gives_the_same_object():
    mars = load_body("mars")
    assert surface_map(mars, solar_longitude_deg=120.0) is surface_map(mars, solar_longitude_deg=480.0)


@pytest.mark.parametrize("dust", [-0.1, float("nan"), 25])
def test_dust_out_of_range_is_refused(dust):
    with pytest.raises(InputError, match="dust"):
        surface_map(load_body("mars"), dust=dust)


def small_map():
    values = np.random.default_rng(5).uniform(0.5, 1.5, (2, 19, 36)).astype(np.float32)
    return SurfaceMap("ball", np.array([450.0, 650.0]), values)


def test_sampling_at_the_nodes_gives_the_nodes():
    ball = small_map()
    found = ball.sample(ball.latitudes_deg[:, None], ball.longitudes_deg[None, :])
    assert np.allclose(found, ball.reflectance, atol=2e-6)


def test_sampling_between_nodes_is_bilinear():
    # independent route: scipy's interpolation of first order on the wrapped grid
    from scipy.ndimage import map_coordinates

    ball = small_map()
    rng = np.random.default_rng(6)
    latitude, longitude = rng.uniform(-90, 90, 200), rng.uniform(-720, 720, 200)
    wrapped = np.concatenate([ball.reflectance, ball.reflectance[:, :, :1]], axis=2)
    place = [(latitude + 90) / 10, (longitude % 360) / 10]
    for found, plane in zip(ball.sample(latitude, longitude), wrapped, strict=True):
        assert np.allclose(found, map_coordinates(plane, place, order=1), atol=1e-5)


@settings(max_examples=50)
@given(st.floats(-90, 90), st.floats(-1000, 1000))
def test_longitude_wraps(latitude, longitude):
    ball = small_map()
    assert np.allclose(ball.sample(latitude, longitude), ball.sample(latitude, longitude + 360), atol=1e-4)


def test_wavelengths_are_linear_between_bands_and_constant_beyond():
    ball = small_map()
    blue, red = ball.sample(12.0, 34.0)
    assert ball.sample(12.0, 34.0, [400, 450, 550, 900]) == pytest.approx([blue, blue, (blue + red) / 2, red])


def test_zonal_map_needs_no_longitude():
    zonal = SurfaceMap("ball", np.array([550.0]), np.linspace(0, 1, 19, dtype=np.float32).reshape(1, 19, 1))
    assert zonal.sample([[-90.0, 0.0, 90.0]], [[10.0, 200.0, 359.9]])[0, 0] == pytest.approx([0.0, 0.5, 1.0])


def test_a_users_map_is_taken_as_it_is_under_clear_air():
    mars, own = load_body("mars"), small_map()
    assert surface_map(mars, user_map=own) is own
    veiled = surface_map(mars, user_map=own, dust=2.0)
    spread = np.ptp(veiled.reflectance, axis=(1, 2)) / np.ptp(own.reflectance, axis=(1, 2))
    # blue is not brightened by dust, red by 8 per cent at most
    assert spread == pytest.approx(np.exp(-2) * np.array([1.0, 1 + 0.08 * (1 - np.exp(-2))]), rel=0.02)


def dotted_map(latitude, longitude, half):
    """A map of level 1 on 1 deg with a dark square."""
    values = np.ones((2, 181, 360), np.float32)
    values[:, latitude + 90 - half : latitude + 91 + half, longitude - half : longitude + half + 1] = 0.5
    return SurfaceMap("own", np.array([450.0, 650.0]), values)


def test_an_area_is_taken_out_of_a_users_map():
    # Mare Cimmerium and Syrtis Major are where the gazetteer has them on any map: 9.9 N 70 E
    own = dotted_map(10, 70, 5)
    bare = surface_map(load_body("mars"), user_map=own, without=frozenset({"syrtis major"}))
    assert own.sample(10.0, 70.0)[0] == pytest.approx(0.5)
    assert bare.sample(10.0, 70.0) == pytest.approx([1.0, 1.0], abs=0.1)
    assert np.allclose(bare.sample(-40.0, np.arange(360.0)), 1.0)


def test_a_belt_is_taken_out_of_a_users_map():
    values = np.ones((1, 181, 360), np.float32)
    values[:, 100:106] = 0.6
    own = SurfaceMap("own", np.array([550.0]), values)
    bare = surface_map(load_body("jupiter"), user_map=own, without=frozenset({"north equatorial belt"}))
    assert bare.sample(13.0, 10.0)[0] == pytest.approx(1.0, abs=0.02)


def test_season_and_caps_are_laid_upon_a_users_map():
    own = dotted_map(10, 70, 5)
    winter = surface_map(load_body("mars"), user_map=own, solar_longitude_deg=330.0)
    bare = surface_map(
        load_body("mars"),
        user_map=own,
        solar_longitude_deg=330.0,
        without=frozenset({"north polar cap", "north polar hood"}),
    )
    assert winter.sample(80.0, 0.0)[0] > 1.5
    assert bare.sample(80.0, 0.0)[0] == pytest.approx(1.0, abs=0.3)
    assert winter.sample(10.0, 70.0)[1] == pytest.approx(0.5, abs=0.1)


def test_what_has_no_place_on_a_users_map_is_refused():
    with pytest.raises(InputError, match="no place of its own on a map of yours"):
        surface_map(load_body("jupiter"), user_map=dotted_map(10, 70, 5), without=frozenset({"red spot"}))


def test_no_places_at_all_give_an_empty_answer() -> None:
    found = surface_map(load_body("jupiter"), red_spot_longitude_deg=0.0).sample(np.empty(0), np.empty(0))
    assert found.shape[1:] == (0,)
    assert found.shape[0] > 1


@pytest.mark.parametrize("factor", [2, 3, 4])
def test_a_coarser_map_holds_the_means_of_the_fine_one(factor):
    values = np.random.default_rng(8).uniform(0.5, 1.5, (2, 25, 48)).astype(np.float32)
    fine = SurfaceMap("ball", np.array([450.0, 650.0]), values, first_longitude_deg=3.0)
    coarse = fine.coarser(180.0 / 24 * factor)
    assert coarse.reflectance.shape == (2, 24 // factor + 1, 48 // factor)
    # independent route: a fine comb of samples around a node, averaged
    node = coarse.latitudes_deg[1], coarse.longitudes_deg[2]
    spread = np.arange(factor) - (factor - 1) / 2
    rows = node[0] + 7.5 * (spread if factor % 2 else np.linspace(-factor / 2, factor / 2, factor + 1))
    weight = np.ones(len(rows)) if factor % 2 else np.array([0.5, *[1.0] * (factor - 1), 0.5])
    grid = fine.sample(rows[:, None], (node[1] + 7.5 * spread)[None, :])
    expected = np.average(grid.mean(axis=2), axis=1, weights=weight)
    assert coarse.reflectance[:, 1, 2] == pytest.approx(expected, rel=1e-5)
    assert fine.coarser(1.0) is fine


@pytest.mark.parametrize(("body", "name", "step_deg"), [("jupiter", "south equatorial belt", 1), ("mars", "hellas", 2)])
def test_a_map_without_a_feature_is_averaged_as_if_nothing_were_known_of_the_other(body, name, step_deg):
    planet = load_body(body)
    without = surface_map(planet, without=frozenset({name}), red_spot_longitude_deg=40.0)
    fresh = SurfaceMap(
        without.name, without.wavelengths_nm, np.array(without.reflectance), "", without.first_longitude_deg
    )
    one, other = without.coarser(step_deg), fresh.coarser(step_deg)
    assert one.reflectance.shape[1] < without.reflectance.shape[1]
    assert np.array_equal(one.reflectance, other.reflectance)
    assert one.first_longitude_deg == pytest.approx(other.first_longitude_deg)
    whole = surface_map(planet, red_spot_longitude_deg=40.0)
    assert not np.array_equal(one.reflectance, whole.coarser(step_deg).reflectance)
