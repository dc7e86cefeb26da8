"""One raw frame after the other, each from its number alone.

`FrameMaker` holds what does not change (the telescope's bands, the air, the camera, the timing) and asks a `Truth`
for the planet as it stands at the frame's time. Frame n is a function of (settings, n): the air's state is a function
of (seed, time), the noise has a generator of its own for every frame.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
import numpy.typing as npt

from simulate.air.layers import Turbulence
from simulate.camera import Camera, expose
from simulate.errors import InputError
from simulate.recording.speckle import Band, BaseGrid, Complex64Array, FineGrid, Float32Array, Picture
from simulate.recording.wander import Wander

ROW = np.dtype(
    [
        ("frame", "<i4"),
        ("time_s", "<f8"),
        ("tilt_row", "<f4"),
        ("tilt_column", "<f4"),
        ("mount_row", "<f4"),
        ("mount_column", "<f4"),
        ("strehl", "<f4"),
        ("residual_nm", "<f4"),
    ]
)
"""What the truth file keeps of a frame: number; middle of the exposure, s; whole tilt and the mount's part of it,
arcsec along growing rows and columns; Strehl ratio of the exposure in the reference band; rms path difference without
tilt, nm, mean over the exposure."""


class Truth(Protocol):
    """The planet, turned to an instant."""

    def spectra(self, time_s: float) -> Sequence[Complex64Array]:
        """Return the cropped spectrum of electrons per second of every band at a time, s."""
        ...


@dataclass(frozen=True)
class Timing:
    """When the frames are taken.

    Parameters
    ----------
    exposure_s : float
        Time of an exposure, s.
    frames_per_second : float
        Their rate, 1/s.
    frames : int
        How many.
    instants : int
        Wavefronts computed within an exposure.
    """

    exposure_s: float
    frames_per_second: float
    frames: int
    instants: int = 1

    def __post_init__(self) -> None:
        if self.exposure_s <= 0 or self.frames_per_second <= 0 or self.frames < 1 or self.instants < 1:
            raise InputError("timing", self, "exposure, rate, frames and instants must be positive")
        if self.exposure_s * self.frames_per_second > 1 + 1e-9:
            raise InputError(
                "frames per second", self.frames_per_second, f"exposures of {self.exposure_s:g} s do not fit that rate"
            )

    def times_s(self, number: int) -> npt.NDArray[np.float64]:
        """Return the instants within frame `number`, s since the start, shape (instants,)."""
        start = number / self.frames_per_second
        return start + (np.arange(self.instants) + 0.5) / self.instants * self.exposure_s

    def middle_s(self, number: int) -> float:
        """Return the middle of frame `number`, s since the start."""
        return number / self.frames_per_second + self.exposure_s / 2


def choose_instants(exposure_s: float, coherence_s: float, most: int = 24) -> int:
    """Return how many wavefronts stand for an exposure: one for every two coherence times, at most `most`.

    Parameters
    ----------
    exposure_s, coherence_s : float
        Exposure and 0.314 r0 / v, s.
    most : int
        Limit. A long exposure then averages fewer wavefronts than pass through it; what is left of their speckles,
        1 / sqrt(24) of one wavefront's, is noise that the air does not make.
    """
    if math.isinf(coherence_s):
        return 1
    return max(1, min(most, math.ceil(exposure_s / (2 * coherence_s))))


@dataclass(frozen=True, eq=False)
class Optics:
    """The telescope's bands and the grid of the air.

    Parameters
    ----------
    grid : FineGrid
        Pixels and cells.
    base : BaseGrid
        Grid of the air's path difference.
    bands : tuple of Band
        All bands of all channels; channels may share one.
    channels : tuple of int
        Channel of each band.
    reference : int
        Band in which Strehl ratios are told.
    tilt_maps, tilt_planes : arrays, shape (2, samples, samples)
        From `tilt_fit` and `tilt_planes`.
    """

    grid: FineGrid
    base: BaseGrid
    bands: tuple[Band, ...]
    channels: tuple[int, ...]
    reference: int
    tilt_maps: Float32Array
    tilt_planes: Float32Array


@dataclass(frozen=True, eq=False)
class FrameMaker:
    """Computes frames by number.

    Parameters
    ----------
    optics : Optics
        Bands of the telescope.
    truth : Truth
        The planet at any time.
    timing : Timing
        When.
    camera : Camera
        Noise and numbers; a mono camera behind one filter.
    gain_e_per_dn : float
        Gain, e-/DN.
    sky_e_per_s : tuple of float
        Electrons per second and pixel of the sky in each channel.
    seed : int
        Seed of the noise.
    turbulence : Turbulence or None
        The air; None is still air.
    wander : Wander or None
        The mount's tracking error.
    drift_arcsec_per_s : pair of float
        Steady drift along rows and columns.
    mirrored : bool
        Whether the camera sees the field mirrored: columns are turned round at the end.
    """

    optics: Optics
    truth: Truth
    timing: Timing
    camera: Camera
    gain_e_per_dn: float
    sky_e_per_s: tuple[float, ...]
    seed: int = 0
    turbulence: Turbulence | None = None
    wander: Wander | None = None
    drift_arcsec_per_s: tuple[float, float] = (0.0, 0.0)
    mirrored: bool = False

    @property
    def raw_shape(self) -> tuple[int, int]:
        """(rows, columns) of a raw frame."""
        return self.optics.grid.rows, self.optics.grid.columns

    def expected(self, number: int) -> tuple[Float32Array, np.void]:
        """Return the expected electrons of a frame, (channels, rows, columns), and its `ROW`."""
        transfers, row = self._transfers(number)
        spectra = self.truth.spectra(self.timing.middle_s(number))
        picture = Picture(self.optics.grid)
        planes = np.empty((len(self.sky_e_per_s), *self.raw_shape), np.float32)
        seconds = np.float32(self.timing.exposure_s)
        for channel, sky in enumerate(self.sky_e_per_s):
            members = [band for band, owner in enumerate(self.optics.channels) if owner == channel]
            planes[channel] = picture.pixels(transfers[band] * spectra[band] for band in members)
            planes[channel] += np.float32(sky)
        planes *= seconds
        return (planes[:, :, ::-1] if self.mirrored else planes), row

    def frame(self, number: int) -> tuple[npt.NDArray[np.uint16], np.void]:
        """Return raw numbers (rows, columns) and the `ROW` of a frame."""
        planes, row = self.expected(number)
        rng = np.random.Generator(np.random.SFC64(np.random.SeedSequence(self.seed, spawn_key=(1_000_002, number))))
        seconds = self.timing.exposure_s
        return expose(planes, self.camera, rng, exposure_s=seconds, gain_e_per_dn=self.gain_e_per_dn), row

    def _transfers(self, number: int) -> tuple[list[Complex64Array], np.void]:
        optics, times = self.optics, self.timing.times_s(number)
        mount = self._mount(times)
        totals: dict[Band, Float32Array | None] = dict.fromkeys(optics.bands)
        tilts, residuals = np.zeros((len(times), 2)), np.zeros(len(times))
        for index, time_s in enumerate(times):
            opd, tilts[index], residuals[index] = self._wavefront(float(time_s), mount[index])
            for band, total in totals.items():
                totals[band] = band.add_response(opd, total)
        found = {band: band.transfer(total, len(times)) for band, total in totals.items() if total is not None}
        transfers = [found[band] for band in optics.bands]
        reference = optics.bands[optics.reference]
        intensity = totals[reference]
        strehl = 0.0 if intensity is None else reference.strehl(found[reference], intensity)
        told = (*tilts.mean(axis=0), *mount.mean(axis=0))
        row = np.zeros(1, ROW)
        row[0] = (number, self.timing.middle_s(number), *told, strehl, residuals.mean())
        return transfers, row[0]

    def _mount(self, times: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
        """Place of the field, arcsec along rows and columns, shape (instants, 2)."""
        place = np.outer(times - self.timing.frames / self.timing.frames_per_second / 2, self.drift_arcsec_per_s)
        return place if self.wander is None else place + self.wander.at(times)

    def _wavefront(
        self, time_s: float, mount: npt.NDArray[np.float64]
    ) -> tuple[Float32Array, npt.NDArray[np.float64], float]:
        """Path difference in nm, its whole tilt in arcsec, and the air's rms without tilt in nm."""
        optics = self.optics
        side = optics.base.samples
        if self.turbulence is None:
            opd, air, residual = np.zeros((side, side), np.float32), np.zeros(2), 0.0
        else:
            opd = self.turbulence.opd_nm(time_s)
            air = np.tensordot(optics.tilt_maps, opd, axes=2).astype(float)
            residual = _residual_nm(opd - np.tensordot(air.astype(np.float32), optics.tilt_planes, axes=1), optics)
        if mount.any():
            opd = opd + np.tensordot(mount.astype(np.float32), optics.tilt_planes, axes=1)
        return opd, air + mount, residual


def _residual_nm(opd: Float32Array, optics: Optics) -> float:
    """Rms over the open pupil (by weight) of a path difference, piston removed, nm."""
    # the tilt maps vanish outside the pupil and the weight is what they share
    weight = optics.bands[optics.reference].base_weight
    mean = float((weight * opd).sum())
    return math.sqrt(max(0.0, float((weight * opd * opd).sum()) - mean**2))
