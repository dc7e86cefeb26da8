"""What `season` and `plan` find: the values that their charts, tables, files and JSON are made of.

The composers fill them; presentations read them and nothing else.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from simulate.geometry.vectors import FloatArray
from simulate.judging.thresholds import FeatureLine
from simulate.planning.capture import LongestRecording
from simulate.planning.events import Event
from simulate.planning.nights import SunEvent, times_of
from simulate.planning.sharpening import Sharpening
from simulate.results.view import View
from simulate.values.arrays import frozen_array

if TYPE_CHECKING:
    from simulate.air import Sky
    from simulate.bodies import Body
    from simulate.geometry import Apparition, Site
    from simulate.instruments import Instrument


def frozen_columns(columns: Mapping[str, FloatArray]) -> Mapping[str, FloatArray]:
    """Return columns as a read-only mapping of read-only arrays."""
    return MappingProxyType({name: frozen_array(column) for name, column in columns.items()})


@dataclass(frozen=True, eq=False)
class Season:
    """A body over a span of time.

    Parameters
    ----------
    subject : Body
        What is looked at.
    instrument : Instrument
        Through which it is looked at.
    site : Site or None
        From where.
    sky : Sky
        The air.
    days_tt : array, shape (dates,)
        Best moment of each night.
    columns : mapping of str to array, shape (dates,)
        Numbers at those moments: those of `Apparition` and "altitude_deg", "sun_altitude_deg", "hours",
        "delivered_fwhm_arcsec", "dispersion_arcsec", "elements" (resolution elements on the lit disc),
        "merit", "clear" (features that are clear), and where they apply "apparent_lit_part" (the phase as it
        looks) and "ring_globe_ratio" (light of the rings relative to the globe).
    central_meridian_deg : array, shape (dates,)
        Of the body's last longitude system that is drawn (System II for Jupiter).
    usable : bool array, shape (dates,)
        Where the body can be had that night.
    best : tuple of int
        Dates to choose, best first, from different weeks.
    events : tuple of Event
        What happens.
    advice : tuple of str
        Sentences: best time, now or wait.
    judged : tuple of (int, tuple of FeatureLine)
        Dates whose features were judged in full, with their verdicts.
    strip : tuple of View
        Pictures through the setup, in the order of time.
    warnings : tuple of str
        Reservations.
    """

    subject: Body
    instrument: Instrument
    site: Site | None
    sky: Sky
    days_tt: FloatArray
    columns: Mapping[str, FloatArray]
    central_meridian_deg: FloatArray
    usable: np.ndarray
    best: tuple[int, ...]
    events: tuple[Event, ...]
    advice: tuple[str, ...]
    judged: tuple[tuple[int, tuple[FeatureLine, ...]], ...] = ()
    strip: tuple[View, ...] = ()
    warnings: tuple[str, ...] = field(default=())

    @property
    def body(self) -> str:
        """Name of the subject."""
        return self.subject.name

    def __getstate__(self) -> dict[str, Any]:
        """Return the fields with the read-only mapping as a plain one, which other processes can be sent."""
        return {**self.__dict__, "columns": dict(self.columns)}

    def __setstate__(self, state: dict[str, Any]) -> None:
        """Take the fields back."""
        self.__dict__.update({**state, "columns": frozen_columns(state["columns"])})

    @property
    def times_utc(self) -> tuple[str, ...]:
        """Instants as ISO 8601 text to the minute."""
        return tuple(times_of(self.days_tt))


@dataclass(frozen=True)
class MoonCard:
    """How to record a satellite beside its planet.

    Parameters
    ----------
    name, state : str
        Which, and whether it is "clear", in "transit", "occulted" or "eclipsed".
    magnitude : float
        V.
    east_arcsec, north_arcsec : float
        From the planet's middle on the sky.
    row_px, column_px : float
        The same on the sensor, pixels.
    exposure_ratio : float
        How much longer it must be exposed than the planet for the same peak.
    exposure_s : float
        The planet's exposure times that ratio.
    """

    name: str
    state: str
    magnitude: float
    east_arcsec: float
    north_arcsec: float
    row_px: float
    column_px: float
    exposure_ratio: float
    exposure_s: float


@dataclass(frozen=True)
class ChannelShift:
    """Where the air puts a colour channel relative to green.

    Parameters
    ----------
    channel : str
        Name.
    towards_zenith_arcsec : float
        Displacement towards the zenith.
    row_px, column_px : float
        The same on the sensor; move the channel's picture by the opposite.
    """

    channel: str
    towards_zenith_arcsec: float
    row_px: float
    column_px: float


@dataclass(frozen=True)
class CaptureCard:
    """How to record a body.

    Parameters
    ----------
    exposure_s, gain_e_per_dn, frames_per_second, seconds : float
        One exposure, gain, rate, length of the recording.
    frames, kept : int
        Exposures taken and kept.
    keep_fraction, fried_ratio : float
        Share worth keeping, and D/r0, from which it follows.
    peak_electrons, peak_fraction, peak_e_per_ms : float
        In the brightest pixel: of one exposure, of full scale, for each millisecond.
    limited_by : str
        What sets the exposure.
    read_noise_share : float
        Part of the read noise in the variance of the brightest pixel.
    fitting_gain_e_per_dn : float
        Gain that would bring this exposure to 60 % of the converter's range.
    file_bits : int
        8 or 16 bits a pixel in the file.
    noise_steps_8bit, ripple_steps_8bit : float
        In a faint part of an 8-bit file: noise, and error of the mean that rounding leaves, in its steps.
    region_px : (int, int)
        Window to read, (columns, rows).
    gigabytes : float
        Of the recording.
    size_px : float
        Equatorial diameter on the sensor.
    longest : LongestRecording
        Strict and usual limit of the recording.
    critical_focal_ratio, focal_ratio, amplifier : float
        f-ratio of critical sampling, that in use, and the amplifier on the native telescope that makes
        the one from the other.
    finer_resampling : float
        Cells of the stack along a pixel that are worth their while; 1: none.
    focus_tolerance_um, focus_drift_um_per_k : float
        To either side; for a straight aluminium tube as long as the native focal length.
    folded : bool
        Whether the telescope looks like a folded one, which drifts several times more.
    dispersion_arcsec, dispersion_px : float
        Between 400 and 700 nm for one channel, between blue and red for three.
    zenith_position_angle_deg : float
        Direction of the shift on the sky: blue lies towards the zenith.
    shifts : tuple of ChannelShift
        Of each channel.
    white_balance : tuple of (str, float)
        Factor on each channel that makes sunlit grey grey, air included; green is 1.
    up_position_angle_deg : float
        Position angle of the direction in which the sensor's rows grow.
    mirrored : bool
        Whether the picture is mirrored.
    moons : tuple of MoonCard
        Satellites.
    moon_exposure_ratio : float or None
        Of the brightest clear one.
    field_rotation_deg_per_min, moon_smear_arcsec_per_min : float
        Turn of the field on an altazimuth mount (0 on an equatorial one), and what it does to the
        outermost satellite.
    enough_frames : int
        Kept frames from which on the noise of the brightest pixel, before restoring, is below what never averages
        out.
    sharpening_radius_px : float
        Standard deviation of the stack's blur in camera pixels.
    sharpening_strength : float
        Largest sensible share of an unsharp mask of that radius.
    sharpening_limited_by : str
        "ringing" or "noise".
    """

    exposure_s: float
    gain_e_per_dn: float
    frames_per_second: float
    seconds: float
    frames: int
    kept: int
    keep_fraction: float
    fried_ratio: float
    peak_electrons: float
    peak_fraction: float
    peak_e_per_ms: float
    limited_by: str
    read_noise_share: float
    fitting_gain_e_per_dn: float
    file_bits: int
    noise_steps_8bit: float
    ripple_steps_8bit: float
    region_px: tuple[int, int]
    gigabytes: float
    size_px: float
    longest: LongestRecording
    critical_focal_ratio: float
    focal_ratio: float
    amplifier: float
    finer_resampling: float
    focus_tolerance_um: float
    focus_drift_um_per_k: float
    folded: bool
    dispersion_arcsec: float
    dispersion_px: float
    zenith_position_angle_deg: float
    shifts: tuple[ChannelShift, ...]
    white_balance: tuple[tuple[str, float], ...]
    up_position_angle_deg: float
    mirrored: bool
    moons: tuple[MoonCard, ...]
    moon_exposure_ratio: float | None
    field_rotation_deg_per_min: float
    moon_smear_arcsec_per_min: float
    enough_frames: int
    sharpening_radius_px: float
    sharpening_strength: float
    sharpening_limited_by: str


@dataclass(frozen=True, eq=False)
class Trades:
    """What is won and lost with gain, share of frames, number of frames and sharpening.

    Parameters
    ----------
    feature : str
        By which shares and numbers of frames are judged; "" where nothing can be seen.
    gains_e_per_dn : array, shape (gains,)
        Gains.
    gain_snr : array, shape (2, gains)
        Signal to noise of the stack in the brightest pixel and in a part of a tenth of its brightness.
    shares : array, shape (shares,)
        Shares of the frames kept.
    share_contrast, share_snr : array, shape (shares,)
        The feature's contrast left, and its signal to noise.
    frames, frames_snr : array, shape (numbers,)
        Kept frames, and the feature's signal to noise.
    share_finished_arcsec, frames_finished_arcsec : array, shape (shares,), (numbers,)
        Width of the finished picture's response, restored as far as the noise lets it.
    sharpening : Sharpening
        Rings and noise by the strength of an unsharp mask.
    advice : tuple of str
        Sentences.
    """

    feature: str
    gains_e_per_dn: FloatArray
    gain_snr: FloatArray
    shares: FloatArray
    share_contrast: FloatArray
    share_snr: FloatArray
    frames: FloatArray
    frames_snr: FloatArray
    share_finished_arcsec: FloatArray
    frames_finished_arcsec: FloatArray
    sharpening: Sharpening
    advice: tuple[str, ...]


@dataclass(frozen=True, eq=False)
class MoonLayer:
    """Satellites alone, as the camera would see them in the stack, to lay over a picture of the planet.

    Parameters
    ----------
    light : float32 array, shape (rows, columns)
        Relative to the brightest pixel of the brightest satellite; row 0 is the sensor's lowest.
    middle_row, middle_column : float
        Where the planet's middle lies, pixels.
    names : tuple of str
        Which satellites.
    time_utc : str
        For which instant.
    """

    light: npt.NDArray[np.float32]
    middle_row: float
    middle_column: float
    names: tuple[str, ...]
    time_utc: str


@dataclass(frozen=True)
class Window:
    """The time to use; TT days since 2000-01-01 12:00.

    Parameters
    ----------
    from_tt, until_tt, best_tt : float
        Begin, end and best moment.
    """

    from_tt: float
    until_tt: float
    best_tt: float


@dataclass(frozen=True)
class PlannedEvent:
    """An event with what it means for this setup.

    Parameters
    ----------
    event : Event
        What happens when.
    altitude_deg : float
        Airless altitude of the planet then.
    in_window : bool
        Whether it falls into the best window.
    verdict : str or None
        "clear", "doubtful" or "lost": whether the setup shows it; None where it is not judged.
    """

    event: Event
    altitude_deg: float
    in_window: bool
    verdict: str | None = None


@dataclass(frozen=True, eq=False)
class Plan:
    """A body on one night through one setup.

    Parameters
    ----------
    subject : Body
        What is looked at.
    instrument, site, sky : Instrument, Site, Sky
        Through what, from where, under which air.
    night : str
        Date of the evening.
    days_tt : array, shape (times,)
        From sunset to sunrise, every five minutes.
    curve : mapping of str to array, shape (times,)
        "altitude_deg", "azimuth_deg", "airmass", "sun_altitude_deg", "moon_altitude_deg",
        "delivered_fwhm_arcsec", "dispersion_arcsec".
    usable : bool array, shape (times,)
        Where body and sky allow it.
    window : Window
        When to record.
    sun : tuple of SunEvent
        Sunset, twilights, sunrise.
    events : tuple of PlannedEvent
        While the body can be had.
    apparition : Apparition
        At the best moment.
    sharp_arcsec : float
        Delivered width of an aligned, average frame then, as in the curve.
    card : CaptureCard
        How to record it then.
    features : tuple of FeatureLine
        What can be seen then.
    merit : float
        Figure of merit of the features that do not come and go.
    advice : tuple of str
        Sentences.
    caution : str or None
        The fixed safety text, where it applies.
    warnings : tuple of str
        Reservations.
    layer : MoonLayer or None
        Satellites that can be laid over a picture.
    trades : Trades or None
        Trade-offs, where they were asked for.
    """

    subject: Body
    instrument: Instrument
    site: Site
    sky: Sky
    night: str
    days_tt: FloatArray
    curve: Mapping[str, FloatArray]
    usable: np.ndarray
    window: Window
    sun: tuple[SunEvent, ...]
    events: tuple[PlannedEvent, ...]
    apparition: Apparition
    sharp_arcsec: float
    card: CaptureCard
    features: tuple[FeatureLine, ...]
    merit: float
    advice: tuple[str, ...]
    caution: str | None
    warnings: tuple[str, ...] = ()
    layer: MoonLayer | None = None
    trades: Trades | None = None

    @property
    def body(self) -> str:
        """Name of the subject."""
        return self.subject.name

    def __getstate__(self) -> dict[str, Any]:
        """Return the fields with the read-only mapping as a plain one, which other processes can be sent."""
        return {**self.__dict__, "curve": dict(self.curve)}

    def __setstate__(self, state: dict[str, Any]) -> None:
        """Take the fields back."""
        self.__dict__.update({**state, "curve": frozen_columns(state["curve"])})

    @property
    def times_utc(self) -> tuple[str, ...]:
        """Instants of the curve as ISO 8601 text to the minute."""
        return tuple(times_of(self.days_tt))
