"""Verdicts: what enters of a feature, and what is left of it in the stack of a setup."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import scipy.fft
from scipy.special import j1

from simulate.bodies.features import feature_names, placeless_features
from simulate.bodies.spectra import body_photon_flux
from simulate.judging import (
    SEPARATE_LINE,
    THRESHOLDS,
    Cut,
    JudgedFeature,
    Judgement,
    Thresholds,
    dip_depth,
    find_signal,
    judged_features,
)
from simulate.judging.bench import Bench, Setup, bench_of
from simulate.judging.drawn import Lost, Subject, Waves, body_waves, fine_planes, lost_waves, lost_without, point_waves
from simulate.judging.staging import in_sight, set_aside, staged
from simulate.judging.thresholds import FeatureLine
from simulate.light.canvas import JudgingCanvas
from simulate.light.look import LIT, ExpectedFrame
from simulate.scene import PointSource
from simulate.stack import Exposure
from simulate.values.grid import Grid

if TYPE_CHECKING:
    from simulate.geometry import MoonState

FloatArray = npt.NDArray[np.floating]
Spectrum = npt.NDArray[np.complexfloating]

HALO_POWER = -3.0
"""How the halo of a bright body falls beyond the canvas: the rings of an aperture's own diffraction
fall as the cube (from memory, any text on optics); the air's wings fall faster."""

PATCH_CELLS, PATCH_FINER = 48, 12
"""Cells along a fine patch in which the contrast of a narrow feature is read, and along one of the coarser cells."""

MOST_PATCHES = 3
"""How often a patch is drawn finer before the contrast is taken as it is."""

STANDS_STILL = 0.01
"""A contrast that changes by less than this share from one fineness to the next stands still."""

RESOLVED = 0.85
"""A difference whose neighbours keep this share of its peak is resolved by the cells."""

HALF_WHITE = 0.5
"""Share of the brightest part of a finished picture below which contrast is read against that share: a normal
stretch leaves the dark parts dark (common practice, a chosen value)."""

STRONG = 0.5
"""Places where a difference has this share of its peak count for the contrast that enters."""


@dataclass(frozen=True, eq=False)
class Pair:
    """A body with and without a feature, on a canvas.

    Parameters
    ----------
    feature : JudgedFeature
        What is judged.
    difference : Waves
        Light with it less light without.
    ground : Waves or None
        Light without it; None: the body as it stands less `difference`.
    lost : Lost or None
        Both as they are drawn, for the contrast that enters; None where all of it enters.
    moves : bool
        Whether the feature turns with the body.
    """

    feature: JudgedFeature
    difference: Waves
    ground: Waves | None
    lost: Lost | None
    moves: bool

    def contrast_in(self, weights: FloatArray) -> FloatArray:
        """Return the contrast that enters, shape (channels,), for weights (channels, bins).

        The difference that a fit of the overall brightness leaves, over the brighter of both there: the
        largest ratio among the places where it is strong. It is read where the feature is strongest, in finer
        and finer cells until it stands still, and so depends on nothing but feature and colours.
        """
        if self.lost is None:
            return np.ones(len(weights))
        weights = np.asarray(weights, np.float32)
        grid, (one, other) = self.lost.grid, self.lost.planes
        planes = _in_channels(weights, one, other)
        factors = [_common_factor(w, o) for w, o in planes]
        found = np.array([_entering(w, o, f) for (w, o), f in zip(planes, factors, strict=True)])
        for _ in range(MOST_PATCHES):
            place = _narrow_place(planes, factors)
            if place is None:
                break
            grid = finer_patch(grid, *place)
            planes = _in_channels(weights, *fine_planes(self.lost, grid))
            before, found = found, np.array([_entering(w, o, f) for (w, o), f in zip(planes, factors, strict=True)])
            if np.all(np.abs(found - before) <= STANDS_STILL * found):
                break
        return found


def _in_channels(weights: FloatArray, one: FloatArray, other: FloatArray) -> list[tuple[FloatArray, FloatArray]]:
    sums = [np.tensordot(weights, planes, axes=1) for planes in (one, other)]
    return list(zip(*sums, strict=True))


def _narrow_place(planes: list[tuple[FloatArray, FloatArray]], factors: list[float]) -> tuple[int, int] | None:
    """Return (row, column) where the difference is strongest, if the cells do not resolve it there."""
    left = [np.abs(w - o - f * o) for (w, o), f in zip(planes, factors, strict=True)]
    ratios = [plane.max() / max(float(o.max()), 1e-30) for plane, (_, o) in zip(left, planes, strict=True)]
    strongest = left[int(np.argmax(ratios))]
    row, column = (int(place) for place in np.unravel_index(int(np.argmax(strongest)), strongest.shape))
    around = strongest[max(row - 1, 0) : row + 2, max(column - 1, 0) : column + 2]
    return (row, column) if around.min() < RESOLVED * strongest[row, column] else None


