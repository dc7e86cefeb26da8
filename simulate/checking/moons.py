"""Which moon is which, and when: dots beside a planet against its moons over days, before the planet's face is fitted.

A dot and the planet's middle fix scale and turn once the dot is taken for some moon at some time under some mirror.
All such guesses are scored by all other dots and moons (a sum of truncated squares, the log of a mixture of a moon's
place and of dots that lie anywhere), and the score is summed over guesses as a posterior of the time. Nothing of the
planet but its middle and its rough size is used, so processing that spoils the disc does no harm.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.optimize import least_squares

from simulate.checking.model import Pose
from simulate.values.arrays import frozen_array

FloatArray = npt.NDArray[np.floating]

PLACE_ARCSEC, PLACE_SHARE = 0.6, 0.012
"""Standard deviation of a dot's place, and what it grows by with the distance from the planet: moons are often taken
from another exposure and pasted, and the planet's middle by its light is off by its phase and its markings."""

PASTED_ARCSEC = 3.0
"""How far beside its planet a layer of moons is pasted (common practice; standard deviation)."""

MOON_ARCSEC_PER_S = 0.006
"""Usual motion of the inner moons of Jupiter, near its disc (17 km/s at 4 au is 0.006)."""

LEAST_PLACE_ARCSEC = 0.4
"""Standard deviation below which no dot's place is believed."""

STRAY_COST, MISSING_COST = 18.0, 4.0
"""Twice the log likelihood that is lost by a dot that is no moon (its place is then anywhere in some hundred arcsec),
and by a moon in the picture that does not show (faint, drowned in glare, cut away: one in eight)."""

SCALE_RANGE = (0.72, 1.25)
"""Factors on the scale by the disc's size within which that by the moons is sought: limb darkening and tone shrink a
disc, glare and sharpening widen it."""

MERGED_ARCSEC = 4.0
"""Moons nearer to each other than this may show as one dot between them, and one moon as two dots."""

AS_TOLD, WHOLE_HOURS, WHOLE_DAYS = 0.5, 0.2, 0.15
"""Prior probability of the time told, of clocks set to another time zone (whole hours) and of the day before or after;
what is left is spread over all times. How people go wrong: common practice."""

NEAR_TOLD_S = 420.0
"""Seconds around the time told that count as told: the middle of a recording is seldom known better."""

SURE = 0.98
"""Posterior probability from which a time, or a mirror, is named."""


@dataclass(frozen=True, eq=False)
class MoonPlaces:
    """Moons beside the disc at n instants.

    Parameters
    ----------
    names : tuple of str
        Of the moons.
    offset_s : array, shape (n,)
        After the time told; evenly spaced, 0 among them.
    place : array, shape (moons, n, 2)
        East and north of the planet's middle, arcsec; NaN where a moon is not to be seen beside the disc.
    """

    names: tuple[str, ...]
    offset_s: npt.NDArray[np.float64]
    place: npt.NDArray[np.float64]

    def __post_init__(self) -> None:
        for name in ("offset_s", "place"):
            object.__setattr__(self, name, frozen_array(getattr(self, name), np.float64))


@dataclass(frozen=True)
class Pasted:
    """Where dots lie in a picture, and what is known of it before any fit.

    Parameters
    ----------
    rows, columns : tuple of float
        Of the dots.
    middle : (row, column)
        Of the planet.
    scale_arcsec : float
        A pixel by the planet's size, roughly.
    shape : (rows, columns)
        Of the picture.
    clear_arcsec : float
        Radius around the planet within which no dot is looked for.
    """

    rows: tuple[float, ...]
    columns: tuple[float, ...]
    middle: tuple[float, float]
    scale_arcsec: float
    shape: tuple[int, int]
    clear_arcsec: float


