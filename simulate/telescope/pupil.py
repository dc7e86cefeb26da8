"""The entrance pupil: what passes, and how far the wave is ahead or behind.

Arrays are ``[row, column]`` as on the sky: rows grow to the north, columns to the west. A path
difference is **positive where the wave is ahead**. Light from a star in the west reaches the western
rim first, so a path difference that grows to the west moves the image to the west.
"""

from __future__ import annotations

import math
import sys
from dataclasses import dataclass
from functools import cache, cached_property, lru_cache
from importlib import import_module
from typing import Any

import numpy as np
import numpy.typing as npt

from simulate.errors import InputError
from simulate.telescope.settings import ABERRATION_WAVELENGTH_NM, COLOUR_LINES_NM, Telescope
from simulate.telescope.store import remembered
from simulate.values.arrays import frozen_array

Float32Array = npt.NDArray[np.float32]
Float64Array = npt.NDArray[np.float64]

DEFAULT_SAMPLES = 512
"""Samples across the aperture; the point response is then right to 5e-6 of its peak."""


@dataclass(frozen=True, eq=False)
class Pupil:
    """Amplitude and path difference over the square that just holds the aperture.

    Parameters
    ----------
    amplitude : array, shape (samples, samples), float32
        Open share of each cell, 0 to 1, rows to the north, columns to the west.
    opd_nm : array, shape (samples, samples), float32
        How far the wave is ahead, nm.
    step_m : float
        Side of a cell, m.
    colour_nm : (float, float)
        Path difference of the rim against the middle by which blue and red differ from green, nm
        (`Telescope.colour_error_nm`); `opd_nm` is that of green.
    """

    amplitude: Float32Array
    opd_nm: Float32Array
    step_m: float
    colour_nm: tuple[float, float] = (0.0, 0.0)

    @property
    def samples(self) -> int:
        """Cells across the aperture."""
        return self.amplitude.shape[0]

    @property
    def diameter_m(self) -> float:
        """Diameter of the aperture, m."""
        return self.samples * self.step_m

    @cached_property
    def open_cells(self) -> float:
        """Open area counted in cells: the energy that a unit wave brings in."""
        return float(self.amplitude.sum(dtype=np.float64))

    @property
    def area_m2(self) -> float:
        """Open area, m2."""
        return self.open_cells * self.step_m**2

    @cached_property
    def flat(self) -> bool:
        """Whether the wave is perfect everywhere, at every wavelength."""
        return not np.any(self.opd_nm) and not any(self.colour_nm)

    @cached_property
    def amplitude_table(self) -> Float64Array:
        """Summed-area table of the amplitude, shape (samples + 1, samples + 1)."""
        return frozen_array(summed_area(self.amplitude))

    @cached_property
    def opd_table(self) -> Float64Array:
        """Summed-area table of amplitude x path difference, nm, shape (samples + 1, samples + 1)."""
        return frozen_array(summed_area(self.amplitude * self.opd_nm))

    @cached_property
    def _focus_table(self) -> Float64Array:
        """Summed-area table of amplitude x r^2, r = 1 at the rim."""
        return frozen_array(summed_area(self.amplitude * _square_of_radius(self.samples)))

    def opd_table_at(self, wavelength_nm: float) -> Float64Array:
        """Return `opd_table` at a wavelength, where lenses bring colours to different focuses."""
        shift = focus_shift(self.colour_nm, wavelength_nm)
        return self.opd_table + shift * self._focus_table if shift else self.opd_table

    def opd_nm_at(self, wavelength_nm: float) -> Float32Array:
        """Return `opd_nm` at a wavelength."""
        shift = focus_shift(self.colour_nm, wavelength_nm)
        if not shift:
            return self.opd_nm
        return np.asarray(self.opd_nm + shift * _square_of_radius(self.samples), np.float32)

    def rms_nm(self) -> float:
        """Return the rms path difference over the open pupil, piston removed, nm."""
        weight = self.amplitude.astype(np.float64)
        mean = (weight * self.opd_nm).sum() / self.open_cells
        return math.sqrt((weight * (self.opd_nm - mean) ** 2).sum() / self.open_cells)


