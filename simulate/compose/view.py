"""One body through one instrument: from the truth to the finished picture, by the expected path."""

from __future__ import annotations

import math
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import scipy.fft

from simulate import __version__
from simulate.air import Sky, dispersion_arcsec, fried_parameter_m
from simulate.bodies import Body, load_body, pole_and_meridian
from simulate.bodies.colour import to_linear_srgb
from simulate.bodies.spectra import solar_photon_flux
from simulate.camera import channel_names, demosaic_bilinear, field_rotation_smear, take_frame
from simulate.compose.chain import (
    GREEN_NM,
    Aim,
    Chain,
    Field,
    Setting,
    channel_shares,
    lay_field,
    make_chain,
    pooled,
    sampling_ratio,
)
from simulate.compose.colours import LUMINANCE, screen_matrix, to_screen, white_rates
from simulate.errors import InputError, SimulateWarning
from simulate.geometry import Apparition, Site, apparition, as_site, parse_time
from simulate.instruments import Instrument, load_instrument
from simulate.present.record import OpticsFacts, Picture, Placement, View
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
    restore,
)
from simulate.telescope import make_pupil, strehl, transfer, transfer_fwhm_arcsec
from simulate.values.checks import to_float
from simulate.values.grid import Grid
from simulate.values.spectrum import DEFAULT_BINS, SpectralBins

if TYPE_CHECKING:
    from astropy.coordinates import EarthLocation
    from astropy.time import Time

FloatArray = npt.NDArray[np.floating]

USUAL_SMEAR = 0.8
"""Longest recording: the middle of the disc moves by this share of the delivered width (common practice)."""

