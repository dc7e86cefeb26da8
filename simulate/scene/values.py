"""What the scene hands on: radiance on a grid, point sources, and the options that shape them."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from simulate.errors import InputError
from simulate.values.arrays import frozen_array
from simulate.values.grid import Grid
from simulate.values.spectrum import SpectralBins

if TYPE_CHECKING:
    from simulate.geometry import Apparition


@dataclass(frozen=True)
class SceneOptions:
    """What is drawn and what is left out; hashable, so that it can key a cache.

    Parameters
    ----------
    without : frozenset of str
        Names from `scene_feature_names` that are replaced by their surroundings.
    red_spot_longitude_deg : float or None
        System II longitude (west) of Jupiter's red spot; None takes the dated default.
    dust : float
        Martian dust, 0 (clear) to 1 (global storm).
    invented_texture : bool
        Add fine structure that no measurement backs (marked as invented).
    moons : bool
        Draw the satellites and their shadows.
    user_map : object or None
        A map with ``wavelengths_nm`` and ``sample(latitude_graphic_deg, longitude_east_deg)`` used
        instead of the body's own.
    """

    without: frozenset[str] = frozenset()
    red_spot_longitude_deg: float | None = None
    dust: float = 0.0
    invented_texture: bool = False
    moons: bool = True
    user_map: Any = None

    def __post_init__(self) -> None:
        object.__setattr__(self, "without", frozenset(name.strip().lower() for name in self.without))


@dataclass(frozen=True, eq=False)
class PointSource:
    """Light from a place too small for the grid.

    Parameters
    ----------
    name : str
        Body that sends it.
    east_arcsec, north_arcsec : float
        Place relative to the scene's body, arcsec.
    photons : array, shape (bins,)
        Photons s-1 m-2 above the air.
    """

    name: str
    east_arcsec: float
    north_arcsec: float
    photons: npt.NDArray[np.float64]

    def __post_init__(self) -> None:
        object.__setattr__(self, "photons", frozen_array(self.photons, np.float64))


@dataclass(frozen=True, eq=False)
class Scene:
    """The sky around one body, band by band, above the air.

    Parameters
    ----------
    grid : Grid
        Where the cells lie.
    bins : SpectralBins
        Spectral bins of the first axis.
    radiance : float32 array, shape (bins, rows, columns)
        Mean over each cell, photons s-1 m-2 arcsec-2 per bin.
    points : tuple of PointSource
        Sources smaller than a cell, also those that lie outside the grid.
    apparition : Apparition
        The geometry that was drawn.
    flux_scale : float
        Factor that brought globe and rings, drawn from their reflectances, to the magnitude; 1 by
        construction for bodies without rings.
    drawn_moons : tuple of str
        Satellites that are discs in `radiance`.
    """

    grid: Grid
    bins: SpectralBins
    radiance: npt.NDArray[np.float32]
    points: tuple[PointSource, ...]
    apparition: Apparition
    flux_scale: float = 1.0
    drawn_moons: tuple[str, ...] = field(default=())

    def __post_init__(self) -> None:
        radiance = frozen_array(self.radiance, np.float32)
        expected = (len(self.bins), *self.grid.shape)
        if radiance.shape != expected:
            raise InputError("radiance", radiance.shape, f"its shape must be {expected}: bins, rows, columns")
        object.__setattr__(self, "radiance", radiance)

    def photons(self) -> npt.NDArray[np.float64]:
        """Return the sum over the grid, photons s-1 m-2, shape (bins,); point sources not included."""
        return self.radiance.sum(axis=(1, 2), dtype=np.float64) * self.grid.cell_arcsec2
