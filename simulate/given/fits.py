"""FITS files that a user gives: where their pictures lie, found without trusting the header.

Only the layout of FITS files is followed here (FITS Standard 4.0, sections 3 and 4.4.1: blocks of 2880 bytes, cards of
80, the sizes of data from the mandatory keywords), since a general reader sets about what a header promises before
anybody can ask whether it is bearable. What cards say is read by astropy, and so are tiles of compressed pictures.
"""

from __future__ import annotations

import gzip
import math
import re
import tempfile
import weakref
import zlib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
import numpy.typing as npt

from simulate.errors import InputError
from simulate.given.door import open_given
from simulate.values.quiet import ignored

BLOCK, CARD = 2880, 80

MOST_BLOCKS = 400
"""Blocks of one header: 14 400 cards."""

MOST_UNITS = 200
"""Headers with their data in one file."""

MOST_AXES = 8

MOST_UNPACKED = 2_000_000_000
"""Bytes that a file packed with gzip is unpacked to, on the disk."""

START = b"SIMPLE  ="

PACKED = b"\x1f\x8b"
"""How a file packed with gzip starts (RFC 1952)."""

_KINDS = {8: "u1", 16: ">i2", 32: ">i4", 64: ">i8", -32: ">f4", -64: ">f8"}

Array = npt.NDArray[Any]


class NotFits(ValueError):
    """The file is not laid out as FITS files are; the message is a clause."""


@dataclass(frozen=True, eq=False)
class FitsPicture:
    """A picture, or a cube of them, in a FITS file.

    Parameters
    ----------
    axes : tuple of int
        Lengths, the slowest first, as numpy has them; three at least: a plain picture is a cube of one.
    header : mapping
        What the cards say, by keyword; cards that cannot be read are left out.
    whole : int
        How many of the slowest axis' parts are in the file in full.
    """

    axes: tuple[int, ...]
    header: Mapping[str, Any]
    whole: int
    _file: BinaryIO
    _offset: int
    _kind: str
    _tiles: Any = None

    def __post_init__(self) -> None:
        weakref.finalize(self, self._file.close)

    def part(self, *index: int) -> Array:
        """Return the numbers of one part along the slowest axes as stored, shape ``axes[len(index):]``.

        Raises
        ------
        ValueError
            If they are not there any more.
        """
        if self._tiles is not None:
            flat = self._tiles.section.ndim < len(self.axes)
            return np.asarray(self._tiles.section[:] if flat else self._tiles.section[index])
        shape = self.axes[len(index) :]
        size = int(np.dtype(self._kind).itemsize) * math.prod(shape)
        number = int(np.ravel_multi_index(index, self.axes[: len(index)])) if index else 0
        # plain reading, not mapping: a file that is cut while it is mapped ends the process
        self._file.seek(self._offset + number * size)
        content = self._file.read(size)
        if len(content) < size:
            raise ValueError("the file was cut off while it was read")
        return np.frombuffer(content, self._kind).reshape(shape)

    def number(self, keyword: str, default: float) -> float:
        """Return a finite number that the header holds, else `default`."""
        value = self.header.get(keyword)
        usable = isinstance(value, (int, float)) and not isinstance(value, bool) and math.isfinite(value)
        return float(value) if usable else default  # type: ignore[arg-type] - as just tested

    def scaled(self, index: int) -> npt.NDArray[np.float32]:
        """Return the numbers of one part as meant: BSCALE and BZERO applied (FITS Standard 4.0, section 4.4.2)."""
        stored = self.part(index)
        zero, scale = np.float32(self.number("BZERO", 0.0)), np.float32(self.number("BSCALE", 1.0))
        with np.errstate(over="ignore", invalid="ignore"):  # what is no number then is told by whoever asks
            return stored.astype(np.float32) * scale + zero

    @property
    def top_down(self) -> bool:
        """Whether the first stored row is the top one (the card ROWORDER, common practice)."""
        return str(self.header.get("ROWORDER", "")).strip().upper() == "TOP-DOWN"


def open_fits(field: str, path: Path, *, name: str | None = None) -> FitsPicture:
    """Return the first picture in a FITS file, which may be packed with gzip; nothing of it is read yet.

    Parameters
    ----------
    field : str
        What the file is, for messages.
    path : Path
        The file.
    name : str, optional
        EXTNAME of the picture wanted.

    Raises
    ------
    InputError
        If the file cannot be opened (`open_given`), is no FITS file, holds no picture or only part of one.
    """
    try:
        return _first_picture(_plain(open_given(field, path), field, path), field, path, name)
    except NotFits as error:
        raise InputError(field, str(path), f"it is no readable FITS file: {error}") from error
    except OSError as error:
        raise InputError(field, str(path), f"it cannot be read ({error.strerror or error})") from error


