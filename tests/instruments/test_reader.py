"""Instrument files: what they mean, and the sentences for what is wrong with them."""

import math
import os
import tomllib
import tracemalloc
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from simulate.errors import InputError, InputErrors
from simulate.instruments import build_instrument, instrument_names, load_instrument, parse_instrument

GOOD = """
name = "mine"
description = "a long mirror telescope"
[telescope]
aperture = "150 mm"
focal_length = "1200 mm"
obstruction = "37 mm"
vanes = { count = 4, width = "1 mm" }
transmission = 0.85
wavefront_error = "0.05 wave"
amplifier = 2.0
[camera]
pixel = "2.9 um"
columns = 1936
rows = 1096
filter_array = "RGGB"
quantum_efficiency = { blue = 0.70, green = 0.80, red = 0.75 }
read_noise = "1.2 e-"
full_well = "15000 e-"
bits = 12
gain = "3.6 e-/DN"
[mount]
kind = "altazimuth"
camera_angle = "0 deg"
mirrored = false
tracking_error = "1 arcsec"
"""

# a wrong dimension, a bare number, a wrong kind, out of range, unreadable unit, a misspelt key, a fraction
# for a count, a negative noise, an unknown word
NINE_FAULTS = """
[telescope]
aperture = "150 s"
focal_length = 1200
transmission = "good"
wavefront_error = "0.05 wafe"
amplifier = 200.0
vanes = { count = 2.5, width = "1 mm" }
[camera]
pixel = "2.9 um"
columns = 1936
rows = 1096
read_noise = "-1 e-"
gian = "3.6 e-/DN"
[mount]
kind = "altazimut"
"""


def _changed(old: str, new: str) -> str:
    assert old in GOOD
    return GOOD.replace(old, new)


def _sentence(text: str) -> str:
    with pytest.raises(InputError) as caught:
        parse_instrument(text, name="mine")
    return str(caught.value)


def test_every_field_of_a_file_arrives():
    instrument = parse_instrument(GOOD)
    telescope, camera, mount = instrument.telescope, instrument.camera, instrument.mount
    assert (instrument.name, instrument.description) == ("mine", "a long mirror telescope")
    assert (telescope.aperture_mm, telescope.focal_length_mm, telescope.obstruction_mm) == (150.0, 1200.0, 37.0)
    assert (telescope.vanes_count, telescope.vane_width_mm, telescope.amplifier) == (4, 1.0, 2.0)
    assert (telescope.transmission, telescope.wavefront_error_waves) == (0.85, 0.05)
    assert (camera.pixel_um, camera.columns, camera.rows, camera.bits) == (2.9, 1936, 1096, 12)
    assert camera.quantum_efficiency == (("red", 0.75), ("green", 0.80), ("blue", 0.70))
    assert (camera.read_noise_e, camera.full_well_e, camera.gain_e_per_dn) == (1.2, 15000.0, 3.6)
    assert (mount.kind, mount.camera_angle_deg, mount.mirrored, mount.tracking_error_arcsec) == (
        "altazimuth", 0.0, False, 1.0,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("old", "new", "read", "value"),
    [
        ('"150 mm"', '"6 inch"', lambda i: i.telescope.aperture_mm, 152.4),
        ('"150 mm"', '"6 in"', lambda i: i.telescope.aperture_mm, 152.4),
        ('"150 mm"', '"0.15m"', lambda i: i.telescope.aperture_mm, 150.0),
        ('"2.9 um"', '"2.9 µm"', lambda i: i.camera.pixel_um, 2.9),
        ('"2.9 um"', '"0.0029 mm"', lambda i: i.camera.pixel_um, 2.9),
        ('"0.05 wave"', '"55 nm"', lambda i: i.telescope.wavefront_error_waves, 0.1),
        ("0.85", '"85 %"', lambda i: i.telescope.transmission, 0.85),
        ('"3.6 e-/DN"', '"3.6 electron / adu"', lambda i: i.camera.gain_e_per_dn, 3.6),
        ('"3.6 e-/DN"', '"3.6 e-/ADU"', lambda i: i.camera.gain_e_per_dn, 3.6),
        ('"1 arcsec"', '"0.0167 arcmin"', lambda i: i.mount.tracking_error_arcsec, 1.002),
        ('"0 deg"', '"0.5 rad"', lambda i: i.mount.camera_angle_deg, math.degrees(0.5)),
        ('"RGGB"', '"gbrg"', lambda i: i.camera.filter_array, "GBRG"),
        ("bits = 12", 'bits = 12\ndark_current = "0.1 e-/s"', lambda i: i.camera.dark_current_e_per_s, 0.1),
        ("bits = 12", 'bits = 12\nwindow = "none"', lambda i: i.camera.window_nm, None),
        ("bits = 12", 'bits = 12\nwindow = ["420 nm", "0.68 um"]', lambda i: i.camera.window_nm, (420.0, 680.0)),
        ("amplifier", 'aberrations = { coma = "0.1 wave" }\namplifier', lambda i: i.telescope.aberrations[0][1], 0.1),
    ],
)  # fmt: skip
def test_units_may_be_written_in_many_ways(old, new, read, value):
    found = read(parse_instrument(_changed(old, new)))
    assert found == (pytest.approx(value, rel=1e-9) if isinstance(value, float) else value)


