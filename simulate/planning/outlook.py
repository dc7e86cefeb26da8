"""What a setup promises under given circumstances: sharpness by altitude, features that can be seen.

`season` and `plan` ask the same two questions again and again; here they are answered once, by the same
chain that `view` uses.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property, lru_cache

import numpy as np

from simulate.air import Sky, dispersion_arcsec
from simulate.bodies import Body
from simulate.bodies.spectra import solar_photon_flux
from simulate.geometry import Apparition, Site, apparition
from simulate.geometry.clock import tt_to_time
from simulate.geometry.earth import airmass, refraction_deg
from simulate.geometry.vectors import FloatArray
from simulate.instruments import Instrument
from simulate.judging import THRESHOLDS, JudgedFeature, judged_features
from simulate.judging.bench import Bench, bench_of
from simulate.judging.judge import feature_line, judge_scene
from simulate.judging.thresholds import FeatureLine
from simulate.light.chain import Aim, Setting, lay_field, make_chain
from simulate.light.look import (
    ExpectedFrame,
    ViewOptions,
    expected_frame,
    exposure_of,
    green_channel,
    note_overexposure,
    seen_bins,
)
from simulate.stack import Exposure, delivered_fwhm
from simulate.values.constants import DIFFRACTION_WIDTH
from simulate.values.resolution import finest_arcsec

ALTITUDES_DEG = (5.0, 8.0, 12.0, 18.0, 27.0, 40.0, 60.0, 90.0)
"""Airless altitudes at which sharpness is computed; between them its logarithm follows that of sin(altitude)."""

VISIBLE_NM = (400.0, 700.0)
"""Ends of the spectrum that an uncorrected colour picture takes in, nm."""


@dataclass(frozen=True)
class SharpnessCurve:
    """Delivered width and dispersion by altitude.

    Parameters
    ----------
    altitude_deg : tuple of float
        Airless, rising.
    fwhm_arcsec : tuple of float
        Width of the green channel's response of an aligned, average frame, pixel included, before
        restoration.
    sky : Sky
        The air.
    height_m : float
        Of the site above the sea.
    """

    altitude_deg: tuple[float, ...]
    fwhm_arcsec: tuple[float, ...]
    sky: Sky
    height_m: float = 0.0

    def width(self, altitude_deg: FloatArray | float) -> FloatArray:
        """Return the delivered width, arcsec, at altitudes of any shape; below the first that of the first."""
        # the width grows nearly as a power of the air's mass, 1 / sin(altitude)
        place, nodes = self._log_sine(altitude_deg), self._log_sine(np.array(self.altitude_deg))
        return np.exp(np.interp(place, nodes, np.log(self.fwhm_arcsec)))

    def dispersion(self, altitude_deg: FloatArray | float) -> FloatArray:
        """Return the distance between the pictures at 400 and 700 nm, arcsec, at altitudes of any shape."""
        altitudes = np.clip(altitude_deg, self.altitude_deg[0], 90.0)
        spread = [visible_spread_arcsec(float(altitude), self.sky, self.height_m) for altitude in altitudes.flat]
        return np.array(spread).reshape(altitudes.shape)

    def _log_sine(self, altitude_deg: FloatArray | float) -> FloatArray:
        return np.log(np.sin(np.radians(np.clip(altitude_deg, self.altitude_deg[0], 90.0))))


def visible_spread_arcsec(altitude_deg: float, sky: Sky, height_m: float = 0.0) -> float:
    """Return the distance between the pictures at 400 and 700 nm, arcsec; 0 in the zenith."""
    if altitude_deg >= 90.0:
        return 0.0
    blue, red = dispersion_arcsec(np.array(VISIBLE_NM), altitude_deg, sky, height_m)
    return float(blue - red)


@lru_cache(maxsize=32)
def sharpness_curve(instrument: Instrument, sky: Sky, height_m: float = 0.0) -> SharpnessCurve:
    """Return the delivered width of a setup by altitude.

    Parameters
    ----------
    instrument : Instrument
        Telescope, camera, mount.
    sky : Sky
        The air.
    height_m : float
        Of the site above the sea.
    """
    widths = tuple(_delivered(instrument, sky, altitude, height_m) for altitude in ALTITUDES_DEG)
    return SharpnessCurve(ALTITUDES_DEG, widths, sky, height_m)


def _delivered(instrument: Instrument, sky: Sky, altitude_deg: float, height_m: float) -> float:
    lifted = altitude_deg + float(refraction_deg(altitude_deg, height_m)) if altitude_deg < 90.0 else 90.0
    aim = Aim(altitude_deg, float(airmass(lifted)), 0.0, height_m)
    diffraction = DIFFRACTION_WIDTH * finest_arcsec(instrument.telescope.aperture_mm)
    blur = math.hypot(diffraction, sky.turbulence_arcsec(aim.airmass))
    laid = lay_field(instrument, 6.0 * blur, aim)
    bins = seen_bins(instrument.camera)
    chain = make_chain(Setting(instrument, sky, aim, laid.grid, laid.sensor, bins))
    transfer = chain.channel_transfer(solar_photon_flux(bins))[green_channel(instrument)]
    return float(delivered_fwhm(transfer, laid.grid.step_arcsec, laid.grid.columns))


@dataclass(frozen=True, eq=False)
class Prospect:
    """One body through one setup at one instant, ready to be judged.

    Parameters
    ----------
    look : ExpectedFrame
        The average frame.
    exposure : Exposure
        How it is recorded.
    """

    look: ExpectedFrame
    exposure: Exposure

    @cached_property
    def bench(self) -> Bench:
        """The setup, ready for the judgement."""
        return bench_of(self.look, self.exposure)


@dataclass(frozen=True)
class Case:
    """What is looked at, through what, from where, under which air, and how it is recorded.

    Names and numbers only, so that it can be sent to other processes.

    Parameters
    ----------
    body : Body
        Planet or Moon.
    instrument : Instrument
        Telescope, camera, mount.
    site : Site or None
        Place; None is the Earth's centre.
    sky : Sky
        The air.
    view : ViewOptions
        Recording and what is drawn.
    ephemeris : str
        "builtin" or "de440".
    """

    body: Body
    instrument: Instrument
    site: Site | None
    sky: Sky
    view: ViewOptions
    ephemeris: str = "builtin"

    def seen(self, day_tt: float) -> Apparition:
        """Return how the body stands at an instant, TT days since 2000-01-01 12:00."""
        return apparition(self.body, tt_to_time(day_tt), self.site, ephemeris=self.ephemeris)

    @property
    def sharpness(self) -> SharpnessCurve:
        """Delivered width by altitude."""
        return sharpness_curve(self.instrument, self.sky, self.site.height_m if self.site else 0.0)


def prospect(case: Case, seen: Apparition, view: ViewOptions | None = None) -> Prospect:
    """Send a body through a setup and prepare the judgement.

    Parameters
    ----------
    case : Case
        Body and setup.
    seen : Apparition
        How the body stands.
    view : ViewOptions, optional
        In place of the case's.
    """
    look = expected_frame(case.body, case.instrument, seen, case.sky, view or case.view)
    exposure = exposure_of(look)
    note_overexposure(exposure)
    return Prospect(look, exposure)


def judge_some(found: Prospect, features: tuple[JudgedFeature, ...]) -> tuple[FeatureLine, ...]:
    """Return the verdicts of chosen features, those that are in the scene at all."""
    if not features:
        return ()  # a body as wide as the Moon has no canvas at all
    judged = judge_scene(found.bench, features)
    return tuple(feature_line(entry) for entry in judged)


def standing_features(body: Body) -> tuple[JudgedFeature, ...]:
    """Return the features by which dates are compared.

    All but moons and their shadows, which come and go within hours; and for planets that are worth a
    look when they are full, all but the phase.
    """
    crescents = body.shows_phases
    return tuple(
        feature
        for feature in judged_features(body)
        if feature.kind in ("detail", "disc")
        and feature.stage != "shadow"
        and (crescents or not feature.name.startswith("phase"))
    )


def standard_face(body: Body, seen: Apparition, options: ViewOptions) -> tuple[Apparition, ViewOptions]:
    """Return the same geometry with the body turned to the face that its data file names for comparing dates.

    Mars shows Syrtis Major, Jupiter its red spot; others are left as they are.
    """
    middle = seen.central_meridian_deg.get(body.longitude_system)
    if not body.observing.face or middle is None:
        return seen, options
    wanted = body.observing.face_longitude_deg
    if wanted is None:  # a drifting spot comes to the face, which shows all else as it is
        return seen, replace(options, scene=replace(options.scene, red_spot_longitude_deg=middle))
    by = wanted - middle
    meridians = {key: (value + by) % 360.0 for key, value in seen.central_meridian_deg.items()}
    suns = {key: (value + by) % 360.0 for key, value in seen.sub_solar_longitude_deg.items()}
    return replace(seen, central_meridian_deg=meridians, sub_solar_longitude_deg=suns), options


def merit_of(lines: tuple[FeatureLine, ...]) -> float:
    """Return the figure of merit of a set of verdicts: how many features can be seen, and how well.

    Each counts with the share of its contrast that is left, times a weight that rises from 0 at the
    threshold of "doubtful" to 1 at that of "clear", in contrast and in signal to noise.
    """
    return sum(feature_merit(line.contrast or 0.0, line.snr or 0.0) for line in lines)


def best_of(several: Sequence[tuple[FeatureLine, ...]]) -> tuple[FeatureLine, ...]:
    """Return each feature once, with the verdict by which it counts most, in the order of their first coming.

    Parameters
    ----------
    several : sequence of tuples of FeatureLine
        Verdicts on the same body, not all of them on the same features.
    """
    best: dict[str, FeatureLine] = {}
    for line in (line for lines in several for line in lines):
        other = best.get(line.name)
        if other is None or merit_of((line,)) > merit_of((other,)):
            best[line.name] = line
    return tuple(best.values())


def feature_merit(contrast: float, snr: float) -> float:
    """Return what one feature counts in the figure of merit, 0 to 1."""
    low, high = THRESHOLDS.contrast_doubtful, THRESHOLDS.contrast_clear
    by_contrast = np.clip((contrast - low) / (high - low), 0.0, 1.0)
    by_noise = np.clip((snr - THRESHOLDS.snr_doubtful) / (THRESHOLDS.snr_clear - THRESHOLDS.snr_doubtful), 0.0, 1.0)
    return float(contrast * by_contrast * by_noise)


@dataclass(frozen=True)
class Node:
    """A date whose features were judged, by which its neighbours are judged.

    Parameters
    ----------
    index : int
        Which date.
    blur : float
        Delivered width over the diameter of the disc.
    diameter_arcsec : float
        Of the disc.
    likeness : tuple of float
        Quantities by which the nearest node is found.
    lines : tuple of FeatureLine
        Its verdicts.
    """

    index: int
    blur: float
    diameter_arcsec: float
    likeness: tuple[float, ...]
    lines: tuple[FeatureLine, ...]

    def scaled(self, blur: float, diameter_arcsec: float) -> tuple[FeatureLine, ...]:
        """Return the verdicts at another sharpness and size of the same face.

        A feature is taken as a round Gaussian spot of a size s that explains the contrast left here,
        s^2 / (s^2 + blur^2); its signal to noise grows with the contrast and with the diameter, since
        its area holds more cells.
        """
        result = []
        for line in self.lines:
            contrast, snr = line.contrast or 0.0, line.snr or 0.0
            size2 = self.blur**2 * contrast / max(1.0 - contrast, 1e-3)
            left = size2 / (size2 + blur**2) if size2 > 0 else 0.0
            left = contrast if blur == self.blur else left
            ratio = left / contrast if contrast > 0 else 0.0
            noise = snr * ratio * diameter_arcsec / self.diameter_arcsec
            legible = line.legible * ratio if ratio > 0 else 0.0
            result.append(FeatureLine(line.name, THRESHOLDS.verdict(left, noise, legible), left, noise, legible))
        return tuple(result)
