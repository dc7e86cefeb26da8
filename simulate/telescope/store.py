"""A cache on disk for arrays that are slow to build; safe to delete at any time."""

from __future__ import annotations

import contextlib
import hashlib
import zipfile
from collections.abc import Callable
from pathlib import Path

import numpy as np
import numpy.typing as npt

from simulate.errors import InputError
from simulate.values.files import beside

FORMAT = 1
"""Raise it when what a key means changes: older files are then never read."""


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
        with np.load(path, allow_pickle=False) as file:
            return file["array"] if str(file["key"]) == key else None
    except (OSError, ValueError, KeyError, EOFError, zipfile.BadZipFile):
        return None


def _write(path: Path, key: str, array: npt.NDArray[np.float32]) -> None:
    with beside(path) as temporary, open(temporary, "wb") as file:
        np.savez(file, key=np.array(key), array=array)
