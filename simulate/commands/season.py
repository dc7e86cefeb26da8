"""A body over months and years through one setup: when it is at its best."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from simulate.air import Sky
from simulate.bodies import Body, body_names, load_body
from simulate.commands.view import compose_view
from simulate.errors import AloneWarning, InputError, kept_warnings, note
from simulate.geometry import Site, as_site
from simulate.geometry.clock import days_of, tt_to_time, utc_text, warn_outside_table
from simulate.geometry.moons import satellite_track
from simulate.geometry.rise_set import night_merit
from simulate.geometry.table import apparition_table
from simulate.geometry.vectors import FloatArray
from simulate.instruments import Instrument, load_instrument
from simulate.light.look import ViewOptions
from simulate.light.subject import choose_subject
from simulate.planning.appearance import apparent_lit_part, ring_globe_ratio
from simulate.planning.events import Event, season_events
from simulate.planning.lunar_eclipses import eclipses_of_season
from simulate.planning.moon_calendar import dark_moon_events
from simulate.planning.nights import best_moments, noon_of
from simulate.planning.outlook import (
    Case,
    Node,
    best_of,
    judge_some,
    merit_of,
    prospect,
    standard_face,
    standing_features,
)
from simulate.planning.records import Season, frozen_columns
from simulate.planning.search import crossed, spans
from simulate.present.caution import caution_for
from simulate.present.planning_words import ring_face_text
from simulate.recording.workers import in_order
from simulate.results.view import View
from simulate.values.arrays import frozen_array

if TYPE_CHECKING:
    from astropy.coordinates import EarthLocation
    from astropy.time import Time

MOST_DATES = 20_000
USUAL_DATES = 150
JUDGED_FEATURES = 36
"""About how many features are judged in full, on two or three dates; the other dates follow from these."""

SHORTEST_CHUNK, MOST_CHUNKS = 8, 64
"""Dates that one process computes at a time: parts small enough for many processes, whatever their number."""

MOST_MOON_DAYS = 100.0
"""Longest span for which the events of moons are listed."""

BEST_DATES = 5
WORTH_A_LOOK = 0.4
"""Share of the best merit from which a date may come into the strip."""

MOST_PHASE_SHIFT_DAYS = 20.0
"""A half phase that is seen belongs to one by geometry that is not farther off."""

FLARE_STEP_DAYS = 3.5
"""Dates closer than this tell the days in which Saturn's rings flare."""

LONG_GAP_DAYS = 20.0
"""Nights without the body that part one apparition from the next."""

_COLUMNS = (
    "equatorial_diameter_arcsec", "polar_diameter_arcsec", "illuminated_fraction", "phase_angle_deg",
    "elongation_deg", "magnitude", "north_pole_position_angle_deg", "sub_observer_latitude_deg",
    "sub_solar_latitude_deg", "solar_longitude_deg", "declination_deg", "distance_au", "sun_distance_au",
    "ring_opening_deg", "ring_opening_sun_deg", "moon_separation_deg", "moon_sunlit_fraction",
    "airmass", "azimuth_deg",
)  # fmt: skip


@dataclass(frozen=True)
class SeasonTask:
    """What a chunk of dates needs to know: values, so that it can be sent to other processes.

    Parameters
    ----------
    body : Body
        What is looked at.
    noons_tt : tuple of float
        Local noon before each night (without a site: the instants themselves), TT days since J2000.
    site : Site or None
        Place.
    ephemeris : str
        "builtin" or "de440".
    hour_utc : float or None
        Hour at which the body is looked at; None takes its best moment.
    """

    body: Body
    noons_tt: tuple[float, ...]
    site: Site | None
    ephemeris: str = "builtin"
    hour_utc: float | None = None


