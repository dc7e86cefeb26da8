"""A body on one night through one setup: when to look, what will happen, how to record it."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from concurrent.futures import Executor
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from simulate.air import Lights, Sky, sky_magnitudes
from simulate.bodies import Body
from simulate.errors import BelowHorizonError, InputErrors, kept_warnings
from simulate.geometry import Apparition, Site, as_site
from simulate.geometry.clock import J2000, tt_days, tt_to_time, utc_text
from simulate.geometry.moons import satellite_track
from simulate.geometry.rise_set import LOWEST_DEG, best_moment, night_merit
from simulate.geometry.shadow_light import UMBRA_DOUBT, light_text
from simulate.geometry.table import apparition_table
from simulate.geometry.vectors import FloatArray
from simulate.instruments import Instrument, load_instrument
from simulate.judging import judged_features
from simulate.light.look import ViewOptions, refuse_hidden
from simulate.light.subject import choose_subject
from simulate.planning.capture import station_crossing
from simulate.planning.card import capture_card, moon_layer
from simulate.planning.lunar_eclipses import LunarEclipse, contacts, eclipse_title, lunar_eclipses
from simulate.planning.moon_calendar import judge_event, moon_calendar
from simulate.planning.nights import SunEvent, daylight_moment, noon_of, sun_events, times_of
from simulate.planning.outlook import (
    Case,
    judge_some,
    merit_of,
    prospect,
    standing_features,
)
from simulate.planning.records import Plan, PlannedEvent, Window, frozen_columns
from simulate.planning.search import spans
from simulate.planning.trades import trades_of
from simulate.present.advice import season_text
from simulate.present.caution import NO_ADVICE_DEG, caution_for
from simulate.present.planning_words import ring_face_text
from simulate.recording.workers import in_order
from simulate.values.arrays import frozen_array

if TYPE_CHECKING:
    from astropy.coordinates import EarthLocation

STEP_MINUTES = 5
SHARP_ENOUGH = 1.15
"""The best window holds the times whose delivered width is at most this much above the best (common practice)."""

HARDLY_SHARPER = 0.97
"""Moments whose delivered width is below this share of that at the best moment are told of."""

HARDLY_SHADED = 0.99
"""The Moon counts as outside the Earth's shadow while at least this share of its light is left."""

HARDLY_BLUNTER = 1.05
"""Of moments whose delivered width is at most this much above the least, the one nearest to the best is taken."""

NEAR_MOON_DEG = 10.0
"""The Moon is mentioned when it stands nearer than this."""


@dataclass(frozen=True)
class PlanOptions:
    """What may be chosen of a plan.

    Parameters
    ----------
    view : ViewOptions
        How it is recorded; the red spot's longitude.
    ephemeris : str
        "builtin" or "de440".
    judge_events : bool
        Whether each event is judged through the setup (about a second each).
    station_km : float or None
        Distance of a space station that crosses the Moon.
    trades : bool
        Compute what gain, share of frames, number of frames and sharpening do (about ten seconds).
    """

    view: ViewOptions = field(default_factory=ViewOptions)
    ephemeris: str = "builtin"
    judge_events: bool = True
    station_km: float | None = None
    trades: bool = False


def plan(
    body: str | Path | Body,
    night: str,
    site: str | Site | EarthLocation,
    instrument: str | Instrument,
    *,
    sky: Sky | None = None,
    options: PlanOptions | None = None,
) -> Plan:
    """Plan a night: window, events and capture card.

    Parameters
    ----------
    body : str, Path or Body
        Name of a shipped one, path of a TOML file, or a `Body`; no star.
    night : str
        Date of the evening at the site, YYYY-MM-DD.
    site : str, Site or EarthLocation
        Place.
    instrument : str or Instrument
        Name of a shipped one, path of a TOML file, or an `Instrument`.
    sky : Sky, optional
        The air; default 2 arcsec seeing.
    options : PlanOptions, optional
        Recording, red spot, ephemeris.

    Raises
    ------
    InputError
        For anything that cannot be used.
    BelowHorizonError
        If the body cannot be had that night; for Venus and Mercury with the daylight option.
    """
    asked, known, air, place = options or PlanOptions(), choose_subject(body, star=False), sky or Sky(), as_site(site)
    tool = instrument if isinstance(instrument, Instrument) else load_instrument(instrument)
    case = Case(known, tool, place, air, asked.view, asked.ephemeris)
    with kept_warnings() as texts:
        made = _plan(case, place, night, asked)
    return replace(made, warnings=tuple(texts))


