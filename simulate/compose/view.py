"""One body through one instrument: from the truth to the finished picture, by the expected path."""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass, field, replace
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import scipy.fft

from simulate import __version__
from simulate.air import Sky, dispersion_arcsec, fried_parameter_m, seeing_fwhm_arcsec, sky_magnitudes
from simulate.bodies import Body, pole_and_meridian
from simulate.bodies.colour import to_linear_srgb
from simulate.bodies.spectra import solar_photon_flux
from simulate.camera import Camera, channel_names, channel_response, demosaic_bilinear, take_frame
from simulate.compose.chain import (
    WIDEST_DISC_SHARE,
    Aim,
    Chain,
    Field,
    Setting,
    channel_lifts_arcsec,
    channel_shares,
    lay_field,
    make_chain,
    pooled,
    sampling_ratio,
    scene_colours,
    sky_lights,
)
from simulate.compose.colours import LUMINANCE, screen_matrix, to_screen, white_rates
from simulate.compose.judge import LIT, Bench, feature_line, judge_scene, make_bench
from simulate.compose.subject import choose_subject
from simulate.errors import BelowHorizonError, FieldWarning, kept_warnings, note
from simulate.geometry import Apparition, Site, apparition, as_site, parse_time, turned
from simulate.geometry.clock import J2000, tt_to_time
from simulate.geometry.table import apparition_table
from simulate.instruments import Instrument, load_instrument
from simulate.judgement import judged_features
from simulate.planning.capture import HIGHEST_FOLLOWED_DEG, USUAL_SMEAR, field_rotation_deg_per_h
from simulate.present.exposure_words import overexposed_text
from simulate.present.record import FeatureLine, OpticsFacts, Picture, Placement, View
from simulate.scene import PointSource, Scene, SceneOptions, render
from simulate.stack import (
    Exposure,
    ExposureWishes,
    Recording,
    Restored,
    SensorNoise,
    Stack,
    choose_exposure,
    delivered_fwhm,
    expected_stack,
    restore,
)
from simulate.telescope import make_pupil, strehl, transfer, transfer_fwhm_arcsec
from simulate.values.checks import to_float
from simulate.values.constants import DIFFRACTION_WIDTH, GREEN_NM
from simulate.values.grid import Grid
from simulate.values.resolution import finest_arcsec
from simulate.values.spectrum import DEFAULT_BINS, SpectralBins

if TYPE_CHECKING:
    from astropy.coordinates import EarthLocation
    from astropy.time import Time

FloatArray = npt.NDArray[np.floating]

LIBRATION_STEP_S = 600.0
"""Between the two instants from which the Moon's libration is found."""

NEGLIGIBLE_SMEAR = 0.1
"""Rotation by less than this share of the delivered width is not drawn."""

LEAST_SHARE = 0.8
"""An exposure shorter than this share of the one first assumed has a chain of its own."""

CELLS_ACROSS, CELLS_OF_PANEL = 200, 512
"""The unblurred truth of a small body is drawn anew with so many cells across it, and not more over a panel."""