def check_layout(field: str, path: Path, most_bytes: int) -> None:
    """Refuse a FITS file that a general reader should not be let loose on.

    Parameters
    ----------
    field : str
        What the file is, for messages.
    path : Path
        The file.
    most_bytes : int
        Its largest size.

    Raises
    ------
    InputError
        If it cannot be opened, is larger, or its headers promise more than is there.
    """
    with open_given(field, path, most_bytes) as file:
        length = file.seek(0, 2)
        try:
            whole = all(unit.offset + unit.size <= length for unit in _units(file, length))
        except NotFits as error:
            raise InputError(field, str(path), f"it is no readable FITS file: {error}") from error
        if not whole:
            raise InputError(field, str(path), "the file is cut off")


def _plain(file: BinaryIO, field: str, path: Path) -> BinaryIO:
    start = file.read(2)
    file.seek(0)
    return _unpacked(file, field, path) if start == PACKED else file


def _unpacked(packed: BinaryIO, field: str, path: Path) -> BinaryIO:
    """Unpack a file into a nameless one on the disk, no further than its first picture reaches."""
    plain: BinaryIO = tempfile.TemporaryFile()  # noqa: SIM115 - lives as long as the frames are read from it
    with packed, gzip.GzipFile(fileobj=packed) as source:
        length = _pour(source, plain, MOST_BLOCKS * BLOCK)
        end = next((unit.end for unit in _units(plain, length) if unit.is_picture), 0)
        if end > MOST_UNPACKED:
            wanted = f"its picture has {end / 1e9:.3g} GB unpacked: above {MOST_UNPACKED / 1e9:g} GB unpack it first"
            raise InputError(field, str(path), wanted)
        plain.seek(length)
        _pour(source, plain, end - length)
    plain.seek(0)
    return plain


def _pour(source: gzip.GzipFile, plain: BinaryIO, most: int) -> int:
    """Unpack up to `most` bytes more; returns how many came before the end or the first damage."""
    poured = 0
    while poured < most:
        try:
            piece = source.read1(min(100_000, most - poured))  # what comes at once, so that damage costs no more
        except (EOFError, zlib.error, gzip.BadGzipFile):
            break  # cut off or damaged: what came before it may still hold whole frames
        if not piece:
            break
        plain.write(piece)
        poured += len(piece)
    return poured


