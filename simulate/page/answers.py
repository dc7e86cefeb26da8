"""Results as the page draws them: numbers and sentences as JSON, pictures as bare pixels."""

from __future__ import annotations

import json
import struct
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from simulate.bodies import feature_names, load_body
from simulate.checking.check import CheckOptions, check
from simulate.checking.reading import read_picture
from simulate.checking.sheet import write_check_sheet
from simulate.checking.words import check_lines, detail_lines, feature_lines
from simulate.commands.limits import LimitsOptions, limits
from simulate.commands.plan import PlanOptions, plan
from simulate.commands.season import SeasonOptions, season
from simulate.commands.view import view
from simulate.errors import InputError
from simulate.geometry import Apparition, apparition_table, best_moment, night_of, parse_time
from simulate.instruments import Instrument, instrument_names, load_instrument
from simulate.light.look import ViewOptions
from simulate.page.asked import BODIES, Asked
from simulate.present.caution import caution_for
from simulate.present.images import screen_values, top_first, whole_numbers
from simulate.present.limits import label
from simulate.present.planning_text import card_rows
from simulate.present.sheet import field_arcsec, panels, pointed_at
from simulate.present.words import GROUPS, facts, headline, instrument_text, provenance, when_text, where_text
from simulate.results.limits import Limits, SmallestAperture
from simulate.results.view import Picture, View

PICTURE = "the picture dropped here"
"""What messages call a file that came from the browser, which tells no path."""

SPOT = "red spot"
"""What moves against the longitudes of its body and must be told."""

NIGHT_MINUTES = 10
"""Between the points of the altitude's curve over a night."""

LIT_SUN_DEG = -0.833
"""Altitude of the Sun's centre at sunset: its radius and refraction at the horizon (as almanacs have it)."""


@dataclass(frozen=True, eq=False)
class Answer:
    """What goes to the page.

    Parameters
    ----------
    told : dict
        Numbers and sentences.
    pixels : sequence of uint8 arrays, shape (rows, columns, 4)
        Pictures, the top row first; `told` says what they show.
    """

    told: dict[str, Any]
    pixels: Sequence[npt.NDArray[np.uint8]] = ()

    def packed(self) -> bytes:
        """Return the length of the JSON text (4 bytes, little end first), the text, and the pixels."""
        text = json.dumps(self.told, allow_nan=False).encode()
        return b"".join([struct.pack("<I", len(text)), text, *(picture.tobytes() for picture in self.pixels)])


def looked(asked: Asked, *, judge: bool) -> View:
    """Return the view that is asked for."""
    options = ViewOptions(judge=judge, practice=asked.practice, scene=asked.scene)
    return view(asked.body, asked.instrument, asked.time, asked.site, sky=asked.sky, options=options)


def picture_answer(asked: Asked, *, judge: bool) -> Answer:
    """Return the pictures of a setup and what is to be said of them, with verdicts where they are wanted."""
    shown = looked(asked, judge=judge)
    seen, point = shown.apparition, shown.apparition.equatorial_diameter_arcsec == 0
    pictures, pixels = [], []
    through = f"{shown.subject.title} through {shown.instrument.name}"
    for panel in panels(shown):
        values = panel.picture.values
        pixels.append(coloured(values / max(float(values.max()), 1e-30) if point else values))
        pictures.append(
            {
                "title": panel.title,
                "note": panel.note,
                "smooth": panel.how != "pixels",
                **_placed(panel.picture),
                "sentence": f"{through}, {panel.title.lower()}: {panel.note}.",
            }
        )
    east, north = pointed_at(shown)
    told = {
        "pictures": pictures,
        "field_arcsec": field_arcsec(shown),
        "middle": [east, north],
        "title": shown.subject.title,
        "instrument": shown.instrument.name,
        "when": when_text(seen.time_utc),
        "where": where_text(seen.site),
        "headline": headline(shown),
        "setup": instrument_text(shown.instrument),
        "facts": [[GROUPS[fact.group], fact.label, fact.text] for fact in facts(shown)],
        "caution": None if shown.subject.kind == "star" else caution_of(seen),
        "notes": list(shown.warnings),
        "judged": judge,
        "verdicts": [[line.name, line.verdict, line.contrast, line.snr] for line in shown.features],
        "hand": shown.practice.level,
        "levels": [
            [level.practice.level, [[line.name, line.verdict] for line in level.features]] for level in shown.levels
        ],
        "provenance": provenance(shown),
    }
    return Answer(told, pixels)


