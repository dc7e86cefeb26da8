"""What is won and lost with gain, share of frames, number of frames and sharpening, through the chain itself."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from simulate.geometry.vectors import FloatArray
from simulate.judging import THRESHOLDS, JudgedFeature
from simulate.judging.bench import bench_of
from simulate.judging.judge import judge_scene
from simulate.light.look import ExpectedFrame, green_channel, kept_frames, recording_of, sensor_noise
from simulate.planning.capture import FAINT_PART
from simulate.planning.outlook import Prospect, standing_features
from simulate.planning.records import Trades
from simulate.planning.sharpening import Sharpening, sharpening_limits
from simulate.stack import Exposure, Stack, expected_stack, restore
from simulate.values.arrays import frozen_array
from simulate.values.grid import Grid

SHARES = (0.01, 0.02, 0.05, 0.1, 0.2, 0.35, 0.6, 1.0)
FRAMES = (10, 30, 100, 300, 1_000, 3_000, 10_000, 30_000)
GAIN_STEPS = 25
GAIN_SPAN = 16.0
"""Where a camera gives no curve, gains are looked at from so much finer than its own to what its full well asks for."""

FLAT_TOP = 0.98
"""Shares whose signal to noise, or sharpness, comes this near to the best are as good."""

ENOUGH = 0.1
"""Frames are enough where ten times as many win less than this share (common practice)."""


def trades_of(setup: Prospect) -> Trades:
    """Return the trade-offs of a setup that has been sent through the chain.

    Shares and numbers of frames are judged twice: by the width of the finished picture, since restoring goes as far
    as the noise lets it; and by one feature, the faintest that can be seen at all: its signal to noise in the stack,
    what never averages out included.
    """
    feature = _finest(setup)
    gains, gain_snr = gain_curve(setup)
    frames = np.array(FRAMES, float)
    shares = [_with_share(setup.exposure, share) for share in SHARES]
    counts = [_with_kept(setup.exposure, count) for count in FRAMES]
    by_share = [_judged(setup, feature, exposure) for exposure in shares]
    snr = [_judged(setup, feature, exposure)[1] for exposure in counts]
    of_shares = [finished_width(kept_frames(setup.look, exposure), exposure) for exposure in shares]
    kept = kept_frames(setup.look, setup.exposure)
    of_frames = [finished_width(kept, exposure) for exposure in counts]
    share_sentence = _share_sentence(setup, [entry[1] for entry in by_share], of_shares)
    return Trades(
        feature=feature.name if feature else "",
        gains_e_per_dn=frozen_array(gains),
        gain_snr=frozen_array(gain_snr),
        shares=frozen_array(np.array(SHARES)),
        share_contrast=frozen_array(np.array([entry[0] for entry in by_share])),
        share_snr=frozen_array(np.array([entry[1] for entry in by_share])),
        frames=frozen_array(frames),
        frames_snr=frozen_array(np.array(snr)),
        share_finished_arcsec=frozen_array(np.array(of_shares)),
        frames_finished_arcsec=frozen_array(np.array(of_frames)),
        sharpening=sharpening_of(setup),
        advice=(_gain_sentence(setup, gain_snr), share_sentence, _frames_sentence(snr, of_frames)),
    )


def _finest(setup: Prospect) -> JudgedFeature | None:
    """Return the feature of the surface with the least signal to noise that is not lost."""
    kept = []
    for feature in standing_features(setup.look.body):
        found = judge_scene(setup.bench, (feature,))
        kept += [
            (entry.snr, feature)
            for entry in found[:1]
            if entry.snr > 0 and entry.contrast > THRESHOLDS.contrast_doubtful
        ]
    seen = [entry for entry in kept if entry[0] >= THRESHOLDS.snr_doubtful] or kept
    return min(seen, key=lambda entry: entry[0])[1] if seen else None


def _with_share(exposure: Exposure, share: float) -> Exposure:
    return replace(exposure, kept=max(1, round(share * exposure.frames)))


def _with_kept(exposure: Exposure, kept: int) -> Exposure:
    """Return a recording in which so many frames are kept, of the same share of good ones and the same smear."""
    return replace(exposure, kept=kept, frames=max(kept, round(kept * exposure.frames / exposure.kept)))


def _judged(setup: Prospect, feature: JudgedFeature | None, exposure: Exposure) -> tuple[float, float]:
    if feature is None:
        return math.nan, math.nan
    found = judge_scene(bench_of(setup.look, exposure), (feature,))
    return (found[0].contrast, found[0].snr) if found else (math.nan, math.nan)


def gain_curve(setup: Prospect) -> tuple[FloatArray, FloatArray]:
    """Return gains, e-/DN, and the stack's signal to noise in the brightest pixel and a faint part, (2, gains).

    Photon noise, the read noise at that gain, and rounding (EMVA 1288); not a number where the pixel clips.
    """
    camera, exposure = setup.look.instrument.camera, setup.exposure
    # coarser than what brings the full well to the largest number, a gain only rounds more
    fills = max(camera.full_well_e / max(camera.largest_dn - camera.offset_dn, 1), camera.gain_e_per_dn)
    known = [gain for gain, _ in camera.read_noise_curve] or [camera.gain_e_per_dn / GAIN_SPAN, fills]
    gains = np.geomspace(known[0], known[-1], GAIN_STEPS)
    rows = []
    for part in (1.0, FAINT_PART):
        electrons = part * exposure.peak_electrons
        noise = [math.sqrt(electrons + camera.read_noise_at(gain) ** 2 + gain**2 / 12) for gain in gains]
        snr = math.sqrt(exposure.kept) * electrons / np.array(noise)
        clips = np.array([exposure.peak_electrons > camera.saturation_e(gain) for gain in gains])
        rows.append(np.where(clips, np.nan, snr))
    return gains, np.array(rows)


def sharpening_of(setup: Prospect) -> Sharpening:
    """Return how far the stack of a setup bears an unsharp mask of its own blur's radius."""
    green = green_channel(setup.look.instrument)
    stack = _quiet_stack(kept_frames(setup.look, setup.exposure), setup.exposure)
    picture = stack.picture[green]
    brightest = int(np.argmax(picture))
    noise = float(stack.noise[green].flat[brightest]) / max(float(picture.flat[brightest]), 1e-30)
    grid = Grid(*picture.shape, stack.step_arcsec)  # pyright: ignore[reportCallIssue]
    return sharpening_limits(stack.transfer[green], stack.noise_spectrum[green], grid, setup.look.sharp_arcsec, noise)