def finer_patch(grid: Grid, row: int, column: int) -> Grid:
    """Return a small fine grid over the cells around one cell."""
    north, east = float(grid.north_arcsec()[row]), float(grid.east_arcsec()[column])
    return Grid(PATCH_CELLS, PATCH_CELLS, grid.step_arcsec / PATCH_FINER, east, north)


def _common_factor(with_it: FloatArray, without: FloatArray) -> float:
    lit = without > LIT * without.max()
    return float(np.mean((with_it[lit] - without[lit]) / without[lit])) if lit.any() else 0.0


def _entering(with_it: FloatArray, without: FloatArray, factor: float) -> float:
    left = np.abs(with_it - without - factor * without)
    if left.max() <= 0:
        return 0.0
    strong = left >= STRONG * left.max()
    level = np.maximum(with_it, without)[strong]
    return float(min(np.max(left[strong] / np.maximum(level, 1e-30)), 1.0))


def make_pair(feature: JudgedFeature, subject: Subject, canvas: JudgingCanvas, *, aside: bool = False) -> Pair | None:
    """Return a body with and without a feature; None where it is not there at all.

    Parameters
    ----------
    feature : JudgedFeature
        Of kind "detail" or "disc".
    subject : Subject
        The body as it stands.
    canvas : JudgingCanvas
        Of the setup.
    aside : bool
        Whether it is staged (`simulate.judging.staging`): brought to where it can be judged best.
    """
    if feature.kind == "disc":
        lone = replace(subject, options=replace(subject.options, moons=False))
        whole = body_waves(lone, canvas)
        photons = np.real(whole.modes[:, 0, 0]).astype(float) @ whole.colours
        if not np.any(photons):
            return None
        point = point_waves(PointSource(subject.body.name, 0.0, 0.0, np.asarray(photons, np.float64)), canvas)
        return Pair(feature, whole.plus(point, -1.0), point, None, moves=False)
    stage = staged(feature, subject) if aside else subject
    lost = lost_without(stage, feature.without, canvas)
    if lost.box is None:
        return None
    difference = lost_waves(lost, canvas)
    if stage is subject:
        ground = None
    elif feature.stage == "shadow":  # the shadow falls on the body as it is without any
        ground = body_waves(lost.other, canvas)
    else:
        ground = body_waves(stage, canvas).plus(difference, -1.0)
    turning = feature_names(subject.body, minor=True)
    moves = any(name in turning or name.startswith("shadow of ") for name in feature.without)
    return Pair(feature, difference, ground, lost, moves)


@dataclass(frozen=True, eq=False)
class Seen:
    """A pair in the stack of a setup.

    Parameters
    ----------
    mixed : complex64 array, shape (channels, rows, columns//2+1)
        Transform of the difference in the stack.
    difference, without : float32 array, shape (channels, rows, columns)
        The difference in the stack, and the stack without the feature, e- s-1 per pixel.
    brighter_rates : float32 array, that shape
        The brighter of both in one frame, before anything is cut.
    kept : array, shape (channels,)
        Share of the difference that is left of it where it is largest, after readings are cut: the edge of an
        overexposed disc bulges where a feature is bright, but shows no feature.
    """

    mixed: Spectrum
    difference: FloatArray
    without: FloatArray
    brighter_rates: FloatArray
    kept: FloatArray


def seen_pair(bench: Bench, pair: Pair) -> Seen:
    """Send a pair through a setup to its stack; where readings reach full scale, what they cut is lost to both."""
    light = bench.mixed(pair.difference, moves=pair.moves)
    change = bench.seen(light)
    sky = bench.sky_rate.astype(np.float32)[:, None, None]
    ground = None if pair.ground is None else bench.mixed(pair.ground)
    rates = bench.rates - change if ground is None else bench.seen(ground) + sky
    brighter = np.maximum(rates, rates + change)
    if bench.cut:
        below, above = bench.readings(rates), bench.readings(rates + change)
        mixed = np.asarray(scipy.fft.rfft2(above - below), np.complex64) * bench.spread
        without = bench.seen(np.asarray(scipy.fft.rfft2(below), np.complex64) * bench.spread)
        return Seen(mixed, bench.seen(mixed), without, brighter, _kept(change, above - below))
    whole = np.ones(len(change))
    if np.all(bench.spread == 1.0):
        return Seen(light, change, rates, brighter, whole)
    mixed = light * bench.spread
    difference = bench.seen(mixed)
    without = bench.picture - difference if ground is None else bench.seen(ground * bench.spread) + sky
    return Seen(mixed, difference, without, brighter, whole)


