"""Seasons of Mars: edges of the polar caps, collars and hoods against Ls, and dust in the air.

Ls is the areocentric longitude of the Sun, deg: 0 at the northern spring equinox, 90 at the northern
summer solstice. The tables themselves are data (``mars.toml``).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]


def cyclic(table: npt.ArrayLike, solar_longitude_deg: npt.ArrayLike) -> FloatArray:
    """Interpolate a table around the year.

    Parameters
    ----------
    table : array_like, shape (n, 2)
        Rows (Ls in deg, rising, within 0..360; value).
    solar_longitude_deg : array_like
        Ls, deg; any turn.

    Returns
    -------
    array
        Linear between the rows, from the last row of the year to the first of the next as well.
    """
    rows = np.asarray(table, dtype=float)
    return np.interp(np.asarray(solar_longitude_deg, dtype=float), rows[:, 0], rows[:, 1], period=360.0)


def cap_edge_deg(edge_table: npt.ArrayLike, solar_longitude_deg: float | None) -> float:
    """Return the planetographic latitude of a cap's edge, deg, north positive.

    Parameters
    ----------
    edge_table : array_like, shape (n, 2)
        Rows (Ls, latitude of the edge), deg.
    solar_longitude_deg : float or None
        Ls, deg; None gives the remnant that is left in summer.
    """
    if solar_longitude_deg is None:
        latitudes = np.asarray(edge_table, dtype=float)[:, 1]
        return float(latitudes[np.argmax(np.abs(latitudes))])
    return float(cyclic(edge_table, solar_longitude_deg))


def season_strength(start_deg: float, end_deg: float, ramp_deg: float, solar_longitude_deg: float | None) -> float:
    """Return how far a seasonal appearance is there: 0 (not) to 1 (fully).

    Parameters
    ----------
    start_deg, end_deg : float
        Ls between which it is seen, deg; a season may pass through 0.
    ramp_deg : float
        Width of the rise and the fall, deg, inside the season.
    solar_longitude_deg : float or None
        Ls; None means no season, hence 0.
    """
    if solar_longitude_deg is None:
        return 0.0
    length = (end_deg - start_deg) % 360.0
    since = (solar_longitude_deg - start_deg) % 360.0
    if since > length:
        return 0.0
    return float(min(1.0, since / ramp_deg, (length - since) / ramp_deg))


def with_dust(relative: FloatArray, dust: float, brightening: FloatArray) -> FloatArray:
    """Veil a map by dust in the air.

    Parameters
    ----------
    relative : array, shape (..., bands)
        Reflectance relative to the mean of the globe.
    dust : float
        Optical depth above that of clear air. Contrast falls by exp(-dust), as seen straight down.
    brightening : array, shape (bands,)
        Gain of the whole disc under thick dust (0.08 means 8 per cent).

    Returns
    -------
    array
        Same shape; untouched for ``dust = 0``.
    """
    if dust == 0.0:
        return relative
    left = np.exp(-dust)
    return (1.0 + (relative - 1.0) * left) * (1.0 + brightening * (1.0 - left))
