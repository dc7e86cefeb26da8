"""Points in a user's picture: how wide its moons are and why, and dots that no moon accounts for."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import ndimage
from scipy.optimize import least_squares
from scipy.special import j0, j1

from simulate.checking.fitting import Fit
from simulate.checking.measures import Measurement
from simulate.checking.model import Pose, perfect_transfer, reduced_plane
from simulate.values.constants import DISC_WIDTH

FloatArray = npt.NDArray[np.floating]

CLEAR = 6.0
"""Standard deviations of the sky by which a dot must stand out."""

STRAY, FAINTEST = 12.0, 2e-3
"""The same of a dot that nothing announced, and the least light, the disc being 1: restored skies are uneven."""

FINER = 8
"""Pixels laid over one of the picture's while a width is measured."""

RING, CROWD = 1.5, 6.0
"""Widths of the telescope's image: half the width of the rings around the planet in which the unevenness of the sky is
measured and dots are counted, and the distance within which they crowd."""

MOST_ALIKE = 3
"""Other dots, at least half as bright, in the same ring or crowd: with more, they are noise or left by processing."""

ROOM_PX = 40
"""Pixels of dark sky that are kept around all that is lit."""

MOST_DOTS = 8
"""Dots that are told of, the brightest first."""

NARROW = 0.6
"""Share of the telescope's own width below which a dot cannot have come through it."""


@dataclass(frozen=True)
class MoonWidth:
    """Width of a moon in a picture, half its brightness from side to side, and what made it.

    Parameters
    ----------
    name : str
        Of the moon.
    off_arcsec : float
        How far from its computed place it lies.
    width : Measurement
        In the picture, arcsec.
    true_arcsec : float
        Diameter of the moon.
    perfect_arcsec : float
        Width through the perfect aperture.
    due_arcsec : float
        Width through the setup and its air, before any sharpening.
    """

    name: str
    off_arcsec: float
    width: Measurement
    true_arcsec: float
    perfect_arcsec: float
    due_arcsec: float

    @property
    def shares(self) -> dict[str, float]:
        """Shares of the squared width: disc, diffraction, air and pixels, and the rest.

        Each step's part is the growth of the square; a flat disc counts as the Gaussian of its variance,
        (0.589 diameter)^2. The rest is negative where sharpening took width away. Sum 1.
        """
        squares = (0.0, DISC_WIDTH * self.true_arcsec, self.perfect_arcsec, self.due_arcsec, self.width.value)
        whole = self.width.value**2
        names = ("disc", "diffraction", "air and pixels", "focus, motion, processing")
        return {
            name: (after**2 - before**2) / whole
            for name, before, after in zip(names, squares[:-1], squares[1:], strict=True)
        }


@dataclass(frozen=True)
class Dot:
    """A dot in a picture that no moon accounts for.

    Parameters
    ----------
    row, column : float
        Pixel; row 0 at the bottom.
    east_arcsec, north_arcsec : float
        From the planet's middle.
    clearness : float
        Standard deviations of the sky.
    narrow : bool
        Whether it is narrower than anything that came through the telescope.
    """

    row: float
    column: float
    east_arcsec: float
    north_arcsec: float
    clearness: float
    narrow: bool


@dataclass(frozen=True)
class Expected:
    """A point that should be seen.

    Parameters
    ----------
    name : str
        Of the moon.
    east_arcsec, north_arcsec, diameter_arcsec : float
        Place and size.
    """

    name: str
    east_arcsec: float
    north_arcsec: float
    diameter_arcsec: float


def linear_light(plane: FloatArray, fit: Fit) -> npt.NDArray[np.float32]:
    """Return a whole plane of levels in the fit's linear light, same shape."""
    light = np.maximum(np.asarray(plane, np.float32), np.float32(0.0)) ** np.float32(fit.gamma)
    light *= np.float32(fit.factor)
    light += np.float32(fit.offset)
    return light


def lit_part(plane: FloatArray, sky: float, noise: float) -> tuple[slice, slice]:
    """Return the rows and columns of a plane that hold anything but sky, with room around them.

    Parameters
    ----------
    plane : array, shape (rows, columns)
        Levels.
    sky, noise : float
        Level of the sky and its rms.
    """
    lit = plane > sky + max(5.0 * noise, 0.004)
    parts = []
    for axis in (1, 0):
        held = np.flatnonzero(lit.any(axis=axis))
        first, last = (int(held[0]), int(held[-1])) if held.size else (0, lit.shape[1 - axis] - 1)
        parts.append(slice(max(first - ROOM_PX, 0), last + ROOM_PX + 1))
    return parts[0], parts[1]


