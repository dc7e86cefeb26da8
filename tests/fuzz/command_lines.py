"""Random command lines, sensible and senseless: none may end in a traceback, in code 1 or with half a file.

    python tests/fuzz/command_lines.py --count 3000 --seed 1

Every line runs in this process as a user's would, in a folder of its own, and is stopped as by Ctrl-C when it
takes longer than `PATIENCE_S`. What must hold:

* the exit code is 0 (done), 2 (refused) or 130 (stopped);
* what is refused prints a sentence a fault on standard error, nothing on standard output, and writes nothing;
* what is printed with --json is JSON as ECMA-404 defines it, without NaN or infinities;
* no file is empty, and none of those that are renamed when they are whole is left behind.

The options come from the commands' own parsers, so that a new one is tried without a word here.
"""

from __future__ import annotations

import argparse
import contextlib
import importlib
import io
import json
import os
import pkgutil
import random
import signal
import sys
import tempfile
import time
import warnings
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from astropy.io import fits
from PIL import Image

import simulate
from simulate.cli import COMMANDS, main
from simulate.telescope import Telescope, make_pupil
from simulate.values.files import LEFT_BEHIND

PATIENCE_S = 0.35
"""After this long a line is stopped: half of what is sensible gets into its work, and some ends it."""

BODIES = ("mars", "jupiter", "saturn", "venus", "mercury", "moon", "uranus", "neptune", "star", "MARS", " jupiter")
ODD_BODIES = ("sun", "earth", "io", "titan", "pluto", "jupter", "", "a" * 300, "../mars", "mars\0", "\udcff", "ж", "-1")
SITES = ("-41.3,174.8,20", "47.4,8.5", "41.3S,174.8E", "89.9,0", "0,0,0")
TIMES = ("2027-02-20T12:37", "2032-12-20T00:00Z", "2016-12-31T23:59:60", "2026-11-28", "1999-08-11T10:00+02:00")
NUMBERS = ("0", "1", "2", "0.5", "10", "100")
ODD = (
    "", " ", "x", "nan", "inf", "-inf", "1e400", "1e-300", "-1", "1e30", "0x10", "1_0", "--", "\0", "a\0b", "\udcff",
    "é望", "\n", "1e5 parsec", "5 kg", "5 ms ms", "=", "..", "/", "/dev/null", "a" * 5000, "9" * 5000, "🪐", "%s",
    "None",
)  # fmt: skip
ODD_TIMES = ("2027-13-01", "1850-01-01", "2200-01-01", "2027-02-30", "2027-06-30T23:59:60", "now", "2027-02-20T25:00")
WORDS = {
    "--time": TIMES,
    "--compared-with": TIMES,
    "--night": ("2027-02-10", "2026-12-21"),
    "--from": ("2027-01", "2027", "2027-01-01"),
    "--until": ("2027-02", "2027-01-20", "2028"),
    "--site": SITES,
    "--compared-site": SITES,
    "--ephemeris": ("builtin",),
    "--instrument": ("refractor-60", "newtonian-150", "refractor-40", "own.toml", "newtonian-250-mono"),
    "--seeing": ("2 arcsec", "0 arcsec", "0.5 arcsec", "5 arcsec"),
    "--outer-scale": ("20 m", "inf m"),
    "--temperature": ("15 deg_C", "-20 deg_C"),
    "--exposure": ("5 ms", "0.1 s"),
    "--long-exposure": ("50 ms",),
    "--gain": ("1.5 e-/DN", "0.5"),
    "--seconds": ("1 s", "0.1"),
    "--frames": ("1", "2", "3", "100"),
    "--keep": ("0.3", "30%", "1"),
    "--rate": ("100 fps", "50"),
    "--drift": ("3 arcsec", "-3 arcsec"),
    "--field": ("30 arcsec", "60 arcsec"),
    "--step": ("7 day", "30 day"),
    "--hour": ("12:00", "3"),
    "--filter": ("green", "red"),
    "--filter-array": ("RGGB", "mono"),
    "--format": ("tiff", "fits"),
    "--name": ("a", "practice", "ä-1"),
    "--output": ("out", "out/deeper", "."),
    "--processes": ("1",),
    "--scheduler": ("ucx://x",),
    "--map": ("own-map.toml", "picture.png"),
    "--without": ("red spot", "rings", "moons"),
    "--apertures": ("60,80", "60"),
    "--feature": ("syrtis major", "cassini division"),
    "--twin": ("syrtis major",),
    "--mark": ("memory", "seen"),
    "--pixel-scale": ("0.25 arcsec",),
    "--aperture": ("150 mm",),
    "--obstruction": ("37 mm",),
    "--offset": ("32 DN",),
    "--read-noise": ("1.2 e-",),
    "--truth": ("cube_truth.fits", "cube.fits"),
    "--long": ("cube.fits",),
    "--compared-picture": ("picture.png",),
    "--station-range": ("600 km",),
}
"""Sensible words for an option; for others `NUMBERS`."""

