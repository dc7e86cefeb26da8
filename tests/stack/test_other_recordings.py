"""Recordings as other hands and programs leave them: lost frames, dark and flat frames, PNG frames, untold colours."""

from __future__ import annotations

import warnings

import numpy as np
import pytest
from astropy.io import fits
from PIL import Image

from simulate.bodies import load_body
from simulate.camera import channel_index
from simulate.errors import InputError, RecordingWarning
from simulate.light.array_guess import pattern_probabilities, with_array_guessed
from simulate.stack.calibration import calibrated
from simulate.stack.combine import StackWishes, stack_frames
from simulate.stack.reader import open_recording

SHAPE = (80, 96)


def planet(row: float = 40.0, column: float = 47.0) -> np.ndarray:
    rows, columns = np.indices(SHAPE)
    away = np.hypot(rows - row, columns - column)
    return 1000.0 / (1.0 + np.exp((away - 16.0) / 1.0)) * (1.0 - 0.3 * (np.hypot(rows - row - 4, columns - column) < 5))


def noisy(pictures, seed: int = 1) -> np.ndarray:
    return np.rint(np.random.default_rng(seed).poisson(np.asarray(pictures) + 40.0)).astype(np.uint16)


def write(path, frames, **cards) -> str:
    fits.PrimaryHDU(frames, fits.Header(cards)).writeto(path)
    return str(path)


def test_a_planet_that_drifts_and_frames_that_were_lost(tmp_path):
    """The planet crosses 30 pixels, leaves by the edge in two frames; others are torn, blank or stored twice."""
    frames = noisy([planet(40 + 0.4 * n, 32 + n) for n in range(30)] + [planet(40, 90), planet(5, 47)])
    frames[4, :40] = 40
    frames[9] = 0
    frames[14] = frames[13]
    with pytest.warns(
        RecordingWarning, match="2 blank or incomplete, 2 with the body cut by the edge, 1 the one before"
    ):
        stack = stack_frames(open_recording(write(tmp_path / "d.fits", frames)), StackWishes(keep=1.0))
    assert set(range(32)) - set(stack.kept.tolist()) == {4, 9, 14, 30, 31}
    away = stack.shifts - stack.shifts[0]
    np.testing.assert_allclose(away[:, 0], -0.4 * (stack.kept - stack.kept[0]), atol=0.1)
    np.testing.assert_allclose(away[:, 1], -1.0 * (stack.kept - stack.kept[0]), atol=0.1)
    disc = stack.picture[0] > 500
    assert abs(disc.sum() / (np.pi * 16**2) - 1) < 0.03


def test_a_body_that_fills_the_field_is_not_cut_off(tmp_path):
    frames = noisy(np.full((6, *SHAPE), 900.0))
    frames[:, 30:50, 30:60] += 300
    stack = stack_frames(open_recording(write(tmp_path / "m.fits", frames)), StackWishes(keep=1.0))
    assert len(stack.kept) == 6


@pytest.mark.parametrize("pattern", [None, "GRBG"])
def test_dark_and_flat_frames(tmp_path, pattern):
    """Hot pixels, a shadow of dust and a fall of light to the corners are made, and taken out again."""
    rng = np.random.default_rng(5)
    rows, columns = np.indices(SHAPE)
    dark = 100.0 + 400.0 * (rng.random(SHAPE) < 0.01)
    uneven = 1 - 0.4 * (np.hypot(rows - 40, columns - 47) / 60) ** 2 - 0.3 * (np.hypot(rows - 45, columns - 40) < 4)
    tint = 1.0 if pattern is None else np.array([0.4, 1.0, 0.7])[channel_index(pattern, *SHAPE)]
    light = 3 * planet()
    paths = [
        write(tmp_path / "r.fits", rng.poisson(light * uneven + dark, (20, *SHAPE)).astype(np.uint16)),
        write(tmp_path / "d.fits", rng.poisson(dark, (60, *SHAPE)).astype(np.uint16)),
        write(tmp_path / "f.fits", rng.poisson(20000 * tint * uneven + 100, (20, *SHAPE)).mean(0).astype(np.float32)),
    ]
    recording = open_recording(paths[0], filter_array=pattern)
    clean = calibrated(recording, open_recording(paths[1]), open_recording(paths[2]))
    mean = np.mean([clean.values(n) for n in range(20)], axis=0)
    raw = np.mean([recording.values(n) for n in range(20)], axis=0)
    disc, sky = light > 1000, light < 1
    scale = np.median(uneven) if pattern is None else None
    if scale is None:  # each colour has its own middle
        colour = channel_index(pattern, *SHAPE)
        scale = np.array([np.median((tint * uneven)[colour == c]) / tint[colour == c][0] for c in range(3)])[colour]
    wanted = light * scale
    # 20 frames of 3000 photons: 0.4 % a pixel, more under the dust
    assert np.std(mean[disc] / wanted[disc]) < 0.008
    assert abs(np.mean(mean[disc] / wanted[disc]) - 1) < 0.002
    assert np.std(raw[disc] / light[disc]) > 0.05
    assert np.abs(mean[sky]).max() < 20 < np.abs(raw[sky]).max()


