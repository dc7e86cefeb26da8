"""A planet's rings: light of either face, what they hide, the shadows they throw and receive.

Each ring is the space between two ellipses on the sky; its share of a cell is the difference of
their exact coverages, so that gaps much narrower than a cell keep their area and a ring seen from
the edge fades away as it should.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from simulate.scene.ellipsoid import Ellipsoid, SurfacePoints
from simulate.scene.raster import Strips, Window, overlap, quadratic_chords, weighted_coverage, window_around
from simulate.values.grid import Grid

if TYPE_CHECKING:
    from simulate.bodies import Body, Ring

FloatArray = npt.NDArray[np.floating]

FILLED_GAP = "gap between ring and globe"

_EDGE_ON = 1e-4
"""Least sine of an opening that enters a formula: 0.006 deg, below it a ring is invisible anyway."""

_SURGE_RATE = 2.25
"""Fall of the opposition surge with the phase angle, 1/deg (Mallama & Hilton 2018, equation 10)."""

_PHASE_SLOPE = 0.026
"""Fading of the rings with the phase angle, mag/deg: that of globe and rings together (equation 10 of
Mallama & Hilton 2018), the globe alone fading about as fast."""

_UNLIT_CEILING = 0.08
"""Largest ratio of the unlit to the lit face, the one measured with the Sun 1.0 deg high (Brunier &
Dollfus); no measurement supports a larger one nearer to the Sun's crossing."""


@dataclass(frozen=True)
class RingView:
    """How the rings are seen and lit.

    Parameters
    ----------
    opening_deg, opening_sun_deg : float
        Planetocentric latitude of observer and Sun.
    phase_angle_deg : float
        Sun-planet-observer.
    km_per_arcsec : float
        Scale at the planet.
    """

    opening_deg: float
    opening_sun_deg: float
    phase_angle_deg: float
    km_per_arcsec: float

    @property
    def mu(self) -> float:
        """Sine of the observer's height over the rings."""
        return max(abs(math.sin(math.radians(self.opening_deg))), _EDGE_ON)

    @property
    def mu0(self) -> float:
        """Sine of the Sun's height over the rings."""
        return max(abs(math.sin(math.radians(self.opening_sun_deg))), _EDGE_ON)

    @property
    def lit(self) -> bool:
        """Whether the face that is seen is the sunlit one."""
        return self.opening_deg * self.opening_sun_deg > 0


def visible_rings(body: Body, without: frozenset[str]) -> tuple[Ring, ...]:
    """Return the rings of `body` as drawn, gaps included, ordered from the inside.

    A division or gap in `without` takes the mean of its neighbours; a ring in it ("c ring") vanishes;
    "gap between ring and globe" is filled by the innermost bright ring; "rings" removes all.
    """
    if "rings" in without:
        return ()
    rings = list(body.rings)
    for index, ring in enumerate(rings):
        if ring_feature_name(ring) not in without:
            continue
        if is_gap(ring):
            before, after = rings[index - 1], rings[index + 1]
            rings[index] = replace(
                before,
                name=ring.name,
                inner_km=ring.inner_km,
                outer_km=ring.outer_km,
                optical_depth=0.5 * (before.optical_depth + after.optical_depth),
                brightness=0.5 * (before.brightness + after.brightness),
            )
        else:
            rings[index] = replace(ring, optical_depth=0.0, brightness=0.0)
    if FILLED_GAP in without and len(rings) > 1:
        rings[0] = replace(rings[1], name=rings[0].name, inner_km=body.disc_radius_km, outer_km=rings[0].outer_km)
    return tuple(rings)


def is_gap(ring: Ring) -> bool:
    """Tell whether a ring is named as a division or gap."""
    return ring.name.lower().endswith((" division", " gap"))


def ring_feature_name(ring: Ring) -> str:
    """Return the name under which a ring can be left out ("cassini division", "c ring")."""
    name = ring.name.lower()
    return name if is_gap(ring) else f"{name} ring"


