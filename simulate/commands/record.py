"""A recording of one body through one instrument: the composer of the frame-by-frame path.

`plan_recording` settles everything (a plan of values that any worker can be sent), `make_frames` builds
from it what computes frames by number, `record` runs them and writes the files.
"""

from __future__ import annotations

import math
import shutil
import time as clock
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Executor
from dataclasses import asdict, dataclass, field, replace
from functools import lru_cache
from itertools import combinations
from os.path import lexists
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import scipy.fft

from simulate import __version__
from simulate.air import Sky, dispersion_transfer, fried_parameter_m
from simulate.air.layers import Turbulence, coherence_time_s
from simulate.bodies import Body
from simulate.camera import SensorGrid, channel_names
from simulate.errors import InputError, choose
from simulate.geometry import Apparition, apparition, as_site, instant_after, parse_time, turned, turned_offset
from simulate.instruments import Instrument, load_instrument
from simulate.light.chain import Aim, Chain, Setting, add_point, make_chain
from simulate.light.look import (
    ViewOptions,
    expected_frame,
    exposure_of,
    green_channel,
    mount_turn_deg,
    refuse_unseen,
    rotation_arcsec_per_s,
    seen_bins,
)
from simulate.light.subject import choose_subject
from simulate.recording.exports import need_video_extra, refuse_foreign_frames, write_tiff_frames, write_video
from simulate.recording.files import (
    CubeFile,
    CubeLayout,
    TruthPicture,
    inputs_hash,
    refuse_other_settings,
    write_truth,
)
from simulate.recording.frames import ROW, FrameMaker, Optics, Timing, choose_instants
from simulate.recording.speckle import (
    Band,
    Complex64Array,
    FineGrid,
    base_grid,
    cell_transfer,
    choose_factor,
    shift_and_pixel,
    tilt_fit,
    tilt_planes,
)
from simulate.recording.wander import Wander
from simulate.recording.workers import Chunk, check_spread, chunk_length, in_order, open_executor
from simulate.results.inputs import view_inputs
from simulate.scene import Scene, render
from simulate.stack import Exposure
from simulate.telescope import Pupil, Telescope, make_pupil
from simulate.telescope.pupil import focus_shift
from simulate.values.grid import Grid
from simulate.values.spectrum import SpectralBins

if TYPE_CHECKING:
    from astropy.coordinates import EarthLocation
    from astropy.time import Time

    from simulate.geometry import Site

STILL_PIXELS = 0.05
"""The planet is drawn anew whenever its rotation, or the field's, has moved something by this many pixels."""

WIDEST_BAND = 0.12
"""Speckles are computed at one wavelength for light whose rms spread is at most this share of the wavelength.

The error is of second order, half the square: 0.7 % of a transfer that falls as the wavelength does. Where lenses
bring colours to different focuses, the spread of focus counts with it."""

FOCUS_SPREAD = 2.0 * math.pi / math.sqrt(6.0)
"""Spread that counts for one wave of focus at the rim. Such a wave is 2 pi / (2 sqrt(3)) radians rms (Noll 1976, the
term of focus), and a peak loses the square of its rms phase (Marechal 1947): half the square of this."""

LEAST_LIGHT = 1e-3
"""Bins with a smaller share of a channel's light are left out of the frames."""

CLUSTER_WORKERS = 8
"""Processes that a cluster is taken to have, when the work is cut into pieces."""

TIFF_OVERHEAD = 8192
"""Bytes that a TIFF file takes besides its numbers: its header, and what a disk rounds up."""

FORMATS = ("fits", "tiff", "video")
"""What a recording may be written as; the FITS cube is always there."""


@dataclass(frozen=True)
class RecordOptions:
    """What the user may fix of a recording.

    Parameters
    ----------
    view : ViewOptions
        Exposure, length, gain, field and what is drawn: as for a view.
    filter_name : str or None
        Filter of a mono camera that has several; None takes the green one, or the first.
    drift_arcsec_per_min : pair of float
        Steady drift of the field along the camera's rows and columns.
    still_air : bool
        Leave out the turbulence.
    """

    view: ViewOptions = field(default_factory=ViewOptions)
    filter_name: str | None = None
    drift_arcsec_per_min: tuple[float, float] = (0.0, 0.0)
    still_air: bool = False


