"""Raw recordings from disk: FITS cubes or TIFF frames, ours or made by something else.

What a header tells (gain, offset, exposure, filter array, pixel scale, aperture) is taken from it under the usual
keywords; what it does not tell may be given; what nobody tells stays None.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from simulate.air import Sky, fried_parameter_m
from simulate.errors import InputError
from simulate.values.constants import ARCSEC_PER_RADIAN, GREEN_NM

Float32Array = npt.NDArray[np.float32]

_KEYWORDS: dict[str, tuple[str, ...]] = {
    "exposure_s": ("EXPTIME", "EXPOSURE"),
    "gain_e_per_dn": ("EGAIN",),
    "offset_dn": ("PEDESTAL",),
    "read_noise_e": ("RDNOISE", "READNOIS"),
    "saturation_dn": ("SATURATE",),
    "pixel_arcsec": ("PIXSCALE", "SECPIX", "SCALE"),
    "aperture_mm": ("APTDIA",),
    "seeing_arcsec": ("SEEING",),
    "fried_ratio": ("DR0",),
}

TIFF_ENDINGS = (".tif", ".tiff")


@dataclass(frozen=True)
class Facts:
    """What is known of a recording; None where nothing tells it.

    Parameters
    ----------
    exposure_s : float or None
        Time of one exposure, s.
    gain_e_per_dn, offset_dn, read_noise_e, saturation_dn : float or None
        Electrons per number, offset of the numbers, read noise in electrons, largest number.
    filter_array : str
        "mono" or the letters of pixels [0, 0], [0, 1], [1, 0], [1, 1], row 0 first in the array.
    pixel_arcsec, aperture_mm : float or None
        Pixel on the sky; diameter of the telescope.
    seeing_arcsec, fried_ratio : float or None
        Seeing; aperture over r0.
    body : str
        What was recorded, if told.
    """

    exposure_s: float | None = None
    gain_e_per_dn: float | None = None
    offset_dn: float | None = None
    read_noise_e: float | None = None
    saturation_dn: float | None = None
    filter_array: str = "mono"
    pixel_arcsec: float | None = None
    aperture_mm: float | None = None
    seeing_arcsec: float | None = None
    fried_ratio: float | None = None
    body: str = ""

    @property
    def sampling_ratio(self) -> float | None:
        """Pixels per lambda/(2D) at 550 nm, or None."""
        if self.pixel_arcsec is None or self.aperture_mm is None:
            return None
        return self.pixel_arcsec / (550e-6 / (2 * self.aperture_mm) * ARCSEC_PER_RADIAN)

    @property
    def fried_m(self) -> float | None:
        """Fried's parameter at 550 nm in m; infinite in still air, None where nothing tells it."""
        if self.fried_ratio is not None and self.aperture_mm is not None:
            return self.aperture_mm * 1e-3 / self.fried_ratio if self.fried_ratio > 0 else math.inf
        if self.seeing_arcsec:
            return float(fried_parameter_m(Sky(seeing_arcsec=self.seeing_arcsec), GREEN_NM))
        return None

    @property
    def unit(self) -> str:
        """Unit of `RawRecording.values`: electrons where the gain is known, else numbers."""
        return "electron" if self.gain_e_per_dn is not None else "adu"


@dataclass(frozen=True, eq=False)
class RawRecording:
    """Frames that are read when they are asked for.

    Parameters
    ----------
    frames : int
        How many.
    shape : pair of int
        (rows, columns).
    facts : Facts
        What is known.
    load : callable
        Gives the numbers of frame n, (rows, columns), any type.
    path : Path
        Where it came from.
    """

    frames: int
    shape: tuple[int, int]
    facts: Facts
    load: Callable[[int], npt.NDArray[Any]]
    path: Path

    def numbers(self, index: int) -> Float32Array:
        """Return the raw numbers of a frame, (rows, columns)."""
        return np.asarray(self.load(index), np.float32)

    def values(self, index: int) -> Float32Array:
        """Return a frame less its offset, in electrons where the gain is known, (rows, columns)."""
        numbers = self.numbers(index) - np.float32(self.facts.offset_dn or 0.0)
        return numbers * np.float32(self.facts.gain_e_per_dn or 1.0)

    def __iter__(self) -> Iterator[Float32Array]:
        return (self.values(index) for index in range(self.frames))


