"""The arithmetic of a recording: how long, how sharp, how exact, how much data.

Plain formulas on plain numbers; each says where it comes from.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from simulate.judging import FLOOR
from simulate.stack.expected import STRICT_SMEAR, USUAL_SMEAR
from simulate.values.checks import to_float
from simulate.values.constants import ARCSEC_PER_RADIAN, GREEN_NM

ALUMINIUM_PER_K = 23.6e-6
"""Thermal expansion of aluminium (alloy 6061, the usual tube), 1/K; makers' tables, from memory, +-0.5e-6."""

FAINT_PART = 0.1
"""Brightness, relative to the peak, of a faint part of the picture (a terminator, a belt's edge)."""

VISIBLE_STEP = 0.5
"""Noise, in steps of the converter, below which contour steps can show (common practice)."""


@dataclass(frozen=True)
class LongestRecording:
    """How long a recording may last before the planet's own turn smears it.

    Parameters
    ----------
    strict_s, usual_s : float
        For 0.4 and 0.8 of the delivered width, s; infinite for a body that does not turn.
    motion_arcsec_per_min : float
        Motion of the middle of the disc.
    """

    strict_s: float
    usual_s: float
    motion_arcsec_per_min: float


def longest_recording(delivered_fwhm_arcsec: float, motion_arcsec_per_s: float) -> LongestRecording:
    """Return the longest recordings that rotation allows.

    Parameters
    ----------
    delivered_fwhm_arcsec : float
        Width of the delivered response.
    motion_arcsec_per_s : float
        Motion of the middle of the disc, pi d / P.
    """
    width = to_float("delivered width", delivered_fwhm_arcsec, "arcsec", 0.0, open_low=True)
    motion = abs(to_float("motion", motion_arcsec_per_s, ""))
    if motion == 0:
        return LongestRecording(math.inf, math.inf, 0.0)
    return LongestRecording(STRICT_SMEAR * width / motion, USUAL_SMEAR * width / motion, 60.0 * motion)


def critical_focal_ratio(pixel_um: float, wavelength_nm: float = GREEN_NM) -> float:
    """Return the focal ratio at which pixels sample all that the optics pass: 2 p / lambda.

    The optics' finest period is lambda N on the sensor, and two pixels are needed for it (Shannon 1949).
    """
    pixel = to_float("pixel", pixel_um, "um", 0.0, open_low=True)
    return 2.0 * pixel / (to_float("wavelength", wavelength_nm, "nm", 0.0, open_low=True) * 1e-3)


def critical_amplifier(pixel_um: float, native_focal_ratio: float, wavelength_nm: float = GREEN_NM) -> float:
    """Return the amplifier (or, below 1, reducer) that brings a telescope to its critical focal ratio."""
    native = to_float("focal ratio", native_focal_ratio, "", 0.0, open_low=True)
    return critical_focal_ratio(pixel_um, wavelength_nm) / native


def focus_tolerance_um(focal_ratio: float, wavelength_nm: float = GREEN_NM) -> float:
    """Return how far the sensor may lie from the focus, um to either side: 2 lambda N^2.

    A quarter wave at the rim (Born & Wolf, Principles of Optics, section 8.8).
    """
    ratio = to_float("focal ratio", focal_ratio, "", 0.0, open_low=True)
    return 2.0 * wavelength_nm * 1e-3 * ratio**2


def focus_drift_um_per_k(tube_mm: float, amplifier: float = 1.0, expansion_per_k: float = ALUMINIUM_PER_K) -> float:
    """Return how far the focus moves for each kelvin, um, in a straight tube.

    The tube's change of length, seen through an amplifier, grows with the square of its factor (the
    longitudinal magnification). Mirror and lens are taken not to change.

    Parameters
    ----------
    tube_mm : float
        Distance from objective to native focus along the tube, mm.
    amplifier : float
        Factor on the focal length.
    expansion_per_k : float
        Of the tube, 1/K.
    """
    tube = to_float("tube", tube_mm, "mm", 0.0)
    return tube * 1e3 * expansion_per_k * amplifier**2


