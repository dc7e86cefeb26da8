"""What is said of an exposure that reaches full scale."""

from __future__ import annotations

from simulate.stack import Exposure


def overexposed_text(exposure: Exposure) -> str:
    """Return "12 % of the disc at full scale", or what is there to say where it is less than half a per cent."""
    share = 100 * exposure.overexposed_share
    return f"{share:.0f} % of the disc at full scale" if share >= 0.5 else "its brightest part is at full scale"
