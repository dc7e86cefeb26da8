from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from simulate.present.caution import caution_for


@pytest.mark.parametrize(
    ("elongation", "sun", "wanted"),
    [
        (9.9, -40.0, True),  # within 10 deg at any time
        (10.1, -40.0, False),
        (19.9, 5.0, True),  # within 20 deg while the Sun is up
        (19.9, -40.0, False),
        (19.9, None, True),  # unknown Sun counts as up
        (20.1, None, False),
        (175.0, -20.0, False),
        (90.0, 30.0, True),  # anything by day
    ],
)
def test_when_it_stands(elongation: float, sun: float | None, wanted: bool):
    assert (caution_for(elongation, sun) is not None) is wanted


def test_no_advice_close_to_the_sun():
    close, near = caution_for(4.9, -10.0), caution_for(5.1, -10.0)
    assert close is not None
    assert near is not None
    assert "No advice is given to point" in close
    assert "No advice" not in near


@given(st.floats(0, 180), st.one_of(st.none(), st.floats(-90, 90)))
def test_it_never_calls_anything_safe(elongation: float, sun: float | None):
    text = caution_for(elongation, sun)
    if text is not None:
        assert "safe" not in text.lower()
        assert "certified filter (ISO 12312-2 for eyes; a full-aperture filter on the front of the telescope)" in text
        assert "finder covered" in text
        assert "manufacturer" in text or "filter maker's instructions come first" in text
