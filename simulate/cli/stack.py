"""Grade, align, average and restore a raw recording, made by this tool or by something else.

RECORDING is a FITS cube or a folder of TIFF frames. What its header does not tell can be given.
"""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any

from simulate.cli import common
from simulate.errors import InputError, kept_warnings

if TYPE_CHECKING:
    from simulate.compose.stacking import Processed
    from simulate.stack.reader import RawRecording


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options of `simulate stack`."""
    parser.add_argument("recording", metavar="RECORDING", help="FITS cube or folder of TIFF frames")
    parser.add_argument("--long", metavar="RECORDING", help="the longer exposure of a bracket, for the moons")
    parser.add_argument(
        "--truth", metavar="FILE", help="truth file of a synthetic recording (default: the one beside it)"
    )
    work = parser.add_argument_group("stacking (chosen from the recording where not given)")
    common.add_keep(work)
    work.add_argument("--finer", type=float, metavar="FACTOR", help="cells of the stack a pixel, 1 to 4")
    work.add_argument("--drop", type=float, metavar="PIXELS", help="side of the drop that a pixel leaves, 0 to 2")
    known = parser.add_argument_group("what the header does not tell")
    known.add_argument("--filter-array", metavar="PATTERN", help="mono, RGGB, BGGR, GRBG or GBRG, lowest row first")
    known.add_argument("--exposure", metavar="TIME", help='of one frame, e.g. "5 ms"')
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
    from simulate.compose.stacking import stack_recording, write_processed
    from simulate.stack.combine import StackWishes

    with kept_warnings() as warnings:
        recording = _open(arguments.recording, arguments)
        long = None if arguments.long is None else _open(arguments.long, arguments)
        processed = stack_recording(
            recording,
            StackWishes(common.read_share(arguments), arguments.finer, arguments.drop),
            long=long,
            obstruction_mm=common.read_number(arguments, "obstruction", "mm", zero=True) or 0.0,
            truth=_truth(arguments),
        )
        folder = common.output_folder(arguments.output)
        files = write_processed(processed, folder, recording.path.stem)
    if arguments.json:
        common.print_json(_document(arguments, processed, files, list(warnings)))
        return 0
    for note in processed.notes:
        print(note)
    for kind, path in files.items():
        print(f"  {kind:<6}{path}")
    for sentence in warnings:
        common.tell(f"note: {sentence}")
    return 0


def _open(path: str, arguments: argparse.Namespace) -> RawRecording:
    from simulate.camera.settings import choose_pattern
    from simulate.stack.reader import open_recording

    pattern = arguments.filter_array
    return open_recording(
        path,
        filter_array=None if pattern is None else choose_pattern("--filter-array", pattern),
        exposure_s=common.read_number(arguments, "exposure", "s") if arguments.long is None else None,
        gain_e_per_dn=common.read_number(arguments, "gain", "electron / adu"),
        read_noise_e=common.read_number(arguments, "read-noise", "electron", zero=True),
        offset_dn=common.read_number(arguments, "offset", "adu", zero=True),
        pixel_arcsec=common.read_number(arguments, "pixel-scale", "arcsec"),
        aperture_mm=common.read_number(arguments, "aperture", "mm"),
        seeing_arcsec=common.read_number(arguments, "seeing", "arcsec", zero=True),
    )


def _truth(arguments: argparse.Namespace) -> Path | None:
    if arguments.truth is not None:
        path = Path(arguments.truth)
        if not path.is_file():
            raise InputError("--truth", arguments.truth, "no such file")
        return path
    recording = Path(arguments.recording)
    beside = recording.with_name(f"{recording.stem}_truth.fits")
    return beside if beside.is_file() else None


def _document(
    arguments: argparse.Namespace, processed: Processed, files: dict[str, str], warnings: list[str]
) -> dict[str, Any]:
    import numpy as np

    stack = processed.stack
    lit = stack.picture > 0.25 * np.quantile(stack.picture, 0.999, axis=(1, 2), keepdims=True)
    noise = float(np.median(stack.noise[lit])) if lit.any() else float(np.median(stack.noise))
    return {
        "inputs": {name: value for name, value in vars(arguments).items() if value is not None},
        "warnings": warnings,
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
        "files": files,
    }
