"""The hand that uses a setup: what practice adds to, and takes from, what physics lets through.

Three levels are nothing but three sets of numbers. Each number acts as a physical effect in the room where it
belongs (focus in the telescope, tube air in the air, bits in the camera, registration and restoration in the
stack, the least contrast that is read in judging); none multiplies a verdict.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, fields, replace
from typing import Any, Literal

from simulate.errors import InputError, choose
from simulate.values.checks import to_float

Level = Literal["ordinary", "practised", "ideal"]

LEVELS: tuple[Level, ...] = ("ordinary", "practised", "ideal")
"""What a night yields, least first."""

COLOURS = ("interpolated", "resampled")
"""How full colour comes out of a colour filter array: filled in frame by frame, or laid from its own pixels."""

REGISTRATIONS = ("linear", "exact")
"""How a frame is moved by part of a pixel: between neighbours on a straight line, or without loss."""

RESTORATIONS = ("gaussian", "wiener")
"""How blur is undone: by the inverse of a Gaussian of the right width, or as far as the noise allows."""

_RANGES: dict[str, tuple[str, float, float]] = {
    "focus_growth": ("", 0.0, 5.0),
    "focus_depths": ("", 0.0, 20.0),
    "collimation_waves": ("", 0.0, 1.0),
    "tube_air_arcsec": ("arcsec", 0.0, 10.0),
    "frames_per_second": ("1 / s", 0.01, 1e5),
    "seconds": ("s", 0.01, 86400.0),
    "bits": ("", 8.0, 16.0),
    "compression": ("", 0.0, 0.5),
    "registration_error_px": ("", 0.0, 10.0),
    "finest_cells": ("", 1.0, 4.0),
    "least_drop_px": ("", 0.0, 2.0),
    "restoration_gain": ("", 1.0, 1e4),
    "response_error": ("", 0.0, 0.5),
    "floor": ("", 0.0, 0.5),
    "readable_contrast": ("", 0.0, 0.9),
}

_MAY_BE_OPEN = ("frames_per_second", "seconds", "bits", "restoration_gain")


@dataclass(frozen=True)
class Practice:
    """How well a setup is used. `SOURCES` says where the numbers of the levels come from.

    Parameters
    ----------
    level : str
        One of `LEVELS`; the numbers below may depart from that level's.
    focus_growth : float
        Departure of the focus, told by what it does: the width of the raw picture (air, optics, pixel, colour
        array) has grown by this share when the eye on the live view notices.
    focus_depths : float
        The departure is never less than so many depths of focus, 2 lambda N^2.
    collimation_waves : float
        Coma of a telescope with mirrors, rms in waves of 550 nm.
    tube_air_arcsec : float
        Turbulence of tube and ground: width of its long exposure at 500 nm, arcsec, whatever the altitude.
    frames_per_second, seconds : float or None
        Highest rate, 1/s, and length of a recording, s; None leaves both to camera and planet.
    bits : int or None
        Bits of the recording where the camera gives more; None keeps the camera's.
    compression : float
        Noise that compression leaves in a frame, share of the local brightness.
    registration_error_px : float
        Error with which a frame is laid on the others, rms in each axis, pixels of the camera.
    registration : str
        One of `REGISTRATIONS`.
    colour : str
        One of `COLOURS`.
    finest_cells : float
        Most cells of the stack along a pixel: 1, 1.5, 2 or 3.
    least_drop_px : float
        Least side of the drop that a pixel leaves on finer cells, pixels.
    restoration : str
        One of `RESTORATIONS`.
    restoration_gain : float or None
        Largest gain of restoration at any frequency; None leaves it to the noise.
    response_error : float
        How well the response is known, share of its value at zero frequency.
    floor : float
        Rms of what never averages out, share of the local brightness in a resolution element.
    readable_contrast : float
        Least local contrast in the finished picture that a person reads, after a normal stretch.

    Raises
    ------
    InputError
        For a number out of range or an unknown word.
    """

    level: Level = "practised"
    focus_growth: float = 0.05
    focus_depths: float = 0.5
    collimation_waves: float = 0.03
    tube_air_arcsec: float = 0.5
    frames_per_second: float | None = 100.0
    seconds: float | None = 120.0
    bits: int | None = None
    compression: float = 0.0
    registration_error_px: float = 0.15
    registration: str = "exact"
    colour: str = "resampled"
    finest_cells: float = 1.5
    least_drop_px: float = 0.7
    restoration: str = "wiener"
    restoration_gain: float | None = 4.0
    response_error: float = 0.10
    floor: float = 0.007
    readable_contrast: float = 0.03

    def __post_init__(self) -> None:
        for name, (unit, lowest, highest) in _RANGES.items():
            value = getattr(self, name)
            if value is None and name in _MAY_BE_OPEN:
                continue
            object.__setattr__(self, name, to_float(f"practice.{name}", value, unit, lowest, highest))
        if self.bits is not None:
            object.__setattr__(self, "bits", round(self.bits))
        words = {"level": LEVELS, "registration": REGISTRATIONS, "colour": COLOURS, "restoration": RESTORATIONS}
        for name, known in words.items():
            object.__setattr__(self, name, choose(f"practice.{name}", str(getattr(self, name)), known))
        if self.finest_cells not in (1.0, 1.5, 2.0, 3.0):
            raise InputError("practice.finest_cells", self.finest_cells, "use 1, 1.5, 2 or 3 cells a pixel")
        if self.colour == "interpolated" and self.finest_cells != 1.0:
            wanted = "frames whose colours were filled in lie on the camera's own pixels: give 1"
            raise InputError("practice.finest_cells", self.finest_cells, wanted)

    def numbers(self) -> dict[str, Any]:
        """Return every number and word, as JSON shows them; None where camera, planet or noise decide."""
        return asdict(self)

    @property
    def as_stated(self) -> bool:
        """Whether every number is that of the level."""
        return self == PRACTICES[self.level]


ORDINARY = Practice(
    level="ordinary",
    focus_growth=0.15,
    focus_depths=1.0,
    collimation_waves=0.08,
    tube_air_arcsec=1.0,
    frames_per_second=30.0,
    seconds=60.0,
    bits=8,
    compression=0.01,
    registration_error_px=0.4,
    registration="linear",
    colour="interpolated",
    finest_cells=1.0,
    least_drop_px=1.0,
    restoration="gaussian",
    restoration_gain=2.0,
    response_error=0.10,
    floor=0.015,
    readable_contrast=0.05,
)
"""A first season: the camera's program as it comes, focus by eye, frames aligned on a whole and sharpened a little."""

