"""One body through one setup: the average frame, its exposure and the stack of a recording, before any verdict."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from simulate.air import Sky
from simulate.bodies import Body, pole_and_meridian
from simulate.camera import Camera, channel_names, channel_response
from simulate.camera.motion import HIGHEST_FOLLOWED_DEG, field_rotation_deg_per_h
from simulate.errors import AloneWarning, BelowHorizonError, FieldWarning, HiddenError, note
from simulate.geometry import Apparition, Site, apparition, turned
from simulate.geometry.clock import J2000, tt_to_time
from simulate.geometry.moons import satellite_track
from simulate.geometry.table import apparition_table
from simulate.instruments import Instrument, practice_for
from simulate.light.chain import (
    WIDEST_DISC_SHARE,
    Aim,
    Chain,
    Field,
    Setting,
    lay_field,
    make_chain,
    pooled,
    scene_colours,
)
from simulate.light.hand import gain_in_hand, in_hand, laid_by_hand
from simulate.scene import Scene, SceneOptions, render
from simulate.stack import (
    Exposure,
    ExposureWishes,
    Recording,
    SensorNoise,
    Stack,
    choose_exposure,
    delivered_fwhm,
    expected_stack,
)
from simulate.stack.expected import USUAL_SMEAR
from simulate.values.checks import to_float
from simulate.values.constants import DIFFRACTION_WIDTH
from simulate.values.practice import PRACTISED, Practice
from simulate.values.resolution import finest_arcsec
from simulate.values.spectrum import DEFAULT_BINS, METHANE_BINS, SpectralBins

if TYPE_CHECKING:
    pass

FloatArray = npt.NDArray[np.floating]

LIBRATION_STEP_S = 600.0
"""Between the two instants from which the Moon's libration is found."""


LIT = 0.05
"""Cells above this share of the brightest count as the lit disc."""

NEGLIGIBLE_SMEAR = 0.1
"""Rotation by less than this share of the delivered width is not drawn."""


LEAST_SHARE = 0.8
"""An exposure shorter than this share of the one first assumed has a chain of its own."""


@dataclass(frozen=True)
class ViewOptions:
    """What the user may fix of a view.

    Parameters
    ----------
    wishes : ExposureWishes
        Exposure, frames, length, share kept.
    gain_e_per_dn : float or None
        In place of the instrument's.
    scene : SceneOptions
        What is drawn.
    field_arcsec : float or None
        Width of the window on the sky; None fits the body.
    bins : SpectralBins or None
        Spectral bins; None takes those that the eye and the camera see.
    judge : bool
        Give verdicts on what can be seen.
    practice : Practice or None
        The hand that uses the setup; None leaves it to the instrument's owner, else it is practised.
    """

    wishes: ExposureWishes = field(default_factory=ExposureWishes)
    gain_e_per_dn: float | None = None
    scene: SceneOptions = field(default_factory=SceneOptions)
    field_arcsec: float | None = None
    bins: SpectralBins | None = None
    judge: bool = True
    practice: Practice | None = None

    @property
    def hand(self) -> Practice:
        """The hand, where nothing else was said the practised one."""
        return self.practice or PRACTISED


def refuse_below_horizon(body: Body, seen: Apparition) -> None:
    """Raise `BelowHorizonError` if the body is below the horizon, saying when it next rises."""
    if seen.site is None or seen.altitude_deg is None or (seen.airmass is not None and seen.altitude_deg > 0):
        return
    from simulate.geometry.rise_set import next_rise

    rises = next_rise(body, seen.time_utc, seen.site, ephemeris=seen.ephemeris)
    when = "it does not rise there within a year"
    if rises is not None:
        when = f"it next rises at {str(rises.isot)[:16]}Z"
    raise BelowHorizonError(
        "time",
        seen.time_utc,
        f"{body.title} is {abs(seen.altitude_deg):.0f} deg below the horizon there; {when}",
    )


