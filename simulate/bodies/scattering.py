"""How brightness falls toward the limb and with the phase angle."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from simulate.errors import InputError

if TYPE_CHECKING:
    from simulate.bodies.body import Body

FloatArray = npt.NDArray[np.float64]

FLAT_EXPONENT = 0.5
"""Minnaert exponent that draws, at zero phase, the same flat disc as the Lommel-Seeliger law."""


@dataclass(frozen=True, eq=False)
class Scattering:
    """How brightness falls toward the limb.

    Parameters
    ----------
    law : str
        "minnaert": I/F = B0 mu0^k mu^(k-1) (Minnaert 1941, ApJ 93, 403); "lommel-seeliger": I/F
        proportional to mu0 / (mu0 + mu); "none" for what shines by itself.
    wavelengths_nm, exponents : array, shape (n,)
        The exponent k, linear in wavelength between the points and constant beyond; empty unless
        the law is Minnaert's.
    twilight_deg : float
        How far sunlight reaches beyond the terminator; 0 where nothing of it shows.
    """

    law: str
    wavelengths_nm: FloatArray
    exponents: FloatArray
    twilight_deg: float = 0.0


def minnaert_k(body: Body, wavelengths_nm: npt.ArrayLike) -> FloatArray:
    """Return the Minnaert exponent k at `wavelengths_nm` (nm, any shape), same shape.

    Bodies of the Lommel-Seeliger law give 0.5, its equal at zero phase.

    Raises
    ------
    InputError
        For a body that shines by itself.
    """
    wavelengths = np.asarray(wavelengths_nm, dtype=float)
    scattering = body.scattering
    if scattering.law == "none":
        raise InputError("body", body.name, "it must be lit by the Sun")
    if scattering.law == "lommel-seeliger":
        return np.full(wavelengths.shape, FLAT_EXPONENT)
    return np.interp(wavelengths, scattering.wavelengths_nm, scattering.exponents)


def lambert_phase(phase_angle_deg: npt.ArrayLike) -> FloatArray:
    """Return the brightness of a Lambert sphere relative to full phase, same shape as the input (deg).

    Phi(a) = (sin a + (pi - a) cos a) / pi (Russell 1916, ApJ 43, 173).
    """
    angle = np.radians(np.asarray(phase_angle_deg, dtype=float))
    return (np.sin(angle) + (np.pi - angle) * np.cos(angle)) / np.pi


def lommel_seeliger_phase(phase_angle_deg: npt.ArrayLike) -> FloatArray:
    """Return the brightness of a Lommel-Seeliger sphere relative to full phase, same shape (deg).

    Phi(a) = 1 - sin(a/2) tan(a/2) ln cot(a/4) (Russell 1916, ApJ 43, 173).
    """
    angle = np.radians(np.asarray(phase_angle_deg, dtype=float))
    half = np.clip(angle / 2, 1e-12, np.pi / 2 - 1e-12)
    return np.clip(1.0 + np.sin(half) * np.tan(half) * np.log(np.tan(half / 2)), 0.0, 1.0)