NEGLIGIBLE_SMEAR = 0.1
"""Rotation by less than this share of the delivered width is not drawn."""

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
    bins : SpectralBins
        Spectral bins.
    """

    wishes: ExposureWishes = field(default_factory=ExposureWishes)
    gain_e_per_dn: float | None = None
    scene: SceneOptions = field(default_factory=SceneOptions)
    field_arcsec: float | None = None
    bins: SpectralBins = DEFAULT_BINS


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
    known = body if isinstance(body, Body) else load_body(body)
    tool = instrument if isinstance(instrument, Instrument) else load_instrument(instrument)
    place = None if site is None else as_site(site)
    air = sky or Sky(height_m=place.height_m if place else 0.0)
    with _kept_warnings() as texts:
        seen = apparition(known, parse_time(time), place, ephemeris=ephemeris)
        refuse_below_horizon(seen)
        shown = compose_view(known, tool, seen, air, asked, seed)
    inputs = view_inputs(known, tool, seen, air, asked, seed)
    return replace(shown, warnings=tuple(texts), inputs=inputs)


def refuse_below_horizon(seen: Apparition) -> None:
    """Raise `InputError` if the body is below the horizon, saying when it next rises."""
    if seen.altitude_deg is None or seen.airmass is not None and seen.altitude_deg > 0:
        return
    from simulate.geometry.rise_set import next_rise

    rises = next_rise(seen.body, seen.time_utc, seen.site)
    when = f"it next rises at {rises}" if rises else "it does not rise there within the next days"
    raise InputError(
        "time", seen.time_utc, f"{seen.body} is {abs(seen.altitude_deg):.0f} deg below the horizon there; {when}"
    )


def body_width_arcsec(body: Body, seen: Apparition) -> float:
    """Return the apparent width of the body with its rings, arcsec; 0 for a point."""
    width = seen.equatorial_diameter_arcsec
    if body.rings and body.equatorial_radius_km:
        width *= max(ring.outer_km for ring in body.rings) / body.equatorial_radius_km
    return width


def compose_view(
    body: Body, instrument: Instrument, seen: Apparition, sky: Sky, options: ViewOptions, seed: int
) -> View:
    """Compose a view of an apparition; see `view`."""
    aim = Aim.of(seen)
    laid = lay_view_field(body, instrument, seen, sky, aim, options)
    chain = make_chain(Setting(instrument, sky, aim, laid.grid, laid.sensor, options.bins))
    scene = render(seen, body, laid.grid, options.bins, options=options.scene)
    rates = chain.rates(scene)
    on_sensor = chain.on_sensor(rates)
    gain = options.gain_e_per_dn or instrument.camera.gain_e_per_dn
    colours = scene_colours(scene)
    responses = chain.channel_transfer(colours)
    green = green_channel(instrument)
    sharp = delivered_fwhm(responses[green], laid.grid.step_arcsec, laid.grid.columns)
    motion = rotation_arcsec_per_s(body, seen)
    exposure = choose_exposure(
        float(on_sensor.max()),
        instrument.camera.saturation_e(gain),
        gain_e_per_dn=gain,
        fried_ratio=chain.setting.fried_ratio,
        rotation_limit_s=USUAL_SMEAR * sharp / motion if motion > 0 else math.inf,
        wishes=options.wishes,
    )
    noise = np.random.default_rng([seed, 1])
    frame = take_frame(on_sensor, instrument.camera, exposure.exposure_s, noise, gain_e_per_dn=gain)
    moving = motion * exposure.seconds > NEGLIGIBLE_SMEAR * sharp
    stacked = moving_rates(chain, body, seen, exposure.seconds, options) if moving else rates
    stacked = turned_rates(stacked, laid.grid, field_turn_deg(instrument, seen, exposure.seconds), sharp, body, seen)
    stack = stack_of(chain, laid, stacked, responses, exposure, gain, seed)
    finished = restore(stack.picture, stack.noise, stack.transfer, stack.step_arcsec, noise_spectrum=stack.noise_spectrum)
    level = display_level(scene, rates, chain)
    white = white_rates(chain.weights, options.bins)
    names = channel_names(instrument.camera)
    matrix = screen_matrix(chain.weights, names, options.bins)
    stack_placement = Placement.north_up(
        stack.step_arcsec, laid.grid.middle_east_arcsec, laid.grid.middle_north_arcsec
    )
    camera_placement = sensor_placement(laid)
    electrons = frame_channels(frame, instrument) / exposure.exposure_s
    return View(
        body=body.name,
        instrument=instrument,
        apparition=seen,
        scene=scene,
        sky=sky,
        expected=Picture(on_sensor * np.float32(exposure.exposure_s), camera_placement, "electron"),
        frame=Picture(frame.raw if frame.raw.ndim == 2 else frame.raw[green], camera_placement, "adu"),
        stack=stack,
        finished=finished,
        stack_placement=stack_placement,
        psf=Picture(point_response_of(responses[green], laid.grid), Placement.of_grid(laid.grid)),
        truth_rgb=Picture(truth_colours(scene, level), Placement.of_grid(laid.grid)),
        frame_rgb=Picture(to_screen(electrons, white, matrix, level), camera_placement),
        stack_rgb=Picture(to_screen(stack.picture, white, matrix, level), stack_placement),
        finished_rgb=Picture(to_screen(finished.picture, white, matrix, level), stack_placement),
        exposure=exposure,
        optics=optics_facts(chain, stack, finished.delivered_fwhm_arcsec[green], sharp, green),
        channel_names=names,
        seed=seed,
        version=__version__,
    )


def lay_view_field(
    body: Body, instrument: Instrument, seen: Apparition, sky: Sky, aim: Aim, options: ViewOptions
) -> Field:
    """Choose the window and the grid for a body: room for the disc, its rings and the blur."""
    width = body_width_arcsec(body, seen)
    blur = math.hypot(
        1.03 * GREEN_NM * 1e-6 / instrument.telescope.aperture_mm * 206265.0,
        sky.seeing_arcsec * aim.airmass**0.6,
    )
    wanted = max(width / 0.6, width + 10 * blur)
    if options.field_arcsec is not None:
        wanted = to_float("field", options.field_arcsec, "arcsec", 0.0, 36000.0, open_low=True)
    return lay_field(instrument, wanted, aim)


def scene_colours(scene: Scene) -> npt.NDArray[np.float64]:
    """Return the photons of the whole scene in each bin, shape (bins,)."""
    total = scene.photons()
    for point in scene.points:
        total = total + point.photons
    return total


def green_channel(instrument: Instrument) -> int:
    """Return the index of the channel in which sharpness is quoted."""
    names = channel_names(instrument.camera)
    return names.index("green") if "green" in names else 0


def rotation_arcsec_per_s(body: Body, seen: Apparition) -> float:
    """Return how fast rotation moves the middle of the disc, arcsec/s: pi d / P, seen from the side.

    The component of the pole in the plane of the sky counts; a body seen pole-on only turns about
    the middle.
    """
    if body.orientation is None or seen.equatorial_diameter_arcsec == 0:
        return 0.0
    days = seen.jd_tt - 2451545.0
    before, after = (pole_and_meridian(body, days + shift)[2] for shift in (0.0, 1e-3))
    rate = max(abs(after[key] - before[key]) for key in after) / 86.4
    across = math.cos(math.radians(seen.sub_observer_latitude_centric_deg))
    return math.radians(rate) * seen.equatorial_diameter_arcsec / 2 * across


def moving_rates(
    chain: Chain, body: Body, seen: Apparition, seconds: float, options: ViewOptions
) -> npt.NDArray[np.float32]:
    """Return the mean rates over a recording while the body turns and its moons move.

    Two instants, T/sqrt(12) before and after the middle, stand for the whole: the Gauss rule of two
    points, right for a feature's place and spread.
    """
    from astropy.time import TimeDelta

    middle = parse_time(seen.time_utc)
    scenes = []
    for sign in (-1, 1):
        instant = middle + TimeDelta(sign * seconds / math.sqrt(12.0), format="sec")
        moved = apparition(body, instant, seen.site, ephemeris=seen.ephemeris)
        scenes.append(render(moved, body, chain.setting.grid, options.bins, options=options.scene))
    return chain.rates(pooled(scenes))


def field_turn_deg(instrument: Instrument, seen: Apparition, seconds: float) -> float:
    """Return by how much the field turns on an altazimuth mount during `seconds`, deg.

    15.04 deg/h cos(latitude) cos(azimuth) / cos(altitude), the time derivative of the parallactic angle.
    """
    if instrument.mount.kind != "altazimuth" or seen.site is None or seen.altitude_deg is None:
        return 0.0
    latitude, azimuth = math.radians(seen.site.latitude_deg), math.radians(seen.azimuth_deg or 0.0)
    height = max(1e-3, math.cos(math.radians(seen.altitude_deg)))
    return 15.04 / 3600.0 * math.cos(latitude) * math.cos(azimuth) / height * seconds


def turned_rates(
    rates: npt.NDArray[np.float32], grid: Grid, turn_deg: float, sharp: float, body: Body, seen: Apparition
) -> npt.NDArray[np.float32]:
    """Return the rates smeared by field rotation, where it matters at the body's edge."""
    reach = body_width_arcsec(body, seen) / 2
    if math.radians(abs(turn_deg)) * reach < NEGLIGIBLE_SMEAR * sharp:
        return rates
    return np.stack([field_rotation_smear(plane, grid, turn_deg) for plane in rates]).astype(np.float32)


