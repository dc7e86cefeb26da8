"""What the Earth's clear air takes from light on its way straight down: molecules and ozone.

Seen from below these dim the stars, seen from the Moon they redden the light in the Earth's shadow.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

_OZONE_NM = (380, 420, 440, 460, 480, 500, 520, 540, 560, 575, 590, 602, 620, 640, 660, 680, 700, 740, 780, 820, 900)
_OZONE_1E21_CM2 = (
    *(0.00, 0.03, 0.13, 0.35, 0.70, 1.20, 1.80, 2.85, 3.85, 4.70, 4.60),
    *(5.10, 3.95, 2.85, 2.05, 1.40, 0.87, 0.45, 0.25, 0.15, 0.04),
)
"""Cross-section of the Chappuis band, smoothed; from memory, within 10 % (after Serdyuchenko et al. 2014)."""

_OZONE_MOLECULES_CM2 = 300.0 * 2.6868e16
"""A column of 300 Dobson units, the average of middle latitudes (from memory)."""


def molecular_depth(wavelength_nm: npt.ArrayLike) -> FloatArray:
    """Return the optical depth of the molecules above sea level, shape of `wavelength_nm`.

    Hansen & Travis (1974, Space Sci. Rev. 16, 527), eq. 2.30, at 1013.25 hPa; it goes with the pressure.

    Parameters
    ----------
    wavelength_nm : array_like
        Wavelengths, nm.
    """
    inverse2 = (1000.0 / np.asarray(wavelength_nm, dtype=float)) ** 2
    return 0.008569 * inverse2**2 * (1.0 + 0.0113 * inverse2 + 0.00013 * inverse2**2)


def ozone_depth(wavelength_nm: npt.ArrayLike) -> FloatArray:
    """Return the optical depth of the ozone layer, 300 Dobson units, shape of `wavelength_nm`.

    Parameters
    ----------
    wavelength_nm : array_like
        Wavelengths, nm.
    """
    nm = np.asarray(wavelength_nm, dtype=float)
    return np.interp(nm, _OZONE_NM, _OZONE_1E21_CM2, left=0.0, right=0.0) * 1e-21 * _OZONE_MOLECULES_CM2
