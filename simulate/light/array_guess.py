"""The colour array of frames that nobody told of: guessed from the light of its four places, with a probability."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from simulate.bodies import Body
from simulate.bodies.spectra import geometric_albedo, solar_photon_flux
from simulate.camera import channel_index, channel_response
from simulate.errors import RecordingWarning, note
from simulate.light.finish import TYPICAL_CAMERA
from simulate.stack.doubts import looks_like_a_mosaic
from simulate.stack.reader import RawRecording, border_of, turned_pattern
from simulate.values.spectrum import DEFAULT_BINS

PATTERNS = ("RGGB", "BGGR", "GRBG", "GBRG")

GREENS_DIFFER = 0.02
"""By how much the light of the two green places differs, natural logarithm, rms (common practice)."""

CAMERAS_DIFFER = 0.35
"""By how much red over blue, and green over both, differ from those of a typical camera, natural logarithm, rms:
sensors, filters and the air (common practice)."""

LOOKED_AT = 16
"""Frames whose mean is looked at."""


def pattern_probabilities(recording: RawRecording, body: Body | None) -> dict[str, float]:
    """Return how probable each colour array is, by its letters for rows that run upwards; they add up to 1.

    The two places of one light are the green ones, and commonly the brighter ones. Which of the others is red follows
    from the colour that the body's light has through a typical camera; as much red as blue leaves both probable.

    Parameters
    ----------
    recording : RawRecording
        Frames that pass for grey.
    body : Body or None
        What they show; None takes sunlit grey.
    """
    mean = _mean(recording)
    rows, columns = (n - n % 2 for n in mean.shape)
    light = mean[:rows, :columns] - np.median(border_of(mean))
    places = {(r, c): max(float(light[r::2, c::2].sum()), 1e-30) for r in (0, 1) for c in (0, 1)}
    red_expected, green_expected = _typical_colours(body)
    weights = {}
    for pattern in PATTERNS:
        letters = channel_index(pattern, 2, 2)
        by_colour = {k: [math.log(places[place]) for place in places if letters[place] == k] for k in range(3)}
        (red,), greens, (blue,) = (by_colour[k] for k in range(3))
        unlike = [(red - blue) - red_expected, (sum(greens) - red - blue) / 2 - green_expected]
        weights[pattern] = -0.5 * ((greens[0] - greens[1]) / GREENS_DIFFER) ** 2
        weights[pattern] -= 0.5 * sum((one / CAMERAS_DIFFER) ** 2 for one in unlike)
    top = max(weights.values())
    shares = {pattern: math.exp(weight - top) for pattern, weight in weights.items()}
    total = sum(shares.values())
    return {pattern: share / total for pattern, share in shares.items()}


def with_array_guessed(recording: RawRecording, body: Body | None) -> RawRecording:
    """Return a recording whose grey frames show the pattern of a colour array with the most probable one, and say so.

    Parameters
    ----------
    recording : RawRecording
        Of which nobody told the array.
    body : Body or None
        What it shows.
    """
    if recording.facts.filter_array != "mono" or not looks_like_a_mosaic(_mean(recording)):
        return recording
    chances = pattern_probabilities(recording, body)
    best = max(chances, key=lambda pattern: chances[pattern])
    stored = turned_pattern(best, recording.shape[0]) if recording.top_down else best
    # the spread of cameras is not known so well that more could be said
    sure = "more than 99 %" if chances[best] > 0.99 else f"{100 * chances[best]:.0f} %"
    note(
        f"{recording.path}: the frames look like raw ones of a colour camera: taken for {stored} with a probability of "
        f"{sure}; --filter-array tells it",
        RecordingWarning,
        stacklevel=2,
    )
    return replace(recording, facts=replace(recording.facts, filter_array=best))


def _mean(recording: RawRecording) -> np.ndarray:
    picks = range(0, recording.frames, max(1, recording.frames // LOOKED_AT))
    return np.mean([recording.values(index) for index in picks], axis=0)


def _typical_colours(body: Body | None) -> tuple[float, float]:
    """Natural logarithms of red over blue, and of green over the mean of both, in a typical camera."""
    light = solar_photon_flux(DEFAULT_BINS)
    if body is not None and body.kind != "star":
        light = light * geometric_albedo(body, DEFAULT_BINS.centres_nm)
    red, green, blue = channel_response(TYPICAL_CAMERA, DEFAULT_BINS) @ light
    return math.log(red / blue), math.log(green / math.sqrt(red * blue))
