"""Grade, choose, align and average the frames of a recording."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Any, Protocol

import numpy as np
import numpy.typing as npt
import scipy.fft

from simulate.camera import channel_index, demosaic_bilinear
from simulate.errors import InputError, RecordingWarning, note
from simulate.stack.doubts import Halves, WholeFrames
from simulate.stack.expected import finer_sampling, plane_mean, spread_powers
from simulate.stack.quality import (
    Complex64Array,
    Examiner,
    NoiseModel,
    light_noise,
    move,
    noise_of,
    recommended_share,
)
from simulate.stack.reader import RawRecording, light_of
from simulate.stack.results import Recording
from simulate.values.arrays import frozen_array
from simulate.values.practice import PRACTISED, Practice

Float32Array = npt.NDArray[np.float32]
FloatArray = npt.NDArray[np.float64]

REFERENCE_FRAMES = 40
"""Frames, the sharpest, whose mean is what the others are aligned to."""

KEPT_PIXELS = 40_000_000
"""Pixels of the frames of the reference that are held in memory; of more the frames are read anew for each pass."""

MOST_CELLS = 12_000_000
"""Cells of a stack times its colours: to restore it takes some 60 bytes for each."""

Progress = Callable[[int, int], None]
"""Called with the frames done and all frames of a pass."""


@dataclass(frozen=True, eq=False)
class FrameStack:
    """The mean of the kept frames of a recording, in the camera's orientation.

    Parameters
    ----------
    picture : array, shape (channels, rows, columns)
        Mean, per camera pixel: electrons per second where gain and exposure are known, else numbers.
    noise : array, shape (channels, rows, columns)
        Standard deviation of `picture`, by propagation of every reading's.
    unit : str
        "electron/s", "electron" or "adu".
    laid : Recording
        How frames were laid together; ``laid.step_arcsec`` is in pixels where no scale is known.
    grades : array, shape (frames,)
        Sharpness of every frame.
    kept : array of int
        Numbers of the kept frames, in order of time.
    shifts : array, shape (kept, 2)
        By how much each was moved (rows, columns), pixels.
    reason : str
        Why this share was kept.
    channel_names : tuple of str
        Of the first axis.
    """

    picture: Float32Array
    noise: Float32Array
    unit: str
    laid: Recording
    grades: FloatArray
    kept: npt.NDArray[np.intp]
    shifts: FloatArray
    reason: str
    channel_names: tuple[str, ...]

    def __post_init__(self) -> None:
        for name in ("picture", "noise", "grades", "kept", "shifts"):
            object.__setattr__(self, name, frozen_array(getattr(self, name)))


@dataclass(frozen=True)
class StackWishes:
    """What the user fixes; None leaves it to the recording.

    Parameters
    ----------
    keep : float or None
        Share of the frames, above 0 up to 1.
    factor : float or None
        Cells of the stack a pixel.
    drop : float or None
        Side of the drop in pixels; 0 shifts frames whole.
    practice : Practice
        The hand: how colours are filled in, frames moved, how fine the cells may be.
    """

    keep: float | None = None
    factor: float | None = None
    drop: float | None = None
    practice: Practice = PRACTISED


class Turning(Protocol):
    """Says where the pixels of a frame belong in the middle of a recording during which the body turns."""

    def measure_darkening(self, picture: npt.NDArray[np.floating]) -> None:
        """Take what it needs from a picture, (rows, columns), of the body in the middle, the sky at zero."""
        ...

    def laid(self, number: int, rows: FloatArray, columns: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return rows, columns and a factor of light for places (rows, columns) of the aligned frame `number`."""
        ...


