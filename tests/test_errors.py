"""Messages name the field, show the value and say what is allowed."""

from __future__ import annotations

import pickle
import threading
import warnings
from concurrent.futures import ThreadPoolExecutor

import pytest

import simulate
from simulate.errors import (
    BelowHorizonError,
    InputError,
    InputErrors,
    RangeWarning,
    choose,
    kept_warnings,
    nearest,
    note,
)
from simulate.light.look import ViewOptions
from simulate.values.practice import IDEAL

QUICK = ViewOptions(judge=False, practice=IDEAL)
TIMES = {"jupiter": "2032-05-01T00:00", "venus": "2012-06-06T00:00"}
"""When the red spot's longitude is uncertain, and when Venus is in front of the Sun, beyond its law's range."""


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


def test_notes_are_kept_once_and_as_soon_as_they_come() -> None:
    with kept_warnings() as texts:
        note("ours", RangeWarning)
        assert texts == ["ours"]  # so that a fault on the way does not lose it
        note("ours", RangeWarning)
        with kept_warnings() as inner:
            note("not for the call outside", RangeWarning)
        with kept_warnings(again=True):
            note("for both", RangeWarning)
    assert texts == ["ours", "for both"]
    assert inner == ["not for the call outside"]


def test_a_note_that_no_call_keeps_is_a_warning_of_python() -> None:
    with pytest.warns(RangeWarning, match="ours") as shown:
        note("ours", RangeWarning)
    assert [entry.filename for entry in shown] == [__file__]
    with pytest.warns(RangeWarning, match="ours") as shown, kept_warnings(again=True):
        note("ours", RangeWarning)
    assert len(shown) == 1


def test_calls_in_two_threads_keep_their_own_notes() -> None:
    """Two views at the same time, each with a reservation of its own, and Python's warnings as they were."""
    with kept_warnings():
        simulate.view("venus", "refractor-60", TIMES["venus"], options=QUICK)  # libraries set filters as they load
    shown, filters = warnings.showwarning, list(warnings.filters)
    together = threading.Barrier(2)

    def look(body: str) -> tuple[str, ...]:
        together.wait(60)
        found = []
        for _ in range(2):
            with kept_warnings() as outside:
                note(body, RangeWarning)
                seen = simulate.view(body, "refractor-60", TIMES[body], options=QUICK)
            assert outside == [body, *seen.warnings]
            found.append(seen.warnings)
        assert len(set(found)) == 1
        return found[0]

    with ThreadPoolExecutor(2) as pool:
        jupiter, venus = pool.map(look, ("jupiter", "venus"))
    assert [text[:8] for text in jupiter] == ["the red "]
    assert [text[:18] for text in venus] == ["magnitude of venus"]
    assert warnings.showwarning is shown
    assert warnings.filters == filters
