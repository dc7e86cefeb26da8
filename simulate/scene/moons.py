"""Satellites of the planet: discs or points, hidden by the planet or before it, and their shadows."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar

import numpy as np
import numpy.typing as npt

from simulate.bodies import Body, Ring
from simulate.bodies.spectra import body_photon_flux
from simulate.geometry.shadow_light import shadow_light
from simulate.scene.ellipsoid import Ellipsoid, SurfacePoints
from simulate.scene.feature_names import MOONS, SHADOW_OF
from simulate.scene.globe import Disc, Globe, draw_globe
from simulate.scene.rings import RingView
from simulate.scene.scattering import law_of
from simulate.scene.shadows import MoonShadow
from simulate.scene.values import PointSource
from simulate.values.constants import ASTRONOMICAL_UNIT_KM
from simulate.values.grid import Grid
from simulate.values.spectrum import SpectralBins

if TYPE_CHECKING:
    from simulate.geometry import Apparition, EarthShadow, MoonState

FloatArray = npt.NDArray[np.floating]

RESOLVED_CELLS = 0.5
"""Radius in cells from which a satellite is drawn as a disc; a smaller one is a point, unless it
stands before or behind the planet."""

_DISC_SAMPLES = 400


@dataclass(frozen=True, eq=False)
class Backdrop:
    """The planet as its satellites meet it.

    Parameters
    ----------
    globe : Ellipsoid
        Shape and place.
    rings : tuple of Ring
        Rings as drawn.
    ring_view : RingView or None
        None without rings.
    """

    globe: Ellipsoid
    rings: tuple[Ring, ...] = ()
    ring_view: RingView | None = None


def drawn_moons(apparition: Apparition, without: frozenset[str]) -> list[MoonState]:
    """Return the satellites to draw, the farthest first."""
    if MOONS in without:
        return []
    kept = [moon for moon in apparition.moons if moon.name not in without]
    return sorted(kept, key=lambda moon: moon.position_km[2])


def moon_shadows(
    apparition: Apparition, planet: Body, globe: Ellipsoid, km_per_arcsec: float, without: frozenset[str]
) -> list[Shade]:
    """Return what the satellites' shadows do to the globe.

    Parameters
    ----------
    apparition : Apparition
        Where satellites and Sun stand.
    planet : Body
        Whose satellites they are.
    globe : Ellipsoid
        The planet.
    km_per_arcsec : float
        Scale at the planet.
    without : frozenset of str
        Names left out.
    """
    if MOONS in without:
        return []
    sun = np.asarray(apparition.sun_direction) * apparition.sun_distance_au * ASTRONOMICAL_UNIT_KM
    shades = []
    for moon in apparition.moons:
        if SHADOW_OF + moon.name in without:
            continue
        radius_km = planet.satellite(moon.name).equatorial_radius_km
        shadow = MoonShadow(moon.name, np.asarray(moon.shadow_position_km), radius_km, sun)
        if shadow.touches(globe.equatorial * km_per_arcsec):
            shades.append(Shade(shadow, km_per_arcsec, (moon.shadow_east_arcsec, moon.shadow_north_arcsec)))
    return shades


@dataclass(frozen=True, eq=False)
class EarthShade:
    """The Earth's shadow as a factor on the Moon's light, in the colour of each bin.

    Parameters
    ----------
    shadow : EarthShadow
        Where Earth and Sun stand.
    km_per_arcsec : float
        Scale at the Moon.
    wavelengths_nm : array, shape (bins,)
        Middle of each bin.
    """

    shadow: EarthShadow
    km_per_arcsec: float
    wavelengths_nm: FloatArray

    spot: ClassVar[tuple[tuple[float, float, float], ...]] = ()
    """The light changes smoothly over many cells: nothing needs to be drawn finely."""

    def __call__(self, globe: Ellipsoid, points: SurfacePoints, step: float) -> FloatArray:
        """Return the fraction of sunlight left, shape (bins, n)."""
        places = globe.positions(points).astype(float) * self.km_per_arcsec
        earth, sun = np.asarray(self.shadow.earth_km), np.asarray(self.shadow.sun_km)
        axis = (sun - earth) / np.linalg.norm(sun - earth)
        from_earth = places - earth[:, None]
        behind = -(axis @ from_earth)
        away = np.sqrt(((from_earth + np.multiply.outer(axis, behind)) ** 2).sum(axis=0))
        # the Moon's own depth changes the shadow's width by 16 km: that of its middle is taken
        return shadow_light(away, self.wavelengths_nm, float(earth @ axis), float(np.linalg.norm(sun - earth)))


@dataclass(frozen=True, eq=False)
class Shade:
    """One satellite's shadow as a factor on the globe's light.

    Parameters
    ----------
    shadow : MoonShadow
        The shadow.
    km_per_arcsec : float
        Scale at the planet.
    middle : (float or None, float or None)
        (east, north) of the shadow's middle on the disc, arcsec; None off the disc.
    """

    shadow: MoonShadow
    km_per_arcsec: float
    middle: tuple[float | None, float | None]

    def __call__(self, globe: Ellipsoid, points: SurfacePoints, step: float) -> FloatArray:
        """Return the fraction of sunlight left, shape (n,)."""
        return self.shadow.sunlit(globe.positions(points).astype(float) * self.km_per_arcsec)

    @property
    def spot(self) -> tuple[tuple[float, float, float], ...]:
        """Circle around the shadow on the sky (east, north, radius), arcsec; none off the disc."""
        east, north = self.middle
        if east is None or north is None:
            return ()
        return ((east, north, self.shadow.reach_km() / self.km_per_arcsec),)


def add_moons(
    radiance: npt.NDArray[np.float32],
    grid: Grid,
    *,
    moons: list[MoonState],
    planet: Body,
    backdrop: Backdrop,
    apparition: Apparition,
    bins: SpectralBins,
) -> tuple[tuple[PointSource, ...], tuple[str, ...]]:
    """Draw satellites into `radiance` (in place) and return those that stay points, and the drawn ones' names."""
    points, drawn = [], []
    for moon in moons:
        if moon.sunlit_fraction <= 0:
            continue
        flux = body_photon_flux(planet.satellite(moon.name), moon.magnitude, bins) * moon.sunlit_fraction
        behind = moon.position_km[2] < 0
        if _is_disc(moon, grid, backdrop.globe):
            _draw_disc(
                radiance,
                grid,
                moon=moon,
                known=planet.satellite(moon.name),
                flux=flux,
                backdrop=backdrop,
                apparition=apparition,
                bins=bins,
            )
            drawn.append(moon.name)
            continue
        light = visible_fraction(moon, backdrop) if behind or backdrop.rings else 1.0
        if light > 0:
            points.append(PointSource(moon.name, moon.east_arcsec, moon.north_arcsec, flux * light))
    return tuple(points), tuple(drawn)