@dataclass(frozen=True)
class Plan:
    """Everything that decides the bytes of a recording; small, so that it can be sent to workers.

    Parameters
    ----------
    body : Body
        What is recorded.
    instrument : Instrument
        With one filter if it is mono.
    middle : Apparition
        The body in the middle of the recording.
    sky : Sky
        The air.
    options : RecordOptions
        What the user fixed.
    exposure : Exposure
        Exposure, gain, rate, frames.
    shape : pair of int
        (rows, columns) of the window.
    pixel_arcsec : float
        Side of a pixel.
    seed : int
        Seed of air, mount and noise.
    pointing_arcsec : pair of float
        Middle of the window, east and north of the body's middle: off it where the body does not fit.
    """

    body: Body
    instrument: Instrument
    middle: Apparition
    sky: Sky
    options: RecordOptions
    exposure: Exposure
    shape: tuple[int, int]
    pixel_arcsec: float
    seed: int
    pointing_arcsec: tuple[float, float] = (0.0, 0.0)

    @property
    def seconds(self) -> float:
        """Length of the recording, s."""
        return self.exposure.frames / self.exposure.frames_per_second

    def inputs(self) -> dict[str, Any]:
        """Return everything that made the recording as plain JSON values."""
        base = view_inputs(self.body, self.instrument, self.middle, self.sky, self.options.view, self.seed)
        return base | {
            "recording": asdict(self.exposure),
            "window": list(self.shape),
            "pixel_arcsec": self.pixel_arcsec,
            "pointing_arcsec": list(self.pointing_arcsec),
            "filter": self.options.filter_name,
            "drift_arcsec_per_min": list(self.options.drift_arcsec_per_min),
            "still_air": self.options.still_air,
        }


def plan_recording(
    body: str | Path | Body,
    instrument: str | Instrument,
    time: str | Time,
    site: str | Site | EarthLocation | None = None,
    *,
    sky: Sky | None = None,
    options: RecordOptions | None = None,
    seed: int = 0,
    ephemeris: str = "builtin",
) -> Plan:
    """Settle exposure, length, window and all else of a recording whose middle is at `time`.

    Parameters
    ----------
    body, instrument, time, site, sky, ephemeris
        As for `simulate.light.look.view`.
    options : RecordOptions, optional
        What is fixed by the user.
    seed : int
        Seed of air, mount and noise.

    Raises
    ------
    InputError
        For anything that cannot be used, for the Sun, a body below the horizon and a hidden satellite.
    """
    asked = options or RecordOptions()
    known = choose_subject(body)
    _refuse_contradictions(asked, seed)
    tool = instrument if isinstance(instrument, Instrument) else load_instrument(instrument)
    tool, asked = _one_filter(tool, asked)
    seen = apparition(known, parse_time(time), None if site is None else as_site(site), ephemeris=ephemeris)
    refuse_unseen(known, seen)
    air = sky or Sky()
    look = expected_frame(known, tool, seen, air, asked.view)
    exposure = exposure_of(look)
    sensor = look.laid.sensor
    shape = _fast_even(sensor.rows, tool.camera.rows), _fast_even(sensor.columns, tool.camera.columns)
    east, north = (float(place) for place in sensor.sky_of((sensor.rows - 1) / 2, (sensor.columns - 1) / 2))
    setting = look.chain.setting  # instrument and air as the hand has them
    return Plan(
        body=known,
        instrument=setting.instrument,
        middle=seen,
        sky=setting.sky,
        options=asked,
        exposure=exposure,
        shape=shape,
        pixel_arcsec=sensor.pixel_arcsec,
        seed=seed,
        pointing_arcsec=(east, north),
    )


def _refuse_contradictions(options: RecordOptions, seed: int) -> None:
    wishes = options.view.wishes
    if wishes.frames is not None and wishes.seconds is not None:
        raise InputError("--seconds", wishes.seconds, "give --frames or --seconds, not both; --rate sets their rate")
    if isinstance(seed, bool) or not isinstance(seed, (int, np.integer)) or not 0 <= seed < 2**63:
        raise InputError("--seed", seed, "give a whole number from 0 up")


def _one_filter(instrument: Instrument, options: RecordOptions) -> tuple[Instrument, RecordOptions]:
    filters = instrument.camera.filters
    if options.filter_name is not None and not filters:
        raise InputError("--filter", options.filter_name, "this camera has no filters to choose from")
    if not filters:
        return instrument, options
    default = "green" if "green" in filters else filters[0]
    name = choose("--filter", options.filter_name or default, filters)
    return replace(instrument, camera=replace(instrument.camera, filters=(name,))), replace(options, filter_name=name)


