"""`simulate bodies`: text into a pipe, a table on a terminal, JSON."""

from __future__ import annotations

import json
import subprocess
import sys

import pytest

from simulate.cli import main


def test_the_list(capsys):
    assert main(["bodies"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert lines[0].split("\t")[0] == "body"
    assert [line.split("\t")[0] for line in lines[1:8]] == [
        "mercury",
        "venus",
        "mars",
        "jupiter",
        "saturn",
        "uranus",
        "neptune",
    ]


def test_one_body_as_lines(capsys):
    assert main(["bodies", "saturn"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert all(line.count("\t") == 4 for line in lines)
    row = next(line for line in lines if line.startswith("ring Cassini Division: inner"))
    assert row.split("\t")[1] == "117580 km"


def test_json_holds_the_numbers(capsys):
    assert main(["bodies", "Mars", "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    assert (document["name"], document["kind"], document["longitude_sense"]) == ("mars", "planet", "west")
    radius = next(entry for entry in document["quantities"] if entry["quantity"] == "size: equatorial radius")
    assert (radius["value"], radius["unit"], radius["uncertainty"], radius["mark"]) == (3396.19, "km", 0.1, "seen")
    assert main(["bodies", "--json"]) == 0
    assert {"name": "io", "kind": "satellite"}.items() <= json.loads(capsys.readouterr().out)["bodies"][10].items()


def test_only_one_mark(capsys):
    assert main(["bodies", "venus", "--mark", "memory"]) == 0
    lines = capsys.readouterr().out.splitlines()[1:]
    assert lines
    assert {line.split("\t")[3] for line in lines} == {"memory"}


def test_bad_words_are_refused(capsys):
    assert main(["bodies", "jupitr"]) == 2
    assert "did you mean 'jupiter'" in capsys.readouterr().err
    assert main(["bodies", "mars", "--mark", "sure"]) == 2
    assert "use one of seen" in capsys.readouterr().err


@pytest.mark.skipif(sys.platform == "win32", reason="needs a pseudo-terminal")
def test_a_terminal_gets_a_table():
    import os
    import pty

    reader, writer = pty.openpty()
    command = [sys.executable, "-m", "simulate", "bodies", "io"]
    child = subprocess.Popen(command, stdout=writer, env={**os.environ, "COLUMNS": "100", "TERM": "xterm"})
    os.close(writer)
    chunks = []
    while True:
        try:
            chunk = os.read(reader, 65536)
        except OSError:  # the other end is closed
            break
        if not chunk:
            break
        chunks.append(chunk)
    os.close(reader)
    text = b"".join(chunks).decode()
    assert child.wait(timeout=60) == 0
    assert "│" in text
    assert "1824.4 km" in text
    assert "Archinal et al. 2018" in text