def open_recording(path: str | Path, **told: Any) -> RawRecording:
    """Open a FITS cube, a TIFF file's folder, or a folder of TIFF frames.

    Parameters
    ----------
    path : str or Path
        File or folder.
    **told
        Fields of `Facts` that go before what the header says; None is ignored.

    Raises
    ------
    InputError
        If nothing usable is there.
    """
    place = Path(path)
    if not place.exists():
        raise InputError("RECORDING", str(path), "no such file or folder")
    recording = _open_folder(place) if place.is_dir() or place.suffix.lower() in TIFF_ENDINGS else _open_cube(place)
    given = {name: value for name, value in told.items() if value is not None}
    facts = replace(recording.facts, **given)
    if facts.offset_dn is None:
        facts = replace(facts, offset_dn=_guess_offset(recording))
    if facts.exposure_s is not None and facts.exposure_s <= 0:
        raise InputError("exposure", facts.exposure_s, "it must be above 0 s")
    return replace(recording, facts=facts)


def _open_cube(path: Path) -> RawRecording:
    from astropy.io import fits

    try:
        with fits.open(path, do_not_scale_image_data=True, memmap=True) as hdus:
            hdu = next((h for h in hdus if h.header.get("NAXIS", 0) >= 2 and h.header.get("NAXIS1", 0) > 1), None)
            if hdu is None:
                raise InputError("RECORDING", str(path), "this FITS file holds no picture")
            header, data = hdu.header.copy(), hdu.data
    except (OSError, TypeError, ValueError) as error:
        raise InputError("RECORDING", str(path), f"give a FITS cube or a folder of TIFF frames ({error})") from error
    if data is None or data.ndim not in (2, 3):
        shape = None if data is None else data.shape
        raise InputError(
            "RECORDING", str(path), f"the cube must have the axes frame, row, column; this one has {shape}"
        )
    cube = data if data.ndim == 3 else data[None]
    zero, scale = header.get("BZERO", 0), header.get("BSCALE", 1)

    def load(index: int) -> npt.NDArray[Any]:
        return cube[index].astype(np.float32) * np.float32(scale) + np.float32(zero)

    return RawRecording(cube.shape[0], cube.shape[1:], facts_of(header), load, path)


def facts_of(header: Mapping[str, Any]) -> Facts:
    """Return what a FITS header tells of a recording."""
    found: dict[str, Any] = {}
    for name, words in _KEYWORDS.items():
        values = (header.get(word) for word in words)
        found[name] = next((float(v) for v in values if isinstance(v, (int, float)) and not isinstance(v, bool)), None)
    pattern = str(header.get("BAYERPAT", "mono")).strip().upper()
    if pattern not in ("RGGB", "BGGR", "GRBG", "GBRG"):
        pattern = "mono"
    length, pixel = header.get("FOCALLEN"), header.get("XPIXSZ")
    if (
        found["pixel_arcsec"] is None
        and isinstance(length, (int, float))
        and isinstance(pixel, (int, float))
        and length
    ):
        found["pixel_arcsec"] = 1e-3 * ARCSEC_PER_RADIAN * pixel / length
    return Facts(filter_array=pattern, body=str(header.get("OBJECT", "")).strip(), **found)


def _open_folder(place: Path) -> RawRecording:
    import imageio.v3 as iio

    folder = place if place.is_dir() else place.parent
    files = sorted(f for f in folder.iterdir() if f.suffix.lower() in TIFF_ENDINGS and not f.name.startswith("."))
    if not files:
        raise InputError("RECORDING", str(place), "the folder holds no TIFF frames (.tif)")
    first = iio.imread(files[0])
    if first.ndim != 2:
        raise InputError(
            "RECORDING", str(files[0]), f"frames must be grey or raw, rows x columns; this one is {first.shape}"
        )

    def load(index: int) -> npt.NDArray[Any]:
        frame = iio.imread(files[index])[::-1]
        if frame.shape != first.shape:
            raise InputError("RECORDING", str(files[index]), f"all frames must have the shape {first.shape}")
        return frame

    top = float(np.iinfo(first.dtype).max) if np.issubdtype(first.dtype, np.integer) else None
    return RawRecording(len(files), first.shape, Facts(saturation_dn=top if top == 255 else None), load, place)


def _guess_offset(recording: RawRecording) -> float:
    """Median of the border of some frames: the sky with the offset, where nothing else tells it."""
    picks = range(0, recording.frames, max(1, recording.frames // 8))
    borders = [border_of(np.asarray(recording.load(index), np.float32)) for index in picks]
    return float(np.median(np.concatenate(borders)))


def border_of(plane: Float32Array) -> Float32Array:
    """Return the outermost sixteenth of a picture (at least one pixel) as one row."""
    rows, columns = max(1, plane.shape[0] // 16), max(1, plane.shape[1] // 16)
    parts = (plane[:rows], plane[-rows:], plane[:, :columns], plane[:, -columns:])
    return np.concatenate([part.ravel() for part in parts])