def caution_of(seen: Apparition) -> str | None:
    """Return the caution for a body where it stands; None where none is called for."""
    return caution_for(seen.elongation_deg, seen.sun_altitude_deg)


def coloured(linear: npt.NDArray[np.floating]) -> npt.NDArray[np.uint8]:
    """Return linear colours as bytes of red, green, blue and opacity, the top row first."""
    bytes_of = whole_numbers(screen_values(linear), 8)
    opaque = np.full((*bytes_of.shape[:2], 1), 255, np.uint8)
    return np.ascontiguousarray(top_first(np.concatenate([bytes_of.astype(np.uint8), opaque], axis=2)))


def _placed(picture: Picture) -> dict[str, Any]:
    """Return the size of a picture and where its pixels lie: see `Placement`; rows count from the bottom there."""
    place = picture.placement
    rows, columns = picture.shape
    linear = [place.east_per_column, place.east_per_row, place.north_per_column, place.north_per_row]
    return {
        "rows": rows,
        "columns": columns,
        "place": [*linear, place.middle_east_arcsec, place.middle_north_arcsec],
    }


def night_answer(body_name: str, night: str, site: Any) -> Answer:
    """Return how a body and the Sun stand over a night, from sunset to sunrise, and the best moment."""
    first, last = night_of(night, site)
    steps = round((last - first).to_value("min") / NIGHT_MINUTES)  # pyright: ignore[reportArgumentType, reportOperatorIssue]
    times = first + np.arange(steps + 1) / steps * (last - first)
    table = apparition_table(load_body(body_name), times, site)
    sun = np.asarray(table["sun_altitude_deg"])
    dark = np.flatnonzero(sun < LIT_SUN_DEG)
    chosen = slice(max(dark[0] - 1, 0), dark[-1] + 2) if dark.size else slice(None)
    best, why = None, ""
    try:
        best = f"{best_moment(body_name, night, site).time.isot[:16]}Z"
    except InputError as error:
        why = str(error)
    told = {
        "night": night,
        "times": [f"{text[:16]}Z" for text in table.times_utc[chosen]],
        "altitude": _rounded(table["altitude_deg"][chosen], 2),
        "sun": _rounded(sun[chosen], 2),
        "best": best,
        "why": why,
    }
    return Answer(told)


def choices_answer(first: dict[str, str]) -> Answer:
    """Return what can be chosen on the page, and the state of a first visit."""
    tools = [setup_told(load_instrument(name)) for name in instrument_names()]
    bodies = [
        [name, known.title, SPOT in feature_names(known, minor=True)]
        for name, known in zip(BODIES, map(load_body, BODIES), strict=True)
    ]
    return Answer({"instruments": tools, "bodies": bodies, "first": first})


def setup_told(tool: Instrument) -> dict[str, Any]:
    """Return the numbers of an instrument that the page lets change."""
    optics, camera = tool.telescope, tool.camera
    return {
        "name": tool.name,
        "description": tool.description,
        "aperture": optics.aperture_mm,
        "focal": optics.focal_length_mm,
        "obstruction": optics.obstruction_mm,
        "amplifier": optics.amplifier,
        "pixel": camera.pixel_um,
        "pixels": "mono" if camera.is_mono else "colour",
    }


def ladder_answer(asked: Asked) -> Answer:
    """Return what each aperture of a family shows, and the smallest that shows each feature."""
    options = LimitsOptions(practice=asked.practice, scene=asked.scene)
    found = limits(asked.body, asked.instrument, asked.time, asked.site, sky=asked.sky, options=options)
    # the ladder is drawn at some levels only; the words are those of the hand that was asked for
    drawn = asked.practice.level if asked.practice.level in found.pictures else next(iter(found.pictures))
    limit = found.thresholds
    rows = [
        [
            label(found.ladder[0][place].name),
            [limit.verdict(rung[place].contrast, rung[place].snr) for rung in found.ladder],
        ]
        for place in range(len(found.ladder[0]))
    ]
    told = {
        "title": found.subject.title,
        "hand": found.practice.level,
        "drawn": drawn,
        "apertures": [float(size) for size in found.apertures_mm],
        "rows": rows,
        "smallest": [_smallest(found, entry) for entry in found.smallest],
        "pictures": [
            {"rows": picture.shape[0], "columns": picture.shape[1], "aperture": float(size)}
            for size, picture in zip(found.apertures_mm, found.pictures[drawn], strict=True)
        ],
        "gains": [
            f"{change.change}: {change.feature} {change.before}, then {change.after}"
            for change in found.improvements[:5]
        ],
        "notes": list(found.warnings),
        "caution": caution_of(found.apparition),
    }
    return Answer(told, [coloured(picture) for picture in found.pictures[drawn]])


