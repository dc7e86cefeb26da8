"""The frame of the command line: help, versions, exit codes, interruptions."""

from __future__ import annotations

import io
import signal
import subprocess
import sys
import warnings
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

import simulate
from simulate.cli import COMMANDS, _protect_signs, main

ROOT = Path(simulate.__file__).resolve().parent.parent


def test_help_lists_every_command(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--help"]) == 0
    shown = capsys.readouterr().out
    assert all(f"\n  {name} " in shown for name in COMMANDS)
    assert all(len(line) <= 100 for line in shown.splitlines())
    assert main([]) == 0


def test_version(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--version"]) == 0
    assert capsys.readouterr().out == f"simulate {simulate.__version__}\n"


@pytest.mark.parametrize("words", [["vew"], ["--fast"], ["-x"], [""]])
def test_an_unknown_command_leaves_with_two(words: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert main(words) == 2
    shown = capsys.readouterr()
    assert shown.out == ""
    assert len(shown.err.splitlines()) == 1


def test_a_signed_value_is_not_taken_for_an_option() -> None:
    assert _protect_signs(["--site", "-41.3,174.8,20", "--json"]) == ["--site=-41.3,174.8,20", "--json"]
    assert _protect_signs(["--site", "41.3,-1", "-5"]) == ["--site", "41.3,-1", "-5"]


def test_ctrl_c_stops_with_130_and_one_sentence(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    import simulate.cli.bodies

    def interrupted(arguments: object) -> int:
        signal.raise_signal(signal.SIGINT)
        return 0

    monkeypatch.setattr(simulate.cli.bodies, "run", interrupted)
    assert main(["bodies"]) == 130
    assert "stopped" in capsys.readouterr().err


def test_a_full_disk_is_one_sentence(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    import simulate.cli.bodies

    def full(arguments: object) -> int:
        raise OSError(28, "No space left on device", "results/sheet.png")

    monkeypatch.setattr(simulate.cli.bodies, "run", full)
    assert main(["bodies"]) == 1
    assert capsys.readouterr().err == "simulate: results/sheet.png: No space left on device\n"


def test_python_dash_m_runs_the_same(tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "simulate", "view", "--help"], capture_output=True, text=True, cwd=ROOT, check=True
    )
    assert "--instrument" in done.stdout


def test_a_reader_that_goes_away_is_no_fault() -> None:
    code = "import simulate.cli, sys; sys.exit(simulate.cli.main(['bodies', 'jupiter']))"
    with subprocess.Popen(
        [sys.executable, "-c", code], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, cwd=ROOT
    ) as process:
        assert process.stdout is not None
        process.stdout.close()
        assert process.stderr is not None
        assert "Traceback" not in process.stderr.read()


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        ("view", "BODY is missing; see 'simulate view --help'"),
        ("check a.png mars", "--time is missing; give the instant of the picture: the middle of the recording"),
        ("view mars --seeing", "the value of --seeing is missing; see 'simulate view --help'"),
        ("view mars --seeing 2", 'give a value from 0 arcsec to 30 arcsec, with its unit: "2 arcsec"'),
        ("view mars --seed -1", "--seed: -1 cannot be used; give a whole number from 0 up"),
        ("view mars --seed y", "--seed: 'y' cannot be used; give a whole number"),
        ("view mars --keep x%", "--keep: 'x%' cannot be used; give a share such as 0.3 or \"30%\""),
        ("view mars --keep 130%", "keep: 1.3 cannot be used; give a share above 0, up to 1"),
        ("record mars --red-spot 1e9", "--red-spot: 1000000000.0 cannot be used; give a value from -360 to 720"),
        ("limits mars --dust 4", "--dust: 4.0 cannot be used; give a value from 0 to 1"),
        ("season mars --hauer 3", "did you mean '--hour'?"),
    ],
)
def test_every_fault_is_told_in_the_same_form(
    words: str, sentence: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main([*words.split(), "--output", str(tmp_path / "never")]) == 2
    shown = capsys.readouterr()
    assert shown.out == ""
    assert shown.err.strip().endswith(sentence)
    assert not (tmp_path / "never").exists()


def test_two_instruments_of_one_name_are_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Their files would overwrite each other."""
    text = (ROOT / "simulate/instruments/data/refractor-60.toml").read_text()
    twin = tmp_path / "twin.toml"
    twin.write_text(text.replace('aperture = "60 mm"', 'aperture = "61 mm"'))
    assert main(["view", "star", "--instrument", "refractor-60", "--instrument", str(twin)]) == 2
    assert "give it another name than 'refractor-60', which is taken" in capsys.readouterr().err


@pytest.mark.parametrize("encoding", ["ascii", "cp1252", "utf-16"])
def test_output_of_another_encoding(encoding: str, monkeypatch: pytest.MonkeyPatch) -> None:
    out = io.TextIOWrapper(io.BytesIO(), encoding=encoding)
    monkeypatch.setattr(sys, "stdout", out)
    assert main(["bodies", "jupiter"]) == 0
    assert "jupiter" in out.buffer.getvalue().decode(encoding).lower()  # type: ignore[attr-defined]


def test_a_closed_or_full_output_is_no_traceback() -> None:
    command = f"{sys.executable} -m simulate bodies jupiter"
    closed = subprocess.run(
        ["/bin/sh", "-c", f"{command} >&-"], stderr=subprocess.PIPE, text=True, cwd=ROOT, check=False
    )
    assert (closed.returncode, closed.stderr) == (0, "")
    if Path("/dev/full").exists():
        full = subprocess.run(
            ["/bin/sh", "-c", f"{command} >/dev/full"], stderr=subprocess.PIPE, text=True, cwd=ROOT, check=False
        )
        assert full.returncode == 1
        assert full.stderr == "simulate: standard output: No space left on device\n"


@pytest.mark.skipif(sys.platform == "win32", reason="signals are a matter of POSIX")
@pytest.mark.parametrize("module", ["simulate.errors", "argparse", "simulate.recording.threads", "simulate.cli"])
def test_ctrl_c_while_the_libraries_load(module: str) -> None:
    """The signal is raised as a module begins to load: no race with a clock."""
    code = (
        "import importlib.abc, runpy, signal, sys\n"
        "class Finder(importlib.abc.MetaPathFinder):\n"
        "    def find_spec(self, name, *_):\n"
        f"        if name == {module!r}:\n"
        "            signal.raise_signal(signal.SIGINT)\n"
        "sys.meta_path.insert(0, Finder())\n"
        f"sys.modules.pop({module!r}, None)\n"
        "sys.argv = ['simulate', 'bodies']\n"
        "runpy.run_module('simulate', run_name='__main__')\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT, check=False)
    assert (done.returncode, done.stderr) == (130, "simulate: stopped; finished files are kept\n")


def test_warnings_of_libraries_are_not_for_the_user(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    import simulate.cli.bodies

    def warned(arguments: object) -> int:
        warnings.warn("of a library", RuntimeWarning, stacklevel=1)
        return 0

    monkeypatch.setattr(simulate.cli.bodies, "run", warned)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        assert main(["bodies"]) == 0
    assert capsys.readouterr().err == ""


@pytest.mark.parametrize(
    ("words", "field"),
    [
        (["record", "mars", "--processes", "1" + 30 * "0"], "--processes"),
        (["record", "mars", "--rate", "1e-300"], "--rate"),
        (["record", "mars", "--frames", "1000000000000"], "--frames"),
        (["view", "mars", "--map", ""], "map"),
        (["view", "mars", "--map", "a\0b"], "--map"),
        (["view", "mars", "--instrument", "a\0b.toml"], "instrument"),
        (["view", "mars", "--instrument", "a\udcff.toml"], "instrument"),
        (["stack", "a\0b"], "arguments"),
        (["stack", ""], "RECORDING"),
        (["stack", "a" * 5000 + ".fits"], "too long"),
        (["check", "a\0b.png", "mars", "--time", "2027-02-20T12:37"], "arguments"),
        (["check", "a" * 5000 + ".png", "mars", "--time", "2027-02-20T12:37"], "too long"),
        (["record", "mars", "--name", "a\0b"], "--name"),
        (["record", "mars", "--name", "a\udcffb"], "--name"),
        (["record", "mars", "--name", "a" * 250], "--name"),
        (["record", "mars", "--name", ""], "--name"),
        (["record", "mars", "--scheduler", "ucx://x"], "--scheduler"),
    ],
)
def test_senseless_words_are_refused_in_one_sentence(
    words: list[str], field: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    assert main(words) == 2
    shown = capsys.readouterr()
    assert (shown.out, len(shown.err.splitlines())) == ("", 1)
    assert field in shown.err
    assert list(tmp_path.iterdir()) == []  # no empty folder for results either


@pytest.mark.parametrize("folder", ["a\0b", "a\udcffb/\0", "a" * 300, "b/" * 3000])
def test_folders_that_cannot_be_are_refused(
    folder: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    assert main(["record", "mars", "--frames", "1", "--output", folder]) == 2
    assert "--output" in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []


def test_the_present_folder_can_be_stacked(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    dice = np.random.default_rng(1)
    rows, columns = np.mgrid[:60, :60] - 29.5
    for number in range(4):
        disc = 20000 * (np.hypot(rows, columns) < 15) + dice.integers(500, 600, (60, 60))
        Image.fromarray(disc.astype(np.uint16)).save(tmp_path / f"frame_{number}.tif")
    monkeypatch.chdir(tmp_path)
    known = ["--pixel-scale", "0.5 arcsec", "--aperture", "60 mm", "--exposure", "5 ms", "--gain", "1 e-/DN"]
    code = main(["stack", ".", *known, "--offset", "32", "--read-noise", "2 e-", "--output", str(tmp_path / "out")])
    assert (code, "fault of" in capsys.readouterr().err) == (0, False)


def test_an_instrument_with_an_accent_records(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = (ROOT / "simulate/instruments/data/refractor-60.toml").read_text()
    own = tmp_path / "été.toml"
    own.write_text(text.replace('"refractor-60"', '"lunette-été"'), encoding="utf-8")
    words = ["record", "star", "--instrument", str(own), "--frames", "1", "--name", "étoile"]
    assert main([*words, "--output", str(tmp_path)]) == 0
    assert (tmp_path / "étoile.fits").exists()