def _plan(case: Case, site: Site, night: str, asked: PlanOptions) -> Plan:
    noon = noon_of(night, site)
    best_tt = _best(case, site, night, noon)
    sun = sun_events(noon, noon + 1.0, site, ephemeris=case.ephemeris)
    course = night_course(case, site, _night_days(noon, best_tt, sun))
    best_tt = outside_shadow(course, best_tt)
    eclipses = _eclipses(case, course)
    seen = case.seen(best_tt)
    refuse_hidden(case.body, seen)
    sharp = float(case.sharpness.width(seen.altitude_deg or 0.0))
    window = best_window(course, best_tt, sharp)
    setup = prospect(case, seen)
    features = judge_some(setup, judged_features(case.body))
    standing = tuple(feature.name for feature in standing_features(case.body))
    advice = (
        *_advice(case.body, course, window, seen, sharp),
        *_eclipse_advice(eclipses, course, seen),
        *_face(case, seen),
        *_by_day(case, site, noon),
        *_station(case, seen, asked.station_km),
    )
    return Plan(
        subject=case.body,
        instrument=case.instrument,
        site=site,
        sky=case.sky,
        night=night,
        days_tt=course.days_tt,
        curve=course.columns,
        usable=course.usable,
        window=window,
        sun=sun,
        events=(*_events(case, course, window, asked.judge_events), *_contacts(eclipses, course, window)),
        apparition=seen,
        sharp_arcsec=sharp,
        card=capture_card(setup),
        features=features,
        merit=merit_of(tuple(line for line in features if line.name.startswith(standing))),
        advice=advice,
        caution=caution_for(seen.elongation_deg, seen.sun_altitude_deg),
        layer=moon_layer(setup.look),
        trades=trades_of(setup) if asked.trades else None,
    )


def _best(case: Case, site: Site, night: str, noon: float) -> float:
    try:
        return float(tt_days(best_moment(case.body, night, site, ephemeris=case.ephemeris).time))
    except BelowHorizonError as error:
        daylight = daylight_advice(case, site, noon)
        if daylight is None:
            raise
        raise BelowHorizonError("night", night, f"{error.allowed}. {daylight}") from error


def _night_days(noon: float, best_tt: float, sun: tuple[SunEvent, ...]) -> FloatArray:
    """Return the times of the curve: sunset to sunrise, or the whole day where the Sun does neither."""
    down = [event.day_tt for event in sun if event.what == "sunset" and event.day_tt <= best_tt]
    up = [event.day_tt for event in sun if event.what == "sunrise" and event.day_tt >= best_tt]
    first, last = (down[-1] if down else noon), (up[0] if up else noon + 1.0)
    text = utc_text(first)
    late_s = 60.0 * (int(text[14:16]) % STEP_MINUTES) + float(text[17:23])
    start = first - late_s / 86400.0  # on full five minutes UTC
    step = STEP_MINUTES / 1440.0
    count = max(3, round((last - start) / step) + 1)
    return np.linspace(start, start + step * (count - 1), count)


@dataclass(frozen=True, eq=False)
class Course:
    """A body's path over a night, with what a setup makes of it.

    Parameters
    ----------
    body : Body
        What is looked at.
    days_tt : array, shape (times,)
        TT days since 2000-01-01 12:00.
    columns : mapping of str to array, shape (times,)
        The curve of a `Plan`.
    usable : bool array, shape (times,)
        Where body and sky allow it.
    """

    body: Body
    days_tt: FloatArray
    columns: Mapping[str, FloatArray]
    usable: np.ndarray


_CURVE = (
    "altitude_deg", "azimuth_deg", "airmass", "parallactic_angle_deg", "sun_altitude_deg", "moon_altitude_deg",
    "moon_separation_deg", "moon_sunlit_fraction",
)  # fmt: skip


def night_course(case: Case, site: Site, days_tt: FloatArray) -> Course:
    """Return a body's path over a night with what a setup makes of it, and where it can be had.

    Parameters
    ----------
    case : Case
        Body and setup.
    site : Site
        From where.
    days_tt : array, shape (times,)
        TT days since 2000-01-01 12:00.
    """
    table = apparition_table(case.body, tt_to_time(days_tt), site, ephemeris=case.ephemeris)
    curve = {name: np.array(table[name]) for name in _CURVE if name in table.columns}
    altitude, sharp = curve["altitude_deg"], case.sharpness
    up = altitude >= LOWEST_DEG
    curve["delivered_fwhm_arcsec"] = np.where(up, sharp.width(altitude), np.nan)
    curve["dispersion_arcsec"] = np.where(up, sharp.dispersion(altitude), np.nan)
    if table.central_meridian_deg:
        system = case.body.longitude_system
        curve["central_meridian_deg"] = np.array(table.central_meridian_deg[system])
    usable = night_merit(case.body, altitude, curve["sun_altitude_deg"]) > 0.0
    if case.body.parent is not None:
        curve["beside_planet"] = np.array(_beside_planet(case, site, days_tt), float)
    return Course(case.body, frozen_array(days_tt), frozen_columns(curve), frozen_array(usable))


