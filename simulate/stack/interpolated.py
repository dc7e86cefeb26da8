"""Frames whose colours were filled in one by one, laid on each other on the camera's own pixels.

Each colour of a filter array samples the picture on a lattice of its own. Filling the gaps with the mean of the
nearest pixels of that colour, and moving the frame by part of a pixel along a straight line between neighbours, are
together one fixed kernel w that is put on every sample. With the samples at a place s of the picture a frame is

    P(x; s) = sum over k of exp(2 pi i k.s) a_k(x),    a_k = w * (g exp(2 pi i k.x)),

k running over the lattice's reciprocal. Averaged over all places s only k = 0 is left: the mean transfer is the
kernel's alone. The other terms are aliases; by Parseval their scatter over the places is the sum of |a_k|^2. Frames
of a tracked planet repeat the same few places, so that scatter does not average out.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any, Literal

import numpy as np
import numpy.typing as npt
import scipy.fft

FloatArray = npt.NDArray[np.floating]
Lattice = Literal["every pixel", "chequered", "every second"]
"""Where the pixels of a colour lie: all of them, every second in chess order (green), every second along both axes."""

_ORDERS = 2
"""Aliases up to this order along each axis are counted; the kernel's lobes fall as the square of the order."""

_NEGLIGIBLE = 0.002
"""An alias that adds less than this share to the power of those before it is left out."""


def lattice_of(share: float) -> Lattice:
    """Return the lattice of a channel that owns this share of the pixels."""
    if share >= 0.99:
        return "every pixel"
    return "chequered" if share > 0.3 else "every second"


def kernel_transfer(lattice: Lattice, north_px: FloatArray, west_px: FloatArray, *, linear: bool = True) -> FloatArray:
    """Return the transfer of the kernel, (rows, columns): filled-in colour, then registration.

    Parameters
    ----------
    lattice : Lattice
        Of the colour.
    north_px, west_px : arrays, shape (rows,) and (columns,)
        Frequencies, cycles a pixel.
    linear : bool
        Whether frames are moved along straight lines between neighbours; else without loss.

    Notes
    -----
    Moving by a share t between two neighbours, all t alike, is convolution by a triangle one pixel to each side:
    sinc^2. Filling in is (1 + cos 2 pi f) / 2 along each axis for a colour on every second pixel, which with the
    triangle is sinc^2(2 f), and the mean of a pixel and its four neighbours for a colour in chess order.
    """
    moved = np.outer(_moved(north_px, linear), _moved(west_px, linear))
    if lattice == "every pixel":
        return moved
    north, west = np.cos(2 * np.pi * north_px)[:, None], np.cos(2 * np.pi * west_px)[None, :]
    if lattice == "chequered":
        return moved * (1 + (north + west) / 2) / 2
    return moved * (1 + north) * (1 + west) / 4


def _moved(frequency_px: FloatArray, linear: bool) -> FloatArray:
    # without loss means: as band-limited as the pixels themselves
    return np.sinc(frequency_px) ** 2 if linear else (np.abs(frequency_px) <= 0.5).astype(float)


def aliases_of(lattice: Lattice) -> tuple[tuple[float, float], ...]:
    """Return the reciprocal lattice but for 0, cycles a pixel: one of each pair (k, -k), nearest first."""
    step = 1.0 if lattice == "every pixel" else 0.5
    orders = range(-_ORDERS, _ORDERS + 1)
    found = [(step * row, step * column) for row in orders for column in orders if (row, column) > (0, 0)]
    if lattice == "chequered":  # every second point of that net: both orders even or both odd
        found = [k for k in found if round(2 * (k[0] + k[1])) % 2 == 0]
    return tuple(sorted(found, key=lambda k: (math.hypot(*k), k)))