PLACES = {
    "picture": ("picture.png", "grey.png", "noise.tif", "cube.fits", "own.toml", "missing.png", "."),
    "recording": ("cube.fits", "noise.tif", "frames", "own.toml", "missing.fits", ".", "picture.png"),
    "name": ("refractor-60", "newtonian-150", "own.toml", "missing.toml", "newtonian"),
    "instrument": ("refractor-60", "newtonian-150", "own.toml", "missing.toml", "newtonian"),
}
"""Words for a positional argument; for others bodies."""

SELDOM_SENT = ("-h", "--help", "--processes", "--scheduler")


@dataclass(frozen=True)
class Outcome:
    """What became of a line.

    Parameters
    ----------
    words : tuple of str
        The line.
    code : int
        Exit code.
    seconds : float
        How long it took.
    faults : tuple of str
        What did not hold; empty when all did.
    """

    words: tuple[str, ...]
    code: int
    seconds: float
    faults: tuple[str, ...]


def furnish(folder: Path) -> None:
    """Put files there that lines can name."""
    data = Path(simulate.__file__).parent / "instruments/data/refractor-60.toml"
    (folder / "own.toml").write_text(data.read_text().replace('"refractor-60"', '"own"'))
    dice = np.random.default_rng(1)
    rows, columns = np.mgrid[:80, :80] - 39.5
    disc = np.clip(20.0 - np.hypot(rows, columns), 0, 1) * (150 + 40 * np.sin(rows / 3)) + dice.normal(8, 1, (80, 80))
    Image.fromarray(np.stack([disc] * 3, axis=-1).clip(0, 255).astype(np.uint8)).save(folder / "picture.png")
    Image.fromarray(np.full((40, 40), 9, np.uint8)).save(folder / "grey.png")
    noise = [Image.fromarray(dice.integers(0, 60000, (40, 40)).astype(np.uint16)) for _ in range(3)]
    noise[0].save(folder / "noise.tif", save_all=True, append_images=noise[1:])
    (folder / "frames").mkdir()
    noise[0].save(folder / "frames/frame_0.tif")
    frames = np.stack([40 * disc.astype(np.uint16)] * 4)
    fits.PrimaryHDU(frames).writeto(folder / "cube.fits")
    (folder / "own-map.toml").write_text('central_meridian_deg = 0\nlongitude = "west"\n')


def options_of(command: str) -> tuple[list[argparse.Action], list[argparse.Action]]:
    """Return the positional arguments and the options of a command."""
    parser = argparse.ArgumentParser()
    importlib.import_module(f"simulate.cli.{command}").add_arguments(parser)
    actions = parser._actions
    return [a for a in actions if not a.option_strings], [a for a in actions if a.option_strings]


ENDING = tuple(name for name in COMMANDS if name != "page")
"""Commands that end by themselves; the page serves until Ctrl-C."""


def line(dice: random.Random) -> list[str]:
    """Return a random command line."""
    if dice.random() < 0.03:
        return [dice.choice((*ENDING, "--version", "--help", *ODD)) for _ in range(dice.randrange(3))]
    command = dice.choice(ENDING)
    positional, options = options_of(command)
    oddness = dice.choice((0.0, 0.0, 0.1, 0.3))
    words = [command]
    for action in positional:
        count = (
            1
            if action.nargs is None
            else dice.choice((0, 1, 1, 1, 2, 3))
            if action.nargs != "?"
            else dice.choice((0, 1))
        )
        known = PLACES.get(action.dest, BODIES)
        words += [dice.choice(ODD_BODIES + ODD if dice.random() < oddness / 3 else known) for _ in range(count)]
    for action in options:
        usual = {"--output": 0.7, "--json": 0.4, "--time": 0.5, "--frames": 0.3, "--site": 0.4}.get(
            action.option_strings[0], 0.01 if action.option_strings[0] in SELDOM_SENT else 0.08
        )
        if dice.random() > usual:
            continue
        option = dice.choice(action.option_strings)
        if action.nargs == 0:
            words.append(option)
            continue
        odd = ODD + ODD_TIMES if option in ("--time", "--night", "--from", "--until") else ODD
        word = dice.choice(odd if dice.random() < oddness else WORDS.get(option, NUMBERS))
        words += [f"{option}={word}"] if dice.random() < 0.3 else [option, word]
    if dice.random() < 0.05:
        words.insert(dice.randrange(1, len(words) + 1), dice.choice(ODD))
    if dice.random() < 0.05 and len(words) > 1:
        del words[dice.randrange(1, len(words))]
    return words


@contextlib.contextmanager
def interrupted_after(seconds: float) -> Iterator[None]:
    """Send this process a Ctrl-C when the body takes longer."""

    def interrupt(*_: object) -> None:
        raise KeyboardInterrupt

    before = signal.signal(signal.SIGALRM, interrupt)
    signal.setitimer(signal.ITIMER_REAL, seconds)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)
        signal.signal(signal.SIGALRM, before)