def ring_reflectance(body: Body, ring: Ring, view: RingView, wavelengths_nm: FloatArray) -> FloatArray:
    """Return the I/F of the face that is seen, shape (bins,).

    Single scattering in a plane layer (Chandrasekhar 1960), scaled to the brightness that the data
    file gives for its reference opening. The unlit face adds what many scatterings let through, as a
    measured share of the lit face.

    Parameters
    ----------
    body : Body
        For the numbers that all rings share.
    ring : Ring
        The ring.
    view : RingView
        Heights and phase angle.
    wavelengths_nm : array, shape (bins,)
        Middle of each bin.
    """
    if ring.brightness <= 0:
        return np.zeros(wavelengths_nm.shape)
    shared = body.section("ring_system")
    reference = math.sin(math.radians(shared["reference_opening_deg"]))
    strength = ring.brightness_at(wavelengths_nm) / _reflected(ring.optical_depth, reference, reference)
    strength = strength * _phase_factor(ring.opposition_ratio, view.phase_angle_deg)
    face = strength * _reflected(ring.optical_depth, view.mu, view.mu0)
    if view.lit:
        return face
    through = strength * _transmitted(ring.optical_depth, view.mu, view.mu0)
    share = _unlit_ratio(shared["unlit_ratio"], abs(view.opening_sun_deg)) * ring.unlit_share
    return through + share * face


def _reflected(depth: float, mu: float, mu0: float) -> float:
    return mu0 / (mu + mu0) * -math.expm1(-depth * (1.0 / mu + 1.0 / mu0))


def _transmitted(depth: float, mu: float, mu0: float) -> float:
    if abs(mu - mu0) < 1e-6:
        return depth / mu * math.exp(-depth / mu)
    return mu0 / (mu0 - mu) * (math.exp(-depth / mu0) - math.exp(-depth / mu))


def _phase_factor(ratio: float, phase_angle_deg: float) -> float:
    """Return the surge and the slope of the brightness, 1 at 0.5 deg; `ratio` is that of 0 to 0.5 deg."""
    half_degree = math.exp(-0.5 * _SURGE_RATE)
    surge = (ratio - 1.0) / (1.0 - ratio * half_degree)
    shape = (1.0 + surge * math.exp(-_SURGE_RATE * phase_angle_deg)) / (1.0 + surge * half_degree)
    return shape * 10.0 ** (-0.4 * _PHASE_SLOPE * (phase_angle_deg - 0.5))


def _unlit_ratio(table: FloatArray, height_deg: float) -> float:
    """Return the unlit face's share of the lit one, a power law through the measured heights."""
    heights, ratios = np.log(table[:, 0]), np.log(table[:, 1])
    slope = (ratios[-1] - ratios[0]) / (heights[-1] - heights[0])
    value = math.exp(ratios[0] + slope * (math.log(max(height_deg, 1e-3)) - heights[0]))
    return min(value, _UNLIT_CEILING)


def ring_window(grid: Grid, globe: Ellipsoid, rings: tuple[Ring, ...], view: RingView) -> Window:
    """Return the cells that the rings may touch."""
    extent = np.sqrt(np.diag(np.linalg.inv(_ring_form(globe)))) * rings[-1].outer_km / view.km_per_arcsec
    return window_around(grid, *globe.centre, *extent)


