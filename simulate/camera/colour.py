"""What each colour channel of a camera makes of a photon of each wavelength.

Makers print such curves for every sensor and none of them is copied here: the shapes below are
**invented but typical** of present silicon sensors with an organic colour filter array and of
interference filters. They are scaled so that each channel peaks at the value the user gives. Who has
the true curve gives it as a CSV file (`read_curves`) and the shapes are not used.
"""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path

import numpy as np
import numpy.typing as npt

from simulate.camera.settings import Camera, Curve
from simulate.errors import InputError
from simulate.given.door import read_text
from simulate.values.spectrum import SpectralBins

FloatArray = npt.NDArray[np.float64]

_FINE_NM = np.arange(300.0, 1151.0, 1.0)
_ROUND_NM = 20

_SILICON = {
    300: 0.10, 350: 0.36, 400: 0.62, 450: 0.87, 500: 0.98, 530: 1.00, 560: 0.985, 600: 0.93, 650: 0.83, 700: 0.71,
    750: 0.58, 800: 0.45, 850: 0.32, 900: 0.21, 950: 0.11, 1000: 0.045, 1050: 0.012, 1100: 0.0, 1150: 0.0,
}  # fmt: skip
"""Share of the peak that a back-illuminated silicon pixel with a coating for green records."""

_DYES = {
    "blue": {
        300: 0.05, 360: 0.25, 400: 0.66, 430: 0.90, 455: 1.00, 480: 0.88, 500: 0.62, 520: 0.32, 540: 0.15, 570: 0.07,
        620: 0.05, 680: 0.05, 740: 0.10, 790: 0.45, 830: 0.90, 870: 1.00, 1150: 1.00,
    },
    "green": {
        300: 0.03, 400: 0.06, 440: 0.12, 470: 0.30, 490: 0.62, 510: 0.92, 530: 1.00, 550: 0.95, 570: 0.76, 590: 0.45,
        610: 0.22, 640: 0.12, 680: 0.18, 720: 0.30, 770: 0.55, 820: 0.90, 870: 1.00, 1150: 1.00,
    },
    "red": {
        300: 0.03, 400: 0.06, 440: 0.04, 480: 0.04, 520: 0.09, 550: 0.14, 570: 0.32, 585: 0.72, 600: 0.94, 620: 1.00,
        660: 1.00, 720: 0.98, 780: 0.98, 870: 1.00, 1150: 1.00,
    },
}  # fmt: skip
"""Transmission of the three dyes of a colour filter array; all turn clear in the near infrared."""

_FILTERS_NM = {
    "red": (590.0, 695.0),
    "green": (495.0, 580.0),
    "blue": (400.0, 505.0),
    "infrared": (685.0, 1150.0),
    "methane": (880.0, 898.0),
}
"""Half-transmission edges of the filters used before a mono sensor; that for the methane band at 889 nm is 18 nm wide
(common practice: 8 to 20 nm)."""

_EDGE_NM = 3.0
"""Scale of the logistic edge of an interference filter: 10 to 90 % within 13 nm."""


def channel_names(camera: Camera) -> tuple[str, ...]:
    """Return the names of the camera's channels in the order of every array with a channel axis.

    ("red", "green", "blue") behind a colour filter array; else the filters, or ("luminance",).
    """
    return (camera.filters or ("luminance",)) if camera.is_mono else ("red", "green", "blue")


def channel_response(camera: Camera, bins: SpectralBins) -> FloatArray:
    """Return the electrons per photon of each channel, mean over each bin.

    Parameters
    ----------
    camera : Camera
        Gives the channels, their peaks or curves, filters and window.
    bins : SpectralBins
        Wavelength bins; within a bin the photons are taken as evenly spread.

    Returns
    -------
    array, shape (channels, bins)
        Quantum efficiency times filters, 0 to 1.
    """
    rows = [_curve(camera, name) for name in channel_names(camera)]
    return np.array([bins.integrate(_FINE_NM, row) / bins.widths_nm for row in rows])


def read_curves(path: str | Path) -> tuple[Curve, ...]:
    """Read measured response curves from a CSV file.

    The first line names the columns: ``wavelength_nm`` and either ``mono`` or ``red,green,blue``;
    values are electrons per photon, 0 to 1. Lines starting with # are skipped.

    Raises
    ------
    InputError
        If the file cannot be read or does not hold such a table.
    """
    allowed = "give a CSV file with the columns wavelength_nm and mono, or wavelength_nm, red, green, blue"
    lines = read_text("quantum efficiency curve", path).splitlines()
    rows = [[cell.strip() for cell in line.split(",")] for line in lines if line.strip() and not line.startswith("#")]
    head = [name.lower() for name in rows[0]] if rows else []
    if sorted(head) not in (["mono", "wavelength_nm"], ["blue", "green", "red", "wavelength_nm"]):
        raise InputError("quantum efficiency curve", str(path), allowed)
    try:
        table = np.array([[float(cell) for cell in row] for row in rows[1:]]).reshape(-1, len(head))
    except ValueError as error:
        raise InputError("quantum efficiency curve", str(path), f"{allowed}; every cell must be a number") from error
    waves = tuple(float(x) for x in table[:, head.index("wavelength_nm")])
    names = [name for name in head if name != "wavelength_nm"]
    return tuple(Curve(name, waves, tuple(float(x) for x in table[:, head.index(name)])) for name in names)


def _curve(camera: Camera, channel: str) -> FloatArray:
    sensor = channel if not camera.is_mono else "mono"
    bare = _measured(camera, sensor) if camera.curves else _generic(sensor) * dict(camera.quantum_efficiency)[sensor]
    return bare * _filter(camera, channel)


def _measured(camera: Camera, sensor: str) -> FloatArray:
    curve = next(curve for curve in camera.curves if curve.channel == sensor)
    return np.interp(_FINE_NM, curve.wavelengths_nm, curve.values, left=0.0, right=0.0)


def _filter(camera: Camera, channel: str) -> FloatArray:
    if camera.is_mono and channel == "clear":
        return np.ones_like(_FINE_NM)
    if camera.is_mono and channel != "luminance":
        return _pass_band(*_FILTERS_NM[channel])
    return np.ones_like(_FINE_NM) if camera.window_nm is None else _pass_band(*camera.window_nm)


def _pass_band(low_nm: float, high_nm: float) -> FloatArray:
    rise = 1 / (1 + np.exp(np.clip((low_nm - _FINE_NM) / _EDGE_NM, -60, 60)))
    fall = 1 / (1 + np.exp(np.clip((_FINE_NM - high_nm) / _EDGE_NM, -60, 60)))
    return rise * fall


@lru_cache(maxsize=8)
def _generic(sensor: str) -> FloatArray:
    """Shape of one kind of pixel, peak 1 (over the visible range: where makers read the peak)."""
    shape = _smooth(_SILICON)
    if sensor != "mono":
        shape = shape * _smooth(_DYES[sensor])
    visible = (_FINE_NM >= 400) & (_FINE_NM <= 700)
    shape = shape / shape[visible].max()
    shape.setflags(write=False)
    return shape


def _smooth(nodes: dict[int, float]) -> FloatArray:
    """Straight lines between the nodes, rounded over 20 nm: such curves have no corners."""
    straight = np.interp(_FINE_NM, list(nodes), list(nodes.values()))
    window = np.hanning(2 * _ROUND_NM + 3)[1:-1]
    rounded = np.convolve(np.pad(straight, _ROUND_NM, mode="edge"), window / window.sum(), mode="valid")
    return np.asarray(rounded, dtype=np.float64)