def focus_shift(colour: tuple[float, float], wavelength_nm: float) -> float:
    """Return the colour error at a wavelength, in the unit of its values in blue and red.

    A parabola through blue, zero in green, and red: focus against wavelength turns round once between the colours
    that an achromat unites (any text on lens design); beyond 400 and 900 nm the values there are kept.

    Parameters
    ----------
    colour : (float, float)
        Values at the first and last of `COLOUR_LINES_NM`.
    wavelength_nm : float
        Wavelength, nm.
    """
    if not any(colour):
        return 0.0
    blue, green, red = COLOUR_LINES_NM
    nm = min(max(wavelength_nm, 400.0), 900.0)
    # Lagrange's form; the term of green is zero
    first = colour[0] * (nm - green) * (nm - red) / ((blue - green) * (blue - red))
    return first + colour[1] * (nm - blue) * (nm - green) / ((red - blue) * (red - green))


@lru_cache(maxsize=4)
def _square_of_radius(samples: int) -> Float32Array:
    place = ((np.arange(samples) + 0.5) / samples * 2.0 - 1.0) ** 2
    return frozen_array((place[:, None] + place[None, :]).astype(np.float32))


def summed_area(values: npt.NDArray[np.floating]) -> Float64Array:
    """Return the summed-area table (Crow 1984) with a leading row and column of zeros."""
    table = np.zeros((values.shape[0] + 1, values.shape[1] + 1))
    np.cumsum(values, axis=0, dtype=np.float64, out=table[1:, 1:])
    np.cumsum(table[1:, 1:], axis=1, out=table[1:, 1:])
    return table


@lru_cache(maxsize=16)
def make_pupil(telescope: Telescope, samples: int = DEFAULT_SAMPLES) -> Pupil:
    """Return the pupil of a telescope, from memory or the cache on disk if it was met before.

    Parameters
    ----------
    telescope : Telescope
        Its ``transmission`` is not part of the pupil: it scales the light and not the shape.
    samples : int
        Cells across the aperture, 64 to 4096.

    Raises
    ------
    InputError
        For a number of samples out of range.
    """
    if not 64 <= samples <= 4096:
        raise InputError("pupil samples", samples, "give a whole number from 64 to 4096")
    amplitude = _amplitude(
        samples,
        round(telescope.obstruction_ratio, 9),
        telescope.vanes_count if telescope.vane_width_mm > 0 else 0,
        round(telescope.vane_width_mm / telescope.aperture_mm, 9) if telescope.vanes_count else 0.0,
        telescope.vane_angle_deg if telescope.vanes_count else 0.0,
    )
    opd = frozen_array(_path_difference(telescope, amplitude))
    return Pupil(amplitude, opd, telescope.aperture_mm * 1e-3 / samples, telescope.colour_error_nm)


@lru_cache(maxsize=32)
def _amplitude(samples: int, obstruction: float, vanes: int, width: float, angle_deg: float) -> Float32Array:
    key = f"amplitude {samples} {obstruction:.9f} {vanes} {width:.9f} {angle_deg:.6f}"
    return frozen_array(remembered(key, lambda: _build_amplitude(samples, obstruction, vanes, width, angle_deg)))


def _build_amplitude(samples: int, obstruction: float, vanes: int, width: float, angle_deg: float) -> Float32Array:
    open_share = _disc(samples, 1.0)
    if obstruction > 0:
        open_share = open_share - _disc(samples, obstruction)
    for arm in range(vanes):
        open_share = open_share * (1.0 - _arm(samples, width, angle_deg + 360.0 * arm / vanes))
    return np.clip(open_share, 0.0, 1.0).astype(np.float32)


@cache
def _poppy() -> Any:
    """Return poppy on NumPy; two seconds, so only for a shape never met before.

    On its import poppy moves all its arrays to a graphics card where CuPy and a card are found, and what
    it returns is then no NumPy array. A module that is None in ``sys.modules`` cannot be imported, so poppy
    finds none; a user's own CuPy is put back afterwards.
    """
    missing = object()
    found = sys.modules.get("cupy", missing)
    sys.modules["cupy"] = None  # type: ignore[assignment]
    try:
        return import_module("poppy")
    finally:
        if found is missing:
            del sys.modules["cupy"]
        else:
            sys.modules["cupy"] = found  # type: ignore[assignment]


