"""What happens to a planet over months and years, seen from the Earth's centre.

Oppositions and conjunctions are moments of equal (or opposite) apparent ecliptic longitude of planet
and Sun, greatest elongations and approaches are true extremes; ring-plane crossings are those of the
Earth's and the Sun's planetocentric latitude on the planet.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

from simulate.bodies import Body, load_body
from simulate.errors import kept_warnings
from simulate.geometry.clock import FIRST_DAY, LAST_DAY, tt_to_time, utc_text
from simulate.geometry.earth import equatorial
from simulate.geometry.ephemeris import load_ephemeris
from simulate.geometry.sight import look_at, make_observer
from simulate.geometry.table import ApparitionTable, apparition_table
from simulate.geometry.vectors import FloatArray
from simulate.planning.search import Quantity, crossings, maxima, wrapped

_OBLIQUITY_RAD = np.radians(23.4393)  # of J2000; the century's change moves no event by a minute

OPENING_DOUBT_DEG = {"builtin": 0.006, "de440": 0.001}
"""How far the rings' opening may be off: the built-in ephemeris's place (measured against DE440), or what is left of
the pole's own doubt (the difference between the poles of 2015 and later ones, from memory)."""


@dataclass(frozen=True)
class Event:
    """Something that happens at an instant.

    Parameters
    ----------
    day_tt : float
        TT days since 2000-01-01 12:00.
    kind : str
        "opposition", "ring-plane crossing", "shadow begins" and so on.
    body : str
        Planet.
    what : str
        One line in words, without the time.
    subject : str
        Moon or feature that it is about; "" for the planet itself.
    """

    day_tt: float
    kind: str
    body: str
    what: str
    subject: str = ""

    @property
    def time_utc(self) -> str:
        """ISO 8601, to the millisecond, with "Z"."""
        return utc_text(self.day_tt)


def season_events(body: Body, first_day: float, last_day: float, *, ephemeris: str = "builtin") -> tuple[Event, ...]:
    """Return what happens to a planet between two instants, in the order of time.

    Parameters
    ----------
    body : Body
        A planet, a satellite or the Moon.
    first_day, last_day : float
        TT days since 2000-01-01 12:00.
    ephemeris : str
        "builtin" or "de440".
    """
    sight = _Course(body, first_day, last_day, ephemeris)
    found = [event for part in _parts(body) for event in part(sight)]
    return tuple(sorted(found, key=lambda event: event.day_tt))


class _Course:
    """A body's course between two instants, in the quantities whose events are sought."""

    def __init__(self, body: Body, first_day: float, last_day: float, ephemeris: str) -> None:
        self.body, self.ephemeris = body, ephemeris
        step = body.observing.search_step_d
        count = max(3, int(np.ceil((last_day - first_day) / step)) + 1)
        self.days = np.linspace(first_day, last_day, count)

    def sun_offset_deg(self, days: FloatArray) -> FloatArray:
        """Apparent ecliptic longitude less the Sun's, -180..180 deg."""
        observer = make_observer(days, None, load_ephemeris(self.ephemeris))
        longitudes = []
        for body in (self.body, load_body("sun")):
            ascension, declination = np.radians(equatorial(observer.axes.to_date(look_at(body, observer).apparent)))
            longitudes.append(
                np.arctan2(
                    np.sin(ascension) * np.cos(_OBLIQUITY_RAD) + np.tan(declination) * np.sin(_OBLIQUITY_RAD),
                    np.cos(ascension),
                )
            )
        return wrapped(np.degrees(longitudes[0] - longitudes[1]))

    def column(self, name: str, less: float = 0.0, sign: float = 1.0) -> Quantity:
        """Return a column of the table of apparitions as a function of days."""

        def values(days: FloatArray) -> FloatArray:
            return sign * (self.table(days)[name] - less)

        return values

    def table(self, days: FloatArray) -> ApparitionTable:
        """Return the apparitions at some days; that a magnitude is a guess is of no matter here."""
        with kept_warnings():
            return apparition_table(self.body, tt_to_time(days), ephemeris=self.ephemeris)

    def maxima(self, quantity: Quantity) -> tuple[FloatArray, FloatArray]:
        """Return when a quantity is greatest, and its values there, up to the very ends of the course."""
        step = self.days[1] - self.days[0]
        days = np.concatenate([[self.days[0] - step], self.days, [self.days[-1] + step]])
        found, values = maxima(quantity, days[(days >= FIRST_DAY) & (days < LAST_DAY)])
        inside = (found >= self.days[0]) & (found <= self.days[-1])
        return found[inside], values[inside]

    def event(self, day: float, kind: str, what: str) -> Event:
        """Return an event of this body."""
        return Event(float(day), kind, self.body.name, what)


Part = Callable[[_Course], Iterator[Event]]


def _parts(body: Body) -> tuple[Part, ...]:
    """Return what there is to tell of a body, by what its data file holds."""
    if body.kind == "moon":
        return (_moon_phases,)
    if body.inside_earths_orbit:
        return (_conjunctions, _elongations, _half_phase)
    parts: list[Part] = [_opposition, _far_conjunction]
    if body.observing.closest_approach:
        parts.append(_closest)
    if body.observing.worthwhile_arcsec:
        parts.append(_worthwhile)
    if body.observing.seasons:
        parts.append(_seasons)
    if body.rings:
        parts += [_ring_crossings, _flare]
    return tuple(parts)