def stack_frames(
    recording: RawRecording,
    wishes: StackWishes | None = None,
    *,
    progress: Progress | None = None,
    turning: Turning | None = None,
) -> FrameStack:
    """Grade all frames, keep the best, align them on the planet and average them.

    Parameters
    ----------
    recording : RawRecording
        From `simulate.stack.reader.open_recording`.
    wishes : StackWishes, optional
        What is fixed by the user.
    progress : callable, optional
        Told after every frame of the two passes.
    turning : Turning, optional
        Undoes the body's turn; frames are then always laid as drops.

    Raises
    ------
    InputError
        If the recording holds no planet, or a wish cannot be had.

    Warns
    -----
    RecordingWarning
        If nothing stands out of the noise, or frames that pass for grey show the pattern of a filter array.
    """
    asked = wishes or StackWishes()
    facts = recording.facts
    share, reason = recommended_share(facts, asked.keep)
    count = max(1, round(share * recording.frames))
    laid = _laid(recording, asked, count, drops=turning is not None)
    noise = noise_of(facts, recording.values(0))
    examiner = Examiner(recording.shape, facts, light_noise(facts, recording.values(0)))
    halves = Halves(recording.shape)
    grades, usable = _grades(recording, examiner, halves, progress)
    halves.warn(facts, recording.path)
    order = np.argsort(-grades, kind="stable")
    best = order[usable[order]][:count]
    count = len(best)
    laid = replace(laid, kept=count)
    reference = _reference(recording, examiner, best[:REFERENCE_FRAMES])
    kept = np.sort(best)
    if turning is not None:
        turning.measure_darkening(np.asarray(scipy.fft.irfft2(reference, s=recording.shape)))
        layer = _Drops(recording, laid, noise, turning)
    else:
        kind = _FilledFrames if laid.on_own_pixels else _Layers if laid.drop_pixels == 0 else _Drops
        layer = kind(recording, laid, noise)
    shifts = np.empty((count, 2))
    for index, number in enumerate(kept):
        frame = recording.values(int(number))
        spectrum = examiner.spectrum(light_of(frame))
        shifts[index] = examiner.shift(reference, spectrum)
        layer.add(frame, (float(shifts[index, 0]), float(shifts[index, 1])), int(number))
        if progress is not None:
            progress(index + 1, count)
    picture, deviation = layer.result()
    seconds, unit = facts.exposure_s, facts.unit
    if seconds is not None and unit == "electron":
        picture, deviation, unit = picture / seconds, deviation / seconds, "electron/s"
    names = ("luminance",) if facts.filter_array == "mono" else ("red", "green", "blue")
    return FrameStack(
        picture=picture.astype(np.float32),
        noise=deviation.astype(np.float32),
        unit=unit,
        laid=laid,
        grades=grades,
        kept=kept,
        shifts=shifts,
        reason=reason,
        channel_names=names,
    )


def _grades(
    recording: RawRecording, examiner: Examiner, halves: Halves, progress: Progress | None
) -> tuple[FloatArray, npt.NDArray[np.bool_]]:
    """Return the grade of every frame, and whether it can be used at all."""
    grades, whole = np.empty(recording.frames), WholeFrames(recording.frames)
    for number, frame in enumerate(recording):
        light = light_of(frame)
        halves.add(light)
        spectrum = examiner.spectrum(light)
        grades[number] = examiner.grade(light, spectrum)
        whole.add(light, float(spectrum[0, 0].real))
        if progress is not None:
            progress(number + 1, recording.frames)
    if not np.any(grades > 0):
        raise InputError("RECORDING", str(recording.path), "no planet was found in it: nothing stands out of the noise")
    usable = whole.usable(recording.path)
    return np.where(usable, grades, 0.0), usable


def _reference(recording: RawRecording, examiner: Examiner, best: Sequence[int] | npt.NDArray[Any]) -> Complex64Array:
    """Mean spectrum of the best frames, aligned on the first and then once more on their mean; centred."""
    rows, columns = recording.shape
    small = rows * columns * len(best) <= KEPT_PIXELS

    def read() -> Iterator[Complex64Array]:
        return (examiner.spectrum(light_of(recording.values(int(number)))) for number in best)

    kept = list(read()) if small else None
    reference = next(iter(kept)) if kept is not None else next(read())
    for _ in range(2):
        total = np.zeros_like(reference)
        for spectrum in read() if kept is None else kept:
            total += move(spectrum, recording.shape, examiner.shift(reference, spectrum))
        reference = total / np.float32(len(best))
    return _centred(reference, recording.shape)


def _centred(spectrum: Complex64Array, shape: tuple[int, int]) -> Complex64Array:
    """Move a picture so that the middle of its light lies in the middle of the frame."""
    picture = np.asarray(scipy.fft.irfft2(spectrum, s=shape))
    light = np.where(picture > 0.1 * np.quantile(picture, 0.999), picture, 0.0)
    total = light.sum()
    if total <= 0:
        return spectrum
    rows, columns = np.indices(shape, sparse=True)
    shift = (shape[0] - 1) / 2 - (rows * light).sum() / total, (shape[1] - 1) / 2 - (columns * light).sum() / total
    return move(spectrum, shape, (float(shift[0]), float(shift[1])))


