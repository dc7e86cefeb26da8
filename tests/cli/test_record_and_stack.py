"""`simulate record` and `simulate stack`: what they print, write and refuse."""

from __future__ import annotations

import argparse
import json

import numpy as np
import pytest
from astropy.io import fits

from simulate.cli import record, stack
from simulate.errors import InputError

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
    # the TIFF frames alone say less: given by hand, they make the same stack
    words = ["--keep", "0.5", "--filter-array", "RGGB", "--gain", "3.6 e-/DN", "--offset", "32", "--pixel-scale"]
    scale = fits.getheader(told["files"]["recording"])["PIXSCALE"]
    words += [f"{scale} arcsec", "--aperture", "60 mm", "--exposure", "4 ms", "--read-noise", "1.2 e-"]
    assert call(stack, told["files"]["tiff"], *words, "--output", str(tmp_path), "--json") == 0
    other = json.loads(capsys.readouterr().out)
    assert other["kept"] == 15
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
    ],
)
def test_refused(tmp_path, words, field):
    with pytest.raises(InputError) as error:
        call(record, *BASE, "--frames", "1", "--output", str(tmp_path), *words)
    assert error.value.field == field


def test_stack_refuses_what_is_no_recording(tmp_path):
    with pytest.raises(InputError, match="no such file"):
        call(stack, str(tmp_path / "none.fits"), "--output", str(tmp_path))
