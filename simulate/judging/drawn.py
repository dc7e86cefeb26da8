"""A body and its features drawn once, each on a patch of its own, and their transforms on any canvas.

A feature's light is what a scene loses without it. It is drawn on the rectangle that it fills, in cells as
fine as the canvas of the setup asks for and no finer, so that what comes out belongs to the feature and the
setup and to nothing else in the run. Bodies have few colours: a patch of many spectral bins is kept as a few
pictures, each with a spectrum (its principal components, found in the bins' matrix of products), and of their
transforms only what a telescope passes. Drawings and transforms are kept for the next setup, practice level
or command that asks for the same.
"""

from __future__ import annotations

import math
import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any, TypeVar

import numpy as np
import numpy.typing as npt
import scipy.fft

from simulate.bodies import Body
from simulate.geometry import Apparition
from simulate.light.canvas import JudgingCanvas
from simulate.scene import PointSource, SceneOptions, render
from simulate.stack import crop_spectrum
from simulate.values.grid import Grid
from simulate.values.spectrum import SpectralBins

FloatArray = npt.NDArray[np.floating]
Spectrum = npt.NDArray[np.complexfloating]
Made = TypeVar("Made")

COLOUR_ERROR = 3e-4
"""Pictures of less than this share of the strongest one's amplitude are left out of a drawing."""

MOST_BYTES = 96_000_000
"""Size up to which drawings and transforms are kept; beyond it the longest unused go."""


@dataclass(frozen=True)
class Subject:
    """What is drawn: a body as it stands, with what is left out of it.

    Parameters
    ----------
    body : Body
        What is looked at.
    seen : Apparition
        How it stands.
    options : SceneOptions
        How it is drawn.
    bins : SpectralBins
        In which spectral bins.
    """

    body: Body
    seen: Apparition
    options: SceneOptions
    bins: SpectralBins

    def lacking(self, names: frozenset[str]) -> Subject:
        """Return the same without features."""
        return replace(self, options=replace(self.options, without=self.options.without | names))


@dataclass(frozen=True, eq=False)
class Drawing:
    """Radiance on a patch, as a few pictures with a spectrum each.

    Parameters
    ----------
    patch : Grid
        Whole cells of the canvas' drawing grid.
    pictures : float32 array, shape (pictures, rows, columns)
        Mean over each cell.
    colours : array, shape (pictures, bins)
        What each counts in each bin: radiance = colours^T @ pictures.
    """

    patch: Grid
    pictures: npt.NDArray[np.float32]
    colours: FloatArray


@dataclass(frozen=True, eq=False)
class Waves:
    """The transform of light on the sky about the body's middle, inside the band of a canvas.

    Parameters
    ----------
    modes : complex64 array, shape (modes, rows, columns//2+1)
        Integral of each picture times the wave of each frequency, arcsec2; layout of ``rfft2``.
    colours : array, shape (modes, bins)
        What each counts in each bin.
    """

    modes: npt.NDArray[np.complex64]
    colours: FloatArray

    def within(self, cells: int) -> npt.NDArray[np.complex64]:
        """Return the modes at the frequencies of a coarser canvas of the same side."""
        return crop_spectrum(self.modes, (cells, cells), self.modes.shape[1])

    def plus(self, other: Waves, sign: float = 1.0) -> Waves:
        """Return the sum with another, or its difference."""
        return Waves(
            np.concatenate([self.modes, other.modes]), np.concatenate([self.colours, np.float64(sign) * other.colours])
        )


class Kept:
    """Values by key, the longest unused forgotten beyond a size in bytes; safe to share between threads."""

    def __init__(self, most_bytes: int) -> None:
        self._most, self._held = most_bytes, 0
        self._values: OrderedDict[Hashable, tuple[Any, int]] = OrderedDict()
        self._lock = threading.Lock()

    def get(self, key: Hashable, make: Callable[[], Made], size: Callable[[Made], int]) -> Made:
        """Return the value of a key, made if it is not there."""
        with self._lock:
            if key in self._values:
                self._values.move_to_end(key)
                return self._values[key][0]
        value = make()
        length = size(value)
        with self._lock:
            if key not in self._values:
                self._values[key] = value, length
                self._held += length
                while self._held > self._most and len(self._values) > 1:
                    self._held -= self._values.popitem(last=False)[1][1]
        return value


