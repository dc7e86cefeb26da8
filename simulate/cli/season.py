"""Follow a body over months and years, and find when it is at its best through your instrument.

Writes a chart, a strip of pictures at one scale and a calendar file of the events; several bodies and
several --instrument options make every pairing. BODY is mercury, venus, mars, jupiter, saturn, uranus,
neptune, moon, a satellite, or the path of a body's TOML file.
"""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any

from simulate.cli import common
from simulate.errors import InputError, kept_warnings

if TYPE_CHECKING:
    from simulate.commands.season import SeasonOptions
    from simulate.planning.records import Season


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options of `simulate season`."""
    parser.add_argument("bodies", metavar="BODY", nargs="+", help="a name, or the path of a body's TOML file")
    parser.add_argument("--from", dest="start", metavar="DATE", help="first date, or a month or year (default: today)")
    parser.add_argument(
        "--until", metavar="DATE", help="last date, or a month or year to its end (default: a year later)"
    )
    parser.add_argument("--step", metavar="TIME", help='between dates, e.g. "7 day" (default: about 150 dates)')
    parser.add_argument("--hour", metavar="HH:MM", help="look at this hour UTC of each night (default: at its best)")
    common.add_instruments(parser)
    common.add_where(parser)
    common.add_air(parser)
    common.add_practice(parser)
    parser.add_argument("--judged", type=int, metavar="N", help="dates judged in full (default 2 or 3)")
    parser.add_argument("--pictures", type=int, default=6, metavar="N", help="pictures in the strip; 0 for none")
    parser.add_argument(
        "--moons", action="store_true", help="list what Jupiter's moons and red spot do in the dark (up to 100 days)"
    )
    common.add_face(parser, dust=False)
    common.add_spread(parser)
    common.add_output(parser)


def run(arguments: argparse.Namespace) -> int:
    """Compute, write and tell; returns the exit code."""
    from simulate.commands.season import alike_once

    with kept_warnings() as warnings:
        folder = common.check_folder(arguments.output)
        seasons = _seasons(arguments)
        files = [write_season(found, folder) for found in seasons]
    if arguments.json:
        common.print_json(_document(arguments, seasons, files, list(warnings)))
        return 0
    _print_text(seasons, files)
    told = [text for found in seasons for text in found.warnings]
    for sentence in alike_once([*warnings, *told]):
        common.tell(f"note: {sentence}")
    return 0


def _seasons(arguments: argparse.Namespace) -> list[Season]:
    from simulate.commands.season import season, season_task
    from simulate.light.subject import choose_subject
    from simulate.present.progress import Reporter
    from simulate.recording.workers import open_executor

    start, end = _span(arguments)
    bodies = list(dict.fromkeys(choose_subject(name, star=False) for name in arguments.bodies))
    tools = common.read_instruments(arguments.instrument)
    site, sky, options = common.read_site(arguments.site), common.read_sky(arguments), _options(arguments)
    for body in bodies:  # what cannot be had is said before the first of them takes its time
        season_task(body, start, end, site, options)
    found = []
    with (
        open_executor(arguments.processes, arguments.scheduler) as executor,
        Reporter("seasons", len(bodies) * len(tools)) as reporter,
    ):
        for body in bodies:
            for tool in tools:
                found.append(season(body, start, end, tool, site, sky=sky, options=options, executor=executor))
                reporter.step(f"{body.name} through {tool.name}")
    # a body without judged features has no merit and comes last
    return sorted(found, key=lambda entry: -float(entry.columns["merit"].max()) if entry.judged else 0.0)


def _span(arguments: argparse.Namespace) -> tuple[str, str]:
    from datetime import UTC, date, datetime, timedelta

    start = _date("--from", arguments.start) if arguments.start else f"{datetime.now(UTC):%Y-%m-%d}"
    if arguments.until:
        return start, _date("--until", arguments.until, last=True)
    return start, f"{date.fromisoformat(start[:10]) + timedelta(days=365)}"


def _date(option: str, text: str, *, last: bool = False) -> str:
    """Return a date; "2026" and "2026-12" mean their first day, or with `last` their last."""
    import re
    from calendar import monthrange

    from simulate.geometry import parse_time

    allowed = 'write a date of the years 1900 to 2099 such as "2026", "2026-12" or "2026-12-20"'
    found = re.fullmatch(r"(\d{4})(?:-(0[1-9]|1[0-2]))?", text.strip(), re.ASCII)
    whole = text.strip()
    if found:
        year, month = int(found[1]), int(found[2] or (12 if last else 1))
        day = monthrange(year, month)[1] if last and year > 0 else 1
        whole = f"{year:04d}-{month:02d}-{day:02d}"
    try:
        parse_time(whole)
    except InputError as error:
        raise InputError(option, text, allowed) from error
    return whole


def _options(arguments: argparse.Namespace) -> SeasonOptions:
    from simulate.commands.season import SeasonOptions
    from simulate.light.look import ViewOptions

    step = common.read_number(arguments, "step", "day", 0.01, 366.0)
    if not 0 <= arguments.pictures <= 24:
        raise InputError("--pictures", arguments.pictures, "give from 0 to 24")
    if arguments.judged is not None and not 1 <= arguments.judged <= 100:
        raise InputError("--judged", arguments.judged, "give from 1 to 100")
    view = ViewOptions(scene=common.read_face(arguments), practice=common.read_practice(arguments))
    hour = None if arguments.hour is None else _hour(arguments.hour)
    return SeasonOptions(
        step_days=step,
        judged=arguments.judged,
        pictures=arguments.pictures,
        view=view,
        ephemeris=arguments.ephemeris,
        moons=arguments.moons,
        hour_utc=hour,
    )


def _hour(text: str) -> float:
    import re

    found = re.fullmatch(r"([01]?\d|2[0-3]):([0-5]\d)", text.strip(), re.ASCII)
    if found is None:
        raise InputError("--hour", text, 'write an hour such as "21:00", UTC')
    return int(found.group(1)) + int(found.group(2)) / 60.0


def write_season(found: Season, folder: Path) -> dict[str, str]:
    """Write chart, strip and calendar of a season; return kind of file -> path."""
    from simulate.present.planning_calendar import Entry, write_calendar
    from simulate.present.planning_chart import write_season_chart, write_strip

    first, last = (found.times_utc[index][:10] for index in (0, -1))
    stem = folder / f"{found.body}_{common.file_word(found.instrument.name)}_{first}_{last}"
    files = {"chart": str(write_season_chart(f"{stem}_season.png", found))}
    if found.strip:
        files["strip"] = str(write_strip(f"{stem}_strip.png", found))
    title = found.subject.title
    entries = [Entry(event.day_tt, event.day_tt, f"{title}: {event.what}") for event in found.events]
    for rank, index in enumerate(found.best, 1):
        day = float(found.days_tt[index])
        entries.append(Entry(day, day + 1 / 24, f"{title}: best date {rank}", f"through {found.instrument.name}"))
    files["calendar"] = str(write_calendar(f"{stem}.ics", entries, f"{title} season", float(found.days_tt[0])))
    return files


def _document(
    arguments: argparse.Namespace, seasons: list[Season], files: list[dict[str, str]], warnings: list[str]
) -> dict[str, Any]:
    from simulate.present.planning_json import season_json

    inputs = {name: value for name, value in vars(arguments).items() if value is not None}
    several = [season_json(found, inputs, warnings, paths) for found, paths in zip(seasons, files, strict=True)]
    return {**several[0], "others": several[1:]}


def _print_text(seasons: list[Season], files: list[dict[str, str]]) -> None:
    import sys

    from simulate.present.planning_text import season_text

    plain = "utf" not in (sys.stdout.encoding or "").lower()
    for found, paths in zip(seasons, files, strict=True):
        print(season_text(found, plain=plain))
        print()
        for kind, path in paths.items():
            print(f"{kind:<9} {path}")
        print()