BRIGHTEST_SHOWN = 0.85
"""Linear brightness at which the brightest part of the unblurred disc is shown."""


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
    """

    wishes: ExposureWishes = field(default_factory=ExposureWishes)
    gain_e_per_dn: float | None = None
    scene: SceneOptions = field(default_factory=SceneOptions)
    field_arcsec: float | None = None
    bins: SpectralBins | None = None
    judge: bool = True


def view(
    body: str | Body,
    instrument: str | Instrument,
    time: str | Time,
    site: str | Site | EarthLocation | None = None,
    *,
    sky: Sky | None = None,
    options: ViewOptions | None = None,
    seed: int = 0,
    ephemeris: str = "builtin",
) -> View:
    """Compute the picture that a setup should record.

    Parameters
    ----------
    body : str or Body
        "mercury" ... "neptune", "moon" or "star".
    instrument : str or Instrument
        Name of a shipped one, path of a TOML file, or an `Instrument`.
    time : str or Time
        Instant, UTC unless an offset is given.
    site : str, Site, EarthLocation or None
        Place; None looks from the Earth's centre through the zenith.
    sky : Sky, optional
        The air; default 2 arcsec seeing.
    options : ViewOptions, optional
        What is fixed by the user.
    seed : int
        Seed of the noise.
    ephemeris : str
        "builtin" or "de440".

    Raises
    ------
    InputError
        For anything that cannot be used, and for a body below the horizon.
    """
    asked = options or ViewOptions()
    known = choose_subject(body)
    tool = instrument if isinstance(instrument, Instrument) else load_instrument(instrument)
    place = None if site is None else as_site(site)
    air = sky or Sky()
    with kept_warnings(again=True) as texts:
        seen = apparition(known, parse_time(time), place, ephemeris=ephemeris)
        refuse_below_horizon(seen)
        shown = compose_view(known, tool, seen, air, asked, seed)
    inputs = view_inputs(known, tool, seen, air, asked, seed)
    return replace(shown, warnings=tuple(texts), inputs=inputs)


def refuse_below_horizon(seen: Apparition) -> None:
    """Raise `BelowHorizonError` if the body is below the horizon, saying when it next rises."""
    if seen.site is None or seen.altitude_deg is None or (seen.airmass is not None and seen.altitude_deg > 0):
        return
    from simulate.geometry.rise_set import next_rise
    from simulate.present.words import body_title

    rises = next_rise(seen.body, seen.time_utc, seen.site, ephemeris=seen.ephemeris)
    when = "it does not rise there within a year"
    if rises is not None:
        when = f"it next rises at {rises.isot[:16]}Z"
    raise BelowHorizonError(
        "time",
        seen.time_utc,
        f"{body_title(seen.body)} is {abs(seen.altitude_deg):.0f} deg below the horizon there; {when}",
    )


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
        What was asked for.
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
        """Telescope, camera and mount."""
        return self.chain.setting.instrument


def expected_frame(
    body: Body, instrument: Instrument, seen: Apparition, sky: Sky, options: ViewOptions
) -> ExpectedFrame:
    """Send a body through the chain of an average frame; parameters as for `compose_view`."""
    aim = Aim.of(seen)
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
    return ExpectedFrame(body, laid, chain, scene, chain.rates(scene), responses, sharp, options)


def compose_view(
    body: Body, instrument: Instrument, seen: Apparition, sky: Sky, options: ViewOptions, seed: int
) -> View:
    """Compose a view of an apparition.

    Parameters
    ----------
    body, instrument, seen, sky : Body, Instrument, Apparition, Sky
        What is looked at, with what, how it stands, through which air.
    options : ViewOptions
        What the user fixes.
    seed : int
        Seed of the noise.
    """
    look = expected_frame(body, instrument, seen, sky, options)
    on_sensor = look.chain.on_sensor(look.rates)
    exposure = exposure_of(look)
    gain, seconds = exposure.gain_e_per_dn, exposure.exposure_s
    random = np.random.default_rng([seed, 1])
    frame = take_frame(on_sensor, instrument.camera, seconds, random, gain_e_per_dn=gain)
    kept = kept_frames(look, exposure)
    stack, response = stack_of(kept, exposure, seed)
    finished = restore(
        stack.picture, stack.noise, stack.transfer, stack.step_arcsec, noise_spectrum=stack.noise_spectrum
    )
    grid, green, names = look.laid.grid, green_channel(instrument), channel_names(instrument.camera)
    cells = Placement.north_up(stack.step_arcsec, grid.middle_east_arcsec, grid.middle_north_arcsec)
    pixels = sensor_placement(look.laid)
    truth = truth_colours(look.scene)
    screen = Screen.of(look, truth)
    shown, shown_grid = finer_truth(look, truth)
    fits = warn_of_edges(look)
    warn_of_overexposure(exposure)
    return View(
        body=body.name,
        instrument=instrument,
        apparition=seen,
        scene=look.scene,
        sky=sky,
        expected=Picture(on_sensor * np.float32(seconds), pixels, "electron"),
        frame=Picture(frame.raw if frame.raw.ndim == 2 else frame.raw[green], pixels, "adu"),
        stack=stack,
        finished=finished,
        stack_placement=cells,
        psf=Picture(point_response_of(response[green], grid), Placement.of_grid(grid)),
        truth_rgb=Picture(shown / np.float32(screen.level), Placement.of_grid(shown_grid)),
        frame_rgb=Picture(screen.show(frame_channels(frame, instrument) / seconds), pixels),
        stack_rgb=Picture(screen.show(stack.picture), cells),
        finished_rgb=Picture(screen.show(finished.picture), cells),
        exposure=exposure,
        optics=optics_facts(look, stack, finished.delivered_fwhm_arcsec[green]),
        channel_names=names,
        features=judge_view(kept, exposure, finished) if options.judge and fits else (),
        seed=seed,
        version=__version__,
    )


@dataclass(frozen=True, eq=False)
class Screen:
    """How a camera's channels are shown: white balance, colours and one level for all panels.

    The sky's own light is taken off, as the black point of a picture is set: by day it is brighter than
    most planets, and the panels would be white.

    Parameters
    ----------
    white : array, shape (channels,)
        Rates of a sunlit white surface.
    matrix : array, shape (3, channels)
        From balanced channels to linear sRGB.
    level : float
        Radiance, relative to that white, that is shown as 1.
    sky : array, shape (channels,)
        Rates of the sky, shown as 0.
    """

    white: FloatArray
    matrix: FloatArray
    level: float
    sky: FloatArray

    @classmethod
    def of(cls, look: ExpectedFrame, truth: FloatArray) -> Screen:
        """Return the screen that suits an expected frame and its `truth_colours`."""
        bins, weights = look.scene.bins, look.chain.weights
        white = white_rates(weights, bins)
        matrix = screen_matrix(weights, channel_names(look.instrument.camera), bins)
        sky = look.chain.sky_rate
        level = display_level(truth, (look.rates - sky[:, None, None]) / white[:, None, None])
        return cls(white, matrix, level, sky)

    def show(self, rates: FloatArray) -> npt.NDArray[np.float32]:
        """Return linear sRGB (rows, columns, 3) of rates (channels, rows, columns), e- s-1 per pixel."""
        above = rates - self.sky.astype(np.float32)[:, None, None]
        return to_screen(above, self.white, self.matrix, self.level)


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


def warn_of_overexposure(exposure: Exposure) -> None:
    """Say where readings reach full scale."""
    if exposure.peak_fraction < 1.0:
        return
    told = f"overexposed: {overexposed_text(exposure)}; what is on it there is lost"
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
    laid = lay_field(instrument, wanted, aim)
    if width <= min(laid.sensor.shape) * laid.sensor.pixel_arcsec:
        return laid
    return lay_field(instrument, wanted, aim, middle_arcsec=lit_middle_arcsec(seen))


def lit_middle_arcsec(seen: Apparition) -> tuple[float, float]:
    """Return the middle of the lit part of a disc, east and north of the disc's middle, arcsec.

    Along the line to the Sun the light reaches from the terminator, at -cos(phase angle) of the radius, to the limb.
    """
    away = seen.equatorial_diameter_arcsec / 4 * (1.0 - math.cos(math.radians(seen.phase_angle_deg)))
    angle = math.radians(seen.bright_limb_position_angle_deg)
    return away * math.sin(angle), away * math.cos(angle)


def seen_bins(camera: Camera) -> SpectralBins:
    """Return the default bins up to the last that the camera or the eye sees."""
    response = channel_response(camera, DEFAULT_BINS).max(axis=0)
    seen = (response > 1e-4 * response.max()) | (DEFAULT_BINS.centres_nm < 700.0)
    return SpectralBins(DEFAULT_BINS.edges_nm[: int(np.flatnonzero(seen)[-1]) + 2])


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
        return _libration_rad_per_s(body.name, seen.jd_tt, seen.site, seen.ephemeris) * _radius_arcsec(seen)
    days = seen.jd_tt - J2000
    before, after = (pole_and_meridian(body, days + shift)[2] for shift in (0.0, 1e-3))
    # meridians begin again at 0 after 360 deg
    rate = max(abs(math.remainder(after[key] - before[key], 360.0)) for key in after) / 86.4
    across = math.cos(math.radians(seen.sub_observer_latitude_centric_deg))
    return math.radians(rate) * _radius_arcsec(seen) * across


def _radius_arcsec(seen: Apparition) -> float:
    return seen.equatorial_diameter_arcsec / 2


@lru_cache(maxsize=256)
def _libration_rad_per_s(body: str, jd_tt: float, site: Site | None, ephemeris: str) -> float:
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
        recording_of(kept.laid, kept.instrument, exposure),
        sensor_noise(kept.instrument, exposure.gain_e_per_dn),
        transfer=kept.responses,
        rng=np.random.default_rng([seed, 2]),
    )
    return stack, kept.responses


def bench_of(look: ExpectedFrame, exposure: Exposure, finished: Restored | None = None) -> Bench:
    """Return the setup of a look, ready to judge the stack of a recording without its random noise.

    Parameters
    ----------
    look : ExpectedFrame
        The average frame, or that of the kept ones.
    exposure : Exposure
        How it is recorded.
    finished : Restored, optional
        How such a stack has been restored, where that is known already.
    """
    kept = kept_frames(look, exposure)
    stack = expected_stack(
        kept.rates,
        kept.laid.grid.step_arcsec,
        recording_of(kept.laid, kept.instrument, exposure),
        sensor_noise(kept.instrument, exposure.gain_e_per_dn),
    )
    turned = rotation_arcsec_per_s(kept.body, kept.scene.apparition) * exposure.seconds
    return make_bench(kept.body, kept.scene, kept.chain, stack, smear_arcsec=turned, finished=finished)


def judge_view(look: ExpectedFrame, exposure: Exposure, finished: Restored) -> tuple[FeatureLine, ...]:
    """Return the verdicts on every feature that is in a look's scene; parameters as for `bench_of`."""
    if look.options.field_arcsec is None:
        bench = bench_of(look, exposure, finished)
    else:  # a wide field for the moons would be judged at great cost
        setting, fitting = look.chain.setting, replace(look.options, field_arcsec=None)
        narrow = expected_frame(look.body, look.instrument, look.scene.apparition, setting.sky, fitting)
        bench = bench_of(narrow, exposure)
    return tuple(feature_line(entry) for entry in judge_scene(bench, look.options.scene))


