"""From a raw recording on disk to a stacked and restored picture on disk."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from simulate.bodies import Body, body_names, load_body
from simulate.commands.promise import likeness_to_promise
from simulate.errors import InputError
from simulate.given.fits import FitsPicture, check_layout, open_fits
from simulate.light.derotation import Derotation
from simulate.light.finish import balanced, enlarged, enlargement, north_up
from simulate.present.stacked import Processed
from simulate.recording.files import inputs_hash
from simulate.stack.bracket import blend_bracket, why_large
from simulate.stack.colours import colour_shifts, with_colours_aligned
from simulate.stack.combine import FrameStack, Progress, StackWishes, stack_frames
from simulate.stack.model import as_stack, limb_fwhm_px, measured_transfer, model_transfer
from simulate.stack.reader import Facts, RawRecording
from simulate.stack.restore import Restoring, delivered_fwhm, restore
from simulate.values.constants import ARCSEC_PER_RADIAN

MOST_TRUTH_BYTES = 2_000_000_000
"""Size of a truth file: three colours of `MOST_TRUTH_CELLS` and the rows of a million frames."""

MOST_TRUTH_CELLS = 50_000_000
"""Cells of the unblurred picture, every colour counted."""


def stack_recording(
    recording: RawRecording,
    wishes: StackWishes | None = None,
    *,
    long: RawRecording | None = None,
    obstruction_mm: float = 0.0,
    truth: Path | None = None,
    derotate: bool = False,
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
    derotate : bool
        Undo the turn of the body, and of the field, over the recording.
    progress : callable, optional
        Told after every frame.

    Raises
    ------
    InputError
        If the recording holds no planet, the truth is that of another one, or the exposures of a bracket differ in
        more than that.
    """
    facts = recording.facts
    if long is not None:
        _refuse_unlike(recording, long)
    if truth is not None:
        check_truth(truth, recording)
    turning = Derotation(recording, body_of(facts)) if derotate else None
    stack = stack_frames(recording, wishes, progress=progress, turning=turning)
    notes = [f"kept {len(stack.kept)} of {counted(len(stack.grades), 'frame')}: {stack.reason}"]
    if turning is not None:
        moved = turning.smear_arcsec
        notes.append(f"the body's turn undone: the middle of the disc moved {moved:.2f} arcsec in the recording")
    if long is not None:
        asked = replace(wishes or StackWishes(), factor=stack.laid.factor, drop=stack.laid.drop_pixels)
        turning = Derotation(long, body_of(long.facts)) if derotate else None
        other = stack_frames(long, asked, progress=progress, turning=turning)
        stack = blend_bracket(stack, other, _full_scale(long.facts))
        notes.append(f"blended with {counted(len(other.kept), 'frame')} of {long.facts.exposure_s:g} s for the moons")
    body = body_of(facts)
    green = _green(stack)
    if len(stack.channel_names) > 1:
        shifts = colour_shifts(stack.picture, green)
        stack = with_colours_aligned(stack, shifts)
        notes.append(_shift_words(shifts, stack, facts))
    hand = (wishes or StackWishes()).practice
    response = model_transfer(facts, stack, obstruction_mm)
    restored = None
    if response is None:
        notes.append(f"not restored: {_missing(facts)} must be known for that")
        fwhm, by = limb_fwhm_px(stack.picture.mean(axis=0)) * stack.laid.step_arcsec, "limb"
    else:
        value = as_stack(stack, response)
        restored = restore(
            value.picture,
            value.noise,
            value.transfer,
            value.step_arcsec,
            noise_spectrum=value.noise_spectrum,
            how=Restoring.by(hand),
            pixel_arcsec=value.pixel_arcsec,
        )
        measured, by = (response[green], "theory") if truth is None else (_against(truth, stack, facts), "truth")
        fwhm = delivered_fwhm(measured, value.step_arcsec, stack.picture.shape[2])
    found = fwhm if math.isfinite(fwhm) else None
    if truth is not None and found is not None:
        notes += _moon_notes(truth, found)
    finished = stack.picture if restored is None else restored.picture
    balance = balanced(finished, stack.channel_names, body)
    if len(stack.channel_names) > 1:
        notes.append(_balance_words(body))
    width = found if restored is None else restored.delivered_fwhm_arcsec[green]
    factor = enlargement(stack.laid.step_arcsec, width, (stack.picture.shape[1], stack.picture.shape[2]))

    def to_show(planes: npt.NDArray[np.floating], factor: int) -> npt.NDArray[np.float32]:
        picture = balance.show(enlarged(planes, factor))
        return picture if facts.up_deg is None else north_up(picture, facts.up_deg, facts.mirrored)

    likeness = None
    if truth is not None and restored is not None and facts.up_deg is not None:
        likeness = likeness_to_promise(_inputs(truth), to_show(finished, 1), stack, hand)
        notes += [] if likeness is None else [likeness.sentence()]
    sources = [place for place in (recording.path, None if long is None else long.path, truth) if place is not None]
    return Processed(
        stack=stack,
        restored=restored,
        facts=facts,
        fwhm_arcsec=found,
        fwhm_by=by,
        notes=tuple(notes),
        sources=tuple(sources),
        shown=to_show(finished, factor),
        plain=None if restored is None else to_show(stack.picture, factor),
        north_up=facts.up_deg is not None,
        likeness=likeness,
    )