def _fast_even(least: int, most: int) -> int:
    """Smallest even size, quick to transform, of at least `least` pixels that the sensor has; else `least`."""
    size = least
    while size <= most - most % 2:
        if size % 2 == 0 and scipy.fft.next_fast_len(size, real=True) == size:
            return size
        size += 1
    return least


@dataclass(frozen=True)
class _Piece:
    """Adjacent spectral bins of one channel whose speckles are computed at one wavelength."""

    channel: int
    bins: tuple[int, ...]
    wavelength_nm: float


def _pieces(
    weights: npt.NDArray[Any], colours: npt.NDArray[Any], bins: SpectralBins, colour_nm: tuple[float, float]
) -> tuple[_Piece, ...]:
    """Divide each channel's light into as few pieces as keep the spread of wavelengths, and of focus, small."""
    waves = bins.centres_nm
    # in units of the wave's own: what half the square of a spread takes from a transfer, as of the wavelength's
    focus = np.array([FOCUS_SPREAD * focus_shift(colour_nm, float(nm)) / nm for nm in waves])
    lights = weights * colours
    if focus.any():
        # many pieces: all channels share their division, and so the speckles of each wavelength
        mixed = np.sum(lights / lights.sum(axis=1, keepdims=True), axis=0)
        groups = _divided(mixed, bins, focus)
        return tuple(
            _Piece(channel, tuple(int(b) for b in group), _spread(group, mixed, bins)[0])
            for channel, light in enumerate(lights)
            for group in groups
            if light[group].sum() > LEAST_LIGHT * light.sum()
        )
    return tuple(
        _Piece(channel, tuple(int(b) for b in group), _spread(group, light, bins)[0])
        for channel, light in enumerate(lights)
        for group in _divided(light, bins, focus)
    )


def _divided(light: npt.NDArray[Any], bins: SpectralBins, focus: npt.NDArray[Any]) -> list[npt.NDArray[np.intp]]:
    """Return the bins of some light in as few adjacent groups as keep the spread within `WIDEST_BAND`."""
    seen = np.flatnonzero(light > LEAST_LIGHT * light.max())
    groups = [seen]
    for number in range(1, len(seen) + 1):
        groups = min(_divisions(seen, number), key=lambda groups: _pooled_spread(groups, light, bins, focus))
        if _pooled_spread(groups, light, bins, focus) <= WIDEST_BAND:
            break
    return groups


def _divisions(seen: npt.NDArray[np.intp], number: int) -> Iterator[list[npt.NDArray[np.intp]]]:
    """Yield every way to cut a row of bins into a number of adjacent groups."""
    for cuts in combinations(range(1, len(seen)), number - 1):
        yield np.split(seen, cuts)


def _pooled_spread(
    groups: Sequence[npt.NDArray[np.intp]], light: npt.NDArray[Any], bins: SpectralBins, focus: npt.NDArray[Any]
) -> float:
    total = sum(light[group].sum() for group in groups)
    squares = sum(
        light[group].sum() * _spread(group, light, bins)[1] ** 2
        + float(np.sum(light[group] * (focus[group] - np.average(focus[group], weights=light[group])) ** 2))
        for group in groups
    )
    return math.sqrt(squares / total)


def _spread(group: npt.NDArray[np.intp], light: npt.NDArray[Any], bins: SpectralBins) -> tuple[float, float]:
    """Mean wavelength in nm and rms spread relative to it."""
    waves, share = bins.centres_nm[group], light[group] / light[group].sum()
    mean = float((share * waves).sum())
    inside = bins.widths_nm[group] ** 2 / 12
    return mean, math.sqrt(float((share * ((waves - mean) ** 2 + inside)).sum())) / mean


