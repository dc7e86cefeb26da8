"""Features as data: names, taking out, drift, scale of km on a spheroid, faults of a data file."""

from __future__ import annotations

import numpy as np
import pytest

from simulate.bodies import body_names, load_body
from simulate.bodies.body import read_body
from simulate.bodies.features import check_features, degrees_per_km, feature_names, oval_longitude, read_palette
from simulate.bodies.sections import MARKS
from simulate.bodies.surface import surface_map
from simulate.errors import InputError


def spot():
    return next(feature for feature in load_body("jupiter").features if feature["name"] == "red spot")


def test_names_hold_what_observers_speak_of():
    assert {"north equatorial belt", "south equatorial belt", "red spot"} <= set(feature_names(load_body("jupiter")))
    assert {"syrtis major", "sinus meridiani", "north polar cap", "hellas"} <= set(feature_names(load_body("mars")))
    assert {"mare imbrium", "mare crisium", "tycho"} <= set(feature_names(load_body("moon")))
    assert "red spot hollow" not in feature_names(load_body("jupiter"))
    assert "red spot hollow" in feature_names(load_body("jupiter"), minor=True)
    assert feature_names(load_body("star")) == ()


@pytest.mark.parametrize("name", body_names())
def test_every_number_of_a_face_has_a_source(name):
    sections = load_body(name).sections
    for key in ("map", "feature", "texture"):
        entry = sections.get(key, ())
        for section in entry if isinstance(entry, tuple) else (entry,):
            for _, number in section.walk():
                assert len(number.source) > 10
                assert number.mark in MARKS


def test_unknown_name_offers_the_nearest():
    with pytest.raises(InputError, match="did you mean 'syrtis major'"):
        check_features(load_body("mars"), frozenset({"syrtis mayor"}))
    with pytest.raises(InputError, match="no named surface features"):
        check_features(load_body("europa"), frozenset({"spot"}))
    assert check_features(load_body("mars"), frozenset({" Syrtis Major"})) == {"syrtis major"}


def test_km_on_jupiter():
    per_east, per_north = degrees_per_km(-22.4, 71492, 66854)
    # 1164 km in a degree of longitude at 22.4 S; an observers' handbook rounds to 1187 (20 891 km for 17.6 deg)
    km_per_degree = np.cos(np.radians(22.4)) / per_east
    assert km_per_degree == pytest.approx(1164, abs=1)
    assert km_per_degree == pytest.approx(1187, rel=0.025)
    # along a whole meridian the quarter of an ellipse: complete elliptic integral, Ramanujan's approximation
    latitude = np.linspace(0, 90, 2001)
    quarter = np.trapezoid([1 / degrees_per_km(x, 71492, 66854)[1] for x in latitude], latitude)
    a, b = 71492.0, 66854.0
    whole = np.pi * (3 * (a + b) - np.sqrt((3 * a + b) * (a + 3 * b)))
    assert quarter == pytest.approx(whole / 4, rel=1e-5)
    assert per_north > 0


def test_spot_drifts_through_published_positions():
    # published amateur position measurements: 2009-07, 2012-08, and an observers' report of 2015-02-08
    for julian_date, longitude in ((2455027.5, 138), (2456155.5, 182), (2457061.5, 223)):
        found, uncertainty = oval_longitude(spot(), julian_date)
        assert found == pytest.approx(longitude, abs=0.5)
        assert uncertainty <= 3


def test_spot_is_carried_on_with_growing_doubt():
    for days in (100.0, 1000.0):
        found, uncertainty = oval_longitude(spot(), 2460676.5 + days)
        assert found == pytest.approx((65 + 0.057 * days) % 360, abs=1e-6)
        assert uncertainty == pytest.approx(6 + 4 * days / 365.25)
    assert oval_longitude(spot())[0] == pytest.approx(65)
    before, doubt = oval_longitude(spot(), 2455027.5 - 365.25)
    assert before == pytest.approx(138 - 0.057 * 365.25)
    assert doubt == pytest.approx(6)


def test_taking_out_a_belt_leaves_its_zones_to_meet():
    jupiter = load_body("jupiter")
    common = {"red_spot_longitude_deg": 100.0}
    whole = surface_map(jupiter, **common)
    bare = surface_map(jupiter, without=frozenset({"north equatorial belt"}), **common)
    with_belt, without = (surface.reflectance.mean(axis=2) for surface in (whole, bare))
    latitude = whole.latitudes_deg
    inside = (latitude > 8) & (latitude < 19)
    ends = with_belt[:, np.isin(latitude, (5.0, 22.0))]
    assert np.all(without[:, inside] <= ends.max(axis=1, keepdims=True) + 1e-3)
    assert np.all(without[:, inside] >= ends.min(axis=1, keepdims=True) - 1e-3)
    assert with_belt[0][inside].min() < 0.6 * without[0][inside].min()
    elsewhere = (latitude < 5) | (latitude > 22)
    assert np.allclose(whole.reflectance[:, elsewhere], bare.reflectance[:, elsewhere], atol=1e-6)
    # what lies along the belt stays: the structure, relative to its latitude, is the same
    row = np.flatnonzero(latitude == 12.0)[0]
    relative = [surface.reflectance[1, row] / surface.reflectance[1, row].mean() for surface in (whole, bare)]
    assert np.allclose(*relative, atol=1e-4)


