"""TIFF files that a user gives: their pages, one by one.

The pages are read by tifffile; what it cannot unpack alone (LZW, JPEG, bits that are not whole bytes, palettes) by
Pillow, where that keeps all bits. Before either looks at a page, the chain of directories is walked (TIFF 6.0,
section 2), so that neither their number nor a table in one of them can fill the memory.
"""

from __future__ import annotations

import logging
import math
import struct
import weakref
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
import numpy.typing as npt

from simulate.errors import InputError
from simulate.given.door import open_given
from simulate.values.quiet import ignored

STARTS = (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")
"""How TIFF files start, the classic ones and those for more than 4 GB."""

MOST_PAGES = 100_000
"""Pages of one file."""

MOST_ENTRIES = 400_000
"""Numbers in one table of a directory; a table of colours has at most 196 608."""

MOST_PIECES = 70_000
"""Strips or tiles of one page: a strip for each row, or tiles of 16 x 16 pixels."""

MOST_TEXT = 10_000_000
"""Bytes of one remark in a directory (colour profiles and descriptions)."""

_WIDTH, _LENGTH, _BITS, _PHOTOMETRIC, _DESCRIPTION, _SAMPLES = 256, 257, 258, 262, 270, 277

_NONE, _DEFLATE = 1, (8, 32946)

_TEXTS = (1, 2, 6, 7)
"""Types of bytes: whole numbers, text and undefined."""

Array = npt.NDArray[Any]

CheckSize = Callable[[int, int], None]
"""Called with columns and rows before a page is decoded; raises `InputError`."""

logging.getLogger("tifffile").addHandler(logging.NullHandler())  # faults are told in our own words


class TiffPages:
    """The pages of a TIFF file.

    Parameters
    ----------
    field : str
        What the file is, for messages.
    path : Path
        The file.
    check_size : callable
        Refuses pages that are too large or too small.

    Raises
    ------
    InputError
        If it is no TIFF file or its directories are damaged or too many.
    """

    def __init__(self, field: str, path: Path, check_size: CheckSize) -> None:
        self._field, self._path, self._check_size = field, path, check_size
        file = open_given(field, path)
        weakref.finalize(self, file.close)
        self._file = file
        self._pages = self._guarded(self._open)
        self.count = len(self._offsets)

    def _open(self) -> Any:
        from tifffile import TiffFile

        self._offsets = directories(self._file)
        self._file.seek(0)
        return TiffFile(self._file).pages

    def page(self, index: int) -> Array:
        """Return a page, shape (rows, columns) or (rows, columns, samples), the top row first.

        Numbers are whole or floating; black is 0, since pages stored as negatives are turned over.

        Raises
        ------
        InputError
            If it is damaged, too large, or of a kind that is not read.
        """
        return self._guarded(lambda: self._read(index))

    def description(self) -> str:
        """Return the remark in the first directory, or an empty text."""
        tag = self._guarded(lambda: self._pages[0].tags.get(_DESCRIPTION))
        return tag.value if tag is not None and isinstance(tag.value, str) else ""

    def _guarded(self, work: Callable[[], Any]) -> Any:
        try:
            with ignored(Warning):  # what matters is told in our own words
                return work()
        except (InputError, MemoryError):
            raise
        except Exception as error:  # decoders raise anything on damaged files
            wanted = "this TIFF file is damaged or cut off; save it again"
            raise InputError(self._field, str(self._path), wanted) from error

    def _read(self, index: int) -> Array:
        page = self._pages[index]
        if page.offset != self._offsets[index]:
            raise ValueError("another page than the chain of directories tells")
        self._check_size(page.imagewidth, page.imagelength)
        bits, plain = page.bitspersample, int(page.photometric) in (0, 1, 2, 32803, 34892)
        if page.compression not in (_NONE, *_DEFLATE) or bits not in (8, 16, 32, 64) or not plain:
            return self._by_pillow(index, bits, page.samplesperpixel)
        samples = page.samplesperpixel
        if samples > 4 or page.imagedepth != 1 or page.dtype is None or page.axes not in ("YX", "YXS", "SYX"):
            raise InputError(self._field, str(self._path), "a page must be grey or in three colours")
        self._refuse_bomb(page)
        numbers = page.asarray(maxworkers=1)
        if page.axes == "SYX":
            numbers = np.moveaxis(numbers, 0, -1)
        if int(page.photometric) == 0 and numbers.dtype.kind == "u":
            numbers = np.iinfo(numbers.dtype).max - numbers
        return numbers

    def _refuse_bomb(self, page: Any) -> None:
        """Refuse packed pieces that unpack to more than the page has room for; the library would unpack them whole."""
        item = page.samplesperpixel * page.bitspersample // 8
        piece = page.tilewidth * page.tilelength if page.is_tiled else page.imagewidth * page.imagelength
        room = item * piece
        if room > 2 * item * page.imagewidth * page.imagelength + 1_000_000 or math.prod(page.chunked) > MOST_PIECES:
            raise ValueError("pieces of a size or number that makes no sense")
        if len(page.dataoffsets) != len(page.databytecounts) or max(page.databytecounts, default=0) > 2 * room + 1000:
            raise ValueError("pieces that do not fit the picture")
        if page.compression == _NONE:
            return
        for offset, length in zip(page.dataoffsets, page.databytecounts, strict=True):
            self._file.seek(offset)
            if len(zlib.decompressobj().decompress(self._file.read(length), room + 1)) > room:
                raise ValueError("more data than the header says")

    def _by_pillow(self, index: int, bits: int, samples: int) -> Array:
        from PIL import Image

        if bits > 8 and samples > 1:
            wanted = "this kind of packing is not read for deep colour; save it unpacked or with deflate"
            raise InputError(self._field, str(self._path), wanted)
        self._file.seek(0)
        # a name of its own for the same file: the library closes what it is given
        with Image.open(_Kept(self._file)) as image:  # type: ignore[arg-type] - it reads, seeks and tells
            if image.format != "TIFF":
                raise ValueError("no TIFF file")
            image.seek(index)
            self._check_size(*image.size)
            if image.mode == "1":
                return np.asarray(image.convert("L"))
            if image.mode in ("P", "PA", "CMYK", "YCbCr", "LAB", "HSV"):
                return np.asarray(image.convert("RGB"))
            return np.asarray(image)


def count_pages(field: str, path: Path) -> int:
    """Return how many pages a TIFF file has.

    Raises
    ------
    InputError
        See `TiffPages`.
    """
    with open_given(field, path) as file:
        try:
            return len(directories(file))
        except (ValueError, struct.error) as error:
            wanted = f"this TIFF file is damaged or cut off ({error})"
            raise InputError(field, str(path), wanted) from error


class _Kept:
    """An open file that stays open."""

    def __init__(self, file: BinaryIO) -> None:
        self.read, self.seek, self.tell = file.read, file.seek, file.tell


def directories(file: BinaryIO) -> list[int]:
    """Return where the directories of a TIFF file lie (TIFF 6.0, section 2; with numbers of 8 bytes where told).

    Raises
    ------
    ValueError
        If they are damaged, run in a circle, are more than `MOST_PAGES` or hold tables beyond reason.
    """
    file.seek(0)
    start = file.read(16)
    order = "<" if start[:2] == b"II" else ">"
    large = start[2:4] in (b"+\0", b"\0+")
    number, count, entry = ("Q", "Q", f"{order}HHQ8x") if large else ("I", "H", f"{order}HHI4x")
    width, step, head = struct.calcsize(number), struct.calcsize(entry), struct.calcsize(count)
    (place,) = struct.unpack_from(order + number, start, 8 if large else 4)
    places: list[int] = []
    while place:
        if len(places) >= MOST_PAGES:
            raise ValueError(f"more than {MOST_PAGES} pages")
        file.seek(place)
        (entries,) = struct.unpack(order + count, file.read(head))
        if entries > 4096:
            raise ValueError("a directory beyond reason")
        content = file.read(entries * step + width)
        for _, kind, numbers in struct.iter_unpack(entry, content[: entries * step]):
            if numbers > (MOST_TEXT if kind in _TEXTS else MOST_ENTRIES):
                raise ValueError("a table beyond reason")
        places.append(place)
        (place,) = struct.unpack_from(order + number, content, entries * step)
    if not places or len(set(places)) < len(places):
        raise ValueError("directories in a circle, or none")
    return places
