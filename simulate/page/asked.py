"""What a request asks for: from the words of an address to values, or to the sentence that refuses them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from simulate.air import Sky
from simulate.bodies import Body
from simulate.errors import BelowHorizonError, InputError, MissingError, choose
from simulate.geometry import Site, best_moment, parse_site
from simulate.instruments import Instrument, instrument_names, load_instrument, practice_for
from simulate.instruments.changes import Changes, changed
from simulate.light.subject import choose_subject
from simulate.scene import SceneOptions
from simulate.values.checks import to_float
from simulate.values.practice import LEVELS, Practice, practice_of

BODIES = ("jupiter", "saturn", "mars", "venus", "moon", "mercury", "uranus", "neptune")
"""What the page offers, the most rewarding first: the first of them that can be had tonight is shown at once."""

FIRST_SITE = "47.0,8.0,400"
"""Place of a first visit; the page says that it is an example."""

FIRST_INSTRUMENT = "newtonian-150"

_NUMBERS = {
    "aperture": "aperture_mm",
    "focal": "focal_length_mm",
    "obstruction": "obstruction_mm",
    "amplifier": "amplifier",
    "pixel": "pixel_um",
}


@dataclass(frozen=True)
class Asked:
    """One setup looking at one body.

    Parameters
    ----------
    body : Body
        What is looked at.
    instrument : Instrument
        With what, changes included.
    time : str
        When, ISO 8601.
    site : Site or None
        From where; None is the Earth's centre.
    sky : Sky
        The air.
    practice : Practice
        The hand.
    scene : SceneOptions
        What changes on the planets and is told by the user.
    """

    body: Body
    instrument: Instrument
    time: str
    site: Site | None
    sky: Sky
    practice: Practice
    scene: SceneOptions


def read_asked(words: Mapping[str, str], *, needs_time: bool = True) -> Asked:
    """Return what the words of an address mean; what is missing is taken as on a first visit.

    Raises
    ------
    InputError
        For anything that cannot be used.
    """
    time = words.get("time", "")
    if needs_time and not time:
        raise MissingError("time", "give an instant, ISO 8601, UTC unless an offset is given")
    instrument = read_setup(words)
    level = choose("hand", words.get("hand") or "practised", LEVELS)
    # only names that are shipped: a path in a request would reach the disk
    body = choose_subject(choose("body", words.get("body") or BODIES[0], (*BODIES, "star")))
    return Asked(
        body=body,
        instrument=instrument,
        time=time,
        site=read_place(words),
        sky=Sky(seeing_arcsec=_number("seeing", words.get("seeing") or "2")),
        practice=practice_for(instrument, practice_of(level)),
        scene=SceneOptions(red_spot_longitude_deg=_spot(words.get("spot", ""))),
    )


def read_setup(words: Mapping[str, str]) -> Instrument:
    """Return the shipped instrument that is named, with the numbers that are given besides."""
    name = choose("instrument", words.get("instrument") or FIRST_INSTRUMENT, instrument_names())
    numbers = {field: _number(word, words[word]) for word, field in _NUMBERS.items() if words.get(word)}
    return changed(load_instrument(name), Changes(**numbers, pixels=words.get("pixels") or None))


def read_place(words: Mapping[str, str]) -> Site | None:
    """Return the site that the words name; None where they leave it empty."""
    text = words.get("site", FIRST_SITE)
    return parse_site(text) if text.strip() else None


def read_night(words: Mapping[str, str]) -> tuple[str, Site]:
    """Return the date of an evening and the place to which it belongs; tonight where no date is given.

    Raises
    ------
    InputError
        Without a site: a night needs one.
    """
    site = read_place(words)
    if site is None:
        raise MissingError("site", 'a night needs a place: write "LAT,LON[,HEIGHT_M]"')
    return words.get("night") or evening(site), site


def evening(site: Site) -> str:
    """Return the date of the evening of the present night: before local noon that of yesterday."""
    local = datetime.now(UTC) + timedelta(hours=site.longitude_deg / 15.0)
    return f"{local - timedelta(hours=12):%Y-%m-%d}"


def first_state() -> dict[str, str]:
    """Return the state of a first visit: the most rewarding body of tonight, at its best moment, as words."""
    site = parse_site(FIRST_SITE)
    night = evening(site)
    for name in BODIES:
        try:
            best = best_moment(name, night, site)
        except BelowHorizonError:
            continue
        return _state(name, night, f"{best.time.isot[:16]}Z")
    return {**_state(BODIES[0], night, f"{datetime.now(UTC):%Y-%m-%dT%H:%MZ}"), "site": ""}


def _state(body: str, night: str, time: str) -> dict[str, str]:
    shared = {"body": body, "night": night, "time": time, "site": FIRST_SITE, "seeing": "2", "hand": "practised"}
    return {**shared, "instrument": FIRST_INSTRUMENT}


def _spot(text: str) -> float | None:
    return to_float("spot", _number("spot", text), "", -360.0, 720.0) if text.strip() else None


def _number(field: str, text: str) -> float:
    try:
        return float(text)
    except ValueError as error:
        raise InputError(field, text, "give a number") from error
