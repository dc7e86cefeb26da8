"""Moons and other dots in a user's picture: which is which, how wide, and what they say of time and turn."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from simulate.checking.bench import Bench, Fitted
from simulate.checking.dots import (
    NARROW,
    Bead,
    Dot,
    Expected,
    MoonWidth,
    beads_beside,
    linear_light,
    lit_part,
    measure_spot,
    perfect_width,
    width_through,
)
from simulate.checking.faults import USUAL_OVERSHOOT
from simulate.checking.finding import Found
from simulate.checking.fitting import KnownPose, first_scale
from simulate.checking.measures import Measurement, limb_overshoot_of
from simulate.checking.model import Pose, Theory
from simulate.checking.moons import MoonPlaces, MoonsAnswer, Pasted, match_moons
from simulate.checking.reading import UserPicture
from simulate.checking.results import MoonsTime
from simulate.errors import InputError, kept_warnings
from simulate.geometry import MoonTrack, instant_after, moon_table
from simulate.stack.restore import rings_of

FloatArray = npt.NDArray[np.floating]

SEARCHED_H, STEP_MIN = 36.0, 4.0
"""How far around the time told, and in which steps, the moons are tried: time zones, a.m. and p.m., a wrong day."""

LEAST_MATCHED = 2
"""Dots that must be moons before they say anything of the time."""

RINGS = 2.5
"""Widths of the telescope's image beyond that, within which an over-sharpened limb leaves rings (common practice)."""

BESIDE = 1.12
"""Radius of the planet and its rings, in their own, within which dots are left to the disc."""


@dataclass(frozen=True)
class Beside:
    """What lies beside a planet, before any fit: dots in the picture's pixels, and which moons they are when."""

    beads: tuple[Bead, ...]
    answer: MoonsAnswer | None

    @property
    def pose(self) -> KnownPose | None:
        """How the picture lies, where its moons tell."""
        answer = self.answer
        if answer is None or not answer.tells_pose or not (answer.matched > LEAST_MATCHED or answer.as_told):
            return None
        odds = min(-math.log(max(1.0 - answer.mirror_probability, 1e-9)), 20.0)
        pose = answer.pose
        return KnownPose(
            pose.scale_arcsec, pose.angle_deg, pose.mirrored, answer.scale_error, answer.angle_error_deg, odds
        )


@dataclass(frozen=True)
class Points:
    """What a picture shows beside its planet.

    Parameters
    ----------
    moons : tuple of MoonWidth
        Moons whose width was measured.
    dots : tuple of Dot
        Dots that no moon accounts for.
    time : MoonsTime or None
        What all dots say of the time.
    found : tuple of str
        Moons that show, whether or not their width can be measured.
    """

    moons: tuple[MoonWidth, ...]
    dots: tuple[Dot, ...]
    time: MoonsTime | None
    found: tuple[str, ...]


def points_of(bench: Bench, fitted: Fitted, beside: Beside) -> Points:
    """Return the moons found, the dots that are none, and what both say of the time.

    Parameters
    ----------
    bench, fitted
        Theory, at the time that the moons speak for, and picture.
    beside : Beside
        Dots and moons.
    """
    answer = beside.answer
    pose = fitted.fit.pose
    if answer is not None and beside.pose is not None:
        pose = answer.pose
    part = lit_part(fitted.levels, fitted.found.sky, fitted.found.noise)
    light = linear_light(fitted.levels[part], fitted.fit)
    first_row, first_column = part[0].start, part[1].start
    width = perfect_width(bench.cutoff, 0.0)
    clear = BESIDE * fitted.theory.extent_arcsec
    near = 1.2 * width + 0.5
    expected = tuple(
        Expected(moon.name, moon.east_arcsec, moon.north_arcsec, 2 * moon.radius_arcsec)
        for moon in bench.seen.moons
        if moon.state == "clear"
    )
    moons = tuple(_widths(bench, fitted, light, _moved(pose, -first_row, -first_column), expected, clear))
    found, dots = {moon.name for moon in moons}, []
    # an over-sharpened limb is followed by rings that break into dots
    radius = 0.5 * bench.seen.equatorial_diameter_arcsec
    rung = clear + (RINGS * width if limb_overshoot_of(fitted.measured, radius) > USUAL_OVERSHOOT else 0.0)
    for number, bead in enumerate(beside.beads):
        east, north = (float(x) for x in pose.sky_of(bead.row, bead.column))
        away = {one.name: math.hypot(east - one.east_arcsec, north - one.north_arcsec) for one in expected}
        closest = min(away, key=lambda name: away[name], default="")
        named = answer.names[number] if answer is not None and beside.pose is not None else ""
        if named or (closest and away[closest] <= near):
            found.add(named or closest)
        elif math.hypot(east, north) > rung:
            narrow = 2.0 * math.sqrt(bead.area_px / math.pi) * pose.scale_arcsec < NARROW * width
            dots.append(Dot(bead.row, bead.column, east, north, bead.clearness, narrow))
    return Points(moons, tuple(dots), _moons_time(beside), tuple(sorted(found)))


