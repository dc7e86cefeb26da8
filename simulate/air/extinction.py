"""How much light comes through: airmass and extinction.

Three parts, each with its own dependence on height: scattering by molecules (with the pressure),
ozone (above every site), and aerosol (a layer of 1.5 km). Absorption by water and oxygen beyond
680 nm is left out: it is narrow, changes with the night, and broad bands lose only some per cent.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from simulate.air.sky import Sky
from simulate.errors import InputError
from simulate.geometry.earth import airmass as relative_airmass
from simulate.values.air_depth import molecular_depth, ozone_depth
from simulate.values.spectrum import SpectralBins

FloatArray = npt.NDArray[np.float64]

_MAGNITUDES_PER_DEPTH = 2.5 * math.log10(math.e)

_AEROSOL_MAG_550 = 0.085
"""Aerosol at sea level on an average clear night, mag per airmass at 550 nm: the typical totals of
0.35, 0.22, 0.15 and 0.10 in B, V, R and I (common practice) less the other two parts."""

_AEROSOL_EXPONENT = 1.3
"""Angstrom's exponent of continental aerosol (common practice)."""

_AEROSOL_HEIGHT_M = 1500.0
"""Scale height of the aerosol (common practice)."""


def airmass(altitude_deg: npt.ArrayLike) -> FloatArray:
    """Return the relative airmass (Kasten & Young 1989, Appl. Opt. 28, 4735).

    Parameters
    ----------
    altitude_deg : array_like
        Apparent altitude, deg; any shape, which the result shares.

    Raises
    ------
    InputError
        Below the horizon.
    """
    altitude = np.asarray(altitude_deg, dtype=float)
    if np.any(~(altitude >= 0) | (altitude > 90)):
        raise InputError("altitude", altitude_deg, "give a value from 0 to 90 deg")
    return relative_airmass(altitude)


def extinction_magnitudes(wavelength_nm: npt.ArrayLike, height_m: float = 0.0, sky: Sky | None = None) -> FloatArray:
    """Return the extinction in magnitudes per airmass, shape of `wavelength_nm`.

    Parameters
    ----------
    wavelength_nm : array_like
        Wavelengths, nm.
    height_m : float
        Height of the site above the sea, m.
    sky : Sky, optional
        Pressure and haze; default: a clear, average night.
    """
    air = sky or Sky()
    nm = np.asarray(wavelength_nm, dtype=float)
    molecules = molecular_depth(nm) * air.pressure_at(height_m) / 1013.25
    aerosol = _AEROSOL_MAG_550 * air.haze * math.exp(-max(height_m, 0.0) / _AEROSOL_HEIGHT_M)
    return _MAGNITUDES_PER_DEPTH * (molecules + ozone_depth(nm)) + aerosol * (550.0 / nm) ** _AEROSOL_EXPONENT


def transmission(bins: SpectralBins, airmass: float, height_m: float = 0.0, sky: Sky | None = None) -> FloatArray:
    """Return the share of the light that comes through the air, mean of each bin, shape (bins,).

    Parameters
    ----------
    bins : SpectralBins
        Spectral bins; a flat spectrum is taken inside each.
    airmass : float
        Relative airmass, 1 at the zenith.
    height_m, sky
        As for `extinction_magnitudes`.

    Raises
    ------
    InputError
        For an airmass below 1 or without end.
    """
    if not 0.999 <= airmass < 100:
        raise InputError("airmass", airmass, "give a value from 1 to 100")
    inside = (np.arange(8) + 0.5) / 8.0
    edges = np.asarray(bins.edges_nm)
    nm = edges[:-1, None] + inside * bins.widths_nm[:, None]
    return (10.0 ** (-0.4 * airmass * extinction_magnitudes(nm, height_m, sky))).mean(axis=1)
