"""Events of Jupiter's moons and red spot, and whether a setup shows them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from simulate.bodies import Body, load_body
from simulate.geometry.ephemeris import load_ephemeris
from simulate.geometry.rise_set import night_merit
from simulate.geometry.sight import make_observer
from simulate.judging import JudgedFeature, judged_features
from simulate.planning.events import Event
from simulate.planning.moon_events import moon_events, spot_events
from simulate.planning.nights import altitudes
from simulate.planning.outlook import Case, judge_some, prospect

HALF_HOUR_UP = 0.04
"""Days before and after an event in the dark for which the planet is taken to be up: about an hour."""


def moon_calendar(case: Case, span: tuple[float, float]) -> tuple[Event, ...]:
    """Return what moons and red spot do between two instants, in the order of time.

    Parameters
    ----------
    case : Case
        Gives place, ephemeris and the red spot's longitude.
    span : (float, float)
        TT days since 2000-01-01 12:00.
    """
    spot = case.view.scene.red_spot_longitude_deg
    found = (
        *moon_events(case.body, *span, case.site, ephemeris=case.ephemeris),
        *spot_events(case.body, *span, spot, ephemeris=case.ephemeris),
    )
    return tuple(sorted(found, key=lambda event: event.day_tt))


def event_feature(event: Event, body: Body) -> JudgedFeature | None:
    """Return the feature that must be seen for an event to be seen."""
    kind = event.kind.split()[0]
    known = {feature.name: feature for feature in judged_features(body)}
    if event.kind == event.subject:  # a drifting spot
        return known.get(event.subject)
    if kind == "shadow":
        return known.get(f"shadow of {event.subject}")
    if kind == "transit":
        moon = event.subject
        return JudgedFeature(f"{moon} before the disc", without=frozenset({moon}))
    base = next((feature for feature in known.values() if feature.kind == "moon"), None)
    return None if base is None else replace(base, name=event.subject, subjects=(event.subject,))


def judge_event(case: Case, event: Event, found: Sequence[Event], span: tuple[float, float]) -> str | None:
    """Return whether a setup shows an event ("clear", "doubtful", "lost"), judged when it is best in view.

    Parameters
    ----------
    case : Case
        Body and setup.
    event : Event
        A contact of a moon or a passage of the red spot.
    found : sequence of Event
        All events, among which the other contact is looked for.
    span : (float, float)
        Begin and end of the time in which the body can be had, TT days since 2000-01-01 12:00.
    """
    feature = event_feature(event, case.body)
    if feature is None:
        return None
    moment = _in_view(case, event.day_tt, _showing(event, found, span))
    if moment is None:
        return None
    seen = case.seen(moment)
    lines = judge_some(prospect(case, seen), (feature,))
    return lines[0].verdict if lines else None


def _showing(event: Event, found: Sequence[Event], span: tuple[float, float]) -> float:
    """Return the moment to judge: halfway through a crossing, just outside an eclipse or occultation."""
    kind = event.kind.split()[0]
    if event.kind == event.subject:
        return event.day_tt
    begins = event.kind.endswith("begins")
    if kind in ("eclipse", "occultation"):
        return event.day_tt + (-1 if begins else 1) * 8.0 / 1440.0
    others = [
        e.day_tt for e in found if e.subject == event.subject and e.kind == f"{kind} {'ends' if begins else 'begins'}"
    ]
    if begins:
        other = min((day for day in others if day > event.day_tt), default=span[1])
    else:
        other = max((day for day in others if day < event.day_tt), default=span[0])
    return 0.5 * (event.day_tt + other)


def _in_view(case: Case, event_tt: float, wanted_tt: float) -> float | None:
    """Return the moment nearest to the wanted one, on the way to the event, at which the planet can be had.

    None where it cannot be had even at the event itself: the planet sets, or the Sun rises, between the two.
    """
    if case.site is None:
        return wanted_tt
    days = np.linspace(wanted_tt, event_tt, 9)
    observer = make_observer(days, case.site, load_ephemeris(case.ephemeris))
    height, sun = altitudes(case.body, observer, case.site), altitudes(load_body("sun"), observer, case.site)
    good = np.flatnonzero(night_merit(case.body, height, sun) > 0.0)
    return float(days[good[0]]) if len(good) else None


def dark_moon_events(case: Case, span: tuple[float, float]) -> tuple[Event, ...]:
    """Return what moons and red spot do while Jupiter can be had, with altitude and verdict in the words.

    Each kind of event of each moon is judged once, on the first date on which it can be.

    Parameters
    ----------
    case : Case
        Jupiter and a setup; without a site at any hour.
    span : (float, float)
        TT days since 2000-01-01 12:00.
    """
    found = moon_calendar(case, span)
    kept, heights = _in_the_dark(found, case)
    judged: dict[tuple[str, str], str | None] = {}
    told = []
    for event, height in zip(kept, heights, strict=True):
        key = (event.kind.split()[0], event.subject)
        if judged.get(key) is None:
            near = event.day_tt - HALF_HOUR_UP, event.day_tt + HALF_HOUR_UP
            judged[key] = judge_event(case, event, found, near)
        words = [f"{height:.0f} deg high"] if case.site is not None else []
        words += [word for word in (judged[key],) if word]
        told.append(replace(event, what=f"{event.what}: {', '.join(words)}" if words else event.what))
    return tuple(told)


def _in_the_dark(found: Sequence[Event], case: Case) -> tuple[list[Event], list[float]]:
    """Return the events that fall into hours when Jupiter can be had, with its altitudes, deg."""
    if case.site is None or not found:
        return list(found), [90.0] * len(found)
    days = np.array([event.day_tt for event in found])
    observer = make_observer(days, case.site, load_ephemeris(case.ephemeris))
    height, sun = altitudes(case.body, observer, case.site), altitudes(load_body("sun"), observer, case.site)
    good = np.flatnonzero(night_merit(case.body, height, sun) > 0.0)
    return [found[int(index)] for index in good], [float(height[index]) for index in good]
