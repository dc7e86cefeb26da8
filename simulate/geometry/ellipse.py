"""Places on an ellipse whose elements change evenly."""

from __future__ import annotations

from typing import TYPE_CHECKING

import erfa
import numpy as np
import numpy.typing as npt

from simulate.geometry.vectors import FloatArray, cross, from_angles

if TYPE_CHECKING:
    from simulate.bodies.orbit import Elements

DAYS_PER_CENTURY = 36525.0
OBLIQUITY_J2000_RAD = np.radians(84381.406 / 3600.0)
"""Of the ecliptic, J2000 (IAU 2006; Capitaine et al. 2003)."""

_STEP_DAYS = 1e-3
_MOST_ROUNDS = 50


def along_ellipse(elements: Elements, days_tdb: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return place (n, 3) in km and velocity (n, 3) in km/day about the centre, ICRF axes.

    Parameters
    ----------
    elements : Elements
        Mean elements.
    days_tdb : array, shape (n,)
        Days of Barycentric Dynamical Time since 2000-01-01 12:00.
    """
    # the velocity is that of the place, with all that the elements' own change adds to it
    before, after = _place(elements, days_tdb - _STEP_DAYS), _place(elements, days_tdb + _STEP_DAYS)
    return np.asarray(_place(elements, days_tdb)), (after - before) / (2.0 * _STEP_DAYS)


def _place(elements: Elements, days_tdb: FloatArray) -> FloatArray:
    centuries = days_tdb / DAYS_PER_CENTURY

    def at(series: npt.NDArray[np.float64]) -> FloatArray:
        return np.polynomial.polynomial.polyval(centuries, series)  # pyright: ignore[reportReturnType]

    axis, eccentricity = at(elements.semi_major_axis_km), np.clip(at(elements.eccentricity), 0.0, 0.99)
    node = np.radians(at(elements.node_longitude_deg))
    pericentre = np.radians(at(elements.pericentre_longitude_deg))
    tilt = np.radians(at(elements.inclination_deg))
    anomaly = solve_kepler(np.radians(at(elements.mean_longitude_deg)) - pericentre, eccentricity)
    x = axis * (np.cos(anomaly) - eccentricity)
    y = axis * np.sqrt(1.0 - eccentricity**2) * np.sin(anomaly)
    argument = pericentre - node
    along = x * np.cos(argument) - y * np.sin(argument)
    across = x * np.sin(argument) + y * np.cos(argument)
    in_plane = np.stack(
        [
            along * np.cos(node) - across * np.sin(node) * np.cos(tilt),
            along * np.sin(node) + across * np.cos(node) * np.cos(tilt),
            across * np.sin(tilt),
        ],
        axis=-1,
    )
    return in_plane @ _axes(elements.pole_deg)


def solve_kepler(mean_anomaly: FloatArray, eccentricity: FloatArray) -> FloatArray:
    """Return the eccentric anomaly, rad, of Kepler's equation E - e sin E = M, by Newton's method."""
    mean = np.remainder(mean_anomaly + np.pi, 2.0 * np.pi) - np.pi
    found = mean + eccentricity * np.sin(mean)
    for _ in range(_MOST_ROUNDS):
        step = (found - eccentricity * np.sin(found) - mean) / (1.0 - eccentricity * np.cos(found))
        found = found - step
        if np.all(np.abs(step) < 1e-13):
            break
    return found


def _axes(pole_deg: tuple[float, float] | None) -> FloatArray:
    """Rows: x, y, z of the plane of reference in ICRF axes."""
    if pole_deg is None:
        return erfa.rx(-OBLIQUITY_J2000_RAD, np.eye(3)).T
    pole = from_angles(*pole_deg)
    node = from_angles(pole_deg[0] + 90.0, 0.0)  # the plane's ascending node on the ICRF equator
    return np.stack([node, cross(pole, node), pole])
