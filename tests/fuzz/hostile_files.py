"""Files spoilt at random, given to the command line: a seeded trial of what its door promises.

Whatever is in a file, a command ends with code 0 or 2, at once, without a traceback or "a fault of this program"; JSON
holds no NaN; a refusal is short and leaves nothing behind. By hand, as many as wanted:

    python tests/fuzz/hostile_files.py --count 2000 --kind instruments
"""

from __future__ import annotations

import argparse
import contextlib
import io
import json
import re
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from astropy.io import fits
from PIL import Image

from simulate.bodies import load_body, load_user_map
from simulate.checking.reading import read_picture
from simulate.cli import main
from simulate.errors import InputError
from simulate.instruments import instrument_names

LONGEST_S = 120.0
"""Of the processor, for one case; a case that never ends takes much longer."""

ODD = (
    *("0", "-1", "1e-300", "1e300", "nan", "inf", "-inf", "1e999", "9" * 400, "0x7fffffffffffffff", "true", "[]", "{}"),
    *('""', '"\\u0000"', '"1 parsec"', '"nan mm"', '"1e300 mm"', '"-5 um"', "[[[[1]]]]", "{a={b={c=1}}}", "2027-01-01"),
    *(
        '"' + "x" * 3000 + '"',
        "'",
        '"""',
        "[1, 'a', []]",
        '["a", 1]',
        "\x00",
        "\u00e9",
        "\ud7ff",
        "=",
        "#",
        "\n[",
        "99999",
    ),
)


@dataclass(frozen=True)
class Outcome:
    """How a case ended.

    Parameters
    ----------
    code : int
        Exit code.
    fault : str
        What was wrong; empty where the promise was kept.
    """

    code: int
    fault: str = ""


def call(words: list[str], folder: Path) -> Outcome:
    """Run a command with the results going to ``folder / "out"`` and hold its end against the promise."""
    told, errors = io.StringIO(), io.StringIO()
    started = time.process_time()
    with contextlib.redirect_stdout(told), contextlib.redirect_stderr(errors):
        try:
            code = main([*words, "--json"])
        except BaseException as error:
            return Outcome(1, f"{type(error).__name__}: {error}")
    taken, said = time.process_time() - started, errors.getvalue()
    left = list(folder.rglob(".*")) + list(folder.rglob("*.part"))
    if code not in (0, 2) or "Traceback" in said or "a fault of this program" in said:
        return Outcome(code, said.strip() or "no word")
    if taken > LONGEST_S:
        return Outcome(code, f"took {taken:.0f} s")
    if left:
        return Outcome(code, f"half written: {left}")
    if code == 2:
        if len(said) > 10_000 or len(said.splitlines()) > 25 or not said.startswith("simulate: "):
            return Outcome(code, f"not one short sentence: {said[:300]}")
        if told.getvalue() or (folder / "out").exists():
            return Outcome(code, "refused, and yet something was written")
        return Outcome(code)
    if "Warning" in said:
        return Outcome(code, f"a warning of a library: {said[:300]}")
    try:
        json.loads(told.getvalue(), parse_constant=_no_constant)
    except ValueError as error:
        return Outcome(code, f"JSON: {error}")
    return Outcome(code)


def _no_constant(word: str) -> None:
    raise ValueError(f"{word} in it")


def spoilt(content: bytes, rng: np.random.Generator) -> bytes:
    """Return a file with some bytes changed, left out, doubled or cut off, more often near its start."""
    data = bytearray(content)
    for _ in range(int(rng.integers(1, 6))):
        near = rng.random() < 0.6
        place = int(rng.integers(0, max(1, min(len(data), 3000) if near else len(data))))
        how = rng.random()
        if how < 0.35:
            data[place : place + 1] = bytes([int(rng.integers(0, 256))])
        elif how < 0.55:
            data[place : place + 4] = rng.choice([0, 1, 255, 127, 128], 4).astype(np.uint8).tobytes()
        elif how < 0.65:
            del data[place : place + int(rng.integers(1, 200))]
        elif how < 0.75:
            data[place:place] = data[place : place + int(rng.integers(1, 3000))]
        elif how < 0.8:
            data[place : place + 8] = np.float64(rng.choice([np.nan, np.inf, 1e300, -1e38, 1e-320])).tobytes()
        elif how < 0.9:
            del data[place:]
        else:
            found = list(re.finditer(rb"\d+", bytes(data[:6000])))
            if found:
                digits = found[int(rng.integers(len(found)))]
                data[digits.start() : digits.end()] = str(int(10 ** rng.uniform(0, 19))).encode()
    return bytes(data)


