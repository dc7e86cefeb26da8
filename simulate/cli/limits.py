"""Tell what can be seen of a planet, from which aperture on, and what stands in the way.

For each feature: the verdict along a ladder of apertures, the smallest aperture, how much contrast each
step of the light's way takes, and what would help most. Several --instrument options are compared in
one table; the first one's camera, obstruction and errors make the ladder.
"""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING, Any

from simulate.cli import common
from simulate.errors import InputError, kept_warnings

if TYPE_CHECKING:
    from simulate.commands.limits import LimitsOptions


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options of `simulate limits`."""
    parser.add_argument("body", metavar="BODY", help="a planet, or the path of a body's TOML file")
    common.add_instruments(parser)
    common.add_when_where(parser)
    common.add_air(parser)
    common.add_practice(parser)
    judging = parser.add_argument_group("judging")
    judging.add_argument("--apertures", metavar="MM,MM,...", help="the family (default 30 to 400 mm in twelve steps)")
    judging.add_argument("--feature", metavar="NAME", help="feature of the loss budget (default: the hardest not lost)")
    judging.add_argument(
        "--floor", type=float, metavar="SHARE",
        help="rms of what never averages out, of the brightness in each resolution element (default 0.01)",
    )  # fmt: skip
    common.add_face(judging)
    common.add_output(parser)


def run(arguments: argparse.Namespace) -> int:
    """Compute, write and tell; returns the exit code."""
    from simulate.commands.limits import limits
    from simulate.light.subject import choose_subject
    from simulate.present.limits import limits_json, limits_text
    from simulate.present.limits_charts import write_charts

    with kept_warnings() as warnings:
        options = _options(arguments)
        common.check_folder(arguments.output)
        site = common.read_site(arguments.site)
        found = limits(
            arguments.body,
            common.read_instruments(arguments.instrument),
            common.read_time(arguments, choose_subject(arguments.body), site),
            site,
            sky=common.read_sky(arguments),
            options=options,
            ephemeris=arguments.ephemeris,
        )
        stamp = common.file_time(found.apparition.time_utc)
        # only now, so that a refused body leaves no empty folder behind
        files = write_charts(common.check_folder(arguments.output), f"limits_{found.body}_{stamp}", found)
    told = [*dict.fromkeys([*found.warnings, *warnings])]
    if arguments.json:
        inputs: dict[str, Any] = {name: value for name, value in vars(arguments).items() if value is not None}
        common.print_json({**limits_json(found, inputs, files), "warnings": told})
        return 0
    print(limits_text(found))
    print()
    for kind, path in files.items():
        print(f"{kind} {path}")
    for sentence in told:
        common.tell(f"note: {sentence}")
    return 0


def _options(arguments: argparse.Namespace) -> LimitsOptions:
    from simulate.commands.limits import APERTURES_MM, LimitsOptions
    from simulate.values.checks import to_float
    from simulate.values.practice import practice_of

    practice = common.read_practice(arguments)
    if arguments.floor is not None:
        floor = to_float("--floor", arguments.floor, "", 0.0, 0.5)
        practice = practice_of(practice or "practised", floor=floor)
    return LimitsOptions(
        apertures_mm=APERTURES_MM if arguments.apertures is None else _apertures(arguments.apertures),
        scene=common.read_face(arguments),
        feature=arguments.feature,
        practice=practice,
    )


def _apertures(text: str) -> tuple[float, ...]:
    try:
        return tuple(float(part) for part in text.replace("mm", "").split(","))
    except ValueError as error:
        raise InputError("--apertures", text, "give numbers in mm with commas between, such as 50,100,200") from error