def run(words: Sequence[str], seconds: float = PATIENCE_S) -> Outcome:
    """Run a line in a furnished folder of its own and say what did not hold."""
    out, err = io.StringIO(), io.StringIO()
    here = os.getcwd()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        furnish(folder)
        before = set(folder.rglob("*"))
        os.chdir(folder)
        started = time.monotonic()
        try:
            with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err), interrupted_after(seconds):
                code = main(words)
        except KeyboardInterrupt:
            code = 130
        except BaseException as error:
            code = 1
            err.write(f"Traceback: {type(error).__name__}: {error}")
        finally:
            os.chdir(here)
        taken = time.monotonic() - started
        new = [path for path in folder.rglob("*") if path not in before]
        faults = [*_faults_of_words(words, code, out.getvalue(), err.getvalue()), *_faults_of_files(code, new)]
    return Outcome(tuple(words), code, taken, tuple(faults))


def _faults_of_words(words: Sequence[str], code: int, out: str, err: str) -> Iterator[str]:
    if code not in (0, 2, 130):
        yield f"code {code}: {err.strip()[:300]}"
    if "Traceback" in err or "a fault of this program" in err or "Warning:" in err:
        yield f"on standard error: {err.strip()[:300]}"
    if code == 2 and not any(line.startswith("simulate: ") for line in err.splitlines()):  # progress may come before
        yield f"refused without a sentence: {err[:200]!r}"
    if code == 2 and out:
        yield f"refused after printing: {out[:100]!r}"
    if code == 0 and "--json" in words and not {"-h", "--help"} & set(words):
        try:
            json.loads(out, parse_constant=_refuse_constant)
        except ValueError as error:
            yield f"not JSON: {error}"


def _refuse_constant(name: str) -> None:
    raise ValueError(f"{name} is no JSON")


def _faults_of_files(code: int, new: Sequence[Path]) -> Iterator[str]:
    if code == 2 and new:
        yield f"refused after writing {new[0].name}"
    for path in new:
        growing = code == 130 and path.name.endswith((".fits.part", ".rows.part"))
        if path.is_file() and not growing and (path.stat().st_size == 0 or LEFT_BEHIND.fullmatch(path.name)):
            yield f"left behind: {path.name}"
        if not growing and path.name.endswith(".part"):
            yield f"half written: {path.name}"


def load_everything() -> None:
    """Import what commands import as they go: a line that is stopped in an import spoils the lines after it."""
    for module in pkgutil.walk_packages(simulate.__path__, "simulate."):
        if not module.name.endswith("__main__"):
            importlib.import_module(module.name)
    importlib.import_module("matplotlib.pyplot")
    make_pupil(Telescope(100 + random.random(), 800, obstruction_mm=20, wavefront_error_waves=0.05), 64)  # loads poppy
    with contextlib.redirect_stdout(io.StringIO()), contextlib.redirect_stderr(io.StringIO()):
        for words in (
            ["view", "star", "--instrument", "refractor-40", "--output", "out"],
            ["record", "star", "--instrument", "refractor-40", "--frames", "2", "--format", "tiff", "--name", "a"],
            ["bodies", "mars"],
            ["instruments"],
        ):
            run(words, 600.0)


def many(count: int, seed: int, *, tell: bool = False) -> list[Outcome]:
    """Run so many random lines and return what became of them; `tell` prints faults as they come."""
    dice = random.Random(seed)
    load_everything()
    outcomes = []
    for number in range(count):
        outcome = run(line(dice))
        outcomes.append(outcome)
        if tell and outcome.faults:
            print(number, repr(outcome.words)[:600], *outcome.faults, sep="\n    ", flush=True)
        if tell and number % 250 == 249:
            print(f"{number + 1} lines: {_counts(outcomes)}", flush=True)
    return outcomes


def _counts(outcomes: Sequence[Outcome]) -> str:
    codes = Counter(outcome.code for outcome in outcomes)
    faulty = sum(bool(outcome.faults) for outcome in outcomes)
    return ", ".join(f"code {code}: {number}" for code, number in sorted(codes.items())) + f"; with a fault: {faulty}"


def _main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--count", type=int, default=300, help="lines to run (default 300)")
    parser.add_argument("--seed", type=int, default=0, help="of the dice (default 0)")
    arguments = parser.parse_args()
    with warnings.catch_warnings():
        outcomes = many(arguments.count, arguments.seed, tell=True)
    commands = Counter(outcome.words[0] if outcome.words else "" for outcome in outcomes)
    print(", ".join(f"{name} {commands[name]}" for name in COMMANDS))
    print(f"{len(outcomes)} lines, seed {arguments.seed}: {_counts(outcomes)}")
    return int(any(outcome.faults for outcome in outcomes))


if __name__ == "__main__":
    sys.exit(_main())
