"""The light in the Earth's shadow, at the distance of the Moon: how much of the Sun is left, in which colour.

Two parts. What passes more than `DANJON` Earth radii from the Earth's middle goes straight: the part of the Sun's disc
that is left uncovered, an even disc. What passes lower is bent into the shadow by the air, spread out by that bending,
dimmed and reddened (the theory of Link 1963, Die Mondfinsternisse, worked out here anew). Each ring of air of radius
R + h throws the Sun's picture, a disc of some 1790 km at the Moon, to the distance |(R + h)(1 + D/d) - D w| from the
axis, D and d the distances of Moon and Sun from the Earth and w the bending; a place gets the rings' light by the share
of each that passes within such a picture. Bending, molecules, ozone, the haze below and that of the stratosphere follow
from their columns along the ray, straight through a layered air. A little light is scattered into the deepest blue.

How much of the lower air is free of cloud all around the Earth, nobody knows beforehand, nor how much volcanic dust
there is: between the darkest and the brightest of eclipses the umbra changes by a factor of 10^4 (Danjon's scale of
L = 0 to 4), between those of quiet years by about `UMBRA_DOUBT` either way.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache, lru_cache

import numpy as np
import numpy.typing as npt

from simulate.bodies.spectra import band, solar_irradiance, wavelength_scale
from simulate.values.air_depth import molecular_depth, ozone_depth
from simulate.values.arrays import frozen_array
from simulate.values.constants import SUN_RADIUS_KM

FloatArray = npt.NDArray[np.floating]

EARTH_RADIUS_KM = 6378.137
"""Equatorial (World Geodetic System 1984)."""

DANJON = 1.01
"""The Earth's enlargement for its shadow (Danjon 1951, L'Astronomie 65, 51): 1/85 for 75 km of air less 1/594 for its
flattening, as in the canon of Espenak & Meeus (2009, NASA/TP-2009-214172). Chauvenet's older rule enlarges the shadow
instead of the Earth, by 1/50: umbral magnitudes come out about .006 greater, penumbral ones .026 (the canon, from
memory)."""

UMBRA_DOUBT = 3.0
"""Factor, either way, by which the umbra's light differs from eclipse to eclipse without a great eruption before
(from memory of photometry: a magnitude or so)."""

_HEIGHT_KM = np.array([0.0, 5.0, 11.0, 15.0, 20.0, 25.0, 32.0, 40.0, 47.0, 60.0, 71.0, 85.0])
_DENSITY_KG_M3 = np.array(
    [1.225, 0.7364, 0.3639, 0.1948, 0.08891, 0.04008, 0.01356, 3.996e-3, 1.427e-3, 3.097e-4, 6.42e-5, 8.22e-6]
)
"""Density of the air (United States Standard Atmosphere 1976; from memory)."""

_REFRACTIVITY = 2.77e-4
"""Refractive index of air less 1 at 15 deg C, 1013 hPa and 550 nm (Ciddor 1996); its 1 % of colour is left out."""

_OZONE_KM = (22.0, 5.0)
"""Middle and standard deviation of the ozone layer (common practice)."""

_HAZE_550, _HAZE_KM, _HAZE_EXPONENT = 0.08, 1.5, 1.3
"""Optical depth at 550 nm, scale height and Angstrom's exponent of the haze below (common practice)."""

_DUST_550, _DUST_KM = 0.006, (18.0, 3.5)
"""Optical depth at 550 nm of the stratosphere's haze in years without volcanoes; middle and standard deviation of its
layer (from memory)."""

_CLOUD_KM = (5.0, 2.0)
"""Height at which half of the rays pass free of clouds, and the width of the change, a logistic curve: chosen so that
the middle of the umbra is darker than full sunlight by 10^5 in the green, its edge by 10^3, as measured in eclipses
without volcanic dust (Link 1963, quoted from memory: 4.9 and about 3 in the decimal logarithm)."""

_FORWARD = 0.7
"""Asymmetry of the haze's scattering (Henyey & Greenstein 1941; common practice)."""

_RINGS = 480
_PATH_KM = np.linspace(0.0, 1300.0, 521)
_AXIS_KM = np.linspace(0.0, 12_000.0, 301)
"""Distances from the axis at which the light is tabulated; the penumbra ends before 9000 km."""

_DISC_POINTS = 300


