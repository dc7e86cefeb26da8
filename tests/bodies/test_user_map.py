"""A user's own map: an asymmetric picture must come out where its maker meant it, faults in a sentence."""

from __future__ import annotations

import os
import tracemalloc
from pathlib import Path

import numpy as np
import png
import pytest
from astropy.io import fits
from PIL import Image

from simulate.bodies import load_body
from simulate.bodies.surface import surface_map
from simulate.bodies.user_map import LARGEST_COLUMNS, load_user_map
from simulate.errors import InputError

REFERENCE_MAPS = Path(__file__).parents[2] / "reference_maps"
ROWS, COLUMNS = 90, 180
ROW, COLUMN = 20, 130  # of a bright spot: 49 N as a map with north up, 81 deg east of the middle


def picture(dtype=np.uint8, scale=100):
    pixels = np.full((ROWS, COLUMNS), scale, dtype)
    pixels[ROW, COLUMN] = 2 * scale
    return pixels


def describe(path, **changes):
    keys = {
        "central_meridian_deg": 30,
        "longitude": "east",
        "latitude": "planetographic",
        "wavelengths_nm": 550,
        **changes,
    }
    lines = [f"{key} = {str(value).lower() if isinstance(value, bool) else repr(value)}" for key, value in keys.items()]
    path.with_suffix(".toml").write_text("\n".join(lines).replace("'", '"'))
    return path


def save(folder, name="map.png", **changes):
    path = folder / name
    Image.fromarray(picture()).save(path)
    return describe(path, **changes)


def brightest(surface):
    """Latitude and east longitude of the middle of the brightest places."""
    rows, columns = np.nonzero(surface.reflectance[0] > 0.99 * surface.reflectance[0].max())
    return surface.latitudes_deg[rows].mean(), surface.longitudes_deg[columns].mean()


@pytest.mark.parametrize(
    ("changes", "latitude", "longitude"),
    [
        # pixel centres: latitude 90 - (20 + 1/2) x 2 = 49; longitude (130 + 1/2) x 2 - 180 = 81 east of the middle
        ({}, 49, 30 + 81),
        ({"longitude": "west"}, 49, -30 + 81),
        ({"longitude": "west", "central_meridian_deg": 110}, 49, 360 - 110 + 81 - 360),
        ({"right": "west"}, 49, 360 + 30 - 81),
        ({"top": "south"}, -49, 30 + 81),
        ({"top": "south", "right": "west"}, -49, 360 + 30 - 81),
    ],
)
def test_asymmetric_picture_lands_where_it_was_meant(tmp_path, changes, latitude, longitude):
    surface = load_user_map(save(tmp_path, **changes), load_body("mars"))
    found = brightest(surface)
    assert found[0] == pytest.approx(latitude, abs=0.1)
    assert (found[1] - longitude + 180) % 360 - 180 == pytest.approx(0, abs=0.1)


def test_planetocentric_rows_move_on_a_flattened_body(tmp_path):
    jupiter = load_body("jupiter")
    surface = load_user_map(save(tmp_path, latitude="planetocentric"), jupiter)
    graphic = np.degrees(np.arctan(np.tan(np.radians(49)) * (71492 / 66854) ** 2))
    assert brightest(surface)[0] == pytest.approx(graphic, abs=1.0)
    assert graphic > 52
    assert surface.longitude_system == "II"


def test_mean_is_one_and_brightness_keeps_its_ratio(tmp_path):
    surface = load_user_map(save(tmp_path), load_body("mars"))
    weight = np.cos(np.radians(surface.latitudes_deg))
    assert np.average(surface.reflectance[0].mean(axis=1), weights=weight) == pytest.approx(1.0, abs=1e-4)
    # a node lies between four pixels, one of them twice as bright
    assert surface.reflectance.max() / np.median(surface.reflectance) == pytest.approx(1.25, rel=1e-3)


def colours():
    return np.stack([picture(np.uint16, 20000), picture(np.uint16, 10000), picture(np.uint16, 257)], axis=-1)


def test_sixteen_bit_colour_keeps_all_its_bits(tmp_path):
    path = tmp_path / "deep.png"
    pixels = colours()
    pixels[50, 60] = [20010, 10000, 257]  # a step that 8 bits cannot hold
    with path.open("wb") as file:
        png.Writer(COLUMNS, ROWS, bitdepth=16, greyscale=False).write(file, pixels.reshape(ROWS, -1))
    surface = load_user_map(describe(path, wavelengths_nm=[650, 550, 450]), load_body("mars"))
    assert list(surface.wavelengths_nm) == [450, 550, 650]
    red = surface.sample(90 - 50.5 * 2, 30 - 180 + 60.5 * 2)[2] / surface.sample(0.0, 0.0)[2]
    assert red == pytest.approx(1 + 10 / 20000 / 4, abs=3e-5)


