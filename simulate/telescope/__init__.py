"""The telescope: from its dimensions to the transfer of its optics.

settings     `Telescope`: dimensions and faults, as the owner knows them
pupil        `make_pupil`: amplitude and path difference over the entrance pupil
store        a cache on disk for what is slow to build
diffraction  transfer functions and point responses by Fourier optics
measures     Strehl ratio, encircled energy, width, of any response
"""

from simulate.telescope.diffraction import point_response, transfer, transfers
from simulate.telescope.measures import (
    fwhm_arcsec,
    radial_transfer,
    strehl,
    transfer_encircled_energy,
    transfer_fwhm_arcsec,
)
from simulate.telescope.pupil import Pupil, make_pupil
from simulate.telescope.settings import ABERRATION_WAVELENGTH_NM, ABERRATIONS, Telescope

__all__ = [
    "ABERRATIONS",
    "ABERRATION_WAVELENGTH_NM",
    "Pupil",
    "Telescope",
    "fwhm_arcsec",
    "make_pupil",
    "point_response",
    "radial_transfer",
    "strehl",
    "transfer",
    "transfer_encircled_energy",
    "transfer_fwhm_arcsec",
    "transfers",
]
