"""From a body and its apparition to radiance on the sky."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from simulate.bodies import Body, Ring, load_body
from simulate.bodies.photometry import visual_magnitude
from simulate.bodies.spectra import (
    band,
    body_irradiance,
    body_photon_flux,
    photons_per_joule,
    solar_photon_flux,
    wavelength_scale,
)
from simulate.bodies.surface import SurfaceMap, surface_map
from simulate.errors import InputError
from simulate.scene.ellipsoid import Ellipsoid
from simulate.scene.feature_names import (
    GLOBE_SHADOW,
    LIMB_DARKENING,
    PHASE,
    RING_SHADOW,
    check_without,
    surface_names,
)
from simulate.scene.globe import Disc, Globe, Pattern, draw_globe
from simulate.scene.moons import Backdrop, EarthShade, Shade, add_moons, drawn_moons, moon_shadows
from simulate.scene.raster import overlap
from simulate.scene.rings import (
    RingView,
    blocked_light,
    globe_shadow,
    ring_reflectance,
    ring_shadow,
    ring_shares,
    ring_window,
    spectral_planes,
    visible_rings,
)
from simulate.scene.scattering import law_of
from simulate.scene.values import PointSource, Scene, SceneOptions
from simulate.values.arrays import frozen_array
from simulate.values.constants import ARCSEC_PER_RADIAN, ASTRONOMICAL_UNIT_KM
from simulate.values.grid import Grid
from simulate.values.spectrum import DEFAULT_BINS, SpectralBins

if TYPE_CHECKING:
    from simulate.geometry import Apparition

FloatArray = npt.NDArray[np.floating]

_REFERENCE_CELLS = 100.0
"""Cells on the radius of the grid that ties globe and rings to the magnitude, good to 0.05 %."""


_INTEGRAL_CELLS = 40.0
"""Cells on the radius over which a map is averaged before its light is summed over the disc."""


def render(
    apparition: Apparition,
    body: Body | str,
    grid: Grid,
    bins: SpectralBins = DEFAULT_BINS,
    *,
    options: SceneOptions | None = None,
) -> Scene:
    """Return the radiance of a body and its surroundings above the air.

    The scattering law gives the shape, the magnitude the light: the bins of the globe add up to
    `body_photon_flux` of the apparition's magnitude; with rings, globe and rings are drawn from their
    reflectances and brought together to the magnitude (`Scene.flux_scale` tells by how much).
    Taking features out does not change that scale, so that scenes with and without can be compared.
    Satellites in front, their shadows and eclipses take light away from what the magnitude says.

    Parameters
    ----------
    apparition : Apparition
        Where and how the body stands.
    body : Body or str
        The body of the apparition.
    grid : Grid
        Cells to fill, relative to the body's centre.
    bins : SpectralBins
        Spectral bins.
    options : SceneOptions, optional
        What is left out or added.

    Raises
    ------
    InputError
        For a body that is not the apparition's, or an unknown name in ``options.without``.
    """
    known = load_body(body) if isinstance(body, str) else body
    chosen = options or SceneOptions()
    if known.name != apparition.body:
        raise InputError("body", known.name, f"the apparition is that of {apparition.body}")
    check_without(known, chosen.without)
    if known.is_point:
        return _point_scene(apparition, known, grid, bins)
    subject = _Subject(apparition, known, bins, chosen, grid.step_arcsec)
    radiance = np.zeros((len(bins), *grid.shape), np.float32)
    shades: list[Shade | EarthShade] = []
    if chosen.moons:
        shades += moon_shadows(apparition, known, subject.ellipsoid, subject.km_per_arcsec, subject.without)
    backdrop = Backdrop(subject.ellipsoid)
    scale = 1.0
    if known.rings:
        view, rings = subject.ring_view(), visible_rings(known, subject.without)
        scale = _ring_scale(apparition, known, bins) if rings else 1.0
        backdrop = Backdrop(subject.ellipsoid, rings, view)
        _draw_system(radiance, grid, subject=subject, rings=rings, view=view, shades=shades, scale=scale)
    else:
        eclipse = apparition.shadow
        # the magnitude holds what the Earth's shadow takes, which is drawn place by place
        flux = body_photon_flux(known, apparition.magnitude - (eclipse.dimming_mag if eclipse else 0.0), bins)
        if eclipse is not None:
            shades.append(EarthShade(eclipse, subject.km_per_arcsec, bins.centres_nm))
        disc = draw_globe(grid, subject.globe(shades), len(bins))
        _put(radiance, disc, flux / subject.reference_integral())
    points: tuple[PointSource, ...] = ()
    drawn: tuple[str, ...] = ()
    if chosen.moons:
        moons = drawn_moons(apparition, subject.without)
        points, drawn = add_moons(
            radiance, grid, moons=moons, planet=known, backdrop=backdrop, apparition=apparition, bins=bins
        )
    return Scene(
        grid=grid,
        bins=bins,
        radiance=radiance,
        points=points,
        apparition=apparition,
        flux_scale=scale,
        drawn_moons=drawn,
    )


def disc_radius_arcsec(apparition: Apparition, body: Body) -> float:
    """Return the apparent equatorial radius of the visible disc, arcsec (0 for a point)."""
    distance = apparition.distance_au * ASTRONOMICAL_UNIT_KM
    return math.asin(min(body.disc_radius_km / distance, 1.0)) * ARCSEC_PER_RADIAN if body.disc_radius_km else 0.0


def scene_radius_arcsec(apparition: Apparition, body: Body) -> float:
    """Return the radius of the circle that holds globe and rings, arcsec; satellites not included."""
    widest = max([body.disc_radius_km, *(ring.outer_km for ring in body.rings)])
    return disc_radius_arcsec(apparition, body) * (widest / body.disc_radius_km if body.disc_radius_km else 0.0)


def scene_grid(apparition: Apparition, body: Body, step_arcsec: float, margin_arcsec: float = 0.0) -> Grid:
    """Return a square grid, of an even number of cells, that holds globe and rings and a margin.

    Parameters
    ----------
    apparition, body : Apparition, Body
        What it shall hold.
    step_arcsec : float
        Side of a cell.
    margin_arcsec : float
        Free sky on each side.
    """
    half = scene_radius_arcsec(apparition, body) + max(margin_arcsec, 2 * step_arcsec)
    side = 2 * math.ceil(half / step_arcsec)
    return Grid(side, side, step_arcsec)


def _point_scene(apparition: Apparition, body: Body, grid: Grid, bins: SpectralBins) -> Scene:
    photons = body_photon_flux(body, apparition.magnitude, bins)
    radiance = np.zeros((len(bins), *grid.shape), np.float32)
    return Scene(grid, bins, radiance, (PointSource(body.name, 0.0, 0.0, photons),), apparition)


@dataclass(frozen=True, eq=False)
class _Subject:
    """A body in its apparition, with what is left out of it."""

    apparition: Apparition
    body: Body
    bins: SpectralBins
    options: SceneOptions
    step_arcsec: float
    """Finest step in which the map is looked at."""

    @property
    def without(self) -> frozenset[str]:
        return self.options.without

    @property
    def km_per_arcsec(self) -> float:
        return self.body.disc_radius_km / disc_radius_arcsec(self.apparition, self.body)

    @property
    def ellipsoid(self) -> Ellipsoid:
        radius = disc_radius_arcsec(self.apparition, self.body)
        polar = radius * self.body.disc_polar_radius_km / self.body.disc_radius_km
        sun = (0.0, 0.0, 1.0) if PHASE in self.without else self.apparition.sun_direction
        return Ellipsoid(
            radius, polar, self.apparition.pole_direction, sun, twilight_deg=self.body.scattering.twilight_deg
        )

    def ring_view(self) -> RingView:
        seen = self.apparition
        opening, sun = seen.ring_opening_deg, seen.ring_opening_sun_deg
        if opening is None or sun is None:
            raise InputError("apparition", seen.body, "it must hold the ring opening of a body with rings")
        if PHASE in self.without:
            return RingView(opening, opening, 0.0, self.km_per_arcsec)
        return RingView(opening, sun, seen.phase_angle_deg, self.km_per_arcsec)

    def globe(self, shades: Sequence[Shade | EarthShade], *more: object, whole: bool = False) -> Globe:
        ellipsoid = self.ellipsoid
        law = law_of(self.body, self.bins.centres_nm, ellipsoid.twilight, flat=LIMB_DARKENING in self.without)
        spots = tuple(spot for shade in shades for spot in shade.spot)
        return Globe(ellipsoid, law, self._pattern(whole), (*more, *shades), spots)  # type: ignore[arg-type]

    def reference_integral(self) -> FloatArray:
        """Integral of the relative brightness with every surface feature in place, (bins or 1,)."""
        kept = self.without & {PHASE, LIMB_DARKENING}
        return _reference_integral(self.apparition, self.body, self.bins, replace(self.options, without=kept))

    def _pattern(self, whole: bool) -> Pattern | None:
        surface = self._map(frozenset() if whole else surface_names(self.body, self.without))
        if _uniform(surface):
            return None
        if isinstance(surface, SurfaceMap):
            radius = disc_radius_arcsec(self.apparition, self.body)
            surface = surface.coarser(math.degrees(self.step_arcsec / radius))
        seen = self.apparition.central_meridian_deg
        meridian = seen.get(surface.longitude_system, next(iter(seen.values())))
        sense = -1.0 if self.body.longitude_sense == "west" else 1.0
        return Pattern(surface, sense * meridian, self.bins.centres_nm, zonal=surface.reflectance.shape[-1] == 1)

    def _map(self, without: frozenset[str]) -> SurfaceMap:
        seen, options = self.apparition, self.options
        return surface_map(
            self.body,
            without=without,
            time_jd=seen.jd_tt,
            solar_longitude_deg=seen.solar_longitude_deg if math.isfinite(seen.solar_longitude_deg) else None,
            red_spot_longitude_deg=options.red_spot_longitude_deg,
            dust=options.dust,
            invented_texture=options.invented_texture,
            user_map=options.user_map,
        )


@lru_cache(maxsize=64)
def _reference_integral(apparition: Apparition, body: Body, bins: SpectralBins, options: SceneOptions) -> FloatArray:
    """Kept, since pairs of scenes with and without a feature share it."""
    step = disc_radius_arcsec(apparition, body) / _INTEGRAL_CELLS
    return frozen_array(_Subject(apparition, body, bins, options, step).globe([], whole=True).integral())


def _uniform(surface: SurfaceMap) -> bool:
    """Return whether a map, ours or a user's own kind, is the same everywhere."""
    known = getattr(surface, "uniform", None)
    return bool(np.ptp(surface.reflectance) == 0) if known is None else known