class PlanetTruth:
    """The planet in the camera's frame, drawn anew when it has turned noticeably.

    Parameters
    ----------
    plan : Plan
        What is recorded.
    chain : Chain
        Gives electrons a photon.
    grid : FineGrid
        Pixels and cells.
    pieces : sequence of _Piece
        Bins of each band.
    bands : sequence of Band
        Which frequencies each band passes.
    """

    def __init__(
        self, plan: Plan, chain: Chain, grid: FineGrid, pieces: Sequence[_Piece], bands: Sequence[Band]
    ) -> None:
        self.chain = chain
        self._plan, self._grid = plan, grid
        self._pieces, self._bands = pieces, bands
        self._body = plan.body
        self._mask = shift_and_pixel(grid).astype(np.complex64)
        self.cadence_s = _cadence_s(plan, self._body)
        self.spectra = lru_cache(maxsize=2)(self._drawn_at)
        self._drawn = lru_cache(maxsize=2)(self._draw)

    def _drawn_at(self, time_s: float) -> list[Complex64Array]:
        key = round((time_s - self._plan.seconds / 2) / self.cadence_s) if math.isfinite(self.cadence_s) else 0
        return self._drawn(key)

    def scene(self, offset_s: float) -> Scene:
        """Return the scene in the camera's frame at a time relative to the middle of the recording, s."""
        plan, seen = self._plan, self._plan.middle
        if offset_s:
            instant = instant_after(seen.time_utc, offset_s)
            moved = apparition(self._body, instant, seen.site, ephemeris=seen.ephemeris)
            # season and drifting features stand still for minutes, so that one map of the surface serves throughout
            seen = replace(moved, jd_tt=seen.jd_tt, solar_longitude_deg=seen.solar_longitude_deg)
        angle = plan.instrument.mount.sky_angle_deg(seen.parallactic_angle_deg)
        return render(
            turned(seen, -angle),  # counted from the direction that shall be up
            self._body,
            camera_grid(self._grid, turned_offset(plan.pointing_arcsec, -angle)),
            self.chain.setting.bins,
            options=plan.options.view.scene,
        )

    def picture(self, scene: Scene) -> npt.NDArray[np.float32]:
        """Return the unblurred truth, electrons per second and pixel, shape (channels, cell rows, cell columns)."""
        weights = self.chain.weights
        planes = np.tensordot(weights, scene.radiance, axes=1)
        grid = scene.grid
        for point in scene.points:
            row, column = (round(x) for x in grid.pixel_of(point.east_arcsec, point.north_arcsec))
            if 0 <= row < grid.rows and 0 <= column < grid.columns:
                planes[:, row, column] += weights @ point.photons / grid.cell_arcsec2
        return planes.astype(np.float32)

    def _draw(self, key: int) -> list[Complex64Array]:
        scene = self.scene(key * self.cadence_s if key else 0.0)
        plan, setting = self._plan, self.chain.setting
        grid, aim = scene.grid, setting.aim
        used = np.unique([b for piece in self._pieces for b in piece.bins])
        spectrum = np.asarray(scipy.fft.rfft2(scene.radiance[used]))
        for point in scene.points:
            for plane, index in zip(spectrum, used, strict=True):
                add_point(plane, point, grid, int(index))
        spectrum /= cell_transfer(self._grid).astype(np.float32)
        if aim.altitude_deg < 90.0:
            upright = aim.parallactic_angle_deg - plan.instrument.mount.sky_angle_deg(aim.parallactic_angle_deg)
            spectrum *= dispersion_transfer(grid, setting.bins, aim.altitude_deg, upright, setting.sky, aim.height_m)[
                used
            ]
        spectrum *= self._mask
        result = []
        for piece, band in zip(self._pieces, self._bands, strict=True):
            share = self.chain.weights[piece.channel, list(piece.bins)] / self._grid.factor**2
            members = np.searchsorted(used, piece.bins)
            result.append(band.crop(np.tensordot(share.astype(np.complex64), spectrum[members], axes=1)))
        return result


def camera_grid(grid: FineGrid, pointing_arcsec: tuple[float, float] = (0.0, 0.0)) -> Grid:
    """Return the cells as a grid whose rows run along the camera's and whose columns run to their left on the sky.

    Parameters
    ----------
    grid : FineGrid
        The cells.
    pointing_arcsec : pair of float
        Place of the window's middle, along the columns to the left and along the rows up, from the body's middle.
    """
    return Grid(*grid.cells, grid.step_arcsec, *pointing_arcsec)


