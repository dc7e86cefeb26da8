"""Grade, align, average and restore a raw recording, made by this tool or by something else.

RECORDING is a FITS cube, a folder of TIFF or PNG frames or a TIFF file of many pages; grey, raw behind a filter array,
or in three colours. What its header does not tell can be given.
"""

from __future__ import annotations

import argparse
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

from simulate.cli import common
from simulate.errors import InputError, RecordingWarning, kept_warnings, note

if TYPE_CHECKING:
    from simulate.present.stacked import Processed
    from simulate.stack.reader import RawRecording


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options of `simulate stack`."""
    parser.add_argument("recording", metavar="RECORDING", help="FITS cube, folder of TIFF or PNG frames, or TIFF file")
    parser.add_argument("--long", metavar="RECORDING", help="the longer exposure of a bracket, for the moons")
    parser.add_argument(
        "--truth", metavar="FILE", help="truth file of a synthetic recording (default: the one beside it)"
    )
    parser.add_argument("--dark", metavar="FRAMES", help="frames of the same exposure without light, or their mean")
    parser.add_argument("--flat", metavar="FRAMES", help="frames of an even, lit surface, or their mean")
    work = parser.add_argument_group("stacking (chosen from the recording where not given)")
    common.add_keep(work)
    common.add_practice(work)
    work.add_argument(
        "--derotate",
        action="store_true",
        help="undo the body's turn, and the field's, over a long recording (needs body, time, rate, scale and --up)",
    )
    work.add_argument("--finer", type=float, metavar="FACTOR", help="cells of the stack a pixel, 1 to 4")
    work.add_argument("--drop", type=float, metavar="PIXELS", help="side of the drop that a pixel leaves, 0 to 2")
    known = parser.add_argument_group("what the header does not tell")
    known.add_argument(
        "--filter-array",
        metavar="PATTERN",
        help="mono, RGGB, BGGR, GRBG or GBRG: the colours of the file's first two rows as stored, left to right, as "
        "camera software tells them; the first row is the picture's top one in TIFF files and in FITS cubes of "
        "ROWORDER TOP-DOWN, else its lowest (turning a picture of an even number of rows over swaps the two halves of "
        "the name, RGGB and GBRG or BGGR and GRBG; of an odd number it stays)",
    )
    known.add_argument("--body", metavar="BODY", help="what was recorded: its colour sets the white balance")
    known.add_argument(
        "--up", metavar="ANGLE", help="position angle of the picture's upward direction, from north through east"
    )
    known.add_argument(
        "--mirrored", action="store_true", default=None, help="the picture is mirrored (a star diagonal)"
    )
    known.add_argument("--time", metavar="TIME", help="UTC in the middle of the recording, ISO 8601")
    known.add_argument("--rate", metavar="RATE", help='frames a second, e.g. "100"')
    known.add_argument("--exposure", metavar="TIME", help='of one frame, e.g. "5 ms"')
    known.add_argument("--long-exposure", metavar="TIME", help="the same of --long")
    known.add_argument("--gain", metavar="GAIN", help='e.g. "1.5 e-/DN"')
    known.add_argument("--read-noise", metavar="NOISE", help='e.g. "1.2 e-"')
    known.add_argument("--offset", metavar="NUMBER", help='e.g. "32 DN"')
    known.add_argument("--pixel-scale", metavar="ANGLE", help='of a pixel on the sky, e.g. "0.25 arcsec"')
    known.add_argument("--aperture", metavar="LENGTH", help='e.g. "150 mm"')
    known.add_argument("--obstruction", metavar="LENGTH", help='diameter of the secondary mirror, e.g. "37 mm"')
    known.add_argument("--seeing", metavar="ANGLE", help='at the target, e.g. "2 arcsec"')
    common.add_output(parser)


def run(arguments: argparse.Namespace) -> int:
    """Stack, write and tell; returns the exit code."""
    from simulate.commands.stack import stack_recording
    from simulate.present.stacked import stack_files, write_processed
    from simulate.stack.combine import StackWishes
    from simulate.values.practice import PRACTISED

    with kept_warnings() as told:
        recording = _open(arguments.recording, arguments, "exposure")
        if arguments.long is None and arguments.long_exposure is not None:
            raise InputError("--long-exposure", arguments.long_exposure, "it belongs to --long, which was not given")
        long = None if arguments.long is None else _open(arguments.long, arguments, "long-exposure")
        truth, name = _truth(arguments, recording), recording.path.resolve().stem
        common.check_folder(arguments.output)
        folder = Path(arguments.output)
        stack_files(folder, name, [place for place in (recording.path, long and long.path, truth) if place])
        _refuse_among_frames(folder, recording, long)
        processed = stack_recording(
            recording,
            StackWishes(
                common.read_share(arguments),
                arguments.finer,
                arguments.drop,
                common.read_practice(arguments) or PRACTISED,
            ),
            long=long,
            obstruction_mm=common.read_number(arguments, "obstruction", "mm", zero=True) or 0.0,
            truth=truth,
            derotate=arguments.derotate,
        )
        files = write_processed(processed, common.check_folder(arguments.output), name)
    if arguments.json:
        common.print_json(_document(arguments, processed, files, list(told)))
        return 0
    for sentence in processed.notes:
        print(sentence)
    for kind, path in files.items():
        print(f"  {kind:<11}{path}")
    for sentence in told:
        common.tell(f"note: {sentence}")
    return 0


def _refuse_among_frames(folder: Path, *recordings: RawRecording | None) -> None:
    """Refuse to lay a picture where every picture counts as a frame."""
    for recording in recordings:
        frames = None if recording is None else recording.folder
        if frames is not None and folder.exists() and folder.samefile(frames):
            wanted = "a picture there would count as one more frame of the recording; name another folder"
            raise InputError("--output", str(folder), wanted)


def _open(path: str, arguments: argparse.Namespace, exposure: str) -> RawRecording:
    from simulate.camera.settings import choose_pattern
    from simulate.commands.stack import body_of
    from simulate.geometry import parse_time
    from simulate.light.array_guess import with_array_guessed
    from simulate.light.subject import choose_subject
    from simulate.stack.calibration import calibrated
    from simulate.stack.reader import RANGES, open_recording

    def read(fact: str, option: str, unit: str) -> float | None:
        lowest, highest = RANGES[fact][2:]
        return common.read_number(arguments, option, unit, lowest, highest, zero=True)

    if not path:
        raise InputError("RECORDING", path, "give a file or a folder")
    pattern, body = arguments.filter_array, arguments.body
    recording = open_recording(
        path,
        filter_array=None if pattern is None else choose_pattern("--filter-array", pattern),
        exposure_s=read("exposure_s", exposure, "s"),
        gain_e_per_dn=read("gain_e_per_dn", "gain", "electron / adu"),
        read_noise_e=read("read_noise_e", "read-noise", "electron"),
        offset_dn=read("offset_dn", "offset", "adu"),
        pixel_arcsec=read("pixel_arcsec", "pixel-scale", "arcsec"),
        aperture_mm=read("aperture_mm", "aperture", "mm"),
        seeing_arcsec=read("seeing_arcsec", "seeing", "arcsec"),
        body=None if body is None else choose_subject(body).name,
        up_deg=common.read_number(arguments, "up", "deg", -360.0, 360.0),
        mirrored=arguments.mirrored,
        time_utc=None if arguments.time is None else str(parse_time(arguments.time).isot),
        frames_per_second=read("frames_per_second", "rate", "1 / s"),
    )
    if pattern is None:
        recording = with_array_guessed(recording, body_of(recording.facts))
    frames = [None if place is None else open_recording(place) for place in (arguments.dark, arguments.flat)]
    return calibrated(recording, *frames)


def _truth(arguments: argparse.Namespace, recording: RawRecording) -> Path | None:
    """Return the truth file given, or the one beside the recording if it belongs to it."""
    from simulate.commands.stack import check_truth

    if arguments.truth is not None:
        path = Path(arguments.truth)
        check_truth(path, recording)
        return path
    place = recording.path.absolute()  # "." has no name of its own
    beside = place.with_name(f"{place.stem}_truth.fits")
    if not beside.is_file():
        return None
    try:
        check_truth(beside, recording)
    except InputError as error:
        note(f"the truth file beside the recording is left aside: {error.allowed}", RecordingWarning)
        return None
    return beside


def _document(
    arguments: argparse.Namespace, processed: Processed, files: dict[str, str], told: list[str]
) -> dict[str, Any]:
    import numpy as np

    from simulate.present.contract import plain

    stack = processed.stack
    lit = stack.picture > 0.25 * np.quantile(stack.picture, 0.999, axis=(1, 2), keepdims=True)
    noise = float(np.median(stack.noise[lit])) if lit.any() else float(np.median(stack.noise))
    return plain(
        {
            "inputs": {name: value for name, value in vars(arguments).items() if value is not None},
            "warnings": told,
            "notes": list(processed.notes),
            "frames": len(stack.grades),
            "kept": len(stack.kept),
            "keep_reason": stack.reason,
            "delivered_fwhm_arcsec": processed.fwhm_arcsec if processed.facts.pixel_arcsec is not None else None,
            "fwhm_by": processed.fwhm_by,
            "noise_e_per_s": noise if stack.unit == "electron/s" else None,
            "noise": noise,
            "unit": stack.unit,
            "cells_per_pixel": stack.laid.factor,
            "north_up": processed.north_up,
            "beside_promise": None if processed.likeness is None else asdict(processed.likeness),
            "files": files,
        }
    )