@dataclass(frozen=True)
class SeasonOptions:
    """What may be chosen of a season.

    Parameters
    ----------
    step_days : float or None
        Between dates; None makes about 150 of them.
    judged : int or None
        Dates that are judged in full, at least 1; None takes two or three, by the number of features.
    pictures : int
        Pictures in the strip, 0 for none.
    view : ViewOptions
        How pictures are recorded and drawn.
    ephemeris : str
        "builtin" or "de440".
    hour_utc : float or None
        Look at this hour of each night (0 to 24, UTC) instead of at the best moment; needs a site.
    moons : bool
        List what Jupiter's moons and its red spot do in the dark hours, judged through the setup; for
        spans up to `MOST_MOON_DAYS`.
    """

    step_days: float | None = None
    judged: int | None = None
    pictures: int = 0
    view: ViewOptions = field(default_factory=ViewOptions)
    ephemeris: str = "builtin"
    moons: bool = False
    hour_utc: float | None = None

    def __post_init__(self) -> None:
        if self.step_days is not None and not 0 < self.step_days <= 366:
            raise InputError("step", self.step_days, "give a step above 0 and up to 366 days")
        if (self.judged is not None and self.judged < 1) or self.pictures < 0:
            raise InputError("judged dates, pictures", (self.judged, self.pictures), "give at least 1, and 0")
        if self.hour_utc is not None and not 0.0 <= self.hour_utc <= 24.0:
            raise InputError("hour", self.hour_utc, "give an hour from 0 to 24, UTC")


def season(
    body: str | Path | Body,
    start: str | Time,
    end: str | Time,
    instrument: str | Instrument,
    site: str | Site | EarthLocation | None = None,
    *,
    sky: Sky | None = None,
    options: SeasonOptions | None = None,
    executor: Executor | None = None,
) -> Season:
    """Follow a body over a span of time through a setup.

    Parameters
    ----------
    body : str, Path or Body
        Name of a shipped one, path of a TOML file, or a `Body`; no star.
    start, end : str or Time
        First and last date.
    instrument : str or Instrument
        Name of a shipped one, path of a TOML file, or an `Instrument`.
    site : str, Site, EarthLocation or None
        Place; None looks from the Earth's centre through the zenith, at any hour.
    sky : Sky, optional
        The air; default 2 arcsec seeing.
    options : SeasonOptions, optional
        Step, judged dates, pictures.
    executor : Executor, optional
        Processes or a cluster over which dates and pictures are spread.

    Raises
    ------
    InputError
        For anything that cannot be used.
    """
    asked, known, air = options or SeasonOptions(), choose_subject(body, star=False), sky or Sky()
    tool = instrument if isinstance(instrument, Instrument) else load_instrument(instrument)
    place = None if site is None else as_site(site)
    case = Case(known, tool, place, air, asked.view, asked.ephemeris)
    task = season_task(known, start, end, place, asked)
    with kept_warnings() as texts:
        if place is not None:
            warn_outside_table(np.array(task.noons_tt))
        if known.parent is not None:
            planet = known.parent.title
            told = (
                f"{known.title} is taken alone, without the glare of {planet}; dates on which it is before, behind or "
                f"in the shadow of {planet} at the moment that is looked at are left out"
            )
            note(told, AloneWarning)
        found = _season(case, _rows(task, executor), asked, executor)
    texts += [text for view in found.strip for text in view.warnings]
    return replace(found, warnings=alike_once(texts))


def alike_once(texts: Sequence[str]) -> tuple[str, ...]:
    """Return sentences without those that repeat an earlier one with other numbers, as each date has its own."""
    kept: dict[str, str] = {}
    for text in texts:
        kept.setdefault(re.sub(r"[0-9.]+", "#", text), text)
    return tuple(kept.values())


def season_task(body: Body, start: Any, end: Any, site: Site | None, options: SeasonOptions) -> SeasonTask:
    """Check what a season is asked for, before any of its work, and return its dates.

    Parameters
    ----------
    body : Body
        What is looked at.
    start, end : str or Time
        First and last date.
    site : Site or None
        Place.
    options : SeasonOptions
        What was chosen.

    Raises
    ------
    InputError
        For dates, steps, hours and events of moons that cannot be had together.
    """
    first, last = (float(day) for day in days_of([start, end]))
    if last <= first:
        raise InputError("until", str(end), "it must come after the start")
    if options.moons and not body.observing.moon_events:
        known = [name for name in body_names() if load_body(name).observing.moon_events]
        raise InputError("moons", body.name, f"events of moons are listed for {', '.join(known)} alone")
    if options.moons and last - first > MOST_MOON_DAYS:
        allowed = f"with the moons' events a span has up to {MOST_MOON_DAYS:.0f} days, this one {last - first:.0f}"
        raise InputError("until", str(end), allowed)
    step = options.step_days or max(1.0, math.ceil((last - first) / USUAL_DATES))
    count = math.floor((last - first) / step + 1e-9) + 1
    if count > MOST_DATES:
        raise InputError("step", step, f"it makes {count} dates; at most {MOST_DATES} are computed")
    days = first + step * np.arange(count)
    if site is not None:
        # nights are named by the evening: the local noon of each date
        noon = noon_of(utc_text(first)[:10], site)
        days = noon + step * np.arange(count)
    elif options.hour_utc is not None:
        raise InputError("hour", options.hour_utc, "an hour of the night needs a site")
    return SeasonTask(body, tuple(float(day) for day in days), site, options.ephemeris, options.hour_utc)


