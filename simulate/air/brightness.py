"""Light of the sky itself: dark site, Moon, twilight and daylight, roughly.

The parts are added in five broad bands and spread over the spectrum by a smooth curve through them.
Expect half a magnitude at night, a magnitude in twilight and by day. Values are **as seen through
the telescope**, under the air: they are not dimmed by extinction again.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from simulate.air.extinction import extinction_magnitudes
from simulate.air.sky import Sky
from simulate.errors import InputError
from simulate.values.constants import LIGHT_SPEED_M_S, PLANCK_J_S
from simulate.values.spectrum import SpectralBins

FloatArray = npt.NDArray[np.float64]

BAND_NM = np.array([366.0, 438.0, 545.0, 641.0, 798.0])
"""Effective wavelengths of U, B, V, R, I (Bessell, Castelli & Plez 1998, A&A 333, 231, table A2)."""

_ZERO_W_M2_NM = np.array([417.5, 632.0, 363.1, 217.7, 112.6]) * 1e-13
"""Flux of magnitude 0 in them, W m-2 nm-1 (same table: 1e-11 erg cm-2 s-1 A-1)."""

DARK_MAG = np.array([22.3, 22.6, 21.6, 20.9, 19.7])
"""Dark moonless zenith, mag/arcsec2 (Patat 2003, A&A 400, 1183, Paranal)."""

_TWILIGHT = np.array(
    [
        (11.78, 1.376, -0.039),
        (11.84, 1.411, -0.041),
        (11.84, 1.518, -0.057),
        (11.40, 1.567, -0.064),
        (10.93, 1.470, -0.062),
    ]
)
"""Zenith in twilight: a + b x + c x^2 mag/arcsec2, x the Sun's depression less 5 deg, from 0 to 10
(Patat, Ugolnikov & Postylyakov 2006, A&A 455, 385; from memory)."""

_DAY_COLOUR = np.array([0.0, -0.3, 0.0, 0.6, 1.3])
"""Daylight sky relative to V, mag: B 0.3 brighter, R 3.6 and I 4.3 for V = 3.0 (from memory; U is taken
equal to V)."""

_SUNSET_MAG = 6.5
"""V of the zenith with the Sun on the horizon, mag/arcsec2 (from memory: 6 to 7)."""


@dataclass(frozen=True)
class Lights:
    """Where the Sun and the Moon stand; every angle in degrees, None where nothing is known.

    Parameters
    ----------
    altitude_deg : float
        Altitude of the target.
    sun_altitude_deg : float or None
        Altitude of the Sun; None means deep night.
    sun_separation_deg : float or None
        Angle between the Sun and the target; matters by day only.
    moon_altitude_deg : float or None
        Altitude of the Moon; None means no Moon.
    moon_separation_deg : float or None
        Angle between the Moon and the target.
    moon_phase_angle_deg : float or None
        Phase angle of the Moon, 0 when full.
    moon_sunlit_fraction : float
        V light left on it in the Earth's shadow, relative to outside.
    """

    altitude_deg: float = 90.0
    sun_altitude_deg: float | None = None
    sun_separation_deg: float | None = None
    moon_altitude_deg: float | None = None
    moon_separation_deg: float | None = None
    moon_phase_angle_deg: float | None = None
    moon_sunlit_fraction: float = 1.0


def sky_radiance(bins: SpectralBins, lights: Lights, sky: Sky | None = None, height_m: float = 0.0) -> FloatArray:
    """Return the sky's light in photons s-1 m-2 arcsec-2 per bin, shape (bins,).

    Parameters
    ----------
    bins : SpectralBins
        Spectral bins.
    lights : Lights
        Sun, Moon and target.
    sky : Sky, optional
        Extinction, and the brightness of the moonless night.
    height_m : float
        Height of the site, m.
    """
    magnitudes = sky_magnitudes(lights, sky, height_m)
    photon_j = PLANCK_J_S * LIGHT_SPEED_M_S / (BAND_NM * 1e-9)
    density = np.log(_ZERO_W_M2_NM / photon_j) - 0.4 * math.log(10.0) * magnitudes
    nm = np.arange(min(300.0, bins.edges_nm[0]), max(1100.0, bins.edges_nm[-1]) + 1.0, 2.0)
    return bins.integrate(nm, np.exp(np.interp(nm, BAND_NM, density)))


def sky_magnitudes(lights: Lights, sky: Sky | None = None, height_m: float = 0.0) -> FloatArray:
    """Return U, B, V, R, I of the sky at the target, mag/arcsec2, shape (5,).

    Parameters are those of `sky_radiance`.

    Raises
    ------
    InputError
        For a target below the horizon.
    """
    if not -1.0 <= lights.altitude_deg <= 90.0:
        raise InputError("altitude", lights.altitude_deg, "give a value from 0 to 90 deg")
    air = sky or Sky()
    dark = DARK_MAG if air.sky_brightness_mag is None else DARK_MAG - DARK_MAG[2] + air.sky_brightness_mag
    total = _flux(dark) + moonlight(lights, air, height_m) + sunlight(lights)
    return -2.5 * np.log10(total)


def _flux(magnitudes: npt.ArrayLike) -> FloatArray:
    return 10.0 ** (-0.4 * np.asarray(magnitudes, dtype=float))


def moonlight(lights: Lights, sky: Sky, height_m: float = 0.0) -> FloatArray:
    """Return moonlight scattered by the air, in units of magnitude 0 per arcsec2, shape (5,).

    Krisciunas & Schaefer (1991, PASP 103, 1033) for V, right to 8-23 %; the other bands have the
    colours of the daylight sky, whose light is scattered alike.
    """
    known = (lights.moon_altitude_deg, lights.moon_separation_deg, lights.moon_phase_angle_deg)
    if None in known or (lights.moon_altitude_deg or 0.0) <= 0:
        return np.zeros(5)
    extinction = float(extinction_magnitudes(545.0, height_m, sky))
    nanolamberts = moon_nanolamberts(lights, extinction)
    visual = (20.7233 - math.log(nanolamberts / 34.08)) / 0.92104
    return _flux(visual + _DAY_COLOUR)


def moon_nanolamberts(lights: Lights, extinction_mag: float) -> float:
    """Return the V surface brightness of scattered moonlight, nL (Krisciunas & Schaefer 1991, eq. 15).

    Parameters
    ----------
    lights : Lights
        With the Moon's altitude, separation and phase angle given.
    extinction_mag : float
        V extinction, mag per airmass.
    """
    phase, separation = abs(lights.moon_phase_angle_deg or 0.0), lights.moon_separation_deg or 0.0
    moon = lights.moon_sunlit_fraction * 10.0 ** (-0.4 * (3.84 + 0.026 * phase + 4e-9 * phase**4))
    scatter = 10.0**5.36 * (1.06 + math.cos(math.radians(separation)) ** 2) + 10.0 ** (6.15 - separation / 40.0)
    to_moon = _scattering_airmass(lights.moon_altitude_deg or 0.0)
    to_target = _scattering_airmass(lights.altitude_deg)
    through = 10.0 ** (-0.4 * extinction_mag * to_moon) * (1.0 - 10.0 ** (-0.4 * extinction_mag * to_target))
    return scatter * moon * through


def _scattering_airmass(altitude_deg: float) -> float:
    return (1.0 - 0.96 * math.cos(math.radians(altitude_deg)) ** 2) ** -0.5


def sunlight(lights: Lights) -> FloatArray:
    """Return twilight or daylight in units of magnitude 0 per arcsec2, shape (5,).

    With the Sun 5 to 15 deg down: Patat et al. (2006) less their dark sky, fading by a further
    magnitude a degree below 15. With the Sun above 10 deg: V 3.0 at 60 deg and more from the Sun, 2.0
    at 20 and 1.0 at 10 (from memory). Between, straight lines in magnitudes through 6.5 at sunset.
    """
    altitude = lights.sun_altitude_deg
    if altitude is None or altitude < -25.0:
        return np.zeros(5)
    if altitude <= -5.0:
        depression = min(-altitude, 15.0) - 5.0
        fit = _flux(_TWILIGHT @ np.array([1.0, depression, depression**2]))
        return np.maximum(fit - _flux(DARK_MAG), 0.0) * 10.0 ** (-0.4 * max(-altitude - 15.0, 0.0))
    separation = 60.0 if lights.sun_separation_deg is None else max(lights.sun_separation_deg, 1.0)
    day = float(np.interp(math.log(separation), np.log([1.0, 10.0, 20.0, 60.0]), [-2.3, 1.0, 2.0, 3.0]))
    knots = np.stack([_TWILIGHT[:, 0], _SUNSET_MAG + _DAY_COLOUR, day + _DAY_COLOUR])
    return _flux([np.interp(altitude, [-5.0, 0.0, 10.0], band) for band in knots.T])
