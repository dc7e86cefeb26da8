"""What can honestly be seen: features with and without, their detectability, verdicts.

thresholds     the numbers that turn a measurement into "clear", "doubtful" or "lost"
features       what is judged of each body, from its data file
detectability  contrast left and signal to noise of a difference of two pictures
profiles       whether a line feature is a separate dark line
staging        whether a feature is in sight, and where it can be judged at any time
drawn          body and features drawn once, each on a patch of its own, and their transforms
bench          one setup ready to judge: chain, exposure and noise on its own canvas
judge          what enters of a feature, what is left of it, the verdict
"""

from simulate.judging.detectability import (
    ALWAYS_UNKNOWN,
    UNKNOWN_OF_DISCS,
    UNKNOWNS,
    Measured,
    Signal,
    find_signal,
    floor_per_cell,
)
from simulate.judging.features import SEPARATE_LINE, JudgedFeature, judged_features
from simulate.judging.profiles import Cut, dip_depth
from simulate.judging.thresholds import FLOOR, THRESHOLDS, WORDS, FeatureLine, Judgement, Thresholds, Word

__all__ = [
    "ALWAYS_UNKNOWN",
    "FLOOR",
    "SEPARATE_LINE",
    "THRESHOLDS",
    "UNKNOWNS",
    "UNKNOWN_OF_DISCS",
    "WORDS",
    "Cut",
    "FeatureLine",
    "JudgedFeature",
    "Judgement",
    "Measured",
    "Signal",
    "Thresholds",
    "Word",
    "dip_depth",
    "find_signal",
    "floor_per_cell",
    "judged_features",
]