def recording_of(laid: Field, instrument: Instrument, exposure: Exposure) -> Recording:
    """Return what the stack needs to know of a recording."""
    return Recording(
        exposure.exposure_s,
        exposure.frames,
        exposure.kept,
        laid.sensor.pixel_arcsec,
        channel_shares(instrument),
        laid.stack_factor,
        laid.drop_pixels,
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


def sensor_placement(laid: Field) -> Placement:
    """Return where the camera's pixels lie on the sky."""
    sensor = laid.sensor
    (row_east, row_north), (column_east, column_north) = sensor.axes() * sensor.pixel_arcsec
    east, north = sensor.sky_of((sensor.rows - 1) / 2, (sensor.columns - 1) / 2)
    return Placement(column_east, row_east, column_north, row_north, float(east), float(north))


def frame_channels(frame: Any, instrument: Instrument) -> npt.NDArray[np.float32]:
    """Return the electrons of a raw frame in each channel, shape (channels, rows, columns)."""
    electrons = frame.electrons()
    if not instrument.camera.is_mono:
        return demosaic_bilinear(electrons, instrument.camera.filter_array)
    return electrons if electrons.ndim == 3 else electrons[None]


def truth_colours(scene: Scene) -> npt.NDArray[np.float32]:
    """Return the unblurred scene as linear sRGB relative to a sunlit white, shape (rows, columns, 3).

    A point source fills its cell.
    """
    radiance = scene.radiance
    points = [(point, *_cell_of(scene.grid, point)) for point in scene.points]
    inside = [entry for entry in points if 0 <= entry[1] < scene.grid.rows and 0 <= entry[2] < scene.grid.columns]
    if inside:
        radiance = radiance.copy()
    for point, row, column in inside:
        radiance[:, row, column] += (point.photons / scene.grid.cell_arcsec2).astype(np.float32)
    white = float(to_linear_srgb(solar_photon_flux(scene.bins), scene.bins) @ LUMINANCE)
    return (to_linear_srgb(radiance, scene.bins) / white).astype(np.float32)


def finer_truth(look: ExpectedFrame, truth: FloatArray) -> tuple[FloatArray, Grid]:
    """Return the unblurred scene of a small body with enough cells to look smooth, and their grid.

    Parameters
    ----------
    look : ExpectedFrame
        The average frame.
    truth : array, shape (rows, columns, 3)
        From `truth_colours`; returned where it is fine enough, or where a wide field is asked for.
    """
    grid, seen = look.laid.grid, look.scene.apparition
    width = seen.equatorial_diameter_arcsec
    if width == 0 or look.options.field_arcsec is not None:
        return truth, grid
    diffraction = finest_arcsec(look.instrument.telescope.aperture_mm)
    side = min(max(1.5 * body_width_arcsec(look.body, seen), 16 * diffraction), min(grid.shape) * grid.step_arcsec)
    step = max(width / CELLS_ACROSS, side / CELLS_OF_PANEL)
    if step > 0.75 * grid.step_arcsec:
        return truth, grid
    cells = 2 * math.ceil(side / step / 2)
    fine = Grid(cells, cells, step)
    return truth_colours(render(seen, look.body, fine, look.scene.bins, options=look.options.scene)), fine


def warn_of_edges(look: ExpectedFrame) -> bool:
    """Say where the body is larger than the window that is read; return whether it fits.

    The window is the whole sensor, or the middle of it where more would take too long to compute.
    """
    sensor, camera = look.laid.sensor, look.instrument.camera
    width = body_width_arcsec(look.body, look.scene.apparition)
    side = min(sensor.rows, sensor.columns)
    pixels = round(width / sensor.pixel_arcsec)
    if pixels <= side:
        return True
    what = "disc with its rings" if look.body.rings else "disc"
    if side < min(camera.rows, camera.columns) - 1:
        told = (
            f"the pictures show the middle of the lit part of the {what}: {sensor.columns} x {sensor.rows} pixels, "
            f"{sensor.columns * sensor.pixel_arcsec / 60:.1f} x {sensor.rows * sensor.pixel_arcsec / 60:.1f} arcmin "
            f"of {width / 60:.1f}; the sensor has {camera.columns} x {camera.rows}"
        )
    else:
        told = (
            f"the {what} does not fit: it is {pixels} pixels wide, the sensor {camera.columns} x {camera.rows}; "
            "only the middle of its lit part is shown"
        )
    if look.options.judge and judged_features(look.body):
        told += ", and nothing on it is judged"
    note(told, FieldWarning, stacklevel=2)
    return False


def _cell_of(grid: Grid, point: PointSource) -> tuple[int, int]:
    row, column = grid.pixel_of(point.east_arcsec, point.north_arcsec)
    return round(row), round(column)


def display_level(truth: FloatArray, rates: FloatArray) -> float:
    """Return the radiance, relative to a sunlit white, that is shown as 1: one for all panels.

    The brightest part of the unblurred disc is shown at `BRIGHTEST_SHOWN`; for a point the brightest
    part of its blurred picture.

    Parameters
    ----------
    truth : array, shape (rows, columns, 3)
        From `truth_colours`.
    rates : array, shape (channels, rows, columns)
        Blurred picture relative to the same white.
    """
    light = truth @ LUMINANCE.astype(np.float32)
    lit = light[light > 0]
    if lit.size >= 16:
        return max(float(np.quantile(lit, 0.98)), 1e-30) / BRIGHTEST_SHOWN
    return max(float(rates.max(axis=(1, 2)).mean()), 1e-30) / BRIGHTEST_SHOWN


def point_response_of(transfer: npt.NDArray[np.complexfloating], grid: Grid) -> npt.NDArray[np.float32]:
    """Return a transfer function as a picture in the middle of the grid, sum 1, shape (rows, columns)."""
    middle = np.exp(-2j * np.pi * np.fft.fftfreq(grid.rows) * ((grid.rows - 1) / 2))[:, None]
    middle = middle * np.exp(-2j * np.pi * np.fft.rfftfreq(grid.columns) * ((grid.columns - 1) / 2))
    return scipy.fft.irfft2(transfer * middle, s=grid.shape).astype(np.float32)


def optics_facts(look: ExpectedFrame, stack: Stack, finished_arcsec: float) -> OpticsFacts:
    """Return the numbers about sharpness and sampling of a setup."""
    setting, instrument = look.chain.setting, look.instrument
    aim, sky, green = setting.aim, setting.sky, green_channel(look.instrument)
    pupil = make_pupil(instrument.telescope)
    alone = transfer(pupil, setting.grid, GREEN_NM)
    ends = dispersion_arcsec(np.array([400.0, 700.0]), aim.altitude_deg, sky, aim.height_m)
    r0 = float(fried_parameter_m(sky, GREEN_NM, aim.airmass)) if not sky.is_still else math.inf
    columns = stack.picture.shape[2]
    lifts = dict(zip(channel_names(instrument.camera), channel_lifts_arcsec(look.chain, look.scene), strict=True))
    return OpticsFacts(
        pixel_scale_arcsec=setting.sensor.pixel_arcsec,
        diffraction_fwhm_arcsec=float(transfer_fwhm_arcsec(alone, setting.grid)),
        delivered_fwhm_arcsec=finished_arcsec,
        critical_focal_ratio=2.0 * instrument.camera.pixel_um / (GREEN_NM * 1e-3),
        sampling_ratio=sampling_ratio(instrument),
        dispersion_arcsec=float(ends[0] - ends[1]),
        seeing_fwhm_arcsec=seeing_fwhm_arcsec(GREEN_NM, r0, sky.outer_scale_m),
        raw_fwhm_arcsec=look.sharp_arcsec,
        stack_fwhm_arcsec=float(delivered_fwhm(stack.transfer[green], stack.step_arcsec, columns)),
        strehl_ratio=float(strehl(pupil, GREEN_NM)),
        fried_ratio=setting.fried_ratio,
        blue_red_arcsec=float(lifts["blue"] - lifts["red"]) if {"blue", "red"} <= set(lifts) else None,
        sky_mag_arcsec2=float(sky_magnitudes(sky_lights(aim), sky, aim.height_m)[2]),
        sky_share=sky_share(look),
    )


def sky_share(look: ExpectedFrame) -> float | None:
    """Return the sky's light over that of the lit disc in the green channel; None for a point."""
    green, scene = green_channel(look.instrument), look.scene
    light = np.tensordot(look.chain.weights[green], scene.radiance, axes=1)
    lit = light[light > LIT * light.max()]
    return float(look.chain.sky_rate[green] / lit.mean()) if lit.size else None


def view_inputs(
    body: Body, instrument: Instrument, seen: Apparition, sky: Sky, options: ViewOptions, seed: int
) -> dict[str, Any]:
    """Return everything that made a view, as plain values that JSON can hold."""
    return {
        "body": body.name,
        "instrument": asdict(instrument),
        "time": seen.time_utc,
        "site": None if seen.site is None else asdict(seen.site),
        "sky": asdict(sky),
        "ephemeris": seen.ephemeris,
        "exposure": {name: value for name, value in asdict(options.wishes).items() if value is not None},
        "gain_e_per_dn": options.gain_e_per_dn,
        "without": sorted(options.scene.without),
        "red_spot_longitude_deg": options.scene.red_spot_longitude_deg,
        "dust": options.scene.dust,
        "invented_texture": options.scene.invented_texture,
        "map": None if options.scene.user_map is None else options.scene.user_map.name,
        "field_arcsec": options.field_arcsec,
        "spectral_bin_edges_nm": list((options.bins or seen_bins(instrument.camera)).edges_nm),
        "seed": seed,
        "version": __version__,
    }
