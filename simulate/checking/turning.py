"""Which face a planet turned to the picture: how well each central meridian of a whole rotation fits, and what follows.

The fit of place, scale and tone knows only the planet's bands where its markings drift. Here the markings of each
central meridian, and under the mirror where that is open, are looked for in what the fit left. The likelihood over the
rotation is one of the markings' strength too (their amount has a prior), and its noise is what no meridian explains:
the face's own errors. So a picture that carries no markings, or others than the map has, tells nothing.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from simulate.checking.fitting import Fit, Problem, all_parameters, correlated_pixels
from simulate.checking.model import Pose, Theory

if TYPE_CHECKING:
    from simulate.checking.bench import Bench

FloatArray = npt.NDArray[np.floating]

AS_TOLD = 0.5
"""Prior probability of the face of the time told; the rest is spread over the rotation."""

NEAR_DEG = 12.0
"""Turn within which a face counts as the one told, or as the best one."""

AMOUNT_SPREAD = 0.5
"""Standard deviation of the strength of drifting markings beside that of the map."""

STEADY_SPREAD = 0.2
"""The same of markings that stay."""

SURE = 0.99
"""Probability from which a face, or a mirror, is named."""

FAINTEST_AMOUNT, LEAST_AMOUNT, MOST_AMOUNT = 0.15, 0.4, 1.8
"""Strengths of the markings beside the map's between which they are believed; the first for a face near that told."""

MOST_LEFT = 0.2
"""Departure, of the disc's brightness, that counts as no more than itself."""

LEAST_GAIN = 8.0
"""Log likelihood that the markings must gain over none at all."""


@dataclass(frozen=True)
class FaceAnswer:
    """What the markings say of time and mirror.

    Parameters
    ----------
    turn_deg : float
        By how much the best face is turned on from the one told, -180 to 180.
    error_deg : float
        Standard deviation, from the likelihood alone.
    probability, probability_as_told : float
        Of that face, and of the one told.
    gain : float
        Log likelihood of the best over no markings.
    amount : float
        Strength of the markings beside the map's.
    pose : Pose
        Of the best, in the window's pixels.
    mirror_probability : float
        That its mirror is right, as far as markings tell; 1 where only one was tried.
    spread : float
        Standard deviation of the gains of all other faces: how much is met by chance.
    """

    turn_deg: float
    error_deg: float
    probability: float
    probability_as_told: float
    gain: float
    amount: float
    pose: Pose
    mirror_probability: float
    spread: float

    @property
    def sure(self) -> bool:
        """Whether the markings single out one face."""
        # a face a few degrees from the one that was fitted holds but a part of the change to the next one tried
        least = FAINTEST_AMOUNT if self.as_told else LEAST_AMOUNT
        return self.probability > SURE and self.gain > LEAST_GAIN and least < self.amount < MOST_AMOUNT

    @property
    def as_told(self) -> bool:
        """Whether that is the face of the time told."""
        return abs(self.turn_deg) <= NEAR_DEG


def poses_open(fit: Fit, axis_deg: float, *, drifting: bool) -> list[Pose]:
    """Return the poses that a fit leaves open, its own first, in the window's pixels."""
    pose = fit.pose_here
    if not drifting or fit.by_moons:
        return [pose]
    poses = [pose]
    if not fit.tells_mirror:
        poses.append(replace(pose, mirrored=not pose.mirrored, angle_deg=(2.0 * axis_deg - pose.angle_deg) % 360.0))
    return poses


