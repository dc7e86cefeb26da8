"""The colours of a stack laid on each other: the air lifts blue light above red, here measured on the picture."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt
import scipy.fft

from simulate.stack.combine import FrameStack
from simulate.stack.quality import Examiner, NoiseModel, move
from simulate.stack.reader import Facts, border_of

FloatArray = npt.NDArray[np.floating]

OUTLINE = 0.5
"""Share of a disc's brightness above which all is cut: what is left is the disc's outline, which all colours share,
while belts, caps and clouds differ from colour to colour."""

LIT = 0.25
"""Share of the brightest part from which a cell counts as lit."""

FULL_BORDER = 0.05
"""Share of lit cells along the border from which a body is taken to reach beyond the field."""


def colour_shifts(planes: FloatArray, reference: int) -> npt.NDArray[np.float64]:
    """Measure by how much each colour must be moved to lie on one of them, (channels, 2): rows, columns, in cells.

    Where the body lies within the field its outlines are laid on each other; where it fills the field, all structure.

    Parameters
    ----------
    planes : array, shape (channels, rows, columns)
        The stack's colours.
    reference : int
        The one that stays.
    """
    shape = (planes.shape[1], planes.shape[2])
    examiner = Examiner(shape, Facts(), NoiseModel(0.0, 0.0))
    spectra = [examiner.spectrum(_outline(plane)) for plane in planes]
    return np.array([examiner.shift(spectra[reference], spectrum) for spectrum in spectra])


def _outline(plane: FloatArray) -> npt.NDArray[np.float32]:
    values = np.asarray(plane, np.float32)
    border = border_of(values)
    above = values - np.float32(np.median(border))
    lit = above > LIT * np.quantile(above, 0.999)
    if not lit.any() or np.mean(border > np.median(values[lit]) / 2) > FULL_BORDER:
        return values
    return np.clip(above, 0.0, np.float32(OUTLINE * np.median(above[lit])))


def with_colours_aligned(stack: FrameStack, shifts: FloatArray) -> FrameStack:
    """Return a stack with each colour moved.

    Parameters
    ----------
    stack : FrameStack
        As laid together.
    shifts : array, shape (channels, 2)
        By how much each colour moves, rows and columns, cells.
    """
    shape = (stack.picture.shape[1], stack.picture.shape[2])
    moved = [
        scipy.fft.irfft2(move(np.asarray(scipy.fft.rfft2(plane), np.complex64), shape, (row, column)), s=shape)
        for plane, (row, column) in zip(stack.picture, shifts, strict=True)
    ]
    # the noise follows the brightness, which changes little within a cell
    noise = [
        np.roll(plane, (round(row), round(column)), (0, 1))
        for plane, (row, column) in zip(stack.noise, shifts, strict=True)
    ]
    return replace(stack, picture=np.asarray(moved, np.float32), noise=np.asarray(noise, np.float32))