@dataclass(frozen=True)
class MoonsAnswer:
    """What dots beside a planet say of time, scale, turn and mirror.

    Parameters
    ----------
    offset_s, error_s : float
        Time of the best answer after the one told, and standard deviation.
    probability : float
        That the time is that one, within what its moons can tell.
    probability_as_told : float
        That it is the one told.
    pose : Pose
        Of the picture by its moons, for that time.
    scale_error, angle_error_deg : float
        Standard deviations: share of the scale, and degrees.
    mirror_probability : float
        That the mirror of `pose` is right.
    names : tuple of str
        Moon of each dot; empty for a dot that is none.
    missing : tuple of str
        Moons that should show and do not.
    rms_arcsec : float
        Of the dots' distances from their moons.
    """

    offset_s: float
    error_s: float
    probability: float
    probability_as_told: float
    pose: Pose
    scale_error: float
    angle_error_deg: float
    mirror_probability: float
    names: tuple[str, ...]
    missing: tuple[str, ...]
    rms_arcsec: float

    @property
    def matched(self) -> int:
        """Dots that are moons."""
        return sum(bool(name) for name in self.names)

    @property
    def tells_pose(self) -> bool:
        """Whether scale, angle and mirror can be taken from the moons alone."""
        return self.matched >= 2 and self.mirror_probability > SURE and self.probability > SURE

    @property
    def as_told(self) -> bool:
        """Whether the answer is the time told."""
        return abs(self.offset_s) <= max(NEAR_TOLD_S, 2.0 * self.error_s)


@dataclass(frozen=True, eq=False)
class _Guesses:
    """Costs, scales and turns of all guesses that start from one dot and one mirror: arrays of shape (moons, n)."""

    mirrored: bool
    cost: npt.NDArray[np.float64]
    turn: npt.NDArray[np.complexfloating]


def match_moons(dots: Pasted, places: MoonPlaces) -> MoonsAnswer | None:
    """Return the most probable answer; None without dots or moons.

    Parameters
    ----------
    dots : Pasted
        The dots.
    places : MoonPlaces
        The moons over the times that are tried.
    """
    if not dots.rows or not len(places.names):
        return None
    # sky as north + i east; the picture as up - i right, mirrored up + i right: then sky = turn * picture
    moons = places.place[..., 1] + 1j * places.place[..., 0]
    guesses = []
    for mirrored in (False, True):
        picture = _complex(dots, mirrored)
        guesses += [_guessed(picture, number, moons, dots, mirrored) for number in range(len(picture))]
    score = np.array([np.where(guess.cost < 1e6, -0.5 * guess.cost, -np.inf) for guess in guesses])
    score = score + _log_prior(places.offset_s)
    top = float(score.max())
    if not math.isfinite(top):
        return None
    number, moon, step = (int(i) for i in np.unravel_index(int(np.argmax(score)), score.shape))
    weight = np.exp(score - top)
    by_time = weight.sum(axis=(0, 1))
    sides = [float(sum(weight[i].sum() for i, g in enumerate(guesses) if g.mirrored is side)) for side in (False, True)]
    best = guesses[number]
    refined = _refined(dots, places, best, moon, step)
    if refined is None:
        return None
    pose, offset, error_s, scale_error, angle_error, names, missing, rms = refined
    spread = max(3.0 * error_s, 3.0 * float(places.offset_s[1] - places.offset_s[0]), NEAR_TOLD_S)
    near = np.abs(places.offset_s - offset) <= spread
    told = np.abs(places.offset_s) <= spread
    whole = float(by_time.sum())
    return MoonsAnswer(
        offset_s=offset,
        error_s=error_s,
        probability=float(by_time[near].sum()) / whole,
        probability_as_told=float(by_time[told].sum()) / whole,
        pose=pose,
        scale_error=scale_error,
        angle_error_deg=angle_error,
        mirror_probability=sides[int(best.mirrored)] / sum(sides),
        names=names,
        missing=missing,
        rms_arcsec=rms,
    )


def _complex(dots: Pasted, mirrored: bool) -> npt.NDArray[np.complexfloating]:
    up = np.array(dots.rows) - dots.middle[0]
    right = np.array(dots.columns) - dots.middle[1]
    return up + 1j * right if mirrored else up - 1j * right