def width_through(frequency: FloatArray, transfer: FloatArray, diameter_arcsec: float) -> float:
    """Return the full width at half maximum of a disc seen through a round transfer, arcsec.

    Parameters
    ----------
    frequency : array, shape (n,)
        Cycles per arcsec, evenly spaced from 0 to where the transfer ends.
    transfer : array, shape (n,)
        By frequency.
    diameter_arcsec : float
        Of the disc; 0 for a point.
    """
    argument = np.pi * diameter_arcsec * frequency
    disc = np.where(argument > 1e-9, 2.0 * j1(argument) / np.maximum(argument, 1e-9), 1.0)
    weight = transfer * disc * frequency
    radius = np.linspace(0.0, 3.0 * (diameter_arcsec + 2.0 / float(frequency[-1])), 600)
    profile = j0(2.0 * np.pi * radius[:, None] * frequency) @ weight
    below = np.flatnonzero(profile < 0.5 * profile[0])
    if not below.size:
        return float(2.0 * radius[-1])
    last = int(below[0])
    pair = [profile[last], profile[last - 1]]
    return 2.0 * float(np.interp(0.5 * profile[0], pair, [radius[last], radius[last - 1]]))


def perfect_width(cutoff: float, diameter_arcsec: float) -> float:
    """Return the same through the perfect aperture of a cut-off D / lambda, cycles per arcsec."""
    frequency = np.linspace(0.0, cutoff, 400)
    transfer = np.where(frequency < cutoff, perfect_transfer(frequency / cutoff), 0.0)
    return width_through(frequency, transfer, diameter_arcsec)


@dataclass(frozen=True)
class Spot:
    """A spot of light as measured: place in pixels, half-brightness width in pixels, and its sureness."""

    row: float
    column: float
    width_px: float
    error_px: float
    clearness: float


