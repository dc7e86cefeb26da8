"""A stacked and restored recording as files: FITS with noise and the grade of every frame, and pictures to show."""

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
from simulate.present.images import png_bytes, screen_values, tiff_bytes, whole_numbers
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
    shown : float32 array, shape (rows, columns, 3)
        The finished picture to show, linear sRGB, 1 is white.
    plain : float32 array, shape (rows, columns, 3), or None
        The same of the stack before restoration; None where nothing was restored.
    north_up : bool
        Whether the pictures to show have north up and east left; else they stand as the camera saw them.
    likeness : Likeness or None
        How near the finished picture comes to what theory promised; None without the truth.
    """

    stack: FrameStack
    restored: Restored | None
    facts: Facts
    fwhm_arcsec: float | None
    fwhm_by: str
    notes: tuple[str, ...]
    sources: tuple[Path, ...]
    shown: npt.NDArray[np.float32]
    plain: npt.NDArray[np.float32] | None = None
    north_up: bool = False
    likeness: Likeness | None = None


@dataclass(frozen=True)
class Likeness:
    """A finished picture beside the one that theory promised of the same recording, laid on each other.

    Parameters
    ----------
    brightness : float
        Rms difference of brightness on the disc, over its mean.
    colour : float
        Rms difference of the three colours less that of brightness, over the mean brightness.
    """

    brightness: float
    colour: float

    def sentence(self) -> str:
        """Return it in words."""
        return (
            f"beside the picture that theory promises of this recording, brightness on the disc differs by "
            f"{100 * self.brightness:.1f} % rms and colour by {100 * self.colour:.1f} %"
        )


def stack_files(folder: Path, name: str, sources: Iterable[Path] = ()) -> dict[str, Path]:
    """Return where the files of a stack go, by kind.

    Parameters
    ----------
    folder, name : Path, str
        They are FOLDER/NAME_stack.fits, .png and .tif, and FOLDER/NAME_stack_unrestored.png.
    sources : iterable of Path
        Files that must stay as they are.

    Raises
    ------
    InputError
        If a file would be laid over one of `sources`, or over a FITS file that no stacking has made.
    """
    files = {
        kind: folder / f"{name}_stack.{ending}" for kind, ending in (("fits", "fits"), ("png", "png"), ("tiff", "tif"))
    }
    files["unrestored"] = folder / f"{name}_stack_unrestored.png"
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
    """Write NAME_stack.fits (STACK, NOISE, FINISHED; linear) and the pictures to show; return the paths by kind.

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
    shown = _whole_numbers(processed.shown)
    write_bytes(paths["fits"], _fits_bytes(processed))
    write_bytes(paths["png"], png_bytes(shown))
    write_bytes(paths["tiff"], tiff_bytes(shown))
    if processed.plain is None:
        del paths["unrestored"]
    else:
        write_bytes(paths["unrestored"], png_bytes(_whole_numbers(processed.plain)))
    return {kind: str(path) for kind, path in paths.items()}


def _whole_numbers(linear: npt.NDArray[np.floating]) -> npt.NDArray[np.unsignedinteger]:
    """Return 16-bit screen values of linear sRGB, (rows, columns, 3), or (rows, columns) where it is grey."""
    planes = linear[..., :1] if np.array_equal(linear[..., 0], linear[..., 2]) else linear
    shown = whole_numbers(screen_values(np.maximum(planes, 0.0)), 16)
    return shown if shown.shape[-1] == 3 else shown[..., 0]


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
