"""Record a body frame by frame: a synthetic raw recording with its truth.

The recording is a FITS cube of 16-bit numbers as the sensor gives them, its middle at --time; the
truth file beside it holds the unblurred picture, tilt and Strehl ratio of every frame and all
inputs. An interrupted recording goes on with --resume, given the same options, to the same bytes.
"""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypedDict

from simulate.cli import common
from simulate.errors import InputError, kept_warnings

if TYPE_CHECKING:
    from collections.abc import Sequence

    from simulate.commands.record import Plan, Progress, Recorded, RecordOptions


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options of `simulate record`."""
    parser.add_argument("body", metavar="BODY", help="a name, or the path of a body's TOML file")
    common.add_instruments(parser, several=False)
    common.add_when_where(parser)
    common.add_air(parser)
    common.add_practice(parser)
    recording = parser.add_argument_group("recording (chosen automatically where not given)")
    common.add_recording(recording)
    recording.add_argument("--rate", metavar="RATE", help='frames a second, e.g. "100 fps" or 100')
    recording.add_argument("--filter", metavar="NAME", help="filter of a mono camera that has several (default: green)")
    recording.add_argument(
        "--bracket",
        metavar="FACTOR",
        type=float,
        help="record a second time, exposed FACTOR times as long, for the moons",
    )
    recording.add_argument("--drift", metavar="ANGLE", help='of the field along the rows, a minute, e.g. "3 arcsec"')
    recording.add_argument("--still-air", action="store_true", help="leave out the turbulence")
    picture = parser.add_argument_group("picture")
    picture.add_argument("--field", metavar="ANGLE", help='width of the window, e.g. "400 arcsec" to take in the moons')
    picture.add_argument("--without", metavar="FEATURE", action="append", help="leave a feature out; repeatable")
    common.add_face(picture)
    work = parser.add_argument_group("files and work")
    work.add_argument("--name", help="of the files (default: body, instrument and instant)")
    work.add_argument(
        "--format",
        action="append",
        metavar="FORMAT",
        help="besides the FITS cube: tiff (16-bit frames) or video (uncompressed, 8 bits, for a look; needs the extra "
        "'video': pip install 'simulate[video]'); repeatable",
    )
    work.add_argument("--resume", action="store_true", help="go on with an interrupted recording")
    work.add_argument("--yes", action="store_true", help="begin even where the disk has no room for all of it")
    common.add_spread(work)
    common.add_output(parser)
    common.add_seed(parser, "air and noise")


def run(arguments: argparse.Namespace) -> int:
    """Compute, write and tell; returns the exit code."""
    from simulate.commands.record import check_ready

    with kept_warnings() as warnings:
        plans = _plans(arguments)
        folder = common.check_folder(arguments.output)
        for name, plan in plans.items():
            check_ready(plan, folder, name, **_work(arguments))
        done = [_record(plan, folder, name, arguments) for name, plan in plans.items()]
    document = _document(arguments, plans, done, list(warnings))
    if arguments.json:
        common.print_json(document)
        return 0
    for (name, plan), recorded in zip(plans.items(), done, strict=True):
        length = 1e3 * plan.exposure.exposure_s
        frames = f"{recorded.frames} frame" if recorded.frames == 1 else f"{recorded.frames} frames"
        print(f"{name}: {frames} of {length:.4g} ms at {recorded.frames_per_second:.4g} a second")
        for kind, path in recorded.files:
            print(f"  {kind:<10}{path}")
    for sentence in warnings:
        common.tell(f"note: {sentence}")
    return 0


def _plans(arguments: argparse.Namespace) -> dict[str, Plan]:
    """Return the recordings to make by name: one, or the two of a bracket."""
    from dataclasses import replace

    from simulate.commands.record import plan_recording
    from simulate.light.subject import choose_subject

    body = choose_subject(arguments.body)
    site = common.read_site(arguments.site)
    instrument = common.read_instruments([arguments.instrument])[0]
    options = _options(arguments)
    plan = plan_recording(
        body,
        instrument,
        common.read_time(arguments, body, site),
        site,
        sky=common.read_sky(arguments),
        options=options,
        seed=common.read_seed(arguments),
        ephemeris=arguments.ephemeris,
    )
    name = _name(plan) if arguments.name is None else common.check_name("--name", arguments.name, "_long_truth.fits")
    plans = {name: plan}
    if arguments.bracket is not None:
        if not 1 < arguments.bracket <= 10000:
            raise InputError("--bracket", arguments.bracket, "give a factor above 1, up to 10000")
        long = plan.exposure.exposure_s * arguments.bracket
        rate = min(plan.exposure.frames_per_second, 1 / long)
        frames = max(1, round(plan.seconds * rate))
        exposure = replace(plan.exposure, exposure_s=long, frames_per_second=rate, frames=frames, kept=frames)
        plans[f"{name}_long"] = replace(plan, exposure=exposure, seed=plan.seed + 1)
    return plans


def _options(arguments: argparse.Namespace) -> RecordOptions:
    from dataclasses import replace

    from simulate.commands.record import RecordOptions
    from simulate.light.look import ViewOptions

    scene = replace(common.read_face(arguments), without=frozenset(arguments.without or ()))
    drift = common.read_number(arguments, "drift", "arcsec", -3600.0, 3600.0) or 0.0
    field = common.read_number(arguments, "field", "arcsec")
    practice = common.read_practice(arguments)
    view = ViewOptions(common.read_wishes(arguments), common.read_gain(arguments), scene, field, practice=practice)
    return RecordOptions(view, arguments.filter, (drift, 0.0), arguments.still_air)


def _name(plan: Plan) -> str:
    when = common.file_time(plan.middle.time_utc)
    return f"{plan.body.name}_{common.file_word(plan.instrument.name)}_{when}_recording"


def _record(plan: Plan, folder: Path, name: str, arguments: argparse.Namespace) -> Recorded:
    from simulate.commands.record import record
    from simulate.present.progress import Reporter

    with Reporter("frames", plan.exposure.frames) as reporter:
        return record(
            plan,
            folder,
            name,
            **_work(arguments),
            progress=_progress(reporter),
        )


class _Work(TypedDict):
    """How to work and what to write."""

    formats: Sequence[str]
    resume: bool
    processes: int
    scheduler: str | None
    fill: bool


def _work(arguments: argparse.Namespace) -> _Work:
    """Return what says how to work and what to write, as `record` and `check_ready` take it."""
    return {
        "formats": ("fits", *(arguments.format or ())),
        "resume": arguments.resume,
        "processes": arguments.processes,
        "scheduler": arguments.scheduler,
        "fill": arguments.yes,
    }


def _progress(reporter: Any) -> Progress:
    def told(done: int, total: int, rate: float) -> None:
        left = (total - done) / rate if rate > 0 else 0.0
        reporter.step(f"{rate:.1f} a second, {left:.0f} s left", done - reporter.done)

    return told


def _document(
    arguments: argparse.Namespace, plans: dict[str, Plan], done: list[Recorded], warnings: list[str]
) -> dict[str, Any]:
    inputs = {name: value for name, value in vars(arguments).items() if value is not None}
    several = [
        {
            "frames": recorded.frames,
            "frames_per_second": recorded.frames_per_second,
            "exposure_s": plan.exposure.exposure_s,
            "seconds": plan.seconds,
            "files": dict(recorded.files),
        }
        for plan, recorded in zip(plans.values(), done, strict=True)
    ]
    return {"inputs": inputs, "warnings": warnings, **several[0], "bracket": several[1:]}
