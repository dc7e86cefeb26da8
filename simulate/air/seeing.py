"""What turbulence does on average: transfer functions of the air.

Frequencies are on the sky, cycles per arcsec; a frequency f at the wavelength lambda compares points
of the pupil that are lambda f apart. The transfers multiply that of the telescope.

*Long exposure*: exp(-D/2) with the von Karman structure function D of the phase.

*Motion removed*: every short exposure is put on the same place before they are averaged. The tilt
fitted to the wave over a clear aperture is taken out of the structure function exactly (with the
correlation between the tilt and the rest that Fried 1966 leaves out; compare Wang & Markey 1978,
J. Opt. Soc. Am. 68, 78), and the mean of exp(-D'/2) is taken over all pairs of points.

*Best frames kept*: the wavefront variance of a short exposure varies like a sum of squares of
independent Zernike coefficients with Noll's (1976) variances. Frames are taken as ranked by that
variance, and the kept share as frames of a turbulence whose variance is smaller by the ratio of the
mean of the kept to the mean of all.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
import numpy.typing as npt
from scipy.special import gamma

from simulate.air.layers import structure_function
from simulate.air.sky import Sky
from simulate.errors import InputError
from simulate.values.constants import ARCSEC_PER_RADIAN, REFERENCE_WAVELENGTH_NM
from simulate.values.grid import Grid
from simulate.values.spectrum import SpectralBins

FloatArray = npt.NDArray[np.float64]
Float32Array = npt.NDArray[np.float32]

KOLMOGOROV = 2.0 * (24.0 / 5.0 * float(gamma(6.0 / 5.0))) ** (5.0 / 6.0)
"""6.884: structure function of the phase at a distance r0, rad2 (Fried 1966)."""

FWHM_FACTOR = 0.976
"""Width of a Kolmogorov long exposure in lambda / r0 (Fried 1966, computed: 0.9759)."""

_NODES = 513
_GAUSS_ACROSS = (10, 8)


def fried_parameter_m(sky: Sky, wavelength_nm: npt.ArrayLike, airmass: float = 1.0) -> FloatArray:
    """Return Fried's parameter r0 in m, shape of `wavelength_nm`; infinite without turbulence.

    Parameters
    ----------
    sky : Sky
        Its seeing is the width at the zenith and 500 nm; turbulence of the tube is added.
    wavelength_nm : array_like
        Wavelengths, nm.
    airmass : float
        Airmass; the sky's r0 falls as its power -3/5 (`Sky.turbulence_arcsec`).
    """
    nm = np.asarray(wavelength_nm, dtype=float)
    if not 0.999 <= airmass < 100:
        raise InputError("airmass", airmass, "give a value from 1 to 100")
    if sky.is_still:
        return np.full(nm.shape, np.inf)
    reference = FWHM_FACTOR * REFERENCE_WAVELENGTH_NM * 1e-9 * ARCSEC_PER_RADIAN / sky.turbulence_arcsec(airmass)
    return reference * (nm / REFERENCE_WAVELENGTH_NM) ** 1.2


def seeing_fwhm_arcsec(wavelength_nm: float, r0_m: float, outer_scale_m: float = math.inf) -> float:
    """Return the width of a long exposure through a large telescope, arcsec.

    Parameters
    ----------
    wavelength_nm, r0_m, outer_scale_m : float
        Wavelength in nm, Fried's parameter at it and outer scale in m.

    Notes
    -----
    0.976 lambda / r0, narrowed by the outer scale after Tokovinin (2002, PASP 114, 1156), eq. 19,
    valid for outer scales of many r0; its factor is not taken below that at 5 r0.
    """
    width = FWHM_FACTOR * wavelength_nm * 1e-9 / r0_m * ARCSEC_PER_RADIAN
    return width * math.sqrt(1.0 - 2.183 * min(r0_m / outer_scale_m, 0.1) ** 0.356)


def phase_structure(separation_m: npt.ArrayLike, r0_m: float, outer_scale_m: float) -> FloatArray:
    """Return the structure function of the phase, rad2: von Karman, or Kolmogorov if L0 is infinite."""
    separation = np.asarray(separation_m, dtype=float)
    if math.isinf(r0_m):
        return np.zeros(separation.shape)
    if outer_scale_m > 1e5:
        return KOLMOGOROV * (separation / r0_m) ** (5.0 / 3.0)
    return structure_function(separation, r0_m, outer_scale_m)


def long_exposure_transfer(
    frequency: npt.ArrayLike, wavelength_nm: float, r0_m: float, outer_scale_m: float = 20.0
) -> FloatArray:
    """Return the mean transfer of the air in a long exposure, shape of `frequency`.

    Parameters
    ----------
    frequency : array_like
        Spatial frequency, cycles/arcsec.
    wavelength_nm, r0_m, outer_scale_m : float
        Wavelength in nm, Fried's parameter at it and outer scale in m (infinite: Kolmogorov).
    """
    shift = np.asarray(frequency, dtype=float) * ARCSEC_PER_RADIAN * wavelength_nm * 1e-9
    if shift.size <= 4 * _NODES:
        return np.exp(-0.5 * phase_structure(shift, r0_m, outer_scale_m))
    # the profile is smooth in f^(5/6): a table of it is right to 1e-5
    power = shift ** (5.0 / 6.0)
    nodes = np.linspace(0.0, float(power.max()), 4 * _NODES)
    return np.interp(power, nodes, np.exp(-0.5 * phase_structure(nodes**1.2, r0_m, outer_scale_m)))


def motion_removed_transfer(
    frequency: npt.ArrayLike, wavelength_nm: float, r0_m: float, aperture_m: float, outer_scale_m: float = 20.0
) -> FloatArray:
    """Return the mean transfer of the air in short exposures put on the same place.

    Parameters
    ----------
    frequency : array_like
        Spatial frequency, cycles/arcsec; beyond the telescope's cut-off the value at it is returned.
    wavelength_nm, r0_m, aperture_m, outer_scale_m : float
        Wavelength in nm; Fried's parameter at it, diameter of the aperture and outer scale in m.

    Returns
    -------
    array, shape of `frequency`
        The transfer of air and telescope over that of a clear telescope alone.
    """
    share = np.asarray(frequency, dtype=float) * ARCSEC_PER_RADIAN * wavelength_nm * 1e-9 / aperture_m
    return np.interp(share, np.linspace(0.0, 1.0, _NODES), _removed_profile(r0_m, aperture_m, outer_scale_m))


def kept_transfer(
    frequency: npt.ArrayLike,
    wavelength_nm: float,
    r0_m: float,
    aperture_m: float,
    outer_scale_m: float = 20.0,
    kept: float = 1.0,
) -> FloatArray:
    """Return the mean transfer of the best share of short exposures put on the same place.

    Parameters
    ----------
    kept : float
        Share of the frames that is kept, above 0 up to 1; 1 gives `motion_removed_transfer`.

    Notes
    -----
    The other parameters are those of `motion_removed_transfer`; the model is in the module's head.
    """
    better = r0_m * kept_share_gain(kept) ** -0.6
    return motion_removed_transfer(frequency, wavelength_nm, better, aperture_m, outer_scale_m)


def seeing_transfers(
    grid: Grid,
    bins: SpectralBins,
    sky: Sky,
    airmass: float = 1.0,
    *,
    aperture_m: float | None = None,
    kept: float = 1.0,
) -> Float32Array:
    """Return the mean transfer of the air for each bin on the frequencies of a grid.

    Parameters
    ----------
    grid : Grid
        Grid of the picture.
    bins : SpectralBins
        Spectral bins; the middle of each is taken.
    sky : Sky
        Seeing and outer scale.
    airmass : float
        Airmass.
    aperture_m : float, optional
        Diameter of the telescope, m: then motion is removed and the share `kept` of the frames used;
        without it, long exposures.
    kept : float
        Share of the frames kept, above 0 up to 1.

    Returns
    -------
    array, shape (bins, rows, columns // 2 + 1), float32
        In the layout of ``rfft2``, 1 at zero frequency.
    """
    highest, low, part = _positions(grid)
    nodes = np.linspace(0.0, 1.0, _NODES) ** 2 * highest
    result = np.empty((len(bins), *low.shape), np.float32)
    for index, nm in enumerate(bins.centres_nm):
        r0 = float(fried_parameter_m(sky, nm, airmass))
        if aperture_m is None:
            table = long_exposure_transfer(nodes, nm, r0, sky.outer_scale_m)
        else:
            table = kept_transfer(nodes, nm, r0, aperture_m, sky.outer_scale_m, kept)
        rise = np.append(np.diff(table), 0.0).astype(np.float32)
        np.multiply(rise[low], part, out=result[index])
        result[index] += table.astype(np.float32)[low]
    return result


@lru_cache(maxsize=8)
def _positions(grid: Grid) -> tuple[float, npt.NDArray[np.intp], Float32Array]:
    """Highest frequency of a grid, and where each of its frequencies lies in a table even in sqrt(f)."""
    frequency = grid.frequency()
    highest = float(frequency.max()) or 1.0
    # the table's nodes are even in the square root, so that the steep start is finely sampled
    nodes = np.linspace(0.0, 1.0, _NODES) ** 2 * highest
    low = np.clip(np.searchsorted(nodes, frequency, side="right") - 1, 0, _NODES - 2)
    part = (frequency - nodes[low]) / (nodes[low + 1] - nodes[low])
    return highest, low, part.astype(np.float32)


@lru_cache(maxsize=64)
def _removed_profile(r0_m: float, aperture_m: float, outer_scale_m: float) -> FloatArray:
    """Motion-removed transfer at even steps of the shift, from 0 to the aperture, shape (nodes,)."""
    if math.isinf(r0_m):
        return np.ones(_NODES)
    table, weights = _removed_structure(round(min(outer_scale_m / aperture_m, 1e6), 6))
    strength = (aperture_m / r0_m) ** (5.0 / 3.0)
    return (np.exp(np.float32(-0.5 * strength) * table) * weights).sum(axis=1, dtype=np.float64)


@lru_cache(maxsize=16)
def _removed_structure(outer_scale: float) -> tuple[Float32Array, Float32Array]:
    """Structure function without the fitted tilt for pairs of points; aperture and r0 are 1.

    With the least-squares slope a of the phase p over the aperture, the phase left is p - a.x and

        D'(x1, x2) = D(r) - 2 r.(G(x1) - G(x2)) + r^2 <a_x^2>,   r = x1 - x2,

    where G(x) = <a p(x)> = -1/2 int w(y) D(|y - x|) dy with w(y) = 4 y / (pi R^4).

    Returns
    -------
    table : array, shape (nodes, pairs), float32
        D' at each shift and for each place of the pair within the overlap of the two apertures.
    weights : array, shape (nodes, pairs), float32
        Weights of the places; their sum over the pairs is 1.
    """
    radius = 0.5
    place, slope = _tilt_correlation(outer_scale)
    variance = 4.0 / radius**4 * np.trapezoid(slope * place**2, place)
    shift = np.linspace(0.0, 1.0, _NODES)[:, None]
    along, across, weights = _overlap(shift, radius)
    structure = phase_structure(shift, 1.0, outer_scale)

    def pull(x: FloatArray) -> FloatArray:
        distance = np.hypot(x, across)
        return np.interp(distance, place, slope) * x / np.maximum(distance, 1e-12)

    fitted = 2.0 * shift * (pull(along + shift / 2) - pull(along - shift / 2))
    table = np.maximum(structure - fitted + shift**2 * variance, 0.0)
    return table.astype(np.float32), weights.astype(np.float32)


def _tilt_correlation(outer_scale: float) -> tuple[FloatArray, FloatArray]:
    """Covariance of the fitted slope with the phase at a distance from the middle; aperture and r0 are 1."""
    radius = 0.5
    nodes, node_weights = np.polynomial.legendre.leggauss(48)
    ring = 0.5 * radius * (nodes + 1.0)[:, None]
    angle = (np.arange(64) + 0.5)[None, :] * (math.pi / 64)
    area = (0.5 * radius * node_weights)[:, None] * ring * (2.0 * math.pi / 64)
    lever = 4.0 / (math.pi * radius**4) * ring * np.cos(angle) * area
    place = np.linspace(0.0, radius, 65)
    distance = np.sqrt(ring**2 + place[:, None, None] ** 2 - 2.0 * ring * place[:, None, None] * np.cos(angle))
    # a Bessel function at every pair would take half a second; the table is right to 1e-7
    nodes = np.linspace(0.0, 2.0 * radius, 4097)
    structure = np.interp(distance, nodes, phase_structure(nodes, 1.0, outer_scale))
    return place, -0.5 * (lever * structure).sum(axis=(1, 2))


def _overlap(shift: FloatArray, radius: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Gauss points for the middle of a pair in one quarter of the overlap of two discs.

    Parameters
    ----------
    shift : array, shape (nodes, 1)
        Distance of the two discs, along x.
    radius : float
        Their radius.

    Returns
    -------
    x, y, weights : arrays, shape (nodes, points)
        Places, and weights whose sum over the points is 1.
    """
    u, u_weights = np.polynomial.legendre.leggauss(_GAUSS_ACROSS[0])
    v, v_weights = np.polynomial.legendre.leggauss(_GAUSS_ACROSS[1])
    y = np.sqrt(np.maximum(radius**2 - shift**2 / 4.0, 0.0)) * 0.5 * (v + 1.0)
    # at the height y the overlap reaches sqrt(R^2 - y^2) - shift / 2 to each side
    reach = np.maximum(np.sqrt(np.maximum(radius**2 - y**2, 0.0)) - shift / 2.0, 1e-12)
    x = reach[:, :, None] * 0.5 * (u + 1.0)
    weights = (reach * v_weights)[:, :, None] * u_weights
    weights /= weights.sum(axis=(1, 2), keepdims=True)
    points = (len(shift), -1)
    return x.reshape(points), np.repeat(y, len(u), axis=1), weights.reshape(points)


@lru_cache(maxsize=128)
def kept_share_gain(kept: float) -> float:
    """Return the mean wavefront variance of the best share of frames over that of all frames.

    Parameters
    ----------
    kept : float
        Share kept, above 0 up to 1.

    Raises
    ------
    InputError
        For a share out of range.
    """
    if not 0.0 < kept <= 1.0:
        raise InputError("kept share", kept, "give a value above 0 up to 1")
    place, below = _variance_distribution()
    least = max(kept, 1e-4)
    shares = np.append(below[below < least], least)
    values = np.append(place[below < least], np.interp(least, below, place))
    return float(np.trapezoid(values, shares) / least) / _all_mean()


def _all_mean() -> float:
    place, below = _variance_distribution()
    return float(np.trapezoid(place, below))


_RESIDUAL_RAD2 = 0.134
"""Wavefront variance without tilt, in (D/r0)^(5/3) rad2 (Noll 1976)."""


@lru_cache(maxsize=1)
def _variance_distribution() -> tuple[FloatArray, FloatArray]:
    """Distribution of the tilt-removed wavefront variance over its mean.

    The variance is a sum of squares of independent normal coefficients: n + 1 of them in each radial
    order n, with variances proportional to (n + 1) Gamma(n - 5/6) / Gamma(n + 23/6) (Noll 1976). The
    distribution follows from its characteristic function (Imhof 1961, Biometrika 48, 419).

    Returns
    -------
    place, below : arrays
        Variance over its mean, and the share of frames below it, 0 to 1.
    """
    orders = np.arange(2, 31)
    each = (orders + 1) * gamma(orders - 5.0 / 6.0) / gamma(orders + 23.0 / 6.0)
    each = each / ((orders + 1) * each).sum()
    place = np.linspace(0.0, 5.0, 251)
    u = (np.arange(2000) + 0.5) * 0.1
    angle = 0.5 * ((orders + 1) * np.arctan(np.outer(u, each))).sum(axis=1)
    size = np.exp(0.25 * ((orders + 1) * np.log1p(np.outer(u, each) ** 2)).sum(axis=1))
    waves = np.sin(angle - 0.5 * np.outer(place, u)) / (u * size)
    below = 0.5 - waves.sum(axis=1) * 0.1 / math.pi
    below = np.maximum.accumulate(np.clip(below, 0.0, 1.0))
    below[0], below[-1] = 0.0, 1.0
    return place, below
