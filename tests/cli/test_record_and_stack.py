"""`simulate record` and `simulate stack`: what they print, write and refuse."""

from __future__ import annotations

import argparse
import json
import math
from pathlib import Path

import numpy as np
import pytest
import tifffile
from astropy.io import fits
from PIL import Image

from simulate.cli import record, stack
from simulate.errors import InputError
from simulate.stack.model import limb_fwhm_px

BASE = ["mars", "--instrument", "refractor-60", "--time", "2024-12-07T22:00:00Z", "--exposure", "4 ms", "--rate", "100"]


def call(command, *words: str) -> int:
    parser = argparse.ArgumentParser()
    command.add_arguments(parser)
    return command.run(parser.parse_args(words))


def test_record_then_stack(tmp_path, capsys):
    pytest.importorskip("drizzle")
    out = ["--output", str(tmp_path), "--name", "a", "--json"]
    assert call(record, *BASE, "--frames", "30", *out, "--format", "tiff") == 0
    told = json.loads(capsys.readouterr().out)
    assert (told["frames"], told["frames_per_second"]) == (30, 100)
    assert set(told["files"]) == {"recording", "truth", "tiff"}
    assert fits.getdata(told["files"]["recording"]).shape[0] == 30
    assert call(stack, told["files"]["recording"], "--keep", "0.5", "--output", str(tmp_path), "--json") == 0
    done = json.loads(capsys.readouterr().out)
    assert (done["frames"], done["kept"], done["fwhm_by"], done["unit"]) == (30, 15, "truth", "electron/s")
    # a 60 mm aperture cannot be sharper than 1.03 lambda / D = 1.95 arcsec at 550 nm
    assert 1.7 < done["delivered_fwhm_arcsec"] < 4
    assert done["noise_e_per_s"] > 0
    with fits.open(done["files"]["fits"]) as hdus:
        assert [hdu.name for hdu in hdus[1:]] == ["STACK", "NOISE", "FINISHED", "FRAMES"]
        assert hdus["FRAMES"].data["kept"].sum() == 15
        light = hdus["STACK"].data.sum(axis=(1, 2))
        np.testing.assert_allclose(hdus["FINISHED"].data.sum(axis=(1, 2)), light, rtol=0.02)
    assert set(done["files"]) == {"fits", "png", "tiff", "unrestored"}
    finished, plain = (np.asarray(Image.open(done["files"][kind])) for kind in ("png", "unrestored"))
    deep = tifffile.imread(done["files"]["tiff"])
    assert deep.dtype == np.uint16
    assert deep.shape == finished.shape == plain.shape
    assert np.abs((deep >> 8).astype(int) - finished).max() <= 1
    assert done["north_up"]
    # the promise is that of the whole chain, from the same inputs but without one random wavefront
    assert done["beside_promise"]["brightness"] < 0.08
    assert done["beside_promise"]["colour"] < 0.15
    # the TIFF frames tell the same facts, and without them they can be given by hand: the same stack
    scale = fits.getheader(told["files"]["recording"])["PIXSCALE"]
    plain = tmp_path / "plain"
    plain.mkdir()
    for path in Path(told["files"]["tiff"]).iterdir():
        Image.open(path).save(plain / path.name, tiffinfo={270: ""})
    words = ["--gain", "3.6 e-/DN", "--offset", "32", "--pixel-scale", f"{scale} arcsec", "--aperture", "60 mm"]
    # camera software tells the colours of the top rows: the lowest are red and green
    words += ["--exposure", "4 ms", "--read-noise", "1.2 e-", "--filter-array", "GBRG"]
    assert fits.getheader(told["files"]["recording"])["NAXIS2"] % 2 == 0
    for folder, options in ((told["files"]["tiff"], []), (plain, words)):
        assert call(stack, str(folder), "--keep", "0.5", *options, "--output", str(tmp_path), "--json") == 0
        other = json.loads(capsys.readouterr().out)
        assert (other["kept"], other["unit"]) == (15, "electron/s")
        np.testing.assert_allclose(fits.getdata(other["files"]["fits"], "STACK").sum(axis=(1, 2)), light, rtol=0.01)


def test_bracket_for_the_moons(tmp_path, capsys):
    pytest.importorskip("drizzle")
    words = ["jupiter", "--instrument", "refractor-60", "--time", "2024-12-07T22:00:00Z", "--field", "330 arcsec"]
    out = ["--output", str(tmp_path), "--json"]
    assert call(record, *words, "--frames", "8", "--bracket", "20", "--name", "b", *out) == 0
    told = json.loads(capsys.readouterr().out)
    long = told["bracket"][0]
    assert long["exposure_s"] == pytest.approx(20 * told["exposure_s"])
    files = told["files"]["recording"], long["files"]["recording"]
    assert call(stack, files[0], "--long", files[1], "--keep", "1", *out) == 0
    done = json.loads(capsys.readouterr().out)
    assert any("recorded" in note and "wide" in note for note in done["notes"])
    assert any("for the moons" in note for note in done["notes"])
    noise = fits.getdata(done["files"]["fits"], "NOISE")[1]
    # the sky around profits from the long exposure, the planet keeps the noise of the short one
    assert noise[5, 5] < 0.3 * np.quantile(noise, 0.999)