def _cadence_s(plan: Plan, body: Body) -> float:
    """Time in which nothing in the field moves by more than `STILL_PIXELS` pixels, s; infinite for a still field."""
    seen = plan.middle
    half = max(plan.shape) * plan.pixel_arcsec / 2
    speeds = [rotation_arcsec_per_s(body, seen), math.radians(abs(mount_turn_deg(plan.instrument, seen, 1.0))) * half]
    if seen.moons and plan.options.view.scene.moons:
        later = apparition(body, instant_after(seen.time_utc, 60.0), seen.site, ephemeris=seen.ephemeris)
        near = [(a, b) for a, b in zip(seen.moons, later.moons, strict=True) if _within(a, half)]
        speeds += [math.hypot(b.east_arcsec - a.east_arcsec, b.north_arcsec - a.north_arcsec) / 60 for a, b in near]
    fastest = max(speeds)
    return STILL_PIXELS * plan.pixel_arcsec / fastest if fastest > 0 else math.inf


def _within(moon: Any, half_arcsec: float) -> bool:
    return max(abs(moon.east_arcsec), abs(moon.north_arcsec)) < 1.5 * half_arcsec


def camera_pupil(telescope: Telescope, sky_angle_deg: float) -> Pupil:
    """Return the pupil with the camera's rows up: its vanes and faults are counted from north."""
    turn = -sky_angle_deg
    return make_pupil(
        replace(
            telescope,
            vane_angle_deg=math.remainder(telescope.vane_angle_deg + turn, 360.0),
            aberration_angle_deg=math.remainder(telescope.aberration_angle_deg + turn, 360.0),
        )
    )


@lru_cache(maxsize=2)
def make_frames(plan: Plan) -> FrameMaker:
    """Return what computes the frames of a plan."""
    telescope, mount = plan.instrument.telescope, plan.instrument.mount
    aim = Aim.of(plan.middle)
    chain = _light_chain(plan, aim)
    colours = _colours(plan, chain)
    pieces = _pieces(chain.weights, colours, chain.setting.bins, telescope.colour_error_nm)
    shortest = min(piece.wavelength_nm for piece in pieces)
    factor = choose_factor(plan.pixel_arcsec, telescope.aperture_mm * 1e-3, shortest)
    grid = FineGrid(*plan.shape, factor, plan.pixel_arcsec)
    fried_m = float(fried_parameter_m(plan.sky, 500.0, aim.airmass))
    base = base_grid(telescope.aperture_mm * 1e-3, float(fried_parameter_m(plan.sky, shortest, aim.airmass)))
    pupil = camera_pupil(telescope, mount.sky_angle_deg(aim.parallactic_angle_deg))
    waves = dict.fromkeys(piece.wavelength_nm for piece in pieces)
    made = {wave: Band(pupil, grid, wave, base) for wave in waves}
    bands = tuple(made[piece.wavelength_nm] for piece in pieces)
    still = plan.options.still_air or math.isinf(fried_m)
    air = (
        None
        if still
        else Turbulence(plan.seed, base.pitch_m, base.samples, fried_m, plan.sky.outer_scale_m, plan.sky.layers)
    )
    green = green_channel(plan.instrument)
    reference = max(range(len(pieces)), key=lambda i: (pieces[i].channel == green, pieces[i].wavelength_nm < 600, -i))
    optics = Optics(
        grid=grid,
        base=base,
        bands=bands,
        channels=tuple(piece.channel for piece in pieces),
        reference=reference,
        tilt_maps=tilt_fit(pupil, base),
        tilt_planes=tilt_planes(base),
    )
    coherence = (
        math.inf if still else coherence_time_s(float(fried_parameter_m(plan.sky, 550.0, aim.airmass)), plan.sky.layers)
    )
    exposure = plan.exposure
    timing = Timing(
        exposure.exposure_s,
        exposure.frames_per_second,
        exposure.frames,
        choose_instants(exposure.exposure_s, coherence),
    )
    drift = plan.options.drift_arcsec_per_min
    return FrameMaker(
        optics=optics,
        truth=PlanetTruth(plan, chain, grid, pieces, bands),
        timing=timing,
        camera=plan.instrument.camera,
        gain_e_per_dn=exposure.gain_e_per_dn,
        sky_e_per_s=tuple(float(rate) for rate in chain.sky_rate),
        seed=plan.seed,
        turbulence=air,
        wander=Wander(plan.seed, mount.tracking_error_arcsec) if mount.tracking_error_arcsec > 0 else None,
        drift_arcsec_per_s=(drift[0] / 60, drift[1] / 60),
        mirrored=mount.mirrored,
    )