PRACTISED = Practice()
"""Some seasons of practice: focus sought again and again, many frames, finer resampling, measured restoration."""

IDEAL = Practice(
    level="ideal",
    focus_growth=0.0,
    focus_depths=0.0,
    collimation_waves=0.0,
    tube_air_arcsec=0.0,
    frames_per_second=None,
    seconds=None,
    registration_error_px=0.05,
    finest_cells=3.0,
    least_drop_px=0.0,
    restoration_gain=None,
    response_error=0.02,
    floor=0.003,
    readable_contrast=0.02,
)
"""The best that physics lets through: nothing is lost by hand, and the noise alone limits restoration."""

PRACTICES: dict[Level, Practice] = {"ordinary": ORDINARY, "practised": PRACTISED, "ideal": IDEAL}
"""The three levels by name."""

SOURCES: dict[str, str] = {
    "focus_growth": "common practice: the eye on a trembling live view sees growth by a tenth or more, a measured "
    "width of many frames growth by a twentieth",
    "focus_depths": "depth 2 lambda N^2 is a quarter wave at the rim (Rayleigh 1879; Born & Wolf, Principles of "
    "Optics, 8.8); how many of them a hand misses is common practice",
    "collimation_waves": "common practice: 0.03 is diffraction-limited by a wide margin, 0.08 just not "
    "(0.071 wave rms is a Strehl ratio of 0.8, Marechal 1947)",
    "tube_air_arcsec": "common practice: a tube that has not cooled, warm ground",
    "frames_per_second": "common practice: 30 a second is video, 100 a small window on a fast link",
    "seconds": "common practice",
    "bits": "common practice: video is recorded with 8 bits",
    "compression": "common practice",
    "registration_error_px": "common practice",
    "registration": "common practice",
    "colour": "common practice",
    "finest_cells": "common practice",
    "least_drop_px": "common practice; a drop narrower than the cells leaves holes (Fruchter & Hook 2002)",
    "restoration": "common practice",
    "restoration_gain": "common practice",
    "response_error": "common practice: seeing changes by a tenth between a star and the planet",
    "floor": "common practice: flat field, fixed pattern and compression",
    "readable_contrast": "common practice; the eye alone tells a patch from its ground at 1-2 % "
    "(Blackwell 1946, J. Opt. Soc. Am. 36, 624, from memory)",
}
"""Where each number of the levels comes from; "common practice" is no source but a habit of the trade."""


def practice_of(level: str | Practice, **numbers: Any) -> Practice:
    """Return a level, with some numbers otherwise.

    Parameters
    ----------
    level : str or Practice
        One of `LEVELS`, or numbers to start from.
    **numbers
        Fields of `Practice`.

    Raises
    ------
    InputError
        For an unknown level or field, or a number out of range.
    """
    if isinstance(level, Practice):
        start = level
    else:
        if not isinstance(level, str):  # a caller without a type checker
            raise InputError("practice", level, f"use one of {', '.join(LEVELS)}")
        start = next(p for name, p in PRACTICES.items() if name == choose("practice", level, LEVELS))
    known = {field.name for field in fields(Practice)} - {"level"}
    for name in numbers:
        choose("practice", name, sorted(known))
    return replace(start, **numbers) if numbers else start


def three_levels(asked: Practice) -> tuple[Practice, Practice, Practice]:
    """Return the three levels, that of `asked` with its own numbers."""
    ordinary, practised, ideal = (asked if asked.level == level else PRACTICES[level] for level in LEVELS)
    return ordinary, practised, ideal
