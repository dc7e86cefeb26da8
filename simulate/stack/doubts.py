"""Reasons to doubt a recording: no object in it, or the pattern of a filter array in frames that pass for grey."""

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