def spoilt_text(text: str, rng: np.random.Generator) -> str:
    """Return a text with words changed for odd ones, lines left out, doubled, or moved."""
    for _ in range(int(rng.integers(1, 5))):
        how = rng.random()
        lines = text.splitlines()
        line = int(rng.integers(0, max(1, len(lines))))
        if how < 0.45 and lines and "=" in lines[line]:
            key, _, _ = lines[line].partition("=")
            lines[line] = f"{key}= {ODD[int(rng.integers(len(ODD)))]}"
        elif how < 0.6 and lines:
            del lines[line]
        elif how < 0.7 and lines:
            lines.insert(int(rng.integers(len(lines) + 1)), lines[line])
        elif how < 0.8:
            lines.insert(line, f"{'abc.' * int(rng.integers(0, 30))}key = {ODD[int(rng.integers(len(ODD)))]}")
        else:
            place = int(rng.integers(0, len(text) + 1))
            odd = ODD[int(rng.integers(len(ODD)))]
            text = text[:place] + odd + text[place + int(rng.integers(0, 4)) :]
            continue
        text = "\n".join(lines)
    return text


CURVE = "wavelength_nm,mono\n" + "".join(f"{nm},{0.8 - abs(nm - 550) / 1000:.3f}\n" for nm in range(400, 701, 20))

SETUP = """name = "mine"
[telescope]
aperture = "150 mm"
focal_length = "1200 mm"
obstruction = "37 mm"
vanes = { count = 4, width = "1 mm" }
wavefront_error = "0.05 wave"
aberrations = { coma = "0.05 wave" }
amplifier = 2.0
[camera]
pixel = "2.9 um"
columns = 1936
rows = 1096
quantum_efficiency = "curve.csv"
read_noise = "1.2 e-"
read_noise_curve = [["0.5 e-/DN", "1.0 e-"], ["3.6 e-/DN", "2.5 e-"]]
full_well = "15000 e-"
bits = 12
gain = "3.6 e-/DN"
window = ["400 nm", "700 nm"]
[mount]
kind = "altazimuth"
tracking_error = "1 arcsec"
"""


def instrument_case(rng: np.random.Generator, folder: Path) -> Outcome:
    """A setup, shipped or with a curve of its own; now and then the curve is the one that is spoilt."""
    names = instrument_names()
    shipped = Path(sys.modules["simulate.instruments"].__file__ or "").parent / "data"
    text = SETUP if rng.random() < 0.5 else (shipped / f"{rng.choice(names)}.toml").read_text(encoding="utf-8")
    curve = CURVE
    if rng.random() < 0.2:
        curve, text = spoilt_text(CURVE.replace(",", "="), rng).replace("=", ","), SETUP
    else:
        text = spoilt_text(text, rng)
    (folder / "curve.csv").write_text(curve, encoding="utf-8", errors="replace")
    data = text.encode("utf-8", "replace")
    (folder / "mine.toml").write_bytes(spoilt(data, rng) if rng.random() < 0.2 else data)
    return call(["instruments", str(folder / "mine.toml")], folder)


def disc(rows: int, columns: int, radius: float, rng: np.random.Generator) -> np.ndarray:
    """A soft disc on a dark sky, 0 to 1, with noise."""
    row, column = np.indices((rows, columns))
    light = 0.7 / (1 + np.exp(np.clip((np.hypot(row - rows / 2, column - columns / 2) - radius) / 1.2, -50, 50)))
    return np.clip(light + 0.05 + rng.normal(0, 0.01, light.shape), 0, 1)


