"""How bright a surface looks by the heights of Sun and observer above it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

if TYPE_CHECKING:
    from simulate.bodies import Body

FloatArray = npt.NDArray[np.floating]

GRAZING = 0.05
"""Lowest cosine of emergence that enters Minnaert's law with k < 1, which would otherwise grow
without bound at the limb; common practice, touches the outer 0.13 % of the radius."""


@dataclass(frozen=True)
class Law:
    """A scattering law, one exponent a bin.

    Parameters
    ----------
    exponents : tuple of float or None
        Minnaert's k for each bin, ``mu0^k mu^(k-1)`` (Minnaert 1941, ApJ 93, 403); None stands for
        Lommel-Seeliger, ``mu0 / (mu0 + mu)`` (Seeliger 1887), the same in all bins.
    twilight : float
        Sine of the angle by which light reaches beyond the terminator; 0 for a sharp one.
    """

    exponents: tuple[float, ...] | None
    twilight: float = 0.0

    def __call__(self, mu: FloatArray, mu0: FloatArray) -> FloatArray:
        """Return the relative brightness, shape (bins or 1, n), float32; 0 on the night side.

        Parameters
        ----------
        mu, mu0 : array, shape (n,)
            Cosines of the angles of emergence and incidence.
        """
        lit = softened(mu0, self.twilight).astype(np.float32)
        if self.exponents is None:
            return (lit / np.maximum(lit + mu.astype(np.float32), np.float32(1e-12)))[None, :]
        out = np.maximum(mu, GRAZING).astype(np.float32)
        with np.errstate(divide="ignore"):
            logarithm = np.log(lit * out)
        if min(self.exponents) == max(self.exponents):
            return (np.exp(np.float32(self.exponents[0]) * logarithm) / out)[None, :]
        power = np.multiply.outer(np.asarray(self.exponents, np.float32), logarithm)
        np.exp(power, out=power)
        power /= out
        return power


def softened(mu0: FloatArray, twilight: float) -> FloatArray:
    """Return the cosine of incidence with the terminator spread by haze, never below 0.

    Between -twilight and +twilight a parabola joins night and day smoothly.
    """
    if twilight <= 0:
        return np.maximum(mu0, 0.0)
    inside = np.clip(mu0 + twilight, 0.0, None) ** 2 / (4.0 * twilight)
    return np.where(mu0 < twilight, inside, mu0)


def law_of(body: Body, wavelengths_nm: FloatArray, twilight: float = 0.0, *, flat: bool = False) -> Law:
    """Return the law of `body` at the given wavelengths.

    Parameters
    ----------
    body : Body
        Its data file states law and exponents.
    wavelengths_nm : array, shape (bins,)
        Middle of each bin.
    twilight : float
        See `Law`.
    flat : bool
        Lommel-Seeliger in place of the body's own law: no limb darkening at full phase.
    """
    scattering = body.scattering
    if flat or scattering.law == "lommel-seeliger":
        return Law(None, twilight)
    exponents = np.interp(wavelengths_nm, scattering.wavelengths_nm, scattering.exponents)
    return Law(tuple(float(k) for k in exponents), twilight)
