"""How the mount wanders: a random path that is a pure function of (seed, time)."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from simulate.errors import InputError

_WAVES = 128
_FASTEST_HZ = 20.0


class Wander:
    """A stationary random path in two axes whose correlation falls as exp(-t/T).

    Such a path has a Lorentzian spectrum. It is drawn as a sum of waves of equal strength whose frequencies are
    random with that spectrum as their density (Shinozuka & Jan 1972), so that any instant is known without the one
    before. Nothing shakes faster than 20 Hz, as befits a mass of some kilograms (common practice).

    Parameters
    ----------
    seed : int
        Decides the path.
    rms_arcsec : float
        Standard deviation over a long time in each axis, arcsec.
    correlation_s : float
        Time T over which the path forgets itself, s; one second is common practice for gears and wind.
    """

    def __init__(self, seed: int, rms_arcsec: float, correlation_s: float = 1.0) -> None:
        if rms_arcsec < 0 or correlation_s <= 0:
            raise InputError(
                "tracking error", (rms_arcsec, correlation_s), "give an rms of at least 0 and a positive time"
            )
        rng = np.random.Generator(np.random.SFC64(np.random.SeedSequence(seed, spawn_key=(1_000_001,))))
        top = np.arctan(2 * np.pi * _FASTEST_HZ * correlation_s)
        spread = (np.arange(_WAVES) + rng.random((2, _WAVES))) / _WAVES
        self._rates = np.tan(spread * top) / correlation_s
        self._phases = 2 * np.pi * rng.random((2, _WAVES))
        self._height = rms_arcsec * np.sqrt(2 / _WAVES)

    def at(self, time_s: npt.ArrayLike) -> npt.NDArray[np.float64]:
        """Return the place in arcsec along rows and columns, shape (..., 2), at times in s."""
        times = np.asarray(time_s, dtype=float)[..., None, None]
        return self._height * np.cos(self._rates * times + self._phases).sum(axis=-1)