def _beside_planet(case: Case, site: Site, days_tt: FloatArray) -> np.ndarray:
    """Return when a satellite stands beside its planet and in sunlight, not before, behind or in the shadow of it."""
    return satellite_track(case.body, tt_to_time(days_tt), site, ephemeris=case.ephemeris).clear()


def best_window(course: Course, best_tt: float, sharp_arcsec: float) -> Window:
    """Return the run of usable times about the best whose delivered width is hardly worse than its own.

    Parameters
    ----------
    course : Course
        Of the night.
    best_tt : float
        Best moment, TT days since 2000-01-01 12:00; it may lie between the times of the course.
    sharp_arcsec : float
        Delivered width then.
    """
    days, width = course.days_tt, course.columns["delivered_fwhm_arcsec"]
    index = int(np.argmin(np.abs(days - best_tt)))
    good = course.usable & (_outside(course) == _outside(course)[index])
    good &= np.nan_to_num(width, nan=np.inf) <= SHARP_ENOUGH * sharp_arcsec
    good[index] = True
    first, last = next((a, b) for a, b in spans(good) if a <= index <= b)
    return Window(min(float(days[first]), best_tt), max(float(days[last]), best_tt), best_tt)


def outside_shadow(course: Course, best_tt: float) -> float:
    """Return the best moment, moved out of the shadow where an eclipsed Moon can also be had uneclipsed.

    A satellite is moved out of its planet's shadow, and away from the planet's disc, in the same way.

    Parameters
    ----------
    course : Course
        Of the night; of the Moon, a satellite, or another body, whose best moment is left as it is.
    best_tt : float
        Best moment without regard to the shadow, TT days since 2000-01-01 12:00.
    """
    days, width = course.days_tt, course.columns["delivered_fwhm_arcsec"]
    lit = _outside(course)
    free = np.flatnonzero(course.usable & lit)
    if len(free) == 0 or lit[int(np.argmin(np.abs(days - best_tt)))]:
        return best_tt
    sharpest = free[width[free] <= HARDLY_BLUNTER * width[free].min()]
    return float(days[sharpest[np.argmin(np.abs(days[sharpest] - best_tt))]])


def _outside(course: Course) -> np.ndarray:
    """Return where the Moon is outside the Earth's shadow, a satellite beside its planet; else everywhere."""
    if "beside_planet" in course.columns:
        return course.columns["beside_planet"] > 0.0
    if course.body.kind != "moon":
        return np.ones(len(course.days_tt), bool)
    return course.columns["moon_sunlit_fraction"] >= HARDLY_SHADED


def _eclipses(case: Case, course: Course) -> tuple[LunarEclipse, ...]:
    if course.body.kind != "moon":
        return ()
    return lunar_eclipses(float(course.days_tt[0]), float(course.days_tt[-1]), ephemeris=case.ephemeris)


def _contacts(eclipses: tuple[LunarEclipse, ...], course: Course, window: Window) -> tuple[PlannedEvent, ...]:
    """Return the contacts of the night's eclipses; where the Moon is up, the umbra's are clear to any eye."""
    found = []
    for event in (contact for eclipse in eclipses for contact in contacts(eclipse)):
        if not course.days_tt[0] <= event.day_tt <= course.days_tt[-1]:
            continue
        altitude = float(np.interp(event.day_tt, course.days_tt, course.columns["altitude_deg"]))
        inside = window.from_tt <= event.day_tt <= window.until_tt
        shown = "lost" if altitude < 0.0 or event.kind.startswith("penumbral") else "clear"
        found.append(PlannedEvent(event, altitude, inside, shown))
    return tuple(found)


