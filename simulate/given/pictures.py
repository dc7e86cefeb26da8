"""One reader of pictures: PNG, JPEG, TIFF or FITS into the numbers that the file holds, without trusting it."""

from __future__ import annotations

import io
import struct
import zlib
from collections.abc import Callable, Collection, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from simulate.errors import InputError
from simulate.given import fits, tiff
from simulate.given.door import open_given, read_given
from simulate.values.quiet import ignored

MOST_PACKED = 200_000_000
"""Bytes of a PNG or JPEG file, which is read whole: more than 16 million pixels of 16 bits in four channels take."""

MOST_CHUNKS = 100_000
"""Parts of a PNG file; writers cut the picture into parts of 8 kB and more."""

PNG_START = b"\x89PNG\r\n\x1a\n"

_JPEG_START = b"\xff\xd8\xff"
_SAMPLES = {0: 1, 2: 3, 3: 1, 4: 2, 6: 4}
_ADAM7 = ((0, 0, 8, 8), (4, 0, 8, 8), (0, 4, 4, 8), (2, 0, 4, 4), (0, 2, 2, 4), (1, 0, 2, 2), (0, 1, 1, 2))

Array = npt.NDArray[Any]

CheckSize = Callable[[int, int, int], None]
"""Called with columns, rows and colours (transparency counted) before anything is decoded; raises `InputError`."""


@dataclass(frozen=True, eq=False)
class Pixels:
    """The numbers of a picture as its file holds them.

    Parameters
    ----------
    values : array, shape (rows, columns) or (rows, columns, samples)
        The top row first; unsigned whole numbers, or floating ones.
    bits : int
        Bits a sample; 0 where numbers have no largest value (floating point and FITS).
    kind : str
        "PNG", "JPEG", "TIFF" or "FITS".
    row_order_told : bool
        Whether the file says which row is the top one.
    """

    values: Array
    bits: int
    kind: str
    row_order_told: bool = True

    @property
    def planes(self) -> Array:
        """The same as (samples, rows, columns), without a copy."""
        return np.moveaxis(np.atleast_3d(self.values), -1, 0)


def read_pixels(
    field: str,
    path: str | Path,
    check_size: CheckSize,
    *,
    kinds: Collection[str] = ("PNG", "TIFF", "FITS", "JPEG"),
    planes: int = 3,
) -> Pixels:
    """Read a picture; what is in the file, not its ending, tells its kind.

    Parameters
    ----------
    field : str
        What the picture is, for messages.
    path : str or Path
        The file.
    check_size : callable
        Refuses pictures that are too large, too small or of another shape, before they are decoded.
    kinds : collection of str
        Which kinds are taken.
    planes : int
        Most planes of a FITS file.

    Raises
    ------
    InputError
        If the file cannot be opened, is of another kind, damaged, or refused by `check_size`.
    """
    place = Path(path)
    with open_given(field, place) as file:
        start = file.read(16)
    kind = _kind_of(start)
    wanted = f"give a {', '.join(list(kinds)[:-1])} or {list(kinds)[-1]} file"
    if not start:
        raise InputError(field, str(place), "the file is empty")
    if kind not in kinds:
        raise InputError(field, str(place), wanted + (f"; this one holds {kind} data" if kind else ""))
    try:
        with ignored(Warning):  # what matters is told in our own words
            if kind == "FITS":
                return _fits_pixels(field, place, check_size, planes)
            if kind == "TIFF":
                return _tiff_pixels(field, place, check_size)
            data = read_given(field, place, MOST_PACKED)
            return (_png_pixels if kind == "PNG" else _jpeg_pixels)(data, check_size)
    except (InputError, MemoryError):
        raise
    except Exception as error:  # decoders raise anything on damaged files
        raise InputError(field, str(place), "the file is damaged or cut off; save it again") from error


def _kind_of(start: bytes) -> str:
    starts = {PNG_START: "PNG", _JPEG_START: "JPEG", fits.START: "FITS", fits.PACKED: "FITS"}
    starts |= dict.fromkeys(tiff.STARTS, "TIFF") | {b"BM": "BMP", b"GIF8": "GIF", b"RIFF": "RIFF"}
    return next((kind for magic, kind in starts.items() if start.startswith(magic)), "")


def _tiff_pixels(field: str, place: Path, check_size: CheckSize) -> Pixels:
    values = tiff.TiffPages(field, place, lambda columns, rows: check_size(columns, rows, 1)).page(0)
    check_size(values.shape[1], values.shape[0], 1 if values.ndim == 2 else values.shape[2])
    if values.dtype.kind == "f":
        return Pixels(values, 0, "TIFF")
    if values.dtype.kind != "u" or values.itemsize > 2:
        # Pillow hands 16 bits on in 32 with a sign; what cameras and programs write fits into 16 without one
        if values.min() < 0 or values.max() > 65535:
            raise InputError(field, str(place), "its whole numbers must be from 0 to 65535")
        values = values.astype(np.uint16)
    return Pixels(values, 8 * values.itemsize, "TIFF")