def stack_of(
    chain: Chain,
    laid: Field,
    rates: FloatArray,
    responses: npt.NDArray[np.complexfloating],
    exposure: Exposure,
    gain_e_per_dn: float,
    seed: int,
) -> Stack:
    """Return the expected stack of a recording on the sky grid, with one realisation of its noise."""
    camera = chain.setting.instrument.camera
    recording = Recording(
        exposure.exposure_s,
        exposure.frames,
        exposure.kept,
        laid.sensor.pixel_arcsec,
        channel_shares(chain.setting.instrument),
        laid.stack_factor,
        laid.drop_pixels,
    )
    noise = SensorNoise(
        camera.read_noise_at(gain_e_per_dn),
        camera.saturation_e(gain_e_per_dn),
        gain_e_per_dn,
        camera.dark_current_e_per_s,
    )
    random = np.random.default_rng([seed, 2])
    return expected_stack(rates, laid.grid.step_arcsec, recording, noise, transfer=responses, rng=random)


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


def truth_colours(scene: Scene, level: float) -> npt.NDArray[np.float32]:
    """Return the unblurred scene as linear sRGB, shape (rows, columns, 3); points fill their cell."""
    radiance = scene.radiance.copy()
    for point in scene.points:
        row, column = (round(value) for value in scene.grid.pixel_of(point.east_arcsec, point.north_arcsec))
        if 0 <= row < scene.grid.rows and 0 <= column < scene.grid.columns:
            radiance[:, row, column] += (point.photons / scene.grid.cell_arcsec2).astype(np.float32)
    white = white_luminance(scene.bins)
    return (to_linear_srgb(radiance, scene.bins) / (white * level)).astype(np.float32)