def _sigma(distance: FloatArray) -> FloatArray:
    return np.hypot(PLACE_ARCSEC, PLACE_SHARE * distance)


def _log_prior(offset_s: FloatArray) -> FloatArray:
    """Log of the prior of each time, see `AS_TOLD`."""
    step = float(offset_s[1] - offset_s[0]) if len(offset_s) > 1 else 1.0
    near = max(NEAR_TOLD_S, 0.5 * step)
    share = np.full(len(offset_s), (1.0 - AS_TOLD - WHOLE_HOURS - WHOLE_DAYS) / len(offset_s))
    for period, probability in ((3600.0, WHOLE_HOURS), (86400.0, WHOLE_DAYS)):
        away = np.abs(offset_s - period * np.rint(offset_s / period))
        held = (away <= near) & (np.abs(offset_s) > near)
        share[held] += probability / max(int(held.sum()), 1)
    told = np.abs(offset_s) <= near
    share[told] += AS_TOLD / max(int(told.sum()), 1)
    return np.log(share)


def _guessed(
    picture: npt.NDArray[np.complexfloating],
    number: int,
    moons: npt.NDArray[np.complexfloating],
    dots: Pasted,
    mirrored: bool,
) -> _Guesses:
    """Take one dot for each moon at each time, and score the others."""
    turn = moons / picture[number]
    scale = np.abs(turn) / dots.scale_arcsec
    # the disc tells the scale to a tenth or so: nearer is likelier
    scale_cost = (np.log(np.maximum(scale, 1e-9)) / 0.1) ** 2
    placed = turn[None] * picture[:, None, None]
    away = np.abs(placed[:, :, None, :] - moons[None, None])
    sigma = _sigma(np.abs(moons))
    with np.errstate(invalid="ignore"):
        square = np.nan_to_num((away / sigma) ** 2, nan=np.inf)
        nearest = np.minimum(square.min(axis=2), STRAY_COST)
        shown = _in_picture(moons[None], turn[:, None, :], dots)
        unseen = (square.min(axis=0) > STRAY_COST) & shown
        cost = nearest.sum(axis=0) + MISSING_COST * unseen.sum(axis=1) + scale_cost
        usable = (scale > SCALE_RANGE[0]) & (scale < SCALE_RANGE[1]) & np.isfinite(cost)
    return _Guesses(mirrored, np.where(usable, cost, 1e9), turn)


def _in_picture(
    moons: npt.NDArray[np.complexfloating], turn: npt.NDArray[np.complexfloating], dots: Pasted
) -> npt.NDArray[np.bool_]:
    """Which moons lie well inside the picture and clear of the disc; the mirror only exchanges left and right."""
    back = moons / turn
    margin = 4.0
    up, right = back.real, np.abs(back.imag)
    # the nearer side edge: whichever way the picture is mirrored, a moon beyond it may be cut away
    side = min(dots.middle[1], dots.shape[1] - 1 - dots.middle[1])
    inside = (
        (up + dots.middle[0] > margin) & (up + dots.middle[0] < dots.shape[0] - 1 - margin) & (right < side - margin)
    )
    return inside & (np.abs(moons) > dots.clear_arcsec)


_Refined = tuple[Pose, float, float, float, float, tuple[str, ...], tuple[str, ...], float]
"""Pose, offset and its error, s, errors of scale and angle, names, missing ones, rms, arcsec."""


