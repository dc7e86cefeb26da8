"""How a body is looked at: what its data file says in ``[observing]``, and what holds where that is silent."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from simulate.bodies.sections import Section, check_keys
from simulate.errors import InputError

POINT_HORIZON_DEG = -34.0 / 60.0
LIMB_HORIZON_DEG = -50.0 / 60.0
_OTHER_STEP_D = 8.0

_KEYS = {
    "sun_highest_deg": "a number",
    "dark_from_deg": "a number",
    "daylight": "true or false",
    "search_step_d": "a number",
    "worthwhile_arcsec": "a list of numbers",
    "seasons": "a list of texts",
    "closest_approach": "true or false",
    "moon_events": "true or false",
    "half_phase": "a text in quotes",
    "often_pictured": "true or false",
    "face": "a text in quotes",
    "face_longitude_deg": "a number",
}


@dataclass(frozen=True)
class Observing:
    """When a body can be looked at, and which dates are told of it.

    Parameters
    ----------
    horizon_deg : float
        Airless altitude at which it rises and sets: its middle, or for Sun and Moon the upper limb
        (Meeus 1998, chapter 15).
    sun_highest_deg, dark_from_deg : float
        The Sun's altitudes from which on it can be looked at and from which on its sky counts as dark.
    daylight : bool
        Whether it is bright enough to be looked at while the Sun is up.
    search_step_d : float
        Days within which nothing that is told of it happens twice.
    worthwhile_arcsec : tuple of float
        Diameters from which it is thought worth the trouble.
    seasons : tuple of str
        What begins at Ls 0, 90, 180 and 270; empty where seasons are of no matter.
    closest_approach : bool
        Whether the day on which it is nearest is told beside that of its opposition.
    moon_events : bool
        Whether its satellites pass before and behind it often enough to be told.
    half_phase : str
        What observers report of its half phase as against geometry: "{shift}" stands for earlier or later.
    often_pictured : bool
        Whether a picture of another planet could well be of this one.
    face : str
        Feature that is turned to the middle of the disc where dates are compared; "" for none.
    face_longitude_deg : float or None
        Longitude of that face in the body's own sense; None: where the feature, a drifting oval, is put.
    """

    horizon_deg: float = POINT_HORIZON_DEG
    sun_highest_deg: float = -6.0
    dark_from_deg: float = -12.0
    daylight: bool = False
    search_step_d: float = _OTHER_STEP_D
    worthwhile_arcsec: tuple[float, ...] = ()
    seasons: tuple[str, ...] = ()
    closest_approach: bool = False
    moon_events: bool = False
    half_phase: str = ""
    often_pictured: bool = False
    face: str = ""
    face_longitude_deg: float | None = None

    @property
    def in_twilight(self) -> bool:
        """Whether it is looked at in twilight, where an hour makes a difference."""
        return self.dark_from_deg > Observing.dark_from_deg


def read_observing(root: Section, kind: str) -> Observing:
    """Return what a data file's ``[observing]`` says.

    Raises
    ------
    InputError
        For a key that is unknown or of the wrong kind.
    """
    section: Any = root.get("observing", {})
    where = f"{root.where}: observing"
    if isinstance(section, Section):
        check_keys(section, _KEYS)
    elif section:
        raise InputError(where, section, "make it a section [observing]")
    horizon = LIMB_HORIZON_DEG if kind in ("moon", "sun") else POINT_HORIZON_DEG
    seasons = section.get("seasons", ())
    if len(seasons) not in (0, 4):
        raise InputError(f"{where}.seasons", seasons, "give four texts, for Ls 0, 90, 180 and 270")
    step = section.get("search_step_d", _OTHER_STEP_D)
    if not 0.1 <= step <= 100.0:
        raise InputError(f"{where}.search_step_d", step, "give 0.1 to 100 days")
    return Observing(
        horizon_deg=horizon,
        sun_highest_deg=section.get("sun_highest_deg", Observing.sun_highest_deg),
        dark_from_deg=min(-1e-3, section.get("dark_from_deg", Observing.dark_from_deg)),
        daylight=section.get("daylight", False),
        search_step_d=step,
        worthwhile_arcsec=tuple(float(size) for size in section.get("worthwhile_arcsec", ())),
        seasons=seasons,
        closest_approach=section.get("closest_approach", False),
        moon_events=section.get("moon_events", False),
        half_phase=section.get("half_phase", ""),
        often_pictured=section.get("often_pictured", False),
        face=section.get("face", ""),
        face_longitude_deg=section.get("face_longitude_deg"),
    )
