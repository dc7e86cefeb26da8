"""What moves during an exposure or a recording, and the blur it leaves."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import numpy.typing as npt

from simulate.values.checks import to_float
from simulate.values.grid import Grid

FloatArray = npt.NDArray[np.floating]


def tracking_transfer(grid: Grid, rms_arcsec: float) -> npt.NDArray[np.float32]:
    """Return the transfer of a Gaussian wander: exp(-2 pi^2 s^2 f^2), the transform of a Gaussian.

    Parameters
    ----------
    grid : Grid
        Gives the frequencies.
    rms_arcsec : float
        Standard deviation in each axis, arcsec.

    Returns
    -------
    array of float32, shape (rows, columns//2+1)
        Layout of ``rfft2``; 1 at zero frequency.
    """
    rms = to_float("tracking error", rms_arcsec, "arcsec", 0.0)
    return np.exp(-2 * np.pi**2 * rms**2 * grid.frequency() ** 2).astype(np.float32)


def wander_within(rms_arcsec: float, exposure_s: float, correlation_s: float = 1.0) -> float:
    """Return the rms of a tracking wander about its own mean within one exposure, arcsec, each axis.

    The wander is taken as a process whose correlation falls as exp(-t/T). Its mean over an exposure
    t = x T has the variance s^2 2 (x - 1 + exp(-x)) / x^2 (Papoulis 1965, "Probability, Random Variables
    and Stochastic Processes", ergodicity of the mean); the rest of s^2 blurs the exposure, and the mean
    only shifts it, which aligning takes out. In a short exposure little is left: s sqrt(x / 3).

    Parameters
    ----------
    rms_arcsec : float
        Wander over a long time, rms in each axis, arcsec.
    exposure_s : float
        Exposure, s.
    correlation_s : float
        Time T over which the wander forgets itself, s; one second is common practice for gears and
        shaking by wind.
    """
    rms = to_float("tracking error", rms_arcsec, "arcsec", 0.0)
    length = to_float("exposure", exposure_s, "s", 0.0) / to_float(
        "correlation", correlation_s, "s", 0.0, open_low=True
    )
    if length < 1e-3:  # the first terms of the series, where the difference below would lose its digits
        return rms * math.sqrt(length / 3 - length**2 / 12)
    return rms * math.sqrt(1 + 2 * (1 - length - math.exp(-length)) / length**2)


def motion_transfer(grid: Grid, east_arcsec: float, north_arcsec: float) -> npt.NDArray[np.float32]:
    """Return the transfer of an even drift by the vector (east, north) arcsec: sinc(f . d).

    The drift is centred on mid-exposure, so that the picture does not move, only smear.

    Parameters
    ----------
    grid : Grid
        Gives the frequencies.
    east_arcsec, north_arcsec : float
        Whole drift during the exposure, arcsec.

    Returns
    -------
    array of float32, shape (rows, columns//2+1)
        Layout of ``rfft2``; 1 at zero frequency.
    """
    east = to_float("drift east", east_arcsec, "arcsec")
    north = to_float("drift north", north_arcsec, "arcsec")
    path = grid.frequency_north()[:, None] * north - grid.frequency_west()[None, :] * east
    return np.sinc(path).astype(np.float32)


def rotation_drift(point: npt.ArrayLike, axis: npt.ArrayLike, angle_deg: float) -> npt.NDArray[np.float64]:
    """Return how far points move when the body, or the field, turns by an angle about an axis.

    Serves both rotations: a planet about its pole, and the field of an altazimuth mount about the line
    of sight, axis (0, 0, 1). The exact chord by Rodrigues' formula (1840), from half the angle before
    to half the angle after.

    Parameters
    ----------
    point : array_like, shape (..., 3)
        Place relative to a point of the axis: east, north, toward the observer; any unit of length.
    axis : array_like, shape (3,)
        Direction of the axis in the same frame; seen from its tip the turn is counterclockwise in
        space. For a prograde planet this is its north pole. On the sky east is left, so about
        (0, 0, 1) a positive turn carries east to south.
    angle_deg : float
        Angle turned, deg.

    Returns
    -------
    array, shape (..., 2)
        Drift east and north in the unit of `point`.
    """
    place = np.asarray(point, dtype=float)
    direction = np.asarray(axis, dtype=float)
    direction = direction / np.linalg.norm(direction)
    # (east, north, toward observer) is left-handed: swap the sign of the cross product
    cross = -np.cross(np.broadcast_to(direction, place.shape), place)
    chord = 2 * math.sin(math.radians(angle_deg) / 2) * cross
    return chord[..., :2]


def field_rotation_smear(picture: FloatArray, grid: Grid, angle_deg: float) -> FloatArray:
    """Return the mean of a picture while its field turns evenly about the body's centre.

    The turn is centred on the middle of the exposure and cut into so many equal steps that nothing in
    the field moves by more than half a cell in one of them.

    Parameters
    ----------
    picture : array, shape (rows, columns)
        Any brightness; zero is taken beyond its edge.
    grid : Grid
        Grid of `picture`.
    angle_deg : float
        Angle turned during the exposure, deg.
    """
    from scipy.ndimage import affine_transform

    centre = np.array(grid.pixel_of(0.0, 0.0))
    corners = np.array([(r, c) for r in (0, grid.rows - 1) for c in (0, grid.columns - 1)])
    reach = np.max(np.linalg.norm(corners - centre, axis=1))
    steps = max(1, math.ceil(2 * math.radians(abs(angle_deg)) * reach))
    total = np.zeros(grid.shape)
    for step in range(steps):
        turn = math.radians(angle_deg) * ((step + 0.5) / steps - 0.5)
        matrix = np.array([[math.cos(turn), -math.sin(turn)], [math.sin(turn), math.cos(turn)]])
        offset: Any = centre - matrix @ centre
        total += affine_transform(picture, matrix, offset, order=3, mode="grid-constant")
    return total / steps