def test_resume_needs_the_same_settings(tmp_path, capsys):
    out = ["--output", str(tmp_path), "--name", "a"]
    call(record, *BASE, "--frames", "2", *out)
    with pytest.raises(InputError, match="in the way"):
        call(record, *BASE, "--frames", "2", *out)
    assert call(record, *BASE, "--frames", "2", *out, "--resume") == 0
    with pytest.raises(InputError, match="other settings"):
        call(record, *BASE, "--frames", "2", *out, "--resume", "--seed", "1")


@pytest.mark.parametrize(
    ("words", "field"),
    [
        (["--bracket", "0.5"], "--bracket"),
        (["--exposure", "4 kg"], "--exposure"),
        (["--name", "a/b"], "--name"),
        (["--rate", "1000"], "frames_per_second"),
        (["--filter", "red"], "--filter"),
        (["--processes", "0"], "--processes"),
        (["--seconds", "5"], "--seconds"),
        (["--seed", "-1"], "--seed"),
    ],
)
def test_refused(tmp_path, words, field):
    with pytest.raises(InputError) as error:
        call(record, *BASE, "--frames", "1", "--output", str(tmp_path / "new"), *words)
    assert error.value.field == field
    assert not (tmp_path / "new").exists()


def test_both_names_of_a_bracket_are_looked_at_first(tmp_path, capsys):
    (tmp_path / "a_long.fits").write_bytes(b"precious")
    with pytest.raises(InputError, match=r"a_long\.fits"):
        call(record, *BASE, "--frames", "1", "--bracket", "2", "--output", str(tmp_path), "--name", "a")
    assert [path.name for path in tmp_path.iterdir()] == ["a_long.fits"]


def test_one_frame_is_told_as_one(tmp_path, capsys):
    assert call(record, *BASE, "--frames", "1", "--output", str(tmp_path), "--name", "a") == 0
    assert capsys.readouterr().out.startswith("a: 1 frame of 4 ms at 100 a second\n")


@pytest.mark.parametrize("body", ["sun"])
def test_bodies_that_are_not_recorded(tmp_path, body):
    for when in (["--time", "2024-12-07T22:00:00Z"], ["--night", "2024-12-07", "--site", "47,8"]):
        with pytest.raises(InputError, match="BODY"):
            call(record, body, *when, "--output", str(tmp_path))


def write(path, frames, **cards) -> str:
    fits.PrimaryHDU(frames, fits.Header(cards)).writeto(path)
    return str(path)


def discs(count=6, seed=3) -> np.ndarray:
    rows, columns = np.indices((64, 64))
    disc = 800.0 * (np.hypot(rows - 31, columns - 30) < 20)
    return np.rint(np.random.default_rng(seed).poisson(disc + 50, (count, 64, 64))).astype(np.uint16)


class TestNothingIsLost:
    def test_no_result_over_an_input(self, tmp_path):
        short, long = write(tmp_path / "m.fits", discs()), write(tmp_path / "m_stack.fits", discs())
        before = Path(long).read_bytes()
        words = ["--gain", "1", "--exposure", "0.1", "--long-exposure", "0.2", "--output", str(tmp_path)]
        with pytest.raises(InputError, match="one of the files given"):
            call(stack, short, "--long", long, *words)
        with pytest.raises(InputError, match="not made by stacking"):
            call(stack, short, "--output", str(tmp_path))
        assert Path(long).read_bytes() == before

    def test_no_picture_among_frames(self, tmp_path, capsys):
        for number, frame in enumerate(discs()):
            Image.fromarray(frame).save(tmp_path / f"{number}.png")
        before = sorted(tmp_path.iterdir())
        with pytest.raises(InputError, match="one more frame"):
            call(stack, str(tmp_path), "--output", str(tmp_path))
        assert sorted(tmp_path.iterdir()) == before
        with pytest.raises(InputError, match="give --body, --pixel-scale, --rate, --time, --up"):
            call(stack, str(tmp_path), "--derotate", "--output", str(tmp_path / "new"))
        assert call(stack, str(tmp_path), "--output", str(tmp_path / "new")) == 0

    def test_a_stack_is_made_anew(self, tmp_path, capsys):
        short = write(tmp_path / "m.fits", discs())
        for _ in range(2):
            assert call(stack, short, "--output", str(tmp_path)) == 0
        assert "kept 2 of 6 frames" in capsys.readouterr().out

    def test_no_folder_is_made_for_nothing(self, tmp_path):
        path = write(tmp_path / "m.fits", np.zeros((4, 20, 20), np.uint16))
        with pytest.raises(InputError, match="no planet"):
            call(stack, path, "--output", str(tmp_path / "new"))
        assert not (tmp_path / "new").exists()