def white_luminance(bins: SpectralBins) -> float:
    """Return the luminance that `to_linear_srgb` gives to the Sun's own spectrum at unit radiance."""
    return float(to_linear_srgb(solar_photon_flux(bins), bins) @ LUMINANCE)


def display_level(scene: Scene, rates: FloatArray, chain: Chain) -> float:
    """Return the radiance, relative to a sunlit white, that is shown as 1: one for all panels.

    The brightest part of the unblurred disc is shown at `BRIGHTEST_SHOWN`; for a point the brightest
    part of its blurred picture.
    """
    white = white_luminance(scene.bins)
    light = to_linear_srgb(scene.radiance, scene.bins) @ LUMINANCE / white
    lit = light[light > 0]
    if lit.size >= 16:
        return float(np.quantile(lit, 0.98)) / BRIGHTEST_SHOWN
    rate = rates.max(axis=(1, 2)) / white_rates(chain.weights, scene.bins)
    return max(float(rate.mean()), 1e-30) / BRIGHTEST_SHOWN


def point_response_of(transfer: npt.NDArray[np.complexfloating], grid: Grid) -> npt.NDArray[np.float32]:
    """Return a transfer function as a picture in the middle of the grid, sum 1, shape (rows, columns)."""
    middle = np.exp(-2j * np.pi * np.fft.fftfreq(grid.rows) * ((grid.rows - 1) / 2))[:, None]
    middle = middle * np.exp(-2j * np.pi * np.fft.rfftfreq(grid.columns) * ((grid.columns - 1) / 2))
    return scipy.fft.irfft2(transfer * middle, s=grid.shape).astype(np.float32)


def optics_facts(chain: Chain, stack: Stack, finished_arcsec: float, raw_arcsec: float, green: int) -> OpticsFacts:
    """Return the numbers about sharpness and sampling of a chain."""
    setting = chain.setting
    instrument, aim = setting.instrument, setting.aim
    pupil = make_pupil(instrument.telescope)
    alone = transfer(pupil, setting.grid, GREEN_NM)
    ends = dispersion_arcsec(np.array([400.0, 700.0]), aim.altitude_deg, setting.sky)
    r0 = float(fried_parameter_m(setting.sky, GREEN_NM, aim.airmass)) if setting.sky.seeing_arcsec > 0 else math.inf
    columns = stack.picture.shape[2]
    return OpticsFacts(
        pixel_scale_arcsec=setting.sensor.pixel_arcsec,
        diffraction_fwhm_arcsec=float(transfer_fwhm_arcsec(alone, setting.grid)),
        delivered_fwhm_arcsec=finished_arcsec,
        critical_focal_ratio=2.0 * instrument.camera.pixel_um / (GREEN_NM * 1e-3),
        sampling_ratio=sampling_ratio(instrument),
        dispersion_arcsec=float(ends[0] - ends[1]),
        seeing_fwhm_arcsec=206265.0 * 0.9759 * GREEN_NM * 1e-9 / r0,
        raw_fwhm_arcsec=raw_arcsec,
        stack_fwhm_arcsec=float(delivered_fwhm(stack.transfer[green], stack.step_arcsec, columns)),
        strehl_ratio=float(strehl(pupil, GREEN_NM)),
        fried_ratio=setting.fried_ratio,
    )


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
        "field_arcsec": options.field_arcsec,
        "spectral_bin_edges_nm": list(options.bins.edges_nm),
        "seed": seed,
        "version": __version__,
    }


@contextmanager
def _kept_warnings() -> Iterator[list[str]]:
    """Collect this package's warnings as texts, once each, and raise them again for the caller."""
    texts: list[str] = []
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        yield texts
    for entry in caught:
        text = str(entry.message)
        if issubclass(entry.category, SimulateWarning) and text not in texts:
            texts.append(text)
        warnings.warn_explicit(entry.message, entry.category, entry.filename, entry.lineno)
