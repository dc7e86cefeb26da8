"""Raw recordings from disk: FITS cubes or TIFF frames, ours or made by something else.

What a header tells (gain, offset, exposure, filter array, pixel scale, aperture) is taken from it under the usual
keywords; what it does not tell may be given; what nobody tells stays None. However the rows are stored, here the first
one is the lowest of the picture, and the letters of the filter array follow.
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
from simulate.errors import InputError, RecordingWarning, note
from simulate.stack.sources import Source, open_source
from simulate.values.constants import ARCSEC_PER_RADIAN, GREEN_NM
from simulate.values.resolution import finest_arcsec

Float32Array = npt.NDArray[np.float32]

SMALLEST_SIDE = 16
"""Fewest rows and columns of a frame; fewer are hardly a picture but axes in another order, and too few to measure
noise on."""

STILL_ARCSEC = 1e-3
"""Seeing below which the air counts as still."""

LARGEST_NUMBER = 1e10
"""Beyond what 32 bits hold; squares and sums of such numbers still fit into single precision."""

RANGES: dict[str, tuple[str, str, float, float]] = {
    "exposure_s": ("exposure", "s", 1e-6, 1e5),
    "gain_e_per_dn": ("gain", "e-/DN", 1e-4, 1e5),
    "offset_dn": ("offset", "DN", -1e6, 1e7),
    "read_noise_e": ("read noise", "e-", 0.0, 1e5),
    "saturation_dn": ("saturation", "DN", 1e-3, LARGEST_NUMBER),
    "pixel_arcsec": ("pixel scale", "arcsec", 1e-3, 100.0),
    "aperture_mm": ("aperture", "mm", 5.0, 1e5),
    "seeing_arcsec": ("seeing", "arcsec", 0.0, 60.0),
    "fried_ratio": ("D/r0", "", 0.0, 1e4),
    "frames_per_second": ("frame rate", "1/s", 1e-5, 1e6),
}
"""Name, unit, least and largest value of what is known of a recording: all that instruments in use can have."""

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
    "frames_per_second": ("FRAMERAT",),
}


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
        "mono", "colour" where every pixel has three colours, or the letters of pixels [0, 0], [0, 1], [1, 0], [1, 1],
        row 0 the lowest.
    pixel_arcsec, aperture_mm : float or None
        Pixel on the sky; diameter of the telescope.
    seeing_arcsec, fried_ratio : float or None
        Seeing; aperture over r0.
    body : str
        What was recorded, if told.
    inputs_hash : str
        Of a recording of this program: tells which truth file belongs to it.
    up_deg : float or None
        Position angle of the direction in which rows grow, in the middle of the recording.
    mirrored : bool
        Whether east lies to the right with north up.
    time_utc : str
        ISO 8601, middle of the recording; "" where nothing tells it.
    frames_per_second : float or None
        Rate.
    site : (latitude, longitude, height) or None
        Of the telescope, deg, deg (east positive) and m.
    field_turns : bool or None
        Whether the field turns, as on an altazimuth mount.
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
    inputs_hash: str = ""
    up_deg: float | None = None
    mirrored: bool = False
    time_utc: str = ""
    frames_per_second: float | None = None
    site: tuple[float, float, float] | None = None
    field_turns: bool | None = None

    @property
    def is_mosaic(self) -> bool:
        """Whether each pixel has one colour of a filter array."""
        return self.filter_array not in ("mono", "colour")

    @property
    def sampling_ratio(self) -> float | None:
        """Pixels per lambda/(2D) at 550 nm, or None."""
        if self.pixel_arcsec is None or self.aperture_mm is None:
            return None
        return self.pixel_arcsec / (finest_arcsec(self.aperture_mm) / 2)

    @property
    def fried_m(self) -> float | None:
        """Fried's parameter at 550 nm in m; infinite in still air, None where nothing tells it."""
        if self.fried_ratio is not None and self.aperture_mm is not None:
            return self.aperture_mm * 1e-3 / self.fried_ratio if self.fried_ratio > 0 else math.inf
        if self.seeing_arcsec is not None:
            if self.seeing_arcsec < STILL_ARCSEC:
                return math.inf
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
        Gives the numbers of frame n, any type: (rows, columns), or (3, rows, columns) of frames in colour; the first
        row is the lowest.
    path : Path
        Where it came from.
    folder : Path or None
        Where every file is a frame of it.
    top_down : bool
        Whether the file holds the top row first.
    dark : array, shape as a frame's, or None
        Mean of dark frames, numbers: taken off in place of the offset.
    flat : array, shape as a frame's, or None
        How much of the light each pixel records, 1 on the average of its colour.
    """

    frames: int
    shape: tuple[int, int]
    facts: Facts
    load: Callable[[int], npt.NDArray[Any]]
    path: Path
    folder: Path | None = None
    top_down: bool = False
    dark: Float32Array | None = None
    flat: Float32Array | None = None

    def numbers(self, index: int) -> Float32Array:
        """Return the raw numbers of a frame, shape as `load` gives it.

        Raises
        ------
        InputError
            If one of them is no number, or larger than any camera's.
        """
        numbers = np.asarray(self.load(index), np.float32)
        largest = float(np.abs(numbers).max())
        if not math.isfinite(largest):
            raise InputError("RECORDING", str(self.path), f"frame {index + 1} holds values that are no numbers (NaN)")
        if largest > LARGEST_NUMBER:
            wanted = f"frame {index + 1} holds {largest:g}; no camera writes numbers beyond {LARGEST_NUMBER:g}"
            raise InputError("RECORDING", str(self.path), wanted)
        return numbers

    def values(self, index: int) -> Float32Array:
        """Return a frame less its offset, in electrons where the gain is known, shape as `load` gives it."""
        numbers = self.numbers(index) - (np.float32(self.facts.offset_dn or 0.0) if self.dark is None else self.dark)
        numbers = numbers if self.flat is None else numbers / self.flat
        return numbers * np.float32(self.facts.gain_e_per_dn or 1.0)

    def __iter__(self) -> Iterator[Float32Array]:
        return (self.values(index) for index in range(self.frames))


def open_recording(path: str | Path, **told: Any) -> RawRecording:
    """Open a FITS cube, a TIFF file of many pages, or a folder of TIFF or PNG frames (or one of its files).

    Rows of FITS files run upwards unless the card ROWORDER says TOP-DOWN, those of TIFF and PNG files downwards.

    Parameters
    ----------
    path : str or Path
        File or folder.
    **told
        Fields of `Facts` that go before what the header says; None is ignored. The filter array is told as camera
        software tells it: for the first two rows as they are stored.

    Raises
    ------
    InputError
        If nothing usable is there.
    """
    place = Path(path)
    source = open_source(place)
    given = {name: value for name, value in told.items() if value is not None}
    if "seeing_arcsec" in given and "fried_ratio" not in given:
        given["fried_ratio"] = None  # what the header says of the air is set aside as a whole
    for name, value in given.items():
        _refuse_outside(name, value)
    facts = replace(facts_of(source.header, source.top_down), **given)
    if source.colours == 3:
        if facts.is_mosaic and "filter_array" in given:
            raise InputError("--filter-array", facts.filter_array, "these frames have three colours in every pixel")
        facts = replace(facts, filter_array="colour")
    elif facts.is_mosaic and source.top_down:
        facts = replace(facts, filter_array=turned_pattern(facts.filter_array, source.shape[0]))
    if min(source.shape) < SMALLEST_SIDE:
        raise InputError("RECORDING", str(path), f"its frames must have {SMALLEST_SIDE} rows and columns at least")
    recording = RawRecording(
        frames=source.frames,
        shape=source.shape,
        facts=facts,
        load=_upwards(source),
        path=place,
        folder=source.folder,
        top_down=source.top_down,
    )
    if facts.offset_dn is None:
        recording = replace(recording, facts=replace(facts, offset_dn=_guess_offset(recording)))
    return recording


def _refuse_outside(name: str, value: Any) -> None:
    if name not in RANGES or value is None:
        return
    title, unit, lowest, highest = RANGES[name]
    if not lowest <= value <= highest:
        raise InputError(title, value, f"give a value from {lowest:g} to {highest:g} {unit}".rstrip())


def _upwards(source: Source) -> Callable[[int], npt.NDArray[Any]]:
    return (lambda index: source.load(index)[..., ::-1, :]) if source.top_down else source.load


def turned_pattern(filter_array: str, rows: int) -> str:
    """Return the letters of a filter array after the order of its rows is turned.

    Parameters
    ----------
    filter_array : str
        Four letters.
    rows : int
        Rows of a frame: of an even number the second row of the pattern comes to be the first, of an odd one the
        first stays.
    """
    return filter_array if rows % 2 else filter_array[2:] + filter_array[:2]


def facts_of(header: Mapping[str, Any], top_down: bool = False) -> Facts:
    """Return what a FITS header tells of a recording; what no instrument can have counts as not told, with a note.

    Parameters
    ----------
    header : mapping
        By keyword.
    top_down : bool
        Whether the first stored row is the top one; the cards of the sky belong to stored rows.
    """
    found: dict[str, Any] = {}
    for name, words in _KEYWORDS.items():
        values = (_number(header.get(word)) for word in words)
        found[name] = _within(name, next((v for v in values if v is not None), None))
    pattern = str(header.get("BAYERPAT", "mono")).strip().upper()
    if pattern not in ("RGGB", "BGGR", "GRBG", "GBRG"):
        pattern = "mono"
    length, pixel = _number(header.get("FOCALLEN")), _number(header.get("XPIXSZ"))
    if found["pixel_arcsec"] is None and pixel and length:
        found["pixel_arcsec"] = _within("pixel_arcsec", 1e-3 * ARCSEC_PER_RADIAN * pixel / length)
    up, mirrored = _pose(header, top_down)
    mount = str(header.get("MOUNT", "")).strip().lower()
    return Facts(
        filter_array=pattern,
        **_words(header),
        **found,
        up_deg=up,
        mirrored=mirrored,
        site=_site(header),
        field_turns={"altazimuth": True, "equatorial": False}.get(mount),
    )


def _pose(header: Mapping[str, Any], top_down: bool) -> tuple[float | None, bool]:
    """Return the position angle of growing rows and whether the picture is mirrored, from the CD matrix.

    The matrix gives degrees to the east and to the north for each column and row (FITS Standard 4.0, section 8).
    """
    named = str(header.get("CTYPE1", "")).startswith("RA--") and str(header.get("CTYPE2", "")).startswith("DEC-")
    cells = [_number(header.get(word)) for word in ("CD1_1", "CD1_2", "CD2_1", "CD2_2")]
    if not named or any(cell is None for cell in cells):
        return None, False
    a, b, c, d = (float(cell or 0.0) for cell in cells)
    if top_down:
        b, d = -b, -d
    if a * d - b * c == 0.0:
        return None, False
    # east to the left with north up: the matrix of an unmirrored picture has a negative determinant
    return math.degrees(math.atan2(b, d)) % 360.0, a * d - b * c > 0


def _site(header: Mapping[str, Any]) -> tuple[float, float, float] | None:
    latitude, longitude, height = (_number(header.get(f"OBSGEO-{letter}")) for letter in "BLH")
    if latitude is None or longitude is None or abs(latitude) > 90 or abs(longitude) > 360:
        return None
    return latitude, longitude, height or 0.0


def _number(value: Any) -> float | None:
    """Return what a card holds as a finite number; None where it is none."""
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        return None
    try:
        number = float(value)
    except OverflowError:  # a whole number of hundreds of digits
        return None
    return number if math.isfinite(number) else None


def _within(name: str, value: float | None) -> float | None:
    title, unit, lowest, highest = RANGES[name]
    if value is None or lowest <= value <= highest:
        return value
    told = f"the header's {title}, {value:g} {unit}".rstrip()
    note(f"{told}, is left aside: it is outside {lowest:g} to {highest:g}", RecordingWarning, stacklevel=3)
    return None


def _words(header: Mapping[str, Any]) -> dict[str, str]:
    named = (("body", "OBJECT"), ("inputs_hash", "INHASH"), ("time_utc", "DATE-AVG"))
    return {name: str(header.get(word, "")).strip() for name, word in named}


def _guess_offset(recording: RawRecording) -> float:
    """Median of the border of some frames: the sky with the offset, where nothing else tells it."""
    picks = range(0, recording.frames, max(1, recording.frames // 8))
    borders = [border_of(light_of(recording.numbers(index))) for index in picks]
    return float(np.median(np.concatenate(borders)))


def light_of(frame: Float32Array) -> Float32Array:
    """Return a frame, (rows, columns) or (3, rows, columns), as one plane: the mean of its colours."""
    return frame if frame.ndim == 2 else frame.mean(axis=0)


def border_of(plane: Float32Array) -> Float32Array:
    """Return the outermost sixteenth of a picture (at least one pixel) as one row."""
    rows, columns = max(1, plane.shape[0] // 16), max(1, plane.shape[1] // 16)
    parts = (plane[:rows], plane[-rows:], plane[:, :columns], plane[:, -columns:])
    return np.concatenate([part.ravel() for part in parts])
