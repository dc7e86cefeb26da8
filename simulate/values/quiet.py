"""What libraries warn of and nobody needs to hear."""

from __future__ import annotations

import warnings
from collections.abc import Generator
from contextlib import contextmanager, suppress


@contextmanager
def ignored(category: type[Warning]) -> Generator[None, None, None]:
    """Ignore a class of warnings for a while.

    `warnings.catch_warnings` puts the whole list of filters back at its end, which undoes and leaves behind
    what other threads change meanwhile. Here one entry is put in and that one taken out.

    Parameters
    ----------
    category : type
        Class of the warnings; a library's, since our own are told by `simulate.errors.note`.
    """
    entry = ("ignore", None, category, None, 0)
    warnings.filters.insert(0, entry)  # type: ignore[attr-defined]
    try:
        yield
    finally:
        with suppress(ValueError):  # somebody else has put back a list of before
            warnings.filters.remove(entry)  # type: ignore[attr-defined]