def ring_shares(
    window: Window,
    globe: Ellipsoid,
    rings: tuple[Ring, ...],
    view: RingView,
    weights: FloatArray,
    *,
    near_only: bool = False,
) -> FloatArray:
    """Return sums of the rings' exact shares of each cell, shape (sums, rows, columns).

    Parameters
    ----------
    window : Window
        Cells wanted.
    globe : Ellipsoid
        The planet, for the place and the plane of the rings.
    rings : tuple of Ring
        Rings as drawn.
    view : RingView
        For the scale.
    weights : array, shape (sums, rings)
        Weight of each ring in each sum.
    near_only : bool
        Only the half on this side of the planet.
    """
    if window.empty:
        return np.zeros((len(weights), *window.shape))
    radii = sorted({ring.inner_km for ring in rings} | {ring.outer_km for ring in rings})
    by_radius = np.zeros((len(weights), len(radii)))
    for ring, weight in zip(rings, weights.T, strict=True):
        by_radius[:, radii.index(ring.outer_km)] += weight
        by_radius[:, radii.index(ring.inner_km)] -= weight
    form = _ring_form(globe)
    cells = radii[0] / view.km_per_arcsec / window.grid.step_arcsec
    steep = bool(abs(globe.pole[1]) >= abs(globe.pole[0]))  # across the short axis

    def summed(along_north: bool) -> FloatArray:
        strips = Strips(window, along_north, per_cell=int(np.clip(math.ceil(80.0 / cells), 4, 64)))
        ends = [_ring_chords(strips, form / (radius / view.km_per_arcsec) ** 2, globe, near_only) for radius in radii]
        low, high = (np.stack(side) for side in zip(*ends, strict=True))
        return weighted_coverage(strips, low, high, by_radius)

    shares = summed(steep)
    # Around the ends of the long axis the edges run along those strips: cut across them there, if
    # the ends are blunt enough to span cells.
    if near_only or cells * view.mu**2 < 2.0:
        return shares
    x = (window.east - globe.centre[0])[None, :]
    y = (window.north - globe.centre[1])[:, None]
    east, north = abs(form[0, 0] * x + form[0, 1] * y), abs(form[0, 1] * x + form[1, 1] * y)
    ends = north < east if steep else east < north
    return np.where(ends, summed(not steep), shares)


def _ring_form(globe: Ellipsoid) -> FloatArray:
    """Return the quadratic form of the radius squared in the ring plane, by place on the sky."""
    return np.eye(2) + np.outer(globe.pole[:2], globe.pole[:2]) / _toward(globe) ** 2


def _toward(globe: Ellipsoid) -> float:
    return math.copysign(max(abs(float(globe.pole[2])), _EDGE_ON), float(globe.pole[2]))


def _ring_chords(strips: Strips, form: FloatArray, globe: Ellipsoid, near_only: bool) -> tuple[FloatArray, FloatArray]:
    """Return the ends, in cell coordinates, of the chords of a disc in the ring plane or its near half."""
    scan, cross = (1, 0) if strips.along_north else (0, 1)
    middle, half = quadratic_chords(strips, form, globe.centre, mean=True)
    ends = np.stack([strips.scan_index(middle - half), strips.scan_index(middle + half)])
    low, high = ends.min(axis=0), ends.max(axis=0)
    if not near_only:
        return low, high
    pole = globe.pole
    across = strips.cross_arcsec() - globe.centre[cross]
    slope = pole[cross] / pole[scan] if abs(pole[scan]) > 1e-12 else 0.0
    split = np.clip(strips.scan_index(globe.centre[scan] - slope * across), low, high)
    # The near half lies where z = -(pole . w) / pole_z is positive.
    grows = -pole[scan] * pole[2] * (1.0 if strips.along_north else -1.0)
    return (split, high) if grows > 0 else (low, split)


def blocked_light(rings: tuple[Ring, ...], view: RingView) -> FloatArray:
    """Return the share of light from behind that each ring keeps back, shape (rings,)."""
    return np.array([-math.expm1(-ring.optical_depth / view.mu) for ring in rings])


