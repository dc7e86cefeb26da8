"""The frames of a cube as TIFF files, or as a video for a look."""

from __future__ import annotations

import errno
import io
import json
from collections.abc import Iterator
from contextlib import closing
from importlib.util import find_spec
from itertools import chain
from pathlib import Path

import numpy as np
import numpy.typing as npt

from simulate.camera import demosaic_bilinear
from simulate.errors import InputError
from simulate.values.files import LEFT_BEHIND, beside, write_bytes

IMAGE_DESCRIPTION = 270
"""TIFF 6.0, section 8."""


def read_cube(path: Path) -> npt.NDArray[np.int16]:
    """Return a mapped view (frames, rows, columns) of a cube; `as_numbers` turns parts of it into raw numbers."""
    from astropy.io import fits

    with fits.open(path, do_not_scale_image_data=True, memmap=True) as hdus:
        return hdus[0].data  # type: ignore[attr-defined]


def as_numbers(stored: npt.NDArray[np.int16]) -> npt.NDArray[np.uint16]:
    """Return the unsigned numbers of values stored with an offset of 32768."""
    return stored.astype(np.int16).view(np.uint16) ^ np.uint16(0x8000)


def cube_frames(path: Path) -> Iterator[npt.NDArray[np.uint16]]:
    """Yield the raw frames of a cube, one by one, each (rows, columns)."""
    for stored in read_cube(path):
        yield as_numbers(stored)


CUT_VIDEO = "the video could not be written whole; is the disk full?"

STRUCTURE = ("SIMPLE", "BITPIX", "NAXIS", "BSCALE", "BZERO", "ROWORDER", "EXTEND", "END")
"""Keywords that tell how a FITS file holds its numbers, not what they mean."""


def told_facts(cube: Path) -> str:
    """Return what a cube's header tells as JSON by FITS keyword, as it is true of its frames turned top row first.

    Parameters
    ----------
    cube : Path
        FITS cube whose first row is the lowest.
    """
    from astropy.io import fits

    header = fits.getheader(cube)
    facts = {card.keyword: card.value for card in header.cards if not card.keyword.startswith(STRUCTURE)}
    pattern, rows = facts.get("BAYERPAT"), header["NAXIS2"]
    if isinstance(pattern, str) and rows % 2 == 0:
        facts["BAYERPAT"] = pattern[2:] + pattern[:2]  # the top two rows begin with what the lowest end with
    for word in ("CD1_2", "CD2_2"):
        if word in facts:
            facts[word] = -facts[word]
    if "CRPIX2" in facts:
        facts["CRPIX2"] = rows + 1 - facts["CRPIX2"]
    return json.dumps(facts | {"ROWORDER": "TOP-DOWN"})


def frame_names(frames: int) -> list[str]:
    """Return the names of the TIFF files of a recording of so many frames."""
    return [f"frame_{number:05d}.tif" for number in range(frames)]


def refuse_foreign_frames(folder: Path, frames: int) -> None:
    """Raise `InputError` if a folder holds TIFF files that are none of the first `frames` of a recording."""
    found = {path.name for path in folder.glob("*.tif*") if path.name[0] != "."} if folder.is_dir() else set()
    foreign = found - set(frame_names(frames))
    if foreign:
        raise InputError("output", str(folder / min(foreign)), "a frame of another recording is in the way")


def write_tiff_frames(cube: Path, folder: Path) -> int:
    """Write one 16-bit grey TIFF a frame, the first row at the bottom of the picture; returns their number.

    The description of each holds what is known of the recording (`told_facts`).

    Parameters
    ----------
    cube : Path
        FITS cube.
    folder : Path
        Made if need be; files are called frame_00000.tif and so on.

    Raises
    ------
    InputError
        If frames beyond the cube's are there: they are of another recording.
    """
    from PIL import Image

    stored, facts = read_cube(cube), told_facts(cube)
    refuse_foreign_frames(folder, len(stored))
    folder.mkdir(parents=True, exist_ok=True)
    for begun in folder.glob(".frame_*.tif"):  # by a run that was killed
        if LEFT_BEHIND.fullmatch(begun.name):
            begun.unlink(missing_ok=True)
    for name, numbers in zip(frame_names(len(stored)), stored, strict=True):
        memory = io.BytesIO()
        turned = np.ascontiguousarray(as_numbers(numbers)[::-1])
        Image.fromarray(turned).save(memory, "TIFF", tiffinfo={IMAGE_DESCRIPTION: facts})
        write_bytes(folder / name, memory.getvalue())
    return len(stored)


def need_video_extra() -> None:
    """Raise `InputError` if the extra "video" is not installed."""
    if find_spec("imageio_ffmpeg") is None:
        raise InputError("--format", "video", "it needs the extra of that name: pip install 'simulate[video]'")


def write_video(cube: Path, path: Path, frames_per_second: float, bits: int, filter_array: str = "mono") -> None:
    """Write an uncompressed 8-bit AVI that ordinary players show; lossless but for the lower bits left out.

    Parameters
    ----------
    cube : Path
        FITS cube.
    path : Path
        Ends in ".avi".
    frames_per_second : float
        Rate at which it plays, 1/s.
    bits : int
        Bits of the camera; the upper eight are shown.
    filter_array : str
        Colour filter array, or "mono".

    Raises
    ------
    InputError
        If the extra "video" is not installed.
    OSError
        If the video cannot be written whole, as on a full disk.
    """
    need_video_extra()
    import imageio_ffmpeg

    frames, count = cube_frames(cube), len(read_cube(cube))
    first = next(frames)
    with beside(path) as temporary:
        writer = imageio_ffmpeg.write_frames(
            str(temporary),
            (first.shape[1], first.shape[0]),
            pix_fmt_in="rgb24",
            pix_fmt_out="bgr24",
            fps=frames_per_second,  # type: ignore[arg-type] - any number is taken
            codec="rawvideo",
            macro_block_size=1,
            ffmpeg_log_level="error",
            output_params=["-fflags", "+bitexact", "-flags:v", "+bitexact"],
        )
        try:
            with closing(writer):
                writer.send(None)
                for frame in chain([first], frames):
                    writer.send(shown(frame, bits, filter_array))
        except OSError as error:  # its writer has stopped
            raise OSError(error.errno or errno.EIO, CUT_VIDEO, str(path)) from error
        if temporary.stat().st_size < 3 * first.size * count:
            raise OSError(errno.EIO, CUT_VIDEO, str(path))


def shown(raw: npt.NDArray[np.uint16], bits: int, filter_array: str = "mono") -> npt.NDArray[np.uint8]:
    """Return a raw frame as 8-bit RGB, first row at the top, shape (rows, columns, 3)."""
    planes = raw[None] if filter_array == "mono" else demosaic_bilinear(raw, filter_array)
    scaled = np.asarray(planes, np.float32) * np.float32(2.0 ** (8 - bits))
    rgb = np.clip(scaled, 0, 255).astype(np.uint8)
    return np.ascontiguousarray(np.moveaxis(np.broadcast_to(rgb, (3, *raw.shape)), 0, -1)[::-1])
