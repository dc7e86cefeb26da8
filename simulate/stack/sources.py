"""The files that hold frames: FITS cubes, TIFF and PNG frames, in the order of rows in which they are stored."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from simulate.errors import InputError, RecordingWarning, note
from simulate.given import fits, tiff
from simulate.given.door import open_given
from simulate.given.pictures import PNG_START, read_pixels

TIFF_ENDINGS = (".tif", ".tiff")

PNG_ENDINGS = (".png",)

FITS_ENDINGS = (".fits", ".fit", ".fts", ".fz", ".gz")

READABLE = "a FITS cube, a folder of TIFF frames or a TIFF file of many pages can be read, and a folder of PNG frames"

MOST_PIXELS = 12_000_000
"""Pixels of a frame: grading, stacking and restoring holds some fifteen planes of them at once."""

MOST_FRAMES = 1_000_000
"""Frames of a recording."""

MOST_FILES = 200_000
"""Files of a folder."""

Array = npt.NDArray[Any]


@dataclass(frozen=True, eq=False)
class Source:
    """Frames as a file holds them.

    Parameters
    ----------
    frames : int
        How many.
    shape : pair of int
        (rows, columns).
    colours : int
        1, or 3 where every pixel has three colours.
    load : callable
        Gives frame n as stored, (rows, columns) or (3, rows, columns), any type.
    top_down : bool
        Whether the first stored row is the top one.
    header : mapping
        What the file tells, by FITS keyword.
    folder : Path or None
        Where every file is a frame: a further one would count as one too.
    """

    frames: int
    shape: tuple[int, int]
    colours: int
    load: Callable[[int], Array]
    top_down: bool
    header: Mapping[str, Any] = field(default_factory=dict)
    folder: Path | None = None


def open_source(place: Path) -> Source:
    """Return the frames of a FITS cube, of a TIFF file of many pages or of a folder of TIFF or PNG frames.

    Raises
    ------
    InputError
        If nothing usable is there.
    """
    if _is_folder(place):
        return _open_folder(place)
    with open_given("RECORDING", place, hint=f"; {READABLE}") as file:
        start = file.read(16)
    if start.startswith(tiff.STARTS):
        return _open_pages([place]) if _count(place) > 1 else _open_folder(place.parent, TIFF_ENDINGS)
    if start.startswith(PNG_START):
        return _open_folder(place.parent, PNG_ENDINGS)
    if start.startswith((fits.START, fits.PACKED)) or place.suffix.lower() in FITS_ENDINGS:
        return _open_cube(place)
    raise InputError("RECORDING", str(place), f"its format is not known; {READABLE}")


def _is_folder(place: Path) -> bool:
    try:
        return place.is_dir()
    except (OSError, ValueError):  # a name too long, or with a null in it: the door says so
        return False


def _check_frame(path: Path, columns: int, rows: int) -> None:
    if columns * rows > MOST_PIXELS:
        wanted = (
            f"its frames have {columns} x {rows} pixels, more than {MOST_PIXELS / 1e6:.0f} million; "
            "crop them to the planet"
        )
        raise InputError("RECORDING", str(path), wanted)


def _open_cube(path: Path) -> Source:
    picture = fits.open_fits("RECORDING", path)
    axes = picture.axes
    if len(axes) == 3:
        frames, colour_axis = axes[0], None
    elif len(axes) == 2:  # one frame, as a mean of dark or flat ones is kept
        frames, colour_axis = 1, None
    else:
        colour_axis = next((a for a in (1, 3, 0) if len(axes) == 4 and axes[a] == 3), None)
        if colour_axis is None:
            wanted = "the axes must be frame, row, column, with a further one of length 3 for colours"
            raise InputError("RECORDING", str(path), f"{wanted}; this one has {axes}")
        frames = axes[1] if colour_axis == 0 else axes[0]
    rows, columns = list(axes)[-3:-1] if colour_axis == 3 else list(axes)[-2:]
    _check_frame(path, columns, rows)
    if len(axes) > 2 and picture.whole < axes[0]:
        if picture.whole < 1 or colour_axis == 0:
            raise InputError("RECORDING", str(path), "the file is cut off: no whole frame is left in it")
        note(f"{path} is cut off: {picture.whole} of its {axes[0]} frames are whole", RecordingWarning, stacklevel=2)
        frames = picture.whole
    if frames > MOST_FRAMES:
        raise InputError("RECORDING", str(path), f"it tells of {frames} frames; {MOST_FRAMES} are the most")
    zero, scale = np.float32(picture.number("BZERO", 0.0)), np.float32(picture.number("BSCALE", 1.0))

    def load(index: int) -> Array:
        try:
            if colour_axis == 0:
                stored = np.stack([picture.part(colour, index) for colour in range(3)])
            else:
                stored = picture.part() if len(axes) == 2 else picture.part(index)
        except Exception as error:  # cut off since it was opened, or packed badly: libraries raise anything then
            raise InputError("RECORDING", str(path), f"frame {index + 1} cannot be read; {READABLE}") from error
        if colour_axis == 3:
            stored = np.moveaxis(stored, -1, 0)
        with np.errstate(over="ignore", invalid="ignore"):  # whoever asks refuses what is no number then
            return stored.astype(np.float32) * scale + zero

    return Source(frames, (rows, columns), 1 if colour_axis is None else 3, load, picture.top_down, picture.header)


def _open_folder(folder: Path, endings: tuple[str, ...] = TIFF_ENDINGS + PNG_ENDINGS) -> Source:
    """Return the frames of a folder: its TIFF files, or its PNG files where it holds no others."""
    files = _files(folder, endings)
    pages = [path for path in files if path.suffix.lower() in TIFF_ENDINGS]
    if pages and len(pages) < len(files):
        note(f"{folder} holds TIFF and PNG files: the TIFF files are taken for its frames", RecordingWarning)
    return replace(_open_pages(pages) if pages else _open_png(files), folder=folder)


def _open_png(files: list[Path]) -> Source:
    def load(index: int) -> Array:
        path = files[index]
        pixels = read_pixels(
            "RECORDING", path, lambda columns, rows, _: _check_frame(path, columns, rows), kinds=("PNG",)
        )
        planes = pixels.planes
        # the last of two and of four is transparency
        return planes[0] if len(planes) < 3 else planes[:3]

    first = load(0)

    def load_alike(index: int) -> Array:
        frame = load(index)
        if frame.shape != first.shape or frame.dtype != first.dtype:
            wanted = f"all frames must have the shape {first.shape} and {first.dtype}"
            raise InputError("RECORDING", str(files[index]), wanted)
        return frame

    header = {"SATURATE": 255} if first.dtype == np.uint8 else {}
    shape = (int(first.shape[-2]), int(first.shape[-1]))
    return Source(len(files), shape, 3 if first.ndim == 3 else 1, load_alike, True, header)


def _files(folder: Path, endings: tuple[str, ...]) -> list[Path]:
    files = []
    try:
        for entry in folder.iterdir():
            if entry.suffix.lower() in endings and not entry.name.startswith("."):
                files.append(entry)
            if len(files) > MOST_FILES:
                raise InputError("RECORDING", str(folder), f"the folder holds more than {MOST_FILES} frames")
    except OSError as error:
        raise InputError("RECORDING", str(folder), f"the folder cannot be read ({error.strerror})") from error
    if not files:
        raise InputError("RECORDING", str(folder), f"the folder holds no TIFF or PNG frames (.tif, .png); {READABLE}")
    # frame_2 before frame_10, as whoever counted them meant it
    return sorted(files, key=lambda f: [int(w) if w.isdecimal() else w for w in re.split(r"(\d+)", f.name.lower())])


def _count(path: Path) -> int:
    return tiff.count_pages("RECORDING", path)


def _open_pages(files: list[Path]) -> Source:
    counts = [_count(path) for path in files]
    pages = [(path, page) for path, count in zip(files, counts, strict=True) for page in range(count)]
    if len(pages) > MOST_FRAMES:
        raise InputError("RECORDING", str(files[0]), f"these are {len(pages)} frames; {MOST_FRAMES} are the most")
    reader = _TiffReader()
    first = reader.read(*pages[0])
    header = dict(_description(reader.opened(files[0])))

    def load(index: int) -> Array:
        path, page = pages[index]
        frame = reader.read(path, page)
        if frame.shape != first.shape or frame.dtype != first.dtype:
            raise InputError("RECORDING", str(path), f"all frames must have the shape {first.shape} and {first.dtype}")
        return frame

    if first.dtype == np.uint8:
        header.setdefault("SATURATE", 255)
    shape = (int(first.shape[-2]), int(first.shape[-1]))
    return Source(len(pages), shape, 3 if first.ndim == 3 else 1, load, True, header)


class _TiffReader:
    """Reads pages; keeps the last file open, since to open one of many pages anew for each would take long."""

    def __init__(self) -> None:
        self._path: Path | None = None
        self._pages: tiff.TiffPages | None = None

    def opened(self, path: Path) -> tiff.TiffPages:
        """Return a file's pages."""
        if self._pages is None or path != self._path:
            self._pages = tiff.TiffPages("RECORDING", path, lambda columns, rows: _check_frame(path, columns, rows))
            self._path = path
        return self._pages

    def read(self, path: Path, page: int) -> Array:
        """Return a page as (rows, columns) or (3, rows, columns), the top row first."""
        picture = self.opened(path).page(page)
        if picture.ndim == 3 and picture.shape[2] in (3, 4):
            return np.moveaxis(picture[..., :3], -1, 0)
        if picture.ndim != 2:
            wanted = "a frame must be grey or raw (rows, columns) or in three colours"
            raise InputError("RECORDING", str(path), f"{wanted}; this one is {picture.shape}")
        return picture


def _description(pages: tiff.TiffPages) -> Mapping[str, Any]:
    """Return what a frame of this program's tells of its recording: FITS cards as JSON in the description."""
    try:
        told = json.loads(pages.description())
    except (ValueError, RecursionError):
        return {}
    return told if isinstance(told, dict) and "SWCREATE" in told else {}
