"""A picture file into plain levels, without trusting the file.

Sizes are read from headers before anything is decoded, compressed data is unpacked into no more room than the
header promises, and every file that cannot be used is refused with one sentence.
"""

from __future__ import annotations

import io
import struct
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from simulate.errors import InputError
from simulate.values.arrays import frozen_array
from simulate.values.quiet import ignored

MOST_PIXELS = 16_000_000
"""Largest picture that is decoded: with 16 bits and three colours it still needs well under 1 GB."""

LARGEST_FILE = 400_000_000
"""Bytes; more than any picture of `MOST_PIXELS` takes uncompressed."""

SMALLEST_SIDE = 16
"""Pixels; a planet on fewer shows nothing that could be compared."""

_PNG = b"\x89PNG\r\n\x1a\n"
_PNG_SAMPLES = {0: 1, 2: 3, 3: 1, 4: 2, 6: 4}
_ADAM7 = ((0, 0, 8, 8), (4, 0, 8, 8), (0, 4, 4, 8), (2, 0, 4, 4), (0, 2, 2, 4), (1, 0, 2, 2), (0, 1, 1, 2))


@dataclass(frozen=True, eq=False)
class UserPicture:
    """A picture as it came, bottom row first.

    Parameters
    ----------
    levels : float32 array, shape (channels, rows, columns)
        0 black to 1 the largest number that the file can hold; one channel or red, green, blue. **Row 0 is
        the bottom row**, so that rows grow upwards as everywhere here.
    bits : int
        Bits a sample; 0 for floating point, whose levels are scaled to the largest value.
    distinct : int
        How many different levels occur.
    clipped : float
        Share of the pixels that hold the largest level.
    kind : str
        "PNG", "TIFF", "FITS" or "JPEG".
    notes : tuple of str
        What should be known about the file, one sentence each.
    name : str
        Of the file, without its folder.
    """

    levels: npt.NDArray[np.float32]
    bits: int
    distinct: int
    clipped: float
    kind: str
    notes: tuple[str, ...] = ()
    name: str = "the picture"

    def __post_init__(self) -> None:
        object.__setattr__(self, "levels", frozen_array(self.levels, np.float32))

    @property
    def shape(self) -> tuple[int, int]:
        """(rows, columns)."""
        return self.levels.shape[1], self.levels.shape[2]


def read_picture(path: str | Path) -> UserPicture:
    """Read a finished or half-finished picture; the file is only ever read.

    Parameters
    ----------
    path : str or Path
        PNG (8 or 16 bits, grey or colour), TIFF, FITS (a plane, or three) or JPEG.

    Raises
    ------
    InputError
        If the file is missing, of another kind, damaged, empty of contrast, too small or too large.
    """
    place = Path(path)
    data = _bytes_of(place)
    for magic, kind, reader in _KINDS:
        if data.startswith(magic):
            return _judged(place, kind, *_decoded(reader, data, place))
    raise InputError("PICTURE", str(place), "give a PNG, TIFF, FITS or JPEG file")


def _bytes_of(place: Path) -> bytes:
    if place.is_dir():
        raise InputError("PICTURE", str(place), "it is a folder; give the picture itself")
    if not place.is_file():
        raise InputError("PICTURE", str(place), "there is no such file")
    size = place.stat().st_size
    if size == 0:
        raise InputError("PICTURE", str(place), "the file is empty")
    if size > LARGEST_FILE:
        raise InputError("PICTURE", str(place), f"the file has {size / 1e6:.0f} MB; crop it to the planet first")
    try:
        return place.read_bytes()
    except OSError as error:
        raise InputError("PICTURE", str(place), f"it cannot be read ({error.strerror})") from error


def _decoded(reader: Any, data: bytes, place: Path) -> tuple[npt.NDArray[Any], int, tuple[str, ...]]:
    try:
        with ignored(Warning):
            return reader(data, place)
    except (InputError, MemoryError):
        raise
    except Exception as error:  # decoders raise anything on damaged files
        raise InputError("PICTURE", str(place), "the file is damaged or cut off; save it again") from error


def _check_size(place: Path, columns: int, rows: int) -> None:
    if columns * rows > MOST_PIXELS:
        wanted = f"it has {columns} x {rows} pixels, more than {MOST_PIXELS / 1e6:.0f} million; crop it to the planet"
        raise InputError("PICTURE", str(place), wanted)
    if min(columns, rows) < SMALLEST_SIDE:
        wanted = f"it has only {columns} x {rows} pixels; {SMALLEST_SIDE} along each side are the least"
        raise InputError("PICTURE", str(place), wanted)


