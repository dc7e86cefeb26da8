"""The fast expected path: from a scene to electrons on the sensor, by mean transfer functions.

This is the composer's engine. It knows the order of the rooms (air, telescope, camera) and nothing
else: scenes go in, rates in electrons per second and pixel come out, on the fine grid or on the
sensor. `view` shows one scene through it; `limits` sends pairs of scenes through the same chain.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt
import scipy.fft

from simulate.air import (
    Lights,
    Sky,
    dispersion_transfer,
    fried_parameter_m,
    seeing_transfers,
    sky_radiance,
    transmission,
)
from simulate.air.layers import motion_within_arcsec
from simulate.air.refraction import bin_displacements
from simulate.camera import (
    SensorGrid,
    channel_names,
    channel_response,
    pixel_scale_arcsec,
    pixel_transfer,
    sample,
    tracking_transfer,
    wander_within,
)
from simulate.errors import choose
from simulate.geometry import Apparition
from simulate.instruments import Instrument
from simulate.scene import PointSource, Scene
from simulate.stack import finer_sampling
from simulate.telescope import Telescope, make_pupil, transfers
from simulate.values.arrays import frozen_array
from simulate.values.constants import GREEN_NM
from simulate.values.grid import Grid
from simulate.values.practice import IDEAL, Practice
from simulate.values.spectrum import DEFAULT_BINS, SpectralBins

FloatArray = npt.NDArray[np.floating]

STEPS = (
    "diffraction",
    "obstruction",
    "aberration",
    "focus",
    "seeing",
    "dispersion",
    "tracking",
    "pixel",
    "filter array",
)
"""What takes contrast away between the sky and the sensor, in the order of the light."""

CELLS_PER_RESOLUTION = (4.0, 3.0)
"""Cells of the fine grid along lambda/D at 550 nm, wanted and least: the cut-off frequency of the
shortest wavelength needs 2.75."""

WANTED_CELLS = 200_000
MOST_CELLS = 1_000_000
"""A field of more than so many cells of the wanted size takes the least, then no finer stack, then
one cell a pixel, and at last a smaller window of the sensor (the Moon through a long focus)."""

SMALLEST_FIELD_PX = 32
"""Pixels of the smallest window of the sensor."""

WIDEST_DISC_SHARE = 0.6
"""Largest share of the field's width that the body may fill: wider, the light that a periodic
transform carries over the edge would come back onto the body."""


@dataclass(frozen=True)
class Aim:
    """In which direction through the air the telescope looks.

    Parameters
    ----------
    altitude_deg : float
        Above the horizon; 90 without a site.
    airmass : float
        1 at the zenith.
    parallactic_angle_deg : float
        Position angle of the zenith, from north through east.
    height_m : float
        Of the site above the sea.
    sun_altitude_deg, moon_altitude_deg, moon_separation_deg, moon_phase_angle_deg : float or None
        What lights the sky; None for a dark one.
    moon_sunlit_fraction : float
        V light left on the Moon in the Earth's shadow.
    elongation_deg : float
        Of the body from the Sun.
    """

    altitude_deg: float = 90.0
    airmass: float = 1.0
    parallactic_angle_deg: float = 0.0
    height_m: float = 0.0
    sun_altitude_deg: float | None = None
    moon_altitude_deg: float | None = None
    moon_separation_deg: float | None = None
    moon_phase_angle_deg: float | None = None
    elongation_deg: float = 180.0
    moon_sunlit_fraction: float = 1.0

    @classmethod
    def of(cls, apparition: Apparition) -> Aim:
        """Return the direction of a body; without a site it stands at the zenith in a dark sky."""
        if apparition.altitude_deg is None or apparition.airmass is None or apparition.site is None:
            return cls(elongation_deg=apparition.elongation_deg)
        return cls(
            altitude_deg=apparition.altitude_deg,
            airmass=apparition.airmass,
            parallactic_angle_deg=apparition.parallactic_angle_deg or 0.0,
            height_m=apparition.site.height_m,
            sun_altitude_deg=apparition.sun_altitude_deg,
            moon_altitude_deg=apparition.moon_altitude_deg,
            moon_separation_deg=apparition.moon_separation_deg,
            moon_phase_angle_deg=apparition.moon_phase_angle_deg,
            elongation_deg=apparition.elongation_deg,
            moon_sunlit_fraction=apparition.moon_sunlit_fraction,
        )


@dataclass(frozen=True)
class Setting:
    """Everything that fixes a chain: hashable, so that it can key a cache.

    Parameters
    ----------
    instrument : Instrument
        Telescope, camera and mount.
    sky : Sky
        The air.
    aim : Aim
        The direction through it.
    grid : Grid
        The fine grid.
    sensor : SensorGrid
        The window of the sensor.
    bins : SpectralBins
        Spectral bins of the scenes.
    without : frozenset of str
        Names from `STEPS` that are switched off.
    motion_removed : bool
        Whether the image motion is taken out (a short exposure, or a stack of aligned ones).
    kept : float
        Share of the frames that is used, the steadiest first; 1 is the average frame.
    exposure_s : float
        Time of one exposure, within which tracking may wander.
    """

    instrument: Instrument
    sky: Sky
    aim: Aim
    grid: Grid
    sensor: SensorGrid
    bins: SpectralBins = DEFAULT_BINS
    without: frozenset[str] = frozenset()
    motion_removed: bool = True
    kept: float = 1.0
    exposure_s: float = 0.010

    def __post_init__(self) -> None:
        object.__setattr__(self, "without", frozenset(choose("step", word, STEPS) for word in self.without))

    @property
    def telescope(self) -> Telescope:
        """The telescope, less the faults that are switched off."""
        telescope = self.instrument.telescope
        if "obstruction" in self.without:
            telescope = replace(telescope, obstruction_mm=0.0, vanes_count=0, vane_width_mm=0.0)
        if "aberration" in self.without:
            telescope = replace(telescope, wavefront_error_waves=0.0, aberrations=(), colour_error_um=(0.0, 0.0))
        if "focus" in self.without:
            telescope = replace(telescope, defocus_um=0.0)
        return telescope

    @property
    def fried_ratio(self) -> float:
        """D/r0 at 550 nm in this direction; 0 without seeing."""
        if "seeing" in self.without or self.sky.is_still:
            return 0.0
        r0 = fried_parameter_m(self.sky, GREEN_NM, self.aim.airmass)
        return self.instrument.telescope.aperture_mm * 1e-3 / float(r0)


@dataclass(frozen=True, eq=False)
class Chain:
    """The chain of one setting, with everything computed that does not depend on the scene.

    Parameters
    ----------
    setting : Setting
        What it was made for.
    response : complex64 array, shape (bins, rows, columns//2+1)
        Transfer of air and telescope for each spectral bin, 1 at zero frequency but for the shift by
        dispersion; layout of ``rfft2``.
    pixel : float32 array, shape (rows, columns//2+1)
        Transfer of the pixel and of the wander of tracking within an exposure.
    weights : array, shape (channels, bins)
        Electrons per second and pixel for a radiance of 1 photon s-1 m-2 arcsec-2.
    sky_rate : array, shape (channels,)
        Electrons per second and pixel of the sky itself.
    """

    setting: Setting
    response: npt.NDArray[np.complex64]
    pixel: npt.NDArray[np.float32]
    weights: npt.NDArray[np.float32]
    sky_rate: npt.NDArray[np.float64]

    @cached_property
    def used(self) -> npt.NDArray[np.intp]:
        """Indices of the bins in which some channel sees more than a millionth of its light."""
        share = self.weights.max(axis=0)
        return np.flatnonzero(share > 1e-6 * share.max())

    def rates(self, scene: Scene) -> npt.NDArray[np.float32]:
        """Return e- s-1 per pixel in each channel on the fine grid, shape (channels, rows, columns).

        A value is what a camera pixel centred on that cell would collect, sky included.

        Parameters
        ----------
        scene : Scene
            On the grid and the bins of the setting.
        """
        mixed = self.mixed_spectrum(scene)
        mixed *= self.pixel
        mixed /= cell_transfer(self.setting.grid)
        picture = np.asarray(scipy.fft.irfft2(mixed, s=self.setting.grid.shape, overwrite_x=True))
        picture += self.sky_rate[:, None, None].astype(np.float32)
        return picture

    def mixed_spectrum(self, scene: Scene) -> npt.NDArray[np.complex64]:
        """Return the transform of the blurred scene as each channel mixes it, (channels, rows, columns//2+1).

        The pixel is not in it, nor the mean over the grid's cells undone.
        """
        grid = self.setting.grid
        mixed = np.zeros((len(self.weights), grid.rows, grid.columns // 2 + 1), np.complex64)
        for index in self.used:  # one bin at a time: it stays in the processor's cache and memory small
            plane = np.asarray(scipy.fft.rfft2(scene.radiance[index]))
            for point in scene.points:
                add_point(plane, point, grid, int(index))
            plane *= self.response[index]
            for channel, weight in zip(mixed, self.weights[:, index], strict=True):
                if weight > 0:
                    channel += weight * plane
        return mixed

    def on_sensor(self, rates: FloatArray, sensor: SensorGrid | None = None) -> npt.NDArray[np.float32]:
        """Return e- s-1 of each pixel of the sensor's window, shape (channels, rows, columns).

        Parameters
        ----------
        rates : array, shape (channels, rows, columns)
            From `rates`.
        sensor : SensorGrid, optional
            Another window than the setting's, with the same pixels.
        """
        window = sensor or self.setting.sensor
        grid = self.setting.grid
        # `rates` holds charge per pixel; `sample` expects it per arcsec2
        picture = rates / np.float32(window.pixel_arcsec2)
        if window.angle_deg % 90.0:  # between the cells a spline is read, which wants them fine
            picture, grid = refined(picture, grid, math.ceil(4.0 * grid.step_arcsec / window.pixel_arcsec))
        return sample(picture, grid, window, outside=0.0)

    def channel_transfer(self, colours: FloatArray) -> npt.NDArray[np.complex64]:
        """Return the transfer of each channel for an object of given colours, pixel included.

        Parameters
        ----------
        colours : array, shape (bins,)
            Photons per bin of the object as a whole.

        Returns
        -------
        array, shape (channels, rows, columns//2+1), 1 at zero frequency
        """
        shares = self.weights[:, self.used] * colours[self.used]
        shares = shares / shares.sum(axis=1, keepdims=True)
        mixed = np.tensordot(shares.astype(np.complex64), self.response[self.used], axes=1) * self.pixel
        return mixed.astype(np.complex64, copy=False)

    def electrons(self, photons: FloatArray) -> FloatArray:
        """Return e- s-1 in each channel, shape (channels,), for photons s-1 m-2 per bin, shape (bins,)."""
        return self.weights @ photons / self.setting.sensor.pixel_arcsec2


def refined(picture: FloatArray, grid: Grid, factor: int) -> tuple[npt.NDArray[np.float32], Grid]:
    """Return a band-limited picture on a grid `factor` times finer, with that grid.

    The transform is padded with zeros; cell centres of the coarse grid need not be among the fine ones.

    Parameters
    ----------
    picture : array, shape (planes, rows, columns)
        Values at the cells' centres.
    grid : Grid
        Where they lie.
    factor : int
        How many times finer; 1 returns the picture as it is.
    """
    if factor <= 1:
        return np.asarray(picture, dtype=np.float32), grid
    fine = grid.finer(factor)
    spectrum = np.asarray(scipy.fft.rfft2(picture))
    # the first fine cell lies (factor - 1) / 2 fine steps before the first coarse one
    move = 0.5 * (grid.step_arcsec - fine.step_arcsec)
    spectrum = spectrum * grid.shift_phase(-move, move).astype(np.complex64)
    padded = np.zeros((len(picture), fine.rows, fine.columns // 2 + 1), np.complex64)
    half = (grid.rows + 1) // 2
    padded[:, :half, : spectrum.shape[2]] = spectrum[:, :half]
    padded[:, fine.rows - (grid.rows - half) :, : spectrum.shape[2]] = spectrum[:, half:]
    return np.asarray(scipy.fft.irfft2(padded, s=fine.shape)) * np.float32(factor**2), fine


def make_chain(setting: Setting) -> Chain:
    """Compute all that does not depend on the scene.

    Parameters
    ----------
    setting : Setting
        Instrument, air, direction, grids and what is switched off.
    """
    instrument, aim, sensor = setting.instrument, setting.aim, setting.sensor
    response = optical_response(setting)
    pixel = np.ones(response.shape[1:], np.float32)
    if "pixel" not in setting.without:
        pixel = pixel_transfer(setting.grid, sensor)
    wander = instrument.mount.tracking_error_arcsec
    if setting.motion_removed:  # aligning takes out what is slower than an exposure
        wander = wander_within(wander, setting.exposure_s)
    if "tracking" not in setting.without and wander > 0:
        pixel = pixel * tracking_transfer(setting.grid, wander)
    telescope = instrument.telescope
    seen = channel_response(instrument.camera, setting.bins) * telescope.collecting_area_m2 * telescope.transmission
    weights = seen * transmission(setting.bins, aim.airmass, aim.height_m, setting.sky) * sensor.pixel_arcsec2
    glow = sky_radiance(setting.bins, sky_lights(aim), setting.sky, aim.height_m)
    # the sky's light is counted as it arrives: it has no further extinction to suffer
    sky_rate = seen @ glow * sensor.pixel_arcsec2
    return Chain(
        setting, frozen_array(response), frozen_array(pixel), frozen_array(weights, np.float32), frozen_array(sky_rate)
    )


def sky_lights(aim: Aim) -> Lights:
    """Return where Sun and Moon stand for the brightness of the sky."""
    return Lights(
        altitude_deg=aim.altitude_deg,
        sun_altitude_deg=aim.sun_altitude_deg,
        sun_separation_deg=aim.elongation_deg,
        moon_altitude_deg=aim.moon_altitude_deg,
        moon_separation_deg=aim.moon_separation_deg,
        moon_phase_angle_deg=aim.moon_phase_angle_deg,
        moon_sunlit_fraction=aim.moon_sunlit_fraction,
    )


def optical_response(setting: Setting) -> npt.NDArray[np.complex64]:
    """Return the transfer of air and telescope for each bin, (bins, rows, columns//2+1)."""
    grid, bins, aim = setting.grid, setting.bins, setting.aim
    waves = tuple(float(wave) for wave in bins.centres_nm)
    if "diffraction" in setting.without:
        response = np.ones((len(bins), grid.rows, grid.columns // 2 + 1), np.complex64)
    else:
        response = transfers(make_pupil(setting.telescope), grid, waves).copy()
    if "seeing" not in setting.without and not setting.sky.is_still:
        aperture = setting.instrument.telescope.aperture_mm * 1e-3 if setting.motion_removed else None
        response *= seeing_transfers(grid, bins, setting.sky, aim.airmass, aperture_m=aperture, kept=setting.kept)
        if aperture is not None:
            # aligned frames are not instants: the air still moves the picture while each is exposed
            r0 = float(fried_parameter_m(setting.sky, 500.0, aim.airmass))
            motion = motion_within_arcsec(
                setting.exposure_s, aperture, r0, setting.sky.outer_scale_m, setting.sky.layers
            )
            response *= tracking_transfer(grid, motion)
    if "dispersion" not in setting.without and aim.altitude_deg < 90.0:
        response *= dispersion_transfer(
            grid, bins, aim.altitude_deg, aim.parallactic_angle_deg, setting.sky, aim.height_m
        )
    return response


def channel_lifts_arcsec(chain: Chain, scene: Scene) -> FloatArray:
    """Return by how much the air lifts each channel's light towards the zenith, arcsec, shape (channels,).

    Means over the light that the channel sees of the scene, relative to 550 nm.
    """
    setting, aim = chain.setting, chain.setting.aim
    if aim.altitude_deg >= 90.0:
        return np.zeros(len(chain.weights))
    lifted, _ = bin_displacements(setting.bins, aim.altitude_deg, setting.sky, aim.height_m)
    light = chain.weights * scene_colours(scene)
    return (light @ lifted) / light.sum(axis=1)


def add_point(plane: npt.NDArray[np.complexfloating], point: PointSource, grid: Grid, index: int) -> None:
    """Add a point source to the transform of one bin of a scene, in place.

    It is added as the mean over a cell centred on it, like all that a scene holds; one outside the
    grid is left out.

    Parameters
    ----------
    plane : array, shape (rows, columns//2+1)
        Transform of radiance, to be added to.
    point : PointSource
        Place and photons.
    grid : Grid
        Of the scene.
    index : int
        The bin.
    """
    row, column = grid.pixel_of(point.east_arcsec, point.north_arcsec)
    if not (0 <= row <= grid.rows - 1 and 0 <= column <= grid.columns - 1):
        return
    step = grid.step_arcsec
    along_rows = np.exp(-2j * np.pi * np.fft.fftfreq(grid.rows) * row) * np.sinc(grid.frequency_north() * step)
    along_columns = np.exp(-2j * np.pi * np.fft.rfftfreq(grid.columns) * column) * np.sinc(grid.frequency_west() * step)
    plane += np.outer(along_rows * (point.photons[index] / grid.cell_arcsec2), along_columns)


@dataclass(frozen=True)
class Field:
    """The window of the sensor that is read, and the fine grid over it.

    Parameters
    ----------
    sensor : SensorGrid
        The window, as it is turned on the sky.
    grid : Grid
        The fine grid, north up.
    factor : int
        Cells of the grid along a pixel.
    stack_factor : float
        Cells of the stack along a pixel.
    drop_pixels : float
        Side of the drop that a pixel leaves in the stack, in pixels.
    """

    sensor: SensorGrid
    grid: Grid
    factor: int
    stack_factor: float
    drop_pixels: float


def lay_field(
    instrument: Instrument,
    width_arcsec: float,
    aim: Aim,
    kept: int = 1000,
    *,
    middle_arcsec: tuple[float, float] = (0.0, 0.0),
    practice: Practice = IDEAL,
) -> Field:
    """Choose the window of the sensor and the fine grid for a body.

    Parameters
    ----------
    instrument : Instrument
        Telescope and camera.
    width_arcsec : float
        Width on the sky that must be seen.
    aim : Aim
        Gives the turn of the field on an altazimuth mount.
    kept : int
        Frames in the stack; few frames allow no finer resampling.
    middle_arcsec : (float, float)
        Where the window is pointed, east and north of the body's middle, arcsec.
    practice : Practice
        How fine the stack's cells may be.
    """
    telescope, camera = instrument.telescope, instrument.camera
    pixel = pixel_scale_arcsec(camera.pixel_um, telescope.effective_focal_length_mm)
    side = max(SMALLEST_FIELD_PX, math.ceil(width_arcsec / pixel))
    side += side % 2
    sensor = SensorGrid(
        min(side, camera.rows - camera.rows % 2),
        min(side, camera.columns - camera.columns % 2),
        pixel,
        instrument.mount.sky_angle_deg(aim.parallactic_angle_deg),
        instrument.mount.mirrored,
    )
    row, column = (float(place) for place in sensor.pixel_of(-middle_arcsec[0], -middle_arcsec[1]))
    sensor = replace(
        sensor, planet_row_px=row - (sensor.rows - 1) / 2, planet_column_px=column - (sensor.columns - 1) / 2
    )
    ratio = sampling_ratio(instrument)
    finer, drop = finer_sampling(
        ratio,
        channel_shares(instrument),
        kept,
        finest_cells=practice.finest_cells,
        least_drop_px=practice.least_drop_px,
    )
    most, least = (cells / 2 * ratio for cells in CELLS_PER_RESOLUTION)
    choices = (
        (finer, most, WANTED_CELLS),
        (finer, least, MOST_CELLS),
        (1.0, least, MOST_CELLS),
        (1.0, 1.0, MOST_CELLS),
    )
    stack_factor, factor, grid = _first_that_fits(sensor, choices)
    while grid.rows * grid.columns > 1.3 * MOST_CELLS:
        rows, columns = (2 * int(0.45 * pixels) for pixels in sensor.shape)
        sensor = replace(sensor, rows=rows, columns=columns)
        grid = sensor.fine_grid(factor)
    # without finer cells a pixel's drop is a pixel wide
    drop = drop if stack_factor == finer else min(1.0, drop * finer)
    return Field(sensor, grid, factor, stack_factor, drop)


def _first_that_fits(sensor: SensorGrid, choices: Sequence[tuple[float, float, int]]) -> tuple[float, int, Grid]:
    """Return the stack's cells a pixel, the grid's cells a pixel and the grid of the first choice that fits.

    A choice is the stack's cells a pixel, the least of the grid's, and the most cells of the whole; the
    last choice is taken whether it fits or not.
    """
    for number, (stack_factor, cells, highest) in enumerate(choices, start=1):
        factor = _cells_per_pixel(cells, stack_factor)
        grid = sensor.fine_grid(factor, multiple=round(factor / stack_factor))
        if grid.rows * grid.columns <= highest or number == len(choices):
            return stack_factor, factor, grid
    raise AssertionError("no choice was given")


def _cells_per_pixel(least: float, stack_factor: float) -> int:
    """Smallest whole number of cells a pixel, at least `least`, that the stack's cells divide."""
    base = 3 if stack_factor == 1.5 else int(stack_factor)
    return base * max(1, math.ceil(least / base - 1e-9))


def cell_transfer(grid: Grid) -> npt.NDArray[np.float32]:
    """Return the transfer of a grid cell, whose mean of the scene the scene holds; (rows, columns//2+1)."""
    north = np.sinc(grid.frequency_north() * grid.step_arcsec)
    west = np.sinc(grid.frequency_west() * grid.step_arcsec)
    return np.outer(north, west).astype(np.float32)


def sampling_ratio(instrument: Instrument) -> float:
    """Return pixels per lambda/(2D) at 550 nm: 1 is critical, above 1 undersampled."""
    return 2.0 * instrument.camera.pixel_um / (GREEN_NM * 1e-3 * instrument.telescope.focal_ratio)


def channel_shares(instrument: Instrument) -> tuple[float, ...]:
    """Return the share of the sensor's pixels that each channel owns."""
    camera = instrument.camera
    names = channel_names(camera)
    if camera.is_mono:
        return (1.0,) * len(names)
    return tuple(camera.filter_array.count(name[0].upper()) / 4.0 for name in names)


def scene_colours(scene: Scene) -> npt.NDArray[np.float64]:
    """Return the photons of the whole scene in each bin, shape (bins,)."""
    return scene.photons() + sum((point.photons for point in scene.points), np.zeros(len(scene.bins)))


def pooled(scenes: Iterable[Scene]) -> Scene:
    """Return the mean of scenes on one grid: what a recording sees while the body turns.

    Parameters
    ----------
    scenes : iterable of Scene
        At least one; grid and bins must agree.
    """
    several = list(scenes)
    first = several[len(several) // 2]
    if len(several) == 1:
        return first
    share = 1.0 / len(several)
    points = tuple(
        PointSource(point.name, point.east_arcsec, point.north_arcsec, point.photons * share)
        for scene in several
        for point in scene.points
    )
    radiance = np.mean([scene.radiance for scene in several], axis=0, dtype=np.float32)
    return replace(first, radiance=radiance, points=points)
