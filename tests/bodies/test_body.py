"""Data files and the bodies made from them."""

from __future__ import annotations

import itertools
import pickle
import subprocess
import sys
import tomllib
from dataclasses import FrozenInstanceError

import numpy as np
import pytest

from simulate.bodies import body_names, load_body, read_body_file
from simulate.bodies.body import read_body
from simulate.bodies.sections import MARKS, read_section
from simulate.errors import InputError


@pytest.mark.parametrize("name", body_names())
def test_every_number_has_source_mark_and_unit(name):
    numbers = list(load_body(name).sections.walk())
    assert numbers
    for key, number in numbers:
        assert len(number.source) > 4, key
        assert number.mark in MARKS, key
        assert np.all(np.isfinite(number.value)), key
        # what is said to be from memory is marked so
        assert not number.source.startswith("from memory") or number.mark == "memory", key


@pytest.mark.parametrize("name", body_names())
def test_a_body_is_one_object_however_it_is_asked_for(name):
    body = load_body(name)
    assert load_body(name.upper()) is body
    assert pickle.loads(pickle.dumps(body)) is body
    assert eval(repr(body), {"load_body": load_body}) is body
    assert body.name == name


def test_radii_of_the_working_group():
    # Archinal et al. 2018, tables 4 to 6, km
    for name, equatorial, polar in [
        ("mercury", 2440.53, 2438.26),
        ("venus", 6051.8, 6051.8),
        ("mars", 3396.19, 3376.20),
        ("jupiter", 71492.0, 66854.0),
        ("saturn", 60268.0, 54364.0),
        ("uranus", 25559.0, 24973.0),
        ("neptune", 24764.0, 24341.0),
        ("moon", 1737.4, 1737.4),
        ("ganymede", 2631.2, 2631.2),
    ]:
        body = load_body(name)
        assert (body.equatorial_radius_km, body.polar_radius_km) == (equatorial, polar)


def test_venus_shows_its_clouds():
    venus = load_body("venus")
    assert venus.disc_radius_km == venus.cloud_top_radius_km == pytest.approx(6120, abs=5)
    assert venus.disc_polar_radius_km == venus.disc_radius_km
    jupiter = load_body("jupiter")
    assert jupiter.cloud_top_radius_km is None
    assert jupiter.disc_polar_radius_km == 66854
    assert load_body("star").disc_radius_km == load_body("star").disc_polar_radius_km == 0


def test_longitude_senses():
    # west for prograde planets, east for Venus, Uranus and (by custom) the Moon
    east = {name for name in body_names() if load_body(name).longitude_sense == "east"}
    assert east == {"venus", "uranus", "moon", "sun", "star"}


def test_satellites_can_be_loaded_and_are_listed_once():
    listed = [name for body in body_names() for name in (moon.name for moon in load_body(body).satellites)]
    kinds = {name for name in body_names() if load_body(name).kind == "satellite"}
    assert sorted(listed) == sorted(kinds)
    assert len(kinds) == 9


def test_the_rings_cover_saturn_without_overlap():
    rings = load_body("saturn").rings
    assert len(rings) == 8
    assert (rings[0].inner_km, rings[-1].outer_km) == (74658, 136775)
    for inner, outer in itertools.pairwise(rings):
        assert inner.outer_km == outer.inner_km
    by_name = {ring.name: ring for ring in rings}
    division = by_name["Cassini Division"]
    # 0.70 arcsec at 9 au (Colwell et al. 2009)
    assert (division.outer_km - division.inner_km) / 149597870.7 / 9 * 206265 == pytest.approx(0.70, abs=0.01)
    assert max(rings, key=lambda ring: ring.brightness).name == "B core"
    assert by_name["Encke Gap"].optical_depth == 0
    core = by_name["B core"]
    assert core.brightness_at(550.0) == pytest.approx(core.brightness)
    assert core.brightness_at([440.0, 640.0]) == pytest.approx([0.80 * core.brightness, 1.12 * core.brightness])
    assert all(load_body(name).rings == () for name in body_names() if name != "saturn")


