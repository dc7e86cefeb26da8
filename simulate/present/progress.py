"""Messages and progress on standard error; standard output belongs to results.

On a terminal a line of progress is drawn; elsewhere (a file, a pipe, CI) each step is one plain line.
Colour appears only on a terminal and never with NO_COLOR set (no-color.org).
"""

from __future__ import annotations

import os
import sys
import time
from types import TracebackType
from typing import Any, TextIO


def wants_colour(stream: TextIO, environment: dict[str, str] | None = None) -> bool:
    """Return whether `stream` is a terminal that may be coloured.

    Parameters
    ----------
    stream : text stream
        Where the text goes.
    environment : dict, optional
        In place of ``os.environ``.
    """
    known = os.environ if environment is None else environment
    is_terminal = bool(getattr(stream, "isatty", lambda: False)())
    return is_terminal and not known.get("NO_COLOR") and known.get("TERM") != "dumb"


class Reporter:
    """Tells how far a job is.

    Parameters
    ----------
    what : str
        What is counted ("pairings", "frames").
    total : int
        How many there are.
    stream : text stream, optional
        Default: standard error.
    quiet : bool
        Say nothing.

    Examples
    --------
    >>> with Reporter("pairings", 2, quiet=True) as reporter:
    ...     reporter.step("jupiter through newtonian-150")
    """

    def __init__(self, what: str, total: int, *, stream: TextIO | None = None, quiet: bool = False) -> None:
        self.what = what
        self.total = total
        self.done = 0
        self._stream = sys.stderr if stream is None else stream
        self._quiet = quiet
        self._bar: Any = None
        self._task: Any = None
        self._last = -1.0

    def __enter__(self) -> Reporter:
        if not self._quiet and self.total > 1 and getattr(self._stream, "isatty", lambda: False)():
            self._start_bar()
        return self

    def _start_bar(self) -> None:
        from rich.console import Console
        from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

        console = Console(file=self._stream, no_color=not wants_colour(self._stream))
        columns = (TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
        self._bar = Progress(*columns, console=console, transient=True)
        self._bar.start()
        self._task = self._bar.add_task(self.what, total=self.total)

    def step(self, text: str = "", count: int = 1) -> None:
        """Count `count` more as done and show `text`.

        Plain lines come at most four a second, and always for the last step.
        """
        self.done += count
        if self._quiet:
            return
        if self._bar is not None:
            self._bar.update(self._task, advance=count, description=text or self.what)
            return
        now = time.monotonic()
        if self.done >= self.total or now - self._last > 0.25:
            self._last = now
            self.say(f"{self.done}/{self.total} {self.what}" + (f": {text}" if text else ""))

    def say(self, sentence: str) -> None:
        """Print a sentence of its own."""
        if self._quiet:
            return
        if self._bar is not None:
            self._bar.console.print(sentence, markup=False, highlight=False)
        else:
            print(sentence, file=self._stream, flush=True)

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._bar is not None:
            self._bar.stop()
            self._bar = None