def _judged(place: Path, kind: str, pixels: npt.NDArray[Any], bits: int, notes: tuple[str, ...]) -> UserPicture:
    """Scale decoded numbers, (rows, columns[, samples]) top row first, and refuse what shows nothing."""
    planes = np.moveaxis(np.atleast_3d(pixels), -1, 0)
    remarks = list(notes)
    if planes.shape[0] in (2, 4):
        alpha = planes[-1]
        planes = planes[:-1]
        if np.any(alpha < alpha.max()):
            remarks.append("transparent parts are taken as black")
            planes = np.where(alpha > 0, planes, 0)
    # whole numbers are sorted in a quarter of the room, and sooner
    distinct = int(np.unique(planes).size) if bits else 0
    levels = planes.astype(np.float32)
    if not np.all(np.isfinite(levels)):
        remarks.append("values that are no numbers are taken as black")
        levels = np.nan_to_num(levels, nan=0.0, posinf=0.0, neginf=0.0)
    low, high = float(levels.min()), float(levels.max())
    if not high > low:
        raise InputError("PICTURE", str(place), "every pixel has the same value: it holds no planet")
    if bits:
        levels /= 2.0**bits - 1
        clipped = float(np.mean(levels >= 1.0))
    else:
        levels = (levels - low) / (high - low)
        clipped = 0.0
    if levels.shape[0] == 3 and np.array_equal(levels[0], levels[1]) and np.array_equal(levels[1], levels[2]):
        levels = levels[:1]
    distinct = distinct or int(np.unique(levels).size)
    return UserPicture(np.ascontiguousarray(levels[:, ::-1]), bits, distinct, clipped, kind, tuple(remarks), place.name)


def _read_png(data: bytes, place: Path) -> tuple[npt.NDArray[Any], int, tuple[str, ...]]:
    chunks = list(_png_chunks(data))
    if not chunks or chunks[0][0] != b"IHDR" or len(chunks[0][1]) != 13:
        raise ValueError("no header")
    columns, rows, bits, colour, _, _, interlace = struct.unpack(">IIBBBBB", chunks[0][1])
    _check_size(place, columns, rows)
    samples = _PNG_SAMPLES[colour]
    expected = _png_bytes_expected(columns, rows, bits * samples, interlace)
    unpack = zlib.decompressobj()
    packed = b"".join(body for name, body in chunks if name == b"IDAT")
    raw = unpack.decompress(packed, expected + 1)
    if len(raw) != expected:
        raise ValueError("picture data of another size than the header says")
    safe = [(name, body) for name, body in chunks if name in (b"IHDR", b"PLTE", b"tRNS")]
    clean = _png_file([*safe, (b"IDAT", zlib.compress(raw, 0)), (b"IEND", b"")])
    del raw, packed, chunks
    if bits == 16 and colour in (2, 4, 6):
        return _read_deep_png(clean, rows, columns), 16, ()
    return _read_pillow(clean, place, deep=bits == 16)


def _png_chunks(data: bytes) -> Iterator[tuple[bytes, bytes]]:
    start = len(_PNG)
    while start + 8 <= len(data):
        length, name = struct.unpack(">I4s", data[start : start + 8])
        body = data[start + 8 : start + 8 + length]
        if len(body) != length:
            raise ValueError("cut off")
        yield name, body
        if name == b"IEND":
            return
        start += 12 + length
    raise ValueError("no end")


def _png_file(chunks: list[tuple[bytes, bytes]]) -> bytes:
    parts = [_PNG]
    for name, body in chunks:
        parts += [struct.pack(">I", len(body)), name, body, struct.pack(">I", zlib.crc32(name + body))]
    return b"".join(parts)


