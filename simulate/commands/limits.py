"""What can be seen with which telescope: ladder of apertures, smallest aperture, loss budget, improvements."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from simulate.air import Sky
from simulate.bodies import Body
from simulate.camera import channel_names
from simulate.errors import BelowHorizonError, InputError, choose, kept_warnings
from simulate.geometry import Apparition, Site, apparition, as_site, instant_after, parse_time
from simulate.instruments import Instrument, load_instrument, practice_for
from simulate.judging import (
    SEPARATE_LINE,
    THRESHOLDS,
    JudgedFeature,
    Judgement,
    Thresholds,
    Word,
    judged_features,
)
from simulate.judging.bench import Bench, Setup, bench_bytes, make_bench
from simulate.judging.drawn import Kept, draw
from simulate.judging.judge import judge_feature, wanted_features
from simulate.judging.staging import set_aside
from simulate.light.canvas import JudgingCanvas
from simulate.light.chain import STEPS, Aim, sampling_ratio
from simulate.light.colours import screen_matrix, to_screen, white_rates
from simulate.light.look import body_width_arcsec, note_overexposure, refuse_below_horizon, refuse_unseen
from simulate.light.screen import display_level, truth_colours
from simulate.light.subject import choose_subject
from simulate.results.limits import Band, BudgetStep, Improvement, Limits, SmallestAperture
from simulate.scene import Scene, SceneOptions
from simulate.stack import ExposureWishes
from simulate.values.constants import GREEN_NM
from simulate.values.practice import LEVELS, PRACTICES, Level, Practice, three_levels

if TYPE_CHECKING:
    from astropy.coordinates import EarthLocation
    from astropy.time import Time

FloatArray = npt.NDArray[np.floating]

VISIBLE: tuple[Word, ...] = ("doubtful", "clear")
"""Verdicts that have a smallest aperture."""

APERTURES_MM = (10.0, 15.0, 20.0, 30.0, 40.0, 50.0, 60.0, 80.0, 100.0, 130.0, 150.0, 200.0, 250.0, 300.0, 400.0)
"""Apertures of the default family, mm: what people own."""

AMPLIFIERS = (0.5, 1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0)
"""Factors that amplifiers and reducers are sold with (common practice)."""

SEEING_STEP_ARCSEC = 0.3
"""By how much the seeing is taken better and worse for the band of a smallest aperture."""

DRAWN: tuple[Level, ...] = ("ordinary", "ideal")
"""Levels of practice at which the ladder is drawn."""

MOST_BENCH_BYTES = 120_000_000
"""Size up to which setups that are ready to judge are kept."""

HANDS: dict[Level, str] = {"ordinary": "an ordinary", "practised": "a practised", "ideal": "an ideal"}

BUDGET_STEPS = (*STEPS, "motion", "noise")
"""Steps of the loss budget, in the order of the light."""


@dataclass(frozen=True)
class LimitsOptions:
    """What the user may fix of `limits`.

    Parameters
    ----------
    apertures_mm : tuple of float
        The family, rising.
    scene : SceneOptions
        How the body is drawn.
    wishes : ExposureWishes
        How it is recorded.
    feature : str or None
        Feature of the loss budget; None takes the hardest one that the instrument does not lose.
    thresholds : Thresholds
        For the verdicts.
    practice : Practice or None
        The hand; None leaves it to the owner of the first instrument, else it is practised.
    """

    apertures_mm: tuple[float, ...] = APERTURES_MM
    scene: SceneOptions = field(default_factory=SceneOptions)
    wishes: ExposureWishes = field(default_factory=ExposureWishes)
    feature: str | None = None
    thresholds: Thresholds = THRESHOLDS
    practice: Practice | None = None

    def __post_init__(self) -> None:
        apertures = self.apertures_mm
        good = all(math.isfinite(size) and 5 <= size <= 2000 for size in apertures)
        if len(apertures) < 2 or not good or list(apertures) != sorted(set(apertures)):
            raise InputError("apertures", apertures, "give at least two, rising, from 5 to 2000 mm")


def critical_family(instrument: Instrument, aperture_mm: float) -> Instrument:
    """Return the instrument scaled to an aperture, at the focal ratio that samples critically.

    Obstruction and vanes keep their share of the aperture, errors their size in waves.
    """
    ratio = 2.0 * instrument.camera.pixel_um / (GREEN_NM * 1e-3)
    return _scaled(instrument, aperture_mm, ratio * aperture_mm, 1.0)


def own_family(instrument: Instrument, aperture_mm: float) -> Instrument:
    """Return the instrument scaled to an aperture at its own focal ratio, with the best amplifier.

    The best one comes nearest to critical sampling.
    """
    telescope = instrument.telescope
    native = telescope.focal_length_mm / telescope.aperture_mm * aperture_mm
    made = [_scaled(instrument, aperture_mm, native, amplifier) for amplifier in AMPLIFIERS]
    return min(made, key=lambda tool: abs(math.log(sampling_ratio(tool))))


def _scaled(instrument: Instrument, aperture_mm: float, focal_mm: float, amplifier: float) -> Instrument:
    telescope = instrument.telescope
    scale = aperture_mm / telescope.aperture_mm
    made = replace(
        telescope,
        aperture_mm=aperture_mm,
        focal_length_mm=focal_mm,
        amplifier=amplifier,
        obstruction_mm=telescope.obstruction_mm * scale,
        vane_width_mm=telescope.vane_width_mm * scale,
    )
    # the same error in waves at another focal ratio: W = dz / (8 N^2)
    made = replace(made, defocus_um=telescope.defocus_um * (made.focal_ratio / telescope.focal_ratio) ** 2)
    return replace(instrument, name=f"{aperture_mm:g} mm", telescope=made)


def limits(
    body: str | Path | Body,
    instruments: str | Instrument | Sequence[str | Instrument] = "newtonian-150",
    time: str | Time | None = None,
    site: str | Site | EarthLocation | None = None,
    *,
    sky: Sky | None = None,
    options: LimitsOptions | None = None,
    ephemeris: str = "builtin",
) -> Limits:
    """Find out what can be seen of a body, with which aperture, and what stands in the way.

    Parameters
    ----------
    body : str, Path or Body
        Name of a shipped one, path of a TOML file, or a `Body` of which something is judged.
    instruments : str, Instrument or a sequence of them
        The user's; the first one's camera, obstruction and errors make the families.
    time : str or Time
        Instant, UTC unless an offset is given; None is now.
    site : str, Site, EarthLocation or None
        Place; None looks through the zenith.
    sky : Sky, optional
        The air; default 2 arcsec seeing.
    options : LimitsOptions, optional
        What is fixed by the user.
    ephemeris : str
        "builtin" or "de440".

    Raises
    ------
    InputError
        For anything that cannot be used, a body of which nothing is judged, and one below the horizon.
    """
    asked, air = options or LimitsOptions(), sky or Sky()
    known = choose_subject(body)
    if not judged_features(known):
        raise InputError("BODY", known.name, "nothing is declared to be judged of it; name a planet")
    several = [instruments] if isinstance(instruments, (str, Instrument)) else list(instruments)
    tools = tuple(tool if isinstance(tool, Instrument) else load_instrument(tool) for tool in several)
    if not tools:
        raise InputError("instruments", tools, "name at least one")
    place = None if site is None else as_site(site)
    with kept_warnings() as texts:
        moment = parse_time(datetime.now(UTC) if time is None else time)
        seen = apparition(known, moment, place, ephemeris=ephemeris)
        refuse_unseen(known, seen)
        found = compose_limits(known, seen, air, tools, asked)
    return replace(found, warnings=tuple(texts))


def compose_limits(
    body: Body, seen: Apparition, sky: Sky, instruments: tuple[Instrument, ...], options: LimitsOptions
) -> Limits:
    """Compute `limits` for an apparition.

    Parameters
    ----------
    body, seen, sky, instruments : Body, Apparition, Sky, tuple of Instrument
        What is looked at, how it stands, through which air, with what.
    options : LimitsOptions
        What is fixed by the user.
    """
    first = instruments[0]
    usual = Setup(
        body=body, seen=seen, instrument=first, sky=sky, aim=Aim.of(seen), scene=options.scene, wishes=options.wishes,
    )  # fmt: skip
    hand = practice_for(first, options.practice)
    changes = {name: setup.used_by(hand) for name, setup in possible_changes(usual).items()}
    for better in LEVELS[LEVELS.index(hand.level) + 1 :]:
        changes[f"{HANDS[better]} hand"] = usual.used_by(PRACTICES[better])
    setups = _Setups(usual, hand, _families(first, options), instruments, changes)
    features = list(wanted_features(usual))
    found = _judged(setups, features, options)
    compared = tuple(map(tuple, found.compared))
    for number, tool in enumerate(instruments):
        note_overexposure(setups["own", number].exposure, tool.name)
    chosen = _budget_feature(options, features, compared[0])
    ends = found.drawn[DRAWN[0]].shown
    widest = max(canvas.side_arcsec for canvas, _ in (ends[0], ends[-1]))
    return Limits(
        subject=body,
        apparition=set_aside(seen),
        instruments=instruments,
        apertures_mm=options.apertures_mm,
        ladder=tuple(map(tuple, found.ladder)),
        smallest=tuple(found.smallest[0]),
        smallest_own=tuple(found.smallest[1]),
        compared=compared,
        budget_feature=chosen,
        budget=_budget_of(setups, features, chosen) if chosen else (),
        improvements=_ranked(found.changed, options.thresholds),
        pictures={level: ladder.pictures() for level, ladder in found.drawn.items()},
        width_arcsec=widest,
        body_arcsec=body_width_arcsec(body, seen),
        thresholds=options.thresholds,
        practice=hand,
        sky=sky,
        levels={level: tuple(map(tuple, rows)) for level, rows in found.levels.items()},
    )


def _families(instrument: Instrument, options: LimitsOptions) -> list[list[Instrument]]:
    return [[make(instrument, size) for size in options.apertures_mm] for make in (critical_family, own_family)]


@dataclass
class _Found:
    """What the features have given so far."""

    ladder: list[list[Judgement]]
    compared: list[list[Judgement]]
    smallest: tuple[list[SmallestAperture], list[SmallestAperture]]
    changed: list[tuple[str, Judgement, Judgement]]
    levels: dict[Level, list[list[Judgement]]]
    drawn: dict[Level, _Ladder]


@dataclass
class _Ladder:
    """The restored stacks through the apertures of the critical family, linear sRGB, all at one brightness."""

    level: float = 0.0
    shown: list[tuple[JudgingCanvas, npt.NDArray[np.float32]]] = field(default_factory=list)

    def add(self, bench: Bench) -> None:
        """Add the next aperture; the smallest first, by which the brightness is chosen."""
        camera, bins = bench.setup.instrument.camera, bench.setup.subject.bins
        white = white_rates(bench.weights, bins)
        sky = bench.sky_rate.astype(np.float32)[:, None, None]  # by day brighter than most planets: taken off
        if self.level == 0.0:
            subject, patch = bench.setup.subject, bench.canvas.coarsest
            truth = truth_colours(Scene(patch, subject.bins, draw(subject, patch), (), subject.seen))
            self.level = display_level(truth, (bench.picture - sky) / white[:, None, None])
        matrix = screen_matrix(bench.weights, channel_names(camera), bins)
        self.shown.append((bench.canvas, to_screen(bench.finished_picture() - sky, white, matrix, self.level)))

    def pictures(self) -> tuple[npt.NDArray[np.float32], ...]:
        """Return all in one field, the smallest of them."""
        least = min(canvas.side_arcsec for canvas, _ in self.shown)
        cut = []
        for canvas, picture in self.shown:
            edge = round((canvas.cells - least / canvas.grid.step_arcsec) / 2)
            cut.append(picture[edge : canvas.cells - edge, edge : canvas.cells - edge].copy())
        return tuple(cut)


def _judged(setups: _Setups, features: list[JudgedFeature], options: LimitsOptions) -> _Found:
    """Send every feature through all setups."""
    rungs = range(len(options.apertures_mm))
    levels: dict[Level, list[list[Judgement]]] = {level: [[] for _ in rungs] for level in LEVELS}
    drawn = {level: _Ladder() for level in DRAWN}
    found = _Found(levels[setups.hand.level], [[] for _ in setups.instruments], ([], []), [], levels, drawn)  # pyright: ignore[reportArgumentType]
    judges = [_Judge(setups, feature) for feature in features]
    for level in LEVELS:
        for rung in rungs:  # a setup at a time: all that is asked of it, before it makes room for the next
            key = ("family", 0, rung, 0.0, level)
            for judge in judges:
                judge(key)
            if level in drawn:
                drawn[level].add(setups[key])
    for judge in judges:
        answers = {level: [judge(("family", 0, rung, 0.0, level)) for rung in rungs] for level in LEVELS}
        if not answers["ideal"][0]:
            continue
        for level, rows in answers.items():
            for row, some in zip(levels[level], rows, strict=True):  # pyright: ignore[reportArgumentType]
                row.extend(some)
        for number, row in enumerate(found.compared):
            row.extend(judge(("own", number)))
        for entries, some in zip(found.smallest, _smallest(judge, options), strict=True):
            entries.extend(some)
        found.changed.extend(_changes(judge, options.thresholds))
    return found


def _budget_feature(options: LimitsOptions, features: list[JudgedFeature], verdicts: tuple[Judgement, ...]) -> str:
    """Return the feature of the budget: the one asked for, or the hardest that is not lost."""
    details = {entry.name for entry in features if entry.kind == "detail"}
    known = {entry.name: entry for entry in verdicts if entry.name.removesuffix(SEPARATE_LINE) in details}
    if options.feature is not None:
        return choose("feature", options.feature, tuple(known))
    limit = options.thresholds
    seen = [entry for entry in known.values() if limit.verdict(entry.contrast, entry.snr, entry.legible) != "lost"]
    chosen = min(
        seen or known.values(),
        key=lambda entry: limit.margin(entry.contrast, entry.snr, "clear", entry.legible),
        default=None,
    )
    return chosen.name if chosen else ""


Key = tuple[Any, ...]


class _Setups:
    """Every setup of one run by its key, made ready when it is asked for and kept while there is room.

    ("family", which, rung, change of seeing, level), ("own", number), ("change", name), ("budget", steps on).
    """

    def __init__(
        self,
        usual: Setup,
        hand: Practice,
        families: list[list[Instrument]],
        instruments: tuple[Instrument, ...],
        changes: dict[str, Setup],
    ) -> None:
        self.usual = usual
        self.hand = hand
        self._hands: dict[str, Practice] = {practice.level: practice for practice in three_levels(hand)}
        self.families = families
        self.instruments = instruments
        self.changes = changes
        self._made = Kept(MOST_BENCH_BYTES)

    def __getitem__(self, key: Key) -> Bench:
        return self._made.get(key, lambda: make_bench(self._asked(key)), bench_bytes)

    def _asked(self, key: Key) -> Setup:
        what, which, *rest = key
        if what == "family":
            rung, shift, level = rest
            family = replace(self.usual, instrument=self.families[which][rung])
            return steadier(family, -shift).used_by(self._hands[level])
        if what == "own":
            return replace(self.usual, instrument=self.instruments[which]).used_by(self.hand)
        if what == "change":
            return self.changes[which]
        motion = BUDGET_STEPS.index("motion")
        return replace(
            self.usual.used_by(self.hand),
            without=frozenset(STEPS[which:]),
            still=which <= motion,
            noiseless=which <= motion + 1,
        )


def steadier(setup: Setup, arcsec: float) -> Setup:
    """Return a setup in air that is steadier by so much."""
    seeing = max(setup.sky.seeing_arcsec - arcsec, 0.0)
    return replace(setup, sky=replace(setup.sky, seeing_arcsec=seeing)) if arcsec else setup


class _Judge:
    """One feature through any setup."""

    def __init__(self, setups: _Setups, feature: JudgedFeature) -> None:
        self.setups = setups
        self._feature = feature
        self._known: dict[Key, tuple[Judgement, ...]] = {}

    def __call__(self, key: Key) -> tuple[Judgement, ...]:
        if key not in self._known:
            self._known[key] = judge_feature(self.setups[key], self._feature, aside=True)
        return self._known[key]


def possible_changes(usual: Setup) -> dict[str, Setup]:
    """Return what one could do better, by name."""
    instrument, seen = usual.instrument, usual.seen
    telescope, camera = instrument.telescope, instrument.camera
    made: dict[str, Setup] = {}
    later = _later_aim(usual.body, seen)
    if later is not None:
        made["two hours later"] = replace(usual, aim=later)
    made["perfect focus and optics"] = replace(usual, without=frozenset({"focus", "aberration"}))
    doubled = replace(telescope, amplifier=min(telescope.amplifier * 2.0, 20.0))
    made["an amplifier twice as strong"] = replace(usual, instrument=replace(instrument, telescope=doubled))
    made["a recording four times as long"] = replace(usual, longer=4.0)
    larger = [size for size in APERTURES_MM if size > telescope.aperture_mm * 1.05]
    if larger:
        focal = telescope.focal_length_mm / telescope.aperture_mm * larger[0]
        scaled = _scaled(instrument, larger[0], focal, telescope.amplifier)
        made[f"the next aperture, {larger[0]:g} mm"] = replace(usual, instrument=scaled)
    if not camera.is_mono:
        peak = max((value for _, value in camera.quantum_efficiency), default=0.0)
        if peak > 0:
            bare = replace(camera, filter_array="mono", quantum_efficiency=peak)
            made["a sensor without colour filters"] = replace(usual, instrument=replace(instrument, camera=bare))
    if seen.altitude_deg is not None:
        made["a corrector of dispersion"] = replace(usual, without=frozenset({"dispersion"}))
    made["steadier air, by 0.3 arcsec"] = steadier(usual, SEEING_STEP_ARCSEC)
    return made


def _later_aim(body: Body, seen: Apparition) -> Aim | None:
    """Return the way through the air two hours later; None without a site or below the horizon by then."""
    if seen.site is None:
        return None
    later = apparition(body, instant_after(seen.time_utc, 7200.0), seen.site, ephemeris=seen.ephemeris)
    try:
        refuse_below_horizon(body, later)
    except BelowHorizonError:
        return None
    return Aim.of(later)


def _smallest(judge: _Judge, options: LimitsOptions) -> tuple[list[SmallestAperture], list[SmallestAperture]]:
    """Find where a feature becomes doubtful and clear along both families, with the bands.

    The band is worked out along the critically sampled family; the other one breathes the same air,
    so its band has the same ratio to its middle.
    """
    sizes, limit = options.apertures_mm, options.thresholds
    usual = _rungs(judge, 0, 0.0, range(len(sizes)))
    own = _rungs(judge, 1, 0.0, _likely(usual, limit))
    found: tuple[list[SmallestAperture], list[SmallestAperture]] = ([], [])
    for place, entry in enumerate(usual[0]):
        marks, other = [], []
        for word in VISIBLE:
            middle = _crossing(sizes, usual, place, limit, word)
            band = _band(judge, options, place, word, middle)
            mine = _crossing(sizes, own, place, limit, word)
            marks.append((middle, band))
            other.append((mine, _carried(band, middle, mine)))
        by_level = {level: _marks(judge, sizes, place, limit, level) for level in LEVELS}
        for entries, ((doubtful, low), (clear, high)) in zip(found, (marks, other), strict=True):
            levels = by_level if entries is found[0] else {}
            entries.append(SmallestAperture(entry.name, doubtful, clear, low, high, levels))  # pyright: ignore[reportArgumentType]
    return found


def _marks(
    judge: _Judge, sizes: Sequence[float], place: int, limit: Thresholds, level: Level
) -> tuple[float | None, float | None]:
    """Return from which aperture on an answer is doubtful, and clear, at a level of practice."""
    rungs = {rung: judge(("family", 0, rung, 0.0, level)) for rung in range(len(sizes))}
    doubtful, clear = (_crossing(sizes, rungs, place, limit, word) for word in VISIBLE)
    return doubtful, clear


def _band(judge: _Judge, options: LimitsOptions, place: int, word: Word, middle: float | None) -> Band:
    """Return where a smallest aperture comes to lie in better and in worse air, with lower and higher thresholds."""
    sizes, limit = options.apertures_mm, options.thresholds
    ends: list[float | None] = []
    for sign in (-1, 1):
        other = limit.scaled((1 + limit.uncertainty) ** sign)
        rungs = _walked(judge, sizes, place=place, middle=middle, sign=sign, limit=other, word=word)
        ends.append(_crossing(sizes, rungs, place, other, word))
    low, high = ends
    if middle is None:
        return low, None
    return (middle if low is None else min(low, middle)), (None if high is None else max(high, middle))


def _carried(band: Band, middle: float | None, mine: float | None) -> Band:
    """Return a band moved along to another middle."""
    if middle is None or mine is None:
        return (None, None)
    low, high = (None if end is None else end * mine / middle for end in band)
    return low, high


def _rungs(judge: _Judge, family: int, shift: float, rungs: Any) -> dict[int, tuple[Judgement, ...]]:
    return {rung: judge(("family", family, rung, shift, judge.setups.hand.level)) for rung in rungs}


def _likely(usual: dict[int, tuple[Judgement, ...]], limit: Thresholds) -> list[int]:
    """Rungs of another family that can hold a crossing: around those of the usual one."""
    number = len(usual)
    wanted: set[int] = set()
    for place in range(len(usual[0])):
        for word in VISIBLE:
            margins = [
                limit.margin(usual[r][place].contrast, usual[r][place].snr, word, usual[r][place].legible)
                for r in range(number)
            ]
            failing = [rung for rung, margin in enumerate(margins) if margin < 1]
            last = failing[-1] if failing else -1
            wanted |= {max(last, 0), min(last + 1, number - 1)}
    return sorted(wanted)


def _walked(
    judge: _Judge, sizes: Sequence[float], *, place: int, middle: float | None, sign: int, limit: Thresholds, word: Word
) -> dict[int, tuple[Judgement, ...]]:
    """Walk from a smallest aperture down (-1) or up (1) until the verdict turns; return the rungs met."""
    if middle is None and sign > 0:
        return {}
    last = len(sizes) - 1
    rung = last if middle is None else next(r for r, size in enumerate(sizes) if size >= middle * (1 - 1e-9))
    met: dict[int, tuple[Judgement, ...]] = {}
    while 0 <= rung <= last:
        met[rung] = judge(("family", 0, rung, sign * SEEING_STEP_ARCSEC, judge.setups.hand.level))
        entry = met[rung][place]
        holds = limit.margin(entry.contrast, entry.snr, word, entry.legible) >= 1
        if holds == (sign > 0):
            before = rung - sign
            if sign > 0 and len(met) == 1 and before >= 0:  # the turn lies below the first rung
                met[before] = judge(("family", 0, before, sign * SEEING_STEP_ARCSEC, judge.setups.hand.level))
            break
        rung += sign
    return met


def _crossing(
    sizes: Sequence[float], rungs: dict[int, tuple[Judgement, ...]], place: int, limit: Thresholds, word: Word
) -> float | None:
    """Return the aperture from which on a verdict holds, interpolated in the logarithms; None beyond."""
    known = sorted(rungs)
    margins = [
        limit.margin(rungs[r][place].contrast, rungs[r][place].snr, word, rungs[r][place].legible) for r in known
    ]
    failing = [index for index, margin in enumerate(margins) if margin < 1]
    if not known:
        return None
    if not failing:
        return sizes[known[0]]
    last = failing[-1]
    if last == len(known) - 1:
        return None
    low, high = (math.log(max(margins[index], 1e-6)) for index in (last, last + 1))
    share = -low / (high - low)
    a, b = (math.log(sizes[known[index]]) for index in (last, last + 1))
    return math.exp(a + share * (b - a))


def _changes(judge: _Judge, limit: Thresholds) -> list[tuple[str, Judgement, Judgement]]:
    """Return (change, before, after) for answers of the first instrument that are not clear."""
    before = judge(("own", 0))
    open_ones = [
        place
        for place, entry in enumerate(before)
        if limit.verdict(entry.contrast, entry.snr, entry.legible) != "clear"
    ]
    found = []
    for name in judge.setups.changes if open_ones else ():
        after = judge(("change", name))
        found += [(name, before[place], after[place]) for place in open_ones]
    return found


def _ranked(changed: list[tuple[str, Judgement, Judgement]], limit: Thresholds) -> tuple[Improvement, ...]:
    """Rank the changes by their gain: how much nearer a feature comes to "clear"."""
    found = []
    for change, before, after in changed:
        start = limit.margin(before.contrast, before.snr, "clear", before.legible)
        if start < 0.02:  # lost by far: a factor on nothing says nothing
            continue
        gain = limit.margin(after.contrast, after.snr, "clear", after.legible) / start
        was = limit.verdict(before.contrast, before.snr, before.legible)
        is_now = limit.verdict(after.contrast, after.snr, after.legible)
        found.append(Improvement(change, before.name, gain, was, is_now))
    return tuple(sorted(found, key=lambda entry: (-entry.gain, entry.change, entry.feature)))


def _budget_of(setups: _Setups, features: list[JudgedFeature], name: str) -> tuple[BudgetStep, ...]:
    """Return what is left of a feature's contrast after each step of the light's way, all later ones off.

    The order matters: a step that comes late finds less left to take. "noise" takes no contrast; from
    its row on the signal to noise counts the stack's noise beside the floor.
    """
    feature = next(entry for entry in features if entry.name == name.removesuffix(SEPARATE_LINE))
    judge = _Judge(setups, feature)
    place = int(name != feature.name)
    steps = [judge(("budget", number + 1))[place] for number in range(len(BUDGET_STEPS))]
    return tuple(BudgetStep(step, entry.contrast, entry.snr) for step, entry in zip(BUDGET_STEPS, steps, strict=True))
