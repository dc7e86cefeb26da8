"""What the hand does to the optics: focus missed by a little, mirrors not quite in line."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from simulate.telescope.settings import ABERRATION_WAVELENGTH_NM, Telescope
from simulate.values.practice import Practice

FloatArray = npt.NDArray[np.float64]

Blur = Callable[[FloatArray], FloatArray]
"""Transfer of all that blurs besides the telescope, for frequencies in cycles per arcsec."""

_NODES, _ACROSS = 64, 96

_STEP_DEPTHS = 0.25
"""Steps, in depths of focus, in which the first departure is sought whose width has grown enough."""

_MOST_DEPTHS = 400.0


def used_by_hand(telescope: Telescope, practice: Practice, blur: Blur) -> Telescope:
    """Return a telescope as a hand sets it: out of focus by `focus_departure_um`, mirrors out of line by coma.

    Parameters
    ----------
    telescope : Telescope
        As it was built. What its owner states of focus and coma stays; the hand's errors are added.
    practice : Practice
        The hand.
    blur : callable
        See `focus_departure_um`.

    Notes
    -----
    A lens that brings blue and red to focus behind green is blurred most in them by a sensor that stands too near:
    that side is taken, for an eye that judges by the whole light does not know it.
    """
    away = focus_departure_um(telescope, practice.focus_growth, practice.focus_depths, blur)
    # on the side of what is stated already, else on the worse one
    side = math.copysign(1.0, telescope.defocus_um or -sum(telescope.colour_error_um) or 1.0)
    coma = practice.collimation_waves if telescope.has_mirrors else 0.0
    named = dict(telescope.aberrations)
    if coma:
        stated = named.get("coma", 0.0)
        # errors of different origin add as their squares
        named["coma"] = math.copysign(math.hypot(stated, coma), stated if stated else 1.0)
    return replace(telescope, defocus_um=telescope.defocus_um + side * away, aberrations=tuple(named.items()))


def focus_departure_um(telescope: Telescope, growth: float, least_depths: float, blur: Blur) -> float:
    """Return how far from focus the sensor may stand before the picture's width has grown by a share, um.

    Parameters
    ----------
    telescope : Telescope
        Aperture, obstruction and focal ratio; its other faults hardly change the width of the core and are left out.
    growth : float
        Share by which the width grows, that of the even disc with the light and the peak of the response.
    least_depths : float
        Never less than so many depths of focus.
    blur : callable
        Transfer of air, pixel and colour array for frequencies in cycles per arcsec, shape kept.

    Returns
    -------
    float
        At the sensor, um; zero or positive.
    """
    depth = telescope.depth_of_focus_um
    if growth <= 0:
        return least_depths * depth
    frequency, response = _perfect_response(telescope, blur)
    sharp = _width(frequency, response(0.0))
    low, high = 0.0, _STEP_DEPTHS
    while high < _MOST_DEPTHS and _width(frequency, response(high)) < (1.0 + growth) * sharp:
        # coarse pixels bear many depths: the steps widen with the way
        low, high = high, high + max(_STEP_DEPTHS, 0.1 * high)
    for _ in range(12):
        middle = (low + high) / 2
        low, high = (low, middle) if _width(frequency, response(middle)) >= (1.0 + growth) * sharp else (middle, high)
    return max(high, least_depths) * depth


def _perfect_response(telescope: Telescope, blur: Blur) -> tuple[FloatArray, Callable[[float], FloatArray]]:
    """Return frequencies, cycles/arcsec, and the whole transfer there for a departure in depths of focus."""
    nm = ABERRATION_WAVELENGTH_NM
    cutoff = telescope.cutoff_cycles_per_arcsec(nm)
    share = (np.arange(_NODES) + 0.5) / _NODES
    place, overlap = _overlap(share, telescope.obstruction_ratio)
    frequency = share * cutoff
    others = np.asarray(blur(frequency), float)

    def response(depths: float) -> FloatArray:
        # a quarter wave at the rim for each depth: phase W r^2, its difference over the shift 4 W s x (radius 1)
        waves = 0.25 * depths
        phase = 2.0 * math.pi * waves * 4.0 * share[:, None] * place
        return np.sum(overlap * np.cos(phase), axis=1) * others

    return frequency, response


def _overlap(share: FloatArray, obstruction: float) -> tuple[FloatArray, FloatArray]:
    """Places along the shift, and lengths of the overlap of two shifted ring pupils there; sum 1 without shift.

    Parameters
    ----------
    share : array, shape (nodes,)
        Shift over the diameter.
    obstruction : float
        Inner over outer diameter.

    Returns
    -------
    place, length : arrays, shape (nodes, points)
        The outer radius is 1.
    """
    reach = (1.0 - share)[:, None]
    place = reach * ((np.arange(_ACROSS) + 0.5) / _ACROSS * 2.0 - 1.0)
    sides = (place + share[:, None], place - share[:, None])
    outer = np.min([np.sqrt(np.maximum(1.0 - x**2, 0.0)) for x in sides], axis=0)
    inner = np.max([np.sqrt(np.maximum(obstruction**2 - x**2, 0.0)) for x in sides], axis=0)
    length = np.maximum(outer - inner, 0.0) * (2.0 * 2.0 * reach / _ACROSS)
    return place, length / (math.pi * (1.0 - obstruction**2))


def _width(frequency: FloatArray, transfer: FloatArray) -> float:
    """Width of a round response: of the even disc that holds its light at the height of its peak, arbitrary unit.

    Half the way down its flank a diffraction pattern hardly widens until it breaks up; what the eye sees of a
    departure is that light leaves the core, and this width counts it.
    """
    return float(np.sum(transfer * frequency)) ** -0.5
