"""The command that lists and explains instruments."""

import json

import pytest

from simulate.cli import main
from simulate.instruments import instrument_names


def test_list_names_all_and_fits_a_page(capsys):
    assert main(["instruments"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert max(map(len, lines)) <= 80
    assert [line.split()[0] for line in lines if not line.startswith(" ")] == list(instrument_names())


@pytest.mark.parametrize("name", instrument_names())
def test_explanation_fits_a_page_and_names_the_scale(capsys, name):
    assert main(["instruments", name]) == 0
    text = capsys.readouterr().out
    assert max(map(len, text.splitlines())) <= 80
    assert text.startswith(name + "\n")
    assert "pixel scale" in text
    assert "\x1b" not in text


def test_json_is_one_object_and_nothing_else(capsys):
    assert main(["instruments", "newtonian-150", "refractor-60", "--json"]) == 0
    captured = capsys.readouterr()
    document = json.loads(captured.out)
    assert [entry["name"] for entry in document["instruments"]] == ["newtonian-150", "refractor-60"]
    implied = document["instruments"][0]["implies"]
    assert implied["pixel_scale_arcsec"] == pytest.approx(206.265 * 2.9 / 2400, rel=1e-5)
    assert implied["critical_focal_ratio"] == pytest.approx(10.545, abs=0.001)
    assert captured.err == ""


def test_wrong_file_is_told_every_fault_and_ends_with_two(capsys, tmp_path):
    file = tmp_path / "own.toml"
    file.write_text('[telescope]\naperture = 150\n[camera]\npixel = "2.9 um"\n')
    assert main(["instruments", str(file)]) == 2
    captured = capsys.readouterr()
    assert captured.out == ""
    for part in ("telescope.aperture", "telescope.focal_length", "camera.columns", "camera.rows"):
        assert part in captured.err
    assert main(["instruments", "newtonian-15"]) == 2
    assert "did you mean 'newtonian-150'?" in capsys.readouterr().err


def test_a_terminal_gets_tables_of_the_same_facts(capsys, monkeypatch):
    monkeypatch.setattr("sys.stdout.isatty", lambda: True, raising=False)
    monkeypatch.setenv("COLUMNS", "100")
    monkeypatch.setenv("NO_COLOR", "1")
    assert main(["instruments"]) == 0
    assert main(["instruments", "newtonian-150-fast"]) == 0
    text = capsys.readouterr().out
    assert "newtonian-150-fast" in text
    assert "0.798 arcsec" in text
