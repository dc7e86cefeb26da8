"""`Limits`: what can be seen of one body with which telescope; every presentation reads it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from simulate.judging import Judgement, Thresholds, Word
from simulate.values.practice import Level, Practice

if TYPE_CHECKING:
    from simulate.bodies import Body
    from simulate.geometry import Apparition
    from simulate.instruments import Instrument

Band = tuple[float | None, float | None]
"""Lowest and highest, None beyond what was tried."""


@dataclass(frozen=True)
class SmallestAperture:
    """From which aperture on a feature can be seen.

    Parameters
    ----------
    feature : str
        Its name.
    doubtful_mm, clear_mm : float or None
        Aperture from which on it is at least doubtful, and clear; None beyond the family.
    doubtful_range_mm, clear_range_mm : (float or None, float or None)
        Where these come to lie for seeing 0.3 arcsec better and worse and for thresholds lower and
        higher by their own uncertainty; None beyond the family.
    levels : mapping
        For each level of practice, doubtful_mm and clear_mm; empty where they were not asked for.
    """

    feature: str
    doubtful_mm: float | None
    clear_mm: float | None
    doubtful_range_mm: tuple[float | None, float | None]
    clear_range_mm: tuple[float | None, float | None]
    levels: Mapping[Level, tuple[float | None, float | None]] = field(default_factory=dict)


@dataclass(frozen=True)
class BudgetStep:
    """What is left of a feature's contrast once a step and all before it are switched on."""

    step: str
    contrast: float
    snr: float


@dataclass(frozen=True)
class Improvement:
    """How much nearer to "clear" one change brings a feature: the factor on its margin."""

    change: str
    feature: str
    gain: float
    before: Word
    after: Word


@dataclass(frozen=True, eq=False)
class Limits:
    """Everything that `limits` found for one body.

    Parameters
    ----------
    subject : Body
        What is looked at.
    apparition : Apparition
        How it stands, satellites aside.
    instruments : tuple of Instrument
        The user's; the first gives the camera of the families.
    apertures_mm : tuple of float
        The family.
    ladder : tuple of tuple of Judgement
        For each aperture, critically sampled, every feature.
    smallest, smallest_own : tuple of SmallestAperture
        Along the critically sampled family, and with the user's focal ratio and the best amplifier.
    compared : tuple of tuple of Judgement
        For each instrument, every feature.
    budget_feature : str
        Feature of the budget; "" where there is none.
    budget : tuple of BudgetStep
        Of the first instrument.
    improvements : tuple of Improvement
        For the first instrument, largest gain first.
    pictures : mapping of tuples of array, (rows, columns, 3)
        For the levels that are drawn, the body through the apertures, linear sRGB, all of the same width.
    width_arcsec : float
        Width of the pictures.
    body_arcsec : float
        Width of the body with its rings.
    thresholds, practice : Thresholds, Practice
        What the verdicts rest on.
    sky : Sky
        The air.
    levels : mapping
        For every level of practice a ladder like `ladder`.
    warnings : tuple of str
        Reservations.
    """

    subject: Body
    apparition: Apparition
    instruments: tuple[Instrument, ...]
    apertures_mm: tuple[float, ...]
    ladder: tuple[tuple[Judgement, ...], ...]
    smallest: tuple[SmallestAperture, ...]
    smallest_own: tuple[SmallestAperture, ...]
    compared: tuple[tuple[Judgement, ...], ...]
    budget_feature: str
    budget: tuple[BudgetStep, ...]
    improvements: tuple[Improvement, ...]
    pictures: Mapping[Level, tuple[npt.NDArray[np.float32], ...]]
    width_arcsec: float
    body_arcsec: float
    thresholds: Thresholds
    practice: Practice
    sky: Any
    levels: Mapping[Level, tuple[tuple[Judgement, ...], ...]]
    warnings: tuple[str, ...] = ()

    @property
    def body(self) -> str:
        """Name of the subject."""
        return self.subject.name
