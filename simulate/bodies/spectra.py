"""The Sun's spectrum, the albedo of each body by wavelength, and photon fluxes in spectral bins.

Magnitudes are Johnson V in the Vega system; the Sun is -26.76 (Willmer 2018, ApJS 236, 47), and its
colours (Ramirez et al. 2012, ApJ 752, 5) set the zero points of the other bands. Everything is
computed on a scale of 1 nm and only then summed into bins.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache, lru_cache
from importlib import resources
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from simulate.bodies.body import load_body
from simulate.errors import InputError
from simulate.values.arrays import frozen_array
from simulate.values.constants import LIGHT_SPEED_M_S, PLANCK_J_S, SUN_V_MAGNITUDE
from simulate.values.spectrum import SpectralBins

if TYPE_CHECKING:
    from simulate.bodies.body import Body

FloatArray = npt.NDArray[np.float64]

FIRST_NM, LAST_NM = 300.0, 1100.0
"""Range of the tables; bins must lie inside."""

SUN_V_IRRADIANCE = 1.8365
"""Mean of the Sun's irradiance over Johnson V at 1 au, W m-2 nm-1 (Willmer 2018, tables 3 and 4)."""

BANDS = ("U", "B", "V", "R", "I", "Rc", "Ic", "u", "g", "r", "i", "z")
"""Bands of the albedo tables: Johnson UBVRI, Cousins Rc and Ic, Sloan ugriz."""

_JOHNSON_INFRARED = {"R": (700.0, 220.0), "I": (900.0, 240.0)}
"""Middle and full width at half maximum of Johnson's R and I, nm (Johnson 1966, from memory)."""

_BAND_ERRORS = {"V": 0.001, "B": 0.01}
_BAND_ERROR, _COVERED_ERROR = 0.03, 0.06
"""Relative errors allowed to the band means: V is met, B nearly so, for the others the smooth curve
decides; bands inside a measured spectrum count less, since the spectrum knows better."""

_CURVATURE_WEIGHT = 5e6
"""Weight (nm3) of the integrated squared second derivative: bends of a tenth within about 100 nm cost as much as
a band missed by its error."""

_KNOT_STEP_NM = 10.0
_FLAT_BELOW_NM, _FLAT_ABOVE_NM = 330.0, 950.0
"""Beyond the bands the curve is held level."""

_SEAM_NM = 15.0
"""Gap between a measured stretch of spectrum and the smooth curve that goes on beyond it."""


def read_table(name: str) -> dict[str, FloatArray]:
    """Return a CSV table shipped with the bodies as {column: read-only array}; ``#`` starts a remark."""
    text = resources.files("simulate.bodies").joinpath("data", name).read_text(encoding="utf-8")
    lines = [line for line in text.splitlines() if line and not line.startswith("#")]
    rows = np.array([[float(cell) for cell in line.split(",")] for line in lines[1:]])
    return {key: frozen_array(rows[:, index]) for index, key in enumerate(lines[0].split(","))}


@cache
def wavelength_scale() -> FloatArray:
    """Return the fine wavelength scale of this room, nm: 300 to 1100 in steps of 1."""
    return frozen_array(np.arange(FIRST_NM, LAST_NM + 0.5, 1.0))


@dataclass(frozen=True, eq=False)
class Band:
    """A photometric band on the fine scale.

    Parameters
    ----------
    name : str
        One of `BANDS`.
    weights : array, shape (n,)
        Weights of an irradiance (W m-2 nm-1) on `wavelength_scale`, of sum 1.
    """

    name: str
    weights: FloatArray

    def mean(self, irradiance: FloatArray) -> float:
        """Return the band's mean of an irradiance on the fine scale, in its unit."""
        return float(self.weights @ irradiance)


@cache
def band(name: str) -> Band:
    """Return a photometric band.

    U, B, V, Rc, Ic after Bessell 1990 (energy weights), Sloan ugriz after Doi et al. 2010 (photon
    weights), Johnson's R and I as Gaussians.

    Raises
    ------
    InputError
        For an unknown band.
    """
    scale = wavelength_scale()
    if name in _JOHNSON_INFRARED:
        middle, width = _JOHNSON_INFRARED[name]
        response = np.exp2(-(((scale - middle) / (width / 2)) ** 2))
    elif name in BANDS:
        table = read_table("bands.csv")
        response = np.interp(scale, table["wavelength_nm"], table[name])
        if name in ("u", "g", "r", "i", "z"):
            response = response * scale
    else:
        raise InputError("band", name, f"use one of {', '.join(BANDS)}")
    return Band(name, frozen_array(response / response.sum()))