def _eclipse_advice(eclipses: tuple[LunarEclipse, ...], course: Course, seen: Apparition) -> tuple[str, ...]:
    """Return which eclipse falls into the night, and whether the capture card holds outside it or inside."""
    told = []
    for eclipse in eclipses:
        rows = (course.days_tt >= eclipse.penumbral_tt[0]) & (course.days_tt <= eclipse.penumbral_tt[1])
        if not (course.usable & rows).any():
            continue
        title = eclipse_title(eclipse)
        told.append(f"{title[:1].upper()}{title[1:]}.")
        if seen.shadow is not None and seen.shadow.sunlit_fraction < HARDLY_SHADED:
            told.append(
                "The Moon is in the Earth's shadow whenever it can be had this night: the capture card is for "
                f"{_clock(seen.jd_tt - J2000)} UTC, with {light_text(seen.shadow.sunlit_fraction)} of its light left, "
                "and holds for some minutes."
            )
        elif eclipse.total_tt is not None:
            told.append(
                "Window and capture card are for the Moon outside the Earth's shadow: while it is wholly in the umbra "
                f"expose about {float(f'{1.0 / eclipse.sunlit_fraction:.1g}'):.0f} times as long, within a factor of "
                f"{UMBRA_DOUBT:.0f} either way."
            )
        else:
            told.append("Window and capture card are for the Moon outside the Earth's shadow.")
    return tuple(told)


def _events(case: Case, course: Course, window: Window, judge: bool) -> tuple[PlannedEvent, ...]:
    if not case.body.observing.moon_events or not course.usable.any():
        return ()
    rows = np.flatnonzero(course.usable)
    span = float(course.days_tt[rows[0]]), float(course.days_tt[rows[-1]])
    found = moon_calendar(case, span)
    judged: dict[tuple[str, str], str | None] = {}
    result = []
    for event in found:
        key = (event.kind.split()[0], event.subject)
        if judge and key not in judged:
            judged[key] = judge_event(case, event, found, span)
        altitude = float(np.interp(event.day_tt, course.days_tt, course.columns["altitude_deg"]))
        inside = window.from_tt <= event.day_tt <= window.until_tt
        result.append(PlannedEvent(event, altitude, inside, judged.get(key)))
    return tuple(result)


def _advice(body: Body, course: Course, window: Window, seen: Apparition, sharp_arcsec: float) -> tuple[str, ...]:
    """Return sentences: when to record, why not when it is sharper, start now or wait, the Moon."""
    start, end, best = (_clock(day) for day in (window.from_tt, window.until_tt, window.best_tt))
    when = f"Record between {start} and {end} UTC; best at {best}" if start != end else f"Record about {best} UTC"
    sentences = [f"{when}, {seen.altitude_deg or 0.0:.0f} deg high, a frame sharp to {sharp_arcsec:.2f} arcsec."]
    sentences += [*_why_not_later(course, sharp_arcsec), *_wait(course, window, sharp_arcsec)]
    apart = seen.moon_separation_deg
    if body.kind != "moon" and apart is not None and apart < NEAR_MOON_DEG and (seen.moon_altitude_deg or 0.0) > 0:
        sentences.append(f"The Moon stands {apart:.0f} deg from it.")
    return tuple(sentences)


def _why_not_later(course: Course, sharp_arcsec: float) -> tuple[str, ...]:
    """Return why the best moment is not the sharpest one: altitude is weighed against twilight."""
    width = np.where(course.usable, course.columns["delivered_fwhm_arcsec"], np.inf)
    index = int(np.argmin(width))
    if not width[index] < HARDLY_SHARPER * sharp_arcsec:
        return ()
    height, sun = (course.columns[name][index] for name in ("altitude_deg", "sun_altitude_deg"))
    return (
        f"At {_clock(float(course.days_tt[index]))} it stands {height:.0f} deg high and a frame is sharp "
        f"to {width[index]:.2f} arcsec, but the Sun is then only {abs(sun):.0f} deg below the horizon: the "
        "best moment weighs altitude against the darkness of the sky.",
    )


def _wait(course: Course, window: Window, sharp_arcsec: float) -> tuple[str, ...]:
    rows = np.flatnonzero(course.usable)
    if len(rows) == 0 or course.days_tt[rows[0]] >= window.from_tt - 1e-6:
        return ()
    loss = course.columns["delivered_fwhm_arcsec"][rows[0]] / sharp_arcsec
    start = _clock(float(course.days_tt[rows[0]]))
    return (f"From {start} on it can be had already, then {loss:.1f} times as blurred: wait if you can.",)


def _clock(day_tt: float) -> str:
    return times_of(np.array([day_tt]))[0][11:16]


def _face(case: Case, seen: Apparition) -> tuple[str, ...]:
    """Return which face is shown: lit or unlit rings, season and polar caps."""
    told = [ring_face_text(seen.ring_opening_deg, seen.ring_opening_sun_deg), season_text(case.body, seen)]
    return tuple(f"{text[:1].upper()}{text[1:]}." for text in told if text)


