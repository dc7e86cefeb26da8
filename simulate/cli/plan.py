"""Plan a night: the window, what happens in it, and how to record it.

Writes a chart and a calendar file for each pairing. Without a BODY all planets are weighed against each
other: what to look at tonight. BODY is mercury, venus, mars, jupiter, saturn, uranus, neptune, moon, a
satellite, or the path of a body's TOML file; several bodies and several --instrument options are ranked.
"""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any

from simulate.cli import common
from simulate.errors import MissingError, kept_warnings

if TYPE_CHECKING:
    from simulate.commands.plan import PlanOptions
    from simulate.geometry import Site
    from simulate.planning.records import Plan


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options of `simulate plan`."""
    parser.add_argument(
        "bodies", metavar="BODY", nargs="*", help="a name, or the path of a body's TOML file (default: all planets)"
    )
    parser.add_argument("--night", metavar="DATE", help="evening date at the site (default: tonight)")
    common.add_instruments(parser)
    common.add_where(parser)
    common.add_air(parser)
    common.add_practice(parser)
    recording = parser.add_argument_group("recording (chosen automatically where not given)")
    common.add_recording(recording)
    common.add_keep(recording)
    common.add_face(parser, dust=False)
    parser.add_argument(
        "--station-range", metavar="LENGTH", help='distance of a space station that crosses the Moon, e.g. "600 km"'
    )
    parser.add_argument(
        "--trades", action="store_true", help="also chart what gain, share and number of frames and sharpening do"
    )
    parser.add_argument("--quick", action="store_true", help="do not judge each event through the instrument")
    common.add_spread(parser)
    common.add_output(parser)


def run(arguments: argparse.Namespace) -> int:
    """Compute, write and tell; returns the exit code."""
    with kept_warnings() as warnings:
        folder = common.check_folder(arguments.output)
        plans, refused = _plans(arguments)
        files = [write_plan(found, folder) for found in plans]
    if arguments.json:
        common.print_json(_document(arguments, plans, files, [*warnings, *refused]))
        return 0
    _print_text(plans, refused, files)
    for sentence in dict.fromkeys(warnings):
        common.tell(f"note: {sentence}")
    return 0


def _plans(arguments: argparse.Namespace) -> tuple[tuple[Plan, ...], tuple[str, ...]]:
    from simulate.commands.plan import plans
    from simulate.light.subject import choose_subject, planet_names
    from simulate.recording.workers import open_executor

    site = common.read_site(arguments.site)
    if site is None:
        raise MissingError("--site", 'a night needs a place: give "LAT,LON[,HEIGHT_M]"')
    bodies = list(dict.fromkeys(choose_subject(name, star=False) for name in arguments.bodies or planet_names()))
    night = arguments.night or tonight(site)
    tools, sky, options = common.read_instruments(arguments.instrument), common.read_sky(arguments), _options(arguments)
    with open_executor(arguments.processes, arguments.scheduler) as executor:
        return plans(bodies, night, site, tools, sky=sky, options=options, executor=executor)


def tonight(site: Site) -> str:
    """Return the date of the evening of the present night at a site: before local noon that of yesterday."""
    from datetime import UTC, datetime, timedelta

    local = datetime.now(UTC) + timedelta(hours=site.longitude_deg / 15.0)
    return f"{local - timedelta(hours=12):%Y-%m-%d}"


def _options(arguments: argparse.Namespace) -> PlanOptions:
    from simulate.commands.plan import PlanOptions
    from simulate.light.look import ViewOptions

    scene = common.read_face(arguments)
    practice = common.read_practice(arguments)
    view = ViewOptions(common.read_wishes(arguments), common.read_gain(arguments), scene, practice=practice)
    far = common.read_number(arguments, "station-range", "km", 100.0, 10000.0)
    return PlanOptions(
        view, arguments.ephemeris, judge_events=not arguments.quick, station_km=far, trades=arguments.trades
    )


def write_plan(found: Plan, folder: Path) -> dict[str, str]:
    """Write charts, calendar and layer of moons of a plan; return kind of file -> path."""
    from simulate.present.planning_calendar import Entry, write_calendar
    from simulate.present.planning_chart import write_night_chart
    from simulate.present.planning_trades import write_moon_layer, write_trades_chart

    stem = folder / f"{found.body}_{common.file_word(found.instrument.name)}_{found.night}"
    title, window = found.subject.title, found.window
    entries = [Entry(window.from_tt, window.until_tt, f"{title}: best window", " ".join(found.advice))]
    for entry in found.events:
        shown = f" ({entry.verdict})" if entry.verdict else ""
        entries.append(Entry(entry.event.day_tt, entry.event.day_tt, f"{title}: {entry.event.what}{shown}"))
    files = {
        "chart": str(write_night_chart(f"{stem}_night.png", found)),
        "calendar": str(write_calendar(f"{stem}_night.ics", entries, f"{title} {found.night}", window.best_tt)),
    }
    if found.trades is not None:
        files["trades"] = str(write_trades_chart(f"{stem}_trades.png", found))
    if found.layer is not None:
        files["moons"] = str(write_moon_layer(f"{stem}_moons.png", found.layer))
    return files


def _document(
    arguments: argparse.Namespace, plans: tuple[Plan, ...], files: list[dict[str, str]], warnings: list[str]
) -> dict[str, Any]:
    from simulate.present.planning_json import plan_json

    inputs = {name: value for name, value in vars(arguments).items() if value is not None}
    several = [plan_json(found, inputs, warnings, paths) for found, paths in zip(plans, files, strict=True)]
    return {**several[0], "others": several[1:]}


def _print_text(plans: tuple[Plan, ...], refused: tuple[str, ...], files: list[dict[str, str]]) -> None:
    import sys

    from simulate.present.planning_text import plan_text, ranking_text

    plain = "utf" not in (sys.stdout.encoding or "").lower()
    if len(plans) > 1 or refused:
        print(ranking_text(plans, refused, plain=plain))
        print()
    for found, paths in zip(plans, files, strict=True):
        print(plan_text(found, plain=plain))
        print()
        for kind, path in paths.items():
            note = " (transparent: a layer to lay over a picture)" if kind == "moons" else ""
            print(f"{kind:<9} {path}{note}")
        print()
