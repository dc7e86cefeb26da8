"""What is won and lost with gain, share of frames, number of frames and sharpening, through the chain itself."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from simulate.compose.judge import judge_scene
from simulate.compose.outlook import Prospect, standing_features
from simulate.compose.view import bench_of, green_channel
from simulate.geometry.vectors import FloatArray
from simulate.judgement import THRESHOLDS, JudgedFeature
from simulate.planning.capture import FAINT_PART
from simulate.planning.sharpening import Sharpening, sharpening_limits
from simulate.present.planning_record import Trades
from simulate.stack import Exposure
from simulate.values.arrays import frozen_array

SHARES = (0.01, 0.02, 0.05, 0.1, 0.2, 0.35, 0.6, 1.0)
FRAMES = (10, 30, 100, 300, 1_000, 3_000, 10_000, 30_000)
GAIN_STEPS = 25
GAIN_SPAN = 16.0
"""Where a camera gives no curve, gains are looked at from so much finer than its own to what its full well asks for."""

FLAT_TOP = 0.98
"""Shares whose signal to noise comes this near to the best are as good."""


def trades_of(setup: Prospect) -> Trades:
    """Return the trade-offs of a setup that has been sent through the chain.

    Shares and numbers of frames are judged by one feature, the faintest that can be seen at all: its signal to noise
    in the restored stack, what never averages out included.
    """
    feature = _finest(setup)
    gains, gain_snr = gain_curve(setup)
    frames = np.array(FRAMES, float)
    by_share = [_judged(setup, feature, _with_share(setup.exposure, share)) for share in SHARES]
    by_frames = [_judged(setup, feature, _with_kept(setup.exposure, count)) for count in FRAMES]
    snr = np.array([entry[1] for entry in by_frames])
    return Trades(
        feature=feature.name if feature else "",
        gains_e_per_dn=frozen_array(gains),
        gain_snr=frozen_array(gain_snr),
        shares=frozen_array(np.array(SHARES)),
        share_contrast=frozen_array(np.array([entry[0] for entry in by_share])),
        share_snr=frozen_array(np.array([entry[1] for entry in by_share])),
        frames=frozen_array(frames),
        frames_snr=frozen_array(snr),
        sharpening=sharpening_of(setup),
        advice=_advice(setup, gain_snr, (by_share, by_frames)),
    )


def _finest(setup: Prospect) -> JudgedFeature | None:
    """Return the feature of the surface with the least signal to noise that is not lost."""
    kept = []
    for feature in standing_features(setup.look.body):
        found = judge_scene(setup.bench, setup.look.options.scene, (feature,))
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
    found = judge_scene(bench_of(setup.look, exposure), setup.look.options.scene, (feature,))
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
    bench = setup.bench
    green = green_channel(setup.look.instrument)
    slope, constant = bench.noise_law[green]
    peak = float(bench.picture[green].max())
    noise = math.sqrt(max(slope * peak + constant, 0.0)) / max(peak, 1e-30)
    return sharpening_limits(bench.transfer[green], bench.noise_spectrum, bench.grid, setup.look.sharp_arcsec, noise)


def _advice(
    setup: Prospect,
    gain_snr: FloatArray,
    judged: tuple[Sequence[tuple[float, float]], Sequence[tuple[float, float]]],
) -> tuple[str, ...]:
    sentences = [_gain_sentence(setup, gain_snr)]
    by_share, by_frames = ([entry[1] for entry in row] for row in judged)
    if math.isfinite(by_share[0]):
        low, high = best_shares(by_share)
        rule = setup.exposure.kept / setup.exposure.frames
        given = float(np.interp(math.log(rule), np.log(SHARES), by_share)) / max(by_share)
        span = f"{SHARES[low]:.0%}" if low == high else f"{SHARES[low]:.0%} to {SHARES[high]:.0%}"
        sentences.append(
            f"Keeping {span} of the frames gives the feature its best signal to noise; the card's {rule:.0%} give "
            f"{given:.0%} of it, all of them {by_share[-1] / max(by_share):.0%}."
        )
        sentences.append(_frames_sentence(by_frames))
    return tuple(sentences)


def best_shares(snr: Sequence[float]) -> tuple[int, int]:
    """Return the first and the last index about the best whose signal to noise is hardly less."""
    good = [value >= FLAT_TOP * max(snr) for value in snr]
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


def _frames_sentence(snr: Sequence[float]) -> str:
    """Return from how many kept frames on ten times as many win less than a tenth."""
    for index, count in enumerate(FRAMES[:-2]):
        if snr[index + 2] < 1.1 * snr[index]:
            return f"Beyond {count} kept frames ten times as many win {snr[index + 2] / snr[index] - 1:.0%}: enough."
    won = snr[-1] / snr[-3] - 1
    return f"Even at {FRAMES[-3]} kept frames ten times as many still win {won:.0%}."
