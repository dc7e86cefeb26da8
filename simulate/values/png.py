"""Grey 16-bit PNG files, written without anything that changes from run to run."""

from __future__ import annotations

import struct
import zlib

import numpy as np
import numpy.typing as npt


def grey_png(pixels: npt.NDArray[np.uint16]) -> bytes:
    """Return a grey 16-bit PNG (ISO/IEC 15948) without date or other changing parts.

    Parameters
    ----------
    pixels : uint16 array, shape (rows, columns)
        Top row first. Each row is stored as its difference from the one above, which packs well.
    """
    rows, columns = pixels.shape
    raw = pixels.astype(">u2").view(np.uint8).reshape(rows, 2 * columns)
    above = np.vstack([np.zeros((1, 2 * columns), np.uint8), raw[:-1]])
    up = np.full((rows, 1), 2, np.uint8)
    packed = zlib.compress(np.hstack([up, raw - above]).tobytes(), 6)
    header = struct.pack(">II", columns, rows) + bytes((16, 0, 0, 0, 0))  # 16 bits, grey, not interlaced
    return b"\x89PNG\r\n\x1a\n" + _chunk(b"IHDR", header) + _chunk(b"IDAT", packed) + _chunk(b"IEND", b"")


def _chunk(kind: bytes, content: bytes) -> bytes:
    return struct.pack(">I", len(content)) + kind + content + struct.pack(">I", zlib.crc32(kind + content))
