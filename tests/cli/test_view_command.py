"""`simulate view` at the command line: files, JSON contract, one sentence for each kind of bad input."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from astropy.io import fits
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from PIL import Image

from simulate.cli import main

QUICK = ["mars", "--instrument", "refractor-60", "--time", "2027-02-19T00:00"]


def run(capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str, str]:
    code = main(list(words))
    shown = capsys.readouterr()
    return code, shown.out, shown.err


def test_one_pairing_writes_a_sheet_and_a_fits_file(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = run(capsys, "view", *QUICK, "--output", str(tmp_path), "--json")
    assert code == 0, err
    document = json.loads(out)
    files = document["views"][0]["files"]
    assert Path(files["sheet"]).name == "mars_refractor-60_20270219T000000Z.png"
    with Image.open(files["sheet"]) as sheet:
        assert sheet.width >= 1200
    with fits.open(files["fits"], checksum=True) as units:
        assert [unit.name for unit in units][1:] == ["TRUTH", "EXPECTED", "FRAME", "STACK", "FINISHED", "PSF"]
        assert units["PSF"].data.sum() == pytest.approx(1.0, abs=1e-3)
        assert units["FRAME"].data.dtype.kind in "ui"
    assert sorted(path.suffix for path in tmp_path.iterdir()) == [".fits", ".png"]


def test_json_holds_every_key_of_the_contract(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    words = ["view", "jupiter", "--instrument", "refractor-40", "--time", "2027-02-14T12:00", "--red-spot", "100"]
    site = ["--site", "-41.3,174.8,20", "--output", str(tmp_path), "--json"]
    code, out, err = run(capsys, *words, *site)
    assert code == 0, err
    document = json.loads(out)
    assert set(document) >= {"inputs", "warnings", "views"}
    shown = document["views"][0]
    assert {"body", "instrument", "time", "geometry", "optics", "exposure", "features", "files"} <= set(shown)
    geometry = shown["geometry"]
    for key in (
        "equatorial_diameter_arcsec", "polar_diameter_arcsec", "distance_au", "phase_angle_deg",
        "illuminated_fraction", "north_pole_position_angle_deg", "bright_limb_position_angle_deg",
        "sub_observer_latitude_deg", "sub_solar_latitude_deg", "magnitude", "elongation_deg", "altitude_deg",
        "azimuth_deg", "airmass", "parallactic_angle_deg",
    ):  # fmt: skip
        assert isinstance(geometry[key], (int, float)), key
    assert set(geometry["central_meridian_deg"]) == {"I", "II", "III"}
    assert geometry["ring_opening_deg"] is None
    assert {moon["name"] for moon in geometry["moons"]} == {"io", "europa", "ganymede", "callisto"}
    assert {moon["state"] for moon in geometry["moons"]} <= {"clear", "transit", "occulted", "eclipsed"}
    for key in (
        "pixel_scale_arcsec", "diffraction_fwhm_arcsec", "delivered_fwhm_arcsec", "critical_focal_ratio",
        "sampling_ratio", "dispersion_arcsec",
    ):  # fmt: skip
        assert shown["optics"][key] > 0, key
    assert {
        "exposure_s", "gain_e_per_dn", "peak_electrons", "peak_fraction", "frames", "kept", "seconds",
    } <= set(shown["exposure"])  # fmt: skip


def test_several_pairings_add_one_montage_and_a_set_body_does_not_stop_the_others(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    # at this instant Mars stands in the north at this place, and Venus is below the horizon
    words = ["view", "mars", "venus", "--instrument", "refractor-40", "--instrument", "refractor-60"]
    place = ["--time", "2027-02-14T12:00", "--site=-41.3,174.8,20", "--output", str(tmp_path), "--json"]
    code, out, err = run(capsys, *words, *place)
    assert code == 0, err
    document = json.loads(out)
    assert [shown["body"] for shown in document["views"]] == ["mars", "mars"]
    assert any("Venus is" in text and "next rises" in text for text in document["warnings"])
    assert Path(document["files"]["montage"]).exists()


def test_the_best_moment_of_a_night_is_after_dusk_at_the_site(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ["view", "mars", "--instrument", "refractor-40", "--night", "2027-02-14", "--site", "-41.3,174.8,20"]
    code, out, err = run(capsys, *words, "--output", str(tmp_path), "--json")
    assert code == 0, err
    shown = json.loads(out)["views"][0]
    assert shown["geometry"]["sun_altitude_deg"] < -12
    # highest in the north around local midnight, half a day off Greenwich
    assert shown["time"].startswith("2027-02-14T1")
    assert shown["geometry"]["azimuth_deg"] == pytest.approx(0, abs=3) or shown["geometry"]["azimuth_deg"] > 357


def test_text_output_fits_eighty_columns_and_json_is_alone_on_standard_output(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code, out, _ = run(capsys, "view", *QUICK, "--output", str(tmp_path / "o"))
    assert code == 0
    assert all(len(line) <= 80 for line in out.splitlines() if "sheet" not in line and "FITS" not in line)
    assert "Mars" in out


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["jupter"], "did you mean 'jupiter'"),
        (["sun"], "certified filter"),
        (["mars", "--instrument", "newtonian-155"], "newtonian-150"),
        (["mars", "--seeing", "2 mm"], "seeing"),
        (["mars", "--seeing", "-2 arcsec"], "seeing"),
        (["mars", "--seeing", "nan"], "seeing"),
        (["mars", "--time", "2032-13-40"], "time"),
        (["mars", "--time", "1066-10-14T09:00"], "time"),
        (["mars", "--time", "now", "--night", "2027-02-14"], "not allowed with"),
        (["mars", "--night", "2027-02-14"], "--site"),
        (["mars", "--site", "95,10", "--time", "2027-02-14"], "latitude"),
        (["mars", "--site", "somewhere", "--time", "2027-02-14"], "site"),
        (["mars", "--exposure", "10 m"], "--exposure"),
        (["mars", "--exposure", "0 ms"], "--exposure"),
        (["mars", "--frames", "many"], "--frames"),
        (["mars", "--frames", "-5"], "frames"),
        (["mars", "--keep", "1.5"], "keep"),
        (["mars", "--gain", "1 e-"], "--gain"),
        (["mars", "--dust", "3"], "--dust"),
        (["mars", "--without", "red spot"], "red spot"),
        (["mars", "--field", "5 mm"], "--field"),
        (["mars", "--ephemeris", "guess"], "ephemeris"),
        (["mars", "--colour"], "--colour"),
        (["mars", "--map", "no-such.toml"], "no-such.toml"),
        ([], "BODY"),
    ],
)
def test_bad_input_is_one_sentence_exit_code_two_and_nothing_written(
    words: list[str], said: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "results"
    time = [] if {"--time", "--night"} & set(words) else ["--time", "2027-02-19T00:00"]
    code, out, err = run(capsys, "view", *words, *time, "--output", str(folder))
    assert code == 2, err
    assert out == ""
    assert said in err
    assert "Traceback" not in err
    assert not folder.exists() or not any(folder.iterdir())


def test_a_file_in_the_way_of_the_folder_is_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "taken").write_text("mine")
    code, _, err = run(capsys, "view", *QUICK, "--output", str(tmp_path / "taken"))
    assert code == 2
    assert "file of that name is in the way" in err
    assert (tmp_path / "taken").read_text() == "mine"


def test_a_body_below_the_horizon_alone_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, _, err = run(
        capsys, "view", "mars", "--time", "2027-02-14T00:30", "--site=-41.3,174.8", "--output", str(tmp_path)
    )
    assert code == 2
    assert "it next rises at 2027-02-14" in err


def test_the_same_call_writes_the_same_bytes(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    written = []
    for name in ("one", "two"):
        assert run(capsys, "view", *QUICK, "--output", str(tmp_path / name))[0] == 0
        written.append({path.name: path.read_bytes() for path in (tmp_path / name).iterdir()})
    assert written[0] == written[1]


WORDS = st.one_of(
    st.text(max_size=12),
    st.sampled_from(
        ["mars", "--time", "--site", "--seeing", "-1,2", "--night", "2027-02-14", "--keep", "0.5", "--json"]
    ),
)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(words=st.lists(WORDS, max_size=6))
@example(words=["--time", "", ""])
@example(words=["", " ", "--seeing="])
def test_no_command_line_ends_in_a_traceback(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], words: list[str]
) -> None:
    # a body that is no body keeps every line short of computing
    code, _, err = run(capsys, "view", "nobody", *words, "--output", str(tmp_path))
    assert code in (0, 2)
    assert "fault of this program" not in err