def picture_bytes(light: np.ndarray, rng: np.random.Generator) -> bytes:
    """A picture in one of the kinds that are read."""
    memory = io.BytesIO()
    kind = rng.choice(["png8", "png16", "pngc", "tif8", "tif16", "tiflzw", "jpg", "fits", "fitsc", "deep"])
    grey = Image.fromarray(np.rint(light * 255).astype(np.uint8))
    if kind in ("png8", "tif8", "jpg"):
        grey.save(memory, {"png8": "PNG", "tif8": "TIFF", "jpg": "JPEG"}[str(kind)])
    elif kind in ("png16", "tif16"):
        Image.fromarray(np.rint(light * 65535).astype(np.uint16)).save(memory, "PNG" if kind == "png16" else "TIFF")
    elif kind == "pngc":
        grey.convert("P" if rng.random() < 0.5 else "RGBA").save(memory, "PNG")
    elif kind == "tiflzw":
        grey.convert("RGB").save(
            memory, "TIFF", compression=str(rng.choice(["tiff_lzw", "tiff_adobe_deflate", "jpeg"]))
        )
    elif kind == "deep":
        import tifffile

        packing = None if rng.random() < 0.5 else "zlib"
        colour = np.repeat(np.rint(light * 65535).astype(np.uint16)[..., None], 3, axis=2)
        tifffile.imwrite(memory, colour, photometric="rgb", compression=packing)
    else:
        planes = light if kind == "fits" else np.stack([light] * 3)
        fits.PrimaryHDU(planes.astype(str(rng.choice(["f4", "f8", "i2"])))).writeto(memory)
    return memory.getvalue()


def picture_case(rng: np.random.Generator, folder: Path) -> Outcome:
    """A picture for ``check``: mostly only read, at times given to the command, of a disc or of nothing."""
    rows, columns = (int(n) for n in rng.integers(16, 90, 2))
    whole, only_read = rng.random() < 0.02, rng.random() < 0.85
    radius = rng.uniform(2, 30) if whole else 0.0
    light = disc(rows, columns, radius, rng) if whole else rng.random((rows, columns))
    data = picture_bytes(light, rng)
    (folder / "mine.png").write_bytes(data if whole and rng.random() < 0.5 else spoilt(data, rng))
    if only_read and not whole:
        return _read(lambda: read_picture(folder / "mine.png").levels)
    body = str(rng.choice(["jupiter", "mars", "venus", "saturn"]))
    return call(["check", str(folder / "mine.png"), body, "--time", "2027-02-10T12:00", "--no-files"], folder)


def recording_case(rng: np.random.Generator, folder: Path) -> Outcome:
    """A small recording for ``stack``: a cube, plain or packed, or TIFF frames; at times only its numbers are odd."""
    rows, columns, frames = int(rng.integers(8, 70)), int(rng.integers(8, 70)), int(rng.integers(1, 7))
    cube = np.stack([disc(rows, columns, min(rows, columns) / 4, rng) for _ in range(frames)])
    numbers = np.rint(cube * 3000).astype(str(rng.choice(["u2", "f4", "i4"])))
    told = {"EXPTIME": 0.01, "EGAIN": 1.5, "RDNOISE": 1.2, "PEDESTAL": 30.0, "PIXSCALE": 0.25, "APTDIA": 150.0}
    told |= {"SEEING": 2.0, "BAYERPAT": str(rng.choice(["mono", "RGGB"]))}
    for key in list(told):
        if rng.random() < 0.15:
            told[key] = rng.choice([0.0, -1.0, 1e-300, 1e300, 1e-3, 1e4])
    memory = io.BytesIO()
    kind = rng.choice(["fits", "fits", "gz", "fz", "tif"])
    if kind == "tif":
        first, *others = (Image.fromarray(frame.astype(np.uint16)) for frame in numbers)
        first.save(memory, "TIFF", save_all=True, append_images=others)
    elif kind == "fz":
        units = [fits.PrimaryHDU(), fits.CompImageHDU(numbers.astype(np.int32), fits.Header(told))]
        fits.HDUList(units).writeto(memory)
    else:
        fits.PrimaryHDU(numbers, fits.Header(told)).writeto(memory)
    data = memory.getvalue()
    if kind == "gz":
        import gzip

        data = gzip.compress(spoilt(data, rng) if rng.random() < 0.5 else data, 1, mtime=0)
    path = folder / ("mine.tif" if kind == "tif" else "mine.fits")
    path.write_bytes(spoilt(data, rng) if rng.random() < 0.8 else data)
    odd = ["0.001", "1e-300", "1e300", "nan", "0", "-1", "1", "5", "1000"]
    options = [
        f"--{name}={rng.choice(odd)}"
        for name in ("pixel-scale", "aperture", "exposure", "gain", "seeing", "finer", "drop", "keep", "obstruction")
        if rng.random() < 0.06
    ]
    return call(["stack", str(path), "--output", str(folder / "out"), *options], folder)


