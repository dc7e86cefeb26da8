"""The air: what it takes away, bends, blurs and adds.

sky         `Sky`: the air above a site, as the user gives it
extinction  airmass and transmission
refraction  index of air, refraction, dispersion and its transfer inside each spectral bin
seeing      mean transfer of turbulence: long exposure, motion removed, best frames kept
brightness  light of the sky itself: dark site, Moon, twilight, daylight
layers      frozen-flow layers of turbulence, one instant after the other
"""

from simulate.air.brightness import Lights, sky_magnitudes, sky_radiance
from simulate.air.extinction import airmass, extinction_magnitudes, transmission
from simulate.air.refraction import (
    dispersion_arcsec,
    dispersion_transfer,
    refraction_arcsec,
    refractivity,
)
from simulate.air.seeing import (
    fried_parameter_m,
    kept_share_gain,
    kept_transfer,
    long_exposure_transfer,
    motion_removed_transfer,
    seeing_fwhm_arcsec,
    seeing_transfers,
)
from simulate.air.sky import Sky, standard_pressure_hpa

__all__ = [
    "Lights",
    "Sky",
    "airmass",
    "dispersion_arcsec",
    "dispersion_transfer",
    "extinction_magnitudes",
    "fried_parameter_m",
    "kept_share_gain",
    "kept_transfer",
    "long_exposure_transfer",
    "motion_removed_transfer",
    "refraction_arcsec",
    "refractivity",
    "seeing_fwhm_arcsec",
    "seeing_transfers",
    "sky_magnitudes",
    "sky_radiance",
    "standard_pressure_hpa",
    "transmission",
]
