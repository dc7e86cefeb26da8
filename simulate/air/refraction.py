"""Refraction: where the air lifts each colour to.

Displacements along the vertical are **positive toward the zenith**: blue stands above red.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from simulate.air.sky import Sky
from simulate.errors import InputError
from simulate.values.constants import ARCSEC_PER_RADIAN
from simulate.values.grid import Grid
from simulate.values.spectrum import SpectralBins

FloatArray = npt.NDArray[np.float64]
Complex64Array = npt.NDArray[np.complex64]

_CO2_PPM = 420.0
"""Carbon dioxide of the 2020s; 30 ppm more change the index by 2e-5 of itself."""

_SERIES_LOWEST_DEG = 10.0
"""Below it the two-term series for refraction fails and Bennett's formula gives the shape."""


def refractivity(
    wavelength_nm: npt.ArrayLike,
    pressure_hpa: float = 1013.25,
    temperature_c: float = 15.0,
    humidity: float = 0.0,
    co2_ppm: float = _CO2_PPM,
) -> FloatArray:
    """Return n - 1 of air (Ciddor 1996, Appl. Opt. 35, 1566), shape of `wavelength_nm`.

    Parameters
    ----------
    wavelength_nm : array_like
        Vacuum wavelength, nm, 300 to 1700.
    pressure_hpa, temperature_c : float
        Pressure in hPa and temperature in deg C.
    humidity : float
        Relative humidity, 0 to 1.
    co2_ppm : float
        Carbon dioxide, ppm.
    """
    s2 = (1000.0 / np.asarray(wavelength_nm, dtype=float)) ** 2
    standard = 1e-8 * (5792105.0 / (238.0185 - s2) + 167917.0 / (57.362 - s2))
    dry = standard * (1.0 + 0.534e-6 * (co2_ppm - 450.0))
    vapour = 1.022e-8 * (295.235 + 2.6422 * s2 - 0.032380 * s2**2 + 0.004028 * s2**3)
    share = _vapour_share(pressure_hpa * 100.0, temperature_c, humidity)
    air_kg, vapour_kg = 1e-3 * (28.9635 + 12.011e-6 * (co2_ppm - 400.0)), 0.018015
    here = _moles_m3(pressure_hpa * 100.0, temperature_c, share)
    dry_ratio = here * (1.0 - share) * air_kg / (_moles_m3(101325.0, 15.0, 0.0) * air_kg)
    vapour_ratio = here * share * vapour_kg / (_moles_m3(1333.0, 20.0, 1.0) * vapour_kg)
    return dry_ratio * dry + vapour_ratio * vapour


def _vapour_share(pressure_pa: float, temperature_c: float, humidity: float) -> float:
    """Mole fraction of water vapour (Ciddor 1996, section 2, after Davis 1992)."""
    kelvin = temperature_c + 273.15
    saturation = math.exp(1.2378847e-5 * kelvin**2 - 1.9121316e-2 * kelvin + 33.93711047 - 6.3431645e3 / kelvin)
    enhancement = 1.00062 + 3.14e-8 * pressure_pa + 5.6e-7 * temperature_c**2
    return enhancement * humidity * saturation / pressure_pa


def _moles_m3(pressure_pa: float, temperature_c: float, share: float) -> float:
    """Moles of moist air in a cubic metre, with the compressibility of Ciddor (1996), eq. 12."""
    t, kelvin = temperature_c, temperature_c + 273.15
    first = 1.58123e-6 - 2.9331e-8 * t + 1.1043e-10 * t**2
    first += (5.707e-6 - 2.051e-8 * t) * share + (1.9898e-4 - 2.376e-6 * t) * share**2
    ratio = pressure_pa / kelvin
    compressibility = 1.0 - ratio * first + ratio**2 * (1.83e-11 - 0.765e-8 * share**2)
    return pressure_pa / (compressibility * 8.314510 * kelvin)


def refraction_arcsec(
    wavelength_nm: npt.ArrayLike, altitude_deg: float, sky: Sky | None = None, height_m: float = 0.0
) -> FloatArray:
    """Return by how much the air lifts a body, arcsec, shape of `wavelength_nm`.

    Parameters
    ----------
    wavelength_nm : array_like
        Wavelengths, nm.
    altitude_deg : float
        Apparent altitude, deg, 0 to 90.
    sky : Sky, optional
        Pressure, temperature, humidity; default: a dry standard atmosphere.
    height_m : float
        Height of the site, m; it sets the pressure where `sky` leaves it open.

    Raises
    ------
    InputError
        Below the horizon.

    Notes
    -----
    Two terms in tan z and tan^3 z with the height of the homogeneous atmosphere over the Earth's
    radius (Stone 1996, PASP 108, 1051). Below 10 deg the growth with zenith distance is that of
    Bennett (1982, J. Navig. 35, 255); there the result is good to some per cent only.
    """
    if not 0.0 <= altitude_deg <= 90.0:
        raise InputError("altitude", altitude_deg, "give a value from 0 to 90 deg")
    air = sky or Sky()
    n1 = refractivity(wavelength_nm, air.pressure_at(height_m), air.temperature_c, air.humidity)
    high = max(altitude_deg, _SERIES_LOWEST_DEG)
    tangent = math.tan(math.radians(90.0 - high))
    beta = 0.001254 * (air.temperature_c + 273.15) / 273.15
    radians = n1 * (1.0 - beta) * tangent - n1 * (beta - n1 / 2.0) * tangent**3
    return radians * ARCSEC_PER_RADIAN * _bennett(altitude_deg) / _bennett(high)


