"""The one door for files that a user gives: plain files of a bearable size, never a device, a pipe or a folder."""

from __future__ import annotations

import os
import re
import stat
import tomllib
from pathlib import Path
from typing import Any, BinaryIO

from simulate.errors import InputError

SHORT_TEXT = 1_000_000
"""Bytes of a text that a person writes (a setup, a curve, the description of a map); a longer one is something else."""

DEEPEST = 16
"""Tables within tables of a TOML file; the files of this program need four."""

LONGEST_WORD = 1000
"""Characters of a number or a bare word of a TOML file."""

_CANNOT = {
    stat.S_IFDIR: "it is a folder; give the file itself",
    stat.S_IFIFO: "it is a pipe; give a file that lies on the disk",
    stat.S_IFSOCK: "it is a socket; give a file that lies on the disk",
    stat.S_IFCHR: "it is a device; give a file that lies on the disk",
    stat.S_IFBLK: "it is a device; give a file that lies on the disk",
}


def open_given(field: str, path: str | Path, most_bytes: int | None = None, *, hint: str = "") -> BinaryIO:
    """Open a file that a user gives, for reading.

    It is looked at before it is opened, since to open a pipe waits for its other end and to open a device may move
    something, and once more after that, since names can be changed meanwhile. Links are followed.

    Parameters
    ----------
    field : str
        What the file is, as the user knows it, for messages.
    path : str or Path
        The file.
    most_bytes : int, optional
        Its largest size; without it any.
    hint : str
        Added to the sentence where there is no such file.

    Raises
    ------
    InputError
        If it is missing, no plain file, may not be read or is larger.
    """
    try:
        _refuse_odd(field, path, os.stat(path).st_mode)
        descriptor = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0))
    except InputError:
        raise
    except FileNotFoundError as error:
        raise InputError(field, str(path), f"there is no such file{hint}") from error
    except OSError as error:
        raise InputError(field, str(path), f"it cannot be read ({error.strerror or error}){hint}") from error
    except ValueError as error:  # a null or half a character in the name
        raise InputError(field, str(path), f"no file can have that name{hint}") from error
    # opened by its name, as it were: libraries that are handed the file ask for that
    file = open(path, "rb", opener=lambda *_: descriptor)  # noqa: SIM115 - the caller closes it
    try:
        told = os.fstat(file.fileno())
        _refuse_odd(field, path, told.st_mode)
        if most_bytes is not None and told.st_size > most_bytes:
            wanted = f"it is larger than {_megabytes(most_bytes)}, the most for such a file"
            raise InputError(field, str(path), wanted)
    except BaseException:
        file.close()
        raise
    return file


def _refuse_odd(field: str, path: str | Path, mode: int) -> None:
    if not stat.S_ISREG(mode):
        raise InputError(field, str(path), _CANNOT.get(stat.S_IFMT(mode), "it is no plain file"))


def _megabytes(size: int) -> str:
    return f"{size / 1e6:.3g} MB" if size < 1e9 else f"{size / 1e9:.3g} GB"


def read_given(field: str, path: str | Path, most_bytes: int, *, hint: str = "") -> bytes:
    """Return the bytes of a file that a user gives; see `open_given`.

    Raises
    ------
    InputError
        See `open_given`; also if it is empty.
    """
    with open_given(field, path, most_bytes, hint=hint) as file:
        try:
            # room for what is there and a byte more: reading makes room for all that it is asked for
            content = file.read(os.fstat(file.fileno()).st_size + 1)
        except OSError as error:
            raise InputError(field, str(path), f"it cannot be read ({error.strerror or error})") from error
    if len(content) > most_bytes:
        raise InputError(field, str(path), f"it is longer than {_megabytes(most_bytes)}")
    if not content:
        raise InputError(field, str(path), "the file is empty")
    return content


def read_text(field: str, path: str | Path, most_bytes: int = SHORT_TEXT, *, hint: str = "") -> str:
    """Return the text of a file that a user gives, in UTF-8 with or without the mark that some editors put first.

    Raises
    ------
    InputError
        See `read_given`; also if it is no such text.
    """
    try:
        return read_given(field, path, most_bytes, hint=hint).decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise InputError(field, str(path), "the file must be text in UTF-8") from error


def parse_toml(text: str) -> dict[str, Any]:
    """Return the table that a TOML text describes, refusing what would take the parser endless room before it starts.

    Raises
    ------
    ValueError
        If the text is no TOML (then a ``tomllib.TOMLDecodeError``), nested deeper than `DEEPEST` or holds a word
        longer than `LONGEST_WORD`; the message is a clause.
    """
    _refuse_deep(text)
    return tomllib.loads(text)


def read_toml(field: str, path: str | Path, *, hint: str = "") -> dict[str, Any]:
    """Return the table in a TOML file that a user gives.

    Raises
    ------
    InputError
        See `read_text` and `parse_toml`.
    """
    text = read_text(field, path, hint=hint)
    try:
        return parse_toml(text)
    except ValueError as error:
        raise InputError(field, str(path), f"it must be a readable TOML file ({error})") from error


_TOML_PARTS = re.compile(
    r'"""(?:\\.|[^\\])*?(?:"""|\Z)'  # strings of many lines; one that never ends takes the rest
    r"|'''.*?(?:'''|\Z)"
    r'|"(?:\\.|[^"\\\n])*(?:["\n]|\Z)|' + r"'[^'\n]*(?:['\n]|\Z)"
    r"|\#[^\n]*"
    r"|(?P<mark>[\[\]{}.,=\n])"
    r"|(?P<word>[^\s\"'#\[\]{}.,=]+)",
    re.DOTALL,
)


def _refuse_deep(text: str) -> None:
    """Count brackets and dots outside strings and remarks: both nest tables."""
    depth = dots = 0
    for part in _TOML_PARTS.finditer(text):
        if (word := part["word"]) is not None and len(word) > LONGEST_WORD:
            raise ValueError(f"a word or number of {len(word)} characters is in it")
        mark = part["mark"]
        if mark is None:
            continue
        dots = dots + 1 if mark == "." else 0
        depth += 1 if mark in "[{" else -1 if mark in "]}" else 0
        if max(dots, depth) > DEEPEST:
            raise ValueError(f"it is nested deeper than {DEEPEST} levels")
