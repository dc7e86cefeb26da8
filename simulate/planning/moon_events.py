"""What a planet's moons and its drifting spot do: transits, shadows, eclipses, occultations, passages.

Contacts are those of the middle of a moon (or of its shadow) with the planet's limb, as almanacs print
them; an eclipse begins and ends where half of the middle's sunlight is gone. A moon's disc takes a few
minutes to pass. What happens behind the planet or in its shadow is left out.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np

from simulate.bodies import Body
from simulate.bodies.features import oval_longitude, oval_section
from simulate.geometry.clock import J2000, tt_to_time
from simulate.geometry.moons import MoonTrack, moon_table
from simulate.geometry.site import Site
from simulate.geometry.table import apparition_table
from simulate.geometry.vectors import FloatArray
from simulate.planning.events import Event
from simulate.planning.search import crossings, wrapped

_STEP_DAYS = 4.0 / 1440.0
_SPOT_STEP_DAYS = 1.0 / 24.0
_WORDS = {
    "transit": ("{moon} moves in front of the planet", "{moon} leaves the planet's face"),
    "shadow": ("{moon}'s shadow enters the planet's face", "{moon}'s shadow leaves the planet's face"),
    "eclipse": ("{moon} fades into the planet's shadow", "{moon} comes out of the planet's shadow"),
    "occultation": ("{moon} goes behind the planet", "{moon} comes out from behind the planet"),
}


def moon_events(
    body: Body, first_day: float, last_day: float, site: Site | None = None, *, ephemeris: str = "builtin"
) -> tuple[Event, ...]:
    """Return the events of a planet's moons between two instants, in the order of time.

    Parameters
    ----------
    body : Body
        The planet.
    first_day, last_day : float
        TT days since 2000-01-01 12:00.
    site : Site, optional
        Place; it shifts events by seconds.
    ephemeris : str
        "builtin" or "de440".
    """
    tracks = _Tracks(body, site, ephemeris)
    count = max(2, int(np.ceil((last_day - first_day) / _STEP_DAYS)) + 1)
    days = np.linspace(first_day, last_day, count)
    found = [
        event
        for index, moon in enumerate(tracks.at(days))
        for kind, quantity in _QUANTITIES.items()
        for event in _contacts(tracks, days, index, moon.name, kind, quantity)
    ]
    return tuple(sorted(found, key=lambda event: event.day_tt))


class _Tracks:
    """The moons at some days; the last long list is kept, since every search begins with it."""

    def __init__(self, body: Body, site: Site | None, ephemeris: str) -> None:
        self.body, self.site, self.ephemeris = body, site, ephemeris
        self._days: FloatArray | None = None
        self._kept: tuple[MoonTrack, ...] = ()

    def at(self, days: FloatArray) -> tuple[MoonTrack, ...]:
        if days is self._days:
            return self._kept
        tracks = moon_table(self.body, tt_to_time(days), self.site, ephemeris=self.ephemeris)
        if self._days is None:
            self._days, self._kept = days, tracks
        return tracks


def _transit(track: MoonTrack) -> FloatArray:
    return np.where(track.position_km[:, 2] > 0.0, 1.0 - track.miss, -1.0)


def _occultation(track: MoonTrack) -> FloatArray:
    return np.where(track.position_km[:, 2] < 0.0, 1.0 - track.miss, -1.0)


def _eclipse(track: MoonTrack) -> FloatArray:
    return 0.5 - track.centre_sunlit_fraction


def _shadow(track: MoonTrack) -> FloatArray:
    return np.where(np.isnan(track.shadow_arcsec[:, 0]), -1.0, 1.0)


_QUANTITIES: dict[str, Callable[[MoonTrack], FloatArray]] = {
    "transit": _transit,
    "shadow": _shadow,
    "eclipse": _eclipse,
    "occultation": _occultation,
}


def _contacts(
    tracks: _Tracks, days: FloatArray, index: int, moon: str, kind: str, quantity: Callable[[MoonTrack], FloatArray]
) -> Iterator[Event]:
    found, signs = crossings(lambda some: quantity(tracks.at(some)[index]), days, rounds=2)
    if len(found) == 0:
        return
    there = tracks.at(found)[index]
    behind = _occultation(there) > 0.0
    dark = _eclipse(there) > 0.0
    for day, sign, hidden, unlit in zip(found, signs, behind, dark, strict=True):
        if (kind == "eclipse" and hidden) or (kind == "occultation" and unlit):
            continue
        begins = sign > 0
        what = _WORDS[kind][0 if begins else 1].format(moon=moon.capitalize())
        yield Event(float(day), f"{kind} {'begins' if begins else 'ends'}", tracks.body.name, what, moon)


def spot_events(
    body: Body, first_day: float, last_day: float, longitude_deg: float | None = None, *, ephemeris: str = "builtin"
) -> tuple[Event, ...]:
    """Return the passages of a body's drifting spot through the middle of the disc; none without a spot.

    Parameters
    ----------
    body : Body
        The planet.
    first_day, last_day : float
        TT days since 2000-01-01 12:00.
    longitude_deg : float, optional
        Longitude of the spot, in the system of its map; default carried on from older positions, with the time's
        uncertainty in the words.
    ephemeris : str
        "builtin" or "de440".
    """
    spot = oval_section(body)
    if spot is None or body.orientation is None:
        return ()
    doubt_min = 0.0
    if longitude_deg is None:
        longitude_deg, doubt_deg = oval_longitude(spot, J2000 + 0.5 * (first_day + last_day))
        turn_min = 1440.0 * 360.0 / abs(float(body.orientation.rotation[body.longitude_system][1]))
        doubt_min = doubt_deg / 360.0 * turn_min
    note = f" (+-{doubt_min:.0f} min)" if doubt_min >= 2.0 else ""

    def away(days: FloatArray) -> FloatArray:
        table = apparition_table(body, tt_to_time(days), ephemeris=ephemeris)
        return wrapped(table.central_meridian_deg[body.longitude_system] - longitude_deg)

    count = max(3, int(np.ceil((last_day - first_day) / _SPOT_STEP_DAYS)) + 1)
    found, _ = crossings(away, np.linspace(first_day, last_day, count))
    what = f"{spot['name']} in the middle of the disc{note}"
    return tuple(Event(float(day), spot["name"], body.name, what, spot["name"]) for day in found)
