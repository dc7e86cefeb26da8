"""Files that survive: resumed after any cut to the same bytes, valid on a full disk, read by others."""

from __future__ import annotations

import contextlib
import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image

from simulate.errors import InputError
from simulate.recording.exports import (
    as_numbers,
    read_cube,
    refuse_foreign_frames,
    shown,
    write_tiff_frames,
    write_video,
)
from simulate.recording.files import BLOCK, CubeFile, CubeLayout, TruthPicture, inputs_hash, write_truth
from simulate.recording.frames import ROW

LAYOUT = CubeLayout((20, 30), 12, (("OBJECT", "test", ""), ("INHASH", "abc", "")))


def frame(number: int) -> np.ndarray:
    return np.random.default_rng(number).integers(0, 65536, LAYOUT.shape, dtype=np.uint16)


def row(number: int) -> np.ndarray:
    rows = np.zeros(1, ROW)
    rows["frame"], rows["tilt_row"] = number, number / 3
    return rows


def fill(cube: CubeFile, until: int) -> None:
    for number in range(cube.done, until):
        cube.append(frame(number)[None], row(number))


def whole(folder) -> bytes:
    cube = CubeFile(folder / "whole.fits", LAYOUT)
    fill(cube, LAYOUT.frames)
    cube.finish()
    return cube.path.read_bytes()


def test_another_program_reads_it(tmp_path):
    whole(tmp_path)
    with fits.open(tmp_path / "whole.fits") as hdus:
        hdus.verify("exception")
        assert hdus[0].data.dtype == np.uint16
        np.testing.assert_array_equal(hdus[0].data[7], frame(7))
        assert hdus[0].header["OBJECT"] == "test"
    assert (tmp_path / "whole.fits").stat().st_size % BLOCK == 0
    np.testing.assert_array_equal(as_numbers(read_cube(tmp_path / "whole.fits"))[3], frame(3))


@settings(max_examples=30, deadline=None)
@given(cube_cut=st.integers(0, 20000), rows_cut=st.integers(0, 400))
def test_resumes_after_any_cut_to_the_same_bytes(tmp_path_factory, cube_cut, rows_cut):
    folder = tmp_path_factory.mktemp("cut")
    wanted = whole(folder)
    cube = CubeFile(folder / "cut.fits", LAYOUT)
    fill(cube, 9)
    cube.close()
    for path, size in ((cube.part, cube_cut), (cube.rows_part, rows_cut)):
        data = path.read_bytes()
        path.write_bytes(data[: min(size, len(data))])
    again = CubeFile(folder / "cut.fits", LAYOUT, resume=True)
    assert again.done <= 9
    fill(again, LAYOUT.frames)
    rows = again.rows()
    again.finish()
    assert again.path.read_bytes() == wanted
    np.testing.assert_array_equal(rows["frame"], np.arange(LAYOUT.frames))


FULL_DISK = """
import resource, signal, sys
sys.path.insert(0, {folder!r})
from pathlib import Path
from test_files import CubeFile, LAYOUT, fill
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
cube = CubeFile(Path({path!r}), LAYOUT)
resource.setrlimit(resource.RLIMIT_FSIZE, ({limit}, {limit}))
try:
    fill(cube, LAYOUT.frames)
    cube.finish()
except OSError as error:
    print(error.strerror)
"""


@pytest.mark.skipif(sys.platform == "win32", reason="limits of file sizes are a matter of POSIX")
@pytest.mark.parametrize("limit", [4321, 9000, 9900, 12345, 17279])
def test_a_full_disk_leaves_a_valid_shorter_file(tmp_path, limit):
    wanted = whole(tmp_path)
    path = tmp_path / "full.fits"
    from pathlib import Path

    code = FULL_DISK.format(folder=str(Path(__file__).parent), path=str(path), limit=limit)
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert "--resume" in done.stdout
    fitting = max(0, limit - BLOCK) // LAYOUT.frame_bytes
    if path.exists():
        with fits.open(path) as hdus:
            hdus.verify("exception")
            assert 0 < len(hdus[0].data) <= fitting
            for number, data in enumerate(hdus[0].data):
                np.testing.assert_array_equal(data, frame(number))
    else:
        assert fitting <= 2  # padding to whole blocks may take the place of the frames
    again = CubeFile(path, LAYOUT, resume=True)
    fill(again, LAYOUT.frames)
    again.finish()
    assert path.read_bytes() == wanted


