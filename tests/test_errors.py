"""Messages name the field, show the value and say what is allowed."""

from __future__ import annotations

import pytest

from simulate.errors import InputError, InputErrors, choose, nearest


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