Rows = dict[str, FloatArray]


def season_rows(task: SeasonTask, first: int, last: int) -> Rows:
    """Return the numbers of dates first..last-1, each an array of shape (dates,)."""
    with kept_warnings():
        return _season_rows(task, np.array(task.noons_tt[first:last]))


def _season_rows(task: SeasonTask, noons: FloatArray) -> Rows:
    rows: Rows = {"day_tt": noons}
    if task.site is not None and task.hour_utc is not None:
        # the local noon falls at 12 h less the longitude
        rows["day_tt"] = noons + (task.hour_utc - 12.0 + task.site.longitude_deg / 15.0) % 24.0 / 24.0
    elif task.site is not None:
        best = best_moments(task.body, noons, task.site, ephemeris=task.ephemeris)
        rows = {
            "day_tt": best.day_tt,
            "altitude_deg": best.altitude_deg,
            "sun_altitude_deg": best.sun_altitude_deg,
            "hours": best.hours,
            "darkness": best.merit,
        }
    table = apparition_table(task.body, tt_to_time(rows["day_tt"]), task.site, ephemeris=task.ephemeris)
    rows |= {name: np.array(table.columns[name]) for name in _COLUMNS if name in table.columns}
    if task.site is not None and task.hour_utc is not None:
        rows |= {name: np.array(table.columns[name]) for name in ("altitude_deg", "sun_altitude_deg")}
        rows["darkness"] = night_merit(task.body, rows["altitude_deg"], rows["sun_altitude_deg"])
    if task.body.parent is not None:
        beside = satellite_track(task.body, tt_to_time(rows["day_tt"]), task.site, ephemeris=task.ephemeris).clear()
        rows["beside_planet"] = beside.astype(float)
        if "darkness" in rows:
            rows["darkness"] = rows["darkness"] * beside
    if table.central_meridian_deg:
        rows["central_meridian_deg"] = np.array(table.central_meridian_deg[task.body.longitude_system])
    return rows


def _rows(task: SeasonTask, executor: Executor | None) -> Rows:
    count = len(task.noons_tt)
    length = count if executor is None else max(SHORTEST_CHUNK, math.ceil(count / MOST_CHUNKS))
    compute: Any = season_rows
    chunks: list[Any] = list(in_order(compute, task, (0, count), length, executor, ahead=MOST_CHUNKS))
    return {name: np.concatenate([chunk[name] for chunk in chunks]) for name in chunks[0]}


def _season(case: Case, rows: Rows, asked: SeasonOptions, executor: Executor | None) -> Season:
    altitude = rows.get("altitude_deg", np.full(len(rows["day_tt"]), 90.0))
    usable = rows["darkness"] > 0.0 if "darkness" in rows else rows.get("beside_planet", np.ones(len(altitude))) > 0.0
    rows["delivered_fwhm_arcsec"] = case.sharpness.width(altitude)
    rows["dispersion_arcsec"] = case.sharpness.dispersion(altitude)
    rows["elements"] = resolution_elements(rows)
    rows |= _appearance(case.body, rows)
    nodes = _judged_nodes(case, rows, usable, asked.judged, executor)
    rows["merit"], rows["clear"] = merits(
        nodes, rows, usable, one_face=case.body.observing.face_longitude_deg is not None
    )
    span = float(rows["day_tt"][0]), float(rows["day_tt"][-1])
    result = Season(
        subject=case.body,
        instrument=case.instrument,
        site=case.site,
        sky=case.sky,
        days_tt=frozen_array(rows["day_tt"]),
        columns=frozen_columns(rows),
        central_meridian_deg=frozen_array(rows.get("central_meridian_deg", np.full(len(altitude), np.nan))),
        usable=frozen_array(usable),
        best=best_dates(rows["day_tt"], ranking_score(rows)),
        events=_events(case, span, asked.moons, rows),
        advice=(),
        judged=tuple((node.index, node.lines) for node in nodes),
    )
    result = replace(result, advice=advice_of(result))
    chosen = tuple(float(result.days_tt[index]) for index in strip_dates(result, asked.pictures))
    return replace(result, strip=tuple(_spread(drawn_views, NodeTask(case, chosen), executor)))


