"""Seasons of Mars: the caps on the map against published recession, hood, frost and dust."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from simulate.bodies import load_body
from simulate.bodies.seasons import cap_edge_deg, cyclic, season_strength, with_dust
from simulate.bodies.surface import surface_map

LONGITUDES = np.arange(0, 360, 5.0)


def cap_edge_on_the_map(solar_longitude, sign):
    """Mean latitude at which the cap falls to half of its step, from the green map alone."""
    mars = surface_map(load_body("mars"), solar_longitude_deg=solar_longitude)
    latitude = np.arange(45.0, 90.0, 0.05)
    edges = []
    for longitude in LONGITUDES:
        green = mars.sample(sign * latitude, longitude)[1]
        steps = np.diff(green)
        near = int(np.argmax(steps))
        inside, outside = green[min(near + 40, len(green) - 1)], green[near - 40]
        crossing = near - 40 + int(np.argmax(green[near - 40 :] > (inside + outside) / 2))
        edges.append(latitude[crossing])
    return float(np.mean(edges))


# observers' reports of 1986 and 1988 (abstract): from 60 S at Ls 185 to 86 S at Ls 285, nearly linear
@pytest.mark.parametrize("solar_longitude", [188, 200, 215, 230, 245, 260])
def test_south_cap_recedes_as_reported(solar_longitude):
    expected = 60 + (solar_longitude - 185) * 26 / 100
    assert cap_edge_on_the_map(solar_longitude, -1) == pytest.approx(expected, abs=1.0)


# Hubble 1990-97 and La Palma 1995 (abstracts): mean 74.5 at Ls 61-66; standing still at 65-70 for Ls 20-50
@pytest.mark.parametrize(
    ("solar_longitude", "expected", "tolerance"), [(63.5, 74.5, 1.0), (35, 67.5, 2.5), (75, 80, 2.0)]
)
def test_north_cap_recedes_as_reported(solar_longitude, expected, tolerance):
    assert cap_edge_on_the_map(solar_longitude, 1) == pytest.approx(expected, abs=tolerance)


def test_north_cap_on_the_map_follows_its_table():
    table = next(f for f in load_body("mars").features if f["name"] == "north polar cap")["edge"]
    for solar_longitude, latitude in table[:7]:
        if season_strength(165, 10, 15, solar_longitude) == 0:
            assert cap_edge_on_the_map(solar_longitude, 1) == pytest.approx(latitude, abs=1.0)


def test_remnant_of_the_south_cap_lies_off_the_pole():
    mars = surface_map(load_body("mars"), solar_longitude_deg=320.0)
    # about 87 S, 45 W
    assert mars.sample(-86.0, 315.0)[1] > 1.5 * mars.sample(-86.0, 135.0)[1]


@given(st.floats(-720, 720))
def test_tables_run_around_the_year(solar_longitude):
    table = [[10, 1.0], [190, 3.0], [350, 2.0]]
    assert float(cyclic(table, solar_longitude)) == pytest.approx(float(cyclic(table, solar_longitude + 360)), abs=1e-9)
    assert 1.0 <= float(cyclic(table, solar_longitude)) <= 3.0


def test_table_is_linear_across_the_turn_of_the_year():
    assert float(cyclic([[10, 1.0], [350, 2.0]], 0.0)) == pytest.approx(1.5)


def test_no_season_leaves_the_remnant():
    assert cap_edge_deg([[0, -87], [110, -51]], None) == -87


def test_season_may_pass_the_turn_of_the_year():
    assert season_strength(165, 10, 15, 0.0) == pytest.approx(10 / 15)
    assert season_strength(165, 10, 15, 270.0) == 1.0
    assert season_strength(165, 10, 15, 90.0) == 0.0
    assert season_strength(165, 10, 15, None) == 0.0


def test_north_hood_is_bright_in_blue_and_hides_the_ground():
    winter = surface_map(load_body("mars"), solar_longitude_deg=250.0)
    bare = surface_map(
        load_body("mars"), solar_longitude_deg=250.0, without=frozenset({"north polar hood", "north polar cap"})
    )
    assert winter.sample(70.0, 200.0)[0] > 1.3 * bare.sample(70.0, 200.0)[0]
    assert bare.sample(70.0, 200.0)[0] < 1.2


def test_frost_whitens_hellas_in_southern_winter_only():
    winter = surface_map(load_body("mars"), solar_longitude_deg=100.0).sample(-42.0, 70.0)
    summer = surface_map(load_body("mars"), solar_longitude_deg=300.0).sample(-42.0, 70.0)
    assert winter[0] > 1.3 * summer[0]


def test_dust_dims_the_contrast_and_brightens_the_disc():
    clear = surface_map(load_body("mars"))
    storm = surface_map(load_body("mars"), dust=1.0)
    red_clear, red_storm = clear.reflectance[2].astype(float), storm.reflectance[2].astype(float)
    assert np.ptp(red_storm) / np.ptp(red_clear) == pytest.approx(np.exp(-1) * (1 + 0.08 * (1 - np.exp(-1))), rel=1e-3)
    assert red_storm.mean() > red_clear.mean() * 1.02
    assert np.array_equal(with_dust(red_clear, 0.0, np.zeros(1)), red_clear)