def _smallest(found: Limits, entry: SmallestAperture) -> list[str]:
    def size(value: float | None) -> str:
        if value is None:
            return f"more than {found.apertures_mm[-1]:g} mm"
        return f"{value:.0f} mm" if value > found.apertures_mm[0] else f"{found.apertures_mm[0]:g} mm or less"

    return [label(entry.feature), size(entry.doubtful_mm), size(entry.clear_mm)]


def tonight_answer(asked: Asked, night: str, site: Any) -> Answer:
    """Return the course of a night, its events, its best window and how to record then."""
    options = PlanOptions(ViewOptions(practice=asked.practice, scene=asked.scene), judge_events=False)
    found = plan(asked.body, night, site, asked.instrument, sky=asked.sky, options=options)
    times = found.times_utc
    first, last = (int(np.argmin(np.abs(found.days_tt - day))) for day in (found.window.from_tt, found.window.until_tt))
    told = {
        "title": f"{found.subject.title}, night of {found.night}",
        "times": [f"{text[:16]}Z" for text in times],
        "altitude": _rounded(found.curve["altitude_deg"], 2),
        "sun": _rounded(found.curve["sun_altitude_deg"], 2),
        "window": [first, last],
        "best": f"{found.apparition.time_utc[:16]}Z",
        "events": [
            [f"{entry.event.time_utc[:16]}Z", entry.event.what, round(entry.altitude_deg), entry.in_window]
            for entry in found.events
        ],
        "advice": list(found.advice),
        "card": [list(row) for row in card_rows(found.card)],
        "caution": found.caution,
        "notes": list(found.warnings),
    }
    return Answer(told)


def season_answer(asked: Asked, start: str) -> Answer:
    """Return a year of a body through a setup: how much there is to see on each date, and the best of them."""
    end = f"{date.fromisoformat(start) + timedelta(days=365)}"
    options = SeasonOptions(step_days=5.0, judged=1, view=ViewOptions(practice=asked.practice, scene=asked.scene))
    found = season(asked.body, start, end, asked.instrument, asked.site, sky=asked.sky, options=options)
    columns = found.columns
    told = {
        "title": f"{found.subject.title}, {start} to {end}",
        "times": [f"{text[:16]}Z" for text in found.times_utc],
        "usable": [bool(good) for good in found.usable],
        "size": _rounded(columns["equatorial_diameter_arcsec"], 2),
        "altitude": _rounded(columns["altitude_deg"], 1) if "altitude_deg" in columns else [],
        "elements": _rounded(columns["elements"], 1),
        "best": [int(index) for index in found.best],
        "events": [[f"{event.time_utc[:16]}Z", event.what] for event in found.events],
        "advice": list(found.advice),
        "notes": list(found.warnings),
    }
    return Answer(told)


def check_answer(asked: Asked, content: bytes) -> Answer:
    """Return what theory says of a picture that was dropped on the page; nothing of it is kept.

    It goes through the same door as a file that is named on the command line; for that it lies for a moment in a
    folder that only this user can open.
    """
    with tempfile.TemporaryDirectory(prefix="simulate-") as folder:
        place = Path(folder) / "picture"
        place.write_bytes(content)
        try:
            picture = read_picture(place)
        except InputError as error:
            raise InputError("PICTURE", PICTURE, error.allowed) from error
        place.unlink()
        result = check(
            picture,
            asked.body,
            asked.instrument,
            asked.time,
            asked.site,
            sky=asked.sky,
            options=CheckOptions(scene=asked.scene),
        )
        sheet = write_check_sheet(Path(folder) / "sheet.png", result).read_bytes()
    told = {
        "title": f"{asked.body.title} through {result.instrument.name}",
        "lines": [list(line) for line in check_lines(result)],
        "lists": [[title, lines] for title, lines in detail_lines(result)],
        "features": [list(line) for line in feature_lines(result)],
        "notes": list(result.warnings),
        "caution": caution_of(result.apparition),
        "sheet_bytes": len(sheet),
    }
    return Answer(told, [np.frombuffer(sheet, np.uint8)])


def check_date(text: str) -> str:
    """Return a date as it was given, if it is one of the years that the ephemeris covers."""
    try:
        parse_time(date.fromisoformat(text).isoformat())
    except ValueError as error:
        raise InputError("from", text, 'write a date such as "2026-12-20"') from error
    return text


def _rounded(values: Any, digits: int) -> list[float | None]:
    return [round(float(value), digits) if np.isfinite(value) else None for value in np.asarray(values)]
