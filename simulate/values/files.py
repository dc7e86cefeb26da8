"""Writing files so that a reader never meets half of one."""

from __future__ import annotations

import re
import secrets
from collections.abc import Generator
from contextlib import contextmanager, suppress
from pathlib import Path

from simulate.errors import InputError


@contextmanager
def beside(path: str | Path) -> Generator[Path, None, None]:
    """Give the path of a new file beside `path` to write to; rename it over `path` at the end.

    On an error nothing is left behind and `path` is as it was. Missing folders are made.

    Parameters
    ----------
    path : str or Path
        Where the finished file goes.

    Raises
    ------
    InputError
        If a folder is in the way of the file, or a file in the way of its folder.
    """
    wanted = Path(path)
    if wanted.is_dir():
        raise InputError("output file", str(wanted), "give the name of a file; a folder of that name is in the way")
    try:
        wanted.parent.mkdir(parents=True, exist_ok=True)
    except (FileExistsError, NotADirectoryError) as error:
        raise InputError("output folder", str(wanted.parent), "a file is in its way") from error
    # a name that no other run can hit upon, so that two that write the same file do not mix
    temporary = wanted.with_name(f".{wanted.stem}-{secrets.token_hex(8)}{wanted.suffix}")
    try:
        temporary.touch(exist_ok=False)
        yield temporary
        temporary.replace(wanted)
    except BaseException as error:
        with suppress(OSError):
            temporary.unlink()
        if isinstance(error, OSError) and error.errno and error.filename in (None, str(temporary)):
            # a full disk is met while writing, which names no file
            raise OSError(error.errno, error.strerror, str(wanted)) from error
        raise


LEFT_BEHIND = re.compile(r"\..+-[0-9a-f]{16}(\.\w+)?")
"""Names of files that `beside` had begun when its process was killed."""


def write_bytes(path: str | Path, content: bytes) -> Path:
    """Write `content` beside `path` and rename it there; return the path."""
    with beside(path) as temporary:
        temporary.write_bytes(content)
    return Path(path)
