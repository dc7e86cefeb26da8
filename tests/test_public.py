"""The public door: every name is there, and is what its room has."""

from __future__ import annotations

import pytest

import simulate


@pytest.mark.parametrize("name", [name for name in simulate.__all__ if not name.startswith("_")])
def test_every_public_name_loads_and_is_documented(name: str) -> None:
    thing = getattr(simulate, name)
    assert thing.__doc__
    assert name in dir(simulate)


def test_an_unknown_name_is_an_attribute_error() -> None:
    with pytest.raises(AttributeError, match="telescop"):
        _ = simulate.telescop