def _moons_time(beside: Beside) -> MoonsTime | None:
    """Return what the dots say of the time."""
    answer = beside.answer
    if answer is None:
        return None
    dots = len(beside.beads)
    if beside.pose is None:
        return None
    told = answer.matched if answer.as_told else 0
    offset = 0.0 if answer.as_told else answer.offset_s
    return MoonsTime(offset, answer.matched, dots, told, answer.pose, answer.error_s)


def _moved(pose: Pose, rows: float, columns: float) -> Pose:
    return replace(pose, row=pose.row + rows, column=pose.column + columns)


def _widths(
    bench: Bench, fitted: Fitted, light: FloatArray, pose: Pose, expected: tuple[Expected, ...], clear: float
) -> list[MoonWidth]:
    if not expected:
        return []
    frequency, transfer = _setup_transfer(bench, fitted)
    ceiling = math.inf
    if fitted.picture.bits:
        top = np.array([[fitted.fit.window.ceiling]])
        ceiling = float(linear_light(top, fitted.fit)[0, 0])
    result = []
    for moon in expected:
        if math.hypot(moon.east_arcsec, moon.north_arcsec) < clear:
            continue
        perfect = perfect_width(bench.cutoff, moon.diameter_arcsec)
        row, column = (float(x) for x in pose.pixel_of(moon.east_arcsec, moon.north_arcsec))
        spot = measure_spot(light, row, column, max(perfect / pose.scale_arcsec, 1.5), ceiling)
        if spot is None:
            continue
        off = math.hypot(spot.row - row, spot.column - column) * pose.scale_arcsec
        if off > 1.5 * perfect + 0.5:
            continue
        measured = Measurement(spot.width_px * pose.scale_arcsec, spot.error_px * pose.scale_arcsec)
        due = width_through(frequency, transfer, moon.diameter_arcsec)
        result.append(MoonWidth(moon.name, off, measured, moon.diameter_arcsec, perfect, due))
    return result


def _setup_transfer(bench: Bench, fitted: Fitted) -> tuple[FloatArray, FloatArray]:
    """Transfer of telescope, air and pixel by frequency, mean over directions, evenly spaced."""
    base = np.abs(bench.optics(fitted.theory).base)
    rings = rings_of(bench.grid.shape, bench.grid.step_arcsec)
    line = np.linspace(0.0, bench.cutoff, 400)
    return line, np.interp(line, rings.centres, rings.mean(base))


def moons_first(bench: Bench, picture: UserPicture, found: Found, theory: Theory) -> Beside:
    """Return the dots beside a planet and which of its moons they are at which time, before any fit.

    Parameters
    ----------
    bench, picture, found
        What, and where the planet is.
    theory : Theory
        Gives the planet's size.
    """
    levels = picture.levels.mean(axis=0)
    scale = first_scale(found, theory)
    width = max(perfect_width(bench.cutoff, 0.0) / scale, 1.5)
    clear = 1.2 * found.reach_px
    part = lit_part(levels, found.sky, found.noise)
    corner = part[0].start, part[1].start
    middle = found.row - corner[0], found.column - corner[1]
    beads = tuple(
        replace(bead, row=bead.row + corner[0], column=bead.column + corner[1])
        for bead in beads_beside(levels[part], middle, clear, width)
    )
    if not beads or not bench.seen.moons:
        return Beside(beads, None)
    steps = np.arange(-SEARCHED_H * 60, SEARCHED_H * 60 + 1, STEP_MIN) * 60.0
    places = _moon_places(bench, steps)
    if places is None:
        return Beside(beads, None)
    rows, columns = tuple(bead.row for bead in beads), tuple(bead.column for bead in beads)
    shape = picture.shape
    dots = Pasted(rows, columns, (found.row, found.column), scale, shape, clear * scale)
    return Beside(beads, match_moons(dots, places))


def _moon_places(bench: Bench, steps_s: FloatArray) -> MoonPlaces | None:
    times = instant_after(bench.seen.time_utc, steps_s)
    with kept_warnings():
        try:
            tracks = moon_table(bench.body, times, bench.seen.site, ephemeris=bench.seen.ephemeris)
        except InputError:
            return None
    place = np.array([np.where(_visible(track)[:, None], track.offset_arcsec, np.nan) for track in tracks])
    return MoonPlaces(tuple(track.name for track in tracks), np.asarray(steps_s, float), place)


def _visible(track: MoonTrack) -> npt.NDArray[np.bool_]:
    return (track.miss > 1.0) & (track.centre_sunlit_fraction > 0.5)
