"""What changes over weeks in how a planet looks: the phase that is seen, and how bright Saturn's rings are."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from scipy.interpolate import RegularGridInterpolator

from simulate.bodies import Body
from simulate.bodies.photometry import visual_magnitude
from simulate.bodies.scattering import minnaert_k
from simulate.errors import kept_warnings
from simulate.geometry.vectors import FloatArray
from simulate.values.constants import FWHM_PER_SIGMA, GREEN_NM

EDGE_LEVEL = 0.08
"""Share of the greatest brightness at which a terminator is taken to lie: chosen so that Venus looks half 4 to 6 days
off, as published, where 1 to 2 arcsec are resolved."""

LEAST_OPENING_DEG = 5.0

_CELLS = 192
_ACROSS = 96
"""Cells of the drawing, and how many the disc takes."""

_PHASES_DEG = np.linspace(0.0, 177.5, 72)
_BLURS = 7


def apparent_lit_part(body: Body, phase_angle_deg: FloatArray, blur: FloatArray) -> FloatArray:
    """Return the lit part of a disc as it looks: limb-darkened terminator, blurred, read at `EDGE_LEVEL`.

    Towards the terminator the light fades to nothing, so that the edge that is seen lies inside the true one: Venus
    looks half before it is in the evening, after it in the morning (Schroeter's effect). The disc is drawn by
    Minnaert's law (1941) in the green, blurred by a Gaussian, and cut along the equator of light, whose edges are read
    at `EDGE_LEVEL`; what the blur adds at the limb is taken off. A strong blur carries light beyond the terminator and
    works the other way.

    Parameters
    ----------
    body : Body
        With a Minnaert exponent.
    phase_angle_deg : array, shape (dates,)
        Sun, body, observer.
    blur : array, shape (dates,)
        Width at half maximum of the response, diameters of the disc.
    """
    exponent = float(minnaert_k(body, [GREEN_NM])[0])
    blurs = np.geomspace(max(1e-3, float(np.min(blur))), max(1.01e-3, 1.001 * float(np.max(blur))), _BLURS)
    table = np.array([_seen_parts(exponent, phase, blurs) for phase in _PHASES_DEG])
    look_up = RegularGridInterpolator((_PHASES_DEG, np.log(blurs)), table)
    places = np.stack([np.clip(phase_angle_deg, 0.0, _PHASES_DEG[-1]), np.log(np.clip(blur, blurs[0], blurs[-1]))], -1)
    return look_up(places)


def _seen_parts(exponent: float, phase_deg: float, blurs: FloatArray) -> FloatArray:
    """Return the part that looks lit at one phase and each blur, shape (blurs,)."""
    x = (np.arange(_CELLS) - (_CELLS - 1) / 2) * 2.0 / _ACROSS  # radii; the Sun is on the side of positive x
    room = (_CELLS - _ACROSS) // 2
    disc = x[room:-room]
    far2 = disc[None, :] ** 2 + disc[:, None] ** 2
    mu = np.sqrt(np.clip(1.0 - far2, 0.0, None))
    phase = np.radians(phase_deg)
    sun = np.clip(disc[None, :] * np.sin(phase) + mu * np.cos(phase), 0.0, None)
    light = np.where(far2 < 1.0, sun**exponent * np.maximum(mu, 0.5 / _ACROSS) ** (exponent - 1.0), 0.0)
    away, waves = np.arange(_ACROSS) - (_ACROSS - 1) / 2, np.fft.rfftfreq(_CELLS)
    parts = []
    for blur in blurs:
        # a Gaussian parts into one across the cut and one along it
        sigma = blur * _ACROSS / FWHM_PER_SIGMA
        across = np.exp(-0.5 * (away / max(sigma, 0.25)) ** 2)
        along = np.exp(-2.0 * (np.pi * sigma * waves) ** 2)
        line = np.pad(across @ light, room)
        cut = np.fft.irfft(np.fft.rfft(line) * along, n=_CELLS)
        above = np.flatnonzero(cut >= EDGE_LEVEL * cut.max())
        left, right = _edge(x, cut, int(above[0]), -1), _edge(x, cut, int(above[-1]), 1)
        parts.append(np.clip((right - left) / (2.0 + 2.0 * max(right - 1.0, 0.0)), 0.0, 1.0))
    return np.array(parts)


def _edge(x: FloatArray, cut: FloatArray, inside: int, side: int) -> float:
    """Return where a cut passes the level, between the last cell inside and its neighbour."""
    outside = inside + side
    if not 0 <= outside < len(cut):
        return float(x[inside])
    level = EDGE_LEVEL * cut.max()
    share = (cut[inside] - level) / max(cut[inside] - cut[outside], 1e-30)
    return float(x[inside] + share * (x[outside] - x[inside]))


def ring_globe_ratio(body: Body, columns: Mapping[str, FloatArray]) -> FloatArray:
    """Return how bright Saturn's rings are in V relative to its globe, shape (dates,); not a number where unknown.

    The magnitude with rings against that of the globe alone (Mallama & Hilton 2018, equations 10 and 11). The rings'
    flare about opposition is the former's term in exp(-2.25 phase angle). Where the rings are lit from behind or open
    by less than `LEAST_OPENING_DEG` (the geometric mean of Earth and Sun) the two formulas, fitted apart and 0.04 mag
    off each other for closed rings, tell nothing.

    Parameters
    ----------
    body : Body
        With rings.
    columns : mapping of str to array, shape (dates,)
        "magnitude", "phase_angle_deg", "distance_au", "sun_distance_au", "ring_opening_deg", "ring_opening_sun_deg".
    """
    with kept_warnings():  # told where the whole magnitude was computed
        globe = np.array(
            [
                visual_magnitude(body, float(phase), float(distance), float(sun))
                for phase, distance, sun in zip(
                    columns["phase_angle_deg"], columns["distance_au"], columns["sun_distance_au"], strict=True
                )
            ]
        )
    product = columns["ring_opening_deg"] * columns["ring_opening_sun_deg"]
    open_enough = np.sqrt(np.maximum(product, 0.0)) >= LEAST_OPENING_DEG
    ratio = 10.0 ** (0.4 * (globe - columns["magnitude"])) - 1.0
    return np.where(open_enough, np.maximum(ratio, 0.0), np.nan)
