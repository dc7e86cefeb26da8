"""The recording on disk: a FITS cube written frame by frame, and the rows of its truth.

While it grows the cube is called NAME.fits.part and its rows NAME.rows.part. Frames are complete or not there: after
an interruption of any kind `CubeFile` finds how many frames both files hold in full, cuts off the rest and goes on.
When the disk is full, the frames that fit are closed as a valid, shorter NAME.fits.
"""

from __future__ import annotations

import contextlib
import errno
import hashlib
import io
import json
import os
import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from os.path import lexists
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from simulate.errors import InputError
from simulate.recording.frames import ROW
from simulate.values.files import write_bytes

BLOCK = 2880
"""FITS files come in blocks of this many bytes (FITS Standard 4.0, section 3.1)."""


def inputs_hash(inputs: Mapping[str, Any]) -> str:
    """Return 16 hexadecimal digits that change with any input."""
    return hashlib.sha256(json.dumps(inputs, sort_keys=True).encode()).hexdigest()[:16]


@dataclass(frozen=True)
class CubeLayout:
    """What is known of a cube before its first frame.

    Parameters
    ----------
    shape : pair of int
        (rows, columns) of a frame.
    frames : int
        Frames it shall hold.
    cards : tuple of (keyword, value, comment)
        Further header cards, in order.
    """

    shape: tuple[int, int]
    frames: int
    cards: tuple[tuple[str, Any, str], ...] = ()

    @property
    def frame_bytes(self) -> int:
        """Bytes of a frame."""
        return 2 * self.shape[0] * self.shape[1]

    def header(self, frames: int) -> bytes:
        """Return the header of a cube of `frames` frames; its length does not depend on the number."""
        from astropy.io import fits

        header = fits.Header()
        header["SIMPLE"] = (True, "conforms to FITS standard")
        header["BITPIX"] = (16, "array data type")
        header["NAXIS"] = (3, "number of array dimensions")
        header["NAXIS1"] = (self.shape[1], "columns")
        header["NAXIS2"] = (self.shape[0], "rows")
        header["NAXIS3"] = (frames, "frames")
        header["BSCALE"] = 1
        header["BZERO"] = (32768, "unsigned 16-bit numbers")
        for keyword, value, comment in self.cards:
            header[keyword] = (ascii_text(value) if isinstance(value, str) else value, comment)
        return header.tostring().encode("ascii")


def ascii_text(text: str) -> str:
    """Return a text in the characters that a FITS header may hold (FITS Standard 4.0, section 3.3.1).

    Accents are left off their letters; what has no letter beneath becomes a question mark. The inputs in the truth
    file keep the text as it was.
    """
    plain = "".join(c for c in unicodedata.normalize("NFKD", text) if not unicodedata.combining(c))
    return "".join(c if " " <= c <= "~" else "?" for c in plain)


def to_fits_bytes(raw: npt.NDArray[np.uint16]) -> bytes:
    """Return raw numbers as big-endian signed 16-bit values minus 32768, the convention for unsigned numbers."""
    return (raw ^ np.uint16(0x8000)).astype(">u2").tobytes()