def test_bodies_cannot_be_changed():
    body = load_body("jupiter")
    with pytest.raises(FrozenInstanceError):
        body.name = "other"
    with pytest.raises(ValueError, match="read-only"):
        body.orientation.terms[0, 0] = 1.0
    with pytest.raises(TypeError):
        body.sections.entries["size"] = 1


def test_unknown_names_get_a_hint():
    with pytest.raises(InputError, match="did you mean 'jupiter'"):
        load_body("jupitr")
    with pytest.raises(InputError, match="its data file has"):
        load_body("mars").section("nothing")


def test_numbers_by_path():
    number = load_body("jupiter").number("size.equatorial_radius")
    assert (number.value, number.unit, number.uncertainty, number.mark) == (71492.0, "km", 4, "seen")


GOOD = """
name = "pebble"
kind = "planet"
[size]
source = "measured by hand 2020"
mark = "seen"
unit = "km"
equatorial_radius = 10
polar_radius = { value = 9, uncertainty = 1, source = "another hand 2021", mark = "quoted" }
[[feature]]
name = "spot"
source = "seen by eye 2022"
mark = "seen"
latitude_deg = -12
colours = ["red", "blue"]
[[feature]]
name = "belt"
mark = "memory"
source = "from memory"
profile = [[0, 1], [10, 0.5]]
[orientation]
source = "chosen for this test"
mark = "computed"
right_ascension = [10]
declination = [80]
[orientation.rotation]
single = [0, 360]
[orbit]
theory = "planets"
source = "chosen for this test"
mark = "computed"
number = 4
[magnitude]
source = "chosen for this test"
mark = "computed"
polynomial = [1]
last_phase_deg = 30
[albedo]
source = "chosen for this test"
mark = "computed"
V = 0.1
"""


def test_a_users_file(tmp_path):
    path = tmp_path / "pebble.toml"
    path.write_text(GOOD)
    body = read_body_file(path)
    polar = body.section("size").sourced("polar_radius")
    assert (polar.value, polar.unit, polar.uncertainty, polar.source, polar.mark) == (
        9.0,
        "km",
        1,
        "another hand 2021",
        "quoted",
    )
    spot, belt = body.features
    assert (spot["name"], spot["latitude_deg"], spot["colours"]) == ("spot", -12.0, ("red", "blue"))
    assert spot.sourced("latitude_deg").unit == "deg"
    assert (belt["profile"].shape, belt.mark) == ((2, 2), "memory")
    assert ("feature spot.latitude_deg", spot.sourced("latitude_deg")) in list(body.sections.walk())


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ('source = "measured by hand 2020"', "", "needs a source"),
        ('source = "measured by hand 2020"', 'source = " "', "needs a source"),
        ('mark = "seen"\nunit', 'mark = "sure"\nunit', "use one of seen, quoted, computed, memory"),
        ('mark = "seen"\nunit', "unit", "use one of seen, quoted, computed, memory"),
        ("equatorial_radius = 10", "equatorial_radius = nan", "finite"),
        ("equatorial_radius = 10", "equatorial_radius = [[1], [2, 3]]", "finite numbers"),
        ('name = "pebble"', 'name = "pebble"\nweight = 3', "needs a source"),
        ('source = "seen by eye 2022"\n', "", "needs a source"),
        ('kind = "planet"', 'kind = "comet"', "use one of planet"),
        ("[size]", "[sizes]", "the file must have it"),
        ("[size]", "[size", "readable TOML"),
    ],
)
def test_files_with_faults_are_refused(tmp_path, old, new, message):
    assert old in GOOD
    path = tmp_path / "pebble.toml"
    path.write_text(GOOD.replace(old, new, 1))
    with pytest.raises(InputError, match=message):
        read_body_file(path)


RING = """
[ring_system]
source = "chosen for this test"
mark = "computed"
opposition_ratio = 1.3
reference_opening_deg = 22
unlit_ratio = [[1.0, 0.08], [2.8, 0.03]]
[ring_colour]
source = "chosen for this test"
mark = "computed"
grey = [[400, 0.9], [700, 1.1]]
[[ring]]
name = "hoop"
colour = "grey"
source = "chosen for this test"
mark = "computed"
inner_km = 20
outer_km = 30
optical_depth = 1
brightness = 0.3
[observing]
source = "chosen for this test"
mark = "computed"
dark_from_deg = -6
"""


