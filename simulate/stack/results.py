"""The values that the recording room hands on."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from simulate.errors import InputError
from simulate.values.arrays import frozen_array

FloatArray = npt.NDArray[np.floating]


@dataclass(frozen=True)
class Exposure:
    """How the recording is exposed.

    Parameters
    ----------
    exposure_s : float
        Time of one exposure, s.
    gain_e_per_dn : float
        Electrons for one step of the converter.
    peak_electrons : float
        Expected electrons in the brightest pixel of one exposure.
    peak_fraction : float
        The same as a share of the lower of full well and converter range.
    frames, kept : int
        Exposures recorded, and how many of them enter the stack.
    seconds : float
        Length of the recording, s.
    frames_per_second : float
        Exposures a second, 1/s.
    limited_by : str
        What set the exposure: "full well", "motion of the air" or "user".
    overexposed_share : float
        Share of the lit disc (of its brightest channel) whose readings reach full scale, 0 to 1.
    """

    exposure_s: float
    gain_e_per_dn: float
    peak_electrons: float
    peak_fraction: float
    frames: int
    kept: int
    seconds: float
    frames_per_second: float
    limited_by: str = "user"
    overexposed_share: float = 0.0

    @property
    def overexposed_text(self) -> str:
        """How much of the disc is at full scale, in words; empty where nothing is."""
        if self.peak_fraction < 1.0:
            return ""
        share = 100 * self.overexposed_share
        return f"{share:.0f} % of the disc at full scale" if share >= 0.5 else "its brightest part is at full scale"


@dataclass(frozen=True)
class Recording:
    """What the stack needs to know of a recording and of how its frames are laid together.

    Parameters
    ----------
    exposure_s : float
        Time of one exposure, s.
    frames, kept : int
        Exposures recorded and kept.
    pixel_arcsec : float
        Side of a camera pixel on the sky, arcsec.
    channel_shares : tuple of float
        Share of the pixels that each colour channel owns: (1.0,) for a bare sensor,
        (0.25, 0.5, 0.25) for red, green, blue of a colour filter array.
    factor : float
        Output cells a pixel, along one axis: 1, 1.5, 2 or 3.
    drop_pixels : float
        Side of the drop that a pixel leaves in the stack, in pixels; 0 where frames are shifted by
        band-limited interpolation and nothing is spread.
    filled_in : bool
        Whether the colours of every frame are filled in before frames are laid on each other, on the
        camera's own pixels; the drop then counts for nothing.
    linear : bool
        Whether frames on the camera's own pixels are moved along straight lines between neighbours.
    registration_error_px : float
        Rms error of a frame's place in each axis, pixels.
    """

    exposure_s: float
    frames: int
    kept: int
    pixel_arcsec: float
    channel_shares: tuple[float, ...] = (1.0,)
    factor: float = 1.0
    drop_pixels: float = 0.0
    filled_in: bool = False
    linear: bool = False
    registration_error_px: float = 0.0

    def __post_init__(self) -> None:
        if (self.filled_in or self.linear) and self.factor != 1:
            raise InputError("cells a pixel", self.factor, "frames that were filled in lie on the camera's own pixels")
        if self.exposure_s <= 0 or self.pixel_arcsec <= 0 or self.factor <= 0:
            raise InputError("recording", self, "exposure, pixel and factor must be positive")
        if not 1 <= self.kept <= self.frames:
            raise InputError("kept frames", self.kept, f"keep between 1 and the {self.frames} recorded frames")

    @property
    def step_arcsec(self) -> float:
        """Side of a cell of the stack, arcsec."""
        return self.pixel_arcsec / self.factor

    @property
    def on_own_pixels(self) -> bool:
        """Whether frames are filled in or moved on the camera's own pixels, with aliases that scatter."""
        return self.filled_in or self.linear

    @property
    def spreads(self) -> bool:
        """Whether laying frames together blurs at all."""
        return self.on_own_pixels or self.drop_pixels > 0 or self.registration_error_px > 0


@dataclass(frozen=True, eq=False)
class Stack:
    """The mean of the kept exposures.

    Parameters
    ----------
    picture : array, shape (channels, rows, columns)
        Electrons per second **per camera pixel** (a cell of the stack is smaller: the sum over the
        cells times ``(step_arcsec / pixel_arcsec)**2`` is the electrons per second of the channel).
    noise : array, shape (channels, rows, columns)
        Standard deviation of `picture`, e-/s.
    noise_spectrum : array, shape (channels, rows, columns//2+1)
        Power of the noise over frequency relative to white noise of the same variance (mean 1 over
        the plane), layout of ``rfft2``.
    transfer : array, shape (channels, rows, columns//2+1)
        Response from the truth to `picture`, 1 at zero frequency, layout of ``rfft2``.
    step_arcsec, pixel_arcsec : float
        Side of a cell of the stack and of a camera pixel, arcsec.
    exposure_s : float
        Time of one exposure, s.
    frames, kept : int
        Exposures recorded and kept.
    scatter : array, shape (channels, rows, columns), or None
        Standard deviation by aliases, e-/s: it does not average out (`simulate.stack.interpolated`).
    """

    picture: FloatArray
    noise: FloatArray
    noise_spectrum: FloatArray
    transfer: npt.NDArray[np.inexact]
    step_arcsec: float
    pixel_arcsec: float
    exposure_s: float
    frames: int
    kept: int
    scatter: FloatArray | None = None

    def __post_init__(self) -> None:
        for name in ("picture", "noise", "noise_spectrum", "transfer"):
            object.__setattr__(self, name, frozen_array(getattr(self, name)))
        if self.scatter is not None:
            object.__setattr__(self, "scatter", frozen_array(self.scatter))

    @property
    def factor(self) -> float:
        """Cells of the stack a camera pixel, along one axis."""
        return self.pixel_arcsec / self.step_arcsec


@dataclass(frozen=True, eq=False)
class Restored:
    """A restored stack.

    Parameters
    ----------
    picture : array, shape (channels, rows, columns)
        In the unit of what was restored (e-/s per camera pixel).
    noise : array, shape (channels, rows, columns)
        Standard deviation of `picture`, same unit.
    transfer : array, shape (channels, rows, columns//2+1)
        Final response from the truth to `picture`: transfer of the stack times `gain`.
    gain : array, shape (channels, rows, columns//2+1)
        What the restoration multiplies each frequency by; complex where it also undoes shifts.
    noise_gain : tuple of float
        Noise after over noise before, one number a channel.
    limb_overshoot : tuple of float
        By how much an evenly bright, straight limb would overshoot its own brightness, as a share of
        it, one number a channel. The sky beside it undershoots by the same amount.
    delivered_fwhm_arcsec : tuple of float
        Width of the final point response at half its peak, arcsec, one number a channel.
    step_arcsec : float
        Side of a cell, arcsec.
    """

    picture: FloatArray
    noise: FloatArray
    transfer: npt.NDArray[np.inexact]
    gain: npt.NDArray[np.inexact]
    noise_gain: tuple[float, ...]
    limb_overshoot: tuple[float, ...]
    delivered_fwhm_arcsec: tuple[float, ...]
    step_arcsec: float

    def __post_init__(self) -> None:
        for name in ("picture", "noise", "transfer", "gain"):
            object.__setattr__(self, name, frozen_array(getattr(self, name)))
