"""When does a quantity pass a level or turn: many events refined together.

A function takes days, shape (n,), and gives values, shape (n,); it is sampled, and every bracket that
holds an event is cut again and again, all brackets in one call, so that the cost of a call is shared.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from simulate.geometry.vectors import FloatArray

Quantity = Callable[[FloatArray], FloatArray]

_PIECES = 12


def wrapped(angle_deg: FloatArray) -> FloatArray:
    """Return angles as -180..180 deg."""
    return (np.asarray(angle_deg) + 180.0) % 360.0 - 180.0


def crossings(quantity: Quantity, days: FloatArray, *, rounds: int = 3) -> tuple[FloatArray, FloatArray]:
    """Return when a quantity passes zero, and +1 where it rises, -1 where it falls.

    Steps of more than 180 (an angle that wraps) are not crossings.

    Parameters
    ----------
    quantity : callable
        Values at days, shape (n,) to (n,); NaN counts as no crossing.
    days : array, shape (n,)
        Rising; steps short enough that no two crossings hide in one.
    rounds : int
        Each cuts the brackets by 12; a straight line does the rest.

    Returns
    -------
    array, array : shape (events,)
        Days and signs, in the order of time.
    """
    if len(days) < 2:
        return np.empty(0), np.empty(0)
    values = quantity(days)
    step = values[1:] - values[:-1]
    hit = (values[:-1] < 0.0) != (values[1:] < 0.0)
    hit &= (np.abs(step) < 180.0) & np.isfinite(step)
    low, high = days[:-1][hit], days[1:][hit]
    if len(low) == 0:
        return np.empty(0), np.empty(0)
    sign = np.where(values[1:][hit] >= 0.0, 1.0, -1.0)
    start, end = values[:-1][hit], values[1:][hit]
    rows = np.arange(len(low))
    for _ in range(rounds):
        inner = low[:, None] + (high - low)[:, None] * np.linspace(0.0, 1.0, _PIECES + 1)
        table = quantity(inner.ravel()).reshape(inner.shape)
        table[:, 0], table[:, -1] = start, end
        first = np.argmax((table >= 0.0) == (sign > 0)[:, None], axis=1)
        first = np.maximum(first, 1)
        low, high = inner[rows, first - 1], inner[rows, first]
        start, end = table[rows, first - 1], table[rows, first]
    share = np.where(end == start, 0.5, -start / np.where(end == start, 1.0, end - start))
    return low + (high - low) * np.clip(share, 0.0, 1.0), sign


def crossed(days: FloatArray, values: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return where a tabulated quantity passes zero, by straight lines, and +1 where it rises, -1 where it falls.

    Parameters
    ----------
    days, values : array, shape (n,)
        Rising days, and the quantity.
    """
    hit = np.flatnonzero((values[:-1] < 0.0) != (values[1:] < 0.0))
    share = values[hit] / (values[hit] - values[hit + 1])
    return days[hit] + share * (days[hit + 1] - days[hit]), np.sign(values[hit + 1] - values[hit])


def maxima(quantity: Quantity, days: FloatArray, *, rounds: int = 3) -> tuple[FloatArray, FloatArray]:
    """Return when a quantity is greatest between smaller neighbours, and its values there.

    Parameters
    ----------
    quantity : callable
        Values at days, shape (n,) to (n,).
    days : array, shape (n,)
        Rising, evenly spaced.
    rounds : int
        Each cuts the brackets by 6; a parabola does the rest.

    Returns
    -------
    array, array : shape (events,)
        Days and values, in the order of time.
    """
    if len(days) < 3:
        return np.empty(0), np.empty(0)
    values = quantity(days)
    peak = np.flatnonzero((values[1:-1] > values[:-2]) & (values[1:-1] >= values[2:])) + 1
    if len(peak) == 0:
        return np.empty(0), np.empty(0)
    low, middle, high = days[peak - 1], days[peak], days[peak + 1]
    before, top, after = values[peak - 1], values[peak], values[peak + 1]
    rows = np.arange(len(peak))
    for _ in range(rounds):
        inner = low[:, None] + (high - low)[:, None] * np.linspace(0.0, 1.0, _PIECES + 1)
        table = quantity(inner.ravel()).reshape(inner.shape)
        best = np.clip(np.argmax(table, axis=1), 1, _PIECES - 1)
        low, middle, high = inner[rows, best - 1], inner[rows, best], inner[rows, best + 1]
        before, top, after = table[rows, best - 1], table[rows, best], table[rows, best + 1]
    bend = before - 2.0 * top + after
    shift = np.where(bend < 0.0, 0.5 * (before - after) / np.where(bend < 0.0, bend, 1.0), 0.0)
    shift = np.clip(shift, -1.0, 1.0)
    return middle + shift * (high - low) / 2.0, top - 0.25 * (before - after) * shift


def spans(inside: np.ndarray) -> list[tuple[int, int]]:
    """Return (first, last) index of each run of true values, both included."""
    padded = np.concatenate([[False], np.asarray(inside, bool), [False]]).astype(int)
    edges = np.flatnonzero(np.diff(padded))
    return [(int(a), int(b) - 1) for a, b in zip(edges[::2], edges[1::2], strict=True)]
