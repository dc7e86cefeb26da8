"""What the numbers of an instrument imply, as plain optics tells it.

Wherever a wavelength is needed it is 550 nm, the middle of the visible.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from simulate.camera.colour import channel_names
from simulate.instruments.reader import Instrument
from simulate.values.constants import ARCSEC_PER_RADIAN

WAVELENGTH_NM = 550.0
"""Wavelength of all facts."""


@dataclass(frozen=True)
class Fact:
    """One thing that an instrument's numbers imply.

    Parameters
    ----------
    key : str
        Name in JSON, with the unit.
    value : float, bool, str or list
        The plain value.
    shown : str
        The value as a person reads it.
    meaning : str
        What it means, as a clause.
    """

    key: str
    value: Any
    shown: str
    meaning: str


def describe(instrument: Instrument) -> tuple[Fact, ...]:
    """Return what each number of an instrument implies.

    Parameters
    ----------
    instrument : Instrument
        As `load_instrument` gives it.

    Returns
    -------
    tuple of Fact
        Optics first, then sampling, then sensor and mount.
    """
    return (*_optics(instrument), *_sampling(instrument), *_sensor(instrument), *_mount(instrument))


def _optics(instrument: Instrument) -> tuple[Fact, ...]:
    scope = instrument.telescope
    focal, ratio = scope.effective_focal_length_mm, scope.focal_ratio
    area, passed = scope.collecting_area_m2 * 1e4, f"open area, {scope.transmission:.0%} of its light is passed"
    fwhm, ring = diffraction_fwhm_arcsec(instrument), first_dark_ring_arcsec(instrument)
    depth = focus_tolerance_um(instrument)
    star = f"of a star, perfect optics, {WAVELENGTH_NM:.0f} nm"
    airy = f"radius in the Airy pattern, {WAVELENGTH_NM:.0f} nm"
    return (
        Fact("aperture_mm", scope.aperture_mm, f"{scope.aperture_mm:g} mm", _obstruction(scope.obstruction_ratio)),
        Fact("focal_length_mm", focal, f"{focal:.0f} mm", _amplifier(instrument)),
        Fact("focal_ratio", ratio, f"f/{ratio:.1f}", "light on a pixel falls as its square"),
        Fact("collecting_area_cm2", area, f"{area:.0f} cm2", passed),
        Fact("diffraction_fwhm_arcsec", fwhm, f"{fwhm:.2f} arcsec", star),
        Fact("first_dark_ring_arcsec", ring, f"{ring:.2f} arcsec", airy),
        Fact("focus_tolerance_um", depth, f"+-{depth:.0f} um", "a quarter wave: 2 lambda N^2"),
    )


def _sampling(instrument: Instrument) -> tuple[Fact, ...]:
    scale, camera = instrument.pixel_arcsec, instrument.camera
    wide, high = scale * camera.columns / 60, scale * camera.rows / 60
    ratio, critical = sampling_ratio(instrument), critical_focal_ratio(instrument)
    planet = f"40 arcsec of a planet are {40 / scale:.0f} pixels"
    pixels = f"{camera.columns} x {camera.rows} pixels of {camera.pixel_um:g} um"
    return (
        Fact("pixel_scale_arcsec", scale, f"{scale:.3f} arcsec", planet),
        Fact("field_arcmin", [wide, high], f"{wide:.1f} x {high:.1f} arcmin", pixels),
        Fact("sampling_ratio", ratio, f"{ratio:.2f}", f"pixels per lambda/(2 D): {_sampling_clause(ratio)}"),
        Fact("critical_focal_ratio", critical, f"f/{critical:.1f}", _critical(instrument, critical)),
    )


def _sensor(instrument: Instrument) -> tuple[Fact, ...]:
    camera = instrument.camera
    channels, full, noise = list(channel_names(camera)), camera.saturation_e(), camera.read_noise_e
    span = full / max(noise, camera.gain_e_per_dn / math.sqrt(12))
    clips = f"at {camera.gain_e_per_dn:g} e-/DN and {camera.bits} bits"
    equal = f"as the photon noise of {noise**2:.1f} e-"
    return (
        Fact("channels", channels, ", ".join(channels), _colours(instrument)),
        Fact("saturation_e", full, f"{full:.0f} e-", clips),
        Fact("read_noise_e", noise, f"{noise:g} e-", equal),
        Fact("dynamic_range", span, f"{span:.0f} : 1", "saturation over noise in the dark"),
    )


def _mount(instrument: Instrument) -> tuple[Fact, ...]:
    mount = instrument.mount
    wander = mount.tracking_error_arcsec
    turning = "the field turns during the night" if mount.kind == "altazimuth" else "the field keeps its direction"
    face = "an odd number of mirrors" if mount.mirrored else "an even number of mirrors, or none"
    share = f"rms wander by tracking, {wander / instrument.pixel_arcsec:.1f} pixels"
    return (
        Fact("mount", mount.kind, mount.kind, turning),
        Fact("mirrored", mount.mirrored, "yes" if mount.mirrored else "no", face),
        Fact("tracking_error_arcsec", wander, f"{wander:g} arcsec", share),
    )


def diffraction_fwhm_arcsec(instrument: Instrument) -> float:
    """Return the full width at half maximum of the (obstructed) Airy pattern at 550 nm, arcsec."""
    return _airy(round(instrument.telescope.obstruction_ratio, 6))[0] * _lambda_over_d(instrument)


def first_dark_ring_arcsec(instrument: Instrument) -> float:
    """Return the radius of the first dark ring of the (obstructed) Airy pattern at 550 nm, arcsec."""
    return _airy(round(instrument.telescope.obstruction_ratio, 6))[1] * _lambda_over_d(instrument)


def sampling_ratio(instrument: Instrument) -> float:
    """Return the pixels per lambda/(2 D) at 550 nm: 1 is critical (Nyquist), above 1 undersampled."""
    return instrument.pixel_arcsec / (_lambda_over_d(instrument) / 2)


def critical_focal_ratio(instrument: Instrument) -> float:
    """Return the focal ratio at which the pixel samples critically: 2 p / lambda, 3.64 p[um] at 550 nm."""
    return 2 * instrument.camera.pixel_um * 1e3 / WAVELENGTH_NM


def focus_tolerance_um(instrument: Instrument) -> float:
    """Return how far the sensor may lie from the focus, um: 2 lambda N^2, a quarter wave at the rim.

    Born & Wolf, "Principles of Optics", section 8.8.
    """
    return 2 * WAVELENGTH_NM * 1e-3 * instrument.telescope.focal_ratio**2


def sampling_word(ratio: float) -> str:
    """Return "undersampled", "near critical" or "oversampled" for a sampling ratio; the bounds are common practice."""
    if ratio > 1.25:
        return "undersampled"
    return "near critical" if ratio >= 0.8 else "oversampled"


def _sampling_clause(ratio: float) -> str:
    consequence = {
        "undersampled": "the optics show more than the pixels take",
        "near critical": "all detail is taken",
        "oversampled": "all detail is taken, with less light on each pixel",
    }
    return f"{sampling_word(ratio)}, {consequence[sampling_word(ratio)]}"


@lru_cache(maxsize=128)
def _airy(obstruction: float) -> tuple[float, float]:
    """Width at half maximum and first zero in lambda/D of an annulus' diffraction (Born & Wolf 8.6)."""
    from scipy.optimize import brentq
    from scipy.special import j1

    def amplitude(x: float) -> float:
        inner = obstruction * j1(math.pi * obstruction * x) if obstruction else 0.0
        return float(2 * (j1(math.pi * x) - inner) / (math.pi * x * (1 - obstruction**2)))

    half: Any = brentq(lambda x: amplitude(x) - math.sqrt(0.5), 0.05, 0.6)
    # the first zero moves from 1.22 for an open aperture to 0.765 for a thin ring
    zero: Any = brentq(amplitude, 0.7, 1.2299)
    return float(2 * half), float(zero)


def _lambda_over_d(instrument: Instrument) -> float:
    return WAVELENGTH_NM * 1e-6 / instrument.telescope.aperture_mm * ARCSEC_PER_RADIAN


def _obstruction(ratio: float) -> str:
    if ratio == 0:
        return "a clear aperture"
    return f"obstruction: {ratio:.0%} of it, {ratio**2:.0%} of the area"


def _amplifier(instrument: Instrument) -> str:
    scope = instrument.telescope
    if scope.amplifier == 1:
        return "native focal length, no amplifier"
    return f"{scope.focal_length_mm:g} mm times {scope.amplifier:g}"


def _critical(instrument: Instrument, critical: float) -> str:
    scope = instrument.telescope
    factor = critical * scope.aperture_mm / scope.focal_length_mm
    return f"where that is 1: an amplifier of {factor:.2f}"


def _colours(instrument: Instrument) -> str:
    camera = instrument.camera
    if not camera.is_mono:
        return f"a pixel sees one of them ({camera.filter_array})"
    if not camera.filters:
        return "every pixel sees the whole window"
    return "one exposure after the other"
