"""From a camera's channels to the colours of a screen: white is sunlight through the same air."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import numpy.typing as npt

from simulate.bodies import body_names, load_body
from simulate.bodies.colour import to_linear_srgb
from simulate.bodies.spectra import geometric_albedo, solar_photon_flux
from simulate.values.spectrum import SpectralBins

FloatArray = npt.NDArray[np.floating]

LUMINANCE = np.array([0.2126, 0.7152, 0.0722])
"""Weights of linear red, green and blue in luminance (IEC 61966-2-1)."""


def white_rates(weights: FloatArray, bins: SpectralBins) -> FloatArray:
    """Return what each channel records of a sunlit white surface, shape (channels,).

    Parameters
    ----------
    weights : array, shape (channels, bins)
        Electrons per unit of radiance, air included.
    bins : SpectralBins
        The bins.
    """
    return weights @ solar_photon_flux(bins)


def screen_matrix(weights: FloatArray, names: tuple[str, ...], bins: SpectralBins) -> npt.NDArray[np.float64]:
    """Return the matrix from white-balanced channels to linear sRGB, shape (3, channels).

    Fitted by least squares to the sunlit albedo spectra of the bodies and to smooth spectra around
    grey, under the condition that white stays white. A single channel gives grey.

    Parameters
    ----------
    weights : array, shape (channels, bins)
        Electrons per unit of radiance, air included.
    names : tuple of str
        Of the channels.
    bins : SpectralBins
        The bins.
    """
    if len(names) == 1:
        return np.ones((3, 1))
    return _fitted(tuple(map(tuple, np.asarray(weights, dtype=float).tolist())), bins)


@lru_cache(maxsize=32)
def _fitted(weights: tuple[tuple[float, ...], ...], bins: SpectralBins) -> npt.NDArray[np.float64]:
    response = np.array(weights)
    sun = solar_photon_flux(bins)
    objects = _albedos(bins) * sun
    channels = objects @ response.T / (response @ sun)
    wanted = to_linear_srgb(objects.T, bins)
    # white stays white: each row sums to one, so fit differences from the last channel
    last = channels[:, -1:]
    free, *_ = np.linalg.lstsq(channels[:, :-1] - last, wanted - last, rcond=None)
    matrix = np.empty((3, response.shape[0]))
    matrix[:, :-1] = free.T
    matrix[:, -1] = 1.0 - free.T.sum(axis=1)
    matrix.setflags(write=False)
    return matrix


def _albedos(bins: SpectralBins) -> npt.NDArray[np.float64]:
    """Albedos per bin of the bodies, brought to one level, and of smooth made-up surfaces, (n, bins)."""
    wave = bins.centres_nm
    known = [body for body in map(load_body, body_names()) if not body.self_luminous]
    spectra = [geometric_albedo(body, wave) for body in known]
    slopes = [1.0 + 0.3 * sign * np.sin((wave - 550.0) / width) for sign in (-1, 1) for width in (60.0, 120.0, 200.0)]
    shapes = np.array([*spectra, *slopes])
    level = shapes[:, (wave > 500) & (wave < 600)].mean(axis=1, keepdims=True)
    return shapes / level * 0.5


def to_screen(rates: FloatArray, white: FloatArray, matrix: FloatArray, level: float) -> npt.NDArray[np.float32]:
    """Return linear sRGB, shape (rows, columns, 3), of channel rates, shape (channels, rows, columns).

    Parameters
    ----------
    rates : array
        Electrons per second and pixel.
    white : array, shape (channels,)
        The same of a sunlit white surface.
    matrix : array, shape (3, channels)
        From `screen_matrix`.
    level : float
        Radiance, relative to that white, that is shown as 1.
    """
    balanced = rates / (white * level).astype(np.float32)[:, None, None]
    return np.einsum("kc,cij->ijk", matrix.astype(np.float32), balanced)
