"""A small share of the trial with spoilt files; SIMULATE_FUZZ_COUNT asks for another number of cases of each kind."""

from __future__ import annotations

import os

import pytest
from hostile_files import KINDS, run

COUNT = int(os.environ.get("SIMULATE_FUZZ_COUNT", "40"))


@pytest.mark.slow
@pytest.mark.parametrize("kind", sorted(KINDS))
def test_a_spoilt_file_is_used_or_refused_in_a_sentence(kind):
    codes, faults = run(kind, COUNT)
    assert faults == []
    assert set(codes) <= {0, 2}
    assert codes[2] > 0