def _laid(recording: RawRecording, asked: StackWishes, count: int, *, drops: bool = False) -> Recording:
    facts = recording.facts
    shares = {"mono": (1.0,), "colour": (1.0, 1.0, 1.0)}.get(facts.filter_array)
    shares = shares or tuple(facts.filter_array.count(c) / 4 for c in "RGB")
    finest = math.floor(100 * math.sqrt(MOST_CELLS / (math.prod(recording.shape) * len(shares)))) / 100
    if finest < max(1.0, asked.factor or 1.0):
        size = f"{recording.shape[1]} x {recording.shape[0]} pixels" + (
            f", --finer {asked.factor:g}" if asked.factor else ""
        )
        wanted = f"a stack may have {MOST_CELLS // 10**6} million cells, every colour counted: crop the frames"
        raise InputError("frame size", size, wanted)
    hand = asked.practice
    filled, linear = facts.is_mosaic and hand.colour == "interpolated", hand.registration == "linear"
    if not drops and (filled or (linear and not facts.is_mosaic)) and asked.factor in (None, 1) and asked.drop is None:
        seconds, pixel = facts.exposure_s or 1.0, facts.pixel_arcsec or 1.0
        return Recording(
            exposure_s=seconds,
            frames=recording.frames,
            kept=count,
            pixel_arcsec=pixel,
            channel_shares=shares,
            factor=1.0,
            drop_pixels=0.0,
            filled_in=filled,
            linear=linear,
        )
    factor, drop = finer_sampling(
        facts.sampling_ratio or 1.0,
        shares,
        count,
        finest_cells=hand.finest_cells,
        least_drop_px=hand.least_drop_px,
    )
    if asked.factor is None and factor > finest:
        text = f"laid on {finest:g} cells a pixel instead of {factor:g}: frames as large as these fill the memory"
        note(f"{text}; crop them to the planet", RecordingWarning, stacklevel=3)
        factor, drop = finest, max(drop, 1.0 / finest)
    if asked.factor is not None:
        if not 1 <= asked.factor <= 4:
            raise InputError("--finer", asked.factor, "give 1 to 4 cells a pixel")
        factor, drop = asked.factor, max(drop, 1.0 / asked.factor) if asked.factor > 1 else drop
    if asked.drop is not None:
        drop = asked.drop
    elif drops and drop == 0:
        drop = 1.0
    if drop == 0 and (factor != 1 or facts.is_mosaic):
        raise InputError(
            "--drop", drop, "frames can be shifted whole only on their own pixels and without a filter array"
        )
    if not 0 <= drop <= 2:
        raise InputError("--drop", drop, "give the drop's side in pixels, 0 to 2")
    return Recording(
        exposure_s=facts.exposure_s or 1.0,
        frames=recording.frames,
        kept=count,
        pixel_arcsec=facts.pixel_arcsec or 1.0,
        channel_shares=shares,
        factor=factor,
        drop_pixels=drop,
    )


