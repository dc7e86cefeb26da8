"""The frames of a cube as TIFF files, or as a video for a look."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import numpy.typing as npt

from simulate.camera import demosaic_bilinear
from simulate.errors import InputError


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


def write_tiff_frames(cube: Path, folder: Path) -> int:
    """Write one 16-bit grey TIFF a frame, the first row at the bottom of the picture; returns their number.

    Parameters
    ----------
    cube : Path
        FITS cube.
    folder : Path
        Made if need be; files are called frame_00000.tif and so on.
    """
    import imageio.v3 as iio

    folder.mkdir(parents=True, exist_ok=True)
    count = 0
    for count, frame in enumerate(cube_frames(cube), start=1):
        path = folder / f"frame_{count - 1:05d}.tif"
        part = path.with_name(f".{path.name}")
        try:
            iio.imwrite(part, frame[::-1], extension=".tif")
            os.replace(part, path)
        except OSError:
            part.unlink(missing_ok=True)
            raise
    return count


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
    """
    try:
        import imageio_ffmpeg
    except ImportError as error:
        raise InputError("video", str(path), "install the extra for it: pip install 'simulate[video]'") from error
    part = path.with_name(f"{path.stem}.part.avi")
    frames = cube_frames(cube)
    first = next(frames)
    size = (first.shape[1], first.shape[0])
    writer = imageio_ffmpeg.write_frames(
        str(part),
        size,
        pix_fmt_in="rgb24",
        pix_fmt_out="bgr24",
        fps=frames_per_second,  # type: ignore[arg-type] - any number is taken
        codec="rawvideo",
        macro_block_size=1,
        ffmpeg_log_level="error",
        output_params=["-fflags", "+bitexact", "-flags:v", "+bitexact"],
    )
    try:
        writer.send(None)
        writer.send(shown(first, bits, filter_array))
        for frame in frames:
            writer.send(shown(frame, bits, filter_array))
        writer.close()
        os.replace(part, path)
    finally:
        writer.close()
        part.unlink(missing_ok=True)


def shown(raw: npt.NDArray[np.uint16], bits: int, filter_array: str = "mono") -> npt.NDArray[np.uint8]:
    """Return a raw frame as 8-bit RGB, first row at the top, shape (rows, columns, 3)."""
    planes = raw[None] if filter_array == "mono" else demosaic_bilinear(raw, filter_array)
    scaled = np.asarray(planes, np.float32) * np.float32(2.0 ** (8 - bits))
    rgb = np.clip(scaled, 0, 255).astype(np.uint8)
    return np.ascontiguousarray(np.moveaxis(np.broadcast_to(rgb, (3, *raw.shape)), 0, -1)[::-1])
