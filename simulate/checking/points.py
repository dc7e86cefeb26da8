"""Moons and other dots in a user's picture: which is which, how wide, and what they say of time and turn."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from simulate.checking.bench import Bench, Fitted
from simulate.checking.dots import (
    Dot,
    Expected,
    MoonWidth,
    linear_light,
    lit_part,
    measure_spot,
    perfect_width,
    stray_dots,
    width_through,
)
from simulate.checking.faults import USUAL_OVERSHOOT
from simulate.checking.measures import Measurement, limb_overshoot_of
from simulate.checking.model import Pose
from simulate.checking.results import MoonsTime
from simulate.errors import InputError, kept_warnings
from simulate.geometry import MoonTrack, instant_after, moon_table
from simulate.stack.restore import rings_of
from simulate.values.arrays import frozen_array

FloatArray = npt.NDArray[np.floating]

SEARCHED_H, STEP_MIN = 36.0, 4.0
"""How far around the time told, and in which steps, the moons are tried: time zones, a.m. and p.m., a wrong day."""

APART_MIN = 40.0
"""Minutes by which another time must differ to count as another answer."""

LEAST_MATCHED = 2
"""Dots that must be moons before they say anything of the time."""

RINGS = 2.5
"""Widths of the telescope's image beyond that, within which an over-sharpened limb leaves rings (common practice)."""

BESIDE = 1.12
"""Radius of the planet and its rings, in their own, within which dots are left to the disc."""


@dataclass(frozen=True, eq=False)
class _Places:
    """Moons beside the disc at n instants: (moons, n, 2) arcsec east and north, NaN where none is to be seen."""

    names: tuple[str, ...]
    offset_s: npt.NDArray[np.float64]
    place: npt.NDArray[np.float64]

    def __post_init__(self) -> None:
        for name in ("offset_s", "place"):
            object.__setattr__(self, name, frozen_array(getattr(self, name)))


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


def points_of(bench: Bench, fitted: Fitted) -> Points:
    """Return the moons found, the dots that are none, and what both say of the time.

    Parameters
    ----------
    bench, fitted
        Theory and picture.
    """
    part = lit_part(fitted.levels, fitted.found.sky, fitted.found.noise)
    light = linear_light(fitted.levels[part], fitted.fit)
    first_row, first_column = part[0].start, part[1].start
    width = perfect_width(bench.cutoff, 0.0)
    clear = BESIDE * fitted.theory.extent_arcsec
    # an over-sharpened limb is followed by rings that break into dots
    rung = clear + (RINGS * width if limb_overshoot_of(fitted.measured) > USUAL_OVERSHOOT else 0.0)
    here = _moved(fitted.fit.pose, -first_row, -first_column)
    every = tuple(
        replace(dot, row=dot.row + first_row, column=dot.column + first_column)
        for dot in stray_dots(light, here, rung, max(width, 1.5 * here.scale_arcsec), ())
    )
    near = 1.2 * width + 0.5
    told = _moons_time(bench, fitted, every, near)
    pose = fitted.fit.pose if told is None else told.pose
    expected = tuple(
        Expected(moon.name, moon.east_arcsec, moon.north_arcsec, 2 * moon.radius_arcsec)
        for moon in bench.seen.moons
        if moon.state == "clear"
    )
    moons = tuple(_widths(bench, fitted, light, _moved(pose, -first_row, -first_column), expected, clear))
    found, dots = {moon.name for moon in moons}, []
    for dot in every:
        east, north = (float(x[0]) for x in pose.sky_of(np.array([dot.row]), np.array([dot.column])))
        away = {one.name: math.hypot(east - one.east_arcsec, north - one.north_arcsec) for one in expected}
        closest = min(away, key=lambda name: away[name], default="")
        if closest and away[closest] <= near:
            found.add(closest)
        else:
            dots.append(replace(dot, east_arcsec=east, north_arcsec=north))
    if told is not None and told.matched == told.dots and told.matched > told.matched_as_told:
        dots = []  # moons all, at another time
    return Points(moons, tuple(dots), told, tuple(sorted(found)))


def _moved(pose: Pose, rows: float, columns: float) -> Pose:
    return replace(pose, row=pose.row + rows, column=pose.column + columns)


def _widths(
    bench: Bench, fitted: Fitted, light: FloatArray, pose: Pose, expected: tuple[Expected, ...], clear: float
) -> list[MoonWidth]:
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


