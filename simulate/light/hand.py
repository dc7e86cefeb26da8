"""One setup in one hand: what practice makes of telescope, air, camera and of the way frames are laid together.

Each number acts in its own room; here they only meet, in the order of the light, before anything is computed. The
focus needs all rooms at once: how far it is missed depends on what else blurs the picture that the eye judges.
"""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from simulate.air import Sky, fried_parameter_m, kept_transfer
from simulate.instruments import Instrument
from simulate.light.chain import Aim, channel_shares
from simulate.stack import Exposure, Recording
from simulate.stack.interpolated import kernel_transfer, lattice_of
from simulate.telescope.hand import used_by_hand
from simulate.values.constants import GREEN_NM
from simulate.values.practice import Practice

FloatArray = npt.NDArray[np.float64]


@lru_cache(maxsize=128)
def in_hand(instrument: Instrument, sky: Sky, aim: Aim, practice: Practice) -> tuple[Instrument, Sky]:
    """Return a setup and the air as a hand has them: focus, collimation, bits, compression, air of the tube.

    Parameters
    ----------
    instrument : Instrument
        As it was built.
    sky : Sky
        The air without that of the tube.
    aim : Aim
        The way through it.
    practice : Practice
        The hand.
    """
    tube = (sky.tube_air_arcsec ** (5 / 3) + practice.tube_air_arcsec ** (5 / 3)) ** 0.6
    air = replace(sky, tube_air_arcsec=tube)

    def blur(frequency: FloatArray) -> FloatArray:
        """Air, pixel and colours filled in, in the green, as the live view shows them."""
        pixel, aperture_m = instrument.pixel_arcsec, instrument.telescope.aperture_mm * 1e-3
        lattice = lattice_of(max(channel_shares(instrument)))
        seen = np.sinc(frequency * pixel)
        if lattice != "every pixel":
            seen = seen * kernel_transfer(lattice, frequency * pixel, np.zeros(1), linear=False)[:, 0]
        if air.is_still:
            return seen
        r0 = float(fried_parameter_m(air, GREEN_NM, aim.airmass))
        return seen * kept_transfer(frequency, GREEN_NM, r0, aperture_m, air.outer_scale_m)

    telescope = used_by_hand(instrument.telescope, practice, blur)
    camera = instrument.camera.recorded_with(practice.bits, practice.compression)
    return replace(instrument, telescope=telescope, camera=camera), air


def gain_in_hand(instrument: Instrument, gain_e_per_dn: float | None, practice: Practice) -> float | None:
    """Return a gain that was stated for the camera's own numbers for those of the recording, e-/DN."""
    if gain_e_per_dn is None or practice.bits is None:
        return gain_e_per_dn
    return gain_e_per_dn * 2 ** max(0, instrument.camera.bits - practice.bits)


def on_own_pixels(instrument: Instrument, practice: Practice) -> tuple[bool, bool]:
    """Return whether colours are filled in, and whether frames are moved along straight lines, on the camera's pixels.

    Where colours are laid from their own pixels, the laying moves the frames.
    """
    coloured = min(channel_shares(instrument)) < 1.0
    filled = practice.colour == "interpolated" and coloured
    return filled, practice.registration == "linear" and (filled or not coloured)


def laid_by_hand(
    instrument: Instrument, exposure: Exposure, practice: Practice, *, pixel_arcsec: float, factor: float, drop: float
) -> Recording:
    """Return how a hand lays frames on each other.

    Parameters
    ----------
    instrument : Instrument
        Tells the shares of the colours.
    exposure : Exposure
        How it is recorded.
    practice : Practice
        The hand.
    pixel_arcsec, factor, drop : float
        Pixel on the sky; cells a pixel and drop, pixels, where frames are resampled (`finer_sampling`).
    """
    filled, linear = on_own_pixels(instrument, practice)
    own_pixels = filled or linear
    return Recording(
        exposure_s=exposure.exposure_s,
        frames=exposure.frames,
        kept=exposure.kept,
        pixel_arcsec=pixel_arcsec,
        channel_shares=channel_shares(instrument),
        factor=1.0 if own_pixels else factor,
        drop_pixels=0.0 if own_pixels else drop,
        filled_in=filled,
        linear=linear,
        registration_error_px=practice.registration_error_px,
    )
