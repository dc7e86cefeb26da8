"""Unit factors and physical constants, each with its source."""

from __future__ import annotations

import math

ARCSEC_PER_RADIAN = 180.0 * 3600.0 / math.pi
"""Exact by definition."""

ASTRONOMICAL_UNIT_KM = 149_597_870.7
"""IAU 2012 Resolution B2, exact."""

LIGHT_SPEED_KM_S = 299_792.458
"""SI, exact."""

LIGHT_TIME_PER_AU_S = ASTRONOMICAL_UNIT_KM / LIGHT_SPEED_KM_S
"""Seconds that light takes for one astronomical unit."""

PLANCK_J_S = 6.626_070_15e-34
"""SI 2019, exact."""

LIGHT_SPEED_M_S = 299_792_458.0
"""SI, exact."""

SUN_RADIUS_KM = 695_700.0
"""IAU 2015 Resolution B3, nominal."""

SUN_V_MAGNITUDE = -26.76
"""Johnson V of the Sun at 1 au, Vega system (Willmer 2018, ApJS 236, 47), +-0.02."""

REFERENCE_WAVELENGTH_NM = 500.0
"""Wavelength at which seeing is quoted, by convention of the trade."""

GREEN_NM = 550.0
"""Wavelength at which optics are quoted and sharpness and sampling are told, by convention of the trade."""

FWHM_PER_SIGMA = 2.0 * math.sqrt(2.0 * math.log(2.0))
"""Full width at half maximum of a Gaussian over its standard deviation, exact."""

DISC_WIDTH = FWHM_PER_SIGMA / 4.0
"""Full width of the Gaussian with the variance of an even disc (diameter^2 / 16 in each axis), over its diameter."""

DIFFRACTION_WIDTH = 1.029
"""Full width at half maximum of an unobstructed aperture's diffraction pattern, lambda / D: (2 J1(x) / x)^2 = 1/2
at x = 1.6163."""