def map_case(rng: np.random.Generator, folder: Path) -> Outcome:
    """A map of a user's own and its description, read without the view that would follow."""
    light = disc(32, 64, 9, rng) if rng.random() < 0.9 else disc(31, 65, 9, rng)
    data = picture_bytes(light, rng)
    name = str(rng.choice(["mine.png", "mine.tif", "mine.fits"]))
    (folder / name).write_bytes(spoilt(data, rng) if rng.random() < 0.5 else data)
    text = 'central_meridian_deg = 180\nlongitude = "west"\nlatitude = "planetocentric"\n'
    text += f'wavelengths_nm = {rng.choice(["550", "[650, 550, 450]"])}\ngamma = "srgb"\npicture = "{name}"\n'
    text = spoilt_text(text, rng) if rng.random() < 0.4 else text
    (folder / "mine.toml").write_text(text, encoding="utf-8", errors="replace")
    return _read(lambda: load_user_map(folder / "mine.toml", load_body("mars")).reflectance)


def _read(reader: Callable[[], np.ndarray]) -> Outcome:
    """Read something and hold it against the promise, without the work that would follow."""
    try:
        numbers = reader()
    except InputError as error:
        return Outcome(2, "" if "\n" not in str(error) else f"more than a sentence: {error}")
    except BaseException as error:
        return Outcome(1, f"{type(error).__name__}: {error}")
    return Outcome(0, "" if np.all(np.isfinite(numbers)) else "values that are no numbers")


KINDS: dict[str, Callable[[np.random.Generator, Path], Outcome]] = {
    "instruments": instrument_case,
    "pictures": picture_case,
    "recordings": recording_case,
    "maps": map_case,
}


def run(kind: str, count: int, seed: int = 0, keep: Path | None = None) -> tuple[Counter[int], list[str]]:
    """Run cases `seed`, `seed` + 1 and so on of a kind; return how often each exit code came, and the faults.

    Parameters
    ----------
    kind : str
        One of `KINDS`.
    count : int
        How many.
    seed : int
        Of the first; each case depends on its own number alone.
    keep : Path, optional
        Folder in which the files of cases that failed are kept.
    """
    codes: Counter[int] = Counter()
    faults: list[str] = []
    for number in range(seed, seed + count):
        with tempfile.TemporaryDirectory() as made:
            folder = Path(made)
            outcome = KINDS[kind](np.random.default_rng([sorted(KINDS).index(kind), number]), folder)
            codes[outcome.code] += 1
            if not outcome.fault:
                continue
            faults.append(f"{kind} {number}: code {outcome.code}: {outcome.fault[:500]}")
            if keep is not None:
                for path in folder.glob("mine.*"):
                    keep.mkdir(parents=True, exist_ok=True)
                    (keep / f"{kind}_{number}{path.suffix}").write_bytes(path.read_bytes())
    return codes, faults


def _main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--count", type=int, default=100, help="cases of each kind")
    parser.add_argument("--kind", choices=sorted(KINDS), action="append", help="default: every kind")
    parser.add_argument("--seed", type=int, default=0, help="number of the first case")
    parser.add_argument("--keep", type=Path, help="folder for the files of cases that failed")
    given = parser.parse_args()
    failed = False
    for kind in given.kind or sorted(KINDS):
        started = time.monotonic()
        codes, faults = run(kind, given.count, given.seed, given.keep)
        told = ", ".join(f"code {code}: {count}" for code, count in sorted(codes.items()))
        print(f"{kind}: {given.count} cases in {time.monotonic() - started:.0f} s; {told}; {len(faults)} faults")
        for fault in faults:
            print(f"  {fault}")
        failed = failed or bool(faults)
    return int(failed)


if __name__ == "__main__":
    sys.exit(_main())