@cache
def solar_irradiance() -> FloatArray:
    """Return the Sun's irradiance at 1 au on `wavelength_scale`, W m-2 nm-1.

    ASTM G173-03 (extraterrestrial), scaled by one factor so that Johnson V is -26.76.
    """
    table = read_table("solar_spectrum.csv")
    irradiance = np.interp(wavelength_scale(), table["wavelength_nm"], table["irradiance"])
    return frozen_array(irradiance * SUN_V_IRRADIANCE / band("V").mean(irradiance))


def photons_per_joule(wavelengths_nm: npt.ArrayLike) -> FloatArray:
    """Return the photons in one joule of light at `wavelengths_nm` (nm, any shape), same shape."""
    return np.asarray(wavelengths_nm, dtype=float) * 1e-9 / (PLANCK_J_S * LIGHT_SPEED_M_S)


def solar_photon_flux(bins: SpectralBins) -> FloatArray:
    """Return the Sun's photons s-1 m-2 at 1 au in each bin, shape (bins,).

    Raises
    ------
    InputError
        For bins outside 300..1100 nm.
    """
    return _photons(solar_irradiance(), bins)


def magnitude_zero_flux(bins: SpectralBins) -> FloatArray:
    """Return photons s-1 m-2 in each bin, shape (bins,), of a star of V = 0 with the Sun's spectrum."""
    return solar_photon_flux(bins) * 10 ** (0.4 * SUN_V_MAGNITUDE)


def body_photon_flux(body: Body, magnitude: float, bins: SpectralBins) -> FloatArray:
    """Return photons s-1 m-2 in each bin, shape (bins,), of a body of total magnitude V.

    The spectrum is the Sun's times the body's albedo; Sun and star shine with the Sun's own. The
    synthetic V of the result is `magnitude` exactly, its colours are those of the albedo.

    Raises
    ------
    InputError
        For a magnitude that is not finite or bins outside 300..1100 nm.
    """
    if not np.isfinite(magnitude):
        raise InputError("magnitude", magnitude, "give a finite number")
    return _photons_at_zero(body, bins) * 10 ** (-0.4 * magnitude)


@lru_cache(maxsize=64)
def _photons_at_zero(body: Body, bins: SpectralBins) -> FloatArray:
    return frozen_array(_photons(body_irradiance(body, 0.0), bins))


def body_irradiance(body: Body, magnitude: float) -> FloatArray:
    """Return the irradiance of a body of total magnitude V on `wavelength_scale`, W m-2 nm-1."""
    shape = solar_irradiance()
    if not body.self_luminous:
        shape = shape * _albedo(body)
    wanted = SUN_V_IRRADIANCE * 10 ** (-0.4 * (magnitude - SUN_V_MAGNITUDE))
    return shape * (wanted / band("V").mean(shape))


def _photons(irradiance: FloatArray, bins: SpectralBins) -> FloatArray:
    if bins.edges_nm[0] < FIRST_NM or bins.edges_nm[-1] > LAST_NM:
        raise InputError("spectral bins", bins.edges_nm, f"they must lie between {FIRST_NM:g} and {LAST_NM:g} nm")
    scale = wavelength_scale()
    return bins.integrate(scale, irradiance * photons_per_joule(scale))


@cache
def _solar_magnitudes() -> dict[str, float]:
    """Magnitudes of the Sun at 1 au in the bands whose zero points its colours set."""
    colours = load_body("sun").section("colour")
    v = load_body("sun").section("magnitude")["constant_mag"]
    b = v + colours["B-V"]
    return {"U": b + colours["U-B"], "B": b, "V": v, "Rc": v - colours["V-Rc"], "Ic": v - colours["V-Ic"]}


def synthetic_magnitude(irradiance: FloatArray, name: str) -> float:
    """Return the magnitude in band U, B, V, Rc or Ic of an irradiance on `wavelength_scale`.

    Parameters
    ----------
    irradiance : array, shape (n,)
        W m-2 nm-1.
    name : str
        Band; its zero point is such that the Sun has the colours of Ramirez et al. 2012.

    Raises
    ------
    InputError
        For another band.
    """
    magnitudes = _solar_magnitudes()
    if name not in magnitudes:
        raise InputError("band", name, f"use one of {', '.join(magnitudes)}")
    response = band(name)
    return magnitudes[name] - 2.5 * float(np.log10(response.mean(irradiance) / response.mean(solar_irradiance())))