def test_a_users_rings(tmp_path):
    path = tmp_path / "pebble.toml"
    path.write_text(GOOD + RING)
    (ring,) = read_body_file(path).rings
    assert (ring.inner_km, ring.outer_km, ring.opposition_ratio) == (20.0, 30.0, 1.3)
    assert ring.brightness_at(550.0) == pytest.approx(0.3)


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("dark_from_deg", "dark_form_deg", "observing: 'dark_form_deg' cannot be used; .* mean 'dark_from_deg'"),
        ("dark_from_deg = -6", 'dark_from_deg = "-6"', "observing.dark_from_deg: '-6' cannot be used; give a number"),
        ("dark_from_deg = -6", "seasons = [1, 2, 3, 4]", "observing.seasons.*give a list of texts"),
        ("number = 4", "nummer = 4", "orbit: 'nummer' cannot be used; .* mean 'number'"),
        ("number = 4", 'number = "four"', "orbit.number: 'four' cannot be used; give a number"),
        ("number = 4", "number = 4\nchain = [0, 4]", "orbit.chain.*give rows of numbers"),
        ("polynomial = [1]", 'polynomial = "bright"', "magnitude.polynomial: 'bright' cannot be used"),
        ("polynomial = [1]", "polynom = [1]", "magnitude: 'polynom' cannot be used; .* mean 'polynomial'"),
        ("polynomial = [1]", "constant_mag = [1, 2]", "magnitude.constant_mag: 2 cannot be used; give 1 numbers"),
        ("polynomial = [1]", "polynomial = [1]\nlarge_phase_polynomial = [2]", "magnitude.edge_deg is missing"),
        ("polynomial = [1]", "", "magnitude.polynomial is missing"),
        ("last_phase_deg = 30", 'last_phase_deg = "all"', "magnitude.last_phase_deg: 'all' cannot be used"),
        ("inner_km = 20", 'inner_km = "20"', "inner_km: '20' cannot be used; give a number"),
        ("inner_km = 20", "inner_km = 40", "give two radii, the smaller first"),
        ("brightness = 0.3", "brightnes = 0.3", "'brightnes' cannot be used; .* mean 'brightness'"),
        ('colour = "grey"', 'colour = "gray"', "use one of grey; did you mean 'grey'"),
        ("grey = [[400, 0.9], [700, 1.1]]", "grey = 1", "give rows of wavelength"),
        ("unlit_ratio = [[1.0, 0.08], [2.8, 0.03]]", "", "ring_system.unlit_ratio is missing"),
    ],
)
def test_keys_of_the_wrong_name_or_kind_are_refused_in_a_sentence(tmp_path, old, new, message):
    assert old in GOOD + RING
    path = tmp_path / "pebble.toml"
    path.write_text((GOOD + RING).replace(old, new, 1))
    with pytest.raises(InputError, match=message):
        read_body_file(path)


def test_a_missing_file_is_refused(tmp_path):
    with pytest.raises(InputError, match="no such file"):
        read_body_file(tmp_path / "none.toml")


def test_an_inner_source_wins_and_is_inherited_downward():
    table = tomllib.loads('source = "a b c"\nmark = "seen"\nx = 1\n[in]\nsource = "d e f"\ny_km = 2\n[in.deep]\nz = 3')
    section = read_section(table, "test")
    found = {key: (number.source, number.unit) for key, number in section.walk()}
    assert found == {"x": ("a b c", ""), "in.y_km": ("d e f", "km"), "in.deep.z": ("d e f", "")}


@pytest.mark.parametrize("section", ["size", "orientation", "orbit", "magnitude", "albedo"])
def test_what_every_planet_needs_is_asked_for(section):
    table = tomllib.loads(GOOD)
    del table[section]
    with pytest.raises(InputError, match=f"here.{section} is missing; the file must have it"):
        read_body(table, "here")


def test_bodies_import_nothing_heavy():
    code = (
        "import simulate.bodies, sys; simulate.bodies.load_body('saturn');"
        "print([m for m in ('astropy', 'scipy', 'matplotlib', 'poppy', 'rich', 'pydantic') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