def measure_spot(light: FloatArray, row: float, column: float, width_px: float, ceiling: float) -> Spot | None:
    """Measure a spot near a place; None where there is none, or it is cut off or burnt out.

    Parameters
    ----------
    light : array, shape (rows, columns)
        Linear light.
    row, column : float
        Where it should be.
    width_px : float
        How wide it may be expected, pixels.
    ceiling : float
        Light from which a pixel is burnt out.
    """
    half = max(5, math.ceil(2.5 * width_px))
    up, across = round(row), round(column)
    if not (half <= up < light.shape[0] - half and half <= across < light.shape[1] - half):
        return None
    part = np.asarray(light[up - half : up + half + 1, across - half : across + half + 1], float)
    near = (slice(half // 2, -(half // 2)),) * 2
    rows, columns = np.indices(part.shape) - half
    border = np.hypot(rows, columns) > 0.8 * half
    sky, noise = (
        float(np.median(part[border])),
        1.4826 * float(np.median(np.abs(part[border] - np.median(part[border])))),
    )
    top = float(part[near].max()) - sky
    if top < CLEAR * noise or top <= 0 or part[near].max() >= ceiling:
        return None

    def shape(p: FloatArray) -> FloatArray:
        return _spot_on_slope(p, rows, columns)  # pyright: ignore[reportArgumentType]

    first_row, first_column = np.unravel_index(int(np.argmax(part[near])), part[near].shape)
    start = [first_row + half // 2 - half, first_column + half // 2 - half, math.log(width_px), top, sky, 0.0, 0.0]
    solved = least_squares(lambda p: (shape(p) - part).ravel(), start, loss="soft_l1", f_scale=max(3 * noise, 1e-6))
    inverse = np.linalg.pinv(solved.jac.T @ solved.jac)
    rms = max(noise, float(np.std(shape(solved.x) - part)))
    errors = rms * np.sqrt(np.maximum(np.diag(inverse), 0.0))
    width = _half_width(part, solved.x)
    if width is None or max(abs(solved.x[0]), abs(solved.x[1])) > half or solved.x[3] < CLEAR * max(errors[3], noise):
        return None
    clearness = float(solved.x[3] / max(noise, 1e-9))
    return Spot(up + float(solved.x[0]), across + float(solved.x[1]), width, width * float(errors[2]), clearness)


def _spot_on_slope(p: FloatArray, rows: FloatArray, columns: FloatArray) -> FloatArray:
    """Light of a round spot of middle p[:2], logarithm of the width p[2] and height p[3] on a slope, p[4:].

    A fit may try any width on its way; beyond those of a speck and of a whole picture nothing changes any more.
    """
    square = (rows - p[0]) ** 2 + (columns - p[1]) ** 2
    width = math.exp(min(max(float(p[2]), -5.0), 12.0))
    return p[3] * np.exp(-4 * math.log(2) * square / width**2) + p[4] + p[5] * rows + p[6] * columns


def _half_width(part: FloatArray, fitted: FloatArray) -> float | None:
    """Width of the circle whose area is that above half the brightness, pixels."""
    half = part.shape[0] // 2
    line = np.arange(-half, half + 1e-9, 1.0 / FINER)
    rows, columns = np.meshgrid(line, line, indexing="ij")
    fine = ndimage.map_coordinates(part, [rows + half, columns + half], order=3, mode="nearest")
    fine = fine - (fitted[4] + fitted[5] * rows + fitted[6] * columns)
    close = np.hypot(rows - fitted[0], columns - fitted[1]) < 0.9 * half
    if not close.any():
        return None  # the fit ran away
    above = close & (fine > 0.5 * float(fine[close].max()))
    area = float(np.count_nonzero(above)) / FINER**2
    return 2.0 * math.sqrt(area / math.pi) if 0 < area < 2.5 * half**2 else None


def stray_dots(
    light: FloatArray, pose: Pose, clear_arcsec: float, width_arcsec: float, known: tuple[Expected, ...]
) -> tuple[Dot, ...]:
    """Return dots beside the planet that no known point accounts for, the clearest first.

    Parameters
    ----------
    light : array, shape (rows, columns)
        Linear light of the whole picture.
    pose : Pose
        How it lies on the sky.
    clear_arcsec : float
        Radius around the planet that is left out.
    width_arcsec : float
        Width of a point through the telescope.
    known : tuple of Expected
        Points that should be there.
    """
    factor = max(1, math.floor(width_arcsec / 4.0 / pose.scale_arcsec))
    small, here = reduced_plane(light, factor).astype(np.float32), pose.reduced(factor)
    core = max(0.7, 0.35 * width_arcsec / here.scale_arcsec)
    sharp = ndimage.gaussian_filter(small, 0.6 * core) - ndimage.gaussian_filter(small, 2.2 * core)
    up, across = (np.arange(n, dtype=np.float32) for n in small.shape)
    away = np.hypot(up[:, None] - np.float32(here.row), across[None, :] - np.float32(here.column))
    away *= np.float32(here.scale_arcsec)
    edge = max(2, math.ceil(2 * core))
    inside = np.zeros(small.shape, bool)
    inside[edge:-edge, edge:-edge] = True
    sky = (away > clear_arcsec) & inside
    if np.count_nonzero(sky) < 100:
        return ()
    noise = _unevenness(sharp, away, sky, RING * width_arcsec)
    every = (sharp == ndimage.maximum_filter(sharp, size=2 * math.ceil(2 * core) + 1)) & sky & (sharp > 0)
    peak = every & (sharp > np.float32(STRAY) * noise)
    every_place = np.argwhere(every)
    heights, ratio = sharp[every], width_arcsec / here.scale_arcsec
    dots = []
    for row, column in sorted(np.argwhere(peak).tolist(), key=lambda place: -sharp[place[0], place[1]]):
        rivals = every_place[heights >= 0.5 * sharp[row, column]]
        if _crowded(rivals - (here.row, here.column), (row - here.row, column - here.column), ratio):
            continue
        east, north = (float(x) for x in here.sky_of(row, column))
        place = east, north
        if any(
            math.hypot(place[0] - one.east_arcsec, place[1] - one.north_arcsec)
            < 1.5 * (width_arcsec + one.diameter_arcsec)
            for one in known
        ):
            continue
        spot = measure_spot(small, row, column, width_arcsec / here.scale_arcsec, math.inf)
        narrow = spot is not None and spot.width_px * here.scale_arcsec < NARROW * width_arcsec
        whole = here.enlarged(factor).pixel_of(*place)
        clearness = float(sharp[row, column] / noise[row, column])
        dots.append(Dot(float(whole[0]), float(whole[1]), *place, clearness, narrow))
    return tuple(dots[:MOST_DOTS])


def _unevenness(
    sharp: FloatArray, away: FloatArray, sky: npt.NDArray[np.bool_], half_arcsec: float
) -> npt.NDArray[np.float32]:
    """Standard deviation of the sky by distance from the planet, shape of the picture.

    Near the limb it is more uneven than far out. In each ring the 95th percentile of what is off counts beside the
    median, so that a sky that is mostly cut to black, or has noise with long tails, is not taken for even.
    """
    index = (away / np.float32(2 * half_arcsec)).astype(np.int32)
    ring = np.full(int(index.max()) + 1, FAINTEST / STRAY, np.float32)
    order = np.argsort(index[sky], kind="stable")
    off, where = np.abs(sharp[sky])[order], index[sky][order]
    for each in np.split(np.arange(off.size), np.flatnonzero(np.diff(where)) + 1):
        if each.size >= 30:
            part = off[each]
            found = max(1.4826 * float(np.median(part)), float(np.quantile(part, 0.95)) / 1.96)
            ring[where[each[0]]] = max(ring[where[each[0]]], found)
    # the rings beside count, too: a border must not hide an uneven one
    return np.asarray(ndimage.maximum_filter(ring, size=3, mode="nearest")[index], np.float32)


def _crowded(rivals: npt.NDArray[Any], place: tuple[float, float], width_px: float) -> bool:
    """Whether more than `MOST_ALIKE` others lie in a dot's ring around the planet, or near it.

    Parameters
    ----------
    rivals : array, shape (n, 2)
        Places of all dots about as bright, itself among them, in pixels from the planet's middle.
    place : (row, column)
        Of the dot, likewise.
    width_px : float
        Width of the telescope's image.
    """
    ring = np.abs(np.hypot(*rivals.T) - math.hypot(*place)) < RING * width_px
    crowd = np.hypot(*(rivals - place).T) < CROWD * width_px
    return bool(max(np.count_nonzero(ring), np.count_nonzero(crowd)) > MOST_ALIKE + 1)


@dataclass(frozen=True)
class Bead:
    """A small bright spot beside a planet, in pixels, before anything is known of the picture's lie.

    Parameters
    ----------
    row, column : float
        Middle of its light.
    clearness : float
        Standard deviations of the sky around.
    area_px : float
        Pixels above a third of its brightness.
    """

    row: float
    column: float
    clearness: float
    area_px: float


BEAD_RIVALS = 7
"""Beads nearer than `BEAD_CROWD` widths from which they are writing, noise or what sharpening left of a limb; a planet
has four bright moons, and two may be near each other."""

BEAD_CROWD = 25.0

SPLIT = 3.5
"""Widths within which two maxima are one spot: burnt-out moons have flat, uneven tops, and two exposures laid on each
other double them."""


def beads_beside(plane: FloatArray, middle: tuple[float, float], clear_px: float, width_px: float) -> tuple[Bead, ...]:
    """Return the small bright spots of a plane outside a circle, the clearest first; `MOST_DOTS` at most.

    Parameters
    ----------
    plane : array, shape (rows, columns)
        Levels, sky dark.
    middle : (row, column)
        Of the circle.
    clear_px, width_px : float
        Its radius, and the width of a point through the telescope.
    """
    core = max(0.7, 0.35 * width_px)
    smooth = ndimage.gaussian_filter(np.asarray(plane, np.float32), core)
    wide = 2 * math.ceil(2.5 * max(width_px, 2.0)) + 1
    # a median would be better than a mean, but a mean of what the mean leaves is nearly as good and much quicker
    around = ndimage.uniform_filter(np.minimum(smooth, ndimage.uniform_filter(smooth, wide) + 2e-3), wide)
    sharp = smooth - around
    up, across = np.ogrid[: plane.shape[0], : plane.shape[1]]
    away = np.hypot(up - np.float32(middle[0]), across - np.float32(middle[1]))
    edge = max(3, math.ceil(2 * core))
    sky = away > clear_px
    for side in (np.s_[:edge], np.s_[-edge:], np.s_[:, :edge], np.s_[:, -edge:]):
        sky[side] = False
    if np.count_nonzero(sky) < 100:
        return ()
    noise = _unevenness(sharp, away, sky, RING * width_px)
    labels, _ = ndimage.label(sky & (sharp > np.float32(CLEAR) * noise))  # pyright: ignore[reportGeneralTypeIssues]
    beads, marks = [], []
    for number, part in enumerate(ndimage.find_objects(labels), start=1):
        here = np.where(labels[part] == number, sharp[part], 0.0)
        top = float(here.max())
        peak = np.unravel_index(int(np.argmax(here)), here.shape)
        bright = here > top / 3
        rows, columns = np.nonzero(bright)
        area = float(rows.size)
        clearness = top / float(noise[part][peak])
        marks.append((peak[0] + part[0].start, peak[1] + part[1].start))
        if clearness < STRAY or area > 12.0 * max(width_px, 2.0) ** 2:
            continue
        weight = here[bright]
        row, column = (float((place * weight).sum() / weight.sum()) for place in (rows, columns))
        beads.append(Bead(row + part[0].start, column + part[1].start, clearness, area))
    beads.sort(key=lambda bead: -bead.clearness)
    # letters are as crowded as their noise, and larger: all marks count
    places = np.array(marks, float).reshape(-1, 2)
    kept: list[Bead] = []
    for bead in beads:
        apart = np.hypot(*(places - (bead.row, bead.column)).T)
        if np.count_nonzero(apart < BEAD_CROWD * max(width_px, 2.0)) > BEAD_RIVALS:
            continue
        if all(math.hypot(bead.row - one.row, bead.column - one.column) > SPLIT * width_px for one in kept):
            kept.append(bead)
    return tuple(kept[:MOST_DOTS])