def _kept(change: FloatArray, cut: FloatArray) -> FloatArray:
    """Return which share of a difference is left where it is largest, (channels,)."""
    flat = np.abs(change).reshape(len(change), -1)
    place = flat.argmax(axis=1)[:, None]
    before, after = (np.take_along_axis(part, place, 1)[:, 0] for part in (flat, np.abs(cut).reshape(flat.shape)))
    return np.minimum(after / np.maximum(before, 1e-30), 1.0)


def judge_pair(bench: Bench, pair: Pair) -> Iterator[Judgement]:
    """Yield what is left of a feature in a setup, and the answer for a separate dark line where it is one."""
    feature = pair.feature
    entered = pair.contrast_in(bench.weights)
    if not np.any(entered > 0):
        return
    seen, window = seen_pair(bench, pair), bench.window
    found = bench.measure(
        mixed=seen.mixed,
        difference=seen.difference[:, *window],
        without=seen.without[:, *window],
        brighter_rates=seen.brighter_rates[:, *window],
        feature=feature,
        entered=entered,
        kept=seen.kept if feature.kind == "detail" else np.ones(len(entered)),
        middle=middle_of(bench),
        lasting=bench.lasting[:, *window],
    )
    came = max(float(entered[found.channel]), 1e-9)
    legible = math.inf if feature.kind == "disc" else shown_contrast(bench, feature, seen) / least_read(bench)
    if feature.kind == "detail":  # the bulge of an overexposed edge is plain to see, and is not the feature
        legible *= float(seen.kept[found.channel])
    left = min(found.contrast / came, 1.0)
    whole = Judgement(feature.name, came, left, found.snr, found.channel, legible)
    if not feature.line:
        yield whole
        return
    depth, difference, snr = _judge_line(bench, feature, seen, found.channel)
    # who sees a line of its own sees a darkening, as deep as restoration has made it
    shown = min(depth, difference, came) / came
    yield replace(whole, contrast=max(whole.contrast, shown), snr=max(whole.snr, snr))
    own = legible * min(depth / max(difference, 1e-9), 1.0)
    yield Judgement(feature.name + SEPARATE_LINE, came, min(depth / came, 1.0), snr, found.channel, own)


def least_read(bench: Bench) -> float:
    """Return the least local contrast in the finished picture that is read."""
    return max(bench.setup.practice.readable_contrast, 1e-9)


def shown_contrast(bench: Bench, feature: JudgedFeature, seen: Seen) -> float:
    """Return the local contrast of a feature in the finished picture, as the eye adds up its colours, 0 to 1.

    What the observer does not know is fitted away as in the stack; only shares of the local brightness count, for
    that is what a stretch leaves to the eye.
    """
    window, light = bench.window, bench.as_seen.astype(np.float32)[:, None, None]
    below = np.asarray(scipy.fft.rfft2(seen.without - bench.sky_rate.astype(np.float32)[:, None, None]))
    difference = bench.seen(np.sum(seen.mixed * bench.gain * light, axis=0))[window][None]
    without = bench.seen(np.sum(below * bench.gain * light, axis=0))[window][None]
    brighter = np.maximum(without, without + difference)
    # a stretch shows what is darker than half its white against that half
    read = np.maximum(brighter, HALF_WHITE * brighter.max())
    variance = read**2
    width = bench.finished_fwhm_arcsec / bench.grid.step_arcsec
    signal = find_signal(difference, without, variance, feature.unknowns, middle=middle_of(bench), fwhm_cells=width)
    return min(float(np.max(np.abs(signal.residual[0]) / read[0])), 1.0)


def _judge_line(bench: Bench, feature: JudgedFeature, seen: Seen, channel: int) -> tuple[float, float, float]:
    """Return depth, whole difference and signal to noise of a feature as a line of its own in the restored stack.

    Who looks for a line looks at the restored picture, so that its transfer and its noise count. What
    restoration makes of the picture without the feature is no line: it is taken off. Of the feature's
    signal to noise there the minimum has the share that its depth has of the whole difference.
    """
    done, window = bench.restored(channel), bench.window
    difference = bench.seen(seen.mixed[channel] * done.gain)[window][None]
    without = bench.seen(np.asarray(scipy.fft.rfft2(seen.without[channel])) * done.gain)[window][None]
    middle, step = middle_of(bench), bench.grid.step_arcsec
    depth = line_depth(bench, feature, without[0], difference[0], middle)
    if depth == 0.0:
        return 0.0, 0.0, 0.0
    signal = find_signal(
        difference, without, done.variance[window][None], feature.unknowns,
        middle=middle, fwhm_cells=done.fwhm_arcsec / step,
    )  # fmt: skip
    contrast = signal.measured().contrast
    return depth, contrast, min(depth / max(contrast, 1e-9), 1.0) * done.snr(signal)


