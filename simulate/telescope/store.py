"""A cache on disk for arrays that are slow to build; safe to delete at any time."""

from __future__ import annotations

import contextlib
import hashlib
import os
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np
import numpy.typing as npt

from simulate.errors import InputError
from simulate.values.files import LEFT_BEHIND, beside

FORMAT = 1
"""Raise it when what a key means changes: older files are then never read."""


LARGEST_FILE = 70_000_000
"""Bytes of the largest file that is read: the finest pupil has 4096 x 4096 numbers of four bytes."""

LARGEST_FOLDER = 200_000_000
"""Bytes of all files that are kept: about two hundred shapes of pupils."""

LEFT_AFTER_S = 3600
"""Age at which a file that was begun and never finished counts as left behind."""


def cache_folder() -> Path:
    """Return the user's cache folder of this program; it may not exist yet."""
    from platformdirs import user_cache_path

    return user_cache_path("simulate", appauthor=False) / "pupils"


def remembered(key: str, build: Callable[[], npt.NDArray[np.float32]]) -> npt.NDArray[np.float32]:
    """Return the array filed under `key`, built and filed first if it is not there.

    Parameters
    ----------
    key : str
        Everything that the array depends on, as text.
    build : callable
        Makes the array, float32 of any shape. A cache that cannot be read or written, or that holds
        a damaged file, only costs the time of `build`.
    """
    name = hashlib.sha256(f"{FORMAT} {key}".encode()).hexdigest()[:24]
    path = cache_folder() / f"{name}.npz"
    found = _read(path, key)
    if found is not None:
        return found
    array = build().astype(np.float32)
    with contextlib.suppress(OSError, InputError):
        _write(path, key, array)
    return array


def _read(path: Path, key: str) -> npt.NDArray[np.float32] | None:
    try:
        if path.stat().st_size > LARGEST_FILE:
            return None
        with np.load(path, allow_pickle=False) as file:
            found = file["array"] if str(file["key"]) == key else None
        os.utime(path)  # what is used stays, see `_prune`
    except Exception:  # a damaged file can end its reader in any way; it costs the time to build the array again
        return None
    return found if found is not None and found.dtype == np.float32 and np.isfinite(found).all() else None


def _write(path: Path, key: str, array: npt.NDArray[np.float32]) -> None:
    with beside(path) as temporary, open(temporary, "wb") as file:
        np.savez(file, key=np.array(key), array=array)
    _prune(path.parent)


def _prune(folder: Path) -> None:
    """Remove the files that were used longest ago until the rest is small enough; others may do so at the same time."""
    found = []
    for path in folder.iterdir():
        with contextlib.suppress(OSError):  # gone meanwhile
            status = path.stat()
            found.append((status.st_mtime_ns, path, status.st_size))
    total = 0
    for used_ns, path, size in sorted(found, reverse=True):
        total += size
        begun = LEFT_BEHIND.fullmatch(path.name)
        if total > LARGEST_FOLDER or (begun and time.time_ns() - used_ns > LEFT_AFTER_S * 10**9):
            with contextlib.suppress(OSError):
                path.unlink()