def _bennett(altitude_deg: float) -> float:
    return 1.0 / math.tan(math.radians(min(altitude_deg + 7.31 / (altitude_deg + 4.4), 89.999)))


def dispersion_arcsec(
    wavelength_nm: npt.ArrayLike,
    altitude_deg: float,
    sky: Sky | None = None,
    height_m: float = 0.0,
    reference_nm: float = 550.0,
) -> FloatArray:
    """Return how far each wavelength stands above the reference, arcsec toward the zenith.

    Parameters are those of `refraction_arcsec`, and the reference wavelength in nm.
    """
    lifted = refraction_arcsec(wavelength_nm, altitude_deg, sky, height_m)
    return lifted - refraction_arcsec(reference_nm, altitude_deg, sky, height_m)


def bin_displacements(
    bins: SpectralBins, altitude_deg: float, sky: Sky | None = None, height_m: float = 0.0, reference_nm: float = 550.0
) -> tuple[FloatArray, FloatArray]:
    """Return the mean displacement of each bin and the length of its smear, arcsec, shapes (bins,).

    The smear is the length of the even streak that has the same variance as the light of a flat
    spectrum inside the bin.
    """
    nodes, weights = np.polynomial.legendre.leggauss(5)
    nm = bins.centres_nm[:, None] + 0.5 * bins.widths_nm[:, None] * nodes
    places = dispersion_arcsec(nm, altitude_deg, sky, height_m, reference_nm)
    mean = places @ weights / 2.0
    variance = np.square(places - mean[:, None]) @ weights / 2.0
    return mean, np.sqrt(12.0 * variance)


def dispersion_transfer(
    grid: Grid,
    bins: SpectralBins,
    altitude_deg: float,
    parallactic_angle_deg: float,
    sky: Sky | None = None,
    height_m: float = 0.0,
    reference_nm: float = 550.0,
) -> Complex64Array:
    """Return the transfer that moves each bin along the vertical and smears it.

    Parameters
    ----------
    grid : Grid
        Grid of the picture.
    bins : SpectralBins
        Spectral bins.
    altitude_deg : float
        Apparent altitude, deg.
    parallactic_angle_deg : float
        Position angle of the zenith at the body, from north through east, deg.
    sky, height_m, reference_nm
        As for `dispersion_arcsec`; light of the reference wavelength stays in place.

    Returns
    -------
    array, shape (bins, rows, columns // 2 + 1), complex64
        In the layout of ``rfft2``, 1 at zero frequency.
    """
    means, lengths = bin_displacements(bins, altitude_deg, sky, height_m, reference_nm)
    angle = math.radians(parallactic_angle_deg)
    east, north = math.sin(angle), math.cos(angle)
    along_north = (grid.frequency_north() * north).astype(np.float32)[:, None]
    along_west = (-grid.frequency_west() * east).astype(np.float32)[None, :]
    along = along_north + along_west
    result = np.empty((len(bins), *along.shape), np.complex64)
    for index, (mean, length) in enumerate(zip(means, lengths, strict=True)):
        first = np.exp(-2j * np.pi * mean * along_north.astype(float)).astype(np.complex64)
        second = np.exp(-2j * np.pi * mean * along_west.astype(float)).astype(np.complex64)
        np.multiply(first, second, out=result[index])
        result[index] *= _sinc(along, length)
    return result


def _sinc(along: npt.NDArray[np.float32], length: float) -> npt.NDArray[np.float32]:
    """Transfer of an even streak; the first terms of its series where they are exact to 1e-6."""
    phase = (along * np.float32(np.pi * length)).astype(np.float32)
    if np.abs(phase).max(initial=0.0) < 0.35:
        square = phase * phase
        return (1.0 - square * (1.0 / 6.0 - square / 120.0)).astype(np.float32)
    zero = phase == 0
    phase[zero] = 1.0
    value = (np.sin(phase) / phase).astype(np.float32)
    value[zero] = 1.0
    return value
