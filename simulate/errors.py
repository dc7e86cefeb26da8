"""What can go wrong, in words for the person at the keyboard.

`InputError` is the one error that a user can cause; the command line turns it into one
sentence and exit code 2. Warnings are named classes so that a caller can filter them.
"""

from __future__ import annotations

import sys
import warnings
from collections.abc import Generator, Iterable
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from difflib import get_close_matches
from typing import Any


class SimulateError(Exception):
    """Base of all errors raised on purpose by this package."""


class InputError(SimulateError, ValueError):
    """Something given by the user cannot be used.

    Parameters
    ----------
    field : str
        The field as the user wrote it (``"telescope.aperture"``, ``"--site"``).
    value : object
        What was given; shown with ``repr`` unless it is a string with a quote of its own.
    allowed : str
        What would be accepted, as a clause ("a length between 10 mm and 5 m").
    """

    def __init__(self, field: str, value: object, allowed: str) -> None:
        self.field = field
        self.value = value
        self.allowed = allowed
        try:
            shown = repr(value)
        except (ValueError, RecursionError):  # whole numbers of thousands of digits, lists nested without end
            shown = f"a {type(value).__name__} too long to show"
        if len(shown) > 120:
            shown = shown[:117] + "..."
        super().__init__(f"{field}: {shown} cannot be used; {allowed}")

    def __reduce__(self) -> tuple[Any, ...]:
        """Let errors come back from other processes, which would else be built anew from the sentence alone."""
        return type(self), (self.field, self.value, self.allowed)


class MissingError(InputError):
    """Something that is needed was not given.

    Parameters
    ----------
    field : str
        The field as the user would write it.
    needed : str
        What to give, as a clause.
    """

    def __init__(self, field: str, needed: str) -> None:
        super().__init__(field, None, needed)
        self.args = (f"{field} is missing; {needed}",)

    def __reduce__(self) -> tuple[Any, ...]:
        """See `InputError`."""
        return type(self), (self.field, self.allowed)


class InputErrors(InputError):
    """Several faults of one file or call, reported together, one line each."""

    def __init__(self, faults: Iterable[InputError]) -> None:
        self.faults = tuple(faults)
        first = self.faults[0]
        super().__init__(first.field, first.value, first.allowed)
        self.args = ("\n".join(str(fault) for fault in self.faults),)

    def __reduce__(self) -> tuple[Any, ...]:
        """See `InputError`."""
        return type(self), (self.faults,)


class BelowHorizonError(InputError):
    """The body is below the horizon at the instant and place asked for; other pairings can go on."""


class HiddenError(InputError):
    """A satellite looked at by itself stands before, behind or in the shadow of its planet."""


class SimulateWarning(UserWarning):
    """Base of all warnings of this package: the result stands, with a reservation."""


class RangeWarning(SimulateWarning):
    """A published formula is used outside the range its authors give."""


class EphemerisWarning(SimulateWarning):
    """A date or a moon lies outside what the ephemeris or its tables cover."""


class EclipseWarning(SimulateWarning):
    """The Moon stands in the Earth's umbra, whose light nobody knows beforehand."""


class RecordingWarning(SimulateWarning):
    """A recording on disk is incomplete, or does not look like what it is taken for."""


class AloneWarning(SimulateWarning):
    """A satellite is drawn without the light of its planet beside it."""


class FieldWarning(SimulateWarning):
    """The body is larger than the window that is shown."""


@dataclass(frozen=True)
class _Note:
    """A warning that waits for the call that it belongs to."""

    text: str
    category: type[SimulateWarning]
    file: str
    line: int


_NOTES: ContextVar[tuple[list[_Note], list[str]] | None] = ContextVar("notes of the call under way", default=None)
"""Each thread and each task has its own: what two calls at the same time have to say does not mix."""


def note(text: str, category: type[SimulateWarning], *, stacklevel: int = 1) -> None:
    """Tell a reservation: to the call under way if it keeps them (`kept_warnings`), else as a Python warning.

    Parameters
    ----------
    text : str
        What the person should know; told once.
    category : type
        Class of the warning.
    stacklevel : int
        Whose line is told with it, as for `warnings.warn`.
    """
    frame = sys._getframe(stacklevel)
    _tell(_Note(text, category, frame.f_code.co_filename, frame.f_lineno))


def _tell(told: _Note) -> None:
    kept = _NOTES.get()
    if kept is None:
        warnings.warn_explicit(told.text, told.category, told.file, told.line)
    elif told.text not in kept[1]:
        kept[0].append(told)
        kept[1].append(told.text)


@contextmanager
def kept_warnings(*, again: bool = False) -> Generator[list[str], None, None]:
    """Keep what `note` tells in this thread as texts, once each and from the moment it comes.

    The texts travel with a result, from other processes too.

    Parameters
    ----------
    again : bool
        Tell them afterwards as well: to the call around this one, or to Python's warnings.
    """
    notes: list[_Note] = []
    texts: list[str] = []
    before = _NOTES.set((notes, texts))
    try:
        yield texts
    finally:
        _NOTES.reset(before)
    for told in notes if again else ():
        _tell(told)


def nearest(word: str, known: Iterable[str]) -> str:
    """Return ``"; did you mean 'x'?"`` for the nearest known word, or an empty string.

    Parameters
    ----------
    word : str
        What the user wrote.
    known : iterable of str
        The accepted words.
    """
    close = get_close_matches(word.lower(), list(known), n=1, cutoff=0.6)
    return f"; did you mean {close[0]!r}?" if close else ""


def choose(field: str, word: str, known: Iterable[str]) -> str:
    """Return `word` if it is known, else raise `InputError` that lists what is.

    Parameters
    ----------
    field : str
        Name of the field, as the user wrote it.
    word : str
        What the user wrote; compared without case and outer blanks.
    known : iterable of str
        The accepted words, lower case.
    """
    names = list(known)
    key = word.strip().lower()
    if key in names:
        return key
    raise InputError(field, word, f"use one of {', '.join(names)}{nearest(key, names)}")
