"""Verdicts follow three numbers and nothing else."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from simulate.errors import InputError
from simulate.judging import THRESHOLDS, WORDS, Thresholds

SHARES = st.floats(0.0, 1.0)
RATIOS = st.floats(0.0, 1e4)


@pytest.mark.parametrize(
    ("contrast", "snr", "word"),
    [
        (0.9, 100.0, "clear"),
        (0.5, 33.0, "clear"),
        (0.499, 100.0, "doubtful"),
        (0.9, 32.9, "doubtful"),
        (0.08, 7.0, "doubtful"),
        (0.079, 1000.0, "lost"),
        (1.0, 6.9, "lost"),
        (0.0, 0.0, "lost"),
    ],
)
def test_contrast_and_noise_must_reach_their_threshold(contrast: float, snr: float, word: str) -> None:
    assert THRESHOLDS.verdict(contrast, snr) == word


@pytest.mark.parametrize(
    ("contrast", "legible", "word"),
    [
        (0.9, 2.0, "clear"),
        (0.9, 1.9, "doubtful"),
        (0.9, 0.99, "lost"),
        (0.1, 12.0, "clear"),  # plain in the finished picture, however little of it is left
        (0.1, 11.9, "doubtful"),
        (0.07, 11.9, "lost"),
        (0.07, 12.0, "clear"),
    ],
)
def test_what_is_shown_must_be_read(contrast: float, legible: float, word: str) -> None:
    assert THRESHOLDS.verdict(contrast, 100.0, legible) == word


@given(contrast=SHARES, snr=RATIOS, more=st.floats(1.0, 10.0))
def test_more_contrast_or_less_noise_never_makes_a_verdict_worse(contrast: float, snr: float, more: float) -> None:
    before = WORDS.index(THRESHOLDS.verdict(contrast, snr))
    assert WORDS.index(THRESHOLDS.verdict(min(contrast * more, 1.0), snr)) <= before
    assert WORDS.index(THRESHOLDS.verdict(contrast, snr * more)) <= before


@given(contrast=SHARES, snr=RATIOS)
def test_the_margin_passes_one_where_the_verdict_turns(contrast: float, snr: float) -> None:
    word = THRESHOLDS.verdict(contrast, snr)
    assert (THRESHOLDS.margin(contrast, snr, "clear") >= 1) == (word == "clear")
    assert (THRESHOLDS.margin(contrast, snr, "doubtful") >= 1) == (word != "lost")


@given(contrast=SHARES, snr=RATIOS, factor=st.floats(1.0, 3.0))
def test_higher_thresholds_never_make_a_verdict_better(contrast: float, snr: float, factor: float) -> None:
    higher = THRESHOLDS.scaled(factor).verdict(contrast, snr)
    assert WORDS.index(higher) >= WORDS.index(THRESHOLDS.verdict(contrast, snr))


@pytest.mark.parametrize("numbers", [{"snr_doubtful": 40.0}, {"contrast_doubtful": 0.0}, {"contrast_clear": 0.01}])
def test_thresholds_out_of_order_are_refused(numbers: dict[str, float]) -> None:
    with pytest.raises(InputError, match="doubtful"):
        Thresholds(**numbers)
