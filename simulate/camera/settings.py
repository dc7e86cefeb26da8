"""The camera and the mount as the user's file gives them: plain numbers, checked, hashable."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

from simulate.errors import InputError, choose
from simulate.values.checks import to_float

COLOUR_PATTERNS = ("RGGB", "BGGR", "GRBG", "GBRG")
"""Colour filter arrays; the letters are those of array pixels [0, 0], [0, 1], [1, 0], [1, 1]."""

FILTER_ARRAYS = ("mono", *COLOUR_PATTERNS)
"""What `Camera.filter_array` may be."""

FILTER_NAMES = ("luminance", "red", "green", "blue", "infrared", "methane", "clear")
"""Named filters that may stand before a mono camera."""

MOUNT_KINDS = ("altazimuth", "equatorial")
"""What `Mount.kind` may be."""

CAMERA_RANGES: dict[str, tuple[str, float, float]] = {
    "pixel_um": ("um", 0.5, 50.0),
    "read_noise_e": ("electron", 0.0, 500.0),
    "full_well_e": ("electron", 100.0, 5e6),
    "gain_e_per_dn": ("electron / adu", 0.001, 1000.0),
    "dark_current_e_per_s": ("electron / s", 0.0, 1e5),
    "offset_dn": ("adu", 0.0, 60000.0),
}
"""Unit and accepted range of each number with a unit; wide, but a slip of a factor 1000 falls out."""

MOUNT_RANGES: dict[str, tuple[str, float, float]] = {
    "camera_angle_deg": ("deg", -360.0, 360.0),
    "tracking_error_arcsec": ("arcsec", 0.0, 600.0),
}
"""As `CAMERA_RANGES`, for the mount."""


@dataclass(frozen=True)
class Curve:
    """A measured response of one channel, for instance from the maker's chart.

    Parameters
    ----------
    channel : str
        "red", "green", "blue" or, for a mono sensor, "mono".
    wavelengths_nm : tuple of float
        Rising, nm.
    values : tuple of float
        Electrons per photon, 0 to 1; linear in between, zero outside.
    """

    channel: str
    wavelengths_nm: tuple[float, ...]
    values: tuple[float, ...]

    def __post_init__(self) -> None:
        waves = self.wavelengths_nm
        if len(waves) < 2 or len(waves) != len(self.values) or any(b <= a for a, b in pairwise(waves)):
            raise InputError("quantum efficiency curve", self.channel, "give at least two points, wavelengths rising")
        if not (waves[0] >= 100 and waves[-1] <= 3000):
            raise InputError("quantum efficiency curve", (waves[0], waves[-1]), "give wavelengths in nm, 100 to 3000")
        if not all(0 <= value <= 1 for value in self.values):
            raise InputError("quantum efficiency curve", self.channel, "give electrons per photon, from 0 to 1")


@dataclass(frozen=True)
class Camera:
    """A camera: its pixels, their response and their noise.

    Numbers may be given as quantities or as text with a unit too; they are kept as plain floats in
    the unit that the name tells. The noise follows the linear model of EMVA 1288, Release 4.0 (2021).

    Parameters
    ----------
    pixel_um : float
        Side of the square pixel, um.
    columns, rows : int
        Pixels of the whole sensor.
    filter_array : str
        "mono" or one of `COLOUR_PATTERNS`, the letters of array pixels [0,0], [0,1], [1,0], [1,1].
    quantum_efficiency : float, mapping or tuple of (str, float)
        Peak electrons per photon by channel: "red", "green", "blue", or "mono" (a bare number counts
        for all); kept as a sorted tuple.
    curves : tuple of Curve
        Measured curves in place of the generic shapes; then `quantum_efficiency` is not used.
    filters : tuple of str
        Filters used one after the other with a mono camera; empty means one luminance channel.
    window_nm : tuple of two floats, or None
        What the blocking filter before the sensor lets through, nm; None without one. Named filters
        of a mono camera carry their own blocking.
    read_noise_e : float
        Standard deviation of the read noise, e-, at `gain_e_per_dn`.
    read_noise_curve : tuple of (gain e-/DN, read noise e-)
        How the read noise changes with the gain, gains rising; empty when it does not.
    full_well_e : float
        Charge a pixel can hold, e-.
    bits : int
        Bits of the digitiser, 8 to 16.
    gain_e_per_dn : float
        Electrons per digital number.
    dark_current_e_per_s : float
        e- per second and pixel.
    offset_dn : float
        Pedestal, DN.
    compression : float
        Noise that compressing the picture leaves in every exposure, share of the local brightness, rms.

    Raises
    ------
    InputError
        For a value that no camera has.
    """

    pixel_um: float
    columns: int
    rows: int
    filter_array: str = "mono"
    quantum_efficiency: Any = 0.8
    curves: tuple[Curve, ...] = ()
    filters: tuple[str, ...] = ()
    window_nm: tuple[float, float] | None = (400.0, 700.0)
    read_noise_e: float = 1.5
    read_noise_curve: tuple[tuple[float, float], ...] = ()
    full_well_e: float = 15000.0
    bits: int = 12
    gain_e_per_dn: float = 3.6
    dark_current_e_per_s: float = 0.0
    offset_dn: float = 32.0
    compression: float = 0.0

    def __post_init__(self) -> None:
        _set(self, "compression", to_float("compression", self.compression, "", 0.0, 0.5))
        for name, (unit, lowest, highest) in CAMERA_RANGES.items():
            _set(self, name, to_float(name, getattr(self, name), unit, lowest, highest))
        for name, lowest, highest in (("columns", 1, 100_000), ("rows", 1, 100_000), ("bits", 8, 16)):
            _set(self, name, _whole(name, getattr(self, name), lowest, highest))
        _set(self, "filter_array", choose_pattern("filter_array", self.filter_array))
        _set(self, "filters", tuple(choose("filters", word, FILTER_NAMES) for word in self.filters))
        if self.filters and not self.is_mono:
            raise InputError("filters", self.filters, "named filters go with a mono camera; leave them out")
        if len(set(self.filters)) < len(self.filters):
            raise InputError("filters", self.filters, "name each filter once")
        if self.offset_dn >= self.largest_dn:
            raise InputError("offset_dn", self.offset_dn, f"it must be below the largest number, {self.largest_dn} DN")
        _set(self, "window_nm", check_window("window_nm", self.window_nm))
        _set(self, "quantum_efficiency", _efficiencies(self.quantum_efficiency, self.sensor_channels))
        _set(self, "curves", _check_curves(tuple(self.curves), self.sensor_channels))
        _set(self, "read_noise_curve", check_read_noise_curve("read_noise_curve", self.read_noise_curve))

    @property
    def is_mono(self) -> bool:
        """Whether the sensor carries no colour filter array."""
        return self.filter_array == "mono"

    @property
    def sensor_channels(self) -> tuple[str, ...]:
        """Kinds of pixel on the sensor: ("mono",) or ("red", "green", "blue")."""
        return ("mono",) if self.is_mono else ("red", "green", "blue")

    @property
    def largest_dn(self) -> int:
        """Largest digital number, 2**bits - 1."""
        return 2**self.bits - 1

    def read_noise_at(self, gain_e_per_dn: float | None = None) -> float:
        """Return the read noise in e- at a gain, linear in the logarithm of the gain between points."""
        if gain_e_per_dn is None or not self.read_noise_curve:
            return self.read_noise_e
        points = [(math.log(gain), noise) for gain, noise in self.read_noise_curve]
        x = math.log(gain_e_per_dn)
        if x <= points[0][0]:
            return points[0][1]
        for (x0, y0), (x1, y1) in pairwise(points):
            if x <= x1:
                return y0 + (y1 - y0) * (x - x0) / (x1 - x0)
        return points[-1][1]

    def recorded_with(self, bits: int | None, compression: float) -> Camera:
        """Return the camera as a program records it: with fewer bits, compressed.

        The numbers lose their last bits: full scale keeps its electrons, a step holds more of them.

        Parameters
        ----------
        bits : int or None
            Bits of the recording; None, or more than the camera has, leaves the camera's.
        compression : float
            See `Camera`; added as squares to the camera's own.
        """
        lost = 0 if bits is None else max(0, self.bits - bits)
        curve = tuple((gain * 2**lost, noise) for gain, noise in self.read_noise_curve)
        return replace(
            self,
            bits=self.bits - lost,
            gain_e_per_dn=min(self.gain_e_per_dn * 2**lost, CAMERA_RANGES["gain_e_per_dn"][2]),
            offset_dn=self.offset_dn / 2**lost,
            read_noise_curve=curve,
            compression=math.hypot(self.compression, compression),
        )

    def saturation_e(self, gain_e_per_dn: float | None = None) -> float:
        """Return the charge in e- at which a pixel clips: full well or largest number, whichever is less."""
        gain = self.gain_e_per_dn if gain_e_per_dn is None else gain_e_per_dn
        return min(self.full_well_e, (self.largest_dn - self.offset_dn) * gain)


@dataclass(frozen=True)
class Mount:
    """How the camera is carried.

    Parameters
    ----------
    kind : str
        "altazimuth" or "equatorial".
    camera_angle_deg : float
        Direction in which the array's rows grow, counted like a position angle: from north through
        east on an equatorial mount, from the zenith on an altazimuth one, whose picture turns.
    mirrored : bool
        Whether an odd number of mirrors (a star diagonal, say) stands in the light path.
    tracking_error_arcsec : float
        Wander of the picture that tracking leaves, rms in each axis, arcsec. How much of it blurs an
        exposure depends on its length: `simulate.camera.motion.wander_within`.
    """

    kind: str = "equatorial"
    camera_angle_deg: float = 0.0
    mirrored: bool = False
    tracking_error_arcsec: float = 0.0

    def __post_init__(self) -> None:
        _set(self, "kind", choose("kind", self.kind, MOUNT_KINDS))
        for name, (unit, lowest, highest) in MOUNT_RANGES.items():
            _set(self, name, to_float(name, getattr(self, name), unit, lowest, highest))
        if not isinstance(self.mirrored, bool):
            raise InputError("mirrored", self.mirrored, "use true or false")

    def sky_angle_deg(self, parallactic_angle_deg: float | None = None) -> float:
        """Return the position angle of the array's rows on the sky, deg.

        Parameters
        ----------
        parallactic_angle_deg : float, optional
            Position angle of the zenith, deg; None counts as 0. An equatorial mount ignores it.
        """
        if self.kind == "equatorial" or parallactic_angle_deg is None:
            return self.camera_angle_deg
        return self.camera_angle_deg + parallactic_angle_deg


def choose_pattern(field: str, word: Any) -> str:
    """Return the filter array in its usual spelling, or raise `InputError` naming what there is."""
    if not isinstance(word, str):
        raise InputError(field, word, f"use one of {', '.join(FILTER_ARRAYS)}")
    known = {name.lower(): name for name in FILTER_ARRAYS}
    key = word.strip().lower()
    if key not in known:
        raise InputError(field, word, f"use one of {', '.join(FILTER_ARRAYS)}")
    return known[key]


def check_window(field: str, window: Any) -> tuple[float, float] | None:
    """Return the passed window in nm as two rising floats, or None for none."""
    if window is None:
        return None
    wanted = "give two wavelengths, the shorter first, such as (400, 700) nm"
    if not isinstance(window, (tuple, list)) or len(window) != 2:
        raise InputError(field, window, wanted)
    low, high = (to_float(field, value, "nm", 200.0, 2000.0) for value in window)
    if low >= high:
        raise InputError(field, window, wanted)
    return low, high


def check_read_noise_curve(field: str, curve: Any) -> tuple[tuple[float, float], ...]:
    """Return the pairs (gain e-/DN, read noise e-) as floats, or raise `InputError`."""
    if not isinstance(curve, (tuple, list)) or any(not isinstance(p, (tuple, list)) or len(p) != 2 for p in curve):
        raise InputError(field, curve, "give pairs of a gain in e-/DN and a read noise in e-")
    unit, low, high = CAMERA_RANGES["gain_e_per_dn"]
    noise_unit, noise_low, noise_high = CAMERA_RANGES["read_noise_e"]
    pairs = tuple(
        (to_float(field, gain, unit, low, high), to_float(field, noise, noise_unit, noise_low, noise_high))
        for gain, noise in curve
    )
    if any(b[0] <= a[0] for a, b in pairwise(pairs)):
        raise InputError(field, curve, "the gains must rise")
    return pairs


def _set(target: object, name: str, value: Any) -> None:
    object.__setattr__(target, name, value)


def _whole(field: str, value: Any, lowest: int, highest: int) -> int:
    if isinstance(value, bool) or int(to_float(field, value, "", lowest, highest)) != value:
        raise InputError(field, value, f"give a whole number from {lowest} to {highest}")
    return int(value)


def _efficiencies(given: Any, channels: tuple[str, ...]) -> tuple[tuple[str, float], ...]:
    table = dict(given) if isinstance(given, (Mapping, tuple, list)) else dict.fromkeys(channels, given)
    for name in table:
        choose("quantum_efficiency", str(name), channels)
    missing = [name for name in channels if name not in table]
    if missing:
        raise InputError("quantum_efficiency", given, f"give a value for {', '.join(missing)} too")
    return tuple((name, to_float("quantum_efficiency", table[name], "", 0, 1, open_low=True)) for name in channels)


def _check_curves(curves: tuple[Curve, ...], channels: tuple[str, ...]) -> tuple[Curve, ...]:
    if curves and sorted(curve.channel for curve in curves) != sorted(channels):
        names = tuple(curve.channel for curve in curves)
        raise InputError("curves", names, f"give one curve for each of {', '.join(channels)}")
    return curves
