"""The turn of a planet, and of the field, undone while a long recording is laid together.

Every pixel of a frame shows a place of the planet's surface; it is laid where that place stood in the middle of the
recording. Near the limb, where places come into sight or leave it, pixels are moved less and less: nothing is seen
there anyway, and nothing has to be made up. Rings and sky turn with the field alone.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from simulate.bodies import Body, pole_and_meridian
from simulate.errors import InputError
from simulate.geometry import Apparition, apparition, instant_after, parse_time
from simulate.geometry.clock import J2000
from simulate.scene.ellipsoid import Ellipsoid, SurfacePoints
from simulate.stack.reader import RawRecording

FloatArray = npt.NDArray[np.float64]

FREE = 0.45
"""Cosine of the angle of emergence from which pixels are moved by all that the surface has moved."""

DARKENING = (0.3, 0.95)
"""Range of that cosine in which the fall of light to the limb is measured."""


@dataclass(frozen=True)
class FieldTurn:
    """Position angle of growing rows through a recording, deg: a line through its two ends."""

    before_deg: float
    after_deg: float
    half_s: float

    def at(self, seconds: float) -> float:
        """Return by how much it differs from that in the middle, deg, `seconds` after the middle."""
        return (self.after_deg - self.before_deg) / 2 * seconds / self.half_s if self.half_s > 0 else 0.0


class Derotation:
    """Says where the pixels of a frame belong in the middle of the recording.

    Parameters
    ----------
    recording : RawRecording
        Its facts must tell scale, rate, time and orientation.
    body : Body
        What it shows.

    Raises
    ------
    InputError
        If one of these is not known, or the body does not turn.
    """

    def __init__(self, recording: RawRecording, body: Body | None) -> None:
        facts = recording.facts
        known = {
            "--body": body,
            "--pixel-scale": facts.pixel_arcsec,
            "--rate": facts.frames_per_second,
            "--time": facts.time_utc or None,
            "--up": facts.up_deg,
        }
        missing = [option for option, value in known.items() if value is None]
        if missing or body is None:
            wanted = f"the recording does not tell enough: give {', '.join(missing)}"
            raise InputError("--derotate", str(recording.path), wanted)
        if body.orientation is None or body.equatorial_radius_km == 0:
            raise InputError("--derotate", body.name, "it has no surface that turns")
        self._pixel, self._rate = float(facts.pixel_arcsec or 0.0), float(facts.frames_per_second or 0.0)
        self._up, self._side = float(facts.up_deg or 0.0), -1.0 if facts.mirrored else 1.0
        self._frames, self._shape = recording.frames, recording.shape
        seen = apparition(body, parse_time(facts.time_utc), facts.site)
        self._turn_deg_s = _turn_deg_per_s(body, seen)
        self._field = _field_turn(body, seen, facts.site, (recording.frames - 1) / 2 / self._rate, facts.field_turns)
        equatorial = seen.equatorial_diameter_arcsec / 2
        tilt, angle = (
            math.radians(value)
            for value in (seen.sub_observer_latitude_centric_deg, seen.north_pole_position_angle_deg)
        )
        pole = (math.cos(tilt) * math.sin(angle), math.cos(tilt) * math.cos(angle), math.sin(tilt))
        polar = equatorial * body.polar_radius_km / body.equatorial_radius_km
        self._globe = Ellipsoid(equatorial, polar, pole, (0.0, 0.0, 1.0))
        self._rings: tuple[float, float, float, float] | None = None
        if body.rings and seen.ring_opening_deg is not None:
            scale = equatorial / body.equatorial_radius_km
            inner, outer = min(r.inner_km for r in body.rings), max(r.outer_km for r in body.rings)
            self._rings = inner * scale, outer * scale, abs(math.sin(math.radians(seen.ring_opening_deg))), angle
        self._exponent = 0.0

    @property
    def smear_arcsec(self) -> float:
        """By how much the middle of the disc moves during the recording, arcsec."""
        across = math.hypot(*self._globe.pole[:2])
        seconds = self._frames / self._rate
        return math.radians(abs(self._turn_deg_s) * seconds) * self._globe.equatorial * float(across)

    def measure_darkening(self, picture: npt.NDArray[np.floating]) -> None:
        """Measure how light falls to the limb, as a power of the cosine of emergence, on a picture of the planet.

        Parameters
        ----------
        picture : array, shape (rows, columns)
            All colours together, the planet in the middle, the sky at zero.
        """
        rows, columns = np.indices(self._shape, float)
        east, north = self._sky_of(rows, columns, 0.0)
        inside, points = self._on_globe(east, north)
        mu = np.zeros(self._shape)
        mu[inside] = points.mu
        used = (mu > DARKENING[0]) & (mu < DARKENING[1]) & (picture > 0)
        if np.count_nonzero(used) > 30:
            slope = np.polyfit(np.log(mu[used]), np.log(picture[used]), 1)[0]
            self._exponent = float(np.clip(slope, 0.0, 1.5))

    def laid(self, number: int, rows: FloatArray, columns: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return where pixels of an aligned frame belong, and what their light is multiplied by there.

        Parameters
        ----------
        number : int
            Of the frame.
        rows, columns : array, one shape
            Places in the aligned frame, pixels.

        Returns
        -------
        rows, columns, factor : array
        """
        seconds = (number - (self._frames - 1) / 2) / self._rate
        east, north = self._sky_of(rows, columns, seconds)
        inside, points = self._on_globe(east, north)
        factor = np.ones(east.shape)
        if inside.any():
            place, back = self._globe.positions(points), -math.radians(self._turn_deg_s * seconds)
            turned = self._turned(place, back)
            # the cosine in the middle between both places says how free a pixel is to move
            share = np.clip(self._cosine(self._turned(place, back / 2)) / FREE, 0, 1)
            share = share * share * (3 - 2 * share)
            east[inside] += share * (turned[0] - place[0])
            north[inside] += share * (turned[1] - place[1])
            if self._exponent > 0:
                ratio = np.maximum(self._cosine(turned), 0.05) / np.maximum(points.mu, 0.05)
                factor[inside] = ratio ** (self._exponent * share)
        return *self._pixel_of(east, north), factor

    def _turned(self, place: npt.NDArray[np.floating], angle: float) -> FloatArray:
        """Turn places (east, north, toward the observer), (3, n), as the body turns by an angle, rad.

        Rodrigues' formula; the components are those of a left-handed frame, hence the minus sign.
        """
        pole = self._globe.pole
        across = np.cross(pole, place.T).T
        along = pole @ place
        return place * math.cos(angle) - across * math.sin(angle) + pole[:, None] * along * (1 - math.cos(angle))

    def _cosine(self, place: FloatArray) -> FloatArray:
        """Cosine of the angle between the surface's normal and the line of sight at places, (3, n)."""
        raw = self._globe.shrink @ self._globe.shrink @ place
        return raw[2] / np.linalg.norm(raw, axis=0)

    def _on_globe(self, east: FloatArray, north: FloatArray) -> tuple[npt.NDArray[np.bool_], SurfacePoints]:
        """Return which places lie on the globe, no ring before it, and their points on its surface."""
        shape = self._globe.silhouette
        inside = shape[0, 0] * east**2 + 2 * shape[0, 1] * east * north + shape[1, 1] * north**2 < 1.0
        if self._rings is not None:
            inner, outer, opening, angle = self._rings
            along = east * math.cos(angle) - north * math.sin(angle)
            across = (east * math.sin(angle) + north * math.cos(angle)) / max(opening, 1e-3)
            inside &= ~((np.hypot(along, across) > inner) & (np.hypot(along, across) < outer))
        return inside, self._globe.points(east[inside], north[inside])

    def _sky_of(self, rows: FloatArray, columns: FloatArray, seconds: float) -> tuple[FloatArray, FloatArray]:
        angle = math.radians(self._up + self._field.at(seconds))
        y = (rows - (self._shape[0] - 1) / 2) * self._pixel
        x = (columns - (self._shape[1] - 1) / 2) * self._pixel
        sine, cosine = math.sin(angle), math.cos(angle)
        return y * sine - self._side * x * cosine, y * cosine + self._side * x * sine

    def _pixel_of(self, east: FloatArray, north: FloatArray) -> tuple[FloatArray, FloatArray]:
        angle = math.radians(self._up)
        sine, cosine = math.sin(angle), math.cos(angle)
        rows = (east * sine + north * cosine) / self._pixel + (self._shape[0] - 1) / 2
        columns = self._side * (north * sine - east * cosine) / self._pixel + (self._shape[1] - 1) / 2
        return rows, columns


def _turn_deg_per_s(body: Body, seen: Apparition) -> float:
    days = seen.jd_tt - J2000
    before, after = (pole_and_meridian(body, days + shift)[2] for shift in (0.0, 1e-3))
    # systems differ by a hundredth of the turn: within a recording less than anything seen
    system = next(iter(after))
    return math.remainder(after[system] - before[system], 360.0) / 86.4


def _field_turn(
    body: Body, seen: Apparition, site: tuple[float, float, float] | None, half_s: float, turns: bool | None
) -> FieldTurn:
    if not turns or site is None or half_s <= 0:
        return FieldTurn(0.0, 0.0, half_s)
    ends = [
        apparition(body, instant_after(parse_time(seen.time_utc), away), site).parallactic_angle_deg or 0.0
        for away in (-half_s, half_s)
    ]
    return FieldTurn(0.0, math.remainder(ends[1] - ends[0], 360.0), half_s)
