"""Recordings as other programs write them: order of rows, colours, pages, and files that are not whole."""

from __future__ import annotations

import json
import warnings

import numpy as np
import pytest
from astropy.io import fits
from PIL import Image

from simulate.errors import InputError, RecordingWarning
from simulate.stack.combine import StackWishes, stack_frames
from simulate.stack.doubts import looks_like_a_mosaic
from simulate.stack.reader import Facts, open_recording, turned_pattern

RNG = np.random.default_rng(11)


def planet(shape=(64, 72), count=12, offset=20.0) -> np.ndarray:
    """Raw frames of a disc that is not its own mirror image, with noise."""
    rows, columns = np.indices(shape)
    disc = 900.0 * (np.hypot(rows - 30, columns - 34) < 18) * (1 + 0.02 * (rows - 30))
    moon = 600.0 * (np.hypot(rows - 54, columns - 12) < 2)
    return np.rint(disc + moon + offset + RNG.normal(0, 5, (count, *shape))).clip(0).astype(np.uint16)


def coloured(frames: np.ndarray, pattern: str) -> np.ndarray:
    """The same behind a filter array whose letters belong to array rows 0 and 1."""
    shares = {"R": 1.0, "G": 0.7, "B": 0.4}
    mosaic = np.empty(frames.shape[1:])
    for place, letter in enumerate(pattern):
        mosaic[place // 2 :: 2, place % 2 :: 2] = shares[letter]
    return np.rint(20 + (frames - 20.0) * mosaic).clip(0).astype(np.uint16)


def write(path, frames, **cards) -> str:
    fits.PrimaryHDU(np.ascontiguousarray(frames), fits.Header(cards)).writeto(path)
    return str(path)


@pytest.mark.parametrize("rows", [64, 65])
def test_both_orders_of_rows_give_the_same_stack(tmp_path, rows):
    """The letters of the array, as camera software gives them, belong to the first rows as stored."""
    up = coloured(planet((rows, 72)), "RGGB")
    stored_first = "GBRG" if rows % 2 == 0 else "RGGB"
    cubes = [
        write(tmp_path / "up.fits", up, BAYERPAT="RGGB", ROWORDER="BOTTOM-UP"),
        write(tmp_path / "none.fits", up, BAYERPAT="RGGB"),
        write(tmp_path / "down.fits", up[:, ::-1], BAYERPAT=stored_first, ROWORDER="TOP-DOWN"),
    ]
    stacks = [stack_frames(open_recording(path), StackWishes(keep=1.0)) for path in cubes]
    for stack in stacks[1:]:
        np.testing.assert_array_equal(stack.picture, stacks[0].picture)
    # the planet is laid into the middle of the frame; its moon stands above and to the left of it
    above, below = (stacks[0].picture[:, part, 8:20].max(axis=(1, 2)) for part in (np.s_[50:62], np.s_[4:16]))
    assert np.all(above > 5 * below)


def test_told_letters_belong_to_the_stored_rows_too(tmp_path):
    up = coloured(planet(), "RGGB")
    for number, frame in enumerate(up):
        Image.fromarray(frame[::-1]).save(tmp_path / f"f{number}.tif")
    recording = open_recording(tmp_path, filter_array="GBRG")
    assert recording.facts.filter_array == "RGGB"
    np.testing.assert_array_equal(recording.numbers(3), up[3])
    light = stack_frames(recording, StackWishes(keep=1.0)).picture.sum(axis=(1, 2))
    np.testing.assert_allclose(light / light[0], [1.0, 0.7, 0.4], rtol=0.05)


def test_turned_twice_is_as_before():
    for pattern in ("RGGB", "BGGR", "GRBG", "GBRG"):
        for rows in (6, 7):
            assert turned_pattern(turned_pattern(pattern, rows), rows) == pattern


class TestColour:
    levels = np.array([1.0, 0.6, 0.3])

    def frames(self) -> np.ndarray:
        """(frames, 3, rows, columns)."""
        grey = planet(count=16)[:, None] - 20.0
        return np.rint(20 + grey * self.levels[:, None, None]).clip(0).astype(np.uint16)

    def check(self, path) -> None:
        recording = open_recording(path)
        assert recording.facts.filter_array == "colour"
        assert (recording.frames, recording.shape) == (16, (64, 72))
        stack = stack_frames(recording, StackWishes(keep=1.0))
        assert stack.channel_names == ("red", "green", "blue")
        light = stack.picture.sum(axis=(1, 2))
        np.testing.assert_allclose(light / light[0], self.levels, rtol=0.03)
        assert stack.picture[0, 50:62, 8:20].max() > 5 * stack.picture[0, 4:16, 8:20].max()
        drops = stack_frames(recording, StackWishes(keep=1.0, factor=1.5))
        assert drops.picture.shape == (3, 96, 108)

    @pytest.mark.parametrize("axes", [(0, 1, 2, 3), (0, 2, 3, 1), (1, 0, 2, 3)])
    def test_cubes_with_the_colours_on_any_axis(self, tmp_path, axes):
        self.check(write(tmp_path / "c.fits", np.transpose(self.frames(), axes)))

    @pytest.mark.parametrize("bits", [8, 16])
    def test_frames(self, tmp_path, bits):
        tifffile = pytest.importorskip("tifffile")
        for number, frame in enumerate(self.frames()):
            picture = np.moveaxis(frame, 0, -1)[::-1]
            picture = (picture // 4).astype(np.uint8) if bits == 8 else picture
            tifffile.imwrite(tmp_path / f"{number}.tif", picture, photometric="rgb")
        if bits == 8:
            assert open_recording(tmp_path).facts.saturation_dn == 255
            np.testing.assert_array_equal(open_recording(tmp_path).numbers(10), self_frames_8(self.frames(), tmp_path))
        else:
            self.check(tmp_path)

    def test_letters_do_not_fit(self, tmp_path):
        path = write(tmp_path / "c.fits", self.frames())
        with pytest.raises(InputError, match="three colours in every pixel"):
            open_recording(path, filter_array="RGGB")


def self_frames_8(frames: np.ndarray, folder) -> np.ndarray:
    """Frame 10 as another library reads it, files in the order of their numbers."""
    import imageio.v3 as iio

    assert frames.shape[0] > 10
    return np.moveaxis(iio.imread(folder / "10.tif")[::-1], -1, 0)


@pytest.mark.parametrize("wrapped", [False, True])
def test_a_file_of_many_pages(tmp_path, wrapped):
    frames = planet(count=7)
    path = tmp_path / "pages.tif"
    first, *others = (Image.fromarray(frame[::-1]) for frame in frames)
    first.save(path, save_all=True, append_images=others)
    recording = open_recording(tmp_path if wrapped else path)
    assert recording.frames == 7
    for number in (6, 0, 3):
        np.testing.assert_array_equal(recording.numbers(number), frames[number])


def test_one_file_of_a_folder_opens_its_folder(tmp_path):
    for number, frame in enumerate(planet(count=11)):
        Image.fromarray(frame).save(tmp_path / f"f{number}.tif")
    assert open_recording(tmp_path / "f3.tif").frames == 11


def test_the_description_of_our_own_frames_tells_the_rest(tmp_path):
    told = {"SWCREATE": "simulate", "EGAIN": 1.5, "EXPTIME": 0.01, "OBJECT": "mars", "BAYERPAT": "GBRG"}
    for text, gain in ((json.dumps(told), 1.5), (json.dumps({"EGAIN": 9.0}), None), ("a note", None)):
        Image.fromarray(planet(count=1)[0]).save(tmp_path / "f.tif", tiffinfo={270: text})
        facts = open_recording(tmp_path).facts
        assert facts.gain_e_per_dn == gain
    Image.fromarray(planet(count=1)[0]).save(tmp_path / "f.tif", tiffinfo={270: json.dumps(told)})
    facts = open_recording(tmp_path).facts
    assert (facts.exposure_s, facts.body, facts.filter_array) == (0.01, "mars", "RGGB")


class TestDoubts:
    def test_values_that_are_no_numbers(self, tmp_path):
        frames = planet().astype(np.float32)
        frames[3, 5, 5] = np.nan
        path = write(tmp_path / "c.fits", frames)
        with pytest.raises(InputError, match="frame 4 holds values that are no numbers"):
            stack_frames(open_recording(path, offset_dn=0.0))

    @pytest.mark.parametrize("kind", [np.uint16, np.float32])
    def test_a_file_that_was_cut_off_gives_its_whole_frames(self, tmp_path, kind):
        frames = planet().astype(kind)
        path = tmp_path / "c.fits"
        write(path, frames)
        whole = path.read_bytes()
        path.write_bytes(whole[: 2880 + round(5.5 * frames[0].nbytes)])
        with warnings.catch_warnings(record=True) as seen:
            warnings.simplefilter("always")
            recording = open_recording(path)
        assert [type(w.message) for w in seen] == [RecordingWarning]
        assert "5 of its 12 frames" in str(seen[0].message)
        assert recording.frames == 5
        np.testing.assert_array_equal(recording.numbers(4), frames[4])
        path.write_bytes(whole[:4000])
        with pytest.raises(InputError, match="cut off"):
            open_recording(path)

    def test_noise_alone(self, tmp_path):
        path = write(tmp_path / "n.fits", RNG.normal(100, 5, (20, 64, 64)).astype(np.float32))
        with pytest.warns(RecordingWarning, match="nothing stands out"):
            stack_frames(open_recording(path))

    def test_raw_frames_of_a_colour_camera_that_nobody_told_of(self, tmp_path):
        frames = coloured(planet(), "GRBG")
        with pytest.warns(RecordingWarning, match="--filter-array"):
            stack_frames(open_recording(write(tmp_path / "c.fits", frames)))

    def test_a_grey_planet_and_a_coarse_star_are_no_mosaic(self):
        assert not looks_like_a_mosaic(planet().mean(axis=0))
        star = np.zeros((64, 64))
        star[31, 30] = 1000.0
        assert not looks_like_a_mosaic(star + RNG.normal(0, 1, star.shape))
        assert looks_like_a_mosaic(coloured(planet(), "RGGB").mean(axis=0))

    @pytest.mark.parametrize("name", ["x.ser", "x.avi", "x.png", "x"])
    def test_unknown_formats_are_told_what_can_be_read(self, tmp_path, name):
        (tmp_path / name).write_bytes(b"RIFF" + bytes(400))
        with pytest.raises(InputError, match="a FITS cube, a folder of TIFF frames or a TIFF file of many pages"):
            open_recording(tmp_path / name)

    def test_axes_in_another_order(self, tmp_path):
        with pytest.raises(InputError, match="rows and columns at least"):
            open_recording(write(tmp_path / "c.fits", np.zeros((40, 40, 3), np.uint8)))


def test_seeing_of_zero_is_known_and_what_is_told_goes_before_the_header(tmp_path):
    assert Facts(aperture_mm=100.0, seeing_arcsec=0.0).fried_m == np.inf
    path = write(tmp_path / "c.fits", planet(), DR0=3.0, APTDIA=100.0)
    told = open_recording(path, seeing_arcsec=1.0).facts.fried_m
    assert told is not None
    # 0.98 lambda / seeing = 0.111 m at 550 nm but for the outer scale, which makes r0 smaller for the same seeing
    assert 0.07 < told < 0.115
    assert open_recording(path).facts.fried_m == pytest.approx(0.1 / 3)


class TestOddRecordings:
    """What a file or a user may tell, and what no instrument can have."""

    @pytest.mark.parametrize(
        ("told", "word"),
        [
            ({"exposure_s": 1e-300}, "exposure: 1e-300 cannot be used; give a value from 1e-06 to 100000 s"),
            ({"pixel_arcsec": 1e-9}, "pixel scale"),
            ({"aperture_mm": 0.001}, "aperture"),
            ({"gain_e_per_dn": 1e300}, "gain"),
        ],
    )
    def test_values_that_no_instrument_has_are_refused(self, tmp_path, told, word):
        path = write(tmp_path / "c.fits", planet())
        with pytest.raises(InputError, match=word):
            open_recording(path, **told)

    def test_such_values_of_a_header_are_left_aside(self, tmp_path):
        path = write(tmp_path / "c.fits", planet(), EXPTIME=1e-300, PIXSCALE=-3.0, APTDIA=True, EGAIN=2.0)
        with pytest.warns(RecordingWarning, match="is left aside"):
            facts = open_recording(path).facts
        assert (facts.exposure_s, facts.pixel_arcsec, facts.aperture_mm, facts.gain_e_per_dn) == (None, None, None, 2.0)

    def test_a_frame_smaller_than_the_finest_detail(self, tmp_path):
        path = write(tmp_path / "c.fits", planet())
        with pytest.raises(InputError, match="a whole frame is smaller than the finest detail"):
            stack_frames(open_recording(path, pixel_arcsec=0.002, aperture_mm=100.0))

    def test_numbers_beyond_any_camera(self, tmp_path):
        frames = planet().astype(np.float32)
        frames[2, 5, 5] = 1e30
        with pytest.raises(InputError, match=r"frame 3 holds 1e\+30"):
            stack_frames(open_recording(write(tmp_path / "c.fits", frames), offset_dn=0.0))

    def test_air_that_hardly_moves_is_still(self):
        assert Facts(aperture_mm=100.0, seeing_arcsec=1e-300).fried_m == np.inf

    def test_a_folder_with_a_pipe_in_it(self, tmp_path):
        import os

        if not hasattr(os, "mkfifo"):
            pytest.skip("no pipes here")
        Image.fromarray(planet(count=1)[0]).save(tmp_path / "f1.tif")
        os.mkfifo(tmp_path / "f2.tif")
        with pytest.raises(InputError, match="pipe"):
            open_recording(tmp_path)

    def test_large_frames_are_refused_before_they_are_read(self, tmp_path):
        cards = [
            "SIMPLE  = T",
            "BITPIX  = 16",
            "NAXIS   = 3",
            "NAXIS1  = 9400",
            "NAXIS2  = 9400",
            "NAXIS3  = 130",
            "END",
        ]
        with (tmp_path / "c.fits").open("wb") as file:
            file.write("".join(card.ljust(80) for card in cards).ljust(2880).encode())
            file.truncate(2880 + 9400 * 9400 * 2 * 130)  # sparse: it takes no room on the disk
        with pytest.raises(InputError, match="9400 x 9400 pixels, more than 12 million"):
            open_recording(tmp_path / "c.fits")

    def test_a_stack_may_not_fill_the_memory(self, tmp_path, monkeypatch):
        monkeypatch.setattr("simulate.stack.combine.MOST_CELLS", 64 * 72 * 3 * 1.2**2)
        path = write(tmp_path / "c.fits", coloured(planet(count=200), "RGGB"), BAYERPAT="RGGB")
        recording = open_recording(path, pixel_arcsec=1.0, aperture_mm=150.0)
        with pytest.raises(InputError, match="million cells"):
            stack_frames(recording, StackWishes(factor=2.0))
        with pytest.warns(RecordingWarning, match="fill the memory"):
            stack = stack_frames(recording, StackWishes(keep=1.0))
        assert stack.laid.factor == pytest.approx(1.2, abs=0.02)