def _events(case: Case, span: tuple[float, float], moons: bool, rows: Rows) -> tuple[Event, ...]:
    found = season_events(case.body, *span, ephemeris=case.ephemeris)
    found = (*found, *seen_half_phases(case.body.name, rows))
    if case.body.kind == "moon":
        found = (*found, *eclipses_of_season(*span, ephemeris=case.ephemeris))
    if moons:
        found = (*found, *dark_moon_events(case, span))
    return tuple(sorted(found, key=lambda event: event.day_tt))


def _appearance(body: Body, rows: Rows) -> Rows:
    """Return the columns that only some bodies have: the phase as it looks, the rings' light."""
    if body.inside_earths_orbit:
        blur = rows["delivered_fwhm_arcsec"] / rows["equatorial_diameter_arcsec"]
        return {"apparent_lit_part": apparent_lit_part(body, rows["phase_angle_deg"], blur)}
    if "ring_opening_deg" in rows:
        return {"ring_globe_ratio": ring_globe_ratio(body, rows)}
    return {}


def seen_half_phases(body: str, rows: Mapping[str, FloatArray]) -> tuple[Event, ...]:
    """Return when a planet looks half lit through the setup, and how far that is from the half phase by geometry.

    Parameters
    ----------
    body : str
        Name.
    rows : mapping of str to array, shape (dates,)
        "day_tt", "apparent_lit_part", "illuminated_fraction"; dates close enough to be joined by straight lines.
    """
    if "apparent_lit_part" not in rows:
        return ()
    days = rows["day_tt"]
    true_days, _ = crossed(days, rows["illuminated_fraction"] - 0.5)
    found = []
    for day, sign in zip(*crossed(days, rows["apparent_lit_part"] - 0.5), strict=True):
        near = true_days[np.abs(true_days - day) < MOST_PHASE_SHIFT_DAYS]
        if len(near) == 0:
            continue
        shift = day - near[np.argmin(np.abs(near - day))]
        what = f"looks half lit ({'growing' if sign > 0 else 'waning'}) through this setup, "
        what += f"{abs(shift):.0f} days {'after' if shift > 0 else 'before'} it is"
        if shift * sign < 0:
            what += ": blur outweighs the dim terminator"
        found.append(Event(float(day), "apparent half phase", body, what))
    return tuple(found)


def ranking_score(columns: Mapping[str, FloatArray]) -> FloatArray:
    """Return by what dates are ranked.

    The merit; where nothing at all can be seen the resolution elements; and for a body without judged features, whose
    merit is not a number, its altitude in a dark sky: sin(altitude) times darkness, nought for all without a place,
    times the light that the Earth's shadow leaves.
    """
    merit = columns["merit"]
    if np.isnan(merit).all():
        return columns.get("darkness", np.zeros(len(merit))) * columns.get("moon_sunlit_fraction", 1.0)
    if merit.max(initial=0.0) > 0.0:
        return merit
    return columns["elements"] * (columns["darkness"] > 0.0) if "darkness" in columns else columns["elements"]


def resolution_elements(rows: Mapping[str, FloatArray]) -> FloatArray:
    """Return how many delivered widths squared fit on the lit disc, shape (dates,)."""
    area = math.pi / 4 * rows["equatorial_diameter_arcsec"] * rows["polar_diameter_arcsec"]
    return area * rows["illuminated_fraction"] / rows["delivered_fwhm_arcsec"] ** 2


