"""Apparent V magnitudes of the planets, the Moon, the satellites, the Sun and the star.

Planets: Mallama & Hilton 2018, Astron. Comput. 25, 10 ("Computing apparent planetary magnitudes for
The Astronomical Almanac"). Where a phase angle lies beyond the range that the authors give, a
`RangeWarning` is issued and the magnitude goes on from the end of the range by Lambert's phase law.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from simulate.bodies.scattering import lambert_phase
from simulate.bodies.sections import Section, check_keys
from simulate.errors import InputError, RangeWarning, note

if TYPE_CHECKING:
    from simulate.bodies.body import Body

_KEYS = {
    **dict.fromkeys(
        (
            "first_phase_deg", "last_phase_deg", "edge_deg", "large_phase_zero_mag", "latitude_slope", "slope",
            "season_zero_deg", "rings_constant_mag", "rings_opening_mag", "rings_phase", "rings_surge_mag",
            "rings_surge_rate", "rings_last_phase_deg", "rings_last_opening_deg",
        ),
        "a number",
    ),
    **dict.fromkeys(
        (
            "polynomial", "large_phase_polynomial", "phase_polynomial", "years", "rotation_correction",
            "season_correction",
        ),
        "a list of numbers",
    ),
    "constant_mag": "a number or a list of numbers",
}  # fmt: skip

_TOGETHER = {
    "large_phase_polynomial": ("edge_deg",),
    "years": ("constant_mag", "edge_deg", "slope"),
    "season_correction": ("season_zero_deg",),
    "rings_constant_mag": (
        "rings_opening_mag", "rings_phase", "rings_surge_mag", "rings_surge_rate", "rings_last_phase_deg",
        "rings_last_opening_deg",
    ),
}  # fmt: skip
"""Keys that need others."""

_LENGTHS = {"years": 2, "rotation_correction": 40, "season_correction": 40}

_DARKEST_PHASE = 1e-12
_TABLE_STEP_DEG = 10.0
_TABLE_OFFSET = 2


@dataclass(frozen=True)
class _View:
    """What the formulas need besides the phase angle; None where the caller does not know it."""

    ring_opening_deg: float | None
    ring_opening_sun_deg: float | None
    sub_observer_longitude_west_deg: float | None
    sub_solar_longitude_west_deg: float | None
    solar_ecliptic_longitude_deg: float | None
    sub_observer_latitude_graphic_deg: float | None
    sub_solar_latitude_graphic_deg: float | None
    year: float | None


def visual_magnitude(
    body: Body,
    phase_angle_deg: float,
    distance_au: float,
    sun_distance_au: float,
    *,
    ring_opening_deg: float | None = None,
    ring_opening_sun_deg: float | None = None,
    sub_observer_longitude_west_deg: float | None = None,
    sub_solar_longitude_west_deg: float | None = None,
    solar_ecliptic_longitude_deg: float | None = None,
    sub_observer_latitude_graphic_deg: float | None = None,
    sub_solar_latitude_graphic_deg: float | None = None,
    year: float | None = None,
    extrapolate: bool = False,
) -> float:
    """Return the apparent Johnson V magnitude of the whole body, above the air.

    Parameters
    ----------
    body : Body
        Any; the star is 0 by definition, for the Sun only `distance_au` counts.
    phase_angle_deg : float
        Sun-body-observer, 0 to 180.
    distance_au, sun_distance_au : float
        Observer to body, Sun to body.
    ring_opening_deg, ring_opening_sun_deg : float, optional
        Planetocentric latitudes of observer and Sun above the ring plane (Saturn). With both, the
        magnitude is that of globe and rings together; without, that of the globe alone.
    sub_observer_longitude_west_deg, sub_solar_longitude_west_deg : float, optional
        Mars: west longitudes for the correction for albedo markings (zero on the mean of a turn;
        left out without them).
    solar_ecliptic_longitude_deg : float, optional
        Mars: its heliocentric ecliptic longitude, for the correction for the season (likewise).
    sub_observer_latitude_graphic_deg, sub_solar_latitude_graphic_deg : float, optional
        Uranus: planetographic latitudes; must be given.
    year : float, optional
        Neptune: decimal year, for its brightening from 1980 to 2000; default after it.
    extrapolate : bool
        Beyond the authors' range use their formula all the same instead of Lambert's law (the
        warning stays).

    Raises
    ------
    InputError
        For a phase angle outside 0..180, a distance that is not positive, or Uranus without its
        latitudes.

    Warns
    -----
    RangeWarning
        Outside the range of the formula.
    """
    view = _View(
        ring_opening_deg=ring_opening_deg,
        ring_opening_sun_deg=ring_opening_sun_deg,
        sub_observer_longitude_west_deg=sub_observer_longitude_west_deg,
        sub_solar_longitude_west_deg=sub_solar_longitude_west_deg,
        solar_ecliptic_longitude_deg=solar_ecliptic_longitude_deg,
        sub_observer_latitude_graphic_deg=sub_observer_latitude_graphic_deg,
        sub_solar_latitude_graphic_deg=sub_solar_latitude_graphic_deg,
        year=year,
    )
    section = body.section("magnitude")
    if body.self_luminous:
        constant = section["constant_mag"]
        return constant if body.is_point else constant + 5 * math.log10(_positive(distance_au, "distance"))
    distances = _positive(distance_au, "distance") * _positive(sun_distance_au, "distance from the Sun")
    if not 0 <= phase_angle_deg <= 180:
        raise InputError("phase angle", phase_angle_deg, "give an angle from 0 to 180 deg")
    return 5 * math.log10(distances) + _with_range(body, section, phase_angle_deg, view, extrapolate)


def check_magnitude(section: Section) -> None:
    """Check the ``[magnitude]`` section of what is lit by the Sun, before anything is computed from it.

    Raises
    ------
    InputError
        For an unknown key, one that is missing beside another, or one of the wrong kind or length.
    """
    check_keys(section, _KEYS)
    needed = ["last_phase_deg", "constant_mag" if "years" in section else ""]
    if "polynomial" not in section and "constant_mag" not in section:
        needed.append("polynomial")
    needed += [key for one, others in _TOGETHER.items() if one in section for key in others]
    for key in filter(None, needed):
        section[key]  # says where it should stand
    lengths = _LENGTHS | {"constant_mag": 2 if "years" in section else 0}
    for key, length in lengths.items():
        if key in section and np.size(section[key]) != max(length, 1):
            raise InputError(f"{section.where}.{key}", np.size(section[key]), f"give {max(length, 1)} numbers")


def _positive(value: float, name: str) -> float:
    if not (math.isfinite(value) and value > 0):
        raise InputError(name, value, "give a positive number of au")
    return value


def _with_range(body: Body, section: Section, phase: float, view: _View, extrapolate: bool) -> float:
    """Magnitude at unit distances; outside the phase range Lambert's law joins on at its end."""
    known = view.ring_opening_deg is not None and view.ring_opening_sun_deg is not None
    with_rings = known and "rings_constant_mag" in section
    first = section.get("first_phase_deg", 0.0)
    last = section["rings_last_phase_deg"] if with_rings else section["last_phase_deg"]
    inside = min(max(phase, first), last)
    if inside != phase:
        way = "their formula goes on" if extrapolate else "Lambert's law goes on from there"
        _warn(body, f"phase angle {phase:.2f} deg", f"{first:g} to {last:g} deg", way)
    at = phase if extrapolate else inside
    magnitude = _rings(body, section, at, view) if with_rings else _reduced(body, section, at, view)
    return magnitude + _lambert_step(at, phase)


