"""FITS files: pictures where the standard says, and headers that promise what no file holds."""

from __future__ import annotations

import gzip
import time
import tracemalloc

import numpy as np
import pytest
from astropy.io import fits

from simulate.errors import InputError
from simulate.given.fits import BLOCK, MOST_UNPACKED, open_fits

RNG = np.random.default_rng(5)


def header(*cards: str) -> bytes:
    """A header of such cards (FITS Standard 4.0, section 3.3.1)."""
    text = "".join(card.ljust(80) for card in (*cards, "END")).encode()
    return text.ljust(-(-len(text) // BLOCK) * BLOCK)


def cube_header(bits=16, axes=(64, 64, 10), *more: str) -> bytes:
    lengths = [f"NAXIS{index + 1:<3}= {length:>20}" for index, length in enumerate(axes)]
    return header(
        "SIMPLE  =                    T", f"BITPIX  = {bits:>20}", f"NAXIS   = {len(axes):>20}", *lengths, *more
    )


@pytest.mark.parametrize("kind", ["u1", "i2", "u2", "i4", "i8", "f4", "f8"])
@pytest.mark.parametrize("ending", [".fits", ".fits.gz"])
def test_numbers_are_those_of_the_library(tmp_path, kind, ending):
    numbers = (RNG.random((4, 9, 11)) * 200).astype(kind)
    path = tmp_path / f"a{ending}"
    fits.HDUList([fits.PrimaryHDU(), fits.ImageHDU(numbers, name="cube")]).writeto(path)
    picture = open_fits("file", path)
    assert picture.axes == (4, 9, 11)
    assert picture.whole == 4
    with fits.open(path) as units:
        np.testing.assert_array_equal(np.stack([picture.scaled(n) for n in range(4)]), units[1].data.astype(np.float32))


def test_compressed_pictures_are_read_frame_by_frame(tmp_path):
    numbers = (RNG.random((4, 64, 48)) * 2000).astype(np.int16)
    fits.HDUList([fits.PrimaryHDU(), fits.CompImageHDU(numbers)]).writeto(tmp_path / "a.fits.fz")
    picture = open_fits("file", tmp_path / "a.fits.fz")
    assert picture.axes == (4, 64, 48)
    np.testing.assert_array_equal(np.stack([picture.part(n) for n in (3, 0)]), numbers[[3, 0]])


def test_what_cards_say(tmp_path):
    told = fits.Header({"EXPTIME": 0.01, "OBJECT": "O'Neill", "ROWORDER": "TOP-DOWN", "BSCALE": 2.0})
    fits.PrimaryHDU(np.zeros((9, 9), np.int16), told).writeto(tmp_path / "a.fits")
    content = bytearray((tmp_path / "a.fits").read_bytes())
    place = content.index(b"OBJECT  =")
    content[place + 80 : place + 80] = b""
    picture = open_fits("file", tmp_path / "a.fits")
    assert picture.header["EXPTIME"] == 0.01
    assert picture.header["OBJECT"] == "O'Neill"
    assert picture.top_down
    content[place + 10 : place + 80] = b"\xff" * 70  # no card that anybody could read
    (tmp_path / "b.fits").write_bytes(content)
    assert open_fits("file", tmp_path / "b.fits").header["EXPTIME"] == 0.01


HOSTILE = {
    "axes without end": header("SIMPLE  =                    T", "BITPIX  = 16", "NAXIS   = 2147483648"),
    "a negative axis": cube_header(axes=(-5, 64)),
    "a negative number of axes": header("SIMPLE  =                    T", "BITPIX  = 16", "NAXIS   = -1"),
    "odd bits": cube_header(bits=7),
    "no bits": header("SIMPLE  =                    T", "NAXIS   = 2", "NAXIS1  = 9", "NAXIS2  = 9"),
    "cards without end": b"SIMPLE  =                    T".ljust(80) + b" " * 5_000_000,
    "units without end": header("SIMPLE  =                    T", "BITPIX  = 8", "NAXIS   = 0")
    + 2000 * header("XTENSION= 'IMAGE   '", "BITPIX  = 8", "NAXIS   = 0"),
    "an axis of nothing": cube_header(axes=(0, 64)),
    "an archive": b"PK\3\4" + bytes(4000),
    "a table that says it is a picture": header("SIMPLE  =                    T", "BITPIX  = 8", "NAXIS   = 0")
    + header(
        *("XTENSION= 'BINTABLE'", "BITPIX  = 8", "NAXIS   = 2", "NAXIS1  = 8", "NAXIS2  = 1", "PCOUNT  = 0"),
        *("GCOUNT  = 1", "ZIMAGE  =                    T", "ZNAXIS  = 2", "ZNAXIS1 = 99999999", "ZNAXIS2 = 99999999"),
        *("ZTILE1  = 99999999", "ZTILE2  = 99999999", "ZBITPIX = 16"),
    )
    + bytes(BLOCK),
}


@pytest.mark.parametrize("content", HOSTILE.values(), ids=HOSTILE.keys())
@pytest.mark.parametrize("packed", [False, True])
def test_odd_headers_are_refused_at_once(tmp_path, content, packed):
    path = tmp_path / "a.fits"
    path.write_bytes(gzip.compress(content) if packed else content)
    started = time.process_time()
    tracemalloc.start()
    with pytest.raises(InputError) as caught:
        open_fits("file", path)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert "\n" not in str(caught.value)
    assert time.process_time() - started < 5
    assert peak < 20e6


def test_a_small_packed_file_is_not_unpacked_to_gigabytes(tmp_path):
    beyond = cube_header(axes=(4000, 4000, MOST_UNPACKED // 32_000_000 + 1))
    path = tmp_path / "a.fits.gz"
    with gzip.open(path, "wb", compresslevel=1) as file:
        file.write(beyond + bytes(4_000_000))
    with pytest.raises(InputError, match="unpack it first"):
        open_fits("file", path)
    # what follows the picture is left packed
    with gzip.open(path, "wb", compresslevel=1) as file:
        file.write(cube_header() + bytes(81_920) + bytes(40_000_000))
    picture = open_fits("file", path)
    assert picture.whole == 10
    assert picture._file.seek(0, 2) < 5_000_000


def test_a_packed_file_that_was_cut_off_gives_its_whole_frames(tmp_path):
    numbers = (RNG.random((40, 64, 64)) * 2000).astype(np.int16)
    fits.PrimaryHDU(numbers).writeto(tmp_path / "a.fits")
    packed = gzip.compress((tmp_path / "a.fits").read_bytes(), 1)
    (tmp_path / "b.fits.gz").write_bytes(packed[: len(packed) // 2])
    picture = open_fits("file", tmp_path / "b.fits.gz")
    assert 10 < picture.whole < 30
    np.testing.assert_array_equal(picture.part(picture.whole - 1), numbers[picture.whole - 1])
