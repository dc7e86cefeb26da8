"""One body through one instrument: from the truth to the finished picture, by the expected path."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import scipy.fft

from simulate import __version__
from simulate.air import Sky, dispersion_arcsec, fried_parameter_m, seeing_fwhm_arcsec, sky_magnitudes
from simulate.bodies import Body
from simulate.camera import channel_names, demosaic_bilinear, take_frame
from simulate.errors import FieldWarning, kept_warnings, note
from simulate.geometry import Apparition, Site, apparition, as_site, parse_time
from simulate.instruments import Instrument, load_instrument
from simulate.instruments.meaning import diffraction_fwhm_arcsec
from simulate.judging import judged_features
from simulate.judging.bench import Setup, make_bench
from simulate.judging.judge import feature_line, judge_scene, judge_view
from simulate.light.chain import (
    Aim,
    Field,
    channel_lifts_arcsec,
    sampling_ratio,
    sky_lights,
)
from simulate.light.look import (
    LIT,
    ExpectedFrame,
    ViewOptions,
    body_width_arcsec,
    expected_frame,
    exposure_of,
    green_channel,
    kept_frames,
    note_overexposure,
    refuse_unseen,
    stack_of,
)
from simulate.light.screen import Screen, finer_truth, truth_colours
from simulate.light.subject import choose_subject
from simulate.results.inputs import view_inputs
from simulate.results.view import Level, OpticsFacts, Picture, Placement, View
from simulate.stack import (
    Restoring,
    Stack,
    delivered_fwhm,
    restore,
)
from simulate.telescope import make_pupil, strehl
from simulate.values.constants import GREEN_NM
from simulate.values.grid import Grid
from simulate.values.practice import three_levels

if TYPE_CHECKING:
    from astropy.coordinates import EarthLocation
    from astropy.time import Time

FloatArray = npt.NDArray[np.floating]


def view(
    body: str | Path | Body,
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
    body : str, Path or Body
        Name of a shipped one, path of a TOML file, or a `Body`.
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
        For anything that cannot be used, for a body below the horizon (`BelowHorizonError`) and for a
        satellite before, behind or in the shadow of its planet (`HiddenError`).

    Warns
    -----
    AloneWarning
        For a satellite: the planet's light beside it is left out.
    """
    asked = options or ViewOptions()
    known = choose_subject(body)
    tool = instrument if isinstance(instrument, Instrument) else load_instrument(instrument)
    place = None if site is None else as_site(site)
    air = sky or Sky()
    with kept_warnings(again=True) as texts:
        seen = apparition(known, parse_time(time), place, ephemeris=ephemeris)
        refuse_unseen(known, seen)
        shown = compose_view(known, tool, seen, air, asked, seed)
    inputs = view_inputs(known, tool, seen, air, asked, seed)
    return replace(shown, warnings=tuple(texts), inputs=inputs)


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
    bare = Setup(
        body=body, seen=seen, instrument=instrument, sky=sky, aim=Aim.of(seen), scene=options.scene,
        wishes=options.wishes, gain_e_per_dn=options.gain_e_per_dn, bins=options.bins,
    )  # fmt: skip
    on_sensor = look.chain.on_sensor(look.rates)
    exposure = exposure_of(look)
    gain, seconds = exposure.gain_e_per_dn, exposure.exposure_s
    random = np.random.default_rng([seed, 1])
    frame = take_frame(on_sensor, look.instrument.camera, seconds, random, gain_e_per_dn=gain)
    kept = kept_frames(look, exposure)
    stack, response = stack_of(kept, exposure, seed)
    finished = restore(
        stack.picture,
        stack.noise,
        stack.transfer,
        stack.step_arcsec,
        noise_spectrum=stack.noise_spectrum,
        how=Restoring.by(look.options.hand),
        pixel_arcsec=stack.pixel_arcsec,
    )
    grid, green, names = look.laid.grid, green_channel(instrument), channel_names(instrument.camera)
    cells = Placement.north_up(stack.step_arcsec, grid.middle_east_arcsec, grid.middle_north_arcsec)
    pixels = sensor_placement(look.laid)
    truth = truth_colours(look.scene)
    screen = Screen.of(look, truth)
    shown, shown_grid = finer_truth(look, truth)
    fits = warn_of_edges(look)
    note_overexposure(exposure)
    features = judge_view(kept, exposure) if options.judge and fits else ()
    finished_rgb = Picture(screen.show(finished.picture), cells)
    mine = Level(look.options.hand, features, finished_rgb)
    return View(
        subject=body,
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
        finished_rgb=finished_rgb,
        exposure=exposure,
        optics=optics_facts(look, stack, finished.delivered_fwhm_arcsec[green]),
        channel_names=names,
        features=features,
        practice=mine.practice,
        levels=levels_of(look, bare, mine, screen, seed) if features else (),
        seed=seed,
        version=__version__,
    )


def sensor_placement(laid: Field) -> Placement:
    """Return where the camera's pixels lie on the sky."""
    sensor = laid.sensor
    (row_east, row_north), (column_east, column_north) = sensor.axes() * sensor.pixel_arcsec
    east, north = sensor.sky_of((sensor.rows - 1) / 2, (sensor.columns - 1) / 2)
    return Placement(column_east, row_east, column_north, row_north, float(east), float(north))


def levels_of(look: ExpectedFrame, bare: Setup, mine: Level, screen: Screen, seed: int) -> tuple[Level, ...]:
    """Return what the three levels of practice make of one setup; the level asked for is there already.

    The others are drawn on the canvas on which they are judged, which shares everything that is drawn.

    Parameters
    ----------
    look : ExpectedFrame
        The average frame of the level asked for.
    bare : Setup
        The setup in nobody's hand.
    mine : Level
        What the level asked for gives.
    screen : Screen
        How channels are shown.
    seed : int
        Seed of the noise.
    """
    found = []
    for number, practice in enumerate(three_levels(mine.practice)):
        if practice.level == mine.practice.level:
            found.append(mine)
            continue
        bench = make_bench(bare.used_by(practice))
        lines = tuple(feature_line(entry) for entry in judge_scene(bench))
        noisy = bench.finished_picture(np.random.default_rng([seed, 3, number]))
        found.append(Level(practice, lines, Picture(screen.show(noisy), Placement.of_grid(bench.grid))))
    return tuple(found)


def frame_channels(frame: Any, instrument: Instrument) -> npt.NDArray[np.float32]:
    """Return the electrons of a raw frame in each channel, shape (channels, rows, columns)."""
    electrons = frame.electrons()
    if not instrument.camera.is_mono:
        return demosaic_bilinear(electrons, instrument.camera.filter_array)
    return electrons if electrons.ndim == 3 else electrons[None]


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
    ends = dispersion_arcsec(np.array([400.0, 700.0]), aim.altitude_deg, sky, aim.height_m)
    r0 = float(fried_parameter_m(sky, GREEN_NM, aim.airmass)) if not sky.is_still else math.inf
    columns = stack.picture.shape[2]
    lifts = dict(zip(channel_names(instrument.camera), channel_lifts_arcsec(look.chain, look.scene), strict=True))
    return OpticsFacts(
        pixel_scale_arcsec=setting.sensor.pixel_arcsec,
        diffraction_fwhm_arcsec=diffraction_fwhm_arcsec(instrument),
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