def _warn(body: Body, what: str, allowed: str, way: str) -> None:
    note(
        f"magnitude of {body.name}: {what} lies outside the authors' range {allowed}; {way}",
        RangeWarning,
        stacklevel=4,
    )


def _lambert_step(start_deg: float, end_deg: float) -> float:
    """Magnitudes by which a Lambert sphere dims from one phase angle to another."""
    if start_deg == end_deg:
        return 0.0
    start, end = np.maximum(lambert_phase([start_deg, end_deg]), _DARKEST_PHASE)
    return float(-2.5 * np.log10(end / start))


def _reduced(body: Body, section: Section, phase: float, view: _View) -> float:
    """Magnitude of the globe at 1 au from Sun and observer: the terms that the body's file holds."""
    if "polynomial" in section:
        magnitude = _pieces(section, phase)
    else:
        magnitude = _constant(body, section, phase, view) + _far_phase(section, phase)
    if "latitude_slope" in section:
        magnitude += section["latitude_slope"] * _mean_latitude(body, view)
    return magnitude + _table_corrections(section, view)


def _pieces(section: Section, phase: float) -> float:
    """One polynomial in the phase angle, or two that meet at an edge."""
    if phase <= section.get("edge_deg", math.inf):
        return _polynomial(section["polynomial"], phase)
    coefficients = section["large_phase_polynomial"]
    if "large_phase_zero_mag" in section:  # Jupiter, equation 9: light, not magnitude, is the polynomial
        return section["large_phase_zero_mag"] - 2.5 * math.log10(_polynomial(coefficients, phase / 180.0))
    return _polynomial(coefficients, phase)