def middle_of(bench: Bench) -> tuple[float, float]:
    """Return (row, column) of the body's middle in the window that is judged."""
    row, column = bench.grid.pixel_of(0.0, 0.0)
    return row - bench.window[0].start, column - bench.window[1].start


def line_depth(bench: Bench, feature: JudgedFeature, without: FloatArray, difference: FloatArray, middle: Any) -> float:
    """Return how much deeper a true minimum a line feature makes: 0 without one, 1 for black.

    On both sides of the middle for a ring (the mean counts), once for a belt on the middle meridian.
    A minimum that the picture without the feature has at the same place is not the feature's.
    """
    seen, ring = bench.apparition, feature.line == "ring"
    angle = math.radians(seen.north_pole_position_angle_deg + (90.0 if ring else 0.0))
    radius = seen.equatorial_diameter_arcsec / 2
    if ring:
        radius *= max(gap.outer_km for gap in bench.body.rings) / bench.body.equatorial_radius_km
    reach = min(1.1 * radius / bench.grid.step_arcsec, min(without.shape) / 2 - 1)
    cut = Cut(middle, (math.cos(angle), -math.sin(angle)), reach)
    place, twin = cut.sample(without)
    _, change = cut.sample(difference)
    sides = (place < 0, place > 0) if ring else (np.ones(len(place), bool),)
    depths = [dip_depth((twin + change)[side], change[side]) - dip_depth(twin[side], change[side]) for side in sides]
    return max(0.0, float(np.mean(depths)))


def judge_moons(bench: Bench, feature: JudgedFeature, moons: Sequence[MoonState]) -> Judgement | None:
    """Return the verdict for satellites against the sky, or as discs: that of the weakest one.

    Each is set into the middle of a stamp, before a sky that holds the light of the air and the
    halo of the planet at the satellite's distance.
    """
    found = [_judge_moon(bench, feature, moon) for moon in moons]
    if not found:
        return None
    return min(found, key=lambda entry: THRESHOLDS.margin(entry.contrast, entry.snr, "doubtful", entry.legible))


def judged_moons_name(feature: JudgedFeature, moons: Sequence[MoonState]) -> str:
    """Return what was judged of a feature whose satellites may stand before or behind the planet or in its shadow.

    Its own name where all of them are there; else those that are, by name where the feature names them
    ("tethys" of "tethys and dione"), or by number ("3 of 4 moons").
    """
    if len(moons) == len(feature.subjects):
        return feature.name
    if all(name in feature.name for name in feature.subjects):
        return " and ".join(moon.name for moon in moons)
    return f"{len(moons)} of {len(feature.subjects)} moons"


def _judge_moon(bench: Bench, feature: JudgedFeature, moon: MoonState) -> Judgement:
    part, step = bench.stamp, bench.stamp_step
    bins = bench.chain.setting.bins
    flux = body_photon_flux(bench.body.satellite(moon.name), moon.magnitude, bins) * moon.sunlit_fraction
    used = bench.chain.used
    star = np.tensordot((bench.weights[:, used] * flux[used]).astype(np.complex64), bench.stamp_response, axes=1)
    distance = math.hypot(moon.east_arcsec, moon.north_arcsec)
    sky = (halo(bench, distance) + bench.sky_rate).astype(np.float32)[:, None, None]
    light = np.asarray(scipy.fft.irfft2(star, s=part.shape), np.float32)
    spread = bench.spread[:, ::step, ::step]
    if feature.kind == "moon":
        below, above = sky * np.ones_like(light), sky + light
    else:
        disc = disc_transfer(2 * moon.radius_arcsec * part.frequency())
        below, above = sky + light, sky + np.asarray(scipy.fft.irfft2(star * disc.astype(np.float32), s=part.shape))
    brighter = np.maximum(below, above)
    if bench.cut:
        below, above = bench.readings(below), bench.readings(above)
    mixed = np.asarray(scipy.fft.rfft2(above - below), np.complex64) * spread
    without = np.asarray(scipy.fft.irfft2(np.asarray(scipy.fft.rfft2(below)) * spread, s=part.shape))
    found = bench.measure(
        mixed=mixed,
        difference=np.asarray(scipy.fft.irfft2(mixed, s=part.shape)),
        without=without,
        brighter_rates=brighter,
        feature=feature,
        entered=np.ones(len(bench.weights)),
        kept=np.ones(len(bench.weights)),
        middle=((part.rows - 1) / 2, (part.columns - 1) / 2),
    )
    return Judgement(feature.name, 1.0, found.contrast, found.snr, found.channel)