class CubeFile:
    """A cube that grows frame by frame.

    Parameters
    ----------
    path : Path
        Final name, ending in ".fits".
    layout : CubeLayout
        Shape, length, cards; the card ``INHASH`` tells the settings.
    resume : bool
        Go on with what an interrupted recording left, instead of refusing to touch it.

    Raises
    ------
    InputError
        If a file is in the way, or what is there was made with other settings.
    """

    def __init__(self, path: Path, layout: CubeLayout, *, resume: bool = False) -> None:
        self.path, self.layout = path, layout
        self.part = path.with_name(path.name + ".part")
        self.rows_part = path.with_name(path.stem + ".rows.part")
        self._header = layout.header(layout.frames)
        self.done = 0
        self.complete = False
        if resume:
            self._pick_up()
        elif lexists(path) or lexists(self.part):
            found = path if lexists(path) else self.part
            raise InputError(
                "output", str(found), "it is in the way: continue it with --resume, or choose another name"
            )
        if not self.complete:
            self._open()

    def _pick_up(self) -> None:
        if self.path.exists():
            frames = _check_header(self.path, self._header, self.layout)
            if frames == self.layout.frames:
                self.done, self.complete = frames, True
                return
            os.replace(self.path, self.part)
            with open(self.part, "r+b") as file:
                file.truncate(len(self._header) + frames * self.layout.frame_bytes)
        if self.part.exists() and self.part.stat().st_size >= len(self._header):
            _check_header(self.part, self._header, self.layout)
            whole = (self.part.stat().st_size - len(self._header)) // self.layout.frame_bytes
            rows = self.rows_part.stat().st_size // ROW.itemsize if self.rows_part.exists() else 0
            self.done = min(whole, rows, self.layout.frames)

    def _open(self) -> None:
        self._cube = _open_own(self.part, keep=self.done > 0)
        self._rows = _open_own(self.rows_part, keep=self.done > 0)
        _write_all(self._cube, self._header)
        end = len(self._header) + self.done * self.layout.frame_bytes
        for file, size in ((self._cube, end), (self._rows, self.done * ROW.itemsize)):
            file.truncate(size)
            file.seek(size)

    def append(self, raw: npt.NDArray[np.uint16], rows: npt.NDArray[np.void]) -> None:
        """Write frames (frames, rows, columns) and their truth rows.

        Raises
        ------
        OSError
            When they cannot be written; the files are then closed as they are, valid and shorter.
        """
        try:
            _write_all(self._cube, to_fits_bytes(raw))
            _write_all(self._rows, np.asarray(rows, ROW).tobytes())
        except OSError as error:
            self._close_short()
            said = f"{error.strerror} after {self.done} of {self.layout.frames} frames"
            raise OSError(
                error.errno, f"{said}; they are kept: make room and go on with --resume", str(self.path)
            ) from error
        self.done += len(raw)

    def rows(self) -> npt.NDArray[np.void]:
        """Return the truth rows of all frames so far."""
        return np.frombuffer(self.rows_part.read_bytes()[: self.done * ROW.itemsize], ROW)

    def finish(self) -> None:
        """Pad the cube, give it its name; the rows stay until `discard_rows`."""
        if self.complete:
            return
        end = len(self._header) + self.done * self.layout.frame_bytes
        self._cube.seek(end)
        try:
            _write_all(self._cube, b"\0" * (-end % BLOCK))
        except OSError as error:
            self._close_short()
            raise OSError(
                error.errno, f"{error.strerror}; make room and go on with --resume", str(self.path)
            ) from error
        self.close()
        os.replace(self.part, self.path)
        self.complete = True

    def discard_empty(self) -> None:
        """Remove what holds no frame yet, so that it is not in the way of the next attempt."""
        if self.done == 0 and not self.complete:
            self.part.unlink(missing_ok=True)
            self.rows_part.unlink(missing_ok=True)

    def discard_rows(self) -> None:
        """Remove the rows once the truth file holds them."""
        self.rows_part.unlink(missing_ok=True)

    def close(self) -> None:
        """Close the files, whatever their state."""
        for name in ("_cube", "_rows"):
            file = getattr(self, name, None)
            if file is not None:
                file.close()

    def _close_short(self) -> None:
        """Make a valid cube of the frames that fit; the padding may take the place of the last one."""
        with contextlib.suppress(OSError):
            self._count_whole()
            while self.done > 0:
                end = len(self._header) + self.done * self.layout.frame_bytes
                try:
                    self._cube.truncate(end)
                    self._cube.seek(end)
                    _write_all(self._cube, b"\0" * (-end % BLOCK))
                    break
                except OSError:
                    self.done -= 1
            if self.done > 0:
                self._cube.seek(0)
                _write_all(self._cube, self.layout.header(self.done))
                self._rows.truncate(self.done * ROW.itemsize)
        self.close()
        if self.done > 0:
            os.replace(self.part, self.path)

    def _count_whole(self) -> None:
        frames = (os.fstat(self._cube.fileno()).st_size - len(self._header)) // self.layout.frame_bytes
        self.done = max(0, min(frames, os.fstat(self._rows.fileno()).st_size // ROW.itemsize))


def refuse_other_settings(path: Path, layout: CubeLayout) -> None:
    """Refuse to go on with a recording that was made with other settings; touches nothing.

    Parameters
    ----------
    path : Path
        Final name of the cube.
    layout : CubeLayout
        What it should be.

    Raises
    ------
    InputError
        If what is there, whole or growing, has another header.
    """
    header = layout.header(layout.frames)
    part = path.with_name(path.name + ".part")
    if path.exists():
        _check_header(path, header, layout)
    elif part.exists() and part.stat().st_size >= len(header):
        _check_header(part, header, layout)


def _open_own(path: Path, *, keep: bool) -> io.FileIO:
    """Open a growing file, never through a link, which could lead to any file of the user's."""
    if path.is_symlink():
        raise InputError("output", str(path), "it is a link; remove it, or choose another name")
    if not keep:
        path.unlink(missing_ok=True)
    return open(path, "r+b" if keep else "x+b", buffering=0)


def _write_all(file: io.RawIOBase | io.FileIO, data: bytes) -> None:
    view = memoryview(data)
    while view:
        written = file.write(view)
        if not written:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        view = view[written:]


def _check_header(path: Path, header: bytes, layout: CubeLayout) -> int:
    """Return the frames that a header found on disk tells; it must else be the expected one."""
    with open(path, "rb") as file:
        found = file.read(len(header))
    frames = _card_number(found, b"NAXIS3  =")
    if frames is None or layout.header(frames) != found:
        raise InputError(
            "--resume", str(path), "it was recorded with other settings; repeat those or choose another name"
        )
    return frames


def _card_number(header: bytes, start: bytes) -> int | None:
    for place in range(0, len(header), 80):
        if header.startswith(start, place):
            digits = header[place + 10 : place + 80].split(b"/")[0].strip()
            return int(digits) if digits.isdigit() else None
    return None


@dataclass(frozen=True, eq=False)
class TruthPicture:
    """The unblurred picture at the middle of the recording.

    Parameters
    ----------
    values : float32 array, shape (channels, rows, columns)
        Electrons per second and camera pixel, on cells finer than the pixels.
    step_arcsec : float
        Side of a cell.
    channel_names : tuple of str
        Of the first axis.
    """

    values: npt.NDArray[np.float32]
    step_arcsec: float
    channel_names: Sequence[str]


def write_truth(path: Path, picture: TruthPicture, rows: npt.NDArray[np.void], inputs: Mapping[str, Any]) -> None:
    """Write the truth file: TRUTH (picture), FRAMES (a row a frame), INPUTS (JSON text).

    Parameters
    ----------
    path : Path
        Name; it is written beside and renamed.
    picture : TruthPicture
        Unblurred picture.
    rows : array of `ROW`
        What is known of each frame.
    inputs : mapping
        Everything that made the recording, plain JSON values.
    """
    from astropy.io import fits

    image = fits.ImageHDU(picture.values, name="TRUTH")
    image.header["BUNIT"] = ("electron/s", "per camera pixel, unblurred")
    image.header["CDELT1"] = (picture.step_arcsec, "arcsec a cell")
    image.header["CDELT2"] = (picture.step_arcsec, "arcsec a cell")
    for index, name in enumerate(picture.channel_names):
        image.header[f"CHAN{index + 1}"] = (name, "plane of the third axis")
    table = fits.BinTableHDU(np.asarray(rows, ROW), name="FRAMES")
    units = ("", "s", "arcsec", "arcsec", "arcsec", "arcsec", "", "nm")
    for index, unit in enumerate(units):
        if unit:
            table.header[f"TUNIT{index + 1}"] = unit
    text = json.dumps(inputs, indent=1, sort_keys=True).encode()
    notes = fits.BinTableHDU(np.array([(text,)], dtype=[("json", f"S{max(1, len(text))}")]), name="INPUTS")
    memory = io.BytesIO()
    fits.HDUList([fits.PrimaryHDU(), image, table, notes]).writeto(memory)
    write_bytes(path, memory.getvalue())
