"""Which fault explains what a picture lacks: each a model of the blur, fitted to the picture and weighed.

Every hypothesis is the instrument's own transfer times the fault's, at several strengths and directions, with a free
amount of sharpening or softening of the same kind for all (so that a user's processing favours none). Its evidence is
the log likelihood gained over the same instrument without a fault, less half the log of the number of independent
pixels for each parameter (Schwarz 1978). A fault is named only if it leads clearly; else the picture cannot tell.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import scipy.fft

from simulate.checking.fitting import Fit, Problem
from simulate.checking.measures import ChannelShift, Levels, parameters_of
from simulate.checking.model import Theory
from simulate.telescope import Pupil, transfer
from simulate.values.constants import ARCSEC_PER_RADIAN
from simulate.values.grid import Grid

FloatArray = npt.NDArray[np.floating]

LEAST_EVIDENCE = 4.0
"""Evidence below which no fault is claimed."""

LEAST_LEAD = 5.0
"""Evidence by which the first must lead the second to be named."""

LIKE_MISFIT = 0.04
"""Share by which the misfits of two faults must differ to be told apart: what is left has the theory's own faults in
it, and those favour one or the other by a few hundredths however many pixels show them (chosen on one half of the
trial's pictures)."""

USUAL_OVERSHOOT = 0.05
"""Limb overshoot that careful restoration may leave; more counts as over-sharpened."""

RIM = 0.15
"""Overshoot of the limb from which it is a rim that anyone sees, and no blur's."""

MODEL_ERROR = 0.004
"""Rms, the disc being 1, by which the theory itself may be wrong; it bounds what any evidence can claim."""

SAMPLING_WEIGHT = 100.0
"""Evidence for each factor e by which pixels are too coarse (chosen on trial pictures)."""

MOST_EVIDENCE = 1000.0
"""Bound on what a shift or an overshoot alone may claim."""

DIRECTIONS = 8
"""Directions tried first for faults that have one."""

MOST_BETTERED = 8
"""Trials, for each of strength and direction, by which the best of the first is bettered."""

CELLS_A_CUTOFF = 2.8
"""Cells of the theory along the shortest wave that the telescope passes, while faults are weighed."""

PUPIL_SAMPLES = 128
"""Samples across the pupil while faults are weighed."""

NAMES = (
    "defocus",
    "coma",
    "astigmatism",
    "seeing",
    "motion",
    "dispersion",
    "colours not aligned",
    "coarse sampling",
    "over-sharpening",
    "low bit depth",
    "overexposure",
)
"""Faults that are told apart."""

ILL_FITTING = 1.1
"""Misfit of a fault, over that of a blur of no particular kind, from which it does not explain the picture: faults of
the trial that are named rightly stay below 0.9, blurs by boxes and discs laid on other blur lie at 1.1 to 65."""

LEAST_FINENESS = 0.15
"""Share of D / lambda up to which the pixels that were compared must hold contrast before anything is said of the blur:
below it even a bad one takes a few hundredths of the contrast, as much as the theory's own faults."""

GOOD_SHARE = 0.95
"""Share of what was to be had from which a picture lacks nothing that a fault of the blur need explain."""


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
    free : float
        Mean square left with the blur of any shape that the fit found.
    """

    misfit: float
    plain: float
    parameters: int
    independent: float
    free: float = math.nan


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

    @property
    def ill_fitting(self) -> bool:
        """Whether a blur of no particular kind fits clearly better than this fault: then it is not the whole story."""
        return self.weighed is not None and self.weighed.misfit > ILL_FITTING * self.weighed.free

    @property
    def evidence_in_words(self) -> str:
        """How much the picture speaks for it: "strong", "weak" or "none".

        None is less than a fault is claimed from; strong is `LEAST_LEAD` beyond that (odds of 150 to 1, "very strong"
        in the scale of Kass & Raftery 1995, J. Am. Stat. Assoc. 90, 773) for a fault that explains the picture well.
        """
        beyond = self.evidence - max(LEAST_EVIDENCE, _doubt(self))
        if beyond < 0.0:
            return "none"
        return "strong" if beyond >= LEAST_LEAD and not self.ill_fitting else "weak"


def verdict_of(faults: tuple[Fault, ...], share: float = 0.0) -> str:
    """Return the fault that the evidence singles out, "none" or "cannot tell".

    Where even the strongest blur fits worse than one of no particular kind, nothing is singled out.
    The first is named where it leads the second, and no fault, by `LEAST_LEAD` and where both are blurs by what
    `LIKE_MISFIT` amounts to over all independent residuals.

    Parameters
    ----------
    faults : tuple of Fault
        With their evidence.
    share : float
        Effective aperture of the picture over that which was to be had.
    """
    ranked = claimable(faults, share)
    if not ranked or ranked[0].evidence < max(LEAST_EVIDENCE, _doubt(ranked[0])):
        return "none"
    if ranked[0].ill_fitting:
        return "cannot tell"
    if len(ranked) == 1:
        return ranked[0].name
    doubt = _doubt(ranked[0]) if ranked[1].weighed is not None else 0.0
    if ranked[0].weighed is None:
        doubt = 0.0  # the theory's own faults favour one blur over another, not a blur over what is no blur
    return ranked[0].name if ranked[0].evidence - ranked[1].evidence >= max(LEAST_LEAD, doubt) else "cannot tell"


def claimable(faults: tuple[Fault, ...], share: float = 0.0) -> tuple[Fault, ...]:
    """Return the faults that may be claimed, the strongest first: none of the blur where nothing is missing.

    Parameters
    ----------
    faults, share
        As for `verdict_of`.
    """
    ranked = sorted(faults, key=lambda fault: -fault.evidence)
    return tuple(fault for fault in ranked if fault.weighed is None or share < GOOD_SHARE)


def _doubt(fault: Fault) -> float:
    """Evidence that the theory's own faults may give to one blur over another."""
    return 0.0 if fault.weighed is None else 0.5 * fault.weighed.independent * math.log1p(LIKE_MISFIT)


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


Lookalikes = tuple[tuple[str, npt.NDArray[np.float32]], ...]
"""Names of faults and the theory with each, on the theory's grid."""

Transfer = npt.NDArray[np.inexact]


@dataclass(frozen=True)
class _Kind:
    """A fault of the blur: where its strength and direction are sought.

    Parameters
    ----------
    name, unit : str
        Of the fault and of its strength.
    strengths : tuple of float
        Tried first; the best is bettered from there, to half beyond the range.
    directions_deg : tuple of float
        Likewise; (0.0,) for a fault without one.
    transfer : callable
        From (strength, direction in degrees) to the transfer of the fault alone.
    """

    name: str
    unit: str
    strengths: tuple[float, ...]
    directions_deg: tuple[float, ...]
    transfer: Callable[[float, float], Transfer]

    @property
    def directed(self) -> bool:
        """Whether it has a direction."""
        return len(self.directions_deg) > 1

    @property
    def turn_deg(self) -> float:
        """Turn after which it is the same again."""
        return len(self.directions_deg) * (self.directions_deg[1] - self.directions_deg[0])


@dataclass(frozen=True, eq=False)
class _Best:
    kind: _Kind
    strength: float
    direction_deg: float
    misfit: float
    whole: Transfer


def shows_blur(fit: Fit, cutoff: float) -> bool:
    """Whether the pixels that were compared are fine enough to tell the blur of a telescope.

    Those of the whole Moon, averaged down for the fit, are many times as wide as the telescope's image.

    Parameters
    ----------
    fit : Fit
        The fitted picture.
    cutoff : float
        D / lambda, cycles per arcsec.
    """
    return 0.5 / fit.pose_here.scale_arcsec >= LEAST_FINENESS * cutoff


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
    thin = thinned(theory, 1.0 / (CELLS_A_CUTOFF * _cutoff(optics)))
    bench = _Bench(fit, thin, replace(optics, base=resized(optics.base, theory.grid, thin.grid)))
    none, _ = bench.fit(np.ones_like(bench.base))
    best = [_best(kind, bench) for kind in _kinds(thin, optics)]
    independent = bench.pixels / bench.correlated
    faults = [_fault(found, none, independent, bench.free) for found in best]
    order = sorted(range(len(best)), key=lambda index: -faults[index].evidence)
    alike = [
        (faults[index].name, theory.blurred(resized(best[index].whole, thin.grid, theory.grid))) for index in order
    ]
    return tuple(faults[index] for index in order), tuple(alike)


def _fault(found: _Best, none: float, independent: float, free: float) -> Fault:
    kind, floor = found.kind, MODEL_ERROR**2
    parameters = 2 if kind.directed else 1
    gained = 0.5 * independent * math.log((none + floor) / (found.misfit + floor))
    price = 0.5 * parameters * math.log(max(independent, 2.0))
    direction = found.direction_deg % kind.turn_deg if kind.directed else None
    weighed = Weighed(found.misfit, none, parameters, independent, free)
    return Fault(kind.name, gained - price, found.strength, kind.unit, direction, weighed)


def _best(kind: _Kind, bench: _Bench) -> _Best:
    """Try the strengths and directions of a fault, then better the best of them."""
    from scipy.optimize import minimize

    tried: dict[tuple[float, float], tuple[float, Transfer]] = {}
    low, high = 0.5 * kind.strengths[0], 1.5 * kind.strengths[-1]

    def misfit(place: FloatArray) -> float:
        strength = math.exp(min(max(float(place[0]), math.log(low)), math.log(high)))
        direction = float(place[1]) if kind.directed else 0.0
        key = (strength, direction)
        if key not in tried:
            tried[key] = bench.fit(kind.transfer(strength, direction))
        return tried[key][0]

    starts = [np.array([math.log(strength), angle]) for strength in kind.strengths for angle in kind.directions_deg]
    start = min(starts, key=misfit)[: 2 if kind.directed else 1]
    steps = np.array([0.3, kind.directions_deg[1] / 2] if kind.directed else [0.3])
    simplex = np.vstack([start, start + np.diag(steps)])
    bounds = {"initial_simplex": simplex, "maxfev": MOST_BETTERED * len(start), "xatol": 0.03, "fatol": 0.0}
    minimize(misfit, start, method="Nelder-Mead", options=bounds)
    strength, direction = min(tried, key=lambda key: tried[key][0])
    return _Best(kind, strength, direction, *tried[strength, direction])


class _Bench:
    """Fits the picture with a transfer, free sharpening, place, scale, angle and tone; tells what is left."""

    def __init__(self, fit: Fit, theory: Theory, optics: Optics) -> None:
        self._theory, self.base = theory, optics.base
        problem = Problem(fit.window, theory, fit.pose.mirrored)
        parameters = parameters_of(fit)
        residual, jacobian = problem.residual(parameters), problem.jacobian(parameters)
        self._used = np.any(jacobian != 0, axis=1)
        rows, columns = fit.window.pixels
        places = fit.pose_here.sky_of(rows.ravel()[self._used], columns.ravel()[self._used])
        self._index = theory.index_of(*places)
        self._target = (problem.model(parameters) + residual)[self._used]
        self._fixed = np.column_stack([jacobian[:, :4], jacobian[:, 7], np.ones(len(residual))])[self._used]
        self._weight = (1.0 / np.sqrt(1.0 + (residual / (4.0 * fit.noise)) ** 2))[self._used]
        square = (theory.frequency / (0.5 * _cutoff(optics))) ** 2
        self._lift = square * np.exp(-square)
        self.pixels = int(np.count_nonzero(self._used))
        self.correlated = fit.correlated_px
        self.free = float(np.mean((residual[self._used] * self._weight) ** 2))

    def fit(self, fault: Transfer) -> tuple[float, Transfer]:
        """Return the weighted mean square that is left and the whole transfer, sharpening included."""
        whole = self.base * fault
        shown = [self._theory.seen_at(each, self._index) for each in (whole, whole * self._lift)]
        design = np.column_stack([*shown, self._fixed]) * self._weight[:, None]
        scale = np.maximum(np.sqrt((design**2).sum(axis=0)), 1e-12)
        design /= scale
        target = self._target * self._weight
        solved = np.linalg.lstsq(design.T @ design, design.T @ target, rcond=1e-10)[0]
        first, second = solved[0] / scale[0], solved[1] / scale[1]
        level = first if abs(first) > 1e-6 else 1.0
        return float(np.mean((target - design @ solved) ** 2)), whole * (1.0 + second / level * self._lift)


def _cutoff(optics: Optics) -> float:
    return optics.pupil.diameter_m / (optics.wavelength_nm * 1e-9) / ARCSEC_PER_RADIAN


def thinned(theory: Theory, step_arcsec: float) -> Theory:
    """Return a theory on the same field with fewer cells, of at most `step_arcsec`; higher frequencies are left out.

    Parameters
    ----------
    theory : Theory
        On cells that may be finer.
    step_arcsec : float
        Largest side of a cell.
    """
    grid = theory.grid
    cells = min(2 * math.ceil(grid.rows * grid.step_arcsec / step_arcsec / 2), grid.rows)
    small = Grid(cells, cells, grid.step_arcsec * grid.rows / cells)
    # the first cells of both have their middles at different places
    away = (small.step_arcsec - grid.step_arcsec) / 2
    north, west = small.frequency_north()[:, None], small.frequency_west()[None, :]
    spectrum = resized(theory.spectrum, grid, small) * np.exp(2j * np.pi * away * (north + west))
    spectrum *= np.outer(np.sinc(north[:, 0] * small.step_arcsec), np.sinc(west[0] * small.step_arcsec))
    light = np.asarray(scipy.fft.irfft2(spectrum, s=small.shape)) * (cells / grid.rows) ** 2
    return Theory(small, light.astype(np.float32), theory.cutoff)


def resized(transfer: Transfer, grid: Grid, other: Grid) -> Transfer:
    """Return what stands at the frequencies of another square grid of the same field; 0 where there was none.

    Parameters
    ----------
    transfer : array, shape (rows, columns//2+1)
        In the layout of ``rfft2`` on `grid`.
    grid, other : Grid
        With even numbers of cells.
    """
    half = min(grid.rows, other.rows) // 2
    result = np.zeros((other.rows, other.columns // 2 + 1), transfer.dtype)
    result[:half, : half + 1] = transfer[:half, : half + 1]
    result[-half:, : half + 1] = transfer[-half:, : half + 1]
    return result


def _kinds(theory: Theory, optics: Optics) -> tuple[_Kind, ...]:
    """Return the faults of the blur with their transfers on the theory's grid."""
    circle = tuple(np.arange(DIRECTIONS) * 360.0 / DIRECTIONS)
    half_circle = tuple(np.arange(DIRECTIONS) * 180.0 / DIRECTIONS)
    waves = "wave rms"
    lens, frequency = _Lens(theory, optics), theory.frequency * ARCSEC_PER_RADIAN * optics.wavelength_nm * 1e-9
    north, east = theory.grid.frequency_north()[:, None], -theory.grid.frequency_west()[None, :]
    blur_arcsec = 0.976 / _cutoff(optics)

    def seeing(strength: float, _: float) -> Transfer:
        fried_m = optics.pupil.diameter_m * blur_arcsec / strength
        return np.exp(-3.44 * (frequency / fried_m) ** (5.0 / 3.0))

    def motion(length: float, direction_deg: float) -> Transfer:
        direction = math.radians(direction_deg)
        return np.sinc((north * math.cos(direction) + east * math.sin(direction)) * length)

    widths = tuple(ratio * blur_arcsec for ratio in (0.7, 1.3, 2.5, 4.8))
    lengths = tuple(share / _cutoff(optics) for share in (0.7, 1.4, 2.6))
    return (
        _Kind("defocus", waves, (0.08, 0.14, 0.25, 0.45), (0.0,), lens.of("defocus")),
        _Kind("coma", waves, (0.12, 0.28), circle, lens.of("coma")),
        _Kind("astigmatism", waves, (0.12, 0.28), half_circle, lens.of("astigmatism")),
        _Kind("seeing", "arcsec more", widths, (0.0,), seeing),
        _Kind("motion", "arcsec", lengths, half_circle, motion),
    )


class _Lens:
    """Transfers of a pupil with an aberration over those without."""

    def __init__(self, theory: Theory, optics: Optics) -> None:
        self._grid, self._wavelength_nm = theory.grid, optics.wavelength_nm
        self._pupil = _coarse_pupil(optics.pupil)
        place = (np.arange(self._pupil.samples) - (self._pupil.samples - 1) / 2) * 2.0 / self._pupil.samples
        self._west, self._north = np.meshgrid(place, place)
        without = transfer(self._pupil, self._grid, self._wavelength_nm)
        self._known = np.abs(without) > 1e-3
        self._without = np.where(self._known, without, 1.0)

    def of(self, name: str) -> Callable[[float, float], Transfer]:
        """Return the transfer of an aberration by (waves rms at 550 nm, direction)."""

        def with_over_without(waves: float, angle_deg: float) -> Transfer:
            shape = _zernike(name, -self._west, self._north, math.radians(angle_deg))
            opd = (self._pupil.opd_nm + waves * 550.0 * shape).astype(np.float32)
            faulty = Pupil(self._pupil.amplitude, opd, self._pupil.step_m)
            return np.where(self._known, transfer(faulty, self._grid, self._wavelength_nm) / self._without, 0.0)

        return with_over_without


def _coarse_pupil(pupil: Pupil) -> Pupil:
    """Average a pupil down to `PUPIL_SAMPLES` across, as fine as any transfer here needs."""
    factor = max(1, pupil.samples // PUPIL_SAMPLES)
    shape = (pupil.samples // factor, factor, pupil.samples // factor, factor)
    amplitude = pupil.amplitude.reshape(shape).mean(axis=(1, 3))
    ahead = (pupil.amplitude * pupil.opd_nm).reshape(shape).mean(axis=(1, 3))
    opd = np.divide(ahead, amplitude, out=np.zeros_like(ahead), where=amplitude > 0)
    return Pupil(amplitude, opd, pupil.step_m * factor)


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


def from_sampling(fit: Fit, cutoff: float, told_arcsec: float, enlarged: float, blurs: tuple[Fault, ...] = ()) -> Fault:
    """Return the evidence that coarse pixels limit a picture.

    A pixel's blur can hardly be told from that of seeing, but its size can: it counts where the picture is as
    sharp as its pixels allow (half contrast beyond 0.4 of their limit) and they are coarser than critical and told.
    Then what speaks for seeing speaks for the pixels, whose size is known.

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
    blurs : tuple of Fault
        From `weigh_blurs`.
    """
    taken = fit.pose.scale_arcsec * enlarged
    excess = taken / (1.25 * max(told_arcsec, 0.5 / cutoff))
    sharp = fit.half_frequency > 0.4 * 0.5 / taken
    evidence = 0.0
    if excess > 1.0 and sharp:
        soft = max((fault.evidence for fault in blurs if fault.name == "seeing"), default=0.0)
        evidence = SAMPLING_WEIGHT * math.log(excess) + max(soft, 0.0)
    return Fault("coarse sampling", evidence, taken, "arcsec a pixel")


def from_overshoot(value: float, error: float, blurs: tuple[Fault, ...] = ()) -> Fault:
    """Return the evidence that a picture is over-sharpened, from its limb's overshoot.

    A bright rim that no blur makes outdoes every blur: what those explain of such a picture is what its sharpening
    left of them.
    """
    beyond = max(0.0, value - USUAL_OVERSHOOT)
    evidence = min(0.5 * (beyond / max(error, 0.005)) ** 2, MOST_EVIDENCE)
    if value > RIM and value > 3.0 * error:
        first = max(blurs, key=lambda fault: fault.evidence, default=None)
        evidence += 0.0 if first is None else max(first.evidence, 0.0) + LEAST_LEAD + _doubt(first)
    return Fault("over-sharpening", evidence, value, "of the limb's brightness")


def from_levels(levels: Levels, area_px: float) -> Fault:
    """Return the evidence that too few levels limit a picture: the noise that rounding adds to its own."""
    if not levels.contours:
        return Fault("low bit depth", 0.0, levels.step, "of the brightness a step")
    ratio = 1.0 / (12.0 * max(levels.noise_in_steps, 0.05) ** 2)
    return Fault("low bit depth", 0.05 * area_px * math.log1p(ratio), levels.step, "of the brightness a step")


def from_clipping(levels: Levels, others: Iterable[Fault]) -> Fault:
    """Return the evidence that a picture is overexposed; it outdoes all others, which only know what is left."""
    evidence = 0.0
    if levels.overexposed:
        evidence = MOST_EVIDENCE + max((fault.evidence for fault in others), default=0.0)
    return Fault("overexposure", evidence, levels.clipped, "of the disc burnt out")


ALONG_DEG = 30.0
"""Angle to the vertical up to which a shift of the colours may be the air's."""


def from_shifts(
    shifts: tuple[ChannelShift, ...],
    scale_arcsec: float,
    blur_arcsec: float,
    to_vertical_deg: float | None = None,
    most_arcsec: float = math.inf,
) -> Fault:
    """Return the evidence that the colours lie beside each other by more than a tenth of the blur.

    Parameters
    ----------
    shifts : tuple of ChannelShift
        Of red and blue.
    scale_arcsec, blur_arcsec : float
        Side of a pixel and width of the blur.
    to_vertical_deg : float or None
        Angle between the line from red to blue and the vertical; None where one of them is not known. The air
        disperses along the vertical only.
    most_arcsec : float
        The most that the air can spread the colours at that height; 0 where there was none.
    """
    evidence, length = 0.0, 0.0
    for shift in shifts:
        beyond = max(0.0, shift.length_px - 0.1 * blur_arcsec / scale_arcsec)
        evidence += 0.5 * (beyond / max(shift.error_px, 0.03)) ** 2
        length = max(length, shift.length_px * scale_arcsec)
    askew = to_vertical_deg is not None and to_vertical_deg > ALONG_DEG
    across = askew or length > most_arcsec
    unit = "arcsec, along the vertical"
    if length > most_arcsec and not askew:
        unit = "arcsec, more than the air makes at that height"
        if most_arcsec == 0.0:
            unit = "arcsec, in a picture finer than any that comes through air"
    elif to_vertical_deg is None:
        unit = "arcsec, if along the vertical, which is not known"
    elif across:
        unit = f"arcsec, {to_vertical_deg:.0f} deg off the vertical"
    return Fault("colours not aligned" if across else "dispersion", min(evidence, MOST_EVIDENCE), length, unit)