def refuse_hidden(body: Body, seen: Apparition) -> None:
    """Raise `HiddenError` if a satellite stands before, behind or in the shadow of its planet.

    Warns
    -----
    AloneWarning
        For any other satellite: the planet beside it is not drawn.
    """
    if body.parent is None:
        return
    track = satellite_track(body, tt_to_time([seen.jd_tt - J2000]), seen.site, ephemeris=seen.ephemeris)
    planet, state = body.parent.title, track.state(0)
    if state != "clear":
        where = {"transit": "before", "occulted": "behind", "eclipsed": "in the shadow of"}[state]
        raise HiddenError("time", seen.time_utc, f"{body.title} is {where} {planet} then; choose another time")
    away = float(np.hypot(*track.offset_arcsec[0]))
    told = (
        f"{body.title} is drawn alone: {planet}, {away:.0f} arcsec away, and the glare that it spreads over the sky "
        "are left out"
    )
    note(told, AloneWarning, stacklevel=2)


def refuse_unseen(body: Body, seen: Apparition) -> None:
    """Raise if a body cannot be seen: `BelowHorizonError` or, for a satellite, `HiddenError`."""
    refuse_below_horizon(body, seen)
    refuse_hidden(body, seen)


def body_width_arcsec(body: Body, seen: Apparition) -> float:
    """Return the apparent width of the body with its rings, arcsec; 0 for a point."""
    width = seen.equatorial_diameter_arcsec
    if body.rings and body.equatorial_radius_km:
        width *= max(ring.outer_km for ring in body.rings) / body.equatorial_radius_km
    return width


@dataclass(frozen=True, eq=False)
class ExpectedFrame:
    """What a setup records of a body in the average frame, before noise.

    Parameters
    ----------
    body : Body
        What is looked at.
    laid : Field
        Window and grids.
    chain : Chain
        Of the average frame, motion removed.
    scene : Scene
        The truth in the middle of the recording.
    rates : array, shape (channels, rows, columns)
        e- s-1 per pixel on the fine grid.
    responses : array, shape (channels, rows, columns//2+1)
        Transfer of each channel, pixel included.
    sharp_arcsec : float
        Delivered width of the green channel.
    options : ViewOptions
        What was asked for; the gain is that of the recording's numbers.
    """

    body: Body
    laid: Field
    chain: Chain
    scene: Scene
    rates: npt.NDArray[np.float32]
    responses: npt.NDArray[np.complex64]
    sharp_arcsec: float
    options: ViewOptions

    @property
    def instrument(self) -> Instrument:
        """Telescope, camera and mount, as the hand has them."""
        return self.chain.setting.instrument


def expected_frame(
    body: Body, instrument: Instrument, seen: Apparition, sky: Sky, options: ViewOptions
) -> ExpectedFrame:
    """Send a body through the chain of an average frame; parameters as for `compose_view`."""
    aim = Aim.of(seen)
    hand = practice_for(instrument, options.practice)
    gain = gain_in_hand(instrument, options.gain_e_per_dn, hand)
    options = replace(options, gain_e_per_dn=gain, practice=hand)
    instrument, sky = in_hand(instrument, sky, aim, hand)
    laid = lay_view_field(body, instrument, seen, sky, aim, options)
    bins = options.bins or seen_bins(instrument.camera)
    setting = Setting(instrument, sky, aim, laid.grid, laid.sensor, bins)
    if options.wishes.exposure_s is not None:
        setting = replace(setting, exposure_s=options.wishes.exposure_s)
    scene = render(seen, body, laid.grid, bins, options=options.scene)
    look = through_chain(body, laid, scene, make_chain(setting), options)
    shorter = exposure_of(look).exposure_s
    if options.wishes.exposure_s is None and shorter < LEAST_SHARE * setting.exposure_s:
        # a bright body is exposed so shortly that the air and the mount stand nearly still
        look = through_chain(body, laid, scene, make_chain(replace(setting, exposure_s=shorter)), options)
    return look