def _disc(samples: int, diameter: float) -> Float64Array:
    """Covered share of each cell by a central disc; `diameter` in units of the aperture's."""
    from astropy import units as u

    poppy = _poppy()
    aperture = poppy.CircularAperture(radius=diameter * u.m, gray_pixel=True)
    return np.asarray(aperture.sample(npix=samples, grid_size=2.0 * u.m, what="amplitude"), dtype=np.float64)


def _arm(samples: int, width: float, angle_deg: float) -> Float64Array:
    """Covered share of each cell by an arm from the middle to the rim; `width` in aperture diameters.

    The share of a cell on one side of a straight line is the distribution function of the sum of two
    uniform variables, so the edges of the strip are exact at every angle; hard-edged arms, as pupil
    libraries draw them, misplace up to nine tenths of the light of the diffraction spikes.
    """
    index = np.arange(samples) - (samples - 1) / 2
    west, north = -math.sin(math.radians(angle_deg)), math.cos(math.radians(angle_deg))
    along = west * index[None, :] + north * index[:, None]
    across = north * index[None, :] - west * index[:, None]
    half = 0.5 * width * samples
    strip = _side(across + half, north, west) - _side(across - half, north, west)
    return strip * _side(along, west, north)


def _side(distance: Float64Array, first: float, second: float) -> Float64Array:
    """Share of a unit cell with positive distance from a line with the normal (first, second)."""
    wide, narrow = max(abs(first), abs(second)), min(abs(first), abs(second))
    inner, outer = 0.5 * (wide - narrow), 0.5 * (wide + narrow)
    reach = np.abs(distance)
    share = 0.5 + np.minimum(reach, inner) / wide
    if narrow > 1e-12:
        into = np.clip(reach, inner, outer) - inner
        share = share + (into * (outer - inner) - 0.5 * into**2) / (wide * narrow)
    share = np.minimum(share, 1.0)
    return np.where(distance >= 0, share, 1.0 - share)


def _path_difference(telescope: Telescope, amplitude: Float32Array) -> Float32Array:
    """Sum of all faults of the telescope in nm, shape of the pupil."""
    samples = amplitude.shape[0]
    total = np.zeros(amplitude.shape, np.float32)
    angle = telescope.aberration_angle_deg
    for name, waves in telescope.aberrations:
        total += np.float32(waves * ABERRATION_WAVELENGTH_NM) * _aberration_map(name, samples, angle)
    if telescope.defocus_nm:
        # r^2 and the normalised term sqrt(3) (2 r^2 - 1) differ by a piston that no image shows
        total += np.float32(telescope.defocus_nm / (2.0 * math.sqrt(3.0))) * _aberration_map("defocus", samples, angle)
    if telescope.wavefront_error_waves:
        mix = sum(_aberration_map(name, samples, angle) for name in ("astigmatism", "coma", "spherical"))
        rms = Pupil(amplitude, np.asarray(mix, np.float32), 1.0).rms_nm()
        total += np.float32(telescope.wavefront_error_waves * ABERRATION_WAVELENGTH_NM / rms) * mix
    return np.where(amplitude > 0, total, np.float32(0))


def _aberration_map(name: str, samples: int, angle_deg: float) -> Float32Array:
    """Aberration of unit rms over the clear circle, its axis at a position angle, by Noll's terms."""
    # position angles run from north (rows) to east (falling columns): theta = angle + 90 deg
    theta = math.radians(angle_deg + 90.0)
    if name == "defocus":
        return _zernike(4, samples)
    if name == "spherical":
        return _zernike(11, samples)
    even, odd, order = (6, 5, 2) if name == "astigmatism" else (8, 7, 1)
    turned = math.cos(order * theta) * _zernike(even, samples) + math.sin(order * theta) * _zernike(odd, samples)
    return turned.astype(np.float32)


@lru_cache(maxsize=16)
def _zernike(number: int, samples: int) -> Float32Array:
    return frozen_array(remembered(f"zernike {number} {samples}", lambda: _build_zernike(number, samples)))


def _build_zernike(number: int, samples: int) -> Float32Array:
    across = (np.arange(samples) - (samples - 1) / 2) / (samples / 2)
    west, north = np.meshgrid(across, across)
    # cells that the rim cuts have their middle outside: they take the value at the rim
    radius = np.minimum(np.hypot(west, north), 1.0)
    return np.asarray(_poppy().zernike.zernike1(number, rho=radius, theta=np.arctan2(north, west)), dtype=np.float32)
