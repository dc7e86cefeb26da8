"""The files that hold frames: FITS cubes and TIFF frames, in the order of rows in which they are stored."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from simulate.errors import InputError, RecordingWarning, note
from simulate.values.quiet import ignored

TIFF_ENDINGS = (".tif", ".tiff")

FITS_ENDINGS = (".fits", ".fit", ".fts", ".gz")

READABLE = "a FITS cube, a folder of TIFF frames or a TIFF file of many pages can be read"

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
    """

    frames: int
    shape: tuple[int, int]
    colours: int
    load: Callable[[int], Array]
    top_down: bool
    header: Mapping[str, Any] = field(default_factory=dict)


def open_source(place: Path) -> Source:
    """Return the frames of a FITS cube, of a TIFF file of many pages or of a folder of TIFF frames.

    Raises
    ------
    InputError
        If nothing usable is there.
    """
    if not place.exists():
        raise InputError("RECORDING", str(place), "no such file or folder")
    if place.is_dir():
        return _open_pages(place, _tiff_files(place))
    with open(place, "rb") as file:
        start = file.read(10)
    if start[:4] in (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+"):
        alone = _pages(place) > 1
        return _open_pages(place, [place] if alone else _tiff_files(place.parent))
    if start.startswith(b"SIMPLE  =") or place.suffix.lower() in FITS_ENDINGS:
        return _open_cube(place)
    raise InputError("RECORDING", str(place), f"its format is not known; {READABLE}")


def _open_cube(path: Path) -> Source:
    from astropy.io import fits
    from astropy.utils.exceptions import AstropyWarning

    try:
        # what matters of a library's warnings is said in our own words
        with ignored(AstropyWarning), fits.open(path, do_not_scale_image_data=True, memmap=True) as hdus:
            units: list[Any] = list(hdus)
            hdu = next((h for h in units if h.is_image and h.header.get("NAXIS", 0) >= 2), None)
            if hdu is None:
                raise InputError("RECORDING", str(path), "this FITS file holds no picture")
            header = hdu.header.copy()
            data = _whole_frames(path, hdu)
    except InputError:
        raise
    except (OSError, TypeError, ValueError, KeyError) as error:
        raise InputError("RECORDING", str(path), f"it is no readable FITS file; {READABLE}") from error
    cube = _frames_first(path, data)
    zero, scale = np.float32(header.get("BZERO", 0)), np.float32(header.get("BSCALE", 1))

    def load(index: int) -> Array:
        return cube[index].astype(np.float32) * scale + zero

    top_down = str(header.get("ROWORDER", "")).strip().upper() == "TOP-DOWN"
    shape = (int(cube.shape[-2]), int(cube.shape[-1]))
    return Source(len(cube), shape, cube.shape[1] if cube.ndim == 4 else 1, load, top_down, header)


def _whole_frames(path: Path, hdu: Any) -> Array:
    """Return the numbers of a picture, of a file that was cut off those of its whole frames."""
    header, place = hdu.header, hdu.fileinfo()
    axes = tuple(int(header[f"NAXIS{i}"]) for i in range(header["NAXIS"], 0, -1))
    if type(hdu).__name__ == "CompImageHDU" or path.suffix.lower() == ".gz" or place is None:
        return hdu.data  # its bytes on disk are others
    frame_bytes = abs(int(header["BITPIX"])) // 8 * int(np.prod(axes[1:]))
    there = path.stat().st_size - place["datLoc"]
    if there >= frame_bytes * axes[0]:
        return hdu.data
    whole = there // frame_bytes if frame_bytes else 0
    if len(axes) < 3 or whole < 1 or (len(axes) == 4 and axes[0] == 3):
        raise InputError("RECORDING", str(path), "the file is cut off: no whole frame is left in it")
    note(f"{path} is cut off: {whole} of its {axes[0]} frames are whole", RecordingWarning, stacklevel=2)
    kind = {8: "u1", 16: ">i2", 32: ">i4", 64: ">i8", -32: ">f4", -64: ">f8"}[int(header["BITPIX"])]
    return np.memmap(path, kind, "r", place["datLoc"], (whole, *axes[1:]))


def _frames_first(path: Path, data: Array | None) -> Array:
    """Return numbers as (frames, rows, columns) or (frames, 3, rows, columns)."""
    shape = None if data is None else data.shape
    if data is not None and data.ndim in (2, 3):
        return data if data.ndim == 3 else data[None]
    if data is not None and data.ndim == 4:
        axis = next((a for a in (1, 3, 0) if data.shape[a] == 3), None)
        if axis is not None:
            return np.moveaxis(data, axis, 1)
    wanted = "the axes must be frame, row, column, with a further one of length 3 for colours"
    raise InputError("RECORDING", str(path), f"{wanted}; this one has {shape}")


def _tiff_files(folder: Path) -> list[Path]:
    files = [f for f in folder.iterdir() if f.suffix.lower() in TIFF_ENDINGS and not f.name.startswith(".")]
    if not files:
        raise InputError("RECORDING", str(folder), f"the folder holds no TIFF frames (.tif); {READABLE}")
    # frame_2 before frame_10, as whoever counted them meant it
    return sorted(files, key=lambda f: [int(w) if w.isdigit() else w for w in re.split(r"(\d+)", f.name.lower())])


def _pages(path: Path) -> int:
    from PIL import Image, UnidentifiedImageError

    try:
        with Image.open(path) as image:
            return int(getattr(image, "n_frames", 1))
    except (UnidentifiedImageError, OSError, ValueError):
        return 1


def _open_pages(place: Path, files: list[Path]) -> Source:
    counts = [_pages(path) for path in files]
    pages = [(path, page) for path, count in zip(files, counts, strict=True) for page in range(count)]
    reader = _TiffReader()
    first = reader.read(*pages[0])

    def load(index: int) -> Array:
        path, page = pages[index]
        frame = reader.read(path, page)
        if frame.shape != first.shape or frame.dtype != first.dtype:
            raise InputError("RECORDING", str(path), f"all frames must have the shape {first.shape} and {first.dtype}")
        return frame

    header = dict(_description(files[0]))
    if first.dtype == np.uint8:
        header.setdefault("SATURATE", 255)
    shape = (int(first.shape[-2]), int(first.shape[-1]))
    return Source(len(pages), shape, 3 if first.ndim == 3 else 1, load, True, header)


class _TiffReader:
    """Reads pages; keeps the last file open, since to open one of many pages anew for each would take long."""

    def __init__(self) -> None:
        self._path: Path | None = None
        self._opened: Any = None

    def __del__(self) -> None:
        """Close the file."""
        self._let_go()

    def _let_go(self) -> None:
        if self._opened is not None and not isinstance(self._opened, np.ndarray):
            self._opened.close()
        self._path = self._opened = None

    def read(self, path: Path, page: int) -> Array:
        """Return a page as (rows, columns) or (3, rows, columns), the top row first."""
        try:
            picture = self._decoded(path, page)
        except (OSError, ValueError, TypeError, EOFError, KeyError, SyntaxError) as error:
            raise InputError("RECORDING", str(path), f"this TIFF file cannot be read; {READABLE}") from error
        if picture.ndim == 3 and picture.shape[2] in (3, 4):
            return np.moveaxis(picture[..., :3], -1, 0)
        if picture.ndim != 2 or picture.dtype == np.bool_:
            wanted = "a frame must be grey or raw (rows, columns) or in three colours"
            raise InputError("RECORDING", str(path), f"{wanted}; this one is {picture.shape}")
        return picture

    def _decoded(self, path: Path, page: int) -> Array:
        if path != self._path:
            self._let_go()
            self._opened, self._path = _open_tiff(path), path
        opened = self._opened
        if isinstance(opened, np.ndarray):
            return opened[page]
        opened.seek(page)
        return np.asarray(opened.convert("RGB") if opened.mode in ("P", "CMYK", "YCbCr", "LAB") else opened)


def _open_tiff(path: Path) -> Any:
    """Return a picture to seek pages in, or all pages as one array where only the other library reads them rightly."""
    import imageio.v3 as iio
    from PIL import Image, UnidentifiedImageError

    try:
        image: Any = Image.open(path)
        if max(np.atleast_1d(image.tag_v2.get(258, 1))) <= 8 or image.tag_v2.get(277, 1) == 1:
            return image
        count = image.n_frames
        image.close()
    except UnidentifiedImageError:  # colours of floating numbers
        count = 1
    pages = np.asarray(iio.imread(path))
    return pages if count > 1 else pages[None]


def _description(path: Path) -> Mapping[str, Any]:
    """Return what a frame of this program's tells of its recording: FITS cards as JSON in the description."""
    from PIL import Image, UnidentifiedImageError

    try:
        with Image.open(path) as image:
            told = json.loads(image.tag_v2.get(270, ""))  # type: ignore[attr-defined] - a TIFF file's tags
    except (UnidentifiedImageError, OSError, ValueError, AttributeError, TypeError):
        return {}
    return told if isinstance(told, dict) and "SWCREATE" in told else {}