def ripple_steps(noise_steps: float) -> float:
    """Return the greatest error of the mean of many rounded readings, in steps of the converter.

    (1/pi) exp(-2 pi^2 s^2) for a Gaussian noise of s steps: the first harmonic of the staircase
    (Widrow & Kollar 2008, Quantization Noise, chapter 5). Where it is large, contour lines show.
    """
    noise = to_float("noise", noise_steps, "", 0.0)
    return math.exp(-2.0 * math.pi**2 * noise**2) / math.pi


def bit_depth(electrons: float, read_noise_e: float, gain_e_per_dn: float, bits: int) -> tuple[int, float]:
    """Return whether 8 bits are enough (8 or 16), and the noise in steps of an 8-bit file.

    An 8-bit file keeps the highest 8 of the converter's bits.

    Parameters
    ----------
    electrons : float
        In a faint part of the picture where no steps should show.
    read_noise_e, gain_e_per_dn : float
        Of the camera.
    bits : int
        Of its converter.
    """
    noise = math.sqrt(max(0.0, electrons) + read_noise_e**2)
    steps = noise / (gain_e_per_dn * 2.0 ** (bits - 8))
    return (8 if steps >= VISIBLE_STEP else 16), steps


def gigabytes(rows: int, columns: int, frames: int, file_bits: int) -> float:
    """Return the size of a recording, GB (10^9 bytes); more than 8 bits take two bytes a pixel."""
    return rows * columns * frames * (1 if file_bits <= 8 else 2) / 1e9


def region_of_interest(width_arcsec: float, pixel_arcsec: float, rows: int, columns: int) -> tuple[int, int]:
    """Return a window (columns, rows) with room for the body and half its width of wander.

    Whole multiples of 16 pixels, which cameras like (common practice), at least 64, at most the sensor.
    """
    needed = (
        1.5
        * to_float("width", width_arcsec, "arcsec", 0.0)
        / to_float("pixel", pixel_arcsec, "arcsec", 0.0, open_low=True)
    )
    side = max(64, 16 * math.ceil(needed / 16.0))
    return min(side, columns), min(side, rows)


def enough_frames(frame_snr: float, floor: float = FLOOR) -> int:
    """Return after how many kept frames more data no longer help: noise has sunk to the fixed errors.

    Noise falls as 1/sqrt(n); at ``n = 1 / (snr floor)^2`` it equals `floor`.

    Parameters
    ----------
    frame_snr : float
        Signal to noise of a pixel in one frame.
    floor : float
        Errors that never average out, relative to the signal.
    """
    snr = to_float("signal to noise", frame_snr, "", 0.0, open_low=True)
    return max(1, math.ceil(1.0 / (snr * floor) ** 2))


STATION_M = 90.0
"""Apparent length of the large space station, m: 109 m of panels seen somewhat aslant (from memory)."""

STATION_KM_S = 7.35
"""Its speed across the line of sight, km/s: 7.66 in its orbit less the turn of the ground (from memory)."""


@dataclass(frozen=True)
class Crossing:
    """A space station before a disc.

    Parameters
    ----------
    size_arcsec, size_px : float
        Its length.
    rate_arcmin_per_s : float
        Its motion.
    seconds : float
        From limb to limb through the middle.
    sharp_exposure_s : float
        In which it moves by one pixel.
    """

    size_arcsec: float
    size_px: float
    rate_arcmin_per_s: float
    seconds: float
    sharp_exposure_s: float


def station_crossing(range_km: float, disc_arcsec: float, pixel_arcsec: float) -> Crossing:
    """Return how a space station crosses a disc.

    Parameters
    ----------
    range_km : float
        Distance of the station from the observer.
    disc_arcsec : float
        Diameter of the disc.
    pixel_arcsec : float
        Side of a pixel.
    """
    distance = to_float("range", range_km, "km", 100.0, 10000.0)
    pixel = to_float("pixel", pixel_arcsec, "arcsec", 0.0, open_low=True)
    size = STATION_M / 1000.0 / distance * ARCSEC_PER_RADIAN
    rate = STATION_KM_S / distance * ARCSEC_PER_RADIAN
    return Crossing(size, size / pixel, rate / 60.0, disc_arcsec / rate, pixel / rate)
