"""Dark and flat frames: what a sensor adds without light, and how unevenly it and the optics pass it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from simulate.camera import channel_index
from simulate.errors import InputError, RecordingWarning, note
from simulate.stack.reader import Float32Array, RawRecording

MOST_AVERAGED = 500
"""Dark or flat frames that are averaged: more add nothing to a recording's noise."""

DEAD = 0.1
"""Share of the usual flat below which a pixel tells nothing: it is not amplified further."""


def calibrated(
    recording: RawRecording, dark: RawRecording | None = None, flat: RawRecording | None = None
) -> RawRecording:
    """Return a recording whose frames are freed of the dark picture and of uneven light.

    Parameters
    ----------
    recording : RawRecording
        As recorded.
    dark : RawRecording or None
        Frames of the same exposure without light; their mean is taken off in place of an offset.
    flat : RawRecording or None
        Frames of an even surface, by the same optics; each colour is brought to a mean of 1, so that the light of the
        surface counts for nothing.

    Raises
    ------
    InputError
        If sizes differ, or the flat frames hold no light.
    """
    done = recording
    if dark is not None:
        mean = _mean("--dark", dark, recording)
        done = replace(done, dark=mean, facts=replace(done.facts, offset_dn=float(np.median(mean))))
    if flat is not None:
        # flats are short: what the dark frames gather beyond the offset is left aside
        light = _mean("--flat", flat, recording) - np.float32(done.facts.offset_dn or 0.0)
        done = replace(done, flat=_even(light, done, flat))
    return done


def _mean(option: str, frames: RawRecording, recording: RawRecording) -> Float32Array:
    same = frames.shape == recording.shape and (frames.facts.filter_array == "colour") == (
        recording.facts.filter_array == "colour"
    )
    if not same:
        rows, columns = recording.shape
        wanted = f"its frames must be as the recording's, {columns} x {rows} pixels, of the same kind"
        raise InputError(option, str(frames.path), wanted)
    count = min(frames.frames, MOST_AVERAGED)
    total = np.zeros_like(frames.numbers(0), dtype=float)
    for index in range(count):
        total += frames.numbers(index)
    return (total / count).astype(np.float32)


def _even(light: Float32Array, recording: RawRecording, flat: RawRecording) -> Float32Array:
    """Return a flat with a mean of 1 in each colour."""
    result = np.empty_like(light)
    if recording.facts.is_mosaic:
        colour = channel_index(recording.facts.filter_array, *recording.shape)
        parts = [colour == c for c in range(3)]
    else:
        parts = [np.s_[...]] if light.ndim == 2 else [np.s_[c] for c in range(3)]
    for part in parts:
        level = float(np.median(light[part]))
        if level <= 0:
            raise InputError(
                "--flat", str(flat.path), "its frames are no brighter than the dark: give those of a lit surface"
            )
        result[part] = light[part] / level
    dead = int(np.count_nonzero(result < DEAD))
    if dead:
        told = f"{dead} pixels of the flat frames are darker than a tenth of the others: they are left dark"
        note(f"{flat.path}: {told}", RecordingWarning, stacklevel=2)
    return np.maximum(result, np.float32(DEAD))
