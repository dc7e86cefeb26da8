"""The maps of ``reference_maps/`` are what the recipe builds, to the byte."""

from __future__ import annotations

import io
import zlib
from pathlib import Path

import numpy as np
import png
import pytest
from build_maps import CHECKSUMS, FULL, built_files, main
from PIL import Image

from simulate.bodies import load_body
from simulate.bodies.surface import surface_map
from simulate.values.png import grey_png

MEASURED = ("jupiter_structure.png", "mars_ground.png", "moon_albedo.png")
FOLDER = Path(__file__).parents[2] / "reference_maps"


@pytest.fixture(scope="module")
def built():
    return dict(built_files())


def pixels(content):
    with Image.open(io.BytesIO(content)) as image:
        return np.asarray(image)


def test_stored_maps_are_what_the_recipe_builds(built):
    stored = {path.name for path in FOLDER.iterdir() if path.is_file()} - {"PROVENANCE.md", CHECKSUMS, *MEASURED}
    assert stored == set(built)
    for name, content in built.items():
        on_disc = (FOLDER / name).read_bytes()
        if name.endswith(".png"):
            assert np.array_equal(pixels(on_disc), pixels(content)), name
        else:
            assert on_disc == content, name


def test_stored_bytes_are_the_same_with_the_same_zlib(built):
    lines = (FOLDER / CHECKSUMS).read_text().splitlines()
    assert [line.split("  ")[1] for line in lines[1:]] == list(built)
    if lines[0] != f"zlib {zlib.ZLIB_RUNTIME_VERSION}":
        pytest.skip("packed by another release of zlib; the pixels are compared above")
    for name, content in built.items():
        assert (FOLDER / name).read_bytes() == content, name


def test_stored_maps_are_small():
    assert sum(path.stat().st_size for path in FOLDER.iterdir()) < 8e6


def test_picture_is_turned_as_it_says():
    # Mercury's Solitudo places stand in no outside table at this precision: the map itself, read by its rules
    red = pixels((FOLDER / "mercury_red.png").read_bytes())
    text = (FOLDER / "mercury.toml").read_text()
    full_scale = float(text.rsplit("full_scale = ", 1)[1])
    rows, columns = red.shape
    place = 90 - (rows // 3 + 0.5) * 180 / rows, (columns // 5 + 0.5) * 360 / columns
    exact = surface_map(load_body("mercury")).sample(*place)[-1]
    assert red[rows // 3, columns // 5] / FULL * full_scale == pytest.approx(exact, abs=full_scale / FULL)


def test_writer_is_read_back_by_independent_readers():
    values = np.random.default_rng(1).integers(0, 65536, (12, 24)).astype(np.uint16)
    content = grey_png(values)
    assert np.array_equal(pixels(content), values)
    width, height, rows, info = png.Reader(bytes=content).read()
    assert (width, height, info["bitdepth"], info["greyscale"]) == (24, 12, 16, True)
    assert np.array_equal(np.vstack([np.asarray(row) for row in rows]), values)


def test_command_writes_the_folder(tmp_path, monkeypatch, capsys):
    monkeypatch.setattr("build_maps.body_names", lambda: ("io",))
    assert main([str(tmp_path / "maps")]) == 0
    assert "io.toml" in {path.name for path in (tmp_path / "maps").iterdir()}
    assert "5 files" in capsys.readouterr().out
