"""The frame of the command line: help, versions, exit codes, interruptions."""

from __future__ import annotations

import signal
import subprocess
import sys
from pathlib import Path

import pytest

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
