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
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt
import scipy.fft

FloatArray = npt.NDArray[np.floating]
Lattice = Literal["every pixel", "chequered", "every second"]
"""Where the pixels of a colour lie: all of them, every second in chess order (green), every second along both axes."""

_ORDERS = 2
"""Aliases up to this order along each axis are counted; the kernel's lobes fall as the square of the order."""

_FAINTEST = 1e-4
"""Aliases below this share of the picture, rms, are not counted."""

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


@dataclass(frozen=True, eq=False)
class Aliases:
    """The aliases of one picture on one lattice: k and a_k at the pixels, strongest first, as long as they count.

    Parameters
    ----------
    parts : tuple of (k, array of complex64)
        k in cycles a pixel along rows and columns, one of each pair (k, -k); a_k in the unit of the picture,
        (rows, columns) of the pixels.
    pixels : (int, int)
        (rows, columns).
    """

    parts: tuple[tuple[tuple[float, float], npt.NDArray[np.complex64]], ...]
    pixels: tuple[int, int]

    def scatter(self) -> npt.NDArray[np.float32]:
        """Return the rms scatter of one noise-free frame over all places of the pixels on the picture."""
        variance = np.zeros(self.pixels, np.float32)
        for _, part in self.parts:
            variance += 2 * (np.square(part.real) + np.square(part.imag))  # k and -k
        return np.sqrt(variance)

    def pattern(self, place: tuple[float, float]) -> npt.NDArray[np.float32]:
        """Return by how much a frame at one place of the pixels departs from the mean over all places.

        Parameters
        ----------
        place : (float, float)
            By how much the picture's first cell lies beyond a pixel of that colour along rows and columns, in
            units of two pixels, 0 to 1.
        """
        found = np.zeros(self.pixels, np.float32)
        for (along_rows, along_columns), part in self.parts:
            turn = 2 * np.pi * 2 * (along_rows * place[0] + along_columns * place[1])
            found += 2 * (part * np.complex64(complex(math.cos(turn), math.sin(turn)))).real
        return found


def find_aliases(picture: FloatArray, lattice: Lattice, pixels: tuple[int, int], *, linear: bool = True) -> Aliases:
    """Return the aliases that a lattice makes of a picture.

    Parameters
    ----------
    picture : array, shape (rows, columns)
        What a pixel centred on each cell would read, on cells of the same field, at least one a pixel; its
        sky is taken to be even.
    lattice : Lattice
        Of the colour.
    pixels : (int, int)
        Pixels (rows, columns) of the field.
    linear : bool
        See `kernel_transfer`.
    """
    cells = picture.shape
    spectrum = np.fft.fftshift(np.asarray(scipy.fft.fft2(picture - np.float32(picture[0, 0])), np.complex64))
    power = np.square(spectrum.real) + np.square(spectrum.imag)
    # what the telescope passes lies in a small box of frequencies; only that is moved about
    box = tuple(_filled(power.sum(axis=1 - axis)) for axis in (0, 1))
    # so many cells a pixel carry what the kernel passes around the nearest aliases
    dense = 2 if lattice == "every second" else 3
    fine = (dense * pixels[0], dense * pixels[1])
    lines = [np.fft.fftshift(np.fft.fftfreq(n, 1 / dense)) for n in fine]
    # the first pixel's middle lies (pixel - cell) / 2 beyond the first cell's; the aliases are wanted at pixels
    moves = [0.5 * (1.0 - whole / count) for whole, count in zip(pixels, cells, strict=True)]
    scale = np.float32(pixels[0] * pixels[1] / (cells[0] * cells[1]))
    found, counted = [], _FAINTEST**2 * float(power.sum())
    for k in aliases_of(lattice):
        # a lattice that does not fit an odd number of pixels is stretched by a part of one
        away = [round(part * whole) for part, whole in zip(k, pixels, strict=True)]
        source, target = _placed(box, away, cells, fine)
        rows, columns = lines[0][target[0]], lines[1][target[1]]
        part = spectrum[source] * kernel_transfer(lattice, rows, columns, linear=linear).astype(np.float32)
        strength = float(np.sum(np.square(part.real) + np.square(part.imag)))
        if strength <= _NEGLIGIBLE * counted:
            continue
        counted += strength
        whole = np.zeros(fine, np.complex64)
        phase = np.outer(np.exp(2j * np.pi * rows * moves[0]), np.exp(2j * np.pi * columns * moves[1]))
        whole[target] = part * phase.astype(np.complex64)
        # taking every dense-th cell afterwards is folding the frequencies before
        folded = np.fft.ifftshift(whole).reshape(dense, pixels[0], dense, pixels[1]).sum(axis=(0, 2))
        found.append((k, np.asarray(scipy.fft.ifft2(folded, overwrite_x=True)) * scale))
    return Aliases(tuple(found), pixels)


def _filled(power: FloatArray) -> slice:
    """Indices between which all but a part in 10^8 of a line's power lies."""
    strong = np.flatnonzero(power > 1e-9 * power.sum())
    return slice(int(strong[0]), int(strong[-1]) + 1) if strong.size else slice(0, 0)


def _placed(
    box: tuple[slice, ...], away: list[int], cells: tuple[int, ...], fine: tuple[int, int]
) -> tuple[tuple[slice, slice], tuple[slice, slice]]:
    """Where the frequencies of a box come to lie on a finer plane when all are raised by `away`; both centred."""
    source, target = [], []
    for part, up, size, count in zip(box, away, cells, fine, strict=True):
        move = up + count // 2 - size // 2
        low, high = max(part.start + move, 0), min(part.stop + move, count)
        high = max(high, low)
        target.append(slice(low, high))
        source.append(slice(low - move, high - move))
    return (source[0], source[1]), (target[0], target[1])
