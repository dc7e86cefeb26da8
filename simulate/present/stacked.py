"""A stacked and restored recording as files: FITS with noise and the grade of every frame, and a picture."""

from __future__ import annotations

import io
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from simulate import __version__
from simulate.errors import InputError
from simulate.given.fits import check_layout
from simulate.present.images import png_bytes, screen_values, whole_numbers
from simulate.stack.combine import FrameStack
from simulate.stack.reader import Facts
from simulate.stack.results import Restored
from simulate.values.files import write_bytes


@dataclass(frozen=True, eq=False)
class Processed:
    """A recording after stacking and restoration.

    Parameters
    ----------
    stack : FrameStack
        Mean of the kept frames (of both exposures of a bracket, blended).
    restored : Restored or None
        None where too little is known to restore by the noise.
    facts : Facts
        What is known of the recording.
    fwhm_arcsec : float or None
        Width of a point in the stack; in pixels where no scale is known (``facts.pixel_arcsec`` is None). None where
        nothing tells it.
    fwhm_by : str
        "truth", "theory" or "limb": how it was found.
    notes : tuple of str
        Sentences for the user.
    sources : tuple of Path
        What it was made of, which no result may be laid over.
    """

    stack: FrameStack
    restored: Restored | None
    facts: Facts
    fwhm_arcsec: float | None
    fwhm_by: str
    notes: tuple[str, ...]
    sources: tuple[Path, ...] = ()


def stack_files(folder: Path, name: str, sources: Iterable[Path] = ()) -> dict[str, Path]:
    """Return where the files of a stack go, by kind.

    Parameters
    ----------
    folder, name : Path, str
        They are FOLDER/NAME_stack.fits and .png.
    sources : iterable of Path
        Files that must stay as they are.

    Raises
    ------
    InputError
        If a file would be laid over one of `sources`, or over a FITS file that no stacking has made.
    """
    files = {"fits": folder / f"{name}_stack.fits", "png": folder / f"{name}_stack.png"}
    kept = [place for place in sources if place.exists()]
    for target in (path for path in files.values() if path.exists()):
        if any(target.samefile(place) for place in kept):
            wanted = f"{target.name} there is one of the files given; name another folder"
            raise InputError("--output", str(folder), wanted)
    if files["fits"].exists() and not _is_stack(files["fits"]):
        wanted = f"{files['fits'].name} there was not made by stacking; move it or name another folder"
        raise InputError("--output", str(folder), wanted)
    return files


def _is_stack(path: Path) -> bool:
    from astropy.io import fits

    try:
        check_layout("output file", path, 10_000_000_000)
        header = fits.getheader(path)
        return "NKEPT" in header and str(header.get("SWCREATE", "")).startswith("simulate")
    except Exception:  # whatever else lies there, it is none of ours
        return False


def write_processed(processed: Processed, folder: Path, name: str) -> dict[str, str]:
    """Write NAME_stack.fits (STACK, NOISE, FINISHED) and NAME_stack.png; return the paths by kind.

    Parameters
    ----------
    processed : Processed
        From `simulate.commands.stack.stack_recording`.
    folder, name : Path, str
        Where.

    Raises
    ------
    InputError
        See `stack_files`.
    """
    paths = stack_files(folder, name, processed.sources)
    shown = processed.stack.picture if processed.restored is None else processed.restored.picture
    write_bytes(paths["fits"], _fits_bytes(processed))
    write_bytes(paths["png"], png_bytes(_for_screen(shown)))
    return {kind: str(path) for kind, path in paths.items()}


def _fits_bytes(processed: Processed) -> bytes:
    from astropy.io import fits

    stack, facts = processed.stack, processed.facts
    primary = fits.PrimaryHDU()
    cards: Mapping[str, Any] = {
        "OBJECT": facts.body,
        "NFRAMES": len(stack.grades),
        "NKEPT": len(stack.kept),
        "EXPTIME": facts.exposure_s,
        "PIXSCALE": stack.laid.step_arcsec if facts.pixel_arcsec is not None else None,
        "FWHM": processed.fwhm_arcsec,
        "SWCREATE": f"simulate {__version__}",
        "ROWORDER": "BOTTOM-UP",
    }
    for keyword, value in cards.items():
        if value not in (None, ""):
            primary.header[keyword] = value
    for note in processed.notes:
        primary.header.add_history(note)
    planes = [("STACK", stack.picture, stack.unit), ("NOISE", stack.noise, stack.unit)]
    if processed.restored is not None:
        planes.append(("FINISHED", processed.restored.picture, stack.unit))
    hdus: list[Any] = [primary]
    for title, values, unit in planes:
        image = fits.ImageHDU(np.asarray(values, np.float32), name=title)
        image.header["BUNIT"] = unit
        for index, channel in enumerate(stack.channel_names):
            image.header[f"CHAN{index + 1}"] = channel
        hdus.append(image)
    table = fits.BinTableHDU(_frame_table(stack), name="FRAMES")
    memory = io.BytesIO()
    fits.HDUList([*hdus, table]).writeto(memory)
    return memory.getvalue()


def _frame_table(stack: FrameStack) -> npt.NDArray[np.void]:
    table = np.zeros(len(stack.grades), [("grade", "<f8"), ("kept", "?"), ("row", "<f4"), ("column", "<f4")])
    table["grade"] = stack.grades
    table["kept"][stack.kept] = True
    table["row"][stack.kept], table["column"][stack.kept] = stack.shifts[:, 0], stack.shifts[:, 1]
    return table


def _for_screen(planes: npt.NDArray[np.floating]) -> npt.NDArray[np.unsignedinteger]:
    """Return 16-bit screen values: sky at black, channels balanced on the planet's mean, the brightest at white."""
    sky = np.median(planes[:, :2], axis=(1, 2))
    # channel by channel: the pictures of whole sensors fill much of the memory
    light = np.empty(planes.shape, np.float32)
    sums = []
    for channel, plane in enumerate(planes):
        light[channel] = plane - sky[channel]
        sums.append(max(float(light[channel].sum(dtype=float)), 1e-30))
    for channel, total in enumerate(sums):
        light[channel] *= np.float32(np.mean(sums) / total)
    white = float(np.quantile(light, 0.9995))
    shown = np.empty((*planes.shape[1:], len(planes)), np.uint16)
    for channel, plane in enumerate(light):
        shown[..., channel] = whole_numbers(screen_values(np.maximum(plane, 0), white), 16)
    return shown if shown.shape[-1] == 3 else shown[..., 0]
