from __future__ import annotations

import io

import pytest

from simulate.present.progress import Reporter, wants_colour


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def test_plain_lines_where_there_is_no_terminal():
    stream = io.StringIO()
    with Reporter("pairings", 2, stream=stream) as reporter:
        reporter.step("jupiter")
        reporter.step("mars")
        reporter.say("done")
    assert stream.getvalue() == "1/2 pairings: jupiter\n2/2 pairings: mars\ndone\n"


def test_many_steps_make_few_lines():
    stream = io.StringIO()
    with Reporter("frames", 1000, stream=stream) as reporter:
        for _ in range(1000):
            reporter.step()
    lines = stream.getvalue().splitlines()
    assert lines[-1] == "1000/1000 frames"
    assert len(lines) < 50


@pytest.mark.parametrize("colourless", [True, False])
def test_a_terminal_gets_a_bar_and_colour_only_if_wanted(monkeypatch, colourless: bool):
    monkeypatch.setenv("TERM", "xterm-256color")
    if colourless:
        monkeypatch.setenv("NO_COLOR", "1")
    else:
        monkeypatch.delenv("NO_COLOR", raising=False)
    stream = Terminal()
    with Reporter("frames", 3, stream=stream) as reporter:
        for _ in range(3):
            reporter.step("x")
        reporter.say("half [way]")
    text = stream.getvalue()
    assert "3/3" in text
    assert "half [way]" in text
    assert ("\x1b[38;" in text or "\x1b[3" in text) is not colourless


def test_quiet_says_nothing():
    stream = io.StringIO()
    with Reporter("frames", 3, stream=stream, quiet=True) as reporter:
        reporter.step("x")
        reporter.say("y")
    assert stream.getvalue() == ""
    assert reporter.done == 1


def test_colour_rules():
    assert wants_colour(Terminal(), {"TERM": "xterm"})
    assert not wants_colour(Terminal(), {"NO_COLOR": "1"})
    assert wants_colour(Terminal(), {"NO_COLOR": ""})
    assert not wants_colour(Terminal(), {"TERM": "dumb"})
    assert not wants_colour(io.StringIO(), {})
