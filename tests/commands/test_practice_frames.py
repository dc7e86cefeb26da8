"""What an ordinary hand gets, by frames and by theory: `record` then `stack`, against `view`."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from simulate.air import Sky
from simulate.bodies import load_body
from simulate.commands.record import RecordOptions, make_frames, plan_recording
from simulate.instruments import Instrument, load_instrument
from simulate.light.look import ViewOptions, expected_frame, exposure_of, stack_of
from simulate.stack import ExposureWishes
from simulate.stack.combine import Filled
from simulate.stack.results import Recording
from simulate.values.practice import ORDINARY

sys.path.insert(0, str(Path(__file__).parents[1] / "trial"))
import pairings

WHEN = "2024-12-07T22:00:00Z"


def coarse_lens() -> Instrument:
    """50 mm at f/5 on pixels of 2.9 um: twice coarser than critical; a lens without colour error, tracked."""
    tool = load_instrument("refractor-60")
    optics = replace(tool.telescope, aperture_mm=50.0, focal_length_mm=250.0, amplifier=1.0, colour_error_um=(0.0, 0.0))
    mount = replace(tool.mount, kind="equatorial", tracking_error_arcsec=0.0)
    return replace(tool, name="coarse-lens", telescope=optics, mount=mount)


@pytest.mark.slow
def test_frames_stacked_by_an_ordinary_hand_are_as_expected(tmp_path: Path) -> None:
    # the frames' own registration is better than a hand's: its error is left out on both sides; and all bits are
    # kept, since 8 of them round the dark sky of every frame to the same number, which theory takes for noise
    hand = replace(ORDINARY, registration_error_px=0.0, bits=None)
    pair = pairings.make(tmp_path, "jupiter", coarse_lens(), WHEN, frames=200, keep=1.0, practice=hand)
    assert pair.fwhm_arcsec == pytest.approx(pair.expected_fwhm_arcsec, rel=0.05)
    for channel in range(3):
        found, expected = (pairings.flux(s.picture[channel]) for s in (pair.stack, pair.expected))
        assert found == pytest.approx(expected, rel=0.003)


def test_the_scatter_of_frames_over_places_of_the_pixels_is_as_expected() -> None:
    hand = replace(ORDINARY, registration_error_px=0.0)
    # 97 frames drift by 2 pixels along columns and, 13 times as fast, along rows: all places are visited evenly
    frames, rate = 97, 30.0
    wishes = ExposureWishes(exposure_s=0.004, frames=frames, frames_per_second=rate)
    pixel = coarse_lens().pixel_arcsec
    per_frame = 2 * pixel / frames
    drift = (13 * per_frame * rate * 60, per_frame * rate * 60)
    options = RecordOptions(
        ViewOptions(wishes, field_arcsec=170.0, practice=hand), drift_arcsec_per_min=drift, still_air=True
    )
    plan = plan_recording("jupiter", coarse_lens(), WHEN, sky=Sky(seeing_arcsec=0.0), options=options, seed=1)
    maker = make_frames(plan)
    laid = Recording(0.004, 1, 1, pixel, (0.25, 0.5, 0.25), filled_in=True, linear=True)
    pattern = plan.instrument.camera.filter_array
    planes = []
    for number in range(frames):
        electrons, _ = maker.expected(number)
        index = {"R": 0, "G": 1, "B": 2}
        raw = np.empty(electrons.shape[1:], np.float32)
        for site, letter in zip(((0, 0), (0, 1), (1, 0), (1, 1)), pattern, strict=True):
            raw[site[0] :: 2, site[1] :: 2] = electrons[index[letter], site[0] :: 2, site[1] :: 2]
        away = (number - (frames - 1) / 2) * per_frame / pixel
        one = Filled(raw.shape, pattern, laid)
        one.add(raw, (-13 * away, -away))
        planes.append(one.mean() / 0.004)
    found = np.std(planes, axis=0)
    look = expected_frame(load_body("jupiter"), coarse_lens(), plan.middle, Sky(seeing_arcsec=0.0), plan.options.view)
    expected, _ = stack_of(look, exposure_of(look), 0)
    assert expected.scatter is not None
    for channel in range(3):
        rms, wanted = (np.sqrt(np.sum(s[channel] ** 2)) for s in (found, expected.scatter))
        assert rms == pytest.approx(wanted, rel=0.2)