def test_all_nine_faults_are_told_at_once_each_by_its_name():
    with pytest.raises(InputErrors) as caught:
        parse_instrument(NINE_FAULTS)
    fields = {fault.field for fault in caught.value.faults}
    assert fields == {
        "telescope.aperture",
        "telescope.focal_length",
        "telescope.transmission",
        "telescope.wavefront_error",
        "telescope.amplifier",
        "telescope.vanes.count",
        "camera.read_noise",
        "camera.gian",
        "mount.kind",
    }
    lines = str(caught.value).splitlines()
    assert len(lines) == 9
    assert all(line.split(":")[0] in fields for line in lines)


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ('"1200 mm"', "1200", 'write it with its unit, in quotes: focal_length = "1200 mm"'),
        ('"150 mm"', '"150 Mm"', "telescope.aperture: '150 Mm' cannot be used; give a value from 10 mm to 5000 mm"),
        ('"150 mm"', '"150"', "from 10 mm to 5000 mm"),
        ('"37 mm"', '"150 mm"', "obstruction: '150 mm' cannot be used; it must be smaller than the aperture of 150 mm"),
        ('"1 mm"', '"50 mm"', "less than a quarter of the aperture"),
        ('gain = "3.6', 'gian = "3.6', "camera.gian: is not a known key; did you mean 'gain'?"),
        ("amplifier", "barlow", "telescope.barlow: is not a known key; did you mean 'amplifier'?"),
        ("bits = 12", "bits = 12\ntracking_error = 1", "tracking_error: is not a known key; it belongs into [mount]"),
        ("bits = 12", "bits = 12\nqqqqqq = 1", "known are pixel, columns"),
        ('pixel = "2.9 um"\n', "", 'camera.pixel: is missing; give the side of a pixel, such as pixel = "2.9 um"'),
        ("[mount]", "[muont]", "muont: is not a known key; did you mean 'mount'?"),
        ('"RGGB"', '"RGBG"', "use one of mono, RGGB, BGGR, GRBG, GBRG"),
        ("blue = 0.70, ", "", "give a value for blue too"),
        ("blue = 0.70", "blew = 0.70", "did you mean 'blue'?"),
        ("blue = 0.70", "blue = 70", "camera.quantum_efficiency: 70 cannot be used; give a value above 0 up to 1"),
        ("{ blue = 0.70, green = 0.80, red = 0.75 }", '"no-such.csv"', "there is no such file"),
        ("mirrored = false", 'mirrored = "no"', "use true or false, without quotes"),
        ("bits = 12", 'bits = 12\nfilters = ["red"]', "filters in sequence go with a mono camera"),
        ("bits = 12", 'bits = 12\nwindow = ["700 nm", "400 nm"]', "the shorter first"),
        ("bits = 12", 'bits = 12\noffset = "4095 DN"', "it must be below 4095 DN"),
        ("bits = 12", "bits = 12\nread_noise_curve = [[1, 2]]", "give pairs such as"),
        ("aperture = ", "# aperture = ", "telescope.aperture: is missing"),
        ('name = "mine"', 'name = ""', "give one line of text"),
        ('"altazimuth"', "3", "use one of altazimuth, equatorial, in quotes"),
    ],
)  # fmt: skip
def test_each_fault_gets_its_sentence(old, new, says):
    sentence = _sentence(_changed(old, new))
    assert says in sentence
    assert "\n" not in sentence


def test_a_value_with_a_unit_outside_quotes_is_told_with_its_line():
    sentence = _sentence(_changed('aperture = "150 mm"', "aperture = 150 mm   # six inches"))
    assert "mine.toml, line 5" in sentence
    assert 'put quotes around a value with a unit: aperture = "150 mm"' in sentence
    assert "it must be valid TOML" in _sentence(_changed("[telescope]", "[telescope"))


def test_tables_of_the_wrong_kind_are_told_as_such():
    with pytest.raises(InputErrors) as caught:
        build_instrument({"telescope": 3, "camera": [1], "mount": "x"})
    assert [str(fault).split(";")[-1] for fault in caught.value.faults] == [
        f" it must be a table, such as [{name}]" for name in ("telescope", "camera", "mount")
    ]