def _put(radiance: npt.NDArray[np.float32], disc: Disc, factor: FloatArray) -> None:
    if not disc.window.empty:
        np.multiply(
            disc.light, factor.astype(np.float32)[:, None, None], out=radiance[(slice(None), *disc.window.slices)]
        )


def _draw_system(
    radiance: npt.NDArray[np.float32],
    grid: Grid,
    *,
    subject: _Subject,
    rings: tuple[Ring, ...],
    view: RingView,
    shades: Sequence[Shade | EarthShade],
    scale: float,
) -> None:
    """Draw a globe with rings into `radiance`."""
    shaded = rings and RING_SHADOW not in subject.without
    globe = subject.globe(shades, *((ring_shadow(rings, view),) if shaded else ()))
    disc = draw_globe(grid, globe, len(subject.bins))
    factor = _globe_flux(subject) * scale / subject.reference_integral()
    if not rings:
        _put(radiance, disc, factor)
        return
    bright = np.stack([ring_reflectance(subject.body, ring, view, subject.bins.centres_nm) for ring in rings], axis=1)
    mix, weights = spectral_planes(bright * (_full_radiance(subject) * scale)[:, None])
    window = ring_window(grid, globe.ellipsoid, rings, view)
    planes = ring_shares(window, globe.ellipsoid, rings, view, weights)
    both = overlap(window, disc.window)
    near = ring_shares(
        both, globe.ellipsoid, rings, view, np.vstack([weights, blocked_light(rings, view)]), near_only=True
    )
    crossed, seen = both.within(window), both.within(disc.window)
    planes[(slice(None), *crossed)] -= disc.body[seen] * (planes[(slice(None), *crossed)] - near[:-1])
    disc.light[(slice(None), *seen)] *= (1.0 - near[-1]).astype(np.float32)
    _put(radiance, disc, factor)
    if GLOBE_SHADOW not in subject.without:
        part, shadow = globe_shadow(window, globe.ellipsoid)
        planes[(slice(None), *part.within(window))] *= 1.0 - shadow
    _add_planes(radiance[(slice(None), *window.slices)], mix, planes)