def through_chain(body: Body, laid: Field, scene: Scene, chain: Chain, options: ViewOptions) -> ExpectedFrame:
    """Send a scene through a chain; parameters as the fields of `ExpectedFrame`."""
    responses = chain.channel_transfer(scene_colours(scene))
    green = green_channel(chain.setting.instrument)
    sharp = delivered_fwhm(responses[green], laid.grid.step_arcsec, laid.grid.columns)
    return ExpectedFrame(
        body=body,
        laid=laid,
        chain=chain,
        scene=scene,
        rates=chain.rates(scene),
        responses=responses,
        sharp_arcsec=sharp,
        options=options,
    )


def exposure_of(look: ExpectedFrame) -> Exposure:
    """Return the exposure and length of the recording that suits an average frame or that the user wants.

    A cell of the fine grid holds what a pixel centred there would collect, so that its brightest cell is the
    brightest pixel of the recording, wherever the drift of the planet puts the pixels.
    """
    camera, options = look.instrument.camera, look.options
    gain = options.gain_e_per_dn or camera.gain_e_per_dn
    motion = rotation_arcsec_per_s(look.body, look.scene.apparition)
    full_scale_e = camera.saturation_e(gain)
    exposure = choose_exposure(
        float(look.rates.max()),
        full_scale_e,
        gain_e_per_dn=gain,
        fried_ratio=look.chain.setting.fried_ratio,
        rotation_limit_s=USUAL_SMEAR * look.sharp_arcsec / motion if motion > 0 else math.inf,
        wishes=options.wishes,
        fastest_hz=options.hand.frames_per_second,
        longest_s=options.hand.seconds,
    )
    return replace(exposure, overexposed_share=overexposed_share(look, full_scale_e / exposure.exposure_s))


def overexposed_share(look: ExpectedFrame, full_scale_e_per_s: float) -> float:
    """Return the share of the lit disc that reaches full scale in the channel that collects most.

    A point counts whole.
    """
    if look.rates.max() < full_scale_e_per_s:
        return 0.0
    most = int(np.argmax(look.rates.max(axis=(1, 2))))
    light = np.tensordot(look.chain.weights[most], look.scene.radiance, axes=1)
    lit = light > LIT * light.max()
    return float(np.mean(look.rates[most][lit] >= full_scale_e_per_s)) if lit.any() else 1.0


def note_overexposure(exposure: Exposure, whose: str = "") -> None:
    """Note for the call where readings reach full scale; `whose` names the setup where there are several."""
    if exposure.overexposed_text:
        told = f"overexposed{whose and ' in ' + whose}: {exposure.overexposed_text}; what lies there is lost"
        note(told, FieldWarning, stacklevel=2)


def lay_view_field(
    body: Body, instrument: Instrument, seen: Apparition, sky: Sky, aim: Aim, options: ViewOptions
) -> Field:
    """Choose the window and the grid for a body: room for the disc, its rings and the blur."""
    width = body_width_arcsec(body, seen)
    blur = math.hypot(
        DIFFRACTION_WIDTH * finest_arcsec(instrument.telescope.aperture_mm),
        sky.turbulence_arcsec(aim.airmass),
    )
    wanted = max(width / WIDEST_DISC_SHARE, width + 10 * blur)
    if options.field_arcsec is not None:
        wanted = to_float("field", options.field_arcsec, "arcsec", 0.0, 36000.0, open_low=True)
    laid = lay_field(instrument, wanted, aim, practice=options.hand)
    if width <= min(laid.sensor.shape) * laid.sensor.pixel_arcsec:
        return laid
    return lay_field(instrument, wanted, aim, middle_arcsec=lit_middle_arcsec(seen), practice=options.hand)


