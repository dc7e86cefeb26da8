"""One body seen by one observer: the vectors from which every number of an apparition follows."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

import numpy as np

from simulate.bodies import Body
from simulate.errors import InputError
from simulate.geometry.ephemeris import load_ephemeris, orbit_of
from simulate.geometry.sight import Observer, Sight, SkyAxes, look_at, make_observer, sky_axes
from simulate.geometry.site import Site
from simulate.geometry.vectors import FloatArray, cross, dot, from_angles, length
from simulate.values.arrays import frozen_array

BySystem = Mapping[str, FloatArray]


def make_look(body: Body, days_tt: FloatArray, site: Site | None, ephemeris: str) -> Look:
    """Return the look at a planet, a satellite, the Moon or the Sun at TT days since J2000, shape (n,).

    Raises
    ------
    InputError
        For the star.
    """
    orbit_of(body)
    observer = make_observer(days_tt, site, load_ephemeris(ephemeris))
    return Look(body, observer, look_at(body, observer))


class Look:
    """One body seen by one observer: the vectors from which all numbers follow, ICRF, shape (n, 3)."""

    def __init__(self, body: Body, observer: Observer, sight: Sight) -> None:
        if body.orientation is None:
            raise InputError("body", body.name, "it must have a pole")
        self.body, self.observer, self.sight = body, observer, sight
        self.sky: SkyAxes = sky_axes(sight, observer.axes.pole)
        ra, dec, self.spin = body.orientation.at(observer.days - sight.light_days)
        self.pole = from_angles(ra, dec)
        self.node = from_angles(ra + 90.0, np.zeros_like(ra))
        # the Sun lights itself: seen from the front, without phase
        self.towards_sun = -sight.line if body.self_luminous else sight.sun

    def centric_latitude_deg(self, vectors: FloatArray) -> FloatArray:
        """Return the planetocentric latitude of directions from the body's centre, deg."""
        return np.degrees(np.arctan2(dot(vectors, self.pole), length(cross(vectors, self.pole))))

    def graphic_latitude_deg(self, centric_deg: FloatArray) -> FloatArray:
        """Return planetographic latitudes: tan(graphic) = (a/b)^2 tan(centric)."""
        ratio = self.body.equatorial_radius_km / self.body.polar_radius_km
        rad = np.radians(centric_deg)
        return np.degrees(np.arctan2(ratio**2 * np.sin(rad), np.cos(rad)))

    def longitudes(self, vectors: FloatArray) -> BySystem:
        """Return the longitude below `vectors` by system, 0..360 deg, in the body's own sense.

        The prime meridian lies at W from the node of the body's equator on the ICRF equator.
        """
        across = cross(self.pole, self.node)
        from_node = np.degrees(np.arctan2(dot(vectors, across), dot(vectors, self.node)))
        sign = 1.0 if self.body.longitude_sense == "east" else -1.0
        return MappingProxyType(
            {system: frozen_array((sign * (from_node - angle)) % 360.0) for system, angle in self.spin.items()}
        )

    def longitude_west_deg(self, vectors: FloatArray) -> FloatArray:
        """Return the west longitude below `vectors` in the body's last system (III where there are more)."""
        angle = list(self.longitudes(vectors).values())[-1]
        return angle if self.body.longitude_sense == "west" else (-angle) % 360.0
