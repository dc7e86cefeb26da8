"""Reasons to doubt a recording: no object in it, the pattern of a filter array in grey frames, lost frames."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import numpy.typing as npt

from simulate.errors import RecordingWarning, note
from simulate.stack.reader import Facts

FloatArray = npt.NDArray[np.float64]

CLEAR = 6.0
"""Standard deviations of the noise by which something must stand out: of ten million cells of noise none does."""

SMOOTHING_PX = 2.0
"""Sigma of the smoothing before that."""

UNEVEN = 0.03
"""Share of the light by which the four places of a filter array must differ to pass for one."""

SHARP_PEAK = 4.0
"""How far such a pattern must stand out of the frequencies around it, which hold the finest structure."""


class Halves:
    """The means of every second frame and of the others, unaligned: what both show is there, what differs is noise.

    Parameters
    ----------
    shape : pair of int
        (rows, columns).
    """

    def __init__(self, shape: tuple[int, int]) -> None:
        self._sums = np.zeros((2, *shape))
        self._count = 0

    def add(self, frame: npt.NDArray[np.floating]) -> None:
        """Add a frame, (rows, columns)."""
        self._sums[self._count % 2] += frame
        self._count += 1

    def warn(self, facts: Facts, path: Path) -> None:
        """Warn of what is doubtful.

        Parameters
        ----------
        facts : Facts
            What is known of the recording.
        path : Path
            Its name.
        """
        if self._count >= 2 and not self.holds_something():
            text = "nothing stands out of the noise: what its stack shows may be noise laid upon noise"
            note(f"{path}: {text}", RecordingWarning, stacklevel=3)
        elif facts.filter_array == "mono" and looks_like_a_mosaic(self._sums.sum(axis=0) / max(self._count, 1)):
            text = "the frames look like raw ones of a colour camera: give --filter-array"
            note(f"{path}: {text}", RecordingWarning, stacklevel=3)

    def holds_something(self) -> bool:
        """Whether anything brighter than its surroundings stands out of the noise."""
        one, other = self._sums[0] / ((self._count + 1) // 2), self._sums[1] / (self._count // 2)
        mean, noise = (_smoothed(plane) for plane in ((one + other) / 2, (one - other) / 2))
        deviation = 1.4826 * float(np.median(np.abs(noise - np.median(noise))))
        return float(mean.max() - np.median(mean)) > CLEAR * deviation


OTHER_LIGHT, NEIGHBOURS = 0.3, 31
"""Share of the light of its neighbours by which that of a frame that is not whole differs, or that of another thing;
and among how many neighbours: thin clouds come and go slowly."""

CUT = 0.02
"""Share of the frame's edge that the body covers from which it counts as cut off."""


class WholeFrames:
    """Which frames of a recording hold the whole body once: not blank, not torn, not cut by the edge, not repeated.

    Parameters
    ----------
    frames : int
        How many there will be.
    """

    def __init__(self, frames: int) -> None:
        self._light, self._cut = np.zeros(frames), np.zeros(frames)
        self._repeated = np.zeros(frames, bool)
        self._last: npt.NDArray[np.floating] | None = None
        self._count = 0

    def add(self, frame: npt.NDArray[np.floating], light: float) -> None:
        """Add a frame, (rows, columns), and its light above the sky's."""
        edge = np.concatenate([frame[0], frame[-1], frame[:, 0], frame[:, -1]])
        sky, top = float(np.median(edge)), float(np.quantile(frame, 0.99))
        self._light[self._count] = light
        self._cut[self._count] = np.mean(edge - sky > 0.5 * (top - sky)) if top > sky else 0.0
        self._repeated[self._count] = self._last is not None and np.array_equal(frame, self._last)
        self._last = frame
        self._count += 1

    def usable(self, path: Path) -> npt.NDArray[np.bool_]:
        """Return which frames can be used, and note why the others cannot; all where none could.

        Parameters
        ----------
        path : Path
            Name of the recording.
        """
        from scipy.ndimage import median_filter

        usual = np.asarray(median_filter(self._light, NEIGHBOURS, mode="nearest"))
        away = np.abs(self._light - usual)
        # where noise alone makes such differences they tell nothing
        lost = (away > OTHER_LIGHT * usual) & (away > CLEAR * 1.4826 * np.median(away))
        # a body that fills the field touches the edge in every frame
        cut = (self._cut > CUT) & (self._cut > 3 * np.median(self._cut)) & ~lost
        repeated = self._repeated & ~lost & ~cut
        usable = ~(lost | cut | repeated)
        if not usable.any():
            return np.ones_like(usable)
        reasons = (
            (lost, "blank or incomplete"),
            (cut, "with the body cut by the edge"),
            (repeated, "the one before again"),
        )
        told = [f"{int(np.count_nonzero(which))} {words}" for which, words in reasons if which.any()]
        if told:
            note(f"{path}: frames left out: {', '.join(told)}", RecordingWarning, stacklevel=4)
        return usable


def _smoothed(plane: FloatArray) -> FloatArray:
    from scipy.ndimage import gaussian_filter

    return np.asarray(gaussian_filter(plane, SMOOTHING_PX))


def looks_like_a_mosaic(plane: FloatArray) -> bool:
    """Whether a picture is brighter on one of the four places of a filter array than on others.

    Such a pattern repeats the planet's own spectrum, much weaker, around the three highest frequencies that pixels
    hold; structure of the planet would fall off smoothly towards them.

    Parameters
    ----------
    plane : array, shape (rows, columns)
        A picture on a dark sky.
    """
    rows, columns = (n - n % 2 for n in plane.shape)
    even = plane[:rows, :columns] - np.median(plane)
    power = np.abs(np.fft.fft2(even))
    light = power[0, 0]
    if min(rows, columns) < 32 or even.sum() <= 0:
        return False
    for row, column in ((rows // 2, columns // 2), (rows // 2, 0), (0, columns // 2)):
        away = [power[row - rows // 8, column], power[row, column - columns // 8]]
        if power[row, column] > UNEVEN * light and power[row, column] > SHARP_PEAK * max(away):
            return True
    return False
