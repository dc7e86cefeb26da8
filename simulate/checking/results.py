"""What a check of a picture found: the values that are shown and written."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from simulate.checking.dots import Dot, MoonWidth
from simulate.checking.faults import Fault
from simulate.checking.fitting import Fit
from simulate.checking.measures import ChannelShift, Levels, MeasuredTransfer, Measurement
from simulate.checking.model import Pose, Theory
from simulate.checking.reading import UserPicture
from simulate.checking.twin import Twin

if TYPE_CHECKING:
    from simulate.geometry import Apparition
    from simulate.instruments import Instrument


OVER_SHARPENED = 1.1
"""Share of the effective aperture that was to be had from which a picture is sharpened rather than sharp."""


OVERSHOT = 0.1
"""Overshoot of the limb from which it is so whatever it resolves."""


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


@dataclass(frozen=True)
class Reading:
    """Something that was measured in a picture.

    Parameters
    ----------
    name : str
        What.
    value, error : float
        As measured, and standard deviation; NaN and infinite where the picture cannot tell.
    due : float
        As it should be at the time told; for a feature, where it usually lies.
    unit : str
        Of all three.
    """

    name: str
    value: float
    error: float
    due: float
    unit: str


@dataclass(frozen=True)
class MoonsTime:
    """What the dots beside the planet say of the time.

    Parameters
    ----------
    offset_s : float or None
        Seconds by which the moons stand later than told; None where they cannot tell.
    matched, dots : int
        Dots that are moons at that time, and all.
    matched_as_told : int
        Dots that are moons at the time told.
    pose : Pose
        How the picture lies by its moons.
    error_s : float
        Standard deviation of the moons' time.
    """

    offset_s: float | None
    matched: int
    dots: int
    matched_as_told: int
    pose: Pose
    error_s: float = 0.0


@dataclass(frozen=True)
class OtherTime:
    """Another time that a picture fits better than the one told.

    Parameters
    ----------
    time_utc : str
        About when; the body may have stood alike at others.
    explained : float
        Share of the picture that the theory of that time explains.
    """

    time_utc: str
    explained: float

    @property
    def words(self) -> str:
        """The time for people."""
        from simulate.geometry import instant_after

        # to the nearest minute
        return f"{str(instant_after(self.time_utc, 30.0).isot)[:16].replace('T', ' ')} UTC"


@dataclass(frozen=True)
class Budget:
    """By what another picture of the same body through the same setup is finer: three factors.

    Parameters
    ----------
    time_utc : str
        Of the other picture.
    with_picture : bool
        Whether the other picture was at hand; if not, the best that the setup could give then.
    size : float
        Of the disc, that day's over mine.
    conditions : float
        What the setup could resolve then over what it could with mine: height, air, light.
    picture : float
        What that picture made of its conditions over what mine did: luck of the air, focus, processing.
    altitude_deg, altitude_then_deg : float or None
        Of the body; None from the Earth's centre.
    over_sharpened, over_sharpened_then : bool
        Whether mine, or the other, is sharpened beyond what was to be had; that counts for nothing.
    elsewhere : bool
        Whether the body was below my horizon then, and is taken to have stood as high as for mine.
    """

    time_utc: str
    with_picture: bool
    size: float
    conditions: float
    picture: float
    altitude_deg: float | None
    altitude_then_deg: float | None
    over_sharpened: bool = False
    over_sharpened_then: bool = False
    elsewhere: bool = False

    @property
    def total(self) -> float:
        """Resolved steps across the disc, that picture's over mine."""
        return self.size * self.conditions * self.picture


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
    aperture : Measurement
        Effective aperture of the picture, mm; its error is infinite where the picture does not tell it.
    expected_aperture_mm : float
        That of the picture that the setup should give.
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
    readings : tuple of Reading
        What can be measured in the picture, and how well.
    moons : tuple of MoonWidth
        Moons that were found in the picture.
    dots : tuple of Dot
        Dots beside the planet that no moon accounts for.
    moons_time : MoonsTime or None
        What all dots together say of the time; None without dots or moons.
    mark_error_deg : float
        How well a small mark near the middle of the disc can be placed in longitude and latitude, by the limb.
    other_time : OtherTime or None
        Another time that the picture fits clearly better.
    budget : Budget or None
        Difference from another picture, where asked for.
    no_twin : str
        Why there is no twin, where one was asked for; else empty.
    told_utc : str
        The time told.
    later_s : float
        By how much the time of the apparition, for which all is measured, lies after it: 0, unless the moons single out
        another.
    at_odds : bool
        Whether the moons speak for another time than the face of the planet.
    moons_found : tuple of str
        Moons that show, whether or not their width can be measured.
    marked : bool
        Whether the face of the planet tells the time, as far as it shows.
    unmeasured : str
        Why no places on the disc are measured; empty where they are.
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
    expected_aperture_mm: float
    focal_length: Measurement
    pixel_scale: Measurement
    angle: Measurement | None
    mirrored: bool | None
    clock: Measurement | None
    shifts: tuple[ChannelShift, ...]
    levels: Levels
    overshoot: Measurement
    faults: tuple[Fault, ...]
    verdict: str
    features: tuple[FeatureContrast, ...] = ()
    lookalikes: tuple[tuple[str, npt.NDArray[np.float32]], ...] = ()
    twin: Twin | None = None
    readings: tuple[Reading, ...] = ()
    moons: tuple[MoonWidth, ...] = ()
    dots: tuple[Dot, ...] = ()
    moons_time: MoonsTime | None = None
    mark_error_deg: float = math.nan
    other_time: OtherTime | None = None
    budget: Budget | None = None
    no_twin: str = ""
    told_utc: str = ""
    later_s: float = 0.0
    at_odds: bool = False
    moons_found: tuple[str, ...] = ()
    marked: bool = False
    unmeasured: str = ""
    warnings: tuple[str, ...] = ()
    inputs: dict[str, Any] = field(default_factory=dict)

    @property
    def share(self) -> float:
        """Effective aperture over that which was to be had."""
        return self.aperture.value / self.expected_aperture_mm

    @property
    def tells_sharpness(self) -> bool:
        """Whether the pixels that were compared are fine enough to tell how sharp the picture is."""
        return math.isfinite(self.aperture.error)

    @property
    def doubts_time(self) -> bool:
        """Whether nothing in the picture bears out the time told, though marks or moons should."""
        silent = self.angle is None and self.clock is None and not self.levels.overexposed
        by_moons = self.moons_time is not None and self.moons_time.offset_s == 0.0
        return silent and self.marked and not by_moons

    @property
    def over_sharpened(self) -> bool:
        """Whether the picture holds clearly more contrast than was to be had: sharpened rather than sharp."""
        surely = self.share - 1.0 > 2.0 * self.aperture.error / self.aperture.value
        return (self.share > OVER_SHARPENED and surely) or self.overshoot.value > OVERSHOT
