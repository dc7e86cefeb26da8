"""Picture files, and the one tone curve.

Linear light becomes screen values by the curve of sRGB (IEC 61966-2-1) after one division by the
light that is to be full white: never a stretch of one channel against another, never one that
depends on the picture's content.
"""

from __future__ import annotations

import io
from typing import Any

import numpy as np
import numpy.typing as npt

from simulate.bodies.colour import srgb_encode
from simulate.errors import InputError

FloatArray = npt.NDArray[np.floating]


def screen_values(linear: FloatArray, white: float = 1.0) -> npt.NDArray[np.float32]:
    """Return screen values 0 to 1 of linear light, same shape.

    Parameters
    ----------
    linear : array, any shape
        Linear light in the primaries of sRGB, or grey.
    white : float
        Light shown as full white; more is clipped.
    """
    return srgb_encode(np.asarray(linear) / white).astype(np.float32)


def top_first(picture: npt.NDArray[Any]) -> npt.NDArray[Any]:
    """Return the picture with its top row first, as image files want it (here row 0 is the bottom)."""
    return picture[::-1]


def whole_numbers(values: FloatArray, bits: int) -> npt.NDArray[np.unsignedinteger]:
    """Return values 0 to 1 as rounded whole numbers of 8 or 16 bits, same shape.

    Raises
    ------
    InputError
        For another number of bits.
    """
    if bits not in (8, 16):
        raise InputError("bits", bits, "give 8 or 16")
    top = 2**bits - 1
    kind = np.uint8 if bits == 8 else np.uint16
    return np.rint(np.clip(np.asarray(values, dtype=np.float64), 0.0, 1.0) * top).astype(kind)


def png_bytes(pixels: npt.NDArray[np.unsignedinteger], comments: dict[str, str] | None = None) -> bytes:
    """Return a PNG file of whole numbers as bytes; row 0 of `pixels` is the **bottom** row.

    Parameters
    ----------
    pixels : array of uint8 or uint16, shape (rows, columns) or (rows, columns, 3)
        Grey or colour; 16 bits are kept in colour too.
    comments : dict, optional
        Text chunks (keyword: text).
    """
    import png

    if pixels.dtype not in (np.uint8, np.uint16) or pixels.ndim not in (2, 3):
        raise InputError("pixels", (pixels.dtype, pixels.shape), "give 8- or 16-bit grey or colour")
    rows, columns = pixels.shape[:2]
    depth = 8 * pixels.dtype.itemsize
    writer = png.Writer(columns, rows, greyscale=pixels.ndim == 2, bitdepth=depth, compression=6)  # pyright: ignore[reportArgumentType]
    buffer = io.BytesIO()
    flat = top_first(pixels).reshape(rows, -1)
    if comments:
        chunks = _with_comments(writer, flat, comments)
        png.write_chunks(buffer, chunks)
    else:
        writer.write(buffer, flat)
    return buffer.getvalue()


def tiff_bytes(pixels: npt.NDArray[np.unsignedinteger]) -> bytes:
    """Return a TIFF file of whole numbers as bytes, unpacked; row 0 of `pixels` is the **bottom** row.

    Parameters
    ----------
    pixels : array of uint8 or uint16, shape (rows, columns) or (rows, columns, 3)
        Grey or colour.
    """
    from tifffile import imwrite

    buffer = io.BytesIO()
    kind = "rgb" if pixels.ndim == 3 else "minisblack"
    imwrite(buffer, np.ascontiguousarray(top_first(pixels)), photometric=kind, metadata=None)
    return buffer.getvalue()


def _with_comments(writer: Any, flat: npt.NDArray[Any], comments: dict[str, str]) -> list[tuple[bytes, bytes]]:
    import png

    plain = io.BytesIO()
    writer.write(plain, flat)
    chunks = list(png.Reader(bytes=plain.getvalue()).chunks())
    texts = [
        (b"tEXt", key.encode("latin-1", "replace") + b"\0" + text.encode("latin-1", "replace"))
        for key, text in comments.items()
    ]
    return [chunks[0], *texts, *chunks[1:]]
