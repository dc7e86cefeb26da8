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
