"""From spectral bins to the colours of a screen.

Photons in bins become CIE 1931 tristimulus values, are adapted from the Sun's white to the screen's
(Bradford transform, Lam 1985), and become linear sRGB (IEC 61966-2-1). White is the Sun: a body that
reflects all wavelengths alike comes out neutral grey.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import numpy.typing as npt

from simulate.bodies.spectra import read_table, solar_irradiance, solar_photon_flux, wavelength_scale
from simulate.errors import InputError
from simulate.values.arrays import frozen_array
from simulate.values.spectrum import SpectralBins

FloatArray = npt.NDArray[np.floating]

XYZ_TO_LINEAR_SRGB = frozen_array(
    [[3.2406, -1.5372, -0.4986], [-0.9689, 1.8758, 0.0415], [0.0557, -0.2040, 1.0570]], dtype=float
)
"""IEC 61966-2-1:1999."""

SCREEN_WHITE_XYZ = frozen_array([0.3127 / 0.3290, 1.0, (1 - 0.3127 - 0.3290) / 0.3290], dtype=float)
"""D65, chromaticity (0.3127, 0.3290), as IEC 61966-2-1 states it."""

BRADFORD = frozen_array([[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]], dtype=float)
"""Sharpened cone responses of Lam 1985, as in the ICC profile specification."""


@cache
def xyz_weights(bins: SpectralBins) -> FloatArray:
    """Return the weights that turn photons in each bin into CIE XYZ, shape (3, bins).

    Inside a bin the light is taken to have the Sun's spectrum, so that sunlight comes out exact
    whatever the bins. The scale is such that the Sun at 1 au (photons s-1 m-2) has Y = 1.

    Raises
    ------
    InputError
        For bins without visible light, or outside 300..1100 nm.
    """
    scale = wavelength_scale()
    table = read_table("colour_matching.csv")
    sunlight = solar_irradiance()
    photons = solar_photon_flux(bins)
    matching = np.array(
        [np.interp(scale, table["wavelength_nm"], table[axis], left=0.0, right=0.0) for axis in ("x", "y", "z")]
    )
    tristimulus = np.array([bins.integrate(scale, sunlight * row) for row in matching])
    total = tristimulus[1].sum()
    if total <= 0 or np.any(tristimulus.sum(axis=1) <= 0):
        raise InputError("spectral bins", bins.edges_nm, "they must hold visible light to make a colour")
    return frozen_array(tristimulus / photons / total)


@cache
def srgb_weights(bins: SpectralBins) -> FloatArray:
    """Return the weights that turn photons in each bin into linear sRGB, shape (3, bins).

    The Sun at 1 au (photons s-1 m-2) becomes (1, 1, 1).
    """
    weights = xyz_weights(bins)
    matrix = XYZ_TO_LINEAR_SRGB @ adaptation(weights @ solar_photon_flux(bins), SCREEN_WHITE_XYZ)
    rgb = matrix @ weights
    # the standard's rounded matrix takes its own white to (1, 1, 1) only within 1e-4
    return frozen_array(rgb / (rgb @ solar_photon_flux(bins))[:, None])


def adaptation(from_white: npt.ArrayLike, to_white: npt.ArrayLike) -> FloatArray:
    """Return the Bradford matrix, shape (3, 3), that takes one white (XYZ) to another."""
    source = BRADFORD @ np.asarray(from_white, dtype=float)
    target = BRADFORD @ np.asarray(to_white, dtype=float)
    return np.linalg.solve(BRADFORD, (target / source)[:, None] * BRADFORD)


def to_linear_srgb(radiance: npt.ArrayLike, bins: SpectralBins) -> FloatArray:
    """Return linear sRGB of a spectral picture, shape (..., 3).

    Parameters
    ----------
    radiance : array_like, shape (bins, ...)
        Photons in each bin, per any area, time and angle.
    bins : SpectralBins
        The bins of `radiance`.

    Returns
    -------
    array, shape (..., 3)
        Linear in `radiance`; sunlight is neutral, and the Sun's photons s-1 m-2 at 1 au would be
        (1, 1, 1): divide by the wanted white. Colours outside the screen's gamut have components
        below zero.

    Raises
    ------
    InputError
        If the first axis of `radiance` does not match `bins`.
    """
    picture = np.asarray(radiance)
    if picture.ndim < 1 or picture.shape[0] != len(bins):
        raise InputError("radiance", picture.shape, f"its first axis must hold the {len(bins)} spectral bins")
    return np.moveaxis(np.tensordot(srgb_weights(bins), picture, axes=(1, 0)), 0, -1)


def srgb_encode(linear: npt.ArrayLike) -> FloatArray:
    """Return the encoded sRGB values, 0 to 1, of linear ones (IEC 61966-2-1), same shape.

    Values outside 0..1 are clipped first.
    """
    value = np.clip(np.asarray(linear, dtype=float), 0.0, 1.0)
    return np.where(value <= 0.0031308, 12.92 * value, 1.055 * np.maximum(value, 0.0031308) ** (1 / 2.4) - 0.055)


def srgb_decode(encoded: npt.ArrayLike) -> FloatArray:
    """Return the linear values, 0 to 1, of encoded sRGB ones (IEC 61966-2-1), same shape."""
    value = np.clip(np.asarray(encoded, dtype=float), 0.0, 1.0)
    return np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)
