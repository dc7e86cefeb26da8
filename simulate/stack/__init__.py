"""From many short exposures to one picture: what a stack of them holds, and how far it may be restored.

results    the values that pass on: `Exposure`, `Recording`, `Stack`, `Restored`
sources    the files that hold frames
reader     `open_recording`: frames with what is known of them, the first row the lowest
quality    how sharp a frame is, and where the planet stands in it
doubts     no object, or a filter array that nobody told of
combine    `stack_frames`: grade, choose, align, average
bracket    two exposures blended
model      the transfer of such a stack
expected   exposure, share of frames to keep, and the stack that a recording should give (mean and noise)
interpolated  frames with filled-in colours on the camera's own pixels: mean transfer, aliases
restore    restoration whose strength follows the noise; delivered sharpness; limb overshoot
"""

from simulate.stack.expected import (
    ExposureWishes,
    SensorNoise,
    choose_exposure,
    crop_spectrum,
    expected_stack,
    finer_sampling,
    keep_fraction,
)
from simulate.stack.restore import Restoring, delivered_fwhm, limb_overshoot, restore, restoring_gain
from simulate.stack.results import Exposure, Recording, Restored, Stack

__all__ = [
    "Exposure",
    "ExposureWishes",
    "Recording",
    "Restored",
    "Restoring",
    "SensorNoise",
    "Stack",
    "choose_exposure",
    "crop_spectrum",
    "delivered_fwhm",
    "expected_stack",
    "finer_sampling",
    "keep_fraction",
    "limb_overshoot",
    "restore",
    "restoring_gain",
]