def body_of(facts: Facts) -> Body | None:
    """Return the body that was recorded, where it is told and known; else None.

    Parameters
    ----------
    facts : Facts
        What is known of the recording.
    """
    name = facts.body.strip().lower()
    known = load_body(name) if name in body_names() else None
    return None if known is None or known.kind == "sun" else known


def _shift_words(shifts: npt.NDArray[np.float64], stack: FrameStack, facts: Facts) -> str:
    away = shifts[0] - shifts[-1]
    size = math.hypot(*away) * stack.laid.step_arcsec
    unit = "arcsec" if facts.pixel_arcsec is not None else "pixels"
    return (
        f"colours laid on each other: {stack.channel_names[-1]} stood {size:.2f} {unit} from {stack.channel_names[0]}"
    )


def _balance_words(body: Body | None) -> str:
    if body is None:
        return "white balance: the whole light as grey, since nothing tells the body (--body does)"
    return f"white balance: sunlit grey is grey, by the known colour of {body.title}'s whole light"


def counted(number: int, noun: str) -> str:
    """Return a number with its noun, in the plural but for 1."""
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"


def _missing(facts: Facts) -> str:
    known = {"pixel scale": facts.pixel_arcsec, "aperture": facts.aperture_mm, "seeing": facts.fried_m}
    *names, last = (name for name, value in known.items() if value is None)
    return f"{', '.join(names)} and {last}" if names else last


def _refuse_unlike(short: RawRecording, long: RawRecording) -> None:
    """Refuse two recordings that cannot be blended, before the long work."""
    for recording in (short, long):
        facts = recording.facts
        known = {"exposure": facts.exposure_s, "gain": facts.gain_e_per_dn}
        names = [name for name, value in known.items() if value is None]
        if names:
            wanted = (
                f"its {' and '.join(names)} must be known to lay two exposures together: give --{' and --'.join(names)}"
            )
            raise InputError("bracket", str(recording.path), wanted)
    if short.shape != long.shape or short.facts.filter_array != long.facts.filter_array:
        shapes = [f"{r.shape[0]} x {r.shape[1]} ({r.facts.filter_array})" for r in (short, long)]
        raise InputError("bracket", shapes, "both exposures must be of one field by one camera")