def geometric_albedo(body: Body, wavelengths_nm: npt.ArrayLike) -> FloatArray:
    """Return the geometric albedo at `wavelengths_nm` (nm, any shape), same shape.

    A smooth curve whose means over the photometric bands are the published ones (V exactly, B within 1 %);
    the giants between 300 and 1050 nm and Titan between 480 and 727.6 nm follow the measured spectrum in
    detail. Constant beyond 300 and 1100 nm. For Saturn: the globe without rings.

    Raises
    ------
    InputError
        For Sun and star.
    """
    return np.interp(np.asarray(wavelengths_nm, dtype=float), wavelength_scale(), _albedo(body))


@lru_cache(maxsize=64)
def _albedo(body: Body) -> FloatArray:
    """Albedo on the fine scale, from band means and, where there is one, a measured spectrum."""
    if body.self_luminous:
        raise InputError("body", body.name, "it must be lit by the Sun")
    published = body.section("albedo")
    names = [key for key in BANDS if key in published]
    averaging = np.array([_albedo_weights(key) / published[key] for key in names])
    errors = np.array([_BAND_ERRORS.get(key, _BAND_ERROR) for key in names])
    curve = _smooth_curve(averaging, errors)
    if "spectrum" in body.sections:
        measured = _measured_spectrum(body)
        middles = averaging @ wavelength_scale() / averaging.sum(axis=1)
        covered = (middles > measured[0, 0]) & (middles < measured[-1, 0]) & (errors == _BAND_ERROR)
        shape = _join(curve, measured)
        curve = shape * _smooth_curve(averaging * shape, np.where(covered, _COVERED_ERROR, errors))
    return frozen_array(curve)


def _measured_spectrum(body: Body) -> FloatArray:
    """Return rows (wavelength in nm, albedo) of a measured spectrum: in the data file or in a table beside it."""
    section = body.section("spectrum")
    if "file" not in section:
        return section["albedo"]
    table = read_table(str(section["file"]))
    return np.column_stack([table["wavelength_nm"], table[str(section.get("column", body.name))]])


def _albedo_weights(name: str) -> FloatArray:
    """Weights that turn an albedo curve into the band's albedo: response times sunlight, of sum 1."""
    weights = band(name).weights * solar_irradiance()
    return weights / weights.sum()


def _smooth_curve(averaging: FloatArray, errors: FloatArray) -> FloatArray:
    """Return the smoothest curve whose weighted means are all near 1.

    Parameters
    ----------
    averaging : array, shape (bands, n)
        Each row's product with the curve should be 1.
    errors : array, shape (bands,)
        Relative error allowed to each.

    Notes
    -----
    Least squares with a penalty on second differences (Whittaker 1923, Proc. Edinburgh Math. Soc. 41, 63).
    """
    scale = wavelength_scale()
    knots = np.arange(FIRST_NM, LAST_NM + _KNOT_STEP_NM / 2, _KNOT_STEP_NM)
    hats = np.array([np.interp(scale, knots, row) for row in np.eye(knots.size)]).T
    weighted = averaging @ hats / errors[:, None]
    slope = np.diff(np.eye(knots.size), 1, axis=0) / _KNOT_STEP_NM
    level = (knots[1:] <= _FLAT_BELOW_NM) | (knots[:-1] >= _FLAT_ABOVE_NM)
    bends = np.vstack([np.diff(slope, 1, axis=0) / _KNOT_STEP_NM, slope[level] / _KNOT_STEP_NM])
    height = 1.0 / averaging.sum(axis=1).mean()  # makes the penalty one on relative bends
    normal = weighted.T @ weighted + _CURVATURE_WEIGHT * _KNOT_STEP_NM / height**2 * (bends.T @ bends)
    return hats @ np.linalg.solve(normal, weighted.T @ (1.0 / errors))


def _join(smooth: FloatArray, measured: FloatArray) -> FloatArray:
    """Put a measured stretch (rows of nm, albedo) into a smooth curve, with straight seams."""
    scale = wavelength_scale()
    first, last = measured[0, 0] - _SEAM_NM, measured[-1, 0] + _SEAM_NM
    outside = (scale < first) | (scale > last)
    x = np.concatenate([scale[scale < first], measured[:, 0], scale[scale > last]])
    y = np.concatenate([smooth[scale < first], measured[:, 1], smooth[scale > last]])
    return np.where(outside, smooth, np.interp(scale, x, y))