def test_taking_out_the_spot_leaves_belt_and_zone():
    jupiter = load_body("jupiter")
    whole = surface_map(jupiter, red_spot_longitude_deg=100.0)
    bare = surface_map(jupiter, without=frozenset({"red spot"}), red_spot_longitude_deg=100.0)
    mean = whole.reflectance.mean(axis=2)
    row = np.flatnonzero(whole.latitudes_deg == -22.0)[0]
    spot, gone = whole.sample(-22.0, 260.0), bare.sample(-22.0, 260.0)
    assert spot[0] < 0.75 * mean[0, row]  # blue: the spot is dark
    assert gone == pytest.approx(mean[:, row], rel=0.04)
    away = np.arange(0.0, 230.0)
    assert np.allclose(whole.sample(-22.0, away), bare.sample(-22.0, away), atol=1e-6)


@pytest.mark.parametrize("name", ["festoons", "barges", "white ovals", "wake of the red spot"])
def test_a_marking_taken_out_leaves_the_mean_of_its_latitude(name):
    jupiter = load_body("jupiter")
    whole = surface_map(jupiter, red_spot_longitude_deg=100.0)
    bare = surface_map(jupiter, without=frozenset({name}), red_spot_longitude_deg=100.0)
    section = next(f for f in jupiter.features if f["name"] == name)
    mean = whole.reflectance.mean(axis=2)
    for latitude, east, _, _ in section["places"]:
        row = round((latitude + 90.0) * 4)
        assert bare.sample(row / 4 - 90.0, 260.0 + east) == pytest.approx(mean[:, row], rel=0.04)
    assert np.abs(whole.reflectance[1] - bare.reflectance[1]).max() > 0.1


def test_inner_structure_is_levelled_to_the_spots_own_mean():
    jupiter = load_body("jupiter")
    whole = surface_map(jupiter, red_spot_longitude_deg=100.0)
    bare = surface_map(jupiter, without=frozenset({"inner structure of the red spot"}), red_spot_longitude_deg=100.0)
    places = np.linspace(-23.5, -20.5, 13)[:, None], 260.0 + np.linspace(-3, 3, 25)[None, :]
    before, after = whole.sample(*places)[1], bare.sample(*places)[1]
    assert after.std() < 0.05 * before.std()
    assert after.mean() == pytest.approx(before.mean(), rel=0.15)


@pytest.mark.parametrize("name", ["syrtis major", "mare acidalium", "mare cimmerium", "sinus sabaeus", "solis lacus"])
def test_taking_out_a_dark_area_leaves_no_ghost(name):
    mars = load_body("mars")
    whole, bare = surface_map(mars), surface_map(mars, without=frozenset({name}))
    red, bare_red = whole.reflectance[2], bare.reflectance[2]
    inside = bare_red > 1.15 * red
    assert 20 < inside.sum() < 0.05 * inside.size
    # what is left there is no darker than the dimmest tenth of the ring around it
    rows, columns = np.nonzero(inside)
    ring = np.zeros_like(inside)
    ring[max(rows.min() - 24, 0) : rows.max() + 24] = True
    near = np.abs((np.arange(red.shape[1])[None, :] - np.median(columns) + 720) % 1440 - 720) < 120
    around = ring & near & ~inside
    assert np.median(bare_red[inside]) > np.percentile(bare_red[around], 10)


def test_palette_wants_every_band():
    section = load_body("jupiter").section("map")
    palette = read_palette(section)
    assert palette.bands == ("blue", "green", "red")
    with pytest.raises(InputError, match="give one number for each of"):
        palette.by_band(load_body("jupiter").section("size"))


def face(**feature):
    """A small body whose face has one feature."""
    stated = {"source": "made up for this test", "mark": "memory"}
    return read_body(
        {
            "name": "ball",
            "kind": "planet",
            "size": {**stated, "equatorial_radius": 1000, "polar_radius": 1000},
            "orientation": {**stated, "right_ascension": [0], "declination": [90], "rotation": {"single": [0, 360]}},
            "orbit": {**stated, "theory": "planets", "number": 4},
            "magnitude": {**stated, "polynomial": [1], "last_phase_deg": 30},
            "albedo": {**stated, "V": 0.1},
            "map": {**stated, "step_deg": 5, "bands": {"green": 550}},
            "feature": [{**stated, **feature}],
        },
        "ball.toml",
    )


def test_faults_of_a_data_file_are_told_in_a_sentence():
    with pytest.raises(InputError, match="did you mean 'belt'"):
        surface_map(face(name="a", kind="bellt", south_deg=0, north_deg=5, edge_deg=1, factor=1))
    with pytest.raises(InputError, match=r"\(a\): 'edge_deg' cannot be used; the feature must state it"):
        surface_map(face(name="a", kind="belt", south_deg=0, north_deg=5, factor=1))
    with pytest.raises(InputError, match="factor"):
        surface_map(face(name="a", kind="belt", south_deg=0, north_deg=5, edge_deg=1))
