"""What an aperture passes."""

from __future__ import annotations

from simulate.values.constants import ARCSEC_PER_RADIAN, GREEN_NM


def finest_arcsec(aperture_mm: float) -> float:
    """Return the finest period that an aperture passes at 550 nm, lambda / D, arcsec."""
    return GREEN_NM * 1e-6 / aperture_mm * ARCSEC_PER_RADIAN
