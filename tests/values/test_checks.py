"""Numbers with units at the door."""

from __future__ import annotations

import math

import pytest
from astropy import units as u
from hypothesis import given
from hypothesis import strategies as st

from simulate.errors import InputError
from simulate.values.checks import parse_quantity, to_float


@pytest.mark.parametrize(
    ("given", "expected"),
    [("150 mm", 0.150), ("15cm", 0.15), ("6 inch", 0.1524), (0.2, 0.2), (20 * u.cm, 0.2), ("1e2 mm", 0.1)],
)
def test_lengths_in_many_spellings(given: object, expected: float) -> None:
    assert to_float("aperture", given, "m", 0.0, 10.0) == pytest.approx(expected)


def test_the_trade_s_spellings() -> None:
    assert parse_quantity("1.2 e-").to_value("electron") == pytest.approx(1.2)
    assert parse_quantity("3.6 e-/DN").to_value("electron/adu") == pytest.approx(3.6)
    assert parse_quantity("0.05 wave").value == pytest.approx(0.05)


@pytest.mark.parametrize("given", ["150 kg", "mm", "", "nan mm", "inf mm", "1 m 2", "-5 mm", "50 Mm", True, None, [1]])
def test_what_is_no_length_in_range_is_one_sentence(given: object) -> None:
    with pytest.raises(InputError) as caught:
        to_float("telescope.aperture", given, "mm", 1.0, 5000.0)
    text = str(caught.value)
    assert text.startswith("telescope.aperture: ")
    assert "5000" in text
    assert "\n" not in text


@given(st.text(max_size=30))
def test_any_text_gives_a_number_or_an_input_error(text: str) -> None:
    try:
        value = to_float("field", text, "arcsec", 0.0, 100.0)
    except InputError:
        return
    assert math.isfinite(value)
    assert 0.0 <= value <= 100.0
