"""Compare a finished picture with what physics allowed: how good it is, what it tells, what went wrong.

PICTURE is a PNG, TIFF, FITS or JPEG file, of 8 or 16 bits, grey or colour; it may be enlarged, turned,
mirrored, cropped and stretched, and is only ever read. BODY is the planet that it shows.
"""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from simulate.cli import common
from simulate.errors import InputError, kept_warnings

if TYPE_CHECKING:
    from simulate.compose.check import CheckOptions
    from simulate.judgement.checking.results import Check


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
    told.add_argument("--red-spot", type=float, metavar="DEG", help="System II longitude of Jupiter's red spot")
    told.add_argument("--dust", type=float, default=0.0, help="Martian dust, 0 clear to 1 global storm")
    told.add_argument("--no-files", action="store_true", help="write no sheet, labels and animation")
    common.add_output(parser)
    common.add_seed(parser, "the twin's noise")


def run(arguments: argparse.Namespace) -> int:
    """Check, write and tell; returns the exit code."""
    from simulate.compose.check import check

    if arguments.time is None:
        raise InputError("--time", "nothing", "give the instant of the picture: the middle of the recording")
    with kept_warnings():
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
            seed=arguments.seed,
            ephemeris=arguments.ephemeris,
        )
        # only now, so that a refused picture leaves no empty folder behind
        folder = None if arguments.no_files else common.output_folder(arguments.output)
        files = {} if folder is None else write_check(result, folder, Path(arguments.picture).stem)
    if arguments.json:
        from simulate.present.check_json import check_json

        inputs = {name: value for name, value in vars(arguments).items() if value is not None}
        common.print_json(check_json(result, inputs, list(result.warnings), files))
        return 0
    _print_text(result, files)
    return 0


def _options(arguments: argparse.Namespace) -> CheckOptions:
    from simulate.compose.check import CheckOptions
    from simulate.scene import SceneOptions
    from simulate.values.checks import to_float

    spot = arguments.red_spot
    scene = SceneOptions(
        red_spot_longitude_deg=None if spot is None else to_float("--red-spot", spot, "", -360.0, 720.0),
        dust=to_float("--dust", arguments.dust, "", 0.0, 1.0),
    )
    return CheckOptions(
        arguments.twin,
        arguments.enlarged,
        scene=scene,
        compared_with=arguments.compared_with,
        compared_picture=arguments.compared_picture,
    )


def write_check(result: Check, folder: Path, stem: str) -> dict[str, str]:
    """Write sheet, labelled copy and animation of a check; returns paths by kind."""
    from simulate.present.check_sheet import write_blink, write_check_sheet, write_labelled

    base = folder / f"{stem}_check"
    files = {
        "sheet": str(write_check_sheet(f"{base}.png", result)),
        "labels": str(write_labelled(f"{base}_labels.png", result)),
    }
    return files | {kind: str(path) for kind, path in write_blink(base, result).items()}


def _print_text(result: Check, files: dict[str, str]) -> None:
    from simulate.present.check_words import check_lines, detail_lines

    print(f"{result.body} through {result.instrument.name}, {result.apparition.time_utc}")
    for label, text in check_lines(result):
        print(f"  {label:<16} {text}")
    if result.features:
        print("  feature                        in the picture   to be had")
        for feature in result.features[:12]:
            told = "cannot tell" if feature.contrast is None else f"{100 * feature.contrast:.1f} %"
            print(f"    {feature.name:<30} {told:>12} {100 * feature.expected_contrast:>10.1f} %")
    for title, lines in detail_lines(result):
        print(f"  {title}")
        for line in lines:
            print(f"    {line}")
    for kind, path in files.items():
        print(f"  {kind:<10} {path}")
    for sentence in result.warnings:
        common.tell(f"note: {sentence}")
