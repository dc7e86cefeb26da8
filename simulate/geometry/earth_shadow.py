"""The Earth's shadow at the Moon: where it lies, how wide it is, and how deep the Moon stands in it.

In km about the Moon's middle, where it was when its light left. The shadow is that of a sphere `DANJON` times as wide
as the Earth's equator, so that its radii at the Moon are those of the customary rule: 1.01 times the Moon's parallax,
plus the Sun's, less (umbra) or plus (penumbra) the Sun's semidiameter.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from simulate.bodies import load_body
from simulate.geometry.look import Look
from simulate.geometry.shadow_light import DANJON, EARTH_RADIUS_KM, disc_light
from simulate.geometry.sight import Observer, Sight
from simulate.geometry.vectors import FloatArray, dot, length, unit
from simulate.values.constants import ARCSEC_PER_RADIAN, ASTRONOMICAL_UNIT_KM, LIGHT_TIME_PER_AU_S, SUN_RADIUS_KM

_DAY_S = 86400.0

Vector = tuple[float, float, float]


@dataclass(frozen=True)
class EarthShadow:
    """The Earth's shadow as the Moon meets it at one instant; lengths in km, axes (east, north, toward the observer).

    Parameters
    ----------
    earth_km, sun_km : tuple of float
        From the Moon's middle to the Earth's, where it stood when the light passed it, and to the Sun's.
    east_arcsec, north_arcsec : float
        From the Moon's middle to the shadow's on the sky, at the Moon's distance.
    umbra_arcsec, penumbra_arcsec : float
        Radii of the shadow there.
    umbral_magnitude, penumbral_magnitude : float
        Share of the Moon's diameter that umbra and penumbra cover; above 1 the whole disc is inside, below 0 none.
    sunlit_fraction : float
        V light left on the disc, relative to a Moon outside the shadow.
    """

    earth_km: Vector
    sun_km: Vector
    east_arcsec: float
    north_arcsec: float
    umbra_arcsec: float
    penumbra_arcsec: float
    umbral_magnitude: float
    penumbral_magnitude: float
    sunlit_fraction: float

    @property
    def dimming_mag(self) -> float:
        """Magnitudes by which the Moon is fainter than outside the shadow."""
        return float(-2.5 * np.log10(self.sunlit_fraction))


@dataclass(frozen=True, eq=False)
class ShadowTrack:
    """The Earth's shadow at n instants: arrays of shape (n,) or (n, 3), km.

    Parameters
    ----------
    earth_km, sun_km : array, shape (n, 3)
        From the Moon's middle, axes of the sights that it was made from (ICRF).
    middle_km : array, shape (n, 3)
        From the Moon's middle to the point of the shadow's axis nearest to it.
    axis_km : array, shape (n,)
        Length of that.
    umbra_km, penumbra_km : array, shape (n,)
        Radii of the shadow there; the umbra's is negative beyond its tip.
    moon_distance_km, sun_distance_km : array, shape (n,)
        From the Earth's middle, along the axis and of the Sun.
    """

    earth_km: FloatArray
    sun_km: FloatArray
    middle_km: FloatArray
    axis_km: FloatArray
    umbra_km: FloatArray
    penumbra_km: FloatArray
    moon_distance_km: FloatArray
    sun_distance_km: FloatArray

    def magnitude(self, radius_km: FloatArray) -> FloatArray:
        """Return the share of the Moon's diameter inside a circle about the axis; negative outside.

        Parameters
        ----------
        radius_km : array, shape (n,)
            Of the circle: `umbra_km` or `penumbra_km`.
        """
        inside = (radius_km + moon_radius_km() - self.axis_km) / (2.0 * moon_radius_km())
        return np.where(self.moon_distance_km > 0.0, inside, -np.inf)

    def sunlit_fraction(self) -> FloatArray:
        """Return the V light left on the Moon's disc, relative to a Moon outside the shadow, shape (n,)."""
        light = np.ones(len(self.axis_km))
        for row in np.flatnonzero(self.magnitude(self.penumbra_km) > 0.0):
            near = self.axis_km[row], moon_radius_km(), self.moon_distance_km[row], self.sun_distance_km[row]
            light[row] = min(1.0, disc_light(*map(float, near)))
        return light


def moon_radius_km() -> float:
    """Return the Moon's radius."""
    return load_body("moon").disc_radius_km


def shadow_track(observer: Observer, moon: Sight) -> ShadowTrack:
    """Return the Earth's shadow at the Moon.

    The light of the Moon that is seen passed the Earth 1.3 s before it met the Moon and comes back 1.3 s after: in
    that time the Earth moves by 77 km, which would shift contacts by a minute. Only the Earth's middle counts.

    Parameters
    ----------
    observer : Observer
        Anyone: a place on the Earth changes the time by milliseconds.
    moon : Sight
        The Moon as that observer sees it.
    """
    near, shift = observer.near, moon.light_days
    for _ in range(2):
        earth = near.earth - near.earth_velocity * shift[:, None] - moon.place
        shift = moon.light_days + length(earth) * (LIGHT_TIME_PER_AU_S / _DAY_S)
    earth, sun = earth * ASTRONOMICAL_UNIT_KM, moon.sun * ASTRONOMICAL_UNIT_KM  # pyright: ignore[reportPossiblyUnboundVariable]
    axis = unit(sun - earth)
    behind = dot(earth, axis)  # pyright: ignore[reportArgumentType]
    middle = earth - axis * behind[:, None]
    sun_distance, wide = length(sun - earth), DANJON * EARTH_RADIUS_KM
    spread = behind / sun_distance
    return ShadowTrack(
        earth_km=earth,  # pyright: ignore[reportArgumentType]
        sun_km=sun,
        middle_km=middle,
        axis_km=length(middle),
        umbra_km=wide - (SUN_RADIUS_KM - wide) * spread,
        penumbra_km=wide + (SUN_RADIUS_KM + wide) * spread,
        moon_distance_km=behind,
        sun_distance_km=sun_distance,
    )


def shadow_seen(look: Look) -> EarthShadow | None:
    """Return the Earth's shadow at the first instant of a look at the Moon; None while the Moon is outside it.

    Parameters
    ----------
    look : Look
        At the Moon.
    """
    track = shadow_track(look.observer, look.sight)
    penumbral = float(track.magnitude(track.penumbra_km)[0])
    if penumbral <= 0.0:
        return None
    arcsec_per_km = ARCSEC_PER_RADIAN / (ASTRONOMICAL_UNIT_KM * float(look.sight.distance_au[0]))
    earth, sun, middle = (look.sky.resolve(vectors)[0] for vectors in (track.earth_km, track.sun_km, track.middle_km))
    return EarthShadow(
        earth_km=_vector(earth),
        sun_km=_vector(sun),
        east_arcsec=float(middle[0]) * arcsec_per_km,
        north_arcsec=float(middle[1]) * arcsec_per_km,
        umbra_arcsec=float(track.umbra_km[0]) * arcsec_per_km,
        penumbra_arcsec=float(track.penumbra_km[0]) * arcsec_per_km,
        umbral_magnitude=float(track.magnitude(track.umbra_km)[0]),
        penumbral_magnitude=penumbral,
        sunlit_fraction=float(track.sunlit_fraction()[0]),
    )


def _vector(array: FloatArray) -> Vector:
    return (float(array[0]), float(array[1]), float(array[2]))