def _is_disc(moon: MoonState, grid: Grid, globe: Ellipsoid) -> bool:
    row, column = grid.pixel_of(moon.east_arcsec, moon.north_arcsec)
    reach = moon.radius_arcsec / grid.step_arcsec
    inside = reach <= row + 0.5 <= grid.rows - reach and reach <= column + 0.5 <= grid.columns - reach
    return inside and (reach >= RESOLVED_CELLS or _meets(moon, globe))


def _meets(moon: MoonState, globe: Ellipsoid) -> bool:
    distance = math.hypot(moon.east_arcsec - globe.centre[0], moon.north_arcsec - globe.centre[1])
    return distance < globe.equatorial + moon.radius_arcsec


def _draw_disc(
    radiance: npt.NDArray[np.float32],
    grid: Grid,
    *,
    moon: MoonState,
    known: Body,
    flux: FloatArray,
    backdrop: Backdrop,
    apparition: Apparition,
    bins: SpectralBins,
) -> None:
    place = (moon.east_arcsec, moon.north_arcsec)
    sphere = Ellipsoid(moon.radius_arcsec, moon.radius_arcsec, (0, 1, 0), apparition.sun_direction, place)
    globe = Globe(sphere, law_of(known, bins.centres_nm))
    disc = draw_globe(grid, globe, len(bins))
    light = disc.light * (flux / globe.integral()).astype(np.float32)[:, None, None]
    body = disc.body
    open_sky = _open_fraction(disc, moon, backdrop)
    target = radiance[(slice(None), *disc.window.slices)]
    target *= (1.0 - body * open_sky).astype(np.float32)
    target += light * open_sky.astype(np.float32)


def _open_fraction(disc: Disc, moon: MoonState, backdrop: Backdrop) -> FloatArray:
    """Return, by cell of the disc's window, how much of the satellite the planet leaves to be seen."""
    window = disc.window
    if not _meets(moon, backdrop.globe) and not backdrop.rings:
        return np.ones(window.shape)
    fine = (np.arange(4) + 0.5) / 4 - 0.5
    step = window.grid.step_arcsec
    east = (window.east[:, None] - fine * step).ravel()
    north = (window.north[:, None] + fine * step).ravel()
    east, north = np.broadcast_arrays(east[None, :], north[:, None])
    seen = _passed(east.ravel(), north.ravel(), moon, backdrop)
    return seen.reshape(window.shape[0], 4, window.shape[1], 4).mean(axis=(1, 3))


def visible_fraction(moon: MoonState, backdrop: Backdrop) -> float:
    """Return the part of a satellite's disc that globe and rings leave to be seen, 0..1."""
    order = np.arange(_DISC_SAMPLES) + 0.5
    radius = moon.radius_arcsec * np.sqrt(order / _DISC_SAMPLES)
    angle = order * math.pi * (3.0 - math.sqrt(5.0))
    east = moon.east_arcsec + radius * np.sin(angle)
    north = moon.north_arcsec + radius * np.cos(angle)
    return float(_passed(east, north, moon, backdrop).mean())


def _passed(east: FloatArray, north: FloatArray, moon: MoonState, backdrop: Backdrop) -> FloatArray:
    """Return the light that the planet lets pass on lines of sight to the satellite, shape (n,)."""
    globe = backdrop.globe
    place = np.stack([east - globe.centre[0], north - globe.centre[1]])
    passed = np.ones(east.shape)
    if moon.position_km[2] < 0:
        passed = np.where((place * (globe.silhouette @ place)).sum(axis=0) < 1.0, 0.0, passed)
    view = backdrop.ring_view
    if view is None or abs(globe.pole[2]) < 1e-3:
        return passed
    depth = -(globe.pole[:2] @ place) / globe.pole[2]
    radius = np.sqrt((place**2).sum(axis=0) + depth**2) * view.km_per_arcsec
    behind_plane = moon.position_km[2] < depth * view.km_per_arcsec
    for ring in backdrop.rings:
        inside = (radius >= ring.inner_km) & (radius < ring.outer_km) & behind_plane
        passed = np.where(inside, passed * math.exp(-ring.optical_depth / view.mu), passed)
    return passed