def _refined(dots: Pasted, places: MoonPlaces, guess: _Guesses, moon: int, step: int) -> _Refined | None:
    """Better time, scale, turn and the planet's middle together from all dots that are moons; see `MoonsAnswer`."""
    picture = _complex(dots, guess.mirrored)
    moons = places.place[..., 1] + 1j * places.place[..., 0]
    turn = complex(guess.turn[moon, step])
    placed, there = turn * picture, moons[:, step]
    away = np.abs(placed[:, None] - there[None])
    with np.errstate(invalid="ignore"):
        square = np.nan_to_num((away / _sigma(np.abs(there))) ** 2, nan=np.inf)
    whose = np.where(square.min(axis=1) < STRAY_COST, square.argmin(axis=1), -1)
    used = np.flatnonzero(whose >= 0)
    if not used.size:
        return None
    low, high = max(step - 3, 0), min(step + 4, len(places.offset_s))
    seconds = places.offset_s[low:high]

    def at(offset: float, number: int) -> complex:
        # a moon that enters or leaves the disc within the step keeps the place it had
        track = moons[number, low:high]
        held = np.isfinite(track)
        return complex(
            np.interp(offset, seconds[held], track[held].real), np.interp(offset, seconds[held], track[held].imag)
        )

    start = np.array([math.log(abs(turn)), math.atan2(turn.imag, turn.real), 0.0, 0.0, 0.0])
    wide = _sigma(np.abs(there[whose[used]]))
    here = float(places.offset_s[step])
    # the middle of a disc's light is off its centre by its phase and markings; moons that were pasted in lie beside it
    loose = PASTED_ARCSEC if used.size > 2 else PLACE_ARCSEC

    def left(p: FloatArray, sigma: FloatArray) -> FloatArray:
        factor = np.exp(p[0] + 1j * p[1])
        offset = here + 60.0 * p[4]
        want = np.array([at(offset, int(whose[i])) for i in used])
        miss = (factor * (picture[used] - (p[2] + 1j * p[3]) / dots.scale_arcsec) - want) / sigma
        known = [(p[0] - math.log(dots.scale_arcsec)) / 0.1, p[2] / loose, p[3] / loose, p[4] / 8.0]
        return np.concatenate([miss.real, miss.imag, known])

    close, freedom = wide, max(2 * used.size - 4, 1)
    solved = least_squares(left, start, loss="soft_l1", f_scale=2.0, args=(close,))
    for _ in range(3):
        # dots that fit better than assumed tell that their places are better, but few dots tell little of that
        off = _off(left(solved.x, close), close)
        better = math.sqrt((float(np.sum((off / wide) ** 2)) + 0.1) / (freedom + 0.1))
        close = np.maximum(wide * min(better, 1.5), LEAST_PLACE_ARCSEC)
        solved = least_squares(left, solved.x, loss="soft_l1", f_scale=2.0, args=(close,))
    off = _off(left(solved.x, close), close)
    errors = np.sqrt(np.maximum(np.diag(np.linalg.pinv(solved.jac.T @ solved.jac)), 0.0))
    factor = np.exp(solved.x[0] + 1j * solved.x[1])
    rms = float(np.sqrt(np.mean(off**2)))
    middle = complex(solved.x[2], solved.x[3]) / dots.scale_arcsec
    row = dots.middle[0] + middle.real
    column = dots.middle[1] + (middle.imag if guess.mirrored else -middle.imag)
    pose = Pose(
        row, column, float(abs(factor)), math.degrees(math.atan2(factor.imag, factor.real)) % 360.0, guess.mirrored
    )
    names = tuple(places.names[n] if n >= 0 else "" for n in whose)
    shown = _in_picture(there, np.full(len(there), factor), dots)
    spots = factor * (picture - middle)
    with np.errstate(invalid="ignore"):
        lonely = np.abs(spots[:, None] - there[None]).min(axis=0) > np.maximum(
            4.0 * _sigma(np.abs(there)), MERGED_ARCSEC
        )
    missing = tuple(name for name, gone in zip(places.names, lonely & shown, strict=True) if gone)
    return (
        pose,
        here + 60.0 * float(solved.x[4]),
        # a layer of moons that was pasted in may be of another minute
        math.hypot(60.0 * float(errors[4]), abs(factor * middle) / MOON_ARCSEC_PER_S),
        float(errors[0]),
        math.degrees(float(errors[1])),
        names,
        missing,
        rms,
    )


def _off(left: FloatArray, sigma: FloatArray) -> FloatArray:
    """Distances of the dots from their moons, arcsec, from what `least_squares` leaves."""
    count = len(sigma)
    return np.hypot(left[:count], left[count : 2 * count]) * sigma