def uncovered_fraction(separation: FloatArray, sun: FloatArray, cover: FloatArray) -> FloatArray:
    """Return the fraction of the Sun's disc left free by another disc before it.

    Both discs are uniform; the overlap is the lens of two circles.

    Parameters
    ----------
    separation : array, shape (n,)
        Between the centres; any unit, the same for all three.
    sun, cover : array, shape (n,) or ()
        Radii.
    """
    d = np.asarray(separation, float)
    r, s = np.broadcast_to(np.asarray(sun, float), d.shape), np.broadcast_to(np.asarray(cover, float), d.shape)
    apart = d >= r + s
    within = d <= np.abs(r - s)
    safe = np.where(apart | within, r + 0.5 * s, d)
    cosine_r = np.clip((safe**2 + r**2 - s**2) / (2 * safe * r), -1, 1)
    cosine_s = np.clip((safe**2 + s**2 - r**2) / (2 * safe * s), -1, 1)
    kite = (-safe + r + s) * (safe + r - s) * (safe - r + s) * (safe + r + s)
    lens = r**2 * np.arccos(cosine_r) + s**2 * np.arccos(cosine_s) - 0.5 * np.sqrt(np.maximum(kite, 0))
    covered = np.where(within, np.minimum(r, s) ** 2 / r**2, lens / (np.pi * r**2))
    return np.where(apart, 1.0, 1.0 - covered)


@dataclass(frozen=True, eq=False)
class _Air:
    """The air seen edge on, ring by ring; arrays of shape (rings,), optical depths for one unit overhead.

    Parameters
    ----------
    height_km : array
        Middle of each ring, lowest point of its ray.
    thickness_km : array
        Of each ring.
    bending_rad : array
        Of the whole ray.
    molecules, ozone, haze, dust : array
        Column along the ray, in columns straight down.
    clear : array
        Share of the ring free of clouds.
    """

    height_km: FloatArray
    thickness_km: FloatArray
    bending_rad: FloatArray
    molecules: FloatArray
    ozone: FloatArray
    haze: FloatArray
    dust: FloatArray
    clear: FloatArray


def _layer(height_km: FloatArray, middle_and_width: tuple[float, float]) -> FloatArray:
    """Return a Gaussian layer whose column straight down is 1, per km."""
    middle, width = middle_and_width
    return np.exp(-0.5 * ((height_km - middle) / width) ** 2) / (width * math.sqrt(2.0 * math.pi))


@cache
def _air() -> _Air:
    top = (DANJON - 1.0) * EARTH_RADIUS_KM
    # thin rings below, where a ring's light lands farther from the next one's
    edges = np.linspace(0.0, 1.0, _RINGS + 1) ** 2 * top
    height = 0.5 * (edges[1:] + edges[:-1])
    lowest = EARTH_RADIUS_KM + height[:, None]
    along = np.hypot(lowest, _PATH_KM) - EARTH_RADIUS_KM

    def column(density: FloatArray) -> FloatArray:
        return 2.0 * np.trapezoid(density, _PATH_KM, axis=1)  # pyright: ignore[reportReturnType]

    thinning = -np.diff(np.log(_DENSITY_KG_M3)) / np.diff(_HEIGHT_KM)  # per km, layer by layer
    layer = np.clip(np.searchsorted(_HEIGHT_KM, along, side="right") - 1, 0, len(thinning) - 1)
    relative = np.log(_DENSITY_KG_M3 / _DENSITY_KG_M3[0])
    density = np.exp(np.interp(along, _HEIGHT_KM, relative))
    density = np.where(along < _HEIGHT_KM[-1], density, 0.0)
    straight = np.linspace(0.0, _HEIGHT_KM[-1], 2001)
    overhead = np.trapezoid(np.exp(np.interp(straight, _HEIGHT_KM, relative)), straight)
    # the ray bends with the gradient of the index across it: that towards the Earth's middle times lowest / radius
    bending = _REFRACTIVITY * column(density * thinning[layer] * lowest / (EARTH_RADIUS_KM + along))
    middle, width = _CLOUD_KM
    return _Air(
        height_km=height,
        thickness_km=np.diff(edges),
        bending_rad=bending,
        molecules=column(density) / overhead,
        ozone=column(_layer(along, _OZONE_KM)),
        haze=column(np.exp(-along / _HAZE_KM) / _HAZE_KM),
        dust=column(_layer(along, _DUST_KM)),
        clear=1.0 / (1.0 + np.exp((middle - height) / width)),
    )


def shadow_light(
    axis_km: FloatArray, wavelengths_nm: npt.ArrayLike, moon_distance_km: float, sun_distance_km: float
) -> FloatArray:
    """Return the sunlight left at places of the Earth's shadow, relative to full sunlight.

    Parameters
    ----------
    axis_km : array, shape (n,)
        Distance of the places from the shadow's axis.
    wavelengths_nm : array_like, shape (w,)
        Wavelengths.
    moon_distance_km, sun_distance_km : float
        From the Earth's middle: of the places, along the axis, and of the Sun.

    Returns
    -------
    array, shape (w, n)
    """
    table = _table(tuple(np.atleast_1d(wavelengths_nm).tolist()), float(moon_distance_km), float(sun_distance_km))
    axis = np.asarray(axis_km, float)
    bent = np.stack([np.exp(np.interp(axis, _AXIS_KM, row)) for row in table])
    return straight_light(axis, moon_distance_km, sun_distance_km) + bent


