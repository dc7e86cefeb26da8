"""Reading, grading, aligning, averaging: against frames whose truth is known."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.fft
from astropy.io import fits
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import spearmanr

from simulate.camera import Camera, expose
from simulate.errors import InputError
from simulate.stack.bracket import blend_bracket, recorded_width_arcsec, why_large
from simulate.stack.combine import FrameStack, StackWishes, stack_frames
from simulate.stack.model import as_stack, limb_fwhm_px, measured_transfer, model_transfer
from simulate.stack.quality import Examiner, NoiseModel, measured_noise, move, noise_of, recommended_share
from simulate.stack.reader import Facts, facts_of, open_recording
from simulate.stack.restore import restore
from simulate.stack.results import Recording

SHAPE = (96, 96)


def disc(shape=SHAPE, radius=22.0, height=800.0, fine=4) -> np.ndarray:
    """A striped disc with soft edge, e-."""
    rows, columns = (np.arange(n * fine) / fine - (n - 1) / 2 - 0.375 for n in shape)
    distance = np.hypot(rows[:, None], columns)
    picture = height * (1 + 0.2 * np.sin(rows[:, None] / 2.5)) * (distance < radius)
    return picture.reshape(shape[0], fine, shape[1], fine).mean(axis=(1, 3))


def blurred(picture: np.ndarray, sigma: float, shift=(0.0, 0.0)) -> np.ndarray:
    rows, columns = np.fft.fftfreq(picture.shape[0])[:, None], np.fft.rfftfreq(picture.shape[1])
    gain = np.exp(-2 * (np.pi * sigma) ** 2 * (rows**2 + columns**2))
    return np.fft.irfft2(move(np.fft.rfft2(picture) * gain, picture.shape, shift), s=picture.shape)


def write_cube(path, frames, **cards) -> None:
    header = fits.Header()
    for key, value in cards.items():
        header[key] = value
    fits.PrimaryHDU(np.asarray(frames), header).writeto(path)


def recorded(tmp_path, count=40, sigma=(1.2, 2.5), camera=None, seed=1):
    """A recording of the disc with known blur and shift of each frame."""
    rng = np.random.default_rng(seed)
    camera = camera or Camera(3.0, 96, 96, bits=14, gain_e_per_dn=1.0, offset_dn=50, read_noise_e=2.0)
    blurs, shifts = rng.uniform(*sigma, count), rng.uniform(-4, 4, (count, 2))
    planes = 1 if camera.is_mono else 3
    frames = [
        expose(np.repeat(blurred(disc(), s, tuple(m))[None], planes, 0).astype(np.float32), camera, rng)
        for s, m in zip(blurs, shifts, strict=True)
    ]
    cards = {"EXPTIME": 0.01, "EGAIN": 1.0, "PEDESTAL": 50.0, "RDNOISE": 2.0}
    if not camera.is_mono:
        cards["BAYERPAT"] = camera.filter_array
    write_cube(tmp_path / "cube.fits", np.array(frames), **cards)
    return open_recording(tmp_path / "cube.fits"), blurs, shifts


class TestReader:
    def test_header(self):
        facts = facts_of(fits.Header({"EXPTIME": 0.02, "BAYERPAT": "grbg", "FOCALLEN": 1000.0, "XPIXSZ": 2.9}))
        assert facts.filter_array == "GRBG"
        assert facts.pixel_arcsec == pytest.approx(0.598, abs=1e-3)
        assert facts.gain_e_per_dn is None
        assert facts.unit == "adu"

    @pytest.mark.parametrize("kind", [np.uint8, np.int16, np.uint16, np.float32])
    def test_cubes_of_any_number(self, tmp_path, kind):
        frames = np.arange(5 * 20 * 24).reshape(5, 20, 24) % 120
        write_cube(tmp_path / "c.fits", frames.astype(kind))
        recording = open_recording(tmp_path / "c.fits", offset_dn=0.0)
        assert recording.frames == 5
        np.testing.assert_array_equal(recording.values(3), frames[3])

    def test_a_folder_of_tiff_frames(self, tmp_path):
        import imageio.v3 as iio

        frames = np.random.default_rng(0).integers(0, 4000, (3, 20, 24), dtype=np.uint16)
        for index, frame in enumerate(frames):
            iio.imwrite(tmp_path / f"f{index}.tif", frame[::-1])
        recording = open_recording(tmp_path, offset_dn=0.0, pixel_arcsec=0.3)
        assert (recording.frames, recording.facts.pixel_arcsec) == (3, 0.3)
        np.testing.assert_array_equal(recording.values(2), frames[2])

    def test_offset_is_taken_from_the_sky(self, tmp_path):
        frames = np.full((4, 40, 40), 37, np.uint16)
        frames[:, 15:25, 15:25] = 900
        write_cube(tmp_path / "c.fits", frames)
        assert open_recording(tmp_path / "c.fits").facts.offset_dn == 37

    def test_nothing_usable(self, tmp_path):
        with pytest.raises(InputError, match="no such file"):
            open_recording(tmp_path / "none.fits")
        with pytest.raises(InputError, match="no TIFF"):
            open_recording(tmp_path)
        (tmp_path / "text.fits").write_text("not a picture")
        with pytest.raises(InputError, match="RECORDING"):
            open_recording(tmp_path / "text.fits")
        fits.PrimaryHDU().writeto(tmp_path / "empty.fits")
        with pytest.raises(InputError, match="no picture"):
            open_recording(tmp_path / "empty.fits")


class TestQuality:
    def test_sharper_is_better(self, tmp_path):
        recording, blurs, _ = recorded(tmp_path)
        examiner = Examiner(SHAPE, recording.facts, noise_of(recording.facts, recording.values(0)))
        grades = [examiner.grade(frame, examiner.spectrum(frame)) for frame in recording]
        assert spearmanr(grades, -blurs).statistic > 0.97

    def test_grade_does_not_know_the_exposure(self):
        examiner = Examiner(SHAPE, Facts(), NoiseModel(0.0, 0.0))
        one, two = (f * blurred(disc(), 1.5).astype(np.float32) for f in (1, 3))
        assert examiner.grade(one, examiner.spectrum(one)) == pytest.approx(
            examiner.grade(two, examiner.spectrum(two)), rel=1e-3
        )

    def test_grade_is_free_of_noise(self):
        rng = np.random.default_rng(2)
        clean = blurred(disc(), 2.0)
        noise = NoiseModel(100.0, 0.0)
        examiner, quiet = Examiner(SHAPE, Facts(), noise), Examiner(SHAPE, Facts(), NoiseModel(0, 0))
        noisy = [(clean + 10 * rng.standard_normal(SHAPE)).astype(np.float32) for _ in range(60)]
        mean = np.mean([examiner.grade(f, examiner.spectrum(f)) for f in noisy])
        assert mean == pytest.approx(quiet.grade(clean, quiet.spectrum(clean.astype(np.float32))), rel=0.05)

    @settings(max_examples=25, deadline=None)
    @given(st.floats(-8, 8), st.floats(-8, 8))
    def test_shift_to_a_fiftieth_of_a_pixel(self, row, column):
        examiner = Examiner(SHAPE, Facts(), NoiseModel(0, 0))
        still = examiner.spectrum(blurred(disc(), 1.5).astype(np.float32))
        moved = examiner.spectrum(blurred(disc(), 1.5, (row, column)).astype(np.float32))
        np.testing.assert_allclose(examiner.shift(still, moved), (-row, -column), atol=0.02)

    def test_shift_under_noise(self):
        rng = np.random.default_rng(3)
        examiner = Examiner(SHAPE, Facts(), NoiseModel(0, 0))
        still = examiner.spectrum(blurred(disc(), 1.5).astype(np.float32))
        errors = []
        for shift in rng.uniform(-3, 3, (60, 2)):
            frame = blurred(disc(), 1.5, tuple(shift)) + 30 * rng.standard_normal(SHAPE)
            errors.append(np.add(examiner.shift(still, examiner.spectrum(frame.astype(np.float32))), shift))
        # noise 4 % of the disc's brightness
        assert np.std(errors) < 0.03
        assert np.abs(np.mean(errors)) < 0.015

    def test_noise_measured_on_a_frame(self):
        rng = np.random.default_rng(4)
        level = np.clip(blurred(disc((160, 160), 50), 4.0), 0, None)
        frame = (rng.poisson(level) + 3 * rng.standard_normal(level.shape)) / 2.0
        found = measured_noise(frame.astype(np.float32))
        assert found.fixed == pytest.approx(9 / 4, rel=0.2)
        assert found.slope == pytest.approx(0.5, rel=0.2)

    def test_share_follows_the_air(self):
        assert recommended_share(Facts(fried_ratio=0.8))[0] == 1.0
        share, reason = recommended_share(Facts(aperture_mm=250.0, seeing_arcsec=2.5))
        assert 0.01 <= share < 0.3
        assert "D/r0" in reason
        assert recommended_share(Facts())[0] == 0.25
        assert recommended_share(Facts(), 0.4) == (0.4, "as asked for")
        with pytest.raises(InputError, match="--keep"):
            recommended_share(Facts(), 1.5)


class TestStack:
    def test_mean_noise_and_place(self, tmp_path):
        recording, blurs, _ = recorded(tmp_path, count=60)
        stack = stack_frames(recording, StackWishes(keep=0.5))
        assert stack.unit == "electron/s"
        assert len(stack.kept) == 30
        assert blurs[stack.kept].mean() < np.delete(blurs, stack.kept).mean() - 0.4
        wanted = np.mean([blurred(disc(), s) for s in blurs[stack.kept]], axis=0) / 0.01
        # the stripes pull the centre of light a little off the middle: laid on each other before they are compared
        examiner = Examiner(SHAPE, Facts(), NoiseModel(0, 0))
        spectra = [examiner.spectrum(np.asarray(p, np.float32)) for p in (stack.picture[0], wanted)]
        error = stack.picture[0] - np.fft.irfft2(move(np.fft.rfft2(wanted), SHAPE, examiner.shift(*spectra)), s=SHAPE)
        inside = wanted > 0.3 * wanted.max()
        assert stack.picture.sum() == pytest.approx(wanted.sum(), rel=2e-3)
        # what is left is noise of the size that the noise map tells
        assert (error[inside] / stack.noise[0][inside]).std() == pytest.approx(1.0, abs=0.2)
        assert (error[:10] / stack.noise[0][:10]).std() == pytest.approx(1.0, abs=0.15)

    @pytest.mark.parametrize(
        ("pattern", "factor", "drop"), [("mono", 1.5, 0.7), ("RGGB", 1.5, 1.0), ("GBRG", 1.0, 1.0)]
    )
    def test_noise_map_of_drops(self, tmp_path, pattern, factor, drop):
        pytest.importorskip("drizzle")
        rng = np.random.default_rng(6)
        pictures = []
        for run in range(12):
            level = blurred(disc((64, 64), 15), 2.0)
            frames = [
                blurred(level, 0.1, tuple(shift)) + 100 + 5 * rng.standard_normal((64, 64))
                for shift in np.random.default_rng(1).uniform(-2, 2, (40, 2))
            ]
            path = tmp_path / f"{pattern}{run}.fits"
            write_cube(path, np.array(frames, np.float32), EGAIN=1.0, RDNOISE=5.0, PEDESTAL=100.0, BAYERPAT=pattern)
            recording = open_recording(path)
            stack = stack_frames(recording, StackWishes(keep=1.0, factor=factor, drop=drop))
            pictures.append(stack.picture)
        spread = np.std(pictures, axis=0, ddof=1)[:, 4:14, 4:60]
        told = stack.noise[:, 4:14, 4:60]
        assert np.sqrt((spread**2).mean()) == pytest.approx(np.sqrt((told**2).mean()), rel=0.08)

    def test_colours_stay_apart(self, tmp_path):
        pytest.importorskip("drizzle")
        camera = Camera(3.0, 96, 96, filter_array="RGGB", bits=14, gain_e_per_dn=1.0, offset_dn=50, read_noise_e=2.0)
        rng = np.random.default_rng(7)
        levels = np.array([1.0, 0.6, 0.3])
        frames = [
            expose((levels[:, None, None] * blurred(disc(), 1.5, tuple(m))).astype(np.float32), camera, rng)
            for m in rng.uniform(-3, 3, (30, 2))
        ]
        cards = {"EGAIN": 1.0, "PEDESTAL": 50.0, "RDNOISE": 2.0, "BAYERPAT": "RGGB", "EXPTIME": 1.0}
        write_cube(tmp_path / "c.fits", np.array(frames), **cards)
        stack = stack_frames(open_recording(tmp_path / "c.fits"), StackWishes(keep=1.0, factor=1.0))
        light = stack.picture.sum(axis=(1, 2)) / disc().sum()
        np.testing.assert_allclose(light, levels, rtol=0.01)

    def test_empty_sky(self, tmp_path):
        frames = 100 + np.random.default_rng(0).standard_normal((5, 32, 32))
        write_cube(tmp_path / "c.fits", (frames - 10 * np.arange(5)[:, None, None] * 0).astype(np.float32) * 0 + 100)
        with pytest.raises(InputError, match="no planet"):
            stack_frames(open_recording(tmp_path / "c.fits"))

    def test_bad_wishes(self, tmp_path):
        recording, _, _ = recorded(tmp_path, count=4)
        for wishes, field in ((StackWishes(factor=9), "--finer"), (StackWishes(drop=5.0), "--drop")):
            with pytest.raises(InputError, match=field):
                stack_frames(recording, wishes)


def optics_and_pixel(side: int, fine: int, cutoff: float) -> np.ndarray:
    """Transfer of a clear aperture (Goodman, chapter 6) and of the pixel on cells `fine` times finer than pixels."""
    f_row, f_column = np.fft.fftfreq(side * fine, 1 / fine)[:, None], np.fft.rfftfreq(side * fine, 1 / fine)
    nu = np.clip(np.hypot(f_row, f_column) / cutoff, 0, 1)
    return 2 / np.pi * (np.arccos(nu) - nu * np.sqrt(1 - nu**2)) * np.sinc(f_row) * np.sinc(f_column)


def stack_of_target(tmp_path, target, cutoff, factor, drop, fine=8, count=150) -> np.ndarray:
    """Record a target (cells `fine` times finer than the pixels) with a drift over the pixels, and stack it."""
    pytest.importorskip("drizzle")
    rng = np.random.default_rng(8)
    side = target.shape[0] // fine
    spectrum = scipy.fft.rfft2(target) * optics_and_pixel(side, fine, cutoff)
    frames = []
    for shift in rng.uniform(-1.5, 1.5, (count, 2)):
        moved = scipy.fft.irfft2(move(spectrum, target.shape, tuple(fine * shift)), s=target.shape)
        frames.append(moved[fine // 2 :: fine, fine // 2 :: fine] + rng.standard_normal((side, side)))
    path = tmp_path / f"{cutoff}_{factor}_{drop}.fits"
    write_cube(path, np.array(frames, np.float32), EGAIN=1.0, RDNOISE=1.0, PEDESTAL=0.0)
    recording = open_recording(path, pixel_arcsec=1.0)
    return stack_frames(recording, StackWishes(keep=1.0, factor=factor, drop=drop)).picture[0]


def disc_target(side=48, fine=8) -> np.ndarray:
    rows = np.arange(side * fine) / fine - side / 2
    return 300.0 * (np.hypot(rows[:, None], rows) < 15)


def two_lines(tmp_path, cutoff: float, factor: float, drop: float) -> float:
    """Depth of the gap between two bright lines, 1.35 resolution elements apart, as a share of their height."""
    target = disc_target()
    columns = np.arange(target.shape[1]) / 8 - 24
    apart = 1.35 / cutoff
    for sign in (-0.5, 0.5):
        target = target + 3000 * (np.abs(columns - sign * apart) < 0.25 / cutoff) * (np.abs(columns[:, None]) < 10)
    picture = stack_of_target(tmp_path, target, cutoff, factor, drop)
    rows, middle = round(picture.shape[0] * 0.06), picture.shape[0] // 2
    profile = picture[middle - rows : middle + rows].mean(axis=0)
    # between the cells by the transform: where they fall must not decide
    profile = 8 * np.fft.irfft(np.fft.rfft(profile), 8 * len(profile))
    place = (np.arange(len(profile)) / 8 + 0.5) / factor - 24
    inside = np.interp(np.linspace(-0.15 * apart, 0.15 * apart, 7), place, profile)
    lines = [
        np.interp(np.linspace(side * apart - 0.3, side * apart + 0.3, 7), place, profile).max() for side in (-0.5, 0.5)
    ]
    return float(1 - inside.min() / min(lines))


class TestDrizzle:
    def test_parts_lines_that_coarse_pixels_merge(self, tmp_path):
        """Pixels 2.1 times too coarse for the telescope."""
        coarse, fine = two_lines(tmp_path, 1.05, 1.0, 1.0), two_lines(tmp_path, 1.05, 2.0, 0.5)
        assert fine > coarse + 0.04

    def test_holds_frequencies_beyond_the_pixels_own_limit(self, tmp_path):
        """Between 0.5 and 0.75 cycles a pixel only the finer stack can hold anything, and it holds the truth."""
        rng = np.random.default_rng(2)
        target = disc_target() * (
            1
            + 2
            * (
                scipy.fft.irfft2(
                    scipy.fft.rfft2(rng.standard_normal((384, 384))) * (optics_and_pixel(48, 8, 1.05) > 0), s=(384, 384)
                )
            )
        )
        picture = stack_of_target(tmp_path, target, 1.05, 2.0, 0.5)
        blur = scipy.fft.rfft2(target) * optics_and_pixel(48, 8, 1.05)
        # the stack's cells are four fine ones: the frequencies they share
        true = np.concatenate([blur[:48], blur[-48:]])[:, :49]
        found = scipy.fft.rfft2(picture)
        examiner = Examiner((96, 96), Facts(), NoiseModel(0, 0))
        found = move(found, (96, 96), examiner.shift(true.astype(np.complex64), found.astype(np.complex64)))
        radius = np.hypot(np.fft.fftfreq(96, 0.5)[:, None], np.fft.rfftfreq(96, 0.5))
        ring = (radius > 0.5) & (radius < 0.75)
        likeness = np.abs(np.vdot(true[ring], found[ring])) / np.linalg.norm(true[ring]) / np.linalg.norm(found[ring])
        assert likeness > 0.8

    def test_gains_nothing_at_critical_sampling(self, tmp_path):
        fine, whole = two_lines(tmp_path, 0.5, 2.0, 0.5), two_lines(tmp_path, 0.5, 1.0, 0.0)
        assert fine <= whole + 0.01


class TestModelAndRestoration:
    def stacked(self, tmp_path) -> tuple[FrameStack, Facts]:
        recording, _, _ = recorded(tmp_path, count=30, sigma=(1.5, 1.6))
        facts = Facts(pixel_arcsec=0.5, aperture_mm=100.0, fried_ratio=1.5, exposure_s=0.01)
        return stack_frames(recording, StackWishes(keep=1.0)), facts

    def test_transfer_needs_to_know_enough(self, tmp_path):
        stack, facts = self.stacked(tmp_path)
        assert model_transfer(Facts(), stack) is None
        response = model_transfer(facts, stack)
        assert response is not None
        assert response.shape == (1, 96, 49)
        assert response[0, 0, 0] == pytest.approx(1, abs=1e-4)
        still = model_transfer(Facts(pixel_arcsec=0.5, aperture_mm=100.0, fried_ratio=0.0), stack)
        assert still is not None
        assert still[0, 0, 10] > response[0, 0, 10]

    def test_restored_as_far_as_noise_allows(self, tmp_path):
        stack, facts = self.stacked(tmp_path)
        response = model_transfer(facts, stack)
        assert response is not None
        value = as_stack(stack, response)
        finished = restore(value.picture, value.noise, value.transfer, value.step_arcsec)
        assert finished.picture.sum() == pytest.approx(stack.picture.sum(), rel=0.01)
        assert finished.noise_gain[0] > 0.3

    def test_measured_transfer_finds_the_blur(self):
        truth = disc(radius=20)
        found = measured_transfer(blurred(truth, 1.5, (2.3, -1.1)), truth, 1.0, 0.4)
        for frequency in (0.05, 0.1, 0.2):
            column = round(frequency * 96)
            wanted = np.exp(-2 * (np.pi * 1.5 * column / 96) ** 2)
            assert found[0, column] == pytest.approx(wanted, abs=0.03)

    def test_limb_tells_the_blur(self):
        for sigma in (2.0, 3.5):
            assert limb_fwhm_px(blurred(disc((128, 128), 40), sigma)) == pytest.approx(2.355 * sigma, rel=0.35)


class TestBracket:
    def make(self, level: float, noise: float, shift=(0.0, 0.0), clip=np.inf) -> FrameStack:
        rng = np.random.default_rng(9)
        picture = 1000 * blurred(disc(height=1.0, radius=12), 1.5, shift)
        moon = np.zeros(SHAPE)
        moon[20, 70] = 40.0 * level
        picture = picture + blurred(moon, 1.5, shift)
        picture = np.minimum(picture, clip) + noise * rng.standard_normal(SHAPE)
        laid = Recording(0.01, 10, 10, 1.0)
        return FrameStack(
            picture[None].astype(np.float32),
            np.full((1, *SHAPE), noise, np.float32),
            "electron/s",
            laid,
            np.ones(10),
            np.arange(10),
            np.zeros((10, 2)),
            "",
            ("luminance",),
        )

    def test_planet_from_the_short_and_moons_from_the_long(self):
        short, long = self.make(1.0, 3.0), self.make(1.0, 0.2, (1.7, -2.4), clip=200.0)
        blend = blend_bracket(short, long, 250.0)
        np.testing.assert_allclose(blend.picture[0, 40:56, 40:56], short.picture[0, 40:56, 40:56], atol=1e-3)
        truth = self.make(1.0, 0.0).picture[0]
        near = (slice(15, 26), slice(65, 76))
        assert np.std(blend.picture[0][near] - truth[near]) < 0.5 < np.std(short.picture[0][near] - truth[near])
        assert blend.noise[0, 20, 70] < 0.21 < blend.noise[0, 48, 48]

    def test_different_fields_do_not_blend(self):
        short = self.make(1.0, 1.0)
        with pytest.raises(InputError, match="bracket"):
            blend_bracket(short, FrameStack(**{**vars(short), "unit": "adu"}), 100.0)

    def test_why_a_moon_looks_large(self):
        assert recorded_width_arcsec(0.0, 2.0) == 2.0
        # an even disc alone has the rms of a Gaussian 0.589 times as wide
        assert recorded_width_arcsec(1.0, 0.0) == pytest.approx(2.3548 / 4, abs=1e-3)
        text = why_large("io", 1.2, 2.5, clipped=True)
        assert "1.20" in text
        assert "2.60" in text
        assert "clipped" in text