def _opposition(course: _Course) -> Iterator[Event]:
    found, _ = crossings(lambda days: wrapped(course.sun_offset_deg(days) - 180.0), course.days)
    if len(found) == 0:
        return
    table = course.table(found)
    for day, size, magnitude, phase in zip(
        found,
        table["equatorial_diameter_arcsec"],
        table["magnitude"],
        table["phase_angle_deg"],
        strict=True,
    ):
        what = f"opposition: {size:.1f} arcsec, magnitude {magnitude:.1f}"
        if course.body.rings:
            what += f", phase angle {phase:.2f} deg"
        yield course.event(day, "opposition", what)


def _far_conjunction(course: _Course) -> Iterator[Event]:
    for day in crossings(course.sun_offset_deg, course.days)[0]:
        yield course.event(day, "conjunction", "conjunction with the Sun: not to be had")


def _conjunctions(course: _Course) -> Iterator[Event]:
    found, _ = crossings(course.sun_offset_deg, course.days)
    if len(found) == 0:
        return
    table = course.table(found)
    for day, distance, sun, apart in zip(
        found, table["distance_au"], table["sun_distance_au"], table["elongation_deg"], strict=True
    ):
        side = "inferior" if distance < 1.0 and distance + sun < 1.2 else "superior"
        yield course.event(day, f"{side} conjunction", f"{side} conjunction, {apart:.1f} deg from the Sun")


def _elongations(course: _Course) -> Iterator[Event]:
    found, apart = course.maxima(course.column("elongation_deg"))
    if len(found) == 0:
        return
    for day, angle, offset in zip(found, apart, course.sun_offset_deg(found), strict=True):
        if angle < 15.0:  # near superior conjunction the curve only ripples
            continue
        side, when = ("east", "evening") if offset > 0 else ("west", "morning")
        what = f"greatest elongation, {angle:.1f} deg {side}: {when} sky"
        yield course.event(day, f"greatest elongation {side}", what)


def _half_phase(course: _Course) -> Iterator[Event]:
    for day, sign in zip(*crossings(course.column("illuminated_fraction", 0.5), course.days), strict=True):
        trend = "waning" if sign < 0 else "growing"
        what = f"half lit ({trend}), by geometry"
        if course.body.observing.half_phase:
            shift = "earlier in the evening sky" if sign < 0 else "later in the morning sky"
            what += f"; {course.body.observing.half_phase.replace('{shift}', shift)}"
        yield course.event(day, "half phase", what)


def _closest(course: _Course) -> Iterator[Event]:
    found, size = course.maxima(course.column("equatorial_diameter_arcsec"))
    for day, width in zip(found, size, strict=True):
        yield course.event(day, "closest approach", f"closest to the Earth: {width:.2f} arcsec")


def _worthwhile(course: _Course) -> Iterator[Event]:
    for size in course.body.observing.worthwhile_arcsec:
        found, signs = crossings(course.column("equatorial_diameter_arcsec", size), course.days)
        for day, sign in zip(found, signs, strict=True):
            what = f"{'grows beyond' if sign > 0 else 'shrinks below'} {size:g} arcsec"
            yield course.event(day, "size", what)


def _seasons(course: _Course) -> Iterator[Event]:
    for angle, name in zip((0, 90, 180, 270), course.body.observing.seasons, strict=True):

        def away(days: FloatArray, angle: int = angle) -> FloatArray:
            return wrapped(course.table(days)["solar_longitude_deg"] - angle)

        for day in crossings(away, course.days)[0]:
            yield course.event(day, "season", f"Ls {angle}: {name}")


def _ring_crossings(course: _Course) -> Iterator[Event]:
    # the light that arrives at this instant left Saturn 70 to 90 min before: lists that give that moment are earlier
    for column, who in (("ring_opening_deg", "Earth"), ("ring_opening_sun_deg", "Sun")):
        opening = course.column(column)
        for day, sign in zip(*crossings(opening, course.days), strict=True):
            before, after = opening(np.array([day - 0.5, day + 0.5]))
            doubt_h = 24.0 * OPENING_DOUBT_DEG[course.ephemeris] / max(abs(after - before), 1e-4)
            side = "north" if sign > 0 else "south"
            what = f"{who} crosses the ring plane to the {side} (+-{max(1.0, doubt_h):.0f} h)"
            yield course.event(day, f"ring-plane crossing by the {who}", what)


def _flare(course: _Course) -> Iterator[Event]:
    # the days of bright rings may be fewer than the course's steps: the least phase angles are looked at too
    least, _ = course.maxima(course.column("phase_angle_deg", sign=-1.0))
    days = np.union1d(course.days, least)
    flare = course.body.section("ring_system").get("flare_deg", 0.0)
    found, signs = crossings(course.column("phase_angle_deg", flare), days)
    near = np.abs(course.sun_offset_deg(found)) < 90.0 if len(found) else np.empty(0, bool)
    for day, sign in zip(found[~near], signs[~near], strict=True):  # behind the Sun nobody sees it
        verb = "begin" if sign < 0 else "end"
        yield course.event(day, f"ring flare {verb}s", f"days of bright rings {verb}: phase angle {flare:g} deg")


def _moon_phases(course: _Course) -> Iterator[Event]:
    for angle, name in ((0.0, "new moon"), (90.0, "first quarter"), (180.0, "full moon"), (-90.0, "last quarter")):

        def away(days: FloatArray, angle: float = angle) -> FloatArray:
            return wrapped(course.sun_offset_deg(days) - angle)

        for day in crossings(away, course.days)[0]:
            yield course.event(day, name, name)
