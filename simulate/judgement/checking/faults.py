"""Which fault explains what a picture lacks: each a model of the blur, fitted to the picture and weighed.

Every hypothesis is the instrument's own transfer times the fault's, at several strengths and directions, with a free
amount of sharpening or softening of the same kind for all (so that a user's processing favours none). Its evidence is
the log likelihood gained over the same instrument without a fault, less half the log of the number of independent
pixels for each parameter (Schwarz 1978). A fault is named only if it leads clearly; else the picture cannot tell.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from simulate.judgement.checking.fitting import Fit, Problem
from simulate.judgement.checking.measures import ChannelShift, Levels, parameters_of
from simulate.judgement.checking.model import Theory, laid_under
from simulate.telescope import Pupil, transfer

FloatArray = npt.NDArray[np.floating]

LEAST_EVIDENCE = 4.0
"""Evidence below which no fault is claimed."""

LEAST_LEAD = 3.0
"""Evidence by which the first must lead the second to be named."""

USUAL_OVERSHOOT = 0.05
"""Limb overshoot that careful restoration may leave; more counts as over-sharpened."""

MODEL_ERROR = 0.004
"""Rms, the disc being 1, by which the theory itself may be wrong; it bounds what any evidence can claim."""

SAMPLING_WEIGHT = 100.0
"""Evidence for each factor e by which pixels are too coarse (chosen on trial pictures)."""

MOST_EVIDENCE = 1000.0
"""Bound on what a shift or an overshoot alone may claim."""

DIRECTIONS = 8
"""Directions tried for faults that have one."""

NAMES = (
    "defocus",
    "coma",
    "astigmatism",
    "seeing",
    "motion",
    "dispersion",
    "coarse sampling",
    "over-sharpening",
    "low bit depth",
)
"""Faults that are told apart."""


@dataclass(frozen=True)
class Weighed:
    """What the evidence for a fault of the blur was computed from.

    Parameters
    ----------
    misfit, plain : float
        Mean square left with the fault and without any, the disc being 1.
    parameters : int
        Free ones of the fault.
    independent : float
        Independent residuals.
    """

    misfit: float
    plain: float
    parameters: int
    independent: float


@dataclass(frozen=True)
class Fault:
    """One fault and how strongly the picture speaks for it.

    Parameters
    ----------
    name : str
        One of `NAMES`.
    evidence : float
        Log likelihood over no fault, less the price of its parameters.
    strength : float
        Best strength in `unit`.
    unit : str
        Unit of the strength.
    direction_deg : float or None
        Position angle on the sky, where the fault has a direction.
    weighed : Weighed or None
        Where the evidence is that of a fit.
    """

    name: str
    evidence: float
    strength: float
    unit: str
    direction_deg: float | None = None
    weighed: Weighed | None = None


def verdict_of(faults: tuple[Fault, ...]) -> str:
    """Return the fault that the evidence singles out, "none" or "cannot tell"."""
    ranked = sorted(faults, key=lambda fault: -fault.evidence)
    if not ranked or ranked[0].evidence < LEAST_EVIDENCE:
        return "none"
    if len(ranked) > 1 and ranked[0].evidence - ranked[1].evidence < LEAST_LEAD:
        return "cannot tell"
    return ranked[0].name


@dataclass(frozen=True)
class Optics:
    """What the faults of the blur are computed from.

    Parameters
    ----------
    pupil : Pupil
        Of the instrument as it should be.
    wavelength_nm : float
        Of the channel.
    base : array, shape (rows, columns//2+1)
        Transfer of the instrument, air and pixel as they should be.
    """

    pupil: Pupil
    wavelength_nm: float
    base: npt.NDArray[np.inexact]


@dataclass(frozen=True, eq=False)
class _Trial:
    name: str
    strength: float
    unit: str
    direction_deg: float | None
    parameters: int
    transfer: npt.NDArray[np.inexact]


Lookalikes = tuple[tuple[str, npt.NDArray[np.float32]], ...]
"""Names of faults and the theory with each, on the theory's grid."""


def weigh_blurs(fit: Fit, theory: Theory, optics: Optics) -> tuple[tuple[Fault, ...], Lookalikes]:
    """Return the faults of the blur by evidence, the best strength of each, and what each would look like.

    Parameters
    ----------
    fit : Fit
        The fitted picture.
    theory : Theory
        The planet.
    optics : Optics
        The instrument as it should be.
    """
    bench = _Bench(fit, theory, optics)
    none, _ = bench.fit(np.ones_like(optics.base))
    best: dict[str, tuple[float, _Trial, npt.NDArray[np.inexact]]] = {}
    for trial in _trials(theory, optics):
        misfit, whole = bench.fit(trial.transfer)
        if trial.name not in best or misfit < best[trial.name][0]:
            best[trial.name] = misfit, trial, whole
    independent = bench.pixels / bench.correlated
    floor = MODEL_ERROR**2
    faults = []
    for misfit, trial, _ in best.values():
        gained = 0.5 * independent * math.log((none + floor) / (misfit + floor))
        price = 0.5 * trial.parameters * math.log(max(independent, 2.0))
        weighed = Weighed(misfit, none, trial.parameters, independent)
        faults.append(Fault(trial.name, gained - price, trial.strength, trial.unit, trial.direction_deg, weighed))
    faults.sort(key=lambda fault: -fault.evidence)
    alike = [(fault.name, theory.blurred(best[fault.name][2])) for fault in faults]
    return tuple(faults), tuple(alike)


class _Bench:
    """Fits the picture with a transfer, free sharpening, place, scale, angle and tone; tells what is left."""

    def __init__(self, fit: Fit, theory: Theory, optics: Optics) -> None:
        self._theory, self._optics, self._pose = theory, optics, fit.pose_here
        problem = Problem(fit.window, theory, fit.pose.mirrored)
        parameters = parameters_of(fit)
        residual, jacobian = problem.residual(parameters), problem.jacobian(parameters)
        self._used = np.any(jacobian != 0, axis=1)
        rows, columns = fit.window.pixels
        self._place = rows.ravel()[self._used], columns.ravel()[self._used]
        self._target = (problem.model(parameters) + residual)[self._used]
        self._fixed = np.column_stack([jacobian[:, :4], jacobian[:, 7], np.ones(len(residual))])[self._used]
        self._weight = (1.0 / np.sqrt(1.0 + (residual / (4.0 * fit.noise)) ** 2))[self._used]
        square = (theory.frequency / (0.5 * _cutoff(optics))) ** 2
        self._lift = square * np.exp(-square)
        self.pixels = int(np.count_nonzero(self._used))
        self.correlated = fit.correlated_px

    def fit(self, fault: npt.NDArray[np.inexact]) -> tuple[float, npt.NDArray[np.inexact]]:
        """Return the weighted mean square that is left and the whole transfer, sharpening included."""
        whole = self._optics.base * fault
        shown = [
            laid_under(self._theory.blurred(t), self._theory, self._pose, self._place)
            for t in (whole, whole * self._lift)
        ]
        design = np.column_stack([*shown, self._fixed]) * self._weight[:, None]
        scale = np.maximum(np.sqrt((design**2).sum(axis=0)), 1e-12)
        design /= scale
        target = self._target * self._weight
        solved = np.linalg.lstsq(design.T @ design, design.T @ target, rcond=1e-10)[0]
        first, second = solved[0] / scale[0], solved[1] / scale[1]
        level = first if abs(first) > 1e-6 else 1.0
        return float(np.mean((target - design @ solved) ** 2)), whole * (1.0 + second / level * self._lift)


def _cutoff(optics: Optics) -> float:
    return optics.pupil.diameter_m / (optics.wavelength_nm * 1e-9) / 206264.806


def _trials(theory: Theory, optics: Optics) -> Iterator[_Trial]:
    for waves in (0.08, 0.12, 0.17, 0.23, 0.3, 0.4, 0.55):
        yield _Trial("defocus", waves, "wave rms", None, 1, _aberrated(theory, optics, "defocus", waves, 0.0))
    for waves in (0.08, 0.13, 0.2, 0.3, 0.42):
        for angle in np.arange(DIRECTIONS) * 360.0 / DIRECTIONS:
            yield _Trial("coma", waves, "wave rms", angle, 2, _aberrated(theory, optics, "coma", waves, angle))
        for angle in np.arange(DIRECTIONS) * 180.0 / DIRECTIONS:
            yield _Trial(
                "astigmatism", waves, "wave rms", angle, 2, _aberrated(theory, optics, "astigmatism", waves, angle)
            )
    yield from _seeing(theory, optics)
    yield from _motion(theory, optics)


def _aberrated(
    theory: Theory, optics: Optics, name: str, waves: float, angle_deg: float
) -> npt.NDArray[np.complexfloating]:
    """Transfer of the pupil with an aberration over that without."""
    pupil = optics.pupil
    place = (np.arange(pupil.samples) - (pupil.samples - 1) / 2) * 2.0 / pupil.samples
    west, north = np.meshgrid(place, place)
    shape = _zernike(name, -west, north, math.radians(angle_deg))
    opd = (pupil.opd_nm + waves * 550.0 * shape).astype(np.float32)
    with_fault = transfer(Pupil(pupil.amplitude, opd, pupil.step_m), theory.grid, optics.wavelength_nm)
    without = transfer(pupil, theory.grid, optics.wavelength_nm)
    return np.where(np.abs(without) > 1e-3, with_fault / np.where(np.abs(without) > 1e-3, without, 1.0), 0.0)


def _zernike(name: str, east: FloatArray, north: FloatArray, angle: float) -> FloatArray:
    """Noll (1976) terms 4, 7+8 and 5+6, rms 1 over the clear circle, along a direction."""
    radius2 = east**2 + north**2
    along = east * math.sin(angle) + north * math.cos(angle)
    across = east * math.cos(angle) - north * math.sin(angle)
    if name == "defocus":
        return math.sqrt(3.0) * (2 * radius2 - 1)
    if name == "coma":
        # less the tilt that moves the middle of its light: the fit's place has taken that up
        return math.sqrt(8.0) * (3 * radius2 - 3) * along
    return math.sqrt(6.0) * (along**2 - across**2)


def _seeing(theory: Theory, optics: Optics) -> Iterator[_Trial]:
    wavelength_m = optics.wavelength_nm * 1e-9
    for ratio in (0.7, 1.0, 1.5, 2.2, 3.2, 4.5, 6.5):
        fried_m = optics.pupil.diameter_m / ratio
        shift = theory.frequency * 206264.806 * wavelength_m
        yield _Trial(
            "seeing",
            0.976 * wavelength_m / fried_m * 206264.806,
            "arcsec more",
            None,
            1,
            np.exp(-3.44 * (shift / fried_m) ** (5.0 / 3.0)),
        )


def _motion(theory: Theory, optics: Optics) -> Iterator[_Trial]:
    grid = theory.grid
    north, east = grid.frequency_north()[:, None], -grid.frequency_west()[None, :]
    for share in (0.6, 1.0, 1.5, 2.2, 3.2):
        length = share / _cutoff(optics)
        for angle in np.arange(DIRECTIONS) * 180.0 / DIRECTIONS:
            direction = math.radians(angle)
            along = north * math.cos(direction) + east * math.sin(direction)
            yield _Trial("motion", length, "arcsec", float(angle), 2, np.sinc(along * length))


def from_sampling(fit: Fit, cutoff: float, told_arcsec: float, enlarged: float) -> Fault:
    """Return the evidence that coarse pixels limit a picture.

    A pixel's blur can hardly be told from another soft one, but its size can: it counts where the picture is as
    sharp as its pixels allow (half contrast beyond 0.4 of their limit) and they are coarser than critical and told.

    Parameters
    ----------
    fit : Fit
        The fitted picture.
    cutoff : float
        D / lambda, cycles per arcsec.
    told_arcsec : float
        Pixel that the instrument should have.
    enlarged : float
        Factor by which the user enlarged the picture.
    """
    taken = fit.pose.scale_arcsec * enlarged
    excess = taken / (1.25 * max(told_arcsec, 0.5 / cutoff))
    sharp = fit.half_frequency > 0.4 * 0.5 / taken
    evidence = SAMPLING_WEIGHT * math.log(excess) if excess > 1.0 and sharp else 0.0
    return Fault("coarse sampling", evidence, taken, "arcsec a pixel")


def from_overshoot(value: float, error: float) -> Fault:
    """Return the evidence that a picture is over-sharpened, from its limb's overshoot."""
    beyond = max(0.0, value - USUAL_OVERSHOOT)
    evidence = min(0.5 * (beyond / max(error, 0.005)) ** 2, MOST_EVIDENCE)
    return Fault("over-sharpening", evidence, value, "of the limb's brightness")


def from_levels(levels: Levels, area_px: float) -> Fault:
    """Return the evidence that too few levels limit a picture: the noise that rounding adds to its own."""
    if not levels.contours:
        return Fault("low bit depth", 0.0, levels.step, "of the brightness a step")
    ratio = 1.0 / (12.0 * max(levels.noise_in_steps, 0.05) ** 2)
    return Fault("low bit depth", 0.05 * area_px * math.log1p(ratio), levels.step, "of the brightness a step")


def from_shifts(shifts: tuple[ChannelShift, ...], scale_arcsec: float, blur_arcsec: float) -> Fault:
    """Return the evidence that the colours lie beside each other by more than a tenth of the blur."""
    evidence, length = 0.0, 0.0
    for shift in shifts:
        beyond = max(0.0, shift.length_px - 0.1 * blur_arcsec / scale_arcsec)
        evidence += 0.5 * (beyond / max(shift.error_px, 0.03)) ** 2
        length = max(length, shift.length_px * scale_arcsec)
    return Fault("dispersion", min(evidence, MOST_EVIDENCE), length, "arcsec")
