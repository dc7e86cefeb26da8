"""TIFF files: the numbers that another library wrote, and directories that never end."""

from __future__ import annotations

import struct
import time
import tracemalloc
import zlib
from pathlib import Path

import numpy as np
import pytest
import tifffile
from PIL import Image

from simulate.errors import InputError
from simulate.given.tiff import MOST_PAGES, TiffPages

RNG = np.random.default_rng(7)


def pages(path: Path) -> TiffPages:
    return TiffPages("file", path, lambda columns, rows: None)


@pytest.mark.parametrize("kind", ["u1", "u2", "f4"])
@pytest.mark.parametrize("colours", [1, 3, 4])
@pytest.mark.parametrize("packing", [None, "zlib"])
@pytest.mark.parametrize("planar", [False, True])
def test_numbers_are_those_that_were_written(tmp_path, kind, colours, packing, planar):
    shape = (40, 56) if colours == 1 else (colours, 40, 56) if planar else (40, 56, colours)
    numbers = (RNG.random(shape) * 250).astype(kind)
    photometric = "minisblack" if colours == 1 else "rgb"
    how = {} if colours == 1 else {"planarconfig": "separate" if planar else "contig"}
    tifffile.imwrite(tmp_path / "a.tif", numbers, photometric=photometric, compression=packing, predictor=None, **how)
    read = pages(tmp_path / "a.tif").page(0)
    np.testing.assert_array_equal(read, np.moveaxis(numbers, 0, -1) if colours > 1 and planar else numbers)


@pytest.mark.parametrize("mode", ["1", "L", "P", "RGB", "CMYK", "I;16", "F"])
@pytest.mark.parametrize("packing", [None, "tiff_lzw", "tiff_adobe_deflate", "packbits", "jpeg"])
def test_what_the_other_library_wrote(tmp_path, mode, packing):
    if packing == "jpeg" and mode in ("1", "P", "I;16", "F"):
        pytest.skip("JPEG holds 8 bits")
    grey = (np.arange(64 * 64).reshape(64, 64) // 17).astype(np.uint8)
    image = Image.fromarray(grey.astype(np.uint16) * 200) if mode == "I;16" else Image.fromarray(grey).convert(mode)
    image.save(tmp_path / "a.tif", compression=packing)
    read = pages(tmp_path / "a.tif").page(0)
    with Image.open(tmp_path / "a.tif") as again:
        plain = {"1": "L", "P": "RGB", "CMYK": "RGB", "YCbCr": "RGB"}.get(again.mode, again.mode)
        wanted = np.asarray(again if plain == again.mode else again.convert(plain))
    if mode == "CMYK":
        assert read.shape[:2] == wanted.shape[:2]
    else:
        np.testing.assert_array_equal(read, wanted)


def test_black_is_zero_in_negatives_too(tmp_path):
    numbers = (RNG.random((40, 56)) * 60000).astype(np.uint16)
    tifffile.imwrite(tmp_path / "a.tif", 65535 - numbers, photometric="miniswhite")
    np.testing.assert_array_equal(pages(tmp_path / "a.tif").page(0), numbers)


def classic(directories: list[tuple[list[bytes], int]]) -> bytes:
    """A file of directories, each of entries and the place of the next (TIFF 6.0, section 2)."""
    content = b"II*\0" + struct.pack("<I", 8)
    for entries, following in directories:
        content += struct.pack("<H", len(entries)) + b"".join(entries) + struct.pack("<I", following)
    return content


def entry(tag: int, kind: int, count: int, value: int) -> bytes:
    return struct.pack("<HHII", tag, kind, count, value)


def grey(columns: int, rows: int, *more: bytes, packed: bytes, packing: int = 8) -> bytes:
    entries = [
        *(entry(256, 4, 1, columns), entry(257, 4, 1, rows), entry(258, 3, 1, 8), entry(259, 3, 1, packing)),
        *(entry(262, 3, 1, 1), entry(273, 4, 1, 400), entry(277, 3, 1, 1), entry(278, 4, 1, rows)),
        *(entry(279, 4, 1, len(packed)), *more),
    ]
    return classic([(entries, 0)]).ljust(400, b"\0") + packed


HOSTILE = {
    "two directories in a circle": classic([([], 14), ([], 8)]),
    "a million pages": b"II*\0\x08\0\0\0" + b"".join(struct.pack("<HI", 0, 14 + 6 * n) for n in range(1_000_000)),
    "a table of a billion numbers": grey(64, 64, entry(320, 3, 1_000_000_000, 400), packed=zlib.compress(bytes(4096))),
    "a directory beyond the end": b"II*\0" + struct.pack("<I", 4_000_000_000),
    "a strip that unpacks to a hundred megabytes": grey(64, 64, packed=zlib.compress(bytes(100_000_000), 9)),
    "nothing": b"II*\0" + bytes(12),
}


@pytest.mark.parametrize("content", HOSTILE.values(), ids=HOSTILE.keys())
def test_odd_files_are_refused_at_once(tmp_path, content):
    path = tmp_path / "a.tif"
    path.write_bytes(content)
    import tifffile as _  # noqa: F401 - its own memory is not counted

    started = time.process_time()
    tracemalloc.start()
    with pytest.raises(InputError, match="damaged") as caught:
        pages(path).page(0)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert "\n" not in str(caught.value)
    assert time.process_time() - started < 10
    assert peak < 30e6
    assert MOST_PAGES < 1_000_000


def test_size_is_asked_before_anything_is_decoded(tmp_path):
    (tmp_path / "a.tif").write_bytes(grey(60_000, 60_000, packed=zlib.compress(bytes(100))))

    def small(columns: int, rows: int) -> None:
        if columns * rows > 1e6:
            raise InputError("file", f"{columns} x {rows}", "it must be smaller")

    with pytest.raises(InputError, match="60000 x 60000"):
        TiffPages("file", tmp_path / "a.tif", small).page(0)