def disc_transfer(cycles: FloatArray) -> FloatArray:
    """Return the transform of an evenly bright disc for a frequency in cycles per diameter: 2 J1(x)/x."""
    x = np.pi * np.asarray(cycles, float)
    return np.where(x > 1e-6, 2 * j1(np.maximum(x, 1e-6)) / np.maximum(x, 1e-6), 1.0)


def halo(bench: Bench, distance_arcsec: float) -> FloatArray:
    """Return the light of the body's halo at a distance, e- s-1 per pixel in each channel.

    The median over the ring of the stack at that distance; beyond the canvas it falls on as the
    cube of the distance.
    """
    edge = bench.edge_arcsec
    if distance_arcsec < edge:
        return _ring_light(bench, distance_arcsec)
    return _ring_light(bench, edge) * (distance_arcsec / edge) ** HALO_POWER


def _ring_light(bench: Bench, distance_arcsec: float) -> FloatArray:
    grid = bench.grid
    radius = np.hypot(grid.east_arcsec()[None, :], grid.north_arcsec()[:, None])
    ring = np.abs(radius - distance_arcsec) <= max(1.5 * grid.step_arcsec, 0.03 * distance_arcsec)
    return np.maximum(np.median(bench.rates[:, ring], axis=1) - bench.sky_rate, 0.0)


def judge_feature(bench: Bench, feature: JudgedFeature, *, aside: bool = False) -> tuple[Judgement, ...]:
    """Return the one or two answers for a feature in a setup; none where it is not there.

    Parameters
    ----------
    bench : Bench
        The setup.
    feature : JudgedFeature
        What is judged.
    aside : bool
        Stage it so that it can be judged at any time; else it is judged as it stands.
    """
    subject = bench.setup.subject
    if feature.kind in ("moon", "moon disc"):
        if not subject.options.moons:
            return ()
        seen = set_aside(subject.seen) if aside else subject.seen
        moons = [moon for moon in seen.moons if moon.name in feature.subjects and moon.state == "clear"]
        verdict = judge_moons(bench, feature, moons)
        return (replace(verdict, name=judged_moons_name(feature, moons)),) if verdict else ()
    if not aside and not in_sight(feature, subject):
        return ()
    pair = make_pair(feature, subject, bench.canvas, aside=aside)
    return tuple(judge_pair(bench, pair)) if pair is not None else ()


def wanted_features(setup: Setup, features: Sequence[JudgedFeature] | None = None) -> tuple[JudgedFeature, ...]:
    """Return what is judged of a setup's body: what its options leave out is not."""
    asked = judged_features(setup.body) if features is None else features
    # what drifts has no place on a map of the user's own
    placeless = placeless_features(setup.body) if setup.scene.user_map is not None else frozenset[str]()
    return tuple(feature for feature in asked if not feature.without & (setup.scene.without | placeless))


def judge_scene(bench: Bench, features: Sequence[JudgedFeature] | None = None) -> tuple[Judgement, ...]:
    """Return what is left of every feature that is in the scene, as it stands.

    Parameters
    ----------
    bench : Bench
        The setup.
    features : sequence of JudgedFeature, optional
        What is judged; default all that the body's data file declares.
    """
    return tuple(entry for feature in wanted_features(bench.setup, features) for entry in judge_feature(bench, feature))


def judge_view(look: ExpectedFrame, exposure: Exposure) -> tuple[FeatureLine, ...]:
    """Return the verdicts on every feature that is in a look's scene, in the stack of a recording."""
    if not judged_features(look.body):
        return ()
    return tuple(feature_line(entry) for entry in judge_scene(bench_of(look, exposure)))


def feature_line(entry: Judgement, thresholds: Thresholds = THRESHOLDS) -> FeatureLine:
    """Return the verdict as sheets and JSON show it."""
    verdict = thresholds.verdict(entry.contrast, entry.snr, entry.legible)
    return FeatureLine(entry.name, verdict, entry.contrast, entry.snr, entry.legible)