class TestInTheWay:
    def test_a_finished_recording(self, tmp_path):
        whole(tmp_path)
        with pytest.raises(InputError, match="in the way"):
            CubeFile(tmp_path / "whole.fits", LAYOUT)
        assert CubeFile(tmp_path / "whole.fits", LAYOUT, resume=True).complete

    def test_other_settings(self, tmp_path):
        whole(tmp_path)
        other = CubeLayout(LAYOUT.shape, LAYOUT.frames, (("OBJECT", "test", ""), ("INHASH", "xyz", "")))
        with pytest.raises(InputError, match="other settings"):
            CubeFile(tmp_path / "whole.fits", other, resume=True)

    def test_something_else(self, tmp_path):
        (tmp_path / "a.fits").write_bytes(b"x" * 5000)
        with pytest.raises(InputError, match="other settings"):
            CubeFile(tmp_path / "a.fits", LAYOUT, resume=True)


def test_truth_file_holds_picture_rows_and_inputs(tmp_path):
    picture = TruthPicture(np.arange(24, dtype=np.float32).reshape(2, 3, 4), 0.1, ("red", "blue"))
    rows = np.concatenate([row(n) for n in range(5)])
    inputs = {"body": "mars", "seed": 3}
    write_truth(tmp_path / "t.fits", picture, rows, inputs)
    with fits.open(tmp_path / "t.fits") as hdus:
        hdus.verify("exception")
        np.testing.assert_array_equal(hdus["TRUTH"].data, picture.values)
        assert hdus["TRUTH"].header["CHAN2"] == "blue"
        np.testing.assert_allclose(hdus["FRAMES"].data["tilt_row"], np.arange(5) / 3, rtol=1e-6)
        assert json.loads(hdus["INPUTS"].data["json"][0]) == inputs


def test_hash_changes_with_any_input():
    assert inputs_hash({"a": 1, "b": 2}) == inputs_hash({"b": 2, "a": 1}) != inputs_hash({"a": 1, "b": 3})


def test_tiff_frames_hold_the_same_numbers(tmp_path):
    import imageio.v3 as iio

    whole(tmp_path)
    assert write_tiff_frames(tmp_path / "whole.fits", tmp_path / "frames") == 12
    files = sorted((tmp_path / "frames").iterdir())
    assert len(files) == 12
    picture = iio.imread(files[4])
    assert picture.dtype == np.uint16
    np.testing.assert_array_equal(picture[::-1], frame(4))


@pytest.mark.parametrize(("rows", "pattern"), [(20, "GBRG"), (21, "RGGB")])
def test_tiff_frames_tell_what_is_true_of_them_turned(tmp_path, rows, pattern):
    cards = (("OBJECT", "mars", ""), ("EGAIN", 1.5, ""), ("BAYERPAT", "RGGB", ""), ("SWCREATE", "simulate", ""))
    cube = CubeFile(tmp_path / "a.fits", CubeLayout((rows, 30), 2, cards))
    letters = np.tile([[0, 1], [2, 3]], (11, 15))[:rows].astype(np.uint16)  # R G / G B, the lowest row first
    for number in range(2):
        cube.append(letters[None], row(number))
    cube.finish()
    write_tiff_frames(cube.path, tmp_path / "frames")
    with Image.open(tmp_path / "frames" / "frame_00001.tif") as image:
        told, top = json.loads(image.tag_v2[270]), np.asarray(image)[:2, :2]
    assert told == {"OBJECT": "mars", "EGAIN": 1.5, "BAYERPAT": pattern, "SWCREATE": "simulate", "ROWORDER": "TOP-DOWN"}
    assert "".join("RGGB"[int(n)] for n in top.ravel()) == pattern