def _station(case: Case, seen: Apparition, range_km: float | None) -> tuple[str, ...]:
    """Return what to expect of a space station before the Moon."""
    if range_km is None or case.body.kind != "moon":
        return ()
    found = station_crossing(range_km, seen.equatorial_diameter_arcsec, case.instrument.pixel_arcsec)
    return (
        f"A space station {range_km:.0f} km away is {found.size_arcsec:.0f} arcsec ({found.size_px:.0f} px) long, "
        f"moves {found.rate_arcmin_per_s:.0f} arcmin/s and crosses the Moon in {found.seconds:.2f} s; exposures up to "
        f"{1000.0 * found.sharp_exposure_s:.2g} ms keep it within a pixel.",
    )


def _by_day(case: Case, site: Site, noon_tt: float) -> tuple[str, ...]:
    text = daylight_advice(case, site, noon_tt)
    return (text,) if text else ()


def daylight_advice(case: Case, site: Site, noon_tt: float) -> str | None:
    """Return what daylight offers for Venus or Mercury, with its caution; None where nothing is advised.

    Parameters
    ----------
    case : Case
        Only Mercury and Venus have a daylight option.
    site : Site
        From where.
    noon_tt : float
        Local noon of the day.
    """
    if not case.body.observing.daylight:
        return None
    found = daylight_moment(case.body, noon_tt, site, ephemeris=case.ephemeris)
    if found is None:
        return None
    day, altitude = found
    seen = case.seen(day)
    caution = caution_for(seen.elongation_deg, seen.sun_altitude_deg)
    if seen.elongation_deg < NO_ADVICE_DEG:
        return caution
    lights = Lights(altitude, seen.sun_altitude_deg, seen.elongation_deg)
    glow = float(sky_magnitudes(lights, case.sky, site.height_m)[2])
    lit = math.pi / 4 * seen.equatorial_diameter_arcsec**2 * seen.illuminated_fraction
    surface = seen.magnitude + 2.5 * math.log10(max(lit, 1e-3))
    return (
        f"By day it stands highest at {times_of(np.array([day]))[0][11:16]} UTC, {altitude:.0f} deg high and "
        f"{seen.elongation_deg:.0f} deg from the Sun; its surface of {surface:.1f} mag/arcsec2 then lies before a "
        f"sky of {glow:.1f}. {caution}"
    )


@dataclass(frozen=True)
class Pairing:
    """What one plan needs: names and values that can be sent to other processes."""

    bodies: tuple[Body, ...]
    night: str
    site: Site
    instruments: tuple[Instrument, ...]
    sky: Sky
    options: PlanOptions


def plan_pairings(task: Pairing, first: int, last: int) -> list[Plan | BelowHorizonError]:
    """Return the plans, or refusals, of pairings first..last-1; instruments vary fastest."""
    made: list[Plan | BelowHorizonError] = []
    for index in range(first, last):
        body = task.bodies[index // len(task.instruments)]
        tool = task.instruments[index % len(task.instruments)]
        try:
            made.append(plan(body, task.night, task.site, tool, sky=task.sky, options=task.options))
        except BelowHorizonError as error:
            made.append(error)
    return made


def plans(
    bodies: Iterable[str | Body],
    night: str,
    site: str | Site | EarthLocation,
    instruments: Iterable[str | Instrument],
    *,
    sky: Sky | None = None,
    options: PlanOptions | None = None,
    executor: Executor | None = None,
) -> tuple[tuple[Plan, ...], tuple[str, ...]]:
    """Plan every pairing of bodies and instruments, ranked by what can be seen that night.

    Parameters
    ----------
    bodies, instruments : iterables
        As for `plan`.
    night, site, sky, options
        As for `plan`.
    executor : Executor, optional
        Processes or a cluster over which the pairings are spread.

    Returns
    -------
    tuple of Plan
        Highest figure of merit first.
    tuple of str
        A sentence for each body that cannot be had.

    Raises
    ------
    InputErrors
        If nothing can be had.
    """
    tools = tuple(item if isinstance(item, Instrument) else load_instrument(item) for item in instruments)
    known = tuple(choose_subject(item, star=False) for item in bodies)
    task = Pairing(known, night, as_site(site), tools, sky or Sky(), options or PlanOptions())
    compute: Any = plan_pairings
    count = len(known) * len(tools)
    chunks: list[Any] = list(in_order(compute, task, (0, count), 1, executor, ahead=count))
    made = [entry for chunk in chunks for entry in chunk]
    good = [entry for entry in made if isinstance(entry, Plan)]
    refused = [entry for entry in made if isinstance(entry, BelowHorizonError)]
    if not good:
        raise InputErrors({str(error): error for error in refused}.values())
    ranked = sorted(good, key=lambda entry: -entry.merit)
    return tuple(ranked), tuple(dict.fromkeys(str(error) for error in refused))