@dataclass(frozen=True)
class _Unit:
    cards: tuple[bytes, ...]
    axes: tuple[int, ...]
    bits: int
    offset: int
    size: int
    compressed: bool

    @property
    def is_picture(self) -> bool:
        return self.compressed or (len(self.axes) >= 2 and min(self.axes) > 0 and not self._is_table)

    @property
    def _is_table(self) -> bool:
        return self.cards[0].startswith(b"XTENSION") and b"IMAGE" not in self.cards[0][10:30]

    @property
    def end(self) -> int:
        return self.offset + -(-self.size // BLOCK) * BLOCK

    def text(self, keyword: str) -> str:
        found = next((card for card in self.cards if card.startswith(keyword.ljust(8).encode() + b"=")), b"")
        return found[10:].split(b"/")[0].decode("ascii", "replace").strip(" '")


def _units(file: BinaryIO, length: int) -> Iterator[_Unit]:
    """Yield the units of a FITS file as far as their headers are whole within its first `length` bytes."""
    place = 0
    for index in range(MOST_UNITS):
        cards = _cards(file, place, length)
        if cards is None:
            if index == 0:
                raise NotFits("it is cut off within its header")
            return
        if not cards[0].startswith(START if index == 0 else b"XTENSION="):
            if index == 0:
                raise NotFits("it does not start as one does")
            return  # special records after the last unit (section 3.5)
        unit = _unit(cards, place + -(-(len(cards) + 1) * CARD // BLOCK) * BLOCK)
        yield unit
        place = unit.end
    raise NotFits(f"it has more than {MOST_UNITS} headers")


def _cards(file: BinaryIO, place: int, length: int) -> tuple[bytes, ...] | None:
    """Return the cards of a header without END; None where the file ends before that."""
    cards: list[bytes] = []
    file.seek(place)
    for block_number in range(MOST_BLOCKS):
        block = file.read(BLOCK) if place + (block_number + 1) * BLOCK <= length else b""
        if len(block) < BLOCK:
            return None
        for start in range(0, BLOCK, CARD):
            card = block[start : start + CARD]
            if card.rstrip() == b"END":
                return tuple(cards) or None
            cards.append(card)
        if block_number == 0 and place == 0 and not cards[0].startswith(START):
            raise NotFits("it does not start as one does")
    raise NotFits(f"a header of more than {MOST_BLOCKS * BLOCK // CARD} cards is in it")


def _unit(cards: tuple[bytes, ...], offset: int) -> _Unit:
    numbers = _whole_numbers(cards)
    bits, count = numbers.get("BITPIX", 0), numbers.get("NAXIS", -1)
    if bits not in _KINDS:
        raise NotFits("BITPIX must be 8, 16, 32, 64, -32 or -64")
    if not 0 <= count <= MOST_AXES:
        raise NotFits(f"NAXIS must be from 0 to {MOST_AXES}")
    axes = tuple(numbers.get(f"NAXIS{axis}", -1) for axis in range(count, 0, -1))
    extra, groups = numbers.get("PCOUNT", 0), numbers.get("GCOUNT", 1)
    if min((*axes, extra, groups)) < 0:
        raise NotFits("NAXIS1 and so on must be whole numbers from 0")
    size = abs(bits) // 8 * groups * (extra + math.prod(axes)) if axes else 0
    compressed = any(card.startswith(b"ZIMAGE  =") and card[10:30].strip() == b"T" for card in cards)
    if compressed:
        axes = tuple(numbers.get(f"ZNAXIS{axis}", 0) for axis in range(numbers.get("ZNAXIS", 0), 0, -1))
        tiles = [numbers.get(f"ZTILE{len(axes) - axis}", 1) for axis in range(len(axes))]
        fitting = all(1 <= tile <= axis for tile, axis in zip(tiles, axes, strict=True))
        if len(axes) < 2 or not fitting:
            raise NotFits("the sizes of its compressed picture make no sense")
    return _Unit(cards, axes, bits, offset, size, compressed)


_WHOLE = re.compile(rb"(Z?(?:BITPIX|NAXIS\d{0,3}|TILE\d{1,3})|PCOUNT|GCOUNT) *= *([+-]?\d{1,18}) *(?:/|$)")
"""A mandatory card with a whole number."""


def _whole_numbers(cards: tuple[bytes, ...]) -> dict[str, int]:
    found: dict[str, int] = {}
    for card in cards:
        told = _WHOLE.match(card.rstrip())
        if told:
            found.setdefault(told[1].decode(), int(told[2]))
    if found.get("ZNAXIS", 0) > MOST_AXES:
        raise NotFits(f"NAXIS must be from 0 to {MOST_AXES}")
    return found


def _first_picture(file: BinaryIO, field: str, path: Path, name: str | None) -> FitsPicture:
    length = file.seek(0, 2)
    wanted = (
        (index, unit)
        for index, unit in enumerate(_units(file, length))
        if unit.is_picture and (name is None or unit.text("EXTNAME") == name)
    )
    index, unit = next(wanted, (0, None))
    if unit is None:
        raise InputError(field, str(path), f"this FITS file holds no {'picture' if name is None else name}")
    header = _told(unit.cards)
    axes = (1, *unit.axes) if len(unit.axes) == 2 else unit.axes
    if unit.compressed:
        if unit.end > length:
            raise InputError(field, str(path), "the file is cut off")
        return FitsPicture(
            axes=axes, header=header, whole=axes[0], _file=file, _offset=0, _kind="", _tiles=_tiles(file, index)
        )
    one = abs(unit.bits) // 8 * math.prod(axes[1:])
    whole = min(axes[0], max(0, length - unit.offset) // one)
    return FitsPicture(axes, header, whole, file, unit.offset, _KINDS[unit.bits])


def _tiles(file: BinaryIO, index: int) -> Any:
    from astropy.io import fits

    file.seek(0)
    try:
        with ignored(Warning):  # what matters is told in our own words
            return fits.open(file, memmap=False, do_not_scale_image_data=True)[index]
    except Exception as error:  # the library raises anything on damaged tables
        raise NotFits("its compressed picture cannot be read") from error


def _told(cards: tuple[bytes, ...]) -> dict[str, Any]:
    """Return what cards say, the first of each keyword, leaving out those that nobody can read."""
    from astropy.io import fits

    told: dict[str, Any] = {}
    with ignored(Warning):
        for image in cards:
            try:
                card = fits.Card.fromstring(image)
                told.setdefault(str(card.keyword), card.value)
            except Exception:  # whatever an odd card makes the library say
                continue
    return told