def _add_planes(target: npt.NDArray[np.float32], mix: FloatArray, planes: FloatArray) -> None:
    """Add mix (bins, planes) @ planes (planes, rows, columns) to `target`, in place."""
    thin = planes.astype(np.float32)
    buffer = np.empty(thin.shape[1:], np.float32)
    for out, row in zip(target, mix.astype(np.float32), strict=True):
        for number, plane in zip(row, thin, strict=True):
            out += np.multiply(plane, number, out=buffer)


def _full_radiance(subject: _Subject) -> FloatArray:
    """Radiance of a white surface that faces the Sun (I/F = 1), photons s-1 m-2 arcsec-2, (bins,)."""
    sun = solar_photon_flux(subject.bins) / subject.apparition.sun_distance_au**2
    return sun / (math.pi * ARCSEC_PER_RADIAN**2)


def _globe_flux(subject: _Subject) -> FloatArray:
    """Photons s-1 m-2 of the globe without its rings, (bins,)."""
    seen = subject.apparition
    magnitude = visual_magnitude(subject.body, seen.phase_angle_deg, seen.distance_au, seen.sun_distance_au)
    return body_photon_flux(subject.body, magnitude, subject.bins)


@lru_cache(maxsize=64)
def _ring_scale(apparition: Apparition, body: Body, bins: SpectralBins) -> float:
    """Return the factor that brings globe and rings, drawn from their reflectances, to the magnitude."""
    seen = visual_weights(bins)
    used = np.flatnonzero(seen > 1e-4 * seen.max())
    bins = SpectralBins(bins.edges_nm[used[0] : used[-1] + 2])
    grid = scene_grid(apparition, body, scene_radius_arcsec(apparition, body) / _REFERENCE_CELLS)
    subject = _Subject(apparition, body, bins, SceneOptions(moons=False), grid.step_arcsec)
    radiance = np.zeros((len(bins), *grid.shape), np.float32)
    _draw_system(
        radiance,
        grid,
        subject=subject,
        rings=visible_rings(body, frozenset()),
        view=subject.ring_view(),
        shades=[],
        scale=1.0,
    )
    weights = visual_weights(bins, body)
    found = weights @ (radiance.sum(axis=(1, 2), dtype=np.float64) * grid.cell_arcsec2)
    return float(weights @ body_photon_flux(body, apparition.magnitude, bins) / found)


@lru_cache(maxsize=64)
def visual_weights(bins: SpectralBins, body: Body | None = None) -> FloatArray:
    """Return the share of Johnson V light carried by a photon of each bin (any scale), shape (bins,).

    Parameters
    ----------
    bins : SpectralBins
        Bins of a scene.
    body : Body, optional
        Inside each bin the light is taken to have the spectrum of this body; default the Sun's.
    """
    scale = wavelength_scale()
    light = body_irradiance(body or load_body("sun"), 0.0)
    edges = np.asarray(bins.edges_nm)
    index = np.searchsorted(edges, scale, side="right") - 1
    inside = (index >= 0) & (index < len(bins))
    seen = np.bincount(index[inside], (light * band("V").weights)[inside], len(bins))
    return seen / bins.integrate(scale, light * photons_per_joule(scale))
