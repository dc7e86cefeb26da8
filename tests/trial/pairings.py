"""A recording, its stack, and the same by the expected path: what the tests compare."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from astropy.io import fits

from simulate.air import Sky
from simulate.bodies import load_body
from simulate.commands.record import RecordOptions, plan_recording, record
from simulate.commands.stack import on_cells
from simulate.instruments import Instrument, load_instrument
from simulate.light.look import ViewOptions, expected_frame, exposure_of, green_channel, stack_of
from simulate.stack import ExposureWishes, Stack
from simulate.stack.combine import FrameStack, StackWishes, stack_frames
from simulate.stack.model import measured_transfer
from simulate.stack.reader import open_recording
from simulate.stack.restore import delivered_fwhm
from simulate.values.practice import IDEAL, Practice


@dataclass(frozen=True, eq=False)
class Pairing:
    stack: FrameStack
    expected: Stack
    channel: int
    fwhm_arcsec: float
    expected_fwhm_arcsec: float


def make(folder: Path, body: str, instrument: str | Instrument, time: str, frames: int, keep: float, seed: int = 3,
         exposure_s: float | None = None, practice: Practice = IDEAL) -> Pairing:  # fmt: skip
    wishes = ExposureWishes(exposure_s=exposure_s, frames=frames, keep=keep)
    options = RecordOptions(ViewOptions(wishes, practice=practice))
    plan = plan_recording(body, instrument, time, options=options, seed=seed)
    done = record(plan, folder, plan.instrument.name)
    recording = open_recording(dict(done.files)["recording"])
    # the plan's setup is in the hand already: the view starts from the bare one
    bare = load_instrument(instrument) if isinstance(instrument, str) else instrument
    bare = replace(bare, camera=replace(bare.camera, filters=plan.instrument.camera.filters))
    look = expected_frame(load_body(body), bare, plan.middle, Sky(), plan.options.view)
    exposure = exposure_of(look)
    expected, _ = stack_of(look, exposure, seed)
    filled = practice.colour == "interpolated"
    wished = StackWishes(keep, practice=practice)
    if not filled:
        wished = StackWishes(keep, look.laid.stack_factor, look.laid.drop_pixels)
    stack = stack_frames(recording, wished)
    channel = green_channel(plan.instrument)
    truth = fits.getdata(dict(done.files)["truth"], "TRUTH")[channel]
    shape = stack.picture.shape[1:]
    cutoff = plan.instrument.telescope.cutoff_cycles_per_arcsec(540.0)
    measured = measured_transfer(stack.picture[channel], on_cells(truth, shape), stack.laid.step_arcsec, cutoff)
    fwhm = delivered_fwhm(measured, stack.laid.step_arcsec, shape[1])
    wanted = delivered_fwhm(expected.transfer[channel], expected.step_arcsec, expected.picture.shape[2])
    return Pairing(stack, expected, channel, fwhm, wanted)


def flux(picture: np.ndarray) -> float:
    """Light above the sky, e-/s times cells."""
    sky = np.median(np.concatenate([picture[:3].ravel(), picture[-3:].ravel()]))
    return float((picture - sky).sum())


def disc_noise(picture: np.ndarray, noise: np.ndarray) -> float:
    """Median noise over the bright part of the disc."""
    return float(np.median(noise[picture > 0.5 * np.quantile(picture, 0.995)]))
