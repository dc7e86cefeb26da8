"""The recipe of the drawn maps in ``reference_maps/``: the face of every body without a measured map, as pictures.

Run ``python reference_maps/build/build_maps.py [FOLDER]`` in the project's folder. Each body with a face
gets one grey 16-bit PNG a band, and a TOML file that says how to read them and that makes them a
user's own map to start from. Invented texture goes into a picture of its own, as a factor on the map,
in the band in which it is strongest.
The same version gives the same bytes; ``checksums.txt`` lists them.
"""

from __future__ import annotations

import argparse
import hashlib
import zlib
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import numpy.typing as npt

from simulate.bodies.body import Body, body_names, load_body
from simulate.bodies.features import read_palette
from simulate.bodies.measured import has_measured_map
from simulate.bodies.surface import SurfaceMap, surface_map
from simulate.values.files import write_bytes
from simulate.values.png import grey_png

FULL = 65535
TEXTURE_FULL_SCALE = 2.0
"""Factor that stands at the largest number of a picture of invented texture."""

CHECKSUMS = "checksums.txt"


def built_files() -> Iterator[tuple[str, bytes]]:
    """Yield (file name, content) of everything in ``reference_maps/`` but its PROVENANCE.md and the checksums."""
    for name in body_names():
        body = load_body(name)
        if "map" in body.sections and not has_measured_map(body):
            yield from _face(body)


def write_maps(folder: str | Path) -> list[Path]:
    """Write all maps and their checksums into `folder`; return the paths."""
    target = Path(folder)
    target.mkdir(parents=True, exist_ok=True)
    files = list(built_files())
    lines = [f"zlib {zlib.ZLIB_RUNTIME_VERSION}", *(f"{_digest(content)}  {name}" for name, content in files)]
    files.append((CHECKSUMS, ("\n".join(lines) + "\n").encode()))
    for name, content in files:
        write_bytes(target / name, content)
    return [target / name for name, _ in files]


def _digest(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()


def _face(body: Body) -> Iterator[tuple[str, bytes]]:
    plain = surface_map(body)
    columns = round(360.0 / body.section("map")["step_deg"])
    bands = read_palette(body.section("map")).bands
    pictures = picture_of(plain, columns)
    scales = [float(np.ceil(picture.max() * 20) / 20) for picture in pictures]
    for band, picture, scale in zip(bands, pictures, scales, strict=True):
        yield f"{body.name}_{band}.png", grey_png(_numbers(picture, scale))
    remark = ""
    if "texture" in body.sections:
        factor = picture_of(surface_map(body, invented_texture=True), columns) / pictures
        strongest = int(np.argmax(factor.std(axis=(1, 2))))
        name = f"{body.name}_invented_texture.png"
        remark = (
            f"# {name}: invented texture in the {bands[strongest]} band, a factor on the map, "
            f"number / 65535 * {TEXTURE_FULL_SCALE:g}; looks right, is made up.\n"
        )
        yield name, grey_png(_numbers(factor[strongest], TEXTURE_FULL_SCALE))
    yield f"{body.name}.toml", (remark + _description(body, plain, bands, scales)).encode()


def picture_of(surface: SurfaceMap, columns: int) -> npt.NDArray[np.float64]:
    """Return a map as pictures, shape (bands, columns/2, columns), north at the top, 0 deg at the left, east right."""
    rows = columns // 2
    latitude = 90.0 - (np.arange(rows) + 0.5) * (180.0 / rows)
    longitude = (np.arange(columns) + 0.5) * (360.0 / columns)
    return surface.sample(latitude[:, None], longitude[None, :]).astype(float)


def _numbers(picture: npt.NDArray[np.float64], full_scale: float) -> npt.NDArray[np.uint16]:
    return np.rint(np.clip(picture / full_scale, 0.0, 1.0) * FULL).astype(np.uint16)


def _description(body: Body, surface: SurfaceMap, bands: tuple[str, ...], scales: list[float]) -> str:
    head = [
        f'name = "{body.name}"',
        f'body = "{body.name}"',
        'note = "relative reflectance = number / 65535 * full_scale; its mean over the globe is about 1"',
        'licence = "BSD-3-Clause; sources in PROVENANCE.md"',
        "central_meridian_deg = 180",
        'longitude = "east"',
        'latitude = "planetographic"',
        'gamma = "linear"',
        f'longitude_system = "{surface.longitude_system}"',
    ]
    for band, wavelength, scale in zip(bands, surface.wavelengths_nm, scales, strict=True):
        head += ["", "[[band]]", f'picture = "{body.name}_{band}.png"']
        head += [f"wavelength_nm = {wavelength:g}", f"full_scale = {scale:g}"]
    return "\n".join(head) + "\n"


def main(arguments: list[str] | None = None) -> int:
    """Build the maps into the folder given on the command line."""
    parser = argparse.ArgumentParser(prog="python reference_maps/build/build_maps.py", description=__doc__)
    parser.add_argument("folder", nargs="?", default="reference_maps", help="where the maps go (default: %(default)s)")
    paths = write_maps(parser.parse_args(arguments).folder)
    size = sum(path.stat().st_size for path in paths)
    print(f"{len(paths)} files, {size / 1e6:.1f} MB, in {paths[0].parent}")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