def finished_width(kept: ExpectedFrame, exposure: Exposure) -> float:
    """Return the width of the green channel's response in the finished picture, arcsec.

    Parameters
    ----------
    kept : ExpectedFrame
        Average of the frames that are kept.
    exposure : Exposure
        How many are recorded and kept.
    """
    stack = _quiet_stack(kept, exposure)
    done = restore(stack.picture, stack.noise, stack.transfer, stack.step_arcsec, noise_spectrum=stack.noise_spectrum)
    return float(done.delivered_fwhm_arcsec[green_channel(kept.instrument)])


def _quiet_stack(kept: ExpectedFrame, exposure: Exposure) -> Stack:
    """Return the stack of a recording without the noise that its noise map tells of."""
    return expected_stack(
        kept.rates,
        kept.laid.grid.step_arcsec,
        recording_of(kept, exposure),
        sensor_noise(kept.instrument, exposure.gain_e_per_dn),
        transfer=kept.responses,
    )


def _share_sentence(setup: Prospect, snr: Sequence[float], widths: Sequence[float]) -> str:
    """Return which share makes the finished picture sharpest, and which the feature would ask for."""
    rule = setup.exposure.kept / setup.exposure.frames
    given = _read_off(rule, widths)
    text = (
        f"The finished picture is sharpest with {_span(best_shares([-width for width in widths]))} of the frames kept "
        f"({min(widths):.2f} arcsec); the card's {rule:.0%} give {given:.2f}."
    )
    if not math.isfinite(snr[0]):
        return text
    low, high = best_shares(snr)
    if SHARES[low] <= rule <= SHARES[high]:
        return f"{text} The feature's signal to noise is best with {_span((low, high))} too."
    reached = _read_off(rule, snr) / max(snr)
    return (
        f"{text} The feature by itself has its best signal to noise with {_span((low, high))}, since in a large area "
        f"errors that never average out outweigh the noise; the card's share gives {reached:.0%} of it. Keep the "
        "card's share for the picture as a whole."
    )


def _read_off(share: float, values: Sequence[float]) -> float:
    return float(np.interp(math.log(share), np.log(SHARES), values))


def _span(ends: tuple[int, int]) -> str:
    low, high = (SHARES[index] for index in ends)
    return f"{low:.0%}" if low == high else f"{low:.0%} to {high:.0%}"


def best_shares(snr: Sequence[float]) -> tuple[int, int]:
    """Return the first and the last index about the largest value whose values are hardly less.

    Signal to noise, or widths with their sign turned.
    """
    good = [value >= max(snr) - (1.0 - FLAT_TOP) * abs(max(snr)) for value in snr]
    first = last = int(np.argmax(snr))
    while first > 0 and good[first - 1]:
        first -= 1
    while last + 1 < len(good) and good[last + 1]:
        last += 1
    return first, last


def _gain_sentence(setup: Prospect, snr: FloatArray) -> str:
    faint = snr[1][np.isfinite(snr[1])]
    if len(faint) == 0:
        return "The exposure clips at every gain."
    loss = 1.0 - float(faint.min() / faint.max())
    exposure = setup.exposure
    if loss < 0.05:
        return f"Gain hardly matters: over its whole range faint parts lose {loss:.1%} of their signal to noise."
    camera = setup.look.instrument.camera
    electrons = FAINT_PART * exposure.peak_electrons
    noise = math.sqrt(electrons + camera.read_noise_at(exposure.gain_e_per_dn) ** 2 + exposure.gain_e_per_dn**2 / 12)
    own = math.sqrt(exposure.kept) * electrons / noise
    share = min(1.0, own / float(faint.max()))
    return (
        f"Gain matters: faint parts lose up to {loss:.0%} of their signal to noise at the coarsest one that does not "
        f"clip; {exposure.gain_e_per_dn:g} e-/DN gives {share:.0%} of the best."
    )


def _frames_sentence(snr: Sequence[float], widths: Sequence[float]) -> str:
    """Return from how many kept frames on ten times as many win less than a tenth, in the verdict and in sharpness."""
    for index, count in enumerate(FRAMES[:-2]):
        won, sharper = _won(snr, index), widths[index] / widths[index + 2] - 1
        if max(won, sharper) < ENOUGH:
            return f"Beyond {count} kept frames ten times as many {_gained(won, widths, index)}: enough."
    last = len(FRAMES) - 3
    return f"Even at {FRAMES[last]} kept frames ten times as many {_gained(_won(snr, last), widths, last)}."


def _won(snr: Sequence[float], index: int) -> float:
    """Return the share of signal to noise that ten times as many frames win; 0 where there is nothing to judge by."""
    return snr[index + 2] / snr[index] - 1 if math.isfinite(snr[index]) else 0.0


def _gained(won: float, widths: Sequence[float], index: int) -> str:
    text = f"sharpen the finished picture from {widths[index]:.2f} to {widths[index + 2]:.2f} arcsec"
    return f"{text} and win {won:.0%} of signal to noise" if won > 0.005 else text