def _moons_time(bench: Bench, fitted: Fitted, dots: tuple[Dot, ...], near: float) -> MoonsTime | None:
    """Match the dots with the moons as told and, if that leaves moons and dots over, at other times."""
    if not dots or not bench.seen.moons:
        return None
    steps = np.arange(-SEARCHED_H * 60, SEARCHED_H * 60 + 1, STEP_MIN) * 60.0
    places = _moon_places(bench, steps)
    if places is None:
        return None
    clear = BESIDE * fitted.theory.extent_arcsec
    scores = [(pose, *_matches(pose, fitted, dots, places, near, clear)) for pose in _poses(bench, fitted)]
    now = len(steps) // 2
    best = max(range(len(scores)), key=lambda i: (int(scores[i][1][now]), -float(scores[i][2][now])))
    pose, matched, _ = scores[best]
    as_told, due = int(matched[now]), int(_due_in_picture(pose, fitted, places, now, clear))
    if as_told >= min(len(dots), due) or len(dots) < LEAST_MATCHED:
        offset = 0.0 if as_told >= LEAST_MATCHED else None
        return MoonsTime(offset, as_told, len(dots), as_told, pose if as_told >= LEAST_MATCHED else fitted.fit.pose)
    choice = _best_time(steps, scores)
    if choice is None or choice[1] <= as_told:
        return MoonsTime(None, as_told, len(dots), as_told, pose)
    _, count, offset = choice
    return MoonsTime(offset, count, len(dots), as_told, fitted.fit.pose)


def _moon_places(bench: Bench, steps_s: FloatArray) -> _Places | None:
    times = instant_after(bench.seen.time_utc, steps_s)
    with kept_warnings():
        try:
            tracks = moon_table(bench.body, times, bench.seen.site, ephemeris=bench.seen.ephemeris)
        except InputError:
            return None
    place = np.array([np.where(_visible(track)[:, None], track.offset_arcsec, np.nan) for track in tracks])
    return _Places(tuple(track.name for track in tracks), np.asarray(steps_s, float), place)


def _visible(track: MoonTrack) -> npt.NDArray[np.bool_]:
    return (track.miss > 1.0) & (track.centre_sunlit_fraction > 0.5)


def _poses(bench: Bench, fitted: Fitted) -> list[Pose]:
    """The fitted pose and, where the disc does not tell them apart, its likes: half a turn on, and mirrored."""
    fit = fitted.fit
    pose, axis = fit.pose, bench.seen.north_pole_position_angle_deg
    poses = [pose]
    if not (fit.tells_mirror and fit.tells_angle):
        other = replace(pose, mirrored=not pose.mirrored, angle_deg=(2 * axis - pose.angle_deg) % 360.0)
        poses += [replace(one, angle_deg=(one.angle_deg + 180.0) % 360.0) for one in (pose, other)] + [other]
    return poses


def _in_picture(pose: Pose, fitted: Fitted, places: _Places, clear: float) -> npt.NDArray[np.bool_]:
    """Which moon lies on the picture and beside the planet at each instant, shape (moons, n)."""
    rows, columns = fitted.levels.shape
    east, north = places.place[..., 0], places.place[..., 1]
    row, column = pose.pixel_of(east, north)
    with np.errstate(invalid="ignore"):
        inside = (row > 2) & (row < rows - 3) & (column > 2) & (column < columns - 3)
        return inside & (np.hypot(east, north) > clear)


def _due_in_picture(pose: Pose, fitted: Fitted, places: _Places, index: int, clear: float) -> int:
    return int(np.count_nonzero(_in_picture(pose, fitted, places, clear)[:, index]))


def _matches(
    pose: Pose, fitted: Fitted, dots: tuple[Dot, ...], places: _Places, near: float, clear: float
) -> tuple[npt.NDArray[np.intp], npt.NDArray[np.float64]]:
    """How many dots are moons at each instant, and the mean square of how far off, arcsec2."""
    shown = _in_picture(pose, fitted, places, clear)
    east, north = pose.sky_of(np.array([dot.row for dot in dots]), np.array([dot.column for dot in dots]))
    away = np.hypot(places.place[None, ..., 0] - east[:, None, None], places.place[None, ..., 1] - north[:, None, None])
    away = np.where(shown[None], away, np.inf)
    # a dot is one moon and a moon one dot: each must be the other's nearest
    mutual = (away == away.min(axis=0, keepdims=True)) & (away == away.min(axis=1, keepdims=True)) & (away < near)
    count = mutual.sum(axis=(0, 1))
    square = np.where(mutual, np.where(np.isfinite(away), away, 0.0) ** 2, 0.0).sum(axis=(0, 1))
    return count, square / np.maximum(count, 1)


def _best_time(
    steps_s: FloatArray, scores: list[tuple[Pose, npt.NDArray[np.intp], npt.NDArray[np.float64]]]
) -> tuple[Pose, int, float] | None:
    """The only time at which most dots are moons; None if several times apart serve as well."""
    most = max(int(count.max()) for _, count, _ in scores)
    if most < LEAST_MATCHED:
        return None
    serving = [
        (float(miss[i]), float(steps_s[i]), pose) for pose, count, miss in scores for i in np.flatnonzero(count == most)
    ]
    serving.sort(key=lambda entry: entry[0])
    _, offset, pose = serving[0]
    rivals = [entry for entry in serving if abs(entry[1] - offset) > APART_MIN * 60]
    return None if rivals else (pose, most, offset)