def test_curve_file_is_looked_for_beside_the_instrument_file(tmp_path):
    (tmp_path / "chart.csv").write_text("wavelength_nm,mono\n400,0.5\n700,0.9\n")
    text = _changed("{ blue = 0.70, green = 0.80, red = 0.75 }", '"chart.csv"').replace('"RGGB"', '"mono"')
    (tmp_path / "own.toml").write_text(text.replace('name = "mine"', ""))
    instrument = load_instrument(tmp_path / "own.toml")
    assert instrument.name == "own"
    assert instrument.camera.curves[0].values == (0.5, 0.9)
    (tmp_path / "own.toml").write_text(text.replace('"mono"', '"RGGB"'))
    with pytest.raises(InputError, match="one curve for each of red, green, blue"):
        load_instrument(tmp_path / "own.toml")


def test_names_and_paths_that_lead_nowhere(tmp_path):
    for name, says in (
        ("newtonian-15", "did you mean 'newtonian-150'"),
        ("zzz", "shipped are catadioptric-127"),
        (str(tmp_path / "absent.toml"), "no such file"),
        (str(tmp_path), "it is a folder"),
        ("a\0b.toml", "no file can have that name"),
        ("x" * 5000, "give a shipped name"),
    ):
        with pytest.raises(InputError) as caught:
            load_instrument(name)
        assert says in str(caught.value)
    (tmp_path / "binary.toml").write_bytes(b"\xff\xfe\x00a")
    with pytest.raises(InputError, match="UTF-8"):
        load_instrument(tmp_path / "binary.toml")
    (tmp_path / "huge.toml").write_text("#" * 1_000_001)
    with pytest.raises(InputError, match="larger than 1 MB"):
        load_instrument(tmp_path / "huge.toml")


@pytest.mark.parametrize("name", instrument_names())
def test_shipped_instruments_load_and_repeat(name):
    instrument = load_instrument(name)
    assert instrument.name == name
    assert instrument.description
    assert len(instrument.description) <= 80
    assert str(int(instrument.telescope.aperture_mm)) in name
    assert load_instrument(name.upper()) == instrument
    assert hash(instrument) == hash(load_instrument(name))
    assert load_instrument(instrument) is instrument
    assert replace(instrument, name="other") != instrument


def test_shipped_instruments_span_what_people_own():
    instruments = [load_instrument(name) for name in instrument_names()]
    assert len(instruments) >= 14
    apertures = {round(instrument.telescope.aperture_mm) for instrument in instruments}
    assert {40, 60, 80, 102, 114, 127, 150, 200, 203, 250, 300} <= apertures
    assert {instrument.camera.is_mono for instrument in instruments} == {True, False}
    assert {instrument.mount.kind for instrument in instruments} == {"altazimuth", "equatorial"}
    assert any(instrument.mount.mirrored for instrument in instruments)
    for instrument in instruments:
        obstructed = instrument.telescope.obstruction_mm > 0
        assert obstructed == (not instrument.name.startswith("refractor"))


def test_sensor_grid_carries_scale_angle_and_mirror():
    instrument = load_instrument("refractor-60-diagonal")
    grid = instrument.sensor_grid(64, 80, parallactic_angle_deg=30.0)
    assert grid.shape == (64, 80)
    assert grid.pixel_arcsec == pytest.approx(206.265 * 2.9 / 700, rel=1e-6)
    assert (grid.angle_deg, grid.mirrored) == (30.0, True)
    assert load_instrument("newtonian-200").sensor_grid(parallactic_angle_deg=30.0).angle_deg == 0.0
    assert load_instrument("newtonian-200").sensor_grid().shape == (1096, 1936)


scalars = (
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats()
    | st.text(max_size=12)
    | st.sampled_from(["150 mm", "6 inch", "nan mm", "inf mm", "1e400 mm", "2 e-", "3 e-/DN", "5 mm/0", "mono", "RGGB"])
    | st.from_regex(r"[-+]?[0-9]{1,4}\.?[0-9]{0,3} ?[A-Za-z(/*^)0-9 -]{0,8}", fullmatch=True)
    | st.dates()
)
keys = st.sampled_from(
    ["name", "aperture", "focal_length", "obstruction", "vanes", "count", "width", "transmission", "wavefront_error",
     "aberrations", "coma", "amplifier", "pixel", "columns", "rows", "filter_array", "filters", "window",
     "quantum_efficiency", "read_noise", "read_noise_curve", "full_well", "bits", "gain", "offset", "kind", "mirrored"]
) | st.text(max_size=8)  # fmt: skip
values = st.recursive(
    scalars, lambda inner: st.lists(inner, max_size=3) | st.dictionaries(keys, inner, max_size=3), max_leaves=6
)
tables = st.dictionaries(keys, values, max_size=8)
words = st.lists(st.sampled_from([*GOOD.split(" "), '"', "[", "\n", "="]), max_size=40).map(" ".join)