def check_truth(truth: Path, recording: RawRecording) -> None:
    """Refuse a file that is not the truth of a recording.

    Parameters
    ----------
    truth : Path
        Supposed truth file.
    recording : RawRecording
        The recording.

    Raises
    ------
    InputError
        If it is no truth file, or that of another recording.
    """
    from astropy.io import fits

    check_layout("--truth", truth, MOST_TRUTH_BYTES)
    try:
        inputs = _inputs(truth)
        frames, picture = int(fits.getheader(truth, "FRAMES")["NAXIS2"]), _truth_picture(truth)
        body, window = str(inputs["body"]), tuple(int(side) for side in inputs["window"])
        site = inputs["site"]
        told_of_place = [] if site is None else [site[name] for name in ("latitude_deg", "longitude_deg", "height_m")]
        numbers = [float(number) for number in (inputs["pixel_arcsec"], *told_of_place)]
        usable = all(math.isfinite(number) for number in numbers) and len(window) == 2
        usable = usable and all(isinstance(inputs[name], str) for name in ("body", "time", "ephemeris"))
    except Exception as error:  # the library raises anything on damaged tables
        raise InputError("--truth", str(truth), "it is no truth file of a synthetic recording") from error
    if not usable or len(picture.axes) != 3 or picture.axes[0] > 8 or picture.whole < picture.axes[0]:
        raise InputError("--truth", str(truth), "it is no truth file of a synthetic recording")
    if math.prod(picture.axes) > MOST_TRUTH_CELLS:
        raise InputError("--truth", str(truth), f"its picture has more than {MOST_TRUTH_CELLS // 10**6} million cells")
    facts = recording.facts
    told = facts.inputs_hash
    same = inputs_hash(inputs) == told if told else frames == recording.frames and facts.body in ("", body)
    if not same or window != recording.shape:
        wanted = (
            f"it belongs to another recording: {body}, {counted(frames, 'frame')} of {window[0]} x {window[1]} pixels"
        )
        raise InputError("--truth", str(truth), wanted)


def _inputs(truth: Path) -> dict[str, Any]:
    """Return everything that made a recording, from its truth file."""
    from astropy.io import fits

    return json.loads(np.asarray(fits.getdata(truth, "INPUTS"))["json"][0])


def _truth_picture(truth: Path) -> FitsPicture:
    return open_fits("--truth", truth, name="TRUTH")


def _full_scale(facts: Facts) -> float:
    if facts.saturation_dn is None or facts.gain_e_per_dn is None or facts.exposure_s is None:
        return math.inf
    return (facts.saturation_dn - (facts.offset_dn or 0.0)) * facts.gain_e_per_dn / facts.exposure_s


def _green(stack: FrameStack) -> int:
    return stack.channel_names.index("green") if "green" in stack.channel_names else 0


def _against(truth: Path, stack: FrameStack, facts: Facts) -> npt.NDArray[Any]:
    """Measure the transfer of the green channel with the truth file of a synthetic recording."""
    picture = _truth_picture(truth)
    names = [str(picture.header.get(f"CHAN{i + 1}", "")) for i in range(picture.axes[0])]
    plane = picture.scaled(names.index("green") if "green" in names else 0)
    if not np.all(np.isfinite(plane)) or not 0 < float(plane.sum(dtype=float)) < 1e30:
        raise InputError("--truth", str(truth), "its picture holds no light, or values that are no numbers")
    shape = (stack.picture.shape[1], stack.picture.shape[2])
    true = on_cells(plane, shape)
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
    from simulate.geometry import apparition

    inputs = _inputs(truth)
    site = inputs["site"]
    place = None if site is None else (site["latitude_deg"], site["longitude_deg"], site["height_m"])
    seen = apparition(inputs["body"], inputs["time"], place, ephemeris=inputs["ephemeris"])
    half = min(inputs["window"]) * inputs["pixel_arcsec"] / 2
    near = [
        m for m in seen.moons if math.hypot(m.east_arcsec, m.north_arcsec) < half and m.state in ("clear", "transit")
    ]
    return [why_large(moon.name, 2 * moon.radius_arcsec, fwhm_arcsec) for moon in near]
