"""What moves during an exposure or a recording, and the blur it leaves."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from simulate.errors import InputError
from simulate.values.checks import to_float
from simulate.values.grid import Grid

SIDEREAL_DEG_PER_H = 15.041
"""Turn of the sky, deg/h: 360 deg in 23.9345 h."""

HIGHEST_FOLLOWED_DEG = 89.9
"""Altitude above which an altazimuth mount cannot follow anyway."""


def tracking_transfer(grid: Grid, rms_arcsec: float) -> npt.NDArray[np.float32]:
    """Return the transfer of a Gaussian wander: exp(-2 pi^2 s^2 f^2), the transform of a Gaussian.

    Parameters
    ----------
    grid : Grid
        Gives the frequencies.
    rms_arcsec : float
        Standard deviation in each axis, arcsec.

    Returns
    -------
    array of float32, shape (rows, columns//2+1)
        Layout of ``rfft2``; 1 at zero frequency.
    """
    rms = to_float("tracking error", rms_arcsec, "arcsec", 0.0)
    return np.exp(-2 * np.pi**2 * rms**2 * grid.frequency() ** 2).astype(np.float32)


def wander_within(rms_arcsec: float, exposure_s: float, correlation_s: float = 1.0) -> float:
    """Return the rms of a tracking wander about its own mean within one exposure, arcsec, each axis.

    The wander is taken as a process whose correlation falls as exp(-t/T). Its mean over an exposure
    t = x T has the variance s^2 2 (x - 1 + exp(-x)) / x^2 (Papoulis 1965, "Probability, Random Variables
    and Stochastic Processes", ergodicity of the mean); the rest of s^2 blurs the exposure, and the mean
    only shifts it, which aligning takes out. In a short exposure little is left: s sqrt(x / 3).

    Parameters
    ----------
    rms_arcsec : float
        Wander over a long time, rms in each axis, arcsec.
    exposure_s : float
        Exposure, s.
    correlation_s : float
        Time T over which the wander forgets itself, s; one second is common practice for gears and
        shaking by wind.
    """
    rms = to_float("tracking error", rms_arcsec, "arcsec", 0.0)
    length = to_float("exposure", exposure_s, "s", 0.0) / to_float(
        "correlation", correlation_s, "s", 0.0, open_low=True
    )
    if length < 1e-3:  # the first terms of the series, where the difference below would lose its digits
        return rms * math.sqrt(length / 3 - length**2 / 12)
    return rms * math.sqrt(1 + 2 * (1 - length - math.exp(-length)) / length**2)


def field_rotation_deg_per_h(latitude_deg: float, azimuth_deg: float, altitude_deg: float) -> float:
    """Return how fast the field turns on an altazimuth mount, deg/h.

    15.041 deg/h cos(latitude) cos(azimuth) / cos(altitude): the time derivative of the parallactic
    angle with its sign turned, azimuth from north. Negative in the south for a northern site: the sky
    turns clockwise there.

    Raises
    ------
    InputError
        In the zenith, where the rate is infinite.
    """
    height = math.cos(math.radians(to_float("altitude", altitude_deg, "deg", -90.0, 90.0)))
    if height < 1e-9:
        raise InputError("altitude", altitude_deg, "an altazimuth mount cannot follow through the zenith")
    return SIDEREAL_DEG_PER_H * math.cos(math.radians(latitude_deg)) * math.cos(math.radians(azimuth_deg)) / height