def season_likeness(rows: Mapping[str, FloatArray]) -> FloatArray:
    """Return what makes two dates alike, (dates, quantities), each in steps that matter."""
    parts = [np.log(rows["delivered_fwhm_arcsec"] / rows["equatorial_diameter_arcsec"]) / 0.4]
    parts.append(rows["phase_angle_deg"] / 40.0)
    parts.append(rows["sub_observer_latitude_deg"] / 15.0)
    if "ring_opening_deg" in rows:
        parts.append(np.log(np.abs(rows["ring_opening_deg"]) + 1.0) / 0.5)
        parts.append(np.sign(rows["ring_opening_deg"] * rows["ring_opening_sun_deg"]))
    return np.stack(parts, axis=-1)


def chosen_nodes(likeness: FloatArray, usable: np.ndarray, count: int) -> list[int]:
    """Return the dates to judge: one in the middle, then always the one least like those chosen."""
    rows = np.flatnonzero(usable)
    if len(rows) == 0 or count == 0:
        return []
    points = likeness[rows]
    middle = np.median(points, axis=0)
    chosen = [int(np.argmin(np.sum((points - middle) ** 2, axis=1)))]
    apart = np.sum((points - points[chosen[0]]) ** 2, axis=1)
    while len(chosen) < min(count, len(rows)) and apart.max() > 1e-3:
        chosen.append(int(np.argmax(apart)))
        apart = np.minimum(apart, np.sum((points - points[chosen[-1]]) ** 2, axis=1))
    return [int(rows[index]) for index in chosen]


@dataclass(frozen=True)
class NodeTask:
    """Dates to judge, or to draw, in other processes.

    Parameters
    ----------
    case : Case
        Body and setup.
    days_tt : tuple of float
        Instants, TT days since 2000-01-01 12:00.
    """

    case: Case
    days_tt: tuple[float, ...]


def judged_lines(task: NodeTask, first: int, last: int) -> list[Any]:
    """Return the verdicts of dates first..last-1, one tuple of `FeatureLine` each."""
    found = []
    with kept_warnings():  # on the standard face nothing is uncertain; the days are warned of by the caller
        for day in task.days_tt[first:last]:
            turned, view = standard_face(task.case.body, task.case.seen(day), task.case.view)
            found.append(judge_some(prospect(task.case, turned, view), standing_features(task.case.body)))
    return found


def drawn_views(task: NodeTask, first: int, last: int) -> list[View]:
    """Return the pictures of dates first..last-1."""
    views, case = [], task.case
    options = replace(case.view, judge=False)
    for day in task.days_tt[first:last]:
        with kept_warnings() as texts:
            drawn = compose_view(case.body, case.instrument, case.seen(day), case.sky, options, 0)
        views.append(replace(drawn, warnings=tuple(texts)))
    return views


def _spread(compute: Any, task: NodeTask, executor: Executor | None) -> list[Any]:
    count = len(task.days_tt)
    chunks: list[Any] = list(in_order(compute, task, (0, count), 1, executor, ahead=max(1, count)))
    return [entry for chunk in chunks for entry in chunk]