class _Layers:
    """Frames shifted whole by band-limited interpolation: the mean of their spectra."""

    def __init__(self, recording: RawRecording, laid: Recording, noise: NoiseModel) -> None:
        self._shape, self._noise, self._count = recording.shape, noise, laid.kept
        channels = len(laid.channel_shares)
        self._sums = np.zeros((channels, recording.shape[0], recording.shape[1] // 2 + 1), np.complex128)

    def add(self, frame: Float32Array, shift: tuple[float, float], _: int) -> None:
        """Add a frame moved by (rows, columns)."""
        self._sums += move(np.asarray(scipy.fft.rfft2(frame), np.complex64), self._shape, shift)

    def result(self) -> tuple[FloatArray, FloatArray]:
        """Return mean and standard deviation, (channels, rows, columns)."""
        mean = np.asarray(scipy.fft.irfft2(self._sums / self._count, s=self._shape))
        return mean, np.sqrt(self._noise.variance(mean) / self._count)


class Filled:
    """Colours of every frame filled in, the frame moved on the camera's own pixels, the mean taken of planes.

    Parameters
    ----------
    shape : pair of int
        (rows, columns) of a frame.
    pattern : str or None
        Colour array of the frames; None where nothing is filled in.
    laid : Recording
        Tells how frames are moved, and how many there are.
    """

    def __init__(self, shape: tuple[int, int], pattern: str | None, laid: Recording) -> None:
        self._laid, self._pattern = laid, pattern if laid.filled_in else None
        self._sums = np.zeros((len(laid.channel_shares), *shape))

    def add(self, frame: Float32Array, shift: tuple[float, float]) -> None:
        """Add a frame, (rows, columns) or (3, rows, columns), moved by (rows, columns)."""
        planes = frame[None] if frame.ndim == 2 else frame
        if self._pattern is not None:
            planes = demosaic_bilinear(frame, self._pattern)
        if not self._laid.linear:
            moved = move(np.asarray(scipy.fft.rfft2(planes), np.complex64), planes.shape[1:], shift)
            self._sums += np.asarray(scipy.fft.irfft2(moved, s=planes.shape[1:]), np.float64)
            return
        for axis, away in zip((1, 2), shift, strict=True):
            # whole pixels on, then back along the line to the next
            whole = math.ceil(away)
            planes = np.roll(planes, whole, axis)
            share = np.float32(whole - away)
            planes = (1 - share) * planes + share * np.roll(planes, -1, axis)
        self._sums += planes

    def mean(self) -> FloatArray:
        """Return the mean, (channels, rows, columns)."""
        return self._sums / self._laid.kept


class _FilledFrames:
    """The frames of a recording, laid on each other by `Filled`."""

    def __init__(self, recording: RawRecording, laid: Recording, noise: NoiseModel) -> None:
        self._laid, self._noise = laid, noise
        self._filled = Filled(recording.shape, recording.facts.filter_array, laid)

    def add(self, frame: Float32Array, shift: tuple[float, float], _: int) -> None:
        """Add a frame moved by (rows, columns)."""
        self._filled.add(frame, shift)

    def result(self) -> tuple[FloatArray, FloatArray]:
        """Return mean and standard deviation, (channels, rows, columns)."""
        mean = self._filled.mean()
        shape = (mean.shape[1], mean.shape[2])
        level = np.asarray(plane_mean(spread_powers(shape, self._laid), shape[1]))
        readings = self._laid.kept * np.asarray(self._laid.channel_shares)
        return mean, np.sqrt(self._noise.variance(mean) * (level / readings)[:, None, None])


class _Drops:
    """Each pixel laid as a shrunken drop on a finer grid (Fruchter & Hook 2002), its own colour's only.

    Behind a filter array the pixels of one colour are pictures of their own on every second pixel; their footprints
    are two pixels wide before they shrink to the drop.
    """

    def __init__(
        self, recording: RawRecording, laid: Recording, noise: NoiseModel, turning: Turning | None = None
    ) -> None:
        from drizzle.resample import Drizzle

        self._noise, self._factor, self._turning = noise, laid.factor, turning
        self._lattices = _lattices(recording.facts.filter_array, recording.shape)
        self._spacing = 2 if recording.facts.is_mosaic else 1
        self._fraction = min(1.0, laid.drop_pixels / self._spacing)
        shape = tuple(math.floor(n * laid.factor + 0.5) for n in recording.shape)
        channels = len(laid.channel_shares)
        self._outputs = [
            Drizzle(kernel="square", out_shape=shape, out_img2=np.zeros(shape, np.float32), disable_ctx=True)
            for _ in range(channels)
        ]

    def add(self, frame: Float32Array, shift: tuple[float, float], number: int) -> None:
        """Add frame `number` moved by (rows, columns) of its own pixels."""
        for channel, (row, column), base in self._lattices:
            plane = frame if frame.ndim == 2 else frame[channel]
            values = np.ascontiguousarray(plane[row :: self._spacing, column :: self._spacing])
            place = np.empty((*values.shape, 2))
            rows, columns = base[0][:, None] + shift[0], base[1] + shift[1]
            variance = self._noise.variance(values).astype(np.float32)
            if self._turning is not None:
                rows, columns = (np.array(axis) for axis in np.broadcast_arrays(rows, columns))
                rows, columns, light = self._turning.laid(number, rows, columns)
                values = values * light.astype(np.float32)
                variance = variance * np.square(light).astype(np.float32)
            # pixel centres; the edge of the frame is the edge of the stack
            place[..., 0] = (columns + 0.5) * self._factor - 0.5
            place[..., 1] = (rows + 0.5) * self._factor - 0.5
            self._outputs[channel].add_image(
                values, 1.0, place, data2=variance, pixfrac=self._fraction, in_units="cps", iscale=1.0
            )

    def result(self) -> tuple[FloatArray, FloatArray]:
        """Return mean and standard deviation, (channels, rows, columns); cells that nothing reached hold the sky."""
        pictures, deviations = [], []
        for output in self._outputs:
            reached = np.asarray(output.out_wht) > 0
            mean = np.where(reached, np.asarray(output.out_img), 0.0)
            sky = float(np.median(mean[reached])) if reached.any() else 0.0
            variance = np.asarray(output.out_img2).reshape(mean.shape)
            spread = np.sqrt(np.maximum(np.where(reached, variance, 0.0), 0.0))
            worst = float(spread.max()) if reached.any() else 0.0
            pictures.append(np.where(reached, mean, sky))
            deviations.append(np.where(reached, spread, worst))
        return np.stack(pictures), np.stack(deviations)


def _lattices(
    filter_array: str, shape: tuple[int, int]
) -> list[tuple[int, tuple[int, int], tuple[FloatArray, FloatArray]]]:
    """Return (channel, first pixel, rows and columns of the pixels) of every set of evenly spaced like pixels."""
    if filter_array in ("mono", "colour"):
        everywhere = np.arange(float(shape[0])), np.arange(float(shape[1]))
        return [(channel, (0, 0), everywhere) for channel in range(1 if filter_array == "mono" else 3)]
    channel = channel_index(filter_array, 2, 2)
    sites = [(row, column) for row in (0, 1) for column in (0, 1)]
    return [
        (
            int(channel[row, column]),
            (row, column),
            (np.arange(row, shape[0], 2.0), np.arange(column, shape[1], 2.0)),
        )
        for row, column in sites
    ]
