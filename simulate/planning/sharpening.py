"""How far an unsharp mask may go before rings at the limb, or noise, tell more than the planet."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from simulate.stack.restore import RINGING_LIMIT, limb_overshoot
from simulate.values.arrays import frozen_array
from simulate.values.constants import FWHM_PER_SIGMA
from simulate.values.grid import Grid, half_plane_weights

FloatArray = npt.NDArray[np.floating]

"""Of a Gaussian: 2 sqrt(2 ln 2)."""

NOISE_LIMIT = 0.03
"""Noise of a cell after sharpening, share of the brightness: a third of a faint belt's contrast (common practice)."""

STRONGEST = 30.0
STEPS = 31


@dataclass(frozen=True, eq=False)
class Sharpening:
    """An unsharp mask of the blur's own radius on the stack, by strength.

    Parameters
    ----------
    strengths : array, shape (steps,)
        Share of the difference between picture and blurred picture that is added.
    overshoot, noise : array, shape (steps,)
        Of a sharp limb, and of a cell in the bright part, shares of the brightness.
    strongest : float
        Strength at which the first of both reaches its limit.
    limited_by : str
        "ringing" or "noise".
    """

    strengths: FloatArray
    overshoot: FloatArray
    noise: FloatArray
    strongest: float
    limited_by: str


def sharpening_limits(
    transfer: npt.NDArray[Any], noise_spectrum: FloatArray, grid: Grid, sharp_arcsec: float, noise: float
) -> Sharpening:
    """Return what an unsharp mask does to a stack, and how strong it may be.

    Its transfer is 1 + strength (1 - exp(-2 pi^2 sigma^2 f^2)). Rings may reach the noise, or 2 % of the brightness
    where the noise is less; the noise may reach `NOISE_LIMIT`.

    Parameters
    ----------
    transfer : array, shape (rows, columns//2+1)
        Of the stack, layout of ``rfft2``.
    noise_spectrum : array, shape (rows, columns//2+1)
        Power of its noise relative to white noise.
    grid : Grid
        The stack's cells.
    sharp_arcsec : float
        Width of the blur, whose standard deviation is the mask's radius.
    noise : float
        Of a cell in the bright part, share of the brightness.
    """
    sigma = sharp_arcsec / FWHM_PER_SIGMA
    fine = 1.0 - np.exp(-2.0 * (math.pi * sigma * grid.frequency()) ** 2)
    weight = half_plane_weights(grid.columns) * noise_spectrum
    weight /= np.sum(weight)
    moments = [1.0, 2.0 * float(np.sum(weight * fine)), float(np.sum(weight * fine**2))]
    plain = np.abs(transfer)
    strengths = np.concatenate([[0.0], np.geomspace(0.1, STRONGEST, STEPS - 1)])
    noises = np.array([noise * math.sqrt(moments[0] + s * moments[1] + s**2 * moments[2]) for s in strengths])
    rings = np.array([limb_overshoot(plain * (1.0 + s * fine), grid.columns) for s in strengths])
    by_rings = _first_beyond(strengths, rings - np.maximum(noises, RINGING_LIMIT))
    by_noise = _first_beyond(strengths, noises - NOISE_LIMIT)
    return Sharpening(
        frozen_array(strengths),
        frozen_array(rings),
        frozen_array(noises),
        min(by_rings, by_noise),
        "ringing" if by_rings <= by_noise else "noise",
    )


def _first_beyond(strengths: FloatArray, excess: FloatArray) -> float:
    """Return the strength at which an excess first becomes positive, by a straight line; the last if it never does."""
    beyond = np.flatnonzero(excess > 0)
    if len(beyond) == 0:
        return float(strengths[-1])
    index = int(beyond[0])
    if index == 0:
        return 0.0
    share = -excess[index - 1] / (excess[index] - excess[index - 1])
    return float(strengths[index - 1] + share * (strengths[index] - strengths[index - 1]))