def test_dark_frames_of_another_size_are_refused(tmp_path):
    recording = open_recording(write(tmp_path / "r.fits", noisy([planet()] * 3)))
    other = open_recording(write(tmp_path / "d.fits", noisy([planet()] * 3)[:, :60]))
    with pytest.raises(InputError, match="96 x 80 pixels"):
        calibrated(recording, other)
    with pytest.raises(InputError, match="no brighter than the dark"):
        calibrated(recording, None, open_recording(write(tmp_path / "f.fits", np.zeros((3, *SHAPE), np.uint16))))


@pytest.mark.parametrize("scale", [1 / 16, 1.0, 16.0, "float"])
def test_numbers_of_any_size_give_the_same_picture(tmp_path, scale):
    """8, 12 and 16 bits, and shares of full scale as floating numbers."""
    frames = noisy([planet(40 + 0.3 * n, 47 - 0.5 * n) for n in range(12)])
    usual = stack_frames(open_recording(write(tmp_path / "a.fits", frames)), StackWishes(keep=1.0)).picture[0]
    if scale == "float":
        other, factor = (frames / 4096.0).astype(np.float64), 4096.0
    else:
        kind = np.uint8 if scale < 1 else np.uint16
        other, factor = np.clip(np.rint(frames * scale), 0, np.iinfo(kind).max).astype(kind), 1 / scale
    path = write(tmp_path / "b.fits", other)
    picture = stack_frames(open_recording(path), StackWishes(keep=1.0)).picture[0] * factor
    assert np.abs(picture - usual).max() < (25 if scale == 1 / 16 else 2)


@pytest.mark.parametrize("kind", ["L", "I;16", "RGB", "RGBA"])
def test_a_folder_of_png_frames(tmp_path, kind):
    folder = tmp_path / "frames"
    folder.mkdir()
    frames = noisy([planet()] * 4)
    for number, frame in enumerate(frames):
        eight = (frame // 8).astype(np.uint8)
        if kind == "RGB":
            picture = Image.fromarray(np.stack([eight, eight // 2, eight // 4], -1))
        elif kind == "RGBA":
            picture = Image.fromarray(np.stack([eight, eight // 2, eight // 4, np.full_like(eight, 255)], -1))
        else:
            picture = Image.fromarray(eight if kind == "L" else frame)
        picture.save(folder / f"shot_{number}.png")
    for place in (folder, folder / "shot_2.png"):
        recording = open_recording(place)
        assert recording.frames == 4
        assert recording.folder == folder
        assert recording.facts.filter_array == ("colour" if "RGB" in kind else "mono")
        # stored with the top row first, here the lowest comes first
        top = recording.numbers(3)[0] if "RGB" in kind else recording.numbers(3)
        np.testing.assert_array_equal(top[::-1], frames[3] if kind == "I;16" else frames[3] // 8)
    Image.fromarray(np.zeros((10, 10), np.uint8)).save(folder / "shot_9.png")
    with pytest.raises(InputError, match="must have the shape"):
        open_recording(folder).numbers(4)


class TestUntoldColours:
    """Against the pattern that the frames were made with; the rates are those of cameras unlike the typical one."""

    def recording(self, tmp_path, pattern: str, rates: tuple[float, float, float]):
        colour = channel_index(pattern, *SHAPE)
        frames = noisy([planet(40 + 0.3 * n, 47) * np.array(rates)[colour] for n in range(12)])
        return open_recording(write(tmp_path / f"{pattern}.fits", frames))

    @pytest.mark.parametrize("pattern", ["RGGB", "BGGR", "GRBG", "GBRG"])
    def test_a_red_planet_tells_its_array(self, tmp_path, pattern):
        recording = self.recording(tmp_path, pattern, (0.9, 0.8, 0.3))
        with pytest.warns(RecordingWarning, match=rf"taken for {pattern} with a probability of .*\d+ %"):
            guessed = with_array_guessed(recording, load_body("mars"))
        assert guessed.facts.filter_array == pattern
        chances = pattern_probabilities(recording, load_body("mars"))
        assert sum(chances.values()) == pytest.approx(1)
        assert chances[pattern] > 0.95

    def test_equal_red_and_blue_leave_both_open(self, tmp_path):
        chances = pattern_probabilities(self.recording(tmp_path, "RGGB", (0.6, 1.0, 0.6)), load_body("moon"))
        assert 0.3 < chances["RGGB"] / chances["BGGR"] < 3
        # green places are commonly the brighter ones, which is not much to go by
        assert chances["GRBG"] < 0.8 * chances["RGGB"]
        assert chances["RGGB"] < 0.5

    def test_grey_frames_stay_grey(self, tmp_path):
        recording = open_recording(write(tmp_path / "g.fits", noisy([planet()] * 4)))
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            assert with_array_guessed(recording, load_body("mars")) is recording