def _png_bytes_expected(columns: int, rows: int, bits_a_pixel: int, interlace: int) -> int:
    """Return the bytes of the unpacked picture: each row and the byte that names its filter (ISO/IEC 15948)."""
    passes = [(columns, rows)]
    if interlace:
        passes = [(-(-(columns - x) // dx), -(-(rows - y) // dy)) for x, y, dx, dy in _ADAM7]
    return sum(high * (1 + (wide * bits_a_pixel + 7) // 8) for wide, high in passes if wide > 0 and high > 0)


def _read_deep_png(data: bytes, rows: int, columns: int) -> npt.NDArray[np.uint16]:
    """Decode 16-bit colour, which the general reader would cut to 8 bits without a word."""
    import png

    _, _, lines, info = png.Reader(bytes=data).read()
    result = np.empty((rows, columns * info["planes"]), np.uint16)
    for row, line in enumerate(lines):
        result[row] = line
    return result.reshape(rows, columns, info["planes"])


def _read_pillow(data: bytes, place: Path, *, deep: bool = False) -> tuple[npt.NDArray[Any], int, tuple[str, ...]]:
    from PIL import Image

    with Image.open(io.BytesIO(data)) as image:
        _check_size(place, *image.size)
        if image.mode in ("P", "PA", "CMYK", "YCbCr", "LAB", "HSV"):
            image = image.convert("RGBA" if "transparency" in image.info or image.mode == "PA" else "RGB")
        elif image.mode == "1":
            image = image.convert("L")
        pixels = np.asarray(image)
    if image.mode == "F":
        return pixels, 0, ()
    if image.mode.startswith("I") or deep:
        return pixels.astype(np.uint16), 16, ()
    return pixels, 8, ()


def _read_jpeg(data: bytes, place: Path) -> tuple[npt.NDArray[Any], int, tuple[str, ...]]:
    pixels, bits, _ = _read_pillow(data, place)
    return pixels, bits, ("a JPEG file: its blocks of 8 pixels limit what fine detail can tell",)


_TIFF_DEEP_READABLE = (1, 8, 32946)
"""Compressions of 16-bit colour that are read: none and the two numbers of deflate."""


def _read_tiff(data: bytes, place: Path) -> tuple[npt.NDArray[Any], int, tuple[str, ...]]:
    tags = _tiff_tags(data)
    columns, rows = tags[256][0], tags[257][0]
    _check_size(place, columns, rows)
    bits, samples = tags.get(258, [1])[0], tags.get(277, [1])[0]
    floating = tags.get(339, [1])[0] == 3
    compression = tags.get(259, [1])[0]
    if samples == 1 or (bits == 8 and not floating):
        return _read_pillow(data, place, deep=bits == 16)
    if compression not in _TIFF_DEEP_READABLE or bits not in (16, 32) or tags.get(322):
        raise InputError("PICTURE", str(place), "this compression of deep colour is not read; save it uncompressed")
    raw = _tiff_raw(data, tags, rows * columns * samples * bits // 8)
    order = "<" if data[:2] == b"II" else ">"
    numbers = np.frombuffer(raw, f"{order}{'f' if floating else 'u'}{bits // 8}")
    planar = tags.get(284, [1])[0] == 2
    pixels = numbers.reshape((samples, rows, columns) if planar else (rows, columns, samples))
    if planar:
        pixels = np.moveaxis(pixels, 0, -1)
    if tags.get(317, [1])[0] == 2:  # differences along the rows (TIFF 6.0, section 14)
        pixels = np.cumsum(pixels, axis=1, dtype=pixels.dtype)
    return pixels, 0 if floating else bits, ()


def _tiff_tags(data: bytes) -> dict[int, list[int]]:
    """Return the whole-number tags of the first directory (TIFF 6.0, section 2)."""
    order = "<" if data[:2] == b"II" else ">"
    (start,) = struct.unpack(order + "I", data[4:8])
    (count,) = struct.unpack(order + "H", data[start : start + 2])
    tags: dict[int, list[int]] = {}
    for index in range(count):
        entry = data[start + 2 + 12 * index : start + 14 + 12 * index]
        tag, kind, number = struct.unpack(order + "HHI", entry[:8])
        if kind not in (1, 3, 4):
            continue
        code, size = {1: ("B", 1), 3: ("H", 2), 4: ("I", 4)}[kind]
        where = entry[8:]
        if size * number > 4:
            (offset,) = struct.unpack(order + "I", where)
            where = data[offset : offset + size * number]
        tags[tag] = list(struct.unpack(f"{order}{number}{code}", where[: size * number]))
    return tags


def _tiff_raw(data: bytes, tags: dict[int, list[int]], expected: int) -> bytes:
    """Return the picture's bytes from its strips, never more than the header promises."""
    parts, room = [], expected
    for offset, length in zip(tags[273], tags[279], strict=True):
        strip = data[offset : offset + length]
        if tags.get(259, [1])[0] != 1:
            strip = zlib.decompressobj().decompress(strip, room + 1)
        if len(strip) > room:
            raise ValueError("more data than the header says")
        room -= len(strip)
        parts.append(strip)
    if room:
        raise ValueError("cut off")
    return b"".join(parts)


def _read_fits(data: bytes, place: Path) -> tuple[npt.NDArray[Any], int, tuple[str, ...]]:
    from astropy.io import fits

    del data  # mapped from the file instead
    with fits.open(place, memmap=True, do_not_scale_image_data=True) as units:
        unit: Any
        for unit in units:
            header = unit.header
            axes = [header.get(f"NAXIS{i}", 0) for i in range(1, header.get("NAXIS", 0) + 1)]
            if len(axes) in (2, 3) and "BITPIX" in header and not isinstance(unit, fits.BinTableHDU):
                break
        else:
            raise InputError("PICTURE", str(place), "no extension of this FITS file holds a picture")
        _check_size(place, axes[0], axes[1])
        if len(axes) == 3 and axes[2] not in (1, 3):
            wanted = f"it holds {axes[2]} planes; give one picture, in one or three colours"
            raise InputError("PICTURE", str(place), wanted)
        numbers = np.array(unit.data, np.float32) * header.get("BSCALE", 1.0) + header.get("BZERO", 0.0)
        top_down = str(header.get("ROWORDER", "")).strip().upper() == "TOP-DOWN"
    planes = numbers if numbers.ndim == 3 else numbers[None]
    pixels = np.moveaxis(planes if top_down else planes[:, ::-1], 0, -1)
    return pixels, 0, () if top_down else ("row 0 of the FITS file is taken as the bottom row",)


_KINDS = (
    (_PNG, "PNG", _read_png),
    (b"II*\0", "TIFF", _read_tiff),
    (b"MM\0*", "TIFF", _read_tiff),
    (b"SIMPLE  =", "FITS", _read_fits),
    (b"\xff\xd8\xff", "JPEG", _read_jpeg),
)