def face_answer(bench: Bench, fit: Fit, theory: Theory, *, drifting: bool) -> FaceAnswer | None:
    """Return what the markings say; None for a planet without any.

    Parameters
    ----------
    bench : Bench
        Gives the faces of a rotation.
    fit : Fit
        Of the picture.
    theory : Theory
        What was fitted, before its doubts were added.
    drifting : bool
        Whether it was the mean of the rotation.
    """
    turns = bench.turns
    base = turns.mean(axis=0) if drifting else turns[0]
    if float(np.abs(turns - turns.mean(axis=0)).max()) < 2e-3:
        return None
    problem = Problem(fit.window, theory, fit.pose.mirrored)
    parameters = all_parameters(fit)
    evened = problem.evened(parameters)
    left, jacobian = evened * problem.residual(parameters), problem.jacobian(parameters)[:, :10]
    used = np.any(jacobian != 0, axis=1)
    known = np.linalg.qr(jacobian[used][:, [0, 1, 2, 3, 7, 8, 9]])[0]
    # nothing that is seen on a disc departs further: what does is a hot pixel, a moon, or the limb
    soft = np.clip(left[used], -MOST_LEFT, MOST_LEFT)
    residual = soft - known @ (known.T @ soft)
    rows, columns = (x.ravel()[used] for x in fit.window.pixels)
    response = fit.blur.at(theory.frequency, theory.perfect)
    poses = poses_open(fit, bench.seen.north_pole_position_angle_deg, drifting=drifting)
    places = [theory.index_of(*pose.sky_of(rows, columns)) for pose in poses]
    along, length = np.zeros((len(poses), len(turns))), np.zeros((len(poses), len(turns)))
    for step, light in enumerate(turns):
        shown = replace(theory, light=light - base, doubts=None).blurred(response) * np.float32(evened)
        for number, place in enumerate(places):
            change = ndimage.map_coordinates(shown, place, order=1, output=np.float64)
            own = change - known @ (known.T @ change)
            along[number, step], length[number, step] = float(own @ residual), float(own @ own)
    spread = AMOUNT_SPREAD if drifting else STEADY_SPREAD
    variance, count = float(np.mean(residual**2)), residual.size
    whole = np.zeros(used.size)
    whole[used] = residual
    correlated = correlated_pixels(whole.reshape(fit.window.levels.shape))
    for _ in range(2):
        gain, amount = _gains(along, length, variance * correlated, spread)
        best = np.unravel_index(int(np.argmax(gain)), gain.shape)
        saved = 2.0 * amount[best] * along[best] - amount[best] ** 2 * length[best]
        variance = max(float(np.mean(residual**2)) - max(saved, 0.0) / count, 1e-4 * variance)
    if not drifting:
        # the changes are from the face told, which has its own gain over a face without markings
        shown = replace(theory, light=turns.mean(axis=0) - base, doubts=None).blurred(response) * np.float32(evened)
        change = ndimage.map_coordinates(shown, places[0], order=1, output=np.float64)
        own = change - known @ (known.T @ change)
        gain += (0.5 * float(own @ own) - float(own @ residual)) / (variance * correlated)  # pyright: ignore[reportPossiblyUnboundVariable]
    return _answer(gain, amount, poses)  # pyright: ignore[reportArgumentType, reportPossiblyUnboundVariable]


def _gains(along: FloatArray, length: FloatArray, unit: float, spread: float) -> tuple[FloatArray, FloatArray]:
    """Log likelihood over no markings, the amount about 1 being integrated over, and the most probable amount."""
    sharp, pull = length / unit, along / unit
    precision = 1.0 / spread**2
    amount = (pull + precision) / (sharp + precision)
    gain = 0.5 * (pull + precision) ** 2 / (sharp + precision) - 0.5 * precision
    return gain - 0.5 * np.log1p(sharp / precision), amount


def _answer(gain: FloatArray, amount: FloatArray, poses: list[Pose]) -> FaceAnswer:
    count = gain.shape[1]
    turn = np.array([math.remainder(360.0 * step / count, 360.0) for step in range(count)])
    told = np.abs(turn) <= NEAR_DEG
    prior = np.where(told, AS_TOLD / np.count_nonzero(told), 0.0) + (1.0 - AS_TOLD) / count
    score = gain + np.log(prior)
    chance = np.exp(score - score.max())
    chance /= chance.sum()
    number, step = (int(i) for i in np.unravel_index(int(np.argmax(score)), score.shape))
    near = np.abs([math.remainder(each - turn[step], 360.0) for each in turn]) <= NEAR_DEG
    before, here, after = (float(gain[number, (step + by) % count]) for by in (-1, 0, 1))
    bend = 2.0 * here - before - after
    width = 360.0 / count
    between = width * min(max(0.5 * (after - before) / bend, -0.5), 0.5) if bend > 0 else 0.0
    error = width / math.sqrt(bend) if bend > 1e-6 else 180.0
    far = np.abs([math.remainder(each - turn[step], 360.0) for each in turn]) > 2 * NEAR_DEG
    return FaceAnswer(
        turn_deg=math.remainder(float(turn[step]) + between, 360.0),
        error_deg=error,
        probability=float(chance[:, near].sum()),
        probability_as_told=float(chance[:, told].sum()),
        gain=here,
        amount=float(amount[number, step]),
        pose=poses[number],
        mirror_probability=float(chance[number].sum()),
        spread=float(np.std(gain[:, far])),
    )
