"""The three numbers that turn a measurement into a verdict: one place, the same for every feature.

A feature is judged by its signal to noise, by the share of its contrast that is left, and by its contrast in
the finished picture against the least that a person reads. All thresholds were chosen once, by comparing
verdicts with what observers report (the table that ``tests/judging/test_reports.py`` prints); nothing is set
for a single feature.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Literal

from simulate.errors import InputError
from simulate.values.practice import PRACTISED

Word = Literal["clear", "doubtful", "lost"]

WORDS: tuple[Word, ...] = ("clear", "doubtful", "lost")
"""Verdicts, best first."""


@dataclass(frozen=True)
class Thresholds:
    """What a feature must reach.

    Parameters
    ----------
    snr_doubtful, snr_clear : float
        Signal to noise of the best linear observer, who knows place and shape. Rose (1948, J. Opt. Soc.
        Am. 38, 196) found that people need about 5 for a plain patch; the reports ask
        for a little more, and for several times as much where a feature is plain.
    contrast_doubtful, contrast_clear : float
        Share of the entering contrast that is left. For comparison: the dip between two points at
        Rayleigh's distance is 0.26 of their brightness (Rayleigh 1879), at Dawes' a few hundredths.
    legible_doubtful, legible_clear : float
        Contrast in the finished picture over the least that is read (`Practice.readable_contrast`).
    legible_glaring : float
        So many times the least contrast that is read are plain, however small a share of what entered they are
        (a moon's shadow).
    uncertainty : float
        Relative uncertainty of all of them: verdicts are also taken with them divided and multiplied by
        ``1 + uncertainty``.
    """

    snr_doubtful: float = 7.0
    snr_clear: float = 33.0
    contrast_doubtful: float = 0.08
    contrast_clear: float = 0.5
    legible_doubtful: float = 1.0
    legible_clear: float = 2.0
    legible_glaring: float = 12.0
    uncertainty: float = 0.3

    def __post_init__(self) -> None:
        pairs = (
            (self.snr_doubtful, self.snr_clear),
            (self.contrast_doubtful, self.contrast_clear),
            (self.legible_doubtful, self.legible_clear),
        )
        for low, high in pairs:
            if not 0 < low <= high:
                raise InputError("thresholds", (low, high), "give positive numbers, that of 'doubtful' not the larger")

    def verdict(self, contrast: float, snr: float, legible: float = math.inf) -> Word:
        """Return "clear", "doubtful" or "lost".

        Parameters
        ----------
        contrast, snr : float
            Share of the contrast that is left, and signal to noise.
        legible : float
            Contrast in the finished picture over the least that is read.
        """
        for word in ("clear", "doubtful"):
            if self.margin(contrast, snr, word, legible) >= 1:
                return word
        return "lost"

    def margin(self, contrast: float, snr: float, word: Word, legible: float = math.inf) -> float:
        """Return by which factor a measurement passes ``word`` ("clear" or "doubtful"); below 1 it fails."""
        plain = legible / self.legible_glaring if math.isfinite(legible) else 0.0
        if word == "clear":
            return min(snr / self.snr_clear, max(contrast / self.contrast_clear, plain), legible / self.legible_clear)
        left = max(contrast / self.contrast_doubtful, plain)
        return min(snr / self.snr_doubtful, left, legible / self.legible_doubtful)

    def scaled(self, factor: float) -> Thresholds:
        """Return thresholds `factor` times as high, for the band of their own uncertainty."""
        return replace(
            self,
            snr_doubtful=self.snr_doubtful * factor,
            snr_clear=self.snr_clear * factor,
            contrast_doubtful=min(self.contrast_doubtful * factor, 1.0),
            contrast_clear=min(self.contrast_clear * factor, 1.0),
            legible_doubtful=self.legible_doubtful * factor,
            legible_clear=self.legible_clear * factor,
            legible_glaring=self.legible_glaring * factor,
        )


@dataclass(frozen=True)
class Judgement:
    """What came out for one feature in one setup.

    Parameters
    ----------
    name : str
        What is judged.
    contrast_in : float
        Contrast that entered, 0 to 1.
    contrast : float
        Share of it that is left, 0 to 1.
    snr : float
        Signal to noise.
    channel : int
        Channel of the camera in which it is seen best.
    legible : float
        Contrast in the finished picture, as the eye adds up its colours, over the least that is read.
    """

    name: str
    contrast_in: float
    contrast: float
    snr: float
    channel: int = 0
    legible: float = math.inf


THRESHOLDS = Thresholds()
"""The thresholds that every command uses."""

FLOOR = PRACTISED.floor
"""Rms of what never averages out (flat field, processing), as a share of the local brightness, in each
resolution element: that of a practised hand, which every result states."""


@dataclass(frozen=True)
class FeatureLine:
    """One feature as a sheet and the JSON show it.

    Parameters
    ----------
    name : str
        "south equatorial belt".
    verdict : str
        "clear", "doubtful" or "lost".
    contrast, snr : float or None
        Contrast left relative to what entered, and signal to noise.
    legible : float
        See `Judgement`.
    """

    name: str
    verdict: str
    contrast: float | None = None
    snr: float | None = None
    legible: float = math.inf