def _polynomial(coefficients: npt.NDArray[Any], x: float) -> float:
    return float(np.polynomial.polynomial.polyval(x, coefficients))


def _rings(body: Body, section: Section, phase: float, view: _View) -> float:
    """Saturn with its rings, equation 10; b is zero when Sun and observer see different faces."""
    product = float(view.ring_opening_deg or 0.0) * float(view.ring_opening_sun_deg or 0.0)
    opening = math.sqrt(max(product, 0.0))
    if opening > section["rings_last_opening_deg"]:
        limit = f"up to {section['rings_last_opening_deg']:g} deg"
        _warn(body, f"ring opening {opening:.2f} deg", limit, "their formula goes on")
    sine = math.sin(math.radians(opening))
    surge = section["rings_surge_mag"] * sine * math.exp(section["rings_surge_rate"] * phase)
    return section["rings_constant_mag"] + section["rings_opening_mag"] * sine + section["rings_phase"] * phase + surge


def _mean_latitude(body: Body, view: _View) -> float:
    """Mean distance of observer and Sun from the equator (Uranus, equation 14: its poles are the brighter)."""
    latitudes = (view.sub_observer_latitude_graphic_deg, view.sub_solar_latitude_graphic_deg)
    if latitudes[0] is None or latitudes[1] is None:
        raise InputError(
            f"latitudes of {body.name}", latitudes, "give the planetographic latitudes of observer and Sun"
        )
    return (abs(latitudes[0]) + abs(latitudes[1])) / 2


def _constant(body: Body, section: Section, phase: float, view: _View) -> float:
    """Return the constant, or one that changes between two years (Neptune, equation 16)."""
    if "years" not in section:
        return section["constant_mag"]
    first, last = section["years"]
    year = last + 1 if view.year is None else view.year
    before, after = section["constant_mag"]
    if phase > section["edge_deg"] and year <= last:
        _warn(body, f"phase angle {phase:.2f} deg in {year:.1f}", f"of years after {last:g}", "the later law is used")
    return after if year > last else before + section["slope"] * max(year - first, 0.0)


def _far_phase(section: Section, phase: float) -> float:
    """Phase term that counts only at angles which the Earth never sees."""
    if "phase_polynomial" not in section or phase <= section.get("edge_deg", 0.0):
        return 0.0
    return _polynomial(section["phase_polynomial"], phase)


def _table_corrections(section: Section, view: _View) -> float:
    """Return what tables say of the face that is turned here and of the season (Mars, equations 6 and 7)."""
    correction = 0.0
    longitudes = (view.sub_observer_longitude_west_deg, view.sub_solar_longitude_west_deg)
    if "rotation_correction" in section and longitudes[0] is not None and longitudes[1] is not None:
        correction += table_correction(section["rotation_correction"], _mean_longitude(longitudes[0], longitudes[1]))
    if "season_correction" in section and view.solar_ecliptic_longitude_deg is not None:
        season = view.solar_ecliptic_longitude_deg - section["season_zero_deg"]
        correction += table_correction(section["season_correction"], season)
    return correction


def _mean_longitude(first_deg: float, second_deg: float) -> float:
    """Middle of the shorter arc between two longitudes, deg."""
    first, second = first_deg % 360.0, second_deg % 360.0
    middle = (first + second) / 2
    return middle + 180.0 if abs(first - second) > 180.0 else middle


def table_correction(table: npt.NDArray[Any], angle_deg: float) -> float:
    """Interpolate one of the authors' tables by Stirling's formula on five points.

    Parameters
    ----------
    table : array, shape (40,)
        Values every 10 deg, the first at -20 deg.
    angle_deg : float
        Any angle; taken within a turn.
    """
    steps = (angle_deg % 360.0) / _TABLE_STEP_DEG
    base = min(int(steps), 35)
    p = steps - base
    y = table[base : base + 2 * _TABLE_OFFSET + 1]
    first, second = np.diff(y), np.diff(y, 2)
    third, fourth = np.diff(y, 3), np.diff(y, 4)
    return float(
        y[2]
        + p * (first[1] + first[2]) / 2
        + p**2 / 2 * second[1]
        + p * (p**2 - 1) / 12 * (third[0] + third[1])
        + p**2 * (p**2 - 1) / 24 * fourth[0]
    )
