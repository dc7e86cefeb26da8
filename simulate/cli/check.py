"""Compare a finished picture with what physics allowed: how good it is, what it tells, what went wrong.

PICTURE is a PNG, TIFF, FITS or JPEG file, of 8 or 16 bits, grey or colour; it may be enlarged, turned,
mirrored, cropped and stretched, and is only ever read. BODY is the planet that it shows.
"""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from simulate.cli import common
from simulate.errors import MissingError, kept_warnings

if TYPE_CHECKING:
    from simulate.checking.check import CheckOptions
    from simulate.checking.results import Check


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options of `simulate check`."""
    parser.add_argument("picture", metavar="PICTURE", help="the picture")
    parser.add_argument("body", metavar="BODY", help="the planet that it shows")
    common.add_instruments(parser, several=False)
    common.add_when_where(parser, night=False)
    common.add_air(parser)
    told = parser.add_argument_group("the picture")
    told.add_argument(
        "--enlarged", type=float, default=1.0, metavar="FACTOR", help="by which it was enlarged after the camera"
    )
    told.add_argument("--twin", metavar="FEATURE", help="try whether this detail is real or made by processing")
    told.add_argument(
        "--compared-with", metavar="TIME", help="instant of another picture by this setup: why is it better?"
    )
    told.add_argument("--compared-picture", metavar="FILE", help="that picture, if it is at hand")
    told.add_argument("--compared-site", metavar="PLACE", help="from where it was taken, as for --site")
    common.add_face(told)
    told.add_argument("--no-files", action="store_true", help="write no sheet, labels and animation")
    common.add_output(parser)
    common.add_seed(parser, "the twin's noise")


def run(arguments: argparse.Namespace) -> int:
    """Check, write and tell; returns the exit code."""
    from simulate.checking.check import check

    if arguments.time is None:
        raise MissingError("--time", "give the instant of the picture: the middle of the recording")
    with kept_warnings():
        base = None if arguments.no_files else _base(arguments)
        site = common.read_site(arguments.site)
        instrument = common.read_instruments([arguments.instrument])[0]
        sky = common.read_sky(arguments)
        options = _options(arguments)
        result = check(
            arguments.picture,
            arguments.body,
            instrument,
            arguments.time,
            site,
            sky=sky,
            options=options,
            seed=common.read_seed(arguments),
            ephemeris=arguments.ephemeris,
        )
        # only now, so that a refused picture leaves no empty folder behind
        files = {} if base is None else write_check(result, common.check_folder(arguments.output) / base.name)
    if arguments.json:
        from simulate.checking.contract import check_json

        inputs = {name: value for name, value in vars(arguments).items() if value is not None}
        common.print_json(check_json(result, inputs, list(result.warnings), files))
        return 0
    _print_text(result, files)
    return 0


def _options(arguments: argparse.Namespace) -> CheckOptions:
    from simulate.checking.check import CheckOptions

    scene = common.read_face(arguments)
    return CheckOptions(
        arguments.twin,
        arguments.enlarged,
        scene=scene,
        compared_with=arguments.compared_with,
        compared_picture=arguments.compared_picture,
        compared_site=arguments.compared_site,
    )


def _base(arguments: argparse.Namespace) -> Path:
    """Return the common path of the files, before anything is computed; refuses to lay them over others."""
    from simulate.checking.files import check_base

    others = [] if arguments.compared_picture is None else [Path(arguments.compared_picture)]
    return check_base(Path(arguments.output), Path(arguments.picture), others)


def write_check(result: Check, base: Path) -> dict[str, str]:
    """Write sheet, labelled copy and animation of a check beside each other; returns paths by kind."""
    from simulate.checking.sheet import write_blink, write_check_sheet, write_labelled

    files = {
        "sheet": str(write_check_sheet(f"{base}.png", result)),
        "labels": str(write_labelled(f"{base}_labels.png", result)),
    }
    return files | {kind: str(path) for kind, path in write_blink(base, result).items()}


def _print_text(result: Check, files: dict[str, str]) -> None:
    from simulate.checking.words import check_lines, detail_lines, feature_lines

    print(f"{result.body.capitalize()} through {result.instrument.name}, {result.told_utc}")
    for label, text in check_lines(result):
        print(f"  {label:<16} {text}")
    if result.features:
        print("  feature                        in the picture   to be had")
        for name, told, due in feature_lines(result):
            print(f"    {name:<30} {told:>12} {due:>12}".rstrip())
    for title, lines in detail_lines(result):
        print(f"  {title}")
        for line in lines:
            print(f"    {line}")
    for kind, path in files.items():
        print(f"  {kind:<10} {path}")
    for sentence in result.warnings:
        common.tell(f"note: {sentence}")