def _judged_nodes(
    case: Case, rows: Rows, usable: np.ndarray, wanted: int | None, executor: Executor | None
) -> tuple[Node, ...]:
    likeness = season_likeness(rows)
    # the better half decides which date is best; the other half is followed from it
    elements = rows["elements"]
    good = usable & (elements >= np.median(elements[usable])) if usable.any() else usable
    features = standing_features(case.body)
    count = wanted or min(3, max(2, JUDGED_FEATURES // max(1, len(features))))
    chosen = chosen_nodes(likeness, good, count if features else 0)
    days = tuple(float(rows["day_tt"][index]) for index in chosen)
    judged = _spread(judged_lines, NodeTask(case, days), executor)
    size, width = rows["equatorial_diameter_arcsec"], rows["delivered_fwhm_arcsec"]
    return tuple(
        Node(i, float(width[i] / size[i]), float(size[i]), tuple(map(float, likeness[i])), tuple(lines))
        for i, lines in zip(chosen, judged, strict=True)
    )


def merits(
    nodes: tuple[Node, ...], rows: Mapping[str, FloatArray], usable: np.ndarray, *, one_face: bool = False
) -> tuple[FloatArray, FloatArray]:
    """Return merit and number of clear features of each date, 0 where the body cannot be had.

    Each date takes the verdicts of the judged dates, scaled to its own sharpness and size, weighted by
    how alike they are. A body without judged features (the Moon) has no merit: not a number.

    Parameters
    ----------
    nodes : tuple of Node
        Judged dates.
    rows : mapping of str to array, shape (dates,)
        Numbers of the dates.
    usable : bool array, shape (dates,)
        Where the body can be had.
    one_face : bool
        Compare dates by one and the same face: each feature counts as on the judged date that shows it best. Tilt,
        terminator and season bring a cap in and a sea to the limb, which would rank dates by what turns up on the few
        that were judged; only sharpness and size are left to tell them apart.
    """
    count = len(usable)
    merit, clear = np.zeros(count), np.zeros(count)
    if not nodes and usable.any():
        return np.full(count, np.nan), np.full(count, np.nan)
    likeness, size = season_likeness(rows), rows["equatorial_diameter_arcsec"]
    blur = rows["delivered_fwhm_arcsec"] / size
    for i in np.flatnonzero(usable):
        scaled = [node.scaled(float(blur[i]), float(size[i])) for node in nodes]
        if one_face:
            scaled, weights = [best_of(scaled)], np.ones(1)
        else:
            apart = np.array([np.sum((likeness[i] - np.array(node.likeness)) ** 2) for node in nodes])
            weights = 1.0 / (apart + 0.01)
            weights /= weights.sum()
        for lines, weight in zip(scaled, weights, strict=True):
            merit[i] += weight * merit_of(lines)
            clear[i] += weight * sum(line.verdict == "clear" for line in lines)
    return merit, clear


def best_dates(days_tt: FloatArray, merit: FloatArray, count: int = BEST_DATES) -> tuple[int, ...]:
    """Return the dates of highest merit, best first, at least a month (or a twentieth of the span) apart."""
    gap = max(30.0, (days_tt[-1] - days_tt[0]) / 20.0) if days_tt[-1] - days_tt[0] > 200.0 else 7.0
    chosen: list[int] = []
    for index in np.argsort(-merit, kind="stable"):
        if merit[index] <= 0.0 or len(chosen) == count:
            break
        if all(abs(days_tt[index] - days_tt[other]) >= gap for other in chosen):
            chosen.append(int(index))
    return tuple(chosen)


def apparitions_of(days_tt: FloatArray, usable: np.ndarray) -> list[tuple[int, int]]:
    """Return (first, last) date of each apparition: spans of usable nights without a long gap."""
    joined: list[tuple[int, int]] = []
    for first, last in spans(usable):
        if joined and days_tt[first] - days_tt[joined[-1][1]] <= LONG_GAP_DAYS:
            joined[-1] = (joined[-1][0], last)
        else:
            joined.append((first, last))
    return joined


def advice_of(found: Season) -> tuple[str, ...]:
    """Return sentences: whether it can be had at all, when it is best, now or wait."""
    times, merit = found.times_utc, ranking_score(found.columns)
    name = found.subject.title
    if not found.usable.any():
        return (f"{name} cannot be had on any night of this span: it stays too low or in too bright a sky.",)
    top = int(np.argmax(merit))
    if not found.judged:
        return (*_by_altitude(found, merit, top), *_cautions(found, top))
    sentences = [f"Best: {times[top][:10]}, {_circumstances(found, top)}."]
    if found.judged and not found.columns["merit"].any():
        sentences.append("None of its features can be seen through this setup: dates are ranked by its sharpest disc.")
    now = int(np.flatnonzero(found.usable)[0])
    if now > 0:
        sentences.append(f"It can first be had on {times[now][:10]}.")
    share = merit[now] / merit[top] if merit[top] > 0 else 0.0
    if len(times) == 1:
        pass  # nothing to compare with
    elif share >= 0.9:
        sentences.append(f"The first date is as good as it gets in this span ({share:.0%} of the best).")
    else:
        sentences.append(f"The first date reaches {share:.0%} of the best: {_wait(found, now, top)}.")
    later = [_peak(merit, first, last) for first, last in apparitions_of(found.days_tt, found.usable)]
    if len(later) > 1:
        listed = ", ".join(f"{times[i][:7]} {merit[i] / max(merit[top], 1e-30):.0%}" for i in later[:8])
        sentences.append(f"Best of each apparition, relative to the best of all: {listed}.")
    return (*sentences, *_ring_light(found), *_cautions(found, top))


def _by_altitude(found: Season, score: FloatArray, top: int) -> tuple[str, ...]:
    """Return how the dates of a body without judged features compare: by its altitude alone."""
    name = found.subject.title
    none = f"No features of the {name} are judged, since each night lights others: "
    if not score[top] > 0.0:
        return (none + "dates are not ranked. With a place they are ranked by altitude in a dark sky.",)
    return (
        none + "dates are ranked by its altitude in a dark sky.",
        f"Highest: {found.times_utc[top][:10]}, {_circumstances(found, top)}.",
    )


def _ring_light(found: Season) -> tuple[str, ...]:
    """Return how the rings flare at the oppositions in the span, where dates lie close enough to tell."""
    days, ratio = found.days_tt, found.columns.get("ring_globe_ratio")
    if ratio is None or len(days) < 2 or days[1] - days[0] > FLARE_STEP_DAYS:
        return ()
    sentences = []
    for event in found.events:
        if event.kind != "opposition" or not days[0] + 7 < event.day_tt < days[-1] - 7:
            continue
        before, there = np.interp([event.day_tt - 7.0, event.day_tt], days, ratio)
        if not (math.isfinite(before) and math.isfinite(there)):
            continue
        text = f"The rings give {there:.2f} of the globe's light at opposition on {event.time_utc[:10]}"
        sentences.append(f"{text}, {before:.2f} a week before.")
    return tuple(sentences)


def _cautions(found: Season, index: int) -> tuple[str, ...]:
    """Return the fixed safety text if it applies to a date."""
    sun = found.columns.get("sun_altitude_deg")
    apart = float(found.columns["elongation_deg"][index])
    caution = caution_for(apart, None if sun is None else float(sun[index]))
    return (caution,) if caution else ()


def _peak(merit: FloatArray, first: int, last: int) -> int:
    return first + int(np.argmax(merit[first : last + 1]))


def _wait(found: Season, now: int, top: int) -> str:
    days = found.days_tt[top] - found.days_tt[now]
    first_end = apparitions_of(found.days_tt, found.usable)[0][1]
    if top <= first_end:
        return f"wait {days:.0f} days"
    merit = ranking_score(found.columns)
    own = _peak(merit, now, first_end)
    return (
        f"this apparition reaches {merit[own] / merit[top]:.0%} on {found.times_utc[own][:10]}; "
        f"the best comes {days / 365.25:.1f} years on"
    )


def _circumstances(found: Season, index: int) -> str:
    column = found.columns
    text = f"{column['equatorial_diameter_arcsec'][index]:.1f} arcsec"
    if column["illuminated_fraction"][index] < 0.97:
        text += f", {column['illuminated_fraction'][index]:.0%} lit"
    if "ring_opening_deg" in column:
        opening, sun = column["ring_opening_deg"][index], column["ring_opening_sun_deg"][index]
        text += f", {ring_face_text(opening, sun)}"
    if found.subject.observing.seasons:
        tilt = column["sub_observer_latitude_deg"][index]
        text += f", {'north' if tilt > 0 else 'south'} pole {abs(tilt):.0f} deg towards us"
    if "altitude_deg" in column:
        text += f", {column['altitude_deg'][index]:.0f} deg high at {found.times_utc[index][11:16]} UTC"
    text += f", a frame sharp to {column['delivered_fwhm_arcsec'][index]:.2f} arcsec"
    return f"{text}, {column['clear'][index]:.0f} features clear" if found.judged else text


def strip_dates(found: Season, count: int) -> list[int]:
    """Return the dates of the strip: the best of each apparition, then those farthest from any chosen.

    Only dates worth a look count: at least four tenths of the best merit.
    """
    merit = ranking_score(found.columns)
    worth = np.flatnonzero(found.usable & (merit >= WORTH_A_LOOK * merit.max()))
    if count == 0 or len(worth) == 0:
        return []
    peaks = [_peak(merit, first, last) for first, last in apparitions_of(found.days_tt, found.usable)]
    peaks = [index for index in peaks if index in set(worth.tolist())]
    if len(peaks) > count:
        return [peaks[round(place)] for place in np.linspace(0, len(peaks) - 1, count)]
    chosen = list(peaks)
    while len(chosen) < min(count, len(worth)):
        apart = np.min(np.abs(found.days_tt[worth][:, None] - found.days_tt[chosen]), axis=1)
        chosen.append(int(worth[np.argmax(apart)]))
    return sorted(chosen)