@pytest.mark.parametrize(
    "kind", ["grey 16 bit png", "grey 16 bit tiff", "float tiff", "colour tiff", "fits", "fits cube"]
)
def test_every_kind_of_file(tmp_path, kind):
    wavelengths, name = 550, "map.png"
    if kind == "grey 16 bit png":
        Image.fromarray(picture(np.uint16, 30000)).save(tmp_path / name)
    elif kind == "grey 16 bit tiff":
        name = "map.tif"
        Image.fromarray(picture(np.uint16, 30000)).save(tmp_path / name)
    elif kind == "float tiff":
        name = "map.tiff"
        Image.fromarray(picture(np.float32, 3.5)).save(tmp_path / name)
    elif kind == "colour tiff":
        name, wavelengths = "map.tif", [650, 550, 450]
        Image.fromarray(np.repeat(picture()[:, :, None], 3, axis=2)).save(tmp_path / name)
    elif kind == "fits":
        name = "map.fits"
        fits.writeto(tmp_path / name, picture(np.float32, 0.2)[::-1])
    else:
        name, wavelengths = "map.fits", [450, 650]
        fits.writeto(tmp_path / name, np.stack([picture(np.float32, 0.2)[::-1]] * 2))
    surface = load_user_map(describe(tmp_path / name, wavelengths_nm=wavelengths), load_body("mars"))
    assert brightest(surface) == pytest.approx((49, 111), abs=0.1)
    assert surface.reflectance.max() / np.median(surface.reflectance) == pytest.approx(1.25, rel=2e-3)


def test_gamma_makes_numbers_linear(tmp_path):
    path = save(tmp_path, gamma=2.0)
    squared = load_user_map(path, load_body("mars"))
    # a picture twice as bright is four times as bright in light: a node sees (3 + 4) / 4
    assert squared.reflectance.max() / np.median(squared.reflectance) == pytest.approx(1.75, rel=1e-3)
    screen = load_user_map(describe(path, gamma="srgb"), load_body("mars"))
    # IEC 61966-2-1: 100 and 200 of 255 are 0.12744 and 0.57758 in light
    step = (3 + 0.57758 / 0.12744) / 4
    assert screen.reflectance.max() / np.median(screen.reflectance) == pytest.approx(step, rel=1e-3)


def test_toml_may_be_named_instead_of_the_picture(tmp_path):
    path = save(tmp_path)
    by_toml = load_user_map(path.with_suffix(".toml"), load_body("mars"))
    assert np.array_equal(by_toml.reflectance, load_user_map(path, load_body("mars")).reflectance)


@pytest.mark.parametrize(
    ("changes", "sentence"),
    [
        ({"longtude": "east"}, "did you mean 'longitude'"),
        ({"longitude": "left"}, "use one of east, west"),
        ({"latitude": "geographic"}, "planetographic, planetocentric"),
        ({"central_meridian_deg": "somewhere"}, "central_meridian_deg"),
        ({"wavelengths_nm": [650, 550]}, "has 1 colours"),
        ({"wavelengths_nm": -5}, "wavelengths_nm"),
        ({"gamma": "screen"}, "linear, srgb"),
        ({"gamma": 0}, "from 0.1 to 10"),
        ({"picture": "other.png"}, "there is no such file"),
        ({"picture": "map.jpg"}, "use PNG, TIFF or FITS"),
        ({"band": []}, "one \\[\\[band\\]\\] section"),
    ],
)
def test_faults_of_the_toml_are_told_in_a_sentence(tmp_path, changes, sentence):
    with pytest.raises(InputError, match=sentence):
        load_user_map(save(tmp_path, **changes), load_body("mars"))


@pytest.mark.parametrize("missing", ["central_meridian_deg", "longitude", "latitude", "wavelengths_nm"])
def test_a_missing_key_is_named(tmp_path, missing):
    path = save(tmp_path)
    toml = path.with_suffix(".toml")
    toml.write_text("\n".join(line for line in toml.read_text().splitlines() if not line.startswith(missing)))
    with pytest.raises(InputError, match=missing):
        load_user_map(path, load_body("mars"))