class TestWhatIsSaid:
    def test_what_is_missing_to_restore(self, tmp_path, capsys):
        path = write(tmp_path / "m.fits", discs(), PIXSCALE=0.5)
        call(stack, path, "--output", str(tmp_path))
        assert "not restored: aperture and seeing must be known" in capsys.readouterr().out
        call(stack, path, "--output", str(tmp_path), "--aperture", "100 mm")
        assert "not restored: seeing must be known" in capsys.readouterr().out
        call(stack, path, "--output", str(tmp_path), "--aperture", "100 mm", "--seeing", "0")
        assert "not restored" not in capsys.readouterr().out

    def test_what_a_bracket_needs(self, tmp_path, capsys):
        paths = [write(tmp_path / f"{name}.fits", discs()) for name in "ab"]
        out = ["--output", str(tmp_path)]
        with pytest.raises(InputError, match="exposure and gain must be known"):
            call(stack, paths[0], "--long", paths[1], *out)
        with pytest.raises(InputError, match="its exposure must be known"):
            call(stack, paths[0], "--long", paths[1], "--gain", "2", "--exposure", "0.1", *out)
        with pytest.raises(InputError, match="--long-exposure"):
            call(stack, paths[0], "--long-exposure", "0.1", *out)
        told = ["--gain", "2", "--exposure", "0.1 s", "--long-exposure", "0.2 s"]
        assert call(stack, paths[0], "--long", paths[1], *told, *out) == 0
        assert "of 0.2 s for the moons" in capsys.readouterr().out
        other = write(tmp_path / "c.fits", discs()[:, :60])
        with pytest.raises(InputError, match="one field"):
            call(stack, paths[0], "--long", other, *told, *out)

    def test_a_width_that_nothing_tells_is_null(self, tmp_path, capsys, monkeypatch):
        assert math.isnan(limb_fwhm_px(np.zeros((40, 40))))
        monkeypatch.setattr("simulate.commands.stack.limb_fwhm_px", lambda plane: math.nan)
        path = write(tmp_path / "m.fits", discs(), PIXSCALE=0.5)
        assert call(stack, path, "--keep", "1", "--output", str(tmp_path), "--json") == 0
        told = json.loads(capsys.readouterr().out)
        assert told["delivered_fwhm_arcsec"] is None
        assert "FWHM" not in fits.getheader(told["files"]["fits"])


class TestTruthFile:
    def test_only_its_own(self, tmp_path, capsys):
        out = ["--output", str(tmp_path), "--json"]
        for name, seed in (("a", "1"), ("b", "2")):
            call(record, *BASE, "--frames", "4", "--seed", seed, "--name", name, *out)
        capsys.readouterr()
        a, b = str(tmp_path / "a.fits"), str(tmp_path / "b.fits")
        with pytest.raises(InputError, match="no truth file"):
            call(stack, a, "--truth", b, *out)
        with pytest.raises(InputError, match="belongs to another recording: mars, 4 frames"):
            call(stack, a, "--truth", str(tmp_path / "b_truth.fits"), *out)
        (tmp_path / "b_truth.fits").replace(tmp_path / "a_truth.fits")
        assert call(stack, a, *out) == 0
        told = json.loads(capsys.readouterr().out)
        assert told["fwhm_by"] == "theory"
        assert any("left aside" in sentence for sentence in told["warnings"])

    def test_of_a_recording_without_a_hash(self, tmp_path, capsys):
        out = ["--output", str(tmp_path), "--json"]
        call(record, *BASE, "--frames", "4", "--name", "a", *out)
        capsys.readouterr()
        truth = str(tmp_path / "a_truth.fits")
        numbers, header = fits.getdata(tmp_path / "a.fits"), fits.getheader(tmp_path / "a.fits")
        for change, fits_it in (({}, True), ({"OBJECT": "jupiter"}, False)):
            told = {k: header[k] for k in ("OBJECT", "BAYERPAT", "PIXSCALE", "APTDIA", "DR0", "PEDESTAL")} | change
            path = write(tmp_path / f"c{fits_it}.fits", numbers, **told)
            if fits_it:
                assert call(stack, path, "--truth", truth, *out) == 0
                assert json.loads(capsys.readouterr().out)["fwhm_by"] == "truth"
            else:
                with pytest.raises(InputError, match="another recording"):
                    call(stack, path, "--truth", truth, *out)
        short = write(tmp_path / "short.fits", numbers[:3], **told | {"OBJECT": "mars"})
        with pytest.raises(InputError, match="another recording"):
            call(stack, short, "--truth", truth, *out)


def test_stack_refuses_what_is_no_recording(tmp_path):
    with pytest.raises(InputError, match="no such file"):
        call(stack, str(tmp_path / "none.fits"), "--output", str(tmp_path))
