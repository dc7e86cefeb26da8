"""Messages name the field, show the value and say what is allowed."""

from __future__ import annotations

import pickle
import warnings

import pytest

from simulate.errors import BelowHorizonError, InputError, InputErrors, RangeWarning, choose, kept_warnings, nearest


def test_an_unknown_word_offers_the_nearest_known_one() -> None:
    with pytest.raises(InputError, match=r"body: 'jupter' cannot be used; use one of mars, jupiter; did you mean"):
        choose("body", "jupter", ("mars", "jupiter"))
    assert choose("body", " Mars ", ("mars", "jupiter")) == "mars"
    assert nearest("xyzzy", ("mars",)) == ""


def test_several_faults_are_told_a_line_each() -> None:
    error = InputErrors([InputError("a", 1, "give 2"), InputError("b", "x", "give y")])
    assert str(error).splitlines() == ["a: 1 cannot be used; give 2", "b: 'x' cannot be used; give y"]


def test_a_huge_value_is_shortened() -> None:
    assert len(str(InputError("field", "x" * 5000, "give less"))) < 200


def test_errors_come_back_from_other_processes_as_they_were() -> None:
    below = BelowHorizonError("night", "2026-09-10", "it does not rise")
    for error in (below, InputErrors([below, InputError("b", "x", "give y")])):
        back = pickle.loads(pickle.dumps(error))
        assert type(back) is type(error)
        assert str(back) == str(error)
        assert (back.field, back.value, back.allowed) == (error.field, error.value, error.allowed)


class OtherWarning(UserWarning):
    """Of a library."""


def test_own_warnings_are_kept_once_and_others_shown() -> None:
    with warnings.catch_warnings(record=True) as shown, kept_warnings() as texts:
        warnings.warn("ours", RangeWarning, stacklevel=1)
        assert texts == ["ours"]  # as soon as it comes, so that a fault on the way does not lose it
        warnings.warn("ours", RangeWarning, stacklevel=1)
        warnings.warn("theirs", OtherWarning, stacklevel=1)
    assert texts == ["ours"]
    assert [str(entry.message) for entry in shown] == ["theirs"]


def test_kept_warnings_may_be_shown_again() -> None:
    with pytest.warns(RangeWarning, match="ours") as shown, kept_warnings(again=True):
        warnings.warn("ours", RangeWarning, stacklevel=1)
    assert len(shown) == 1