def test_faults_of_the_picture_are_told_in_a_sentence(tmp_path):
    mars = load_body("mars")
    path = tmp_path / "map.png"
    Image.fromarray(np.ones((90, 100), np.uint8)).save(path)
    with pytest.raises(InputError, match="twice as wide as high"):
        load_user_map(describe(path), mars)
    Image.new("1", (LARGEST_COLUMNS + 2, LARGEST_COLUMNS // 2 + 1)).save(path)
    with pytest.raises(InputError, match="smaller"):
        load_user_map(path, mars)
    path.write_bytes(b"no picture")
    with pytest.raises(InputError, match="give a PNG, TIFF or FITS file"):
        load_user_map(path, mars)
    Image.fromarray(np.zeros((90, 180), np.uint8)).save(path)
    with pytest.raises(InputError, match="black"):
        load_user_map(path, mars)
    Image.fromarray(picture()).save(tmp_path / "map.bmp")
    (tmp_path / "map.bmp").rename(path)
    with pytest.raises(InputError, match="BMP"):
        load_user_map(path, mars)
    fits.writeto(tmp_path / "map.fits", np.full((90, 180), np.nan))
    with pytest.raises(InputError, match="finite"):
        load_user_map(describe(tmp_path / "map.fits"), mars)
    with pytest.raises(InputError, match="central_meridian_deg, longitude, latitude, wavelengths_nm"):
        load_user_map(tmp_path / "lonely.png", mars)
    (tmp_path / "broken.toml").write_text("a = = 3")
    with pytest.raises(InputError, match="readable TOML"):
        load_user_map(tmp_path / "broken.toml", mars)


@pytest.mark.parametrize("packing", [None, "zlib"])
def test_colour_tiff_with_16_bits_is_the_same_map_as_the_png(tmp_path, packing):
    tifffile = pytest.importorskip("tifffile")
    pixels = colours()
    tifffile.imwrite(tmp_path / "map.tif", pixels, photometric="rgb", compression=packing)
    with (tmp_path / "deep.png").open("wb") as file:
        png.Writer(COLUMNS, ROWS, bitdepth=16, greyscale=False).write(file, pixels.reshape(ROWS, -1))
    maps = [
        load_user_map(describe(tmp_path / name, wavelengths_nm=[650, 550, 450]), load_body("mars"))
        for name in ("map.tif", "deep.png")
    ]
    assert np.array_equal(maps[0].reflectance, maps[1].reflectance)


class TestBounds:
    """Files that would fill the memory or never end are refused before the work, in one sentence."""

    def refused(self, path, word):
        tracemalloc.start()
        with pytest.raises(InputError, match=word) as caught:
            load_user_map(path, load_body("mars"))
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        assert "\n" not in str(caught.value)
        assert peak < 20e6

    def test_planes_of_a_fits_file(self, tmp_path):
        cards = [
            "SIMPLE  = T",
            "BITPIX  = 8",
            "NAXIS   = 3",
            "NAXIS1  = 4096",
            "NAXIS2  = 2048",
            "NAXIS3  = 140",
            "END",
        ]
        with (tmp_path / "map.fits").open("wb") as file:
            file.write("".join(card.ljust(80) for card in cards).ljust(2880).encode())
            file.truncate(2880 + 4096 * 2048 * 140)  # sparse: it takes no room on the disk
        self.refused(describe(tmp_path / "map.fits"), "140 planes")

    def test_wide_pictures_of_many_colours(self, tmp_path):
        Image.new("RGB", (LARGEST_COLUMNS, LARGEST_COLUMNS // 2)).save(tmp_path / "map.png")
        self.refused(describe(tmp_path / "map.png", wavelengths_nm=[650, 550, 450]), "5772 pixels wide in 3 colours")

    def test_many_files(self, tmp_path):
        path = save(tmp_path)
        band = '[[band]]\npicture = "map.png"\nwavelength_nm = 550\n'
        path.with_suffix(".toml").write_text(
            'central_meridian_deg = 0\nlongitude = "east"\nlatitude = "planetographic"\n' + band * 65
        )
        self.refused(path, "at most 64 colours")

    @pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no pipes here")
    def test_pipes(self, tmp_path):
        os.mkfifo(tmp_path / "map.toml")
        self.refused(tmp_path / "map.png", "pipe")
        (tmp_path / "map.toml").unlink()
        os.mkfifo(tmp_path / "pipe.png")
        self.refused(describe(tmp_path / "map.png", picture="pipe.png"), "pipe")


def test_built_map_read_as_a_users_map_is_the_same_face():
    saturn = load_body("saturn")
    own, built = load_user_map(REFERENCE_MAPS / "saturn.toml", saturn), surface_map(saturn)
    assert own.longitude_system == "III"
    latitude, longitude = np.linspace(-80, 80, 300)[:, None], np.linspace(0, 360, 200)[None, :]
    assert np.abs(own.sample(latitude, longitude) - built.sample(latitude, longitude)).max() < 0.03
