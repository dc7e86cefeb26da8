"""What the face of a planet cannot be trusted for: belts of another year, colours of zones, rings, limb, markings.

Each is a change that may be added to the theory's light, with a prior. The fit then finds place, scale and turn beside
them, and what they leave unsure enters every error.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from simulate.bodies import Body
from simulate.checking.model import Doubts
from simulate.geometry import Apparition
from simulate.scene.ellipsoid import Ellipsoid
from simulate.values.grid import Grid

FloatArray = npt.NDArray[np.floating]

MOST_BANDS, LEAST_BANDS = 14, 4
"""Bands of latitude whose brightness may differ; no more than the aperture resolves."""

RESOLUTIONS_A_BAND = 2.0
"""Widths lambda / D along the polar diameter for each band."""

LIMB_SPREAD = 0.15
"""Standard deviation of the exponent of limb darkening: colour, haze, and the tone curve's own curvature."""

RING_SPREAD, EACH_RING_SPREAD = 0.35, 0.12
"""Shares by which all rings together, and each main ring by itself, may be brighter or fainter than their globe: the
opposition surge alone makes a third, and owners' pictures had 1.2 to 1.8 times the theory's."""


@dataclass(frozen=True)
class FaceTrust:
    """By how much a face may differ from its theory: shares of the local brightness, standard deviations.

    Parameters
    ----------
    bands : float
        Of belts and zones; 0 where the surface is solid.
    drifting : bool
        Whether markings move about, so that their longitudes say nothing unless the user gave one.
    """

    bands: float
    drifting: bool


def face_trust(body: Body) -> FaceTrust:
    """Return how far the face of a body is to be trusted.

    Belts and zones of the giants change by a fifth within years (common practice; on two owners' pictures of Jupiter
    the equatorial zone differed by 18 and 7 %). Dust and haze dim the markings of Mars, tone curves those of all.
    """
    solid = any(str(feature.get("kind", "")) == "area" for feature in body.features)
    return FaceTrust(bands=0.04, drifting=False) if solid else FaceTrust(bands=0.2, drifting=True)


def globe_of(body: Body, seen: Apparition) -> Ellipsoid:
    """Return the visible globe on the sky, arcsec."""
    radius = seen.equatorial_diameter_arcsec / 2
    polar = radius * body.disc_polar_radius_km / body.disc_radius_km
    return Ellipsoid(radius, polar, seen.pole_direction, seen.sun_direction)


@dataclass(frozen=True, eq=False)
class GlobePlaces:
    """What lies under the cells of a grid, or under any places on the sky.

    Parameters
    ----------
    on : bool array
        Places that lie on the globe.
    latitude_deg : array
        Planetographic; of the limb for places beside the globe.
    east_deg : array
        Longitude eastward on the body from the middle meridian.
    slant : array
        Cosine of the angle at which the ground is seen, 0 at the limb.
    """

    on: npt.NDArray[np.bool_]
    latitude_deg: npt.NDArray[np.float64]
    east_deg: npt.NDArray[np.float64]
    slant: npt.NDArray[np.float64]


def globe_places(globe: Ellipsoid, east: FloatArray, north: FloatArray) -> GlobePlaces:
    """Return what lies at places on the sky, arcsec from the middle; arrays of any equal shape."""
    shape = np.shape(east)
    flat = np.array([np.ravel(east), np.ravel(north)], float)
    points = globe.points(flat[0], flat[1])
    away = globe.sky_to_disc @ flat
    return GlobePlaces(
        (np.hypot(away[0], away[1]) <= 1.0).reshape(shape),
        globe.latitude_graphic_deg(points).reshape(shape),  # pyright: ignore[reportArgumentType]
        globe.longitude_from_meridian_deg(points).reshape(shape),  # pyright: ignore[reportArgumentType]
        np.clip(points.mu, 0.0, 1.0).reshape(shape),  # pyright: ignore[reportArgumentType]
    )


def face_doubts(
    body: Body, seen: Apparition, grid: Grid, light: FloatArray, rings: dict[str, FloatArray], resolution_arcsec: float
) -> Doubts:
    """Return what the light of a theory cannot be trusted for.

    Parameters
    ----------
    body, seen : Body, Apparition
        What, and how it stands.
    grid : Grid
        Cells of the light.
    light : array, shape (rows, columns)
        The theory, the disc about 1.
    rings : dict of array
        What each ring adds to the light.
    resolution_arcsec : float
        lambda / D.
    """
    east, north = np.meshgrid(grid.east_arcsec(), grid.north_arcsec())
    places = globe_places(globe_of(body, seen), east, north)
    every = sum(rings.values(), np.zeros(grid.shape))
    globe = np.asarray(light, float) - every
    names: list[str] = []
    lights: list[FloatArray] = []
    spreads: list[float] = []
    trust = face_trust(body)
    for middle, share in _bands(places, seen, resolution_arcsec):
        names.append(f"brightness at latitude {middle:+.0f} deg")
        # all of them brighter would be no change but of the exposure
        lights.append(globe * (share - float((globe * share).sum() / globe.sum())))
        spreads.append(trust.bands)
    names.append("limb darkening")
    lights.append(globe * np.log(np.maximum(places.slant, 0.05)))
    spreads.append(LIMB_SPREAD)
    if rings:
        names.append("rings")
        lights.append(every)
        spreads.append(RING_SPREAD)
        for name, each in rings.items():
            names.append(name)
            lights.append(each)
            spreads.append(EACH_RING_SPREAD)
    return Doubts(tuple(names), np.array(lights, np.float32), np.array(spreads))


def _bands(places: GlobePlaces, seen: Apparition, resolution_arcsec: float) -> list[tuple[float, FloatArray]]:
    """Return (middle, share of the brightness that changes) of bands of latitude that overlap and add up to 1."""
    count = int(seen.equatorial_diameter_arcsec / (RESOLUTIONS_A_BAND * resolution_arcsec))
    count = min(max(count, LEAST_BANDS), MOST_BANDS)
    shown = places.latitude_deg[places.on]
    # evenly spaced as seen: in the sine of the latitude, nearly
    sines = np.sin(np.radians([shown.min(), shown.max()]))
    middles = np.degrees(np.arcsin(np.linspace(*sines, count)))  # pyright: ignore[reportCallIssue]
    sine = np.sin(np.radians(places.latitude_deg))
    knots = np.sin(np.radians(middles))
    return [(float(middle), np.interp(sine, knots, hat)) for middle, hat in zip(middles, np.eye(count), strict=True)]