def _complaint(document: str | dict) -> str | None:
    """What the reader says against a text or a table; any other error goes through and fails the test."""
    try:
        parse_instrument(document) if isinstance(document, str) else build_instrument(document)
    except InputError as error:
        return str(error)
    return None


@settings(max_examples=100, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.fixed_dictionaries({}, optional={"telescope": tables | scalars, "camera": tables | scalars, "mount": tables}))
def test_whatever_the_tables_hold_only_input_errors_come(document):
    assert _complaint(document) != ""


@settings(max_examples=200, deadline=None)
@given(st.data(), values)
def test_a_good_file_with_one_wrong_value_is_read_or_refused_in_words(data, value):
    document = tomllib.loads(GOOD)
    table = document[data.draw(st.sampled_from(["telescope", "camera", "mount"]))]
    known = {"defocus", "aberrations", "filters", "window", "read_noise_curve", "dark_current", "offset", *table}
    table[data.draw(st.sampled_from(sorted(known)))] = value
    assert _complaint(document) != ""


@settings(max_examples=150, deadline=None)
@given(st.text(max_size=60) | words)
def test_whatever_the_text_is_only_input_errors_come(text):
    assert _complaint(text)


@settings(max_examples=100, deadline=None)
@given(st.sampled_from(GOOD.splitlines()[1:]), st.text(max_size=10), st.integers(0, 40))
def test_a_good_file_with_one_line_spoiled_is_read_or_refused_in_words(line, junk, place):
    spoiled = line[:place] + junk + line[place:]
    assert _complaint(GOOD.replace(line, spoiled, 1)) != ""


def test_deep_nesting_is_refused_in_words():
    assert "valid TOML" in _sentence("a = " + "[" * 5000)
    assert "valid TOML" in _sentence("a = " + "1" * 5000)


def test_shipped_files_are_where_the_package_says():
    import simulate.instruments

    files = sorted(Path(simulate.instruments.__file__).parent.glob("data/*.toml"))
    assert {file.stem for file in files} == set(instrument_names())


class TestHostileFiles:
    """Whatever is in the file: a few short sentences, and no memory or time to speak of."""

    def told(self, tmp_path, text: str, peak_bytes: float = 30e6) -> str:
        path = tmp_path / "mine.toml"
        path.write_text(text)
        tracemalloc.start()
        with pytest.raises(InputError) as caught:
            load_instrument(path)
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        assert peak < peak_bytes
        assert len(str(caught.value)) < 10_000
        return str(caught.value)

    def test_many_faults_are_counted(self, tmp_path):
        unknown = "\n".join(f"k{number} = 1" for number in range(60_000))
        # the parser itself takes about 1 kB a key
        told = self.told(tmp_path, unknown, 120e6).splitlines()
        assert len(told) <= 21
        assert "k0: is not a known key" in told[2]
        assert told[-1].endswith("more faults of such kinds")

    def test_nesting_and_numbers_without_end(self, tmp_path):
        assert "nested deeper" in self.told(tmp_path, GOOD + "deep = " + "[" * 5000 + "]" * 5000)
        assert "nested deeper" in self.told(tmp_path, GOOD + ".".join("a" * 5000) + " = 1")
        assert "10000 characters" in self.told(tmp_path, GOOD + "tall = " + "9" * 10_000)
        assert "characters" in self.told(tmp_path, GOOD.replace("columns = 1936", "columns = 0x" + "f" * 900_000))

    def test_a_key_of_many_lines_stays_on_one(self, tmp_path):
        told = self.told(tmp_path, GOOD + '"a\\nb" = 1\n"' + "c" * 5000 + '" = 1\n')
        assert len(told.splitlines()) == 2

    def test_a_curve_of_millions_of_rows(self, tmp_path):
        rows = "".join(f"{300 + n * 1e-4:.4f},0.5\n" for n in range(200_000))
        (tmp_path / "curve.csv").write_text("wavelength_nm,mono\n" + rows)
        text = GOOD.replace('"RGGB"', '"mono"').replace("{ blue = 0.70, green = 0.80, red = 0.75 }", '"curve.csv"')
        assert "larger than 1 MB" in self.told(tmp_path, text)

    @pytest.mark.skipif(os.name != "posix", reason="pipes and devices are files there only")
    def test_pipes_and_devices(self, tmp_path):
        os.mkfifo(tmp_path / "pipe")
        text = GOOD.replace('"RGGB"', '"mono"')
        for name, word in (("pipe", "pipe"), ("/dev/zero", "device")):
            changed = text.replace("{ blue = 0.70, green = 0.80, red = 0.75 }", f'"{name}"')
            assert word in self.told(tmp_path, changed)
            with pytest.raises(InputError, match=word):
                load_instrument(tmp_path / name)