def lit_middle_arcsec(seen: Apparition) -> tuple[float, float]:
    """Return the middle of the lit part of a disc, east and north of the disc's middle, arcsec.

    Along the line to the Sun the light reaches from the terminator, at -cos(phase angle) of the radius, to the limb.
    """
    away = seen.equatorial_diameter_arcsec / 4 * (1.0 - math.cos(math.radians(seen.phase_angle_deg)))
    angle = math.radians(seen.bright_limb_position_angle_deg)
    return away * math.sin(angle), away * math.cos(angle)


def seen_bins(camera: Camera) -> SpectralBins:
    """Return the bins up to the last that the camera or the eye sees; finer ones around a methane filter."""
    bins = METHANE_BINS if "methane" in camera.filters else DEFAULT_BINS
    response = channel_response(camera, bins).max(axis=0)
    seen = (response > 1e-4 * response.max()) | (bins.centres_nm < 700.0)
    return SpectralBins(bins.edges_nm[: int(np.flatnonzero(seen)[-1]) + 2])


def green_channel(instrument: Instrument) -> int:
    """Return the index of the channel in which sharpness is quoted."""
    names = channel_names(instrument.camera)
    return names.index("green") if "green" in names else 0


def rotation_arcsec_per_s(body: Body, seen: Apparition) -> float:
    """Return how fast the surface moves under the middle of the disc, arcsec/s.

    For a planet pi d / P, seen from the side: the component of the pole in the plane of the sky counts; a body
    seen pole-on only turns about the middle. The Moon faces us: only its libration is left, which is found from
    two instants.
    """
    if body.orientation is None or seen.equatorial_diameter_arcsec == 0:
        return 0.0
    if body.kind == "moon":
        return _libration_rad_per_s(body, seen.jd_tt, seen.site, seen.ephemeris) * _radius_arcsec(seen)
    days = seen.jd_tt - J2000
    before, after = (pole_and_meridian(body, days + shift)[2] for shift in (0.0, 1e-3))
    # meridians begin again at 0 after 360 deg
    rate = max(abs(math.remainder(after[key] - before[key], 360.0)) for key in after) / 86.4
    across = math.cos(math.radians(seen.sub_observer_latitude_centric_deg))
    return math.radians(rate) * _radius_arcsec(seen) * across


def _radius_arcsec(seen: Apparition) -> float:
    return seen.equatorial_diameter_arcsec / 2


@lru_cache(maxsize=256)
def _libration_rad_per_s(body: Body, jd_tt: float, site: Site | None, ephemeris: str) -> float:
    """Return how fast the middle of the disc wanders over the surface, rad/s."""
    days = jd_tt - J2000 + np.array([-0.5, 0.5]) * LIBRATION_STEP_S / 86400.0
    table = apparition_table(body, tt_to_time(days), site, ephemeris=ephemeris)
    latitude = np.radians(table["sub_observer_latitude_centric_deg"])
    longitude = next(iter(table.central_meridian_deg.values()))
    east = math.radians(math.remainder(longitude[1] - longitude[0], 360.0)) * math.cos(latitude.mean())
    return math.hypot(east, latitude[1] - latitude[0]) / LIBRATION_STEP_S


def moving_scene(look: ExpectedFrame, seconds: float) -> Scene:
    """Return the mean scene of a recording while body and field turn and the moons move.

    Two instants, T/sqrt(12) before and after the middle, stand for the whole: the Gauss rule of two
    points, right for a feature's mean place and spread. What hardly moves is left as it is.
    """
    scene, body = look.scene, look.body
    seen = scene.apparition
    mount, angle = look.instrument.mount, seen.parallactic_angle_deg
    turn = mount_turn_deg(look.instrument, seen, seconds)
    at_edge = math.radians(abs(turn)) * body_width_arcsec(body, seen) / 2
    if max(rotation_arcsec_per_s(body, seen) * seconds, at_edge) <= NEGLIGIBLE_SMEAR * look.sharp_arcsec:
        return scene
    scenes = []
    for away in (-1 / math.sqrt(12.0), 1 / math.sqrt(12.0)):
        instant = tt_to_time(seen.jd_tt - J2000 + away * seconds / 86400.0)
        moved = apparition(body, instant, seen.site, ephemeris=seen.ephemeris)
        # in the camera's frame the sky turns against the mount
        moved = turned(moved, mount.sky_angle_deg(angle) - mount.sky_angle_deg(moved.parallactic_angle_deg))
        scenes.append(render(moved, body, scene.grid, scene.bins, options=look.options.scene))
    return pooled(scenes)