def test_video_is_lossless_but_for_the_lower_bits(tmp_path):
    pytest.importorskip("imageio_ffmpeg")
    import imageio.v3 as iio

    whole(tmp_path)
    write_video(tmp_path / "whole.fits", tmp_path / "a.avi", 25.0, 16)
    frames = iio.imread(tmp_path / "a.avi", plugin="FFMPEG")
    assert frames.shape == (12, 20, 30, 3)
    np.testing.assert_array_equal(frames[4][..., 1], (frame(4)[::-1] >> 8).astype(np.uint8))
    first = (tmp_path / "a.avi").read_bytes()
    write_video(tmp_path / "whole.fits", tmp_path / "a.avi", 25.0, 16)
    assert (tmp_path / "a.avi").read_bytes() == first


def test_shown_colours_of_a_filter_array():
    raw = np.full((8, 8), 400, np.uint16)
    raw[::2, ::2] = 800
    picture = shown(raw, 12, "RGGB")
    assert picture.shape == (8, 8, 3)
    assert tuple(picture[4, 4]) == (50, 25, 25)


def test_accents_are_written_without_them():
    layout = CubeLayout((4, 4), 2, (("INSTRUME", "Télescope à 150 mm, n° 1 \u671b", "instrument"),))
    header = fits.Header.fromstring(layout.header(2).decode("ascii"))
    assert header["INSTRUME"] == "Telescope a 150 mm, n? 1 ?"


@pytest.mark.parametrize("ending", [".fits.part", ".rows.part", ".fits"])
def test_no_link_leads_a_recording_out_of_its_folder(tmp_path, ending):
    folder = tmp_path / "inside"
    folder.mkdir()
    outside = tmp_path / "outside"
    (folder / f"a{ending}").symlink_to(outside)
    with pytest.raises(InputError, match="output"):
        CubeFile(folder / "a.fits", CubeLayout((4, 4), 2))
    assert not outside.exists()
    with contextlib.suppress(InputError):
        cube = CubeFile(folder / "a.fits", CubeLayout((4, 4), 2), resume=True)
        cube.close()
    assert not outside.exists()


def test_frames_begun_by_a_killed_run_are_cleared_away(tmp_path):
    cube = CubeFile(tmp_path / "a.fits", CubeLayout((8, 8), 2))
    cube.append(np.zeros((2, 8, 8), np.uint16), np.zeros(2, ROW))
    cube.finish()
    folder = tmp_path / "a_frames"
    folder.mkdir()
    (folder / ".frame_00001-0123456789abcdef.tif").write_bytes(b"half")
    refuse_foreign_frames(folder, 2)
    write_tiff_frames(tmp_path / "a.fits", folder)
    assert sorted(path.name for path in folder.iterdir()) == ["frame_00000.tif", "frame_00001.tif"]


def test_a_video_that_was_cut_short_is_no_video(tmp_path, monkeypatch):
    """A writer that loses what it is given, as on a full disk, without a word."""
    imageio_ffmpeg = pytest.importorskip("imageio_ffmpeg")
    cube = CubeFile(tmp_path / "a.fits", CubeLayout((8, 8), 3))
    cube.append(np.zeros((3, 8, 8), np.uint16), np.zeros(3, ROW))
    cube.finish()

    def losing(path, *_, **__):
        Path(path).write_bytes(b"RIFF")
        while True:
            yield

    monkeypatch.setattr(imageio_ffmpeg, "write_frames", losing)
    with pytest.raises(OSError, match="full") as error:
        write_video(tmp_path / "a.fits", tmp_path / "a.avi", 25.0, 8)
    assert error.value.filename == str(tmp_path / "a.avi")
    assert [path.name for path in tmp_path.iterdir()] == ["a.fits", "a.rows.part"]
