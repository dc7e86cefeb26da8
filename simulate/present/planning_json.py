"""The JSON of `season` and `plan`: keys and units as promised to scripts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict
from typing import Any

import numpy as np

from simulate.planning.nights import times_of
from simulate.planning.records import CaptureCard, Plan, Season
from simulate.present.contract import line_json, plain

ROUNDED = 6
"""Significant digits of the numbers of long tables: far more than any of them is known to."""


def season_json(
    season: Season, inputs: Mapping[str, Any], warnings: Sequence[str] = (), files: Mapping[str, Any] | None = None
) -> dict[str, Any]:
    """Return the object that `simulate season --json` prints for one body and instrument.

    Parameters
    ----------
    season : Season
        What was found.
    inputs : mapping
        What the user gave.
    warnings : sequence of str
        Reservations; those of the season are added.
    files : mapping, optional
        Kind of file -> path.
    """
    times = season.times_utc
    return {
        "body": season.body,
        "instrument": season.instrument.name,
        "inputs": plain(inputs),
        "warnings": list(dict.fromkeys([*warnings, *season.warnings])),
        "dates": [_date(season, index, time) for index, time in enumerate(times)],
        "best": [{"time": times[i], "merit": _short(season.columns["merit"][i])} for i in season.best],
        "events": [{"time": event.time_utc, "kind": event.kind, "what": event.what} for event in season.events],
        "judged": [
            {"time": times[index], "features": [{"name": line.name, **line_json(line)} for line in lines]}
            for index, lines in season.judged
        ],
        "advice": list(season.advice),
        "files": {kind: str(path) for kind, path in (files or {}).items()},
    }


def _date(season: Season, index: int, time: str) -> dict[str, Any]:
    hidden = ("day_tt", "darkness", "central_meridian_deg")
    row = {name: _short(column[index]) for name, column in season.columns.items() if name not in hidden}
    row["central_meridian_deg"] = _short(season.central_meridian_deg[index])
    row.setdefault("altitude_deg", None)
    return {"time": time, "usable": bool(season.usable[index]), **row}


def _short(value: Any) -> float | None:
    number = plain(value)
    return None if number is None else float(f"{number:.{ROUNDED}g}")


def plan_json(
    plan: Plan, inputs: Mapping[str, Any], warnings: Sequence[str] = (), files: Mapping[str, Any] | None = None
) -> dict[str, Any]:
    """Return the object that `simulate plan --json` prints for one body and instrument.

    Parameters
    ----------
    plan : Plan
        What was found.
    inputs : mapping
        What the user gave.
    warnings : sequence of str
        Reservations; those of the plan are added.
    files : mapping, optional
        Kind of file -> path.
    """
    window = plan.window
    start, end, best = times_of(np.array([window.from_tt, window.until_tt, window.best_tt]))
    seen = plan.apparition
    return {
        "body": plan.body,
        "instrument": plan.instrument.name,
        "night": plan.night,
        "inputs": plain(inputs),
        "warnings": list(dict.fromkeys([*warnings, *plan.warnings])),
        "window": {"from": start, "until": end, "best": best},
        "frame_fwhm_arcsec": _short(plan.sharp_arcsec),
        "merit": _short(plan.merit),
        "curve": [
            {"time": time, **{name: _short(column[i]) for name, column in plan.curve.items()}}
            for i, time in enumerate(plan.times_utc)
        ],
        "sun": [{"time": times_of(np.array([event.day_tt]))[0], "what": event.what} for event in plan.sun],
        "events": [
            {
                "time": entry.event.time_utc,
                "what": entry.event.what,
                "kind": entry.event.kind,
                "altitude_deg": _short(entry.altitude_deg),
                "in_window": bool(entry.in_window),
                "verdict": entry.verdict,
            }
            for entry in plan.events
        ],
        "central_meridian_deg": plain(dict(seen.central_meridian_deg)),
        "features": [{"name": line.name, **line_json(line)} for line in plan.features],
        "card": card_json(plan.card),
        "moon_layer": _layer(plan),
        "trades": None if plan.trades is None else plain(asdict(plan.trades)),
        "advice": list(plan.advice),
        "caution": plan.caution,
        "files": {kind: str(path) for kind, path in (files or {}).items()},
    }


def _layer(plan: Plan) -> dict[str, Any] | None:
    """Return where the planet's middle lies in the layer of moons; pixels from its lower left corner."""
    if plan.layer is None:
        return None
    layer = plan.layer
    place = {"row": layer.middle_row, "column": layer.middle_column}
    return {"moons": list(layer.names), "time": layer.time_utc, "planet_middle_px": place}


def card_json(card: CaptureCard) -> dict[str, Any]:
    """Return the capture card as plain JSON."""
    values = plain(asdict(card))
    longest = values.pop("longest")
    values["longest_recording_s"] = {"strict": longest["strict_s"], "usual": longest["usual_s"]}
    values["rotation_arcsec_per_min"] = longest["motion_arcsec_per_min"]
    values["white_balance"] = dict(card.white_balance)
    return values
