"""A few random command lines; `python tests/fuzz/command_lines.py --count 3000` runs many."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parent))
import command_lines


@pytest.mark.slow
@pytest.mark.skipif(sys.platform == "win32", reason="lines are stopped by a signal of POSIX")
def test_random_command_lines_end_as_promised() -> None:
    outcomes = command_lines.many(60, seed=20261128)
    assert [outcome for outcome in outcomes if outcome.faults] == []
    assert {outcome.code for outcome in outcomes} >= {0, 2}