def mount_turn_deg(instrument: Instrument, seen: Apparition, seconds: float) -> float:
    """Return by how much the position angle of the camera's rows grows during `seconds`, deg.

    It follows the parallactic angle on an altazimuth mount and stands still on an equatorial one.
    """
    if instrument.mount.kind != "altazimuth" or seen.site is None or seen.altitude_deg is None:
        return 0.0
    altitude = min(seen.altitude_deg, HIGHEST_FOLLOWED_DEG)
    rate = field_rotation_deg_per_h(seen.site.latitude_deg, seen.azimuth_deg or 0.0, altitude)
    return -rate * seconds / 3600.0


def kept_frames(look: ExpectedFrame, exposure: Exposure) -> ExpectedFrame:
    """Return the average of the frames that a recording keeps, given the average of all of them.

    Parameters
    ----------
    look : ExpectedFrame
        The average frame; what has been through here is returned as it is.
    exposure : Exposure
        Tells the share that is kept.
    """
    setting, share = look.chain.setting, exposure.kept / exposure.frames
    if setting.kept == share:
        return look
    chain = make_chain(replace(setting, kept=share))
    colours = scene_colours(look.scene)
    return replace(look, chain=chain, rates=chain.rates(look.scene), responses=chain.channel_transfer(colours))


def stack_of(look: ExpectedFrame, exposure: Exposure, seed: int) -> tuple[Stack, npt.NDArray[np.complexfloating]]:
    """Return the expected stack of a recording, with one realisation of its noise, and its response.

    Parameters
    ----------
    look : ExpectedFrame
        The average frame, or that of the kept ones.
    exposure : Exposure
        How it is recorded.
    seed : int
        Seed of the noise.

    Returns
    -------
    Stack
    array, shape (channels, rows, columns//2+1)
        Response from the truth to one aligned, kept frame on the fine grid.
    """
    kept = kept_frames(look, exposure)
    moving = moving_scene(kept, exposure.seconds)
    stack = expected_stack(
        kept.rates if moving is kept.scene else kept.chain.rates(moving),
        kept.laid.grid.step_arcsec,
        recording_of(kept, exposure),
        sensor_noise(kept.instrument, exposure.gain_e_per_dn),
        transfer=kept.responses,
        rng=np.random.default_rng([seed, 2]),
    )
    return stack, kept.responses


def recording_of(look: ExpectedFrame, exposure: Exposure) -> Recording:
    """Return what the stack needs to know of a recording of a look, and of how its frames are laid together."""
    laid = look.laid
    return laid_by_hand(
        look.instrument,
        exposure,
        look.options.hand,
        pixel_arcsec=laid.sensor.pixel_arcsec,
        factor=laid.stack_factor,
        drop=laid.drop_pixels,
    )


def sensor_noise(instrument: Instrument, gain_e_per_dn: float) -> SensorNoise:
    """Return what the instrument's sensor adds to the photons at a gain."""
    camera = instrument.camera
    return SensorNoise(
        camera.read_noise_at(gain_e_per_dn),
        (camera.largest_dn - camera.offset_dn) * gain_e_per_dn,
        gain_e_per_dn,
        camera.dark_current_e_per_s,
        camera.compression,
        camera.full_well_e,
    )