def straight_light(axis_km: FloatArray, moon_distance_km: float, sun_distance_km: float) -> FloatArray:
    """Return the part of the Sun's disc that the enlarged Earth leaves uncovered, shape of `axis_km`.

    Parameters
    ----------
    axis_km : array, shape (n,)
        Distance from the shadow's axis.
    moon_distance_km, sun_distance_km : float
        As for `shadow_light`.
    """
    whole = moon_distance_km + sun_distance_km
    # the directions to both middles, seen from the place, differ by its distance from the line that joins them
    separation = np.asarray(axis_km, float) * sun_distance_km / (moon_distance_km * whole)
    return uncovered_fraction(
        separation, np.asarray(SUN_RADIUS_KM / whole), np.asarray(DANJON * EARTH_RADIUS_KM / moon_distance_km)
    )


@lru_cache(maxsize=32)
def _table(waves_nm: tuple[float, ...], moon_km: float, sun_km: float) -> FloatArray:
    """Return the logarithm of the bent light at `_AXIS_KM`, shape (w, places)."""
    air, nm = _air(), np.array(waves_nm)[:, None]
    haze = air.haze * _HAZE_550 * (550.0 / nm) ** _HAZE_EXPONENT
    dust = air.dust * _DUST_550 * (550.0 / nm) ** _HAZE_EXPONENT
    molecules = air.molecules * molecular_depth(nm)
    passed = np.exp(-(molecules + haze + dust + air.ozone * ozone_depth(nm))) * air.clear
    ring = EARTH_RADIUS_KM + air.height_km
    area = 2.0 * math.pi * ring * air.thickness_km
    lands = np.abs(ring * (1.0 + moon_km / sun_km) - moon_km * np.tan(air.bending_rad))
    picture = SUN_RADIUS_KM * moon_km / sun_km
    place = np.maximum(_AXIS_KM[:, None], 1e-6)
    cosine = (place**2 + lands**2 - picture**2) / (2.0 * place * np.maximum(lands, 1e-6))
    share = np.arccos(np.clip(cosine, -1.0, 1.0)) / math.pi
    bent = (passed * area / (math.pi * picture**2)) @ share.T
    # what is scattered by a degree or so: molecules by 3/(16 pi) (1 + cos^2), haze by its forward peak
    peak = (1.0 - _FORWARD**2) / (1.0 - _FORWARD) ** 3 / (4.0 * math.pi)
    scattered = passed * (molecules * 3.0 / (8.0 * math.pi) + (haze + dust) * peak) @ area / moon_km**2
    return frozen_array(np.log(bent + scattered[:, None]))


def disc_light(axis_km: float, disc_km: float, moon_distance_km: float, sun_distance_km: float) -> float:
    """Return the V light left on a full disc in the Earth's shadow, mean over it, relative to full sunlight.

    Parameters
    ----------
    axis_km : float
        Distance of its middle from the shadow's axis.
    disc_km : float
        Its radius; evenly bright without the shadow.
    moon_distance_km, sun_distance_km : float
        As for `shadow_light`.
    """
    order = np.arange(_DISC_POINTS) + 0.5
    radius, angle = disc_km * np.sqrt(order / _DISC_POINTS), order * math.pi * (3.0 - math.sqrt(5.0))
    places = np.hypot(axis_km + radius * np.cos(angle), radius * np.sin(angle))
    waves, weights = _visual()
    return float(weights @ shadow_light(places, waves, moon_distance_km, sun_distance_km).mean(axis=1))


def light_text(left: float) -> str:
    """Return a share of light in words: "46%", "1/10000".

    Parameters
    ----------
    left : float
        Share, above 0.
    """
    return f"{left:.0%}" if left >= 0.05 else f"1/{float(f'{1.0 / left:.1g}'):.0f}"


@cache
def _visual() -> tuple[FloatArray, FloatArray]:
    """Return wavelengths, nm, and the share of sunlight in V about each."""
    scale = wavelength_scale()
    light = band("V").weights * solar_irradiance()
    chosen = np.arange(470.0, 701.0, 20.0)
    nearest = np.clip(np.round((scale - chosen[0]) / 20.0), 0, len(chosen) - 1).astype(int)
    share = np.bincount(nearest, light, len(chosen))
    return chosen, frozen_array(share / share.sum())
