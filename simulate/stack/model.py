"""What a stack of a recording can have kept of the truth: its transfer by theory, or measured against a known truth."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import numpy.typing as npt
import scipy.fft

from simulate.air import kept_transfer
from simulate.stack.combine import FrameStack
from simulate.stack.expected import plane_mean, spread_powers, spread_transfers
from simulate.stack.reader import Facts
from simulate.stack.results import Stack
from simulate.telescope import Telescope, make_pupil, transfer
from simulate.values.constants import FWHM_PER_SIGMA
from simulate.values.grid import Grid

FloatArray = npt.NDArray[np.floating]

CHANNEL_NM = {"red": 610.0, "green": 540.0, "blue": 465.0, "luminance": 550.0}
"""Middle of each channel of a colour camera or of the visible, nm (common practice)."""


def model_transfer(facts: Facts, stack: FrameStack, obstruction_mm: float = 0.0) -> npt.NDArray[np.float32] | None:
    """Return the transfer of a stack by theory, (channels, rows, columns//2+1), or None if too little is known.

    A perfect telescope of the aperture, the mean transfer of the kept share of aligned frames, the pixel, the drop
    and the cell.

    Parameters
    ----------
    facts : Facts
        Pixel scale and aperture must be known, and D/r0 or the seeing.
    stack : FrameStack
        Its shape, kept share and drop.
    obstruction_mm : float
        Diameter of the secondary mirror.
    """
    if facts.pixel_arcsec is None or facts.aperture_mm is None:
        return None
    aperture_m, fried_m = facts.aperture_mm * 1e-3, facts.fried_m
    if fried_m is None:
        return None
    rows, columns = stack.picture.shape[1:]
    grid = Grid(rows, columns, stack.laid.step_arcsec)
    pupil = make_pupil(Telescope(facts.aperture_mm, 10 * facts.aperture_mm, obstruction_mm=obstruction_mm))
    pixel = facts.pixel_arcsec
    box = np.sinc(grid.frequency_north() * pixel)[:, None] * np.sinc(grid.frequency_west() * pixel)
    spread = spread_transfers((rows, columns), stack.laid)
    planes = []
    for name, laid in zip(stack.channel_names, spread, strict=True):
        nm = CHANNEL_NM[name]
        air = np.ones(grid.frequency().shape)
        if math.isfinite(fried_m):
            kept = len(stack.kept) / len(stack.grades)
            air = kept_transfer(grid.frequency(), nm, fried_m * (nm / 550.0) ** 1.2, aperture_m, kept=kept)
        planes.append(transfer(pupil, grid, nm).real * air * box * laid)
    return np.asarray(planes, np.float32)


def as_stack(stack: FrameStack, response: npt.NDArray[Any]) -> Stack:
    """Return a stack of frames as the value that an expected stack is too, with its transfer.

    Parameters
    ----------
    stack : FrameStack
        Mean and noise.
    response : array, shape (channels, rows, columns//2+1)
        Its transfer.
    """
    laid = stack.laid
    shape = (stack.picture.shape[1], stack.picture.shape[2])
    power = spread_powers(shape, laid)
    spectrum = (power / np.asarray(plane_mean(power, shape[1]))[:, None, None]).astype(np.float32)
    return Stack(
        picture=stack.picture,
        noise=stack.noise,
        noise_spectrum=spectrum,
        transfer=np.asarray(response),
        step_arcsec=laid.step_arcsec,
        pixel_arcsec=laid.pixel_arcsec,
        exposure_s=laid.exposure_s,
        frames=laid.frames,
        kept=laid.kept,
    )


def measured_transfer(picture: FloatArray, truth: FloatArray, step_arcsec: float, cutoff: float) -> FloatArray:
    """Measure a round transfer by comparing a picture with its truth, both on one grid, (rows, columns//2+1).

    In each ring of frequency the factor that brings the truth's spectrum to the picture's by least squares; the
    picture may lie elsewhere, its shift is found first. Beyond `cutoff` it is zero.

    Parameters
    ----------
    picture, truth : array, shape (rows, columns)
        Same unit.
    step_arcsec : float
        Side of a cell, arcsec.
    cutoff : float
        Highest frequency, cycles/arcsec.
    """
    from simulate.stack.quality import Examiner, NoiseModel, move

    shape = (picture.shape[0], picture.shape[1])
    radius = Grid(*shape, step_arcsec).frequency()
    examiner = Examiner(shape, Facts(), NoiseModel(0.0, 0.0))
    seen, true = examiner.spectrum(np.asarray(picture, np.float32)), examiner.spectrum(np.asarray(truth, np.float32))
    seen = move(seen, shape, examiner.shift(true, seen))
    ring = np.rint(radius * min(shape) * step_arcsec).astype(int)
    cross = np.bincount(ring.ravel(), (seen * true.conj()).real.ravel().astype(float))
    own = np.bincount(ring.ravel(), (np.abs(true) ** 2).ravel().astype(float))
    profile = np.divide(cross, own, out=np.zeros_like(cross), where=own > 0)
    profile /= profile[0]
    return np.where(radius <= cutoff, profile[ring], 0.0)


def limb_fwhm_px(plane: FloatArray) -> float:
    """Estimate the width of the blur from the steepest part of a planet's limb, in cells of the picture.

    A sharp step of height h blurred by a Gaussian rises by h / (sigma sqrt(2 pi)) a cell at most; h is taken as
    the brightness just inside. Limb darkening makes the estimate too large by some tenths.

    Parameters
    ----------
    plane : array, shape (rows, columns)
        A picture on a dark sky.
    """
    smooth = smoothed(plane, 1.0)
    along_rows, along_columns = np.gradient(smooth)
    slope = np.hypot(along_rows, along_columns)
    steepest = float(np.quantile(slope, 0.999))
    height = float(np.quantile(smooth, 0.99)) - float(np.median(smooth[:2]))
    if steepest <= 0 or height <= 0:
        return math.nan
    variance = (0.75 * height / steepest) ** 2 / (2 * math.pi) - 1.0
    return FWHM_PER_SIGMA * math.sqrt(max(variance, 0.1))


def smoothed(plane: FloatArray, sigma: float) -> FloatArray:
    """Return a picture smoothed by a Gaussian of `sigma` cells, by its transform."""
    rows, columns = np.fft.fftfreq(plane.shape[0])[:, None], np.fft.rfftfreq(plane.shape[1])
    blur = np.exp(-2 * (np.pi * sigma) ** 2 * (rows**2 + columns**2))
    return np.asarray(scipy.fft.irfft2(np.asarray(scipy.fft.rfft2(plane)) * blur, s=plane.shape))
