"""What a check of a picture found: the values that are shown and written."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from simulate.judgement.checking.faults import Fault
from simulate.judgement.checking.fitting import Fit
from simulate.judgement.checking.measures import ChannelShift, Levels, MeasuredTransfer
from simulate.judgement.checking.model import Theory
from simulate.judgement.checking.reading import UserPicture
from simulate.judgement.checking.twin import Twin

if TYPE_CHECKING:
    from simulate.geometry import Apparition
    from simulate.instruments import Instrument


@dataclass(frozen=True)
class Measurement:
    """A number with its standard deviation."""

    value: float
    error: float


@dataclass(frozen=True)
class FeatureContrast:
    """What a picture left of one feature.

    Parameters
    ----------
    name : str
        Of the feature.
    contrast, error : float or None
        Measured in the picture, share of the local brightness, and standard deviation; None where the
        picture cannot tell.
    expected_contrast : float
        In the picture that the setup should give.
    east_arcsec, north_arcsec : float
        Where it is strongest.
    """

    name: str
    contrast: float | None
    error: float | None
    expected_contrast: float
    east_arcsec: float
    north_arcsec: float


@dataclass(frozen=True, eq=False)
class ContrastCurve:
    """Share of the contrast by spatial frequency.

    Parameters
    ----------
    frequency : array, shape (n,)
        Cycles per arcsec.
    picture, error : array, shape (n,)
        Left in the picture; NaN where it cannot tell.
    expected : array, shape (n,)
        Left in the picture that the setup should give.
    perfect : array, shape (n,)
        Left by the perfect aperture alone.
    """

    frequency: npt.NDArray[np.float64]
    picture: npt.NDArray[np.float64]
    error: npt.NDArray[np.float64]
    expected: npt.NDArray[np.float64]
    perfect: npt.NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Check:
    """A user's picture against the theory of its instant.

    Parameters
    ----------
    body : str
        What it shows.
    instrument : Instrument
        What it should have been taken with.
    apparition : Apparition
        How the body stood.
    picture : UserPicture
        The picture.
    plane : int
        Channel that was fitted.
    fit : Fit
        Place, scale, angle, tone.
    theory : Theory
        The unblurred planet in that channel.
    expected_light : array, shape of the theory's grid
        The theory through the setup, stacked and restored.
    transfer : MeasuredTransfer
        What the picture left of the contrast.
    curve : ContrastCurve
        The same at chosen frequencies beside what was to be had.
    aperture, expected_aperture : Measurement
        Effective aperture of the picture and of the picture that the setup should give, mm.
    focal_length, pixel_scale : Measurement
        mm, if the picture's pixels are the camera's (or enlarged by the factor told), and arcsec.
    angle : Measurement or None
        Position angle of the picture's up; None where the picture cannot tell.
    mirrored : bool or None
        None where the picture cannot tell.
    clock : Measurement or None
        Seconds by which the picture shows the planet later than the time told.
    shifts : tuple of ChannelShift
        Of red and blue against green.
    levels : Levels
        What the file's numbers hold.
    overshoot : Measurement
        Of the limb, share of its brightness.
    features : tuple of FeatureContrast
        By strength.
    faults : tuple of Fault
        By evidence.
    verdict : str
        Name of the fault that the evidence singles out, "none" or "cannot tell".
    lookalikes : tuple of (str, array)
        The theory with each fault of the blur at its best strength, on the theory's grid.
    twin : Twin or None
        Where asked for.
    warnings : tuple of str
        Reservations.
    inputs : dict
        Everything that made the theory.
    """

    body: str
    instrument: Instrument
    apparition: Apparition
    picture: UserPicture
    plane: int
    fit: Fit
    theory: Theory
    expected_light: npt.NDArray[np.float32]
    transfer: MeasuredTransfer
    curve: ContrastCurve
    aperture: Measurement
    expected_aperture: Measurement
    focal_length: Measurement
    pixel_scale: Measurement
    angle: Measurement | None
    mirrored: bool | None
    clock: Measurement | None
    shifts: tuple[ChannelShift, ...]
    levels: Levels
    overshoot: Measurement
    features: tuple[FeatureContrast, ...]
    faults: tuple[Fault, ...]
    verdict: str
    lookalikes: tuple[tuple[str, npt.NDArray[np.float32]], ...] = ()
    twin: Twin | None = None
    warnings: tuple[str, ...] = ()
    inputs: dict[str, Any] = field(default_factory=dict)
