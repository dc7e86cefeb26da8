"""From a raw recording on disk to a stacked and restored picture on disk."""

from __future__ import annotations

import io
import json
import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from simulate import __version__
from simulate.present.files import write_bytes
from simulate.present.images import png_bytes, screen_values, whole_numbers
from simulate.stack.bracket import blend_bracket, why_large
from simulate.stack.combine import FrameStack, Progress, StackWishes, stack_frames
from simulate.stack.model import as_stack, limb_fwhm_px, measured_transfer, model_transfer
from simulate.stack.reader import Facts, RawRecording
from simulate.stack.restore import delivered_fwhm, restore
from simulate.stack.results import Restored
from simulate.values.constants import ARCSEC_PER_RADIAN


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
        Width of a point in the stack; in pixels where no scale is known (`fwhm_unit`).
    fwhm_by : str
        "truth", "theory" or "limb": how it was found.
    notes : tuple of str
        Sentences for the user.
    """

    stack: FrameStack
    restored: Restored | None
    facts: Facts
    fwhm_arcsec: float | None
    fwhm_by: str
    notes: tuple[str, ...]


def stack_recording(
    recording: RawRecording,
    wishes: StackWishes | None = None,
    *,
    long: RawRecording | None = None,
    obstruction_mm: float = 0.0,
    truth: Path | None = None,
    progress: Progress | None = None,
) -> Processed:
    """Stack a recording and restore it as far as its noise allows.

    Parameters
    ----------
    recording : RawRecording
        What was recorded.
    wishes : StackWishes, optional
        What is fixed by the user.
    long : RawRecording, optional
        The longer exposure of a bracket.
    obstruction_mm : float
        Diameter of the secondary mirror, for the theory of the blur.
    truth : Path, optional
        Truth file of a synthetic recording; the width of the blur is then measured against it.
    progress : callable, optional
        Told after every frame.
    """
    facts = recording.facts
    stack = stack_frames(recording, wishes, progress=progress)
    notes = [f"kept {len(stack.kept)} of {len(stack.grades)} frames: {stack.reason}"]
    if long is not None:
        asked = replace(wishes or StackWishes(), factor=stack.laid.factor, drop=stack.laid.drop_pixels)
        other = stack_frames(long, asked, progress=progress)
        stack = blend_bracket(stack, other, _full_scale(long.facts))
        notes.append(f"blended with {len(other.kept)} frames of {long.facts.exposure_s:g} s for the moons")
    response = model_transfer(facts, stack, obstruction_mm)
    restored, fwhm, by = None, None, "limb"
    if response is None:
        notes.append("not restored: pixel scale, aperture and seeing must be known for that")
        fwhm = limb_fwhm_px(stack.picture.mean(axis=0)) * stack.laid.step_arcsec
    else:
        value = as_stack(stack, response)
        restored = restore(
            value.picture, value.noise, value.transfer, value.step_arcsec, noise_spectrum=value.noise_spectrum
        )
        green = _green(stack)
        fwhm, by = delivered_fwhm(response[green], value.step_arcsec, stack.picture.shape[2]), "theory"
        if truth is not None:
            measured = _against_truth(stack, facts, truth)
            fwhm, by = delivered_fwhm(measured, value.step_arcsec, stack.picture.shape[2]), "truth"
    if truth is not None and fwhm is not None:
        notes += _moon_notes(truth, fwhm)
    return Processed(stack, restored, facts, fwhm, by, tuple(notes))


def _full_scale(facts: Facts) -> float:
    if facts.saturation_dn is None or facts.gain_e_per_dn is None or facts.exposure_s is None:
        return math.inf
    return (facts.saturation_dn - (facts.offset_dn or 0.0)) * facts.gain_e_per_dn / facts.exposure_s


def _green(stack: FrameStack) -> int:
    return stack.channel_names.index("green") if "green" in stack.channel_names else 0


def _against_truth(stack: FrameStack, facts: Facts, truth: Path) -> npt.NDArray[Any]:
    """Measure the transfer of the green channel with the truth file of a synthetic recording."""
    from astropy.io import fits

    plane = np.asarray(fits.getdata(truth, "TRUTH"), np.float32)
    header = fits.getheader(truth, "TRUTH")
    names = [header[f"CHAN{i + 1}"] for i in range(plane.shape[0])]
    channel = names.index("green") if "green" in names else 0
    shape = (stack.picture.shape[1], stack.picture.shape[2])
    true = on_cells(plane[channel], shape)
    cutoff = (facts.aperture_mm or 0.0) * 1e6 / 500.0 / ARCSEC_PER_RADIAN
    return measured_transfer(stack.picture[_green(stack)], true, stack.laid.step_arcsec, cutoff)


def on_cells(plane: npt.NDArray[np.floating], shape: tuple[int, int]) -> npt.NDArray[np.float64]:
    """Return a fine picture on coarser cells of the same field, without blur but for the frequencies they cannot hold.

    Parameters
    ----------
    plane : array, shape (rows, columns)
        Fine picture, a density.
    shape : pair of int
        (rows, columns) wanted.
    """
    import scipy.fft

    from simulate.stack.expected import crop_spectrum

    fine = np.asarray(scipy.fft.rfft2(np.asarray(plane, float)))
    rows, columns = plane.shape
    # the middle of the first cell, not of the first fine one
    north = np.exp(1j * np.pi * np.fft.fftfreq(rows) * (rows / shape[0] - 1))
    west = np.exp(1j * np.pi * np.fft.rfftfreq(columns) * (columns / shape[1] - 1))
    kept = crop_spectrum(fine * north[:, None] * west, shape, columns)
    return np.asarray(scipy.fft.irfft2(kept * (shape[0] * shape[1] / (rows * columns)), s=shape))


def _moon_notes(truth: Path, fwhm_arcsec: float) -> list[str]:
    """Sentences on the moons in the field of a synthetic recording."""
    from astropy.io import fits

    from simulate.geometry import apparition

    inputs = json.loads(np.asarray(fits.getdata(truth, "INPUTS"))["json"][0])
    site = inputs["site"]
    place = None if site is None else (site["latitude_deg"], site["longitude_deg"], site["height_m"])
    seen = apparition(inputs["body"], inputs["time"], place, ephemeris=inputs["ephemeris"])
    half = min(inputs["window"]) * inputs["pixel_arcsec"] / 2
    near = [
        m for m in seen.moons if math.hypot(m.east_arcsec, m.north_arcsec) < half and m.state in ("clear", "transit")
    ]
    return [why_large(moon.name, 2 * moon.radius_arcsec, fwhm_arcsec) for moon in near]


def write_processed(processed: Processed, folder: Path, name: str) -> dict[str, str]:
    """Write NAME_stack.fits (STACK, NOISE, FINISHED) and NAME_stack.png; return the paths by kind.

    Parameters
    ----------
    processed : Processed
        What `process` gave.
    folder, name : Path, str
        Where.
    """
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
    files = {"fits": str(write_bytes(folder / f"{name}_stack.fits", memory.getvalue()))}
    shown = stack.picture if processed.restored is None else processed.restored.picture
    files["png"] = str(write_bytes(folder / f"{name}_stack.png", png_bytes(_for_screen(shown))))
    return files


def _frame_table(stack: FrameStack) -> npt.NDArray[np.void]:
    table = np.zeros(len(stack.grades), [("grade", "<f8"), ("kept", "?"), ("row", "<f4"), ("column", "<f4")])
    table["grade"] = stack.grades
    table["kept"][stack.kept] = True
    table["row"][stack.kept], table["column"][stack.kept] = stack.shifts[:, 0], stack.shifts[:, 1]
    return table


def _for_screen(planes: npt.NDArray[np.floating]) -> npt.NDArray[np.unsignedinteger]:
    """Return 16-bit screen values: sky at black, channels balanced on the planet's mean, the brightest at white."""
    sky = np.median(planes[:, :2], axis=(1, 2), keepdims=True)
    light = planes - sky
    mean = np.maximum(light.sum(axis=(1, 2), keepdims=True), 1e-30)
    light = light / mean * mean.mean()
    picture = screen_values(np.moveaxis(np.maximum(light, 0), 0, -1), float(np.quantile(light, 0.9995)))
    return whole_numbers(picture if picture.shape[-1] == 3 else picture[..., 0], 16)
