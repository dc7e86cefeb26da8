"""The door for files that a user gives: plain files of a bearable size, and nothing else."""

from __future__ import annotations

import os
import time
import tomllib
import tracemalloc
from pathlib import Path

import pytest

from simulate.errors import InputError
from simulate.given.door import DEEPEST, SHORT_TEXT, open_given, parse_toml, read_given, read_text, read_toml

NEW = Path("no such folder") / "file"


def sentence(call, *arguments) -> str:
    with pytest.raises(InputError) as caught:
        call(*arguments)
    assert "\n" not in str(caught.value)
    return str(caught.value)


class TestWhatIsOpened:
    def test_a_plain_file_and_a_link_to_one(self, tmp_path):
        (tmp_path / "a").write_bytes(b"light")
        (tmp_path / "b").symlink_to(tmp_path / "a")
        assert read_given("file", tmp_path / "b", 5) == b"light"
        with open_given("file", tmp_path / "a") as file:
            assert file.name == str(tmp_path / "a")

    def test_nothing_folders_and_empty_files(self, tmp_path):
        (tmp_path / "empty").touch()
        (tmp_path / "dangling").symlink_to(tmp_path / "nowhere")
        (tmp_path / "circle").symlink_to(tmp_path / "circle")
        assert "there is no such file; look elsewhere" in sentence(
            lambda: read_given("file", NEW, 5, hint="; look elsewhere")
        )
        assert "no such file" in sentence(read_given, "file", tmp_path / "dangling", 5)
        assert "cannot be read" in sentence(read_given, "file", tmp_path / "circle", 5)
        assert "folder" in sentence(read_given, "file", tmp_path, 5)
        assert "empty" in sentence(read_given, "file", tmp_path / "empty", 5)

    @pytest.mark.skipif(os.name != "posix", reason="pipes and devices are files there only")
    def test_pipes_sockets_and_devices_are_refused_without_waiting(self, tmp_path):
        import socket

        os.mkfifo(tmp_path / "pipe")
        place = Path("/tmp") / f"s{os.getpid()}"  # names of sockets must be short
        with socket.socket(socket.AF_UNIX) as made:
            made.bind(str(place))
            try:
                assert "socket" in sentence(open_given, "file", place)
            finally:
                place.unlink()
        started = time.monotonic()
        assert "pipe" in sentence(open_given, "file", tmp_path / "pipe")
        assert "device" in sentence(read_given, "file", "/dev/zero", 5)
        assert time.monotonic() - started < 5

    @pytest.mark.parametrize("name", ["a\0b", "\udc80\ud800", "x" * 5000, "/".join("x" * 3000)])
    def test_names_that_no_file_can_have(self, name):
        assert "cannot be used" in sentence(open_given, "file", name)

    def test_size_is_told_before_anything_is_read(self, tmp_path):
        with (tmp_path / "large").open("wb") as file:
            file.truncate(50_000_000_000)
        assert "larger than 1 MB, the most" in sentence(read_text, "file", tmp_path / "large")


class TestText:
    def test_the_mark_of_some_editors_is_no_part_of_it(self, tmp_path):
        (tmp_path / "a").write_bytes(b"\xef\xbb\xbfname = 1")
        assert read_text("file", tmp_path / "a") == "name = 1"

    def test_other_codes_are_refused(self, tmp_path):
        (tmp_path / "a").write_bytes("name = 'Böhm'".encode("latin-1"))
        assert "UTF-8" in sentence(read_text, "file", tmp_path / "a")


HOSTILE = {
    "lists in lists": "a = " + "[" * 5000 + "]" * 5000,
    "tables in tables": "a = " + "{a=" * 5000 + "1" + "}" * 5000,
    "a dotted key": ".".join("a" * 5000) + " = 1",
    "a dotted heading": "[" + ".".join("a" * 5000) + "]",
    "a dotted key in quotes": ".".join(["'a'"] * 5000) + " = 1",
    "many lines": "a = [\n" * 5000,
    "a long number": "a = " + "9" * 10_000,
    "a long number to another base": "a = 0x" + "f" * 500_000,
}


@pytest.mark.parametrize("text", HOSTILE.values(), ids=HOSTILE.keys())
def test_what_would_fill_the_memory_is_refused_before_it_is_parsed(tmp_path, text):
    (tmp_path / "a.toml").write_text(text)
    tracemalloc.start()
    told = sentence(read_toml, "file", tmp_path / "a.toml")
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert "readable TOML file" in told
    assert peak < 10e6


@pytest.mark.parametrize(
    "part", ['"', '"""', "'", "'''", '\\"""', "[", "a", "a.", "{", "#", '"""\\', "=", "\n", "[a]\n", "a = '", " "]
)
def test_the_look_ahead_takes_a_bearable_time_whatever_the_text(part):
    text = part * (SHORT_TEXT // len(part))
    started = time.process_time()
    with pytest.raises(ValueError):
        parse_toml("? " + text)
    assert time.process_time() - started < 10


def test_the_look_ahead_knows_strings_and_remarks():
    deep = "[" * 50 + "." * 50 + "x" * 2000
    text = f'a = "{deep}"  # {deep}\nb = \'{deep}\'\nc = """{deep}\n\\"""{deep}"""\nd = [1.5, 2.5]\n'
    assert parse_toml(text) == tomllib.loads(text)
    many = "\n".join(f"k{n} = {{ a = [{n}.5], b.c = 'x.y' }}" for n in range(1000))
    assert parse_toml(many) == tomllib.loads(many)
    nested = "[" * DEEPEST + "]" * DEEPEST
    assert parse_toml(f"a = {nested}")["a"] == tomllib.loads(f"a = {nested}")["a"]
    with pytest.raises(ValueError, match="deeper"):
        parse_toml(f"a = [{nested}]")