_DRAWINGS = Kept(MOST_BYTES // 2)
_WAVES = Kept(MOST_BYTES)


def _box_cells(canvas: JudgingCanvas, half_cells: float) -> int:
    """Half the side, in cells of the drawing, of the square that holds so many of the coarsest ones."""
    return math.ceil(half_cells) * canvas.finer


def body_patch(canvas: JudgingCanvas) -> Grid:
    """Return the square around the body with its rings, in cells of the canvas' drawing."""
    side = 2 * _box_cells(canvas, canvas.half_body_cells)
    return Grid(side, side, canvas.drawn_step_arcsec)


def draw(subject: Subject, patch: Grid) -> npt.NDArray[np.float32]:
    """Return the radiance of a subject on a patch, points left out, (bins, rows, columns)."""
    return render(subject.seen, subject.body, patch, subject.bins, options=subject.options).radiance


def in_pictures(radiance: FloatArray, patch: Grid) -> Drawing:
    """Return a patch as its principal pictures.

    Parameters
    ----------
    radiance : array, shape (bins, rows, columns)
        Of each bin.
    patch : Grid
        Its cells.
    """
    flat = radiance.reshape(len(radiance), -1)
    # bins are wide and narrow, bright and dim: each is to be right by its own measure
    scale = np.sqrt(np.maximum(np.einsum("ij,ij->i", flat, flat, dtype=np.float64), 1e-60))
    products = (flat @ flat.T).astype(np.float64) / np.outer(scale, scale)
    values, vectors = np.linalg.eigh(products)
    kept = values > COLOUR_ERROR**2 * max(values[-1], 1e-30)
    mix = vectors[:, kept].T
    pictures = (mix / scale).astype(np.float32) @ flat
    return Drawing(patch, pictures.reshape(-1, *radiance.shape[1:]), mix * scale)


def waves_of(drawing: Drawing, canvas: JudgingCanvas) -> Waves:
    """Return the transform of a drawing on a canvas, the mean over the drawing's cells undone.

    Only the band of the canvas is kept. The drawing's grid divides the canvas' side into whole cells, so that
    a transform filled up with zeros gives the canvas' own frequencies.
    """
    whole, patch, band = canvas.drawn_cells, drawing.patch, canvas.band_cells
    step = patch.step_arcsec
    lines = np.asarray(scipy.fft.rfft(drawing.pictures, n=whole, axis=2))[:, :, : band // 2 + 1]
    plane = np.asarray(scipy.fft.fft(lines, n=whole, axis=1))
    plane = np.concatenate([plane[:, : band // 2], plane[:, whole - band // 2 :]], axis=1)
    north, west = np.fft.fftfreq(band, canvas.side_arcsec / band), np.fft.rfftfreq(band, canvas.side_arcsec / band)
    # the patch's first cell, seen from the body's middle
    first_north, first_west = float(patch.north_arcsec()[0]), -float(patch.east_arcsec()[0])
    rows = np.exp(-2j * np.pi * north * first_north) / np.sinc(north * step)
    columns = np.exp(-2j * np.pi * west * first_west) / np.sinc(west * step)
    plane *= (step**2 * rows[:, None] * columns[None, :]).astype(np.complex64)
    return Waves(plane.astype(np.complex64, copy=False), drawing.colours)


def point_waves(point: PointSource, canvas: JudgingCanvas) -> Waves:
    """Return the transform of a point source."""
    band = canvas.band_cells
    north, west = np.fft.fftfreq(band, canvas.side_arcsec / band), np.fft.rfftfreq(band, canvas.side_arcsec / band)
    rows, columns = (
        np.exp(-2j * np.pi * north * point.north_arcsec),
        np.exp(2j * np.pi * west * point.east_arcsec),
    )
    return Waves(np.outer(rows, columns).astype(np.complex64)[None], np.asarray(point.photons, float)[None])


def body_waves(subject: Subject, canvas: JudgingCanvas) -> Waves:
    """Return the transform of a body as it stands; its satellites too, where they lie inside the canvas."""

    def make() -> Waves:
        patch = body_patch(canvas)
        scene = render(subject.seen, subject.body, patch, subject.bins, options=subject.options)
        waves = waves_of(in_pictures(scene.radiance, patch), canvas)
        half = canvas.side_arcsec / 2
        for point in scene.points:
            if max(abs(point.east_arcsec), abs(point.north_arcsec)) < half:
                waves = waves.plus(point_waves(point, canvas))
        return waves

    return _WAVES.get(("body", subject, canvas.drawn), make, lambda waves: waves.modes.nbytes)


@dataclass(frozen=True, eq=False)
class Lost:
    """What a scene loses without a feature, drawn whole and coarse: where it lies and how strong it is.

    Parameters
    ----------
    subject, other : Subject
        With it and without it.
    grid : Grid
        Coarse cells over the body and its rings.
    planes : (array, array), each of shape (bins, rows, columns)
        Radiance with and without.
    """

    subject: Subject
    other: Subject
    grid: Grid
    planes: tuple[FloatArray, FloatArray]

    @cached_property
    def box(self) -> tuple[slice, slice] | None:
        """Rows and columns of the coarse cells that differ, two to spare; None where none does."""
        change = np.abs(self.planes[0] - self.planes[1]).max(axis=0)
        strong = change > 1e-6 * max(float(self.planes[0].max()), float(self.planes[1].max()))
        if not strong.any():
            return None
        ends = []
        for axis, count in ((1, self.grid.rows), (0, self.grid.columns)):
            used = np.flatnonzero(strong.any(axis=axis))
            ends.append(slice(max(0, int(used[0]) - 2), min(count, int(used[-1]) + 3)))
        return ends[0], ends[1]

    def patch(self, canvas: JudgingCanvas) -> Grid:
        """Return the rectangle that the feature fills, in cells of the canvas' drawing."""
        assert self.box is not None
        rows, columns = self.box
        north, east = self.grid.north_arcsec()[rows], self.grid.east_arcsec()[columns]
        ratio = round(self.grid.step_arcsec / canvas.drawn_step_arcsec)
        return Grid(
            ratio * len(north), ratio * len(east), canvas.drawn_step_arcsec,
            float(east[0] + east[-1]) / 2, float(north[0] + north[-1]) / 2,
        )  # fmt: skip


def lost_without(subject: Subject, names: frozenset[str], canvas: JudgingCanvas) -> Lost:
    """Draw a subject with and without features, coarsely."""
    other, coarse = subject.lacking(names), canvas.coarsest

    def drawn(what: Subject) -> FloatArray:
        make: Callable[[], FloatArray] = lambda: draw(what, coarse)  # noqa: E731
        return _DRAWINGS.get(("coarse", what, coarse), make, lambda planes: planes.nbytes)

    make: Callable[[], Lost] = lambda: Lost(subject, other, coarse, (drawn(subject), drawn(other)))  # noqa: E731
    return _DRAWINGS.get(("lost", subject, names, coarse), make, lambda lost: lost.planes[1].nbytes)


def fine_planes(lost: Lost, patch: Grid) -> tuple[FloatArray, FloatArray]:
    """Return the radiance with and without a feature on a small patch, each (bins, rows, columns)."""

    def make() -> tuple[FloatArray, FloatArray]:
        return draw(lost.subject, patch), draw(lost.other, patch)

    key = ("fine", lost.subject, lost.other.options, patch)
    return _DRAWINGS.get(key, make, lambda planes: 2 * planes[0].nbytes)


def lost_waves(lost: Lost, canvas: JudgingCanvas) -> Waves:
    """Return the transform of what a scene loses, drawn on its own patch as fine as the canvas asks for."""

    def make() -> Waves:
        patch = lost.patch(canvas)
        return waves_of(in_pictures(draw(lost.subject, patch) - draw(lost.other, patch), patch), canvas)

    key = ("lost", lost.subject, lost.other.options, canvas.drawn)
    return _WAVES.get(key, make, lambda waves: waves.modes.nbytes)