def alias_scatter(
    picture: FloatArray, lattice: Lattice, pixels: tuple[int, int], *, linear: bool = True
) -> npt.NDArray[np.float32]:
    """Return the rms scatter of one noise-free frame over all places of the pixels on the picture, at the pixels.

    Parameters
    ----------
    picture : array, shape (rows, columns)
        What a pixel centred on each cell would read, on cells of the same field, at least one a pixel.
    lattice : Lattice
        Of the colour.
    pixels : (int, int)
        Pixels (rows, columns) of the field.
    linear : bool
        See `kernel_transfer`.

    Returns
    -------
    array, shape `pixels`
        In the unit of `picture`; an even sky adds nothing.
    """
    variance = np.zeros(pixels, np.float32)
    for _, part in _aliases(picture, lattice, pixels, linear):
        variance += 2 * (np.square(part.real) + np.square(part.imag))  # k and -k
    return np.sqrt(variance)


def alias_pattern(
    picture: FloatArray,
    lattice: Lattice,
    pixels: tuple[int, int],
    place: tuple[float, float],
    *,
    linear: bool = True,
) -> npt.NDArray[np.float32]:
    """Return by how much a frame at one place of the pixels departs from the mean over all places, shape `pixels`.

    Parameters
    ----------
    picture, lattice, pixels, linear :
        As for `alias_scatter`.
    place : (float, float)
        By how much the picture's first cell lies beyond a pixel of that colour along rows and columns, in units of
        two pixels, 0 to 1.
    """
    found = np.zeros(pixels, np.float32)
    for (along_rows, along_columns), part in _aliases(picture, lattice, pixels, linear):
        turn = 2 * np.pi * 2 * (along_rows * place[0] + along_columns * place[1])
        found += 2 * (part * np.complex64(complex(math.cos(turn), math.sin(turn)))).real
    return found


def _aliases(
    picture: FloatArray, lattice: Lattice, pixels: tuple[int, int], linear: bool
) -> Iterator[tuple[tuple[float, float], npt.NDArray[np.complex64]]]:
    """Yield k and a_k at the pixels, strongest first, as long as they count."""
    cells = picture.shape
    spectrum = np.fft.fftshift(np.asarray(scipy.fft.fft2(picture - np.float32(picture[0, 0])), np.complex64))
    # so many cells a pixel carry what the kernel passes around the nearest aliases
    dense = 2 if lattice == "every second" else 3
    fine = (dense * pixels[0], dense * pixels[1])
    north, west = (np.fft.fftshift(np.fft.fftfreq(n, 1 / dense)) for n in fine)
    # the first pixel's middle lies (pixel - cell) / 2 beyond the first cell's; the aliases are wanted at pixels
    moves = [0.5 * (1.0 - whole / count) for whole, count in zip(pixels, cells, strict=True)]
    phase = np.outer(np.exp(2j * np.pi * north * moves[0]), np.exp(2j * np.pi * west * moves[1]))
    kernel = (kernel_transfer(lattice, north, west, linear=linear) * phase).astype(np.complex64)
    scale = np.float32(fine[0] * fine[1] / (cells[0] * cells[1]))
    counted = 0.0
    for along_rows, along_columns in aliases_of(lattice):
        # a lattice that does not fit an odd number of pixels is stretched by a part of one
        shifted = _around(spectrum, (round(along_rows * pixels[0]), round(along_columns * pixels[1])), fine)
        shifted *= kernel
        power = float(np.sum(np.square(shifted.real) + np.square(shifted.imag)))
        if power > _NEGLIGIBLE * counted:
            counted += power
            part = np.asarray(scipy.fft.ifft2(np.fft.ifftshift(shifted), overwrite_x=True))[::dense, ::dense]
            yield (along_rows, along_columns), part * scale


def _around(spectrum: npt.NDArray[np.complex64], place: tuple[int, int], shape: tuple[int, int]) -> Any:
    """Return the part of a centred spectrum of `shape`, its middle `place` frequencies below the spectrum's; else 0."""
    result = np.zeros(shape, np.complex64)
    source, target = [], []
    for size, away, count in zip(spectrum.shape, place, shape, strict=True):
        first = size // 2 - away - count // 2
        low, high = max(first, 0), min(first + count, size)
        source.append(slice(low, max(high, low)))
        target.append(slice(low - first, max(high, low) - first))
    result[tuple(target)] = spectrum[tuple(source)]
    return result