def _light_chain(plan: Plan, aim: Aim) -> Chain:
    """Return a chain that holds what the light suffers but for all blur (the frames have their own)."""
    rows, columns = plan.shape
    off = frozenset({"diffraction", "seeing", "dispersion", "tracking", "pixel"})
    window = SensorGrid(rows, columns, plan.pixel_arcsec)
    small = Grid(2, 2, plan.pixel_arcsec)
    bins = plan.options.view.bins or seen_bins(plan.instrument.camera)
    return make_chain(
        Setting(instrument=plan.instrument, sky=plan.sky, aim=aim, grid=small, sensor=window, bins=bins, without=off)
    )


def _colours(plan: Plan, chain: Chain) -> npt.NDArray[np.float64]:
    """Return the photons of the whole scene in each bin, from a coarse drawing of it."""
    rows, columns = plan.shape
    coarse = Grid(max(rows // 4, 8), max(columns // 4, 8), 4 * plan.pixel_arcsec, *plan.pointing_arcsec)
    scene = render(plan.middle, plan.body, coarse, chain.setting.bins, options=plan.options.view.scene)
    return scene.photons() + sum((point.photons for point in scene.points), np.zeros(len(chain.setting.bins)))


def compute_frames(plan: Plan, first: int, last: int) -> Chunk:
    """Return frames first..last-1 of a plan and their truth rows: what a worker does."""
    from threadpoolctl import threadpool_limits

    # how many threads share a sum decides its last bits, and with them now and then a digital number
    with threadpool_limits(limits=1, user_api="blas"):
        maker = make_frames(plan)
        pairs = [maker.frame(number) for number in range(first, last)]
    return np.stack([raw for raw, _ in pairs]), np.array([row for _, row in pairs])


@dataclass(frozen=True)
class Recorded:
    """What `record` leaves on disk.

    Parameters
    ----------
    frames : int
        Frames recorded.
    frames_per_second : float
        Their rate.
    files : tuple of (name, path)
        "recording", "truth" and what was asked for besides.
    computed_per_second : float
        Frames computed a second of this run; 0 when nothing was left to do.
    """

    frames: int
    frames_per_second: float
    files: tuple[tuple[str, str], ...]
    computed_per_second: float


Progress = Callable[[int, int, float], None]
"""Called with the frames done, all frames, and the frames computed a second."""


def record(
    plan: Plan,
    folder: Path,
    name: str,
    *,
    formats: Sequence[str] = ("fits",),
    resume: bool = False,
    processes: int = 1,
    scheduler: str | None = None,
    fill: bool = False,
    progress: Progress | None = None,
) -> Recorded:
    """Compute the frames of a plan and write them.

    Parameters
    ----------
    plan : Plan
        From `plan_recording`.
    folder, name : Path, str
        Where; the files are NAME.fits, NAME_truth.fits, NAME_frames/ and NAME.avi.
    formats : sequence of str
        Some of `FORMATS`.
    resume : bool
        Go on with an interrupted recording of the same plan.
    processes, scheduler : int, str
        See `simulate.recording.workers.open_executor`.
    fill : bool
        Begin even where the disk has no room for all of it.
    progress : callable, optional
        Told after every chunk.

    Raises
    ------
    InputError
        For bad settings or a file in the way.
    OSError
        When the disk is full; what was finished is kept and valid.
    """
    wanted = check_ready(
        plan, folder, name, formats=formats, resume=resume, processes=processes, scheduler=scheduler, fill=fill
    )
    inputs = plan.inputs()
    rate = 0.0
    with open_executor(processes, scheduler) as executor:
        folder.mkdir(parents=True, exist_ok=True)
        cube = CubeFile(folder / f"{name}.fits", _layout(plan, inputs), resume=resume)
        try:
            if not cube.complete:
                rate = _fill(cube, plan, executor, processes if scheduler is None else CLUSTER_WORKERS, progress)
                cube.finish()
        finally:
            cube.close()
            cube.discard_empty()
    truth = folder / f"{name}_truth.fits"
    if cube.rows_part.exists():
        _write_truth(truth, plan, cube.rows(), inputs)
        cube.discard_rows()
    files = [("recording", str(cube.path)), ("truth", str(truth)), *_export(plan, cube.path, wanted)]
    return Recorded(plan.exposure.frames, plan.exposure.frames_per_second, tuple(files), rate)


def check_ready(
    plan: Plan,
    folder: Path,
    name: str,
    *,
    formats: Sequence[str] = ("fits",),
    resume: bool = False,
    processes: int = 1,
    scheduler: str | None = None,
    fill: bool = False,
) -> tuple[str, ...]:
    """Refuse what `record` could not do, before anything is computed or written; return the formats.

    Parameters
    ----------
    plan, folder, name, formats, resume, processes, scheduler, fill
        As for `record`.

    Raises
    ------
    InputError
        For an unknown format, one whose extra is missing, bad settings of the work, and files in the way.
    """
    wanted = tuple(choose("--format", word, FORMATS) for word in formats)
    check_spread(processes, scheduler)
    if "video" in wanted:
        need_video_extra()
    cube, frames = folder / f"{name}.fits", folder / f"{name}_frames"
    if resume:
        refuse_other_settings(cube, _layout(plan, plan.inputs()))
        if "tiff" in wanted:
            refuse_foreign_frames(frames, plan.exposure.frames)
        _refuse_to_fill(plan, folder, cube, wanted, fill=fill)
        return wanted
    names = [f"{name}{ending}" for ending in (".fits", ".fits.part", ".rows.part", "_truth.fits")]
    there = [folder / name for name in (*names, f"{name}.avi" if "video" in wanted else "") if name]
    if "tiff" in wanted:
        there += [frames] if frames.is_file() else sorted(frames.glob("*.tif*"))[:1]
    for path in there:
        if lexists(path):
            raise InputError("output", str(path), "it is in the way: continue it with --resume, or choose another name")
    _refuse_to_fill(plan, folder, cube, wanted, fill=fill)
    return wanted


def _refuse_to_fill(plan: Plan, folder: Path, cube: Path, wanted: Sequence[str], *, fill: bool) -> None:
    """Refuse a recording that needs more room than the disk has, unless the user wants what fits."""
    if fill:
        return
    frame = 2 * plan.shape[0] * plan.shape[1]
    each = (
        frame + ROW.itemsize * 2 + (frame + TIFF_OVERHEAD) * ("tiff" in wanted) + 3 * frame // 2 * ("video" in wanted)
    )
    needed = plan.exposure.frames * each
    there = sum(path.stat().st_size for path in (cube, cube.with_name(f"{cube.name}.part")) if path.is_file())
    place = next(place for place in (folder.absolute(), *folder.absolute().parents) if place.is_dir())
    free = shutil.disk_usage(place).free
    if needed - there > free:
        raise InputError(
            "--frames",
            plan.exposure.frames,
            f"the recording takes {needed / 1e9:.3g} GB where {free / 1e9:.3g} GB are free; record less, or what fits "
            "with --yes",
        )


def _layout(plan: Plan, inputs: dict[str, Any]) -> CubeLayout:
    return CubeLayout(plan.shape, plan.exposure.frames, _cards(plan, inputs))


def _write_truth(path: Path, plan: Plan, rows: npt.NDArray[np.void], inputs: dict[str, Any]) -> None:
    maker = make_frames(plan)
    source = maker.truth
    assert isinstance(source, PlanetTruth)
    picture = source.picture(source.scene(0.0))
    names = channel_names(plan.instrument.camera)
    write_truth(path, TruthPicture(picture, maker.optics.grid.step_arcsec, names), rows, inputs)


def _export(plan: Plan, cube: Path, wanted: Sequence[str]) -> list[tuple[str, str]]:
    """Write the further formats; return their names and paths."""
    files = []
    if "tiff" in wanted:
        folder = cube.with_name(f"{cube.stem}_frames")
        write_tiff_frames(cube, folder)
        files.append(("tiff", str(folder)))
    if "video" in wanted:
        camera, path = plan.instrument.camera, cube.with_suffix(".avi")
        write_video(cube, path, plan.exposure.frames_per_second, camera.bits, camera.filter_array)
        files.append(("video", str(path)))
    return files


def _fill(cube: CubeFile, plan: Plan, executor: Executor | None, workers: int, progress: Progress | None) -> float:
    started, before = clock.monotonic(), cube.done
    length = chunk_length(cube.layout.frame_bytes, cube.layout.frames, workers)
    rate = 0.0
    chunks = in_order(compute_frames, plan, (before, cube.layout.frames), length, executor, ahead=2 * workers)
    for raw, rows in chunks:
        cube.append(raw, rows)
        rate = (cube.done - before) / max(clock.monotonic() - started, 1e-9)
        if progress is not None:
            progress(cube.done, cube.layout.frames, rate)
    return rate


def _cards(plan: Plan, inputs: dict[str, Any]) -> tuple[tuple[str, Any, str], ...]:
    """Return the header cards of the cube: what another program needs to make sense of the numbers."""
    exposure, camera = plan.exposure, plan.instrument.camera
    cards = [
        ("OBJECT", plan.body.name, "what was recorded"),
        ("INSTRUME", plan.instrument.name, "instrument"),
        ("DATE-AVG", plan.middle.time_utc.removesuffix("Z"), "UTC, middle of the recording"),
        ("TIMESYS", "UTC", "time scale"),
        ("EXPTIME", exposure.exposure_s, "s, one frame"),
        ("FRAMERAT", exposure.frames_per_second, "frames a second"),
        ("EGAIN", exposure.gain_e_per_dn, "electrons per number"),
        ("PEDESTAL", camera.offset_dn, "offset of the numbers"),
        ("RDNOISE", camera.read_noise_at(exposure.gain_e_per_dn), "electrons, read noise"),
        ("SATURATE", camera.largest_dn, "largest number"),
        ("PIXSCALE", plan.pixel_arcsec, "arcsec a pixel"),
        ("APTDIA", plan.instrument.telescope.aperture_mm, "mm, aperture"),
        ("FOCALLEN", plan.instrument.telescope.effective_focal_length_mm, "mm, with amplifier"),
        ("SEEING", plan.sky.seeing_arcsec, "arcsec at the zenith, 500 nm"),
        ("DR0", _fried_ratio(plan), "aperture over r0 at 550 nm"),
        ("RANDSEED", plan.seed, "seed of air, mount and noise"),
        ("ROWORDER", "BOTTOM-UP", "first row at the bottom"),
        ("SWCREATE", f"simulate {__version__}", "synthetic: no telescope took this"),
        ("INHASH", inputs_hash(inputs), "hash of all inputs, see the truth file"),
    ]
    cards += _place_cards(plan)
    if not camera.is_mono:
        cards.append(("BAYERPAT", camera.filter_array, "colours of pixels (1,1) (2,1) (1,2) (2,2)"))
    return tuple(cards)


def _place_cards(plan: Plan) -> list[tuple[str, Any, str]]:
    """Return where the window lies on the sky in the middle of the recording, and where the telescope stands."""
    seen, mount = plan.middle, plan.instrument.mount
    angle = mount.sky_angle_deg(seen.parallactic_angle_deg)
    sensor = SensorGrid(*plan.shape, plan.pixel_arcsec, angle, mount.mirrored)
    (row_east, row_north), (column_east, column_north) = sensor.axes() * plan.pixel_arcsec / 3600.0
    # the window's middle lies off the body's where the body does not fit
    row, column = sensor.pixel_of(-plan.pointing_arcsec[0], -plan.pointing_arcsec[1])
    cards = [
        ("CTYPE1", "RA---TAN", "tangent plane, in the middle of the recording"),
        ("CTYPE2", "DEC--TAN", "tangent plane"),
        ("CRVAL1", seen.right_ascension_deg, "[deg] apparent place of the body, of date"),
        ("CRVAL2", seen.declination_deg, "[deg] apparent place of the body, of date"),
        ("CRPIX1", float(column) + 1.0, "the body's middle, unless it drifts"),
        ("CRPIX2", float(row) + 1.0, "the body's middle, unless it drifts"),
        ("CD1_1", float(column_east), "[deg] east per column"),
        ("CD1_2", float(row_east), "[deg] east per row"),
        ("CD2_1", float(column_north), "[deg] north per column"),
        ("CD2_2", float(row_north), "[deg] north per row"),
        ("MOUNT", mount.kind, "altazimuth: the field turns"),
    ]
    if seen.site is not None:
        cards += [
            ("OBSGEO-B", seen.site.latitude_deg, "[deg] latitude of the telescope"),
            ("OBSGEO-L", seen.site.longitude_deg, "[deg] longitude, east positive"),
            ("OBSGEO-H", seen.site.height_m, "[m] height"),
        ]
    return cards


def _fried_ratio(plan: Plan) -> float:
    if plan.options.still_air or plan.sky.is_still:
        return 0.0
    fried_m = float(fried_parameter_m(plan.sky, 550.0, Aim.of(plan.middle).airmass))
    return plan.instrument.telescope.aperture_mm * 1e-3 / fried_m