def spectral_planes(reflectances: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Split reflectances of shape (bins, rings) into mix (bins, planes) @ weights (planes, rings).

    Rings come in few colours, so that two or three planes carry all bins exactly.
    """
    left, size, right = np.linalg.svd(reflectances, full_matrices=False)
    kept = max(1, int((size > 1e-6 * max(size[0], 1e-30)).sum()))
    return left[:, :kept] * size[:kept], right[:kept]


def globe_shadow(window: Window, globe: Ellipsoid) -> tuple[Window, FloatArray]:
    """Return the share of the ring plane in the globe's shadow, by cell, and the part of the window it lies in.

    A place is in shadow if the line from it to the Sun meets the ellipsoid: on the unit sphere y, if
    it lies beyond the terminator's plane and within unit distance of the Sun's axis. The edge is
    softened over the width of a cell.
    """
    lift = np.array([[1.0, 0.0], [0.0, 1.0], -globe.pole[:2] / _toward(globe)])
    plane = globe.shrink @ lift
    sun = globe.basis.T @ globe.sun_on_sphere
    depth = sun @ plane
    flat = plane - np.outer(sun, depth)
    form = flat.T @ flat
    extent = np.sqrt(np.diag(np.linalg.inv(form + 1e-9 * np.trace(form) * np.eye(2))))
    part = overlap(window, window_around(window.grid, *globe.centre, *extent))
    x = (part.east - globe.centre[0])[None, :]
    y = (part.north - globe.centre[1])[:, None]
    step = window.grid.step_arcsec
    square = form[0, 0] * x * x + 2 * form[0, 1] * x * y + form[1, 1] * y * y
    steep = 2.0 * step * np.hypot(form[0, 0] * x + form[0, 1] * y, form[0, 1] * x + form[1, 1] * y)
    within = np.clip(0.5 + (1.0 - square) / np.maximum(steep, 1e-9), 0.0, 1.0)
    beyond = np.clip(0.5 - (depth[0] * x + depth[1] * y) / max(step * float(np.hypot(*depth)), 1e-12), 0.0, 1.0)
    return part, within * beyond


@dataclass(frozen=True, eq=False)
class RingShadow:
    """The rings' shadow on the globe, averaged over the radii that a cell spans.

    Parameters
    ----------
    radii : array, shape (n,)
        Rising radii, arcsec, between which the transparency is constant.
    passed : array, shape (n,)
        Integral of the transparency from 0 to each radius, arcsec.
    """

    radii: FloatArray
    passed: FloatArray

    def __call__(self, globe: Ellipsoid, points: SurfacePoints, step: float) -> FloatArray:
        """Return the fraction of sunlight left at points on the globe, shape (n,)."""
        pole, sun = globe.pole, globe.sun
        height = float(sun @ pole)
        height = math.copysign(max(abs(height), _EDGE_ON), height)
        way = globe.pole_on_sphere.astype(points.sphere.dtype) @ points.sphere * (globe.polar / -height)
        light = np.ones(way.shape)
        some = np.flatnonzero((way > 0) & (way < self.radii[-1] * 1.1 + globe.equatorial))
        points = SurfacePoints(points.sphere[:, some], points.mu[some], points.mu0[some])
        crossing = globe.positions(points).astype(float) + np.multiply.outer(sun, way[some])
        radius = np.sqrt((crossing**2).sum(axis=0))
        slope = crossing / radius
        slope = slope - np.multiply.outer(pole, (sun @ slope) / height)
        normal = globe.normals(points)
        tilt = slope[2] / np.maximum(normal[2], 0.02)
        span = step * np.hypot(slope[0] - tilt * normal[0], slope[1] - tilt * normal[1])
        half = np.clip(0.5 * span, 1e-6, 0.5 * self.radii[-1])
        light[some] = (self._integral(radius + half) - self._integral(radius - half)) / (2.0 * half)
        return light

    def _integral(self, radius: FloatArray) -> FloatArray:
        beyond = np.maximum(radius - self.radii[-1], 0.0)
        return np.interp(radius, self.radii, self.passed) + beyond + np.minimum(radius, 0.0)


def ring_shadow(rings: tuple[Ring, ...], view: RingView) -> RingShadow:
    """Return the shadow that the rings throw: transparency exp(-depth / |sin B'|) by radius."""
    radii, light, last = [0.0], [], 0.0
    for ring in rings:
        inner, outer = ring.inner_km / view.km_per_arcsec, ring.outer_km / view.km_per_arcsec
        if inner > last:
            radii.append(inner)
            light.append(1.0)
        radii.append(outer)
        light.append(math.exp(-ring.optical_depth / view.mu0))
        last = outer
    passed = np.concatenate([[0.0], np.cumsum(np.diff(radii) * np.array(light))])
    return RingShadow(np.array(radii), passed)
