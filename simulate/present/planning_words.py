"""Clauses that seasons and plans share."""

from __future__ import annotations


def ring_face_text(opening_deg: float | None, opening_sun_deg: float | None) -> str | None:
    """Return how far rings are open and which of their faces is seen; None for a body without.

    Parameters
    ----------
    opening_deg, opening_sun_deg : float or None
        Latitude of the observer and of the Sun above the plane of the rings, deg, north positive.
    """
    if opening_deg is None or opening_sun_deg is None:
        return None
    side = "northern" if opening_deg > 0 else "southern"
    lit = ring_face(opening_deg, opening_sun_deg)
    return f"rings open {opening_deg:+.1f} deg, their {side} face, {lit}"


def ring_face(opening_deg: float, opening_sun_deg: float) -> str:
    """Return whether the face of the rings that is seen is "lit" or "unlit"."""
    return "lit" if opening_deg * opening_sun_deg > 0 else "unlit"