def _fits_pixels(field: str, place: Path, check_size: CheckSize, most_planes: int) -> Pixels:
    picture = fits.open_fits(field, place)
    axes = picture.axes
    while len(axes) > 2 and axes[0] == 1:
        axes = axes[1:]
    if len(axes) not in (2, 3):
        raise InputError(field, str(place), f"it has {len(axes)} axes; give one picture of two, or three for colours")
    planes = axes[0] if len(axes) == 3 else 1
    if planes > most_planes:
        wanted = f"it holds {planes} planes; give one picture, in at most {most_planes} colours"
        raise InputError(field, str(place), wanted)
    rows, columns = axes[-2:]  # pyright: ignore[reportAssignmentType]
    check_size(columns, rows, planes)
    if picture.whole < picture.axes[0]:
        raise ValueError("cut off")
    values = np.stack([picture.scaled(index) for index in range(picture.axes[0])]).reshape(planes, rows, columns)
    values = np.moveaxis(values if picture.top_down else values[:, ::-1], 0, -1)
    return Pixels(values[..., 0] if planes == 1 else values, 0, "FITS", row_order_told=picture.top_down)


def _jpeg_pixels(data: bytes, check_size: CheckSize) -> Pixels:
    return Pixels(_by_pillow(data, check_size, deep=False), 8, "JPEG")


def _png_pixels(data: bytes, check_size: CheckSize) -> Pixels:
    """Decode a PNG file (ISO/IEC 15948) after its picture data was unpacked into the room that its header tells."""
    safe: list[tuple[bytes, bytes]] = []
    packed = bytearray()
    for name, body in _chunks(data):
        if name == b"IDAT":
            packed += body
        elif name in (b"IHDR", b"PLTE", b"tRNS"):
            safe.append((name, bytes(body)))
            if len(safe) > 3:
                raise ValueError("parts that may come once come often")
    if not safe or safe[0][0] != b"IHDR" or len(safe[0][1]) != 13:
        raise ValueError("no header")
    columns, rows, bits, colour, _, _, interlace = struct.unpack(">IIBBBBB", safe[0][1])
    samples = _SAMPLES[colour]
    check_size(columns, rows, 3 if colour == 3 else samples)
    expected = _bytes_expected(columns, rows, bits * samples, interlace)
    raw = zlib.decompressobj().decompress(packed, expected + 1)
    if len(raw) != expected:
        raise ValueError("picture data of another size than the header says")
    del packed
    clean = png_file([*safe, (b"IDAT", zlib.compress(raw, 0)), (b"IEND", b"")])
    del raw
    if bits == 16 and colour in (2, 4, 6):
        return Pixels(_deep_png(clean, rows, columns), 16, "PNG")
    return Pixels(_by_pillow(clean, check_size, deep=bits == 16), 16 if bits == 16 else 8, "PNG")


def _chunks(data: bytes) -> Iterator[tuple[bytes, memoryview]]:
    view, start = memoryview(data), len(PNG_START)
    for _ in range(MOST_CHUNKS):
        if start + 8 > len(data):
            raise ValueError("no end")
        length, name = struct.unpack_from(">I4s", data, start)
        if start + 8 + length > len(data):
            raise ValueError("cut off")
        yield name, view[start + 8 : start + 8 + length]
        if name == b"IEND":
            return
        start += 12 + length
    raise ValueError("parts without end")


def png_file(chunks: list[tuple[bytes, bytes]]) -> bytes:
    """Return a PNG file of parts, each a name and its content."""
    parts = [PNG_START]
    for name, body in chunks:
        parts += [struct.pack(">I", len(body)), name, body, struct.pack(">I", zlib.crc32(body, zlib.crc32(name)))]
    return b"".join(parts)


def _bytes_expected(columns: int, rows: int, bits_a_pixel: int, interlace: int) -> int:
    """Return the bytes of the unpacked picture: each row and the byte that names its filter (ISO/IEC 15948)."""
    passes = [(columns, rows)]
    if interlace:
        passes = [(-(-(columns - x) // dx), -(-(rows - y) // dy)) for x, y, dx, dy in _ADAM7]
    return sum(high * (1 + (wide * bits_a_pixel + 7) // 8) for wide, high in passes if wide > 0 and high > 0)


def _deep_png(data: bytes, rows: int, columns: int) -> npt.NDArray[np.uint16]:
    """Decode 16-bit colour, which the general reader would cut to 8 bits without a word."""
    import png

    _, _, lines, info = png.Reader(bytes=data).read()
    result = np.empty((rows, columns * info["planes"]), np.uint16)
    for row, line in enumerate(lines):
        result[row] = line
    return result.reshape(rows, columns, info["planes"])


def _by_pillow(data: bytes, check_size: CheckSize, *, deep: bool) -> Array:
    from PIL import Image

    with Image.open(io.BytesIO(data)) as image:
        check_size(image.size[0], image.size[1], len(image.getbands()))
        if image.mode in ("P", "PA", "CMYK", "YCbCr", "LAB", "HSV"):
            image = image.convert("RGBA" if "transparency" in image.info or image.mode == "PA" else "RGB")
        elif image.mode == "1":
            image = image.convert("L")
        pixels = np.asarray(image)
    return pixels.astype(np.uint16) if deep else pixels
