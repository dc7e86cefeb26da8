"""Arrays that nobody can change behind a value's back."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt


def frozen_array(values: npt.ArrayLike, dtype: Any = None) -> npt.NDArray[Any]:
    """Return `values` as a read-only array of any shape (copied only where it must be).

    Parameters
    ----------
    values : array_like
        Any shape and unit.
    dtype : data type, optional
        Wanted type; default keeps that of `values`.
    """
    array = np.asarray(values, dtype=dtype)
    if array.flags.writeable:
        array = array.view()
        array.setflags(write=False)
    return array
