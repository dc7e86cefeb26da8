"""Verdicts: pairs of scenes through one chain, and what is left of their difference in the stack."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import scipy.fft
from scipy.special import j1

from simulate.bodies import Body
from simulate.bodies.features import feature_names, placeless_features
from simulate.bodies.spectra import body_photon_flux
from simulate.judging import (
    FLOOR,
    SEPARATE_LINE,
    THRESHOLDS,
    Cut,
    FeatureLine,
    JudgedFeature,
    Judgement,
    Measured,
    Signal,
    Thresholds,
    dip_depth,
    find_signal,
    floor_per_cell,
    judged_features,
)
from simulate.light.chain import Chain, Setting, add_point, cell_transfer, scene_colours
from simulate.light.look import (
    LIT,
    ExpectedFrame,
    expected_frame,
    kept_frames,
    recording_of,
    rotation_arcsec_per_s,
    sensor_noise,
)
from simulate.scene import PointSource, Scene, SceneOptions, render
from simulate.stack import Exposure, Restored, Stack, crop_spectrum, delivered_fwhm, expected_stack, restoring_gain
from simulate.values.grid import Grid
from simulate.values.resolution import finest_arcsec

if TYPE_CHECKING:
    from simulate.geometry import Apparition, MoonState

FloatArray = npt.NDArray[np.floating]
Spectrum = npt.NDArray[np.complexfloating]


HALO_POWER = -3.0
"""How the halo of a bright body falls beyond the window: the rings of an aperture's own diffraction
fall as the cube (from memory, any text on optics); the air's wings fall faster."""

PATCH_FINER = 16
"""Cells of the fine patch in which the contrast of a narrow feature is read, along one of the scene's."""

RESOLVED = 0.85
"""A difference whose neighbours in the scene keep this share of its peak is resolved by the cells."""

STRONG = 0.5
"""Places where a difference has this share of its peak count for the contrast that enters."""

CELLS_PER_RESOLUTION = 2.75
"""Cells of a judged scene along lambda/D at 550 nm: what the cut-off of the shortest wavelength needs,
since the mean over a cell is undone."""

FARTHEST_SIGHT_DEG = 80.0
"""Surface features farther than this from the middle of the disc are not judged."""


@dataclass(frozen=True, eq=False)
class Pair:
    """A scene with and a scene without a feature, transformed once for every setup.

    Parameters
    ----------
    feature : JudgedFeature
        What is judged.
    grid : Grid
        Of the scenes.
    difference : complex64 array, shape (bins, rows, columns//2+1)
        Transform of the scene with less the scene without the feature.
    without : complex64 array of that shape, or None
        Transform of the scene without it; None: the body as it stands less `difference`.
    scenes : (Scene, Scene)
        With and without, for the contrast that enters.
    options : SceneOptions
        With which the scene with the feature was rendered.
    moves : bool
        Whether the feature turns with the body.
    """

    feature: JudgedFeature
    grid: Grid
    difference: Spectrum
    without: Spectrum | None
    scenes: tuple[Scene, Scene]
    options: SceneOptions
    moves: bool

    @property
    def apparition(self) -> Apparition:
        """The geometry that was drawn."""
        return self.scenes[0].apparition

    def contrast_in(self, weights: FloatArray, body: Body) -> FloatArray:
        """Return the contrast that enters, shape (channels,), for weights (channels, bins).

        The difference that a fit of the overall brightness leaves, over the brighter of both scenes
        there: the largest ratio among the places where it is strong. A feature narrower than the
        cells is drawn again, finer, where it is strongest.
        """
        if self.feature.kind == "disc":
            return np.ones(len(weights))
        weights = np.asarray(weights, np.float32)
        lit = _lit_window(self.scenes)
        planes = [np.tensordot(weights, scene.radiance[(slice(None), *lit)], axes=1) for scene in self.scenes]
        factors = [_common_factor(*pair) for pair in zip(*planes, strict=True)]
        left = [np.abs(w - o - f * o) for w, o, f in zip(*planes, factors, strict=True)]
        strongest = int(
            np.argmax([plane.max() / max(o.max(), 1e-30) for plane, o in zip(left, planes[1], strict=True)])
        )
        row, column = np.unravel_index(int(np.argmax(left[strongest])), left[strongest].shape)
        if _is_narrow(left[strongest], int(row), int(column)):
            patch = finer_patch(self.grid, int(row) + lit[0].start, int(column) + lit[1].start)
            without = replace(self.options, without=self.options.without | self.feature.without)
            planes = [
                np.tensordot(weights, render(self.apparition, body, patch, scene.bins, options=o).radiance, axes=1)
                for scene, o in zip(self.scenes, (self.options, without), strict=True)
            ]
        return np.array([_entering(w, o, f) for w, o, f in zip(*planes, factors, strict=True)])


def _lit_window(scenes: tuple[Scene, Scene]) -> tuple[slice, slice]:
    """Rows and columns that hold all light of two scenes."""
    middle = len(scenes[0].bins) // 2
    light = scenes[0].radiance[middle] + scenes[1].radiance[middle]
    rows, columns = (np.flatnonzero(light.any(axis=axis)) for axis in (1, 0))
    if not rows.size:
        return slice(0, light.shape[0]), slice(0, light.shape[1])
    return slice(int(rows[0]), int(rows[-1]) + 1), slice(int(columns[0]), int(columns[-1]) + 1)


def finer_patch(grid: Grid, row: int, column: int) -> Grid:
    """Return a small fine grid over the cells around one cell: `PATCH_FINER` times finer, 3 cells wide."""
    north, east = float(grid.north_arcsec()[row]), float(grid.east_arcsec()[column])
    return Grid(3 * PATCH_FINER, 3 * PATCH_FINER, grid.step_arcsec / PATCH_FINER, east, north)


def _is_narrow(left: FloatArray, row: int, column: int) -> bool:
    """Whether a difference falls off so fast around its peak that the cells do not resolve it."""
    around = left[max(row - 1, 0) : row + 2, max(column - 1, 0) : column + 2]
    return bool(around.min() < RESOLVED * left[row, column])


def _common_factor(with_it: FloatArray, without: FloatArray) -> float:
    lit = without > LIT * without.max()
    return float(np.mean((with_it[lit] - without[lit]) / without[lit])) if lit.any() else 0.0


def _entering(with_it: FloatArray, without: FloatArray, factor: float) -> float:
    left = np.abs(with_it - without - factor * without)
    strong = left >= STRONG * left.max()
    level = np.maximum(with_it, without)[strong]
    return float(min(np.max(left[strong] / np.maximum(level, 1e-30)), 1.0)) if left.max() > 0 else 0.0


@dataclass(frozen=True, eq=False)
class Bench:
    """One setup, ready to judge: everything that does not depend on the feature.

    Parameters
    ----------
    body, apparition : Body, Apparition
        What is looked at, and how it stands.
    setting : Setting
        The setup's chain.
    grid, scene_grid : Grid
        Of the stack's cells, and of the scenes that it takes; both of the same field.
    used : array of int
        Spectral bins that the camera sees.
    weights : array, shape (channels, used bins)
        Electrons per second and pixel for a radiance of 1 photon s-1 m-2 arcsec-2.
    response : complex64 array, shape (used bins, rows, columns//2+1)
        From the transform of a scene on `scene_grid` to that of the stack.
    picture : float32 array, shape (channels, rows, columns)
        Noise-free stack of the body as it stands, e- s-1 per pixel.
    sky_rate : array, shape (channels,)
        The sky's part of it.
    noise_law : array, shape (channels, 2)
        Variance of a cell as an affine function of its brightness: slope, constant.
    noise_spectrum : array, shape (rows, columns//2+1)
        Power of the noise relative to white noise.
    transfer : complex64 array, shape (channels, rows, columns//2+1)
        From the truth to the stack's cells for the colours of the body, 1 at zero frequency.
    fwhm_arcsec : float
        Width of the stack's point response in the channel that sees most.
    smear_arcsec : float
        Way that the middle of the disc turns during the recording.
    floor : float
        Rms of what never averages out, share of the local brightness per resolution element.
    finished : Restored or None
        How such a stack has been restored, where that is known already.
    whole : Bench or None
        The setup with all channels, of which this is channel number `channel` alone.
    channel : int
        See `whole`.
    """

    body: Body
    apparition: Apparition
    setting: Setting
    grid: Grid
    scene_grid: Grid
    used: npt.NDArray[np.intp]
    weights: FloatArray
    response: Spectrum
    picture: FloatArray
    sky_rate: FloatArray
    noise_law: FloatArray
    noise_spectrum: FloatArray
    transfer: Spectrum
    fwhm_arcsec: float
    smear_arcsec: float = 0.0
    floor: float = FLOOR
    finished: Restored | None = None
    whole: Bench | None = None
    channel: int = 0

    def only(self, channel: int) -> Bench:
        """Return the same setup for one channel alone; it is restored as it is among the others."""
        chosen = slice(channel, channel + 1)
        return replace(
            self,
            weights=self.weights[chosen],
            picture=self.picture[chosen],
            sky_rate=self.sky_rate[chosen],
            noise_law=self.noise_law[chosen],
            transfer=self.transfer[chosen],
            whole=self.whole or self,
            channel=channel,
        )

    @cached_property
    def gain(self) -> Spectrum:
        """What restoration, as strong as the noise allows, multiplies each frequency by: as `view` does it."""
        if self.finished is not None:
            return self.finished.gain.astype(np.complex64)
        law, step = self.noise_law[:, :, None, None], self.grid.step_arcsec
        noise = np.sqrt(np.maximum(law[:, 0] * self.picture + law[:, 1], 0))
        found = restoring_gain(self.picture, noise, self.transfer, step, noise_spectrum=self.noise_spectrum)
        return found.astype(np.complex64)

    def finished_picture(self, channels: slice = slice(None)) -> FloatArray:
        """Return the restored stack without noise, (channels, rows, columns), e- s-1 per pixel."""
        return self.seen(np.asarray(scipy.fft.rfft2(self.picture[channels])) * self.gain[channels])

    def restored(self, channel: int) -> RestoredChannel:
        """Return one channel of the stack after restoration, computed once."""
        if self.whole is not None:
            return self.whole.restored(self.channel)
        if channel not in self._restored:
            self._restored[channel] = RestoredChannel(self, channel)
        return self._restored[channel]

    @cached_property
    def _restored(self) -> dict[int, RestoredChannel]:
        return {}

    @cached_property
    def floor_per_cell(self) -> float:
        """The floor in one cell, share of the local brightness."""
        return floor_per_cell(self.floor, self.fwhm_arcsec, self.grid.step_arcsec)

    @cached_property
    def smear(self) -> FloatArray:
        """Transfer of a feature that moves with the middle of the disc, (rows, columns//2+1)."""
        along = math.radians(self.apparition.north_pole_position_angle_deg + 90.0)
        north, west = self.grid.frequency_north()[:, None], self.grid.frequency_west()[None, :]
        way = north * math.cos(along) - west * math.sin(along)
        return np.sinc(way * self.smear_arcsec).astype(np.float32)

    def mixed(self, spectrum: Spectrum, *, moves: bool = False) -> Spectrum:
        """Return the stack's transform of a scene's transform, (channels, rows, columns//2+1).

        Parameters
        ----------
        spectrum : array, shape (bins, rows, columns//2+1)
            Transform of radiance on `scene_grid`.
        moves : bool
            Smear it as the middle of the disc moves.
        """
        shape, columns = self.grid.shape, self.scene_grid.columns
        mixed = np.zeros((len(self.weights), shape[0], shape[1] // 2 + 1), np.complex64)
        for number, index in enumerate(self.used):
            plane = crop_spectrum(spectrum[index], shape, columns) * self.response[number]
            for channel, weight in zip(mixed, self.weights[:, number], strict=True):
                channel += np.float32(weight) * plane
        if moves and self.smear_arcsec > 0:
            mixed *= self.smear
        return mixed

    def seen(self, mixed: Spectrum) -> FloatArray:
        """Return the stack's cells, e- s-1 per pixel, of what `mixed` gave."""
        return np.asarray(scipy.fft.irfft2(mixed, s=self.grid.shape))

    @cached_property
    def window(self) -> tuple[slice, slice]:
        """Rows and columns of the stack beyond which nothing of the body is judged."""
        widest = max([self.body.disc_radius_km, *(ring.outer_km for ring in self.body.rings)])
        radius = self.apparition.equatorial_diameter_arcsec / 2 * widest / self.body.equatorial_radius_km
        reach = (radius + 2.5 * self.fwhm_arcsec) / self.grid.step_arcsec
        middle = self.grid.pixel_of(0.0, 0.0)
        ends = [(max(0, math.floor(m - reach)), math.ceil(m + reach) + 1) for m in middle]
        return slice(*ends[0]), slice(*ends[1])

    def measure(
        self, mixed: Spectrum, difference: FloatArray, without: FloatArray, feature: JudgedFeature, middle: Any
    ) -> Measured:
        """Measure a difference against the picture without it.

        Parameters
        ----------
        mixed : array, shape (channels, any rows, any columns)
            The difference as the stack's transform, or that of a part of it.
        difference, without : array, shape (channels, rows, columns)
            The difference and the picture without the feature, both cut to what is judged.
        feature : JudgedFeature
            What is judged.
        middle : (float, float)
            (row, column) of the body's middle in the cut pictures.
        """
        brighter = np.maximum(np.maximum(without, without + difference), 0)
        law = self.noise_law.astype(np.float32)
        noise = np.maximum(law[:, :1, None] * brighter + law[:, 1:, None], 1e-30)
        share = power_share(mixed, self._part_of(self.noise_spectrum, mixed.shape[1:]))
        variance = noise * share[:, None, None] + np.float32(self.floor_per_cell**2) * brighter**2
        variance = np.maximum(variance, 1e-12 * variance.max(axis=(1, 2), keepdims=True))
        width = self.fwhm_arcsec / self.grid.step_arcsec
        signal = find_signal(difference, without, variance, feature.unknowns, middle=middle, fwhm_cells=width)
        return signal.measured(whole=feature.kind in ("disc", "moon disc"))

    @cached_property
    def stamp_response(self) -> Spectrum:
        """From a point of light in the middle of a stamp to its transform there, (used bins, rows, columns//2+1)."""
        step = self.stamp_step
        part = Grid(self.grid.rows // step, self.grid.columns // step, self.grid.step_arcsec)
        # the response's own way from scene cells to stack cells is undone
        bare = self.response[:, ::step, ::step] / onto_stack(self.scene_grid, self.grid)[::step, ::step]
        row = np.exp(-2j * np.pi * np.fft.fftfreq(part.rows) * ((part.rows - 1) / 2))
        column = np.exp(-2j * np.pi * np.fft.rfftfreq(part.columns) * ((part.columns - 1) / 2))
        return (bare * (np.outer(row, column) / part.cell_arcsec2)).astype(np.complex64)

    @cached_property
    def edge_arcsec(self) -> float:
        """Distance from the body's middle up to which the stack shows its halo."""
        return 0.46 * min(self.grid.shape) * self.grid.step_arcsec

    @cached_property
    def edge_light(self) -> FloatArray:
        """The halo at that distance, e- s-1 per pixel in each channel."""
        return _ring_light(self, self.edge_arcsec)

    def _part_of(self, spectrum: FloatArray, shape: tuple[int, ...]) -> FloatArray:
        """A spectrum at the frequencies of a part of the stack."""
        step = self.grid.rows // shape[0]
        return spectrum[::step, ::step]

    @cached_property
    def stamp_step(self) -> int:
        """How many times smaller than the stack a picture of a satellite may be."""
        least = max(24.0, 12.0 * self.fwhm_arcsec / self.grid.step_arcsec)
        rows, columns = self.grid.shape
        steps = (16, 12, 8, 6, 4, 3, 2)
        return next((k for k in steps if rows % k == columns % (2 * k) == 0 and min(rows, columns) / k >= least), 1)


@dataclass(frozen=True, eq=False)
class RestoredChannel:
    """One channel of a stack after restoration, without noise, and its noise.

    The floor is restored like everything in the stack: its faults are faults of the stack.

    Parameters
    ----------
    bench : Bench
        The setup with all channels.
    channel : int
        Which of them.
    """

    bench: Bench
    channel: int

    @cached_property
    def gain(self) -> Spectrum:
        """What each frequency of the stack is multiplied by, (rows, columns//2+1)."""
        return self.bench.gain[self.channel]

    @cached_property
    def picture(self) -> FloatArray:
        """The restored stack, e- s-1 per pixel, (rows, columns)."""
        return self.bench.finished_picture(slice(self.channel, self.channel + 1))[0]

    @cached_property
    def fwhm_arcsec(self) -> float:
        """Width of the point response."""
        transfer = self.gain * self.bench.transfer[self.channel]
        return width_of(transfer, self.bench.grid.step_arcsec, self.bench.grid.shape)

    @cached_property
    def _noise(self) -> tuple[FloatArray, FloatArray]:
        """Variance of the stack's cells by photons and sensor, and by the floor, both (rows, columns)."""
        light = np.maximum(self.bench.picture[self.channel], 0)
        slope, constant = self.bench.noise_law[self.channel].astype(np.float32)
        return slope * light + constant, np.float32(self.bench.floor_per_cell**2) * light**2

    @cached_property
    def _coloured_gain(self) -> Spectrum:
        spectrum = self.bench.noise_spectrum
        return self.gain if np.all(spectrum == 1.0) else self.gain * np.sqrt(spectrum)

    @cached_property
    def variance(self) -> FloatArray:
        """Variance of the restored cells, (rows, columns): that of all cells that restoration gathers there.

        Where drops have made the stack's noise correlated, its spectrum counts on the whole here and at
        each frequency in `snr`.
        """
        gathered = self.bench.seen(self.gain) ** 2
        random, floor = self._noise
        if self._coloured_gain is not self.gain:
            random = random * np.float32(np.sum(self.bench.seen(self._coloured_gain) ** 2) / np.sum(gathered))
        spectrum = np.asarray(scipy.fft.rfft2(gathered)) * np.asarray(scipy.fft.rfft2(random + floor))
        variance = self.bench.seen(spectrum)
        return np.maximum(variance, 1e-12 * variance.max())

    def snr(self, signal: Signal) -> float:
        """Return the signal to noise of a restored signal, its noise carried through restoration exactly.

        The observer weighs the restored cells as if their noise were white; what the stack's noise and
        its floor, both locally white before restoration, do to that sum is what counts.

        Parameters
        ----------
        signal : Signal
            Of this channel alone, in the window of the bench.
        """
        window = self.bench.window
        weights = np.zeros(self.bench.grid.shape, np.float32)
        weights[window] = signal.residual[0] / signal.variance[0]
        strength = float(np.sum(weights[window] * signal.residual[0]))
        spectrum = np.asarray(scipy.fft.rfft2(weights))
        power = sum(
            float(np.sum(self.bench.seen(spectrum * np.conj(gain)) ** 2 * noise))
            for gain, noise in zip((self._coloured_gain, self.gain), self._noise, strict=True)
        )
        return strength / math.sqrt(power) if power > 0 else 0.0


def power_share(mixed: Spectrum, spectrum: FloatArray) -> FloatArray:
    """Return the noise's power at the frequencies of a signal, relative to white noise, (channels,)."""
    power = np.abs(mixed) ** 2
    total = power.sum(axis=(1, 2))
    return np.where(total > 0, (power * spectrum).sum(axis=(1, 2)) / np.maximum(total, 1e-30), 1.0).astype(np.float32)


def feature_line(entry: Judgement, thresholds: Thresholds = THRESHOLDS) -> FeatureLine:
    """Return the verdict as sheets and JSON show it."""
    return FeatureLine(entry.name, thresholds.verdict(entry.contrast, entry.snr), entry.contrast, entry.snr)


def make_bench(
    body: Body,
    scene: Scene,
    chain: Chain,
    stack: Stack,
    *,
    scene_grid: Grid | None = None,
    floor: float = FLOOR,
    smear_arcsec: float = 0.0,
    noiseless: bool = False,
    colours: FloatArray | None = None,
    finished: Restored | None = None,
) -> Bench:
    """Prepare a setup for judging.

    Parameters
    ----------
    body, scene : Body, Scene
        What is looked at, as it stands.
    chain : Chain
        Of an average kept frame.
    stack : Stack
        Noise-free stack of what `chain` gives of the scene, made with a transfer of 1.
    scene_grid : Grid, optional
        Of the scenes to be judged; default the coarsest that will do.
    floor, smear_arcsec : float
        See `Bench`.
    noiseless : bool
        Leave the noise of photons and sensor out of account: the floor alone counts.
    colours : array, shape (bins,), optional
        From `scene_colours`, where it is known already.
    finished : Restored, optional
        See `Bench`.
    """
    field, used = chain.setting.grid, chain.used
    shape = (int(stack.picture.shape[1]), int(stack.picture.shape[2]))
    grid = Grid(*shape, stack.step_arcsec, field.middle_east_arcsec, field.middle_north_arcsec)
    source = scene_grid or judging_grid(grid, chain.setting)
    common = crop_spectrum(chain.pixel, shape, field.columns) * stack.transfer[0]
    response = crop_spectrum(chain.response[used], shape, field.columns) * common.astype(np.complex64)
    colours = scene_colours(scene) if colours is None else colours
    most = int(np.argmax(chain.weights @ colours))
    shares = chain.weights[:, used] * colours[used]
    transfer = np.tensordot((shares / shares.sum(axis=1, keepdims=True)).astype(np.complex64), response, axes=1)
    law = noise_law(stack)
    return Bench(
        body,
        scene.apparition,
        chain.setting,
        grid,
        source,
        used,
        chain.weights[:, used],
        response * onto_stack(source, grid),
        stack.picture.astype(np.float32),
        chain.sky_rate,
        np.zeros_like(law) if noiseless else law,
        stack.noise_spectrum[0],
        transfer,
        width_of(transfer[most], stack.step_arcsec, shape),
        smear_arcsec,
        floor,
        finished=finished,
    )


def width_of(transfer: Spectrum, step_arcsec: float, shape: tuple[int, int]) -> float:
    """Return the width at half maximum of a transfer's point response, arcsec.

    Every n-th frequency gives the response in a field n times smaller, which holds it as well and is
    computed in a fraction of the time.
    """
    rows, columns = shape
    steps = (16, 12, 8, 6, 4, 3, 2)
    step = next((k for k in steps if rows % k == columns % (2 * k) == 0 and min(shape) >= 48 * k), 1)
    return float(delivered_fwhm(transfer[::step, ::step], step_arcsec, columns // step))


def noise_law(stack: Stack) -> FloatArray:
    """Return the variance of a cell as an affine function of its brightness, (channels, 2): slope, constant.

    Photon and read noise make it exactly affine (EMVA 1288), so that two cells tell it.
    """
    rows = []
    for picture, noise in zip(stack.picture, stack.noise, strict=True):
        low, high = int(np.argmin(picture)), int(np.argmax(picture))
        span = max(float(picture.flat[high] - picture.flat[low]), 1e-30)
        slope = float(noise.flat[high] ** 2 - noise.flat[low] ** 2) / span
        rows.append((slope, float(noise.flat[low] ** 2) - slope * float(picture.flat[low])))
    return np.array(rows)


def onto_stack(source: Grid, grid: Grid) -> Spectrum:
    """Return what takes the transform of a scene to that of a stack's cells without blur, complex64.

    The mean over the scene's cells is undone, the first cell moved, the transform scaled.
    """
    cell = crop_spectrum(cell_transfer(source), grid.shape, source.columns)
    move = (grid.step_arcsec - source.step_arcsec) / 2
    scale = grid.rows * grid.columns / (source.rows * source.columns)
    return (grid.shift_phase(move, -move) * (scale / cell)).astype(np.complex64)


def judging_grid(grid: Grid, setting: Setting) -> Grid:
    """Return the coarsest grid that holds all that a setup passes: whole parts of the stack's cells."""
    resolution = finest_arcsec(setting.instrument.telescope.aperture_mm)
    return grid.finer(max(1, math.ceil(CELLS_PER_RESOLUTION * grid.step_arcsec / resolution - 1e-6)))


def scene_spectrum(radiance: FloatArray, points: tuple[PointSource, ...], grid: Grid) -> Spectrum:
    """Return the transform of a scene, complex64 (bins, rows, columns//2+1)."""
    spectrum = np.asarray(scipy.fft.rfft2(radiance))
    for point in points:
        for index, plane in enumerate(spectrum):
            add_point(plane, point, grid, index)
    return spectrum


def make_pair(
    feature: JudgedFeature, scene: Scene, body: Body, options: SceneOptions, *, staged: bool = False
) -> Pair | None:
    """Render what a feature is compared with; None where it is not in the scene at all.

    Parameters
    ----------
    feature : JudgedFeature
        Of kind "detail" or "disc".
    scene : Scene
        With the feature.
    body : Body
        What is looked at.
    options : SceneOptions
        With which `scene` was rendered.
    staged : bool
        Whether the scene differs from that of the setups' stacks, so that it must be sent along.
    """
    seen, grid, bins = scene.apparition, scene.grid, scene.bins
    if feature.kind == "disc":
        if not np.any(scene.radiance):
            return None
        photons = scene.radiance.sum(axis=(1, 2), dtype=np.float64) * grid.cell_arcsec2
        other = replace(
            scene, radiance=np.zeros_like(scene.radiance), points=(PointSource(body.name, 0.0, 0.0, photons),)
        )
        lone = replace(scene, points=())
    else:
        other = render(seen, body, grid, bins, options=replace(options, without=options.without | feature.without))
        lone = scene
    light = lone.radiance - other.radiance
    if feature.kind == "detail" and not light.any() and len(other.points) == len(scene.points):
        return None
    difference = scene_spectrum(light, (), grid)
    if feature.kind == "disc":
        difference -= scene_spectrum(other.radiance, other.points, grid)
    sent = scene_spectrum(other.radiance, other.points, grid) if staged or feature.kind == "disc" else None
    moves = any(name in feature_names(body, minor=True) or name.startswith("shadow of ") for name in feature.without)
    return Pair(feature, grid, difference, sent, (lone, other), options, moves)


def judge_pair(bench: Bench, pair: Pair, contrast_in: FloatArray | None = None) -> Iterator[Judgement]:
    """Yield what is left of a feature in a setup, and the answer for a separate dark line where it is one.

    Parameters
    ----------
    bench : Bench
        The setup.
    pair : Pair
        The scenes, on a grid of the same field.
    contrast_in : array, shape (channels,), optional
        From `Pair.contrast_in`, where it is known already.
    """
    feature = pair.feature
    entered = pair.contrast_in(all_weights(bench), bench.body) if contrast_in is None else contrast_in
    if not np.any(entered > 0):
        return
    mixed = bench.mixed(pair.difference, moves=pair.moves)
    ground = None if pair.without is None else bench.mixed(pair.without)
    window = bench.window
    difference = bench.seen(mixed)[:, *window]
    if ground is None:
        without = bench.picture[:, *window] - difference
    else:
        without = bench.seen(ground)[:, *window] + bench.sky_rate.astype(np.float32)[:, None, None]
    found = bench.measure(mixed, difference, without, feature, middle_of(bench))
    came = max(float(entered[found.channel]), 1e-9)
    channel = bench.channel + found.channel
    whole = Judgement(feature.name, came, min(found.contrast / came, 1.0), found.snr, channel)
    if not feature.line:
        yield whole
        return
    depth, difference, snr = _judge_line(bench, pair, mixed, ground, found.channel)
    # who sees a line of its own sees a darkening, as deep as restoration has made it
    shown = min(depth, difference, came) / came
    yield replace(whole, contrast=max(whole.contrast, shown), snr=max(whole.snr, snr))
    yield Judgement(feature.name + SEPARATE_LINE, came, min(depth / came, 1.0), snr, channel)


def _judge_line(
    bench: Bench, pair: Pair, mixed: Spectrum, ground: Spectrum | None, channel: int
) -> tuple[float, float, float]:
    """Return depth, whole difference and signal to noise of a feature as a line of its own in the restored stack.

    Who looks for a line looks at the restored picture, so that its transfer and its noise count. What
    restoration makes of the picture without the feature is no line: it is taken off. Of the feature's
    signal to noise there the minimum has the share that its depth has of the whole difference.
    """
    done, window = bench.restored(channel), bench.window
    difference = bench.seen(mixed[channel] * done.gain)[window][None]
    if ground is None:
        without = done.picture[window][None] - difference
    else:
        without = bench.seen(ground[channel] * done.gain)[window][None] + np.float32(bench.sky_rate[channel])
    middle, step = middle_of(bench), bench.grid.step_arcsec
    depth = line_depth(bench, pair, without[0], difference[0], middle)
    if depth == 0.0:
        return 0.0, 0.0, 0.0
    signal = find_signal(
        difference, without, done.variance[window][None], pair.feature.unknowns,
        middle=middle, fwhm_cells=done.fwhm_arcsec / step,
    )  # fmt: skip
    contrast = signal.measured().contrast
    return depth, contrast, min(depth / max(contrast, 1e-9), 1.0) * done.snr(signal)


def middle_of(bench: Bench) -> tuple[float, float]:
    """Return (row, column) of the body's middle in the window that is judged."""
    row, column = bench.grid.pixel_of(0.0, 0.0)
    return row - bench.window[0].start, column - bench.window[1].start


def all_weights(bench: Bench) -> FloatArray:
    """Return the weights of every bin of the scenes, zero for those that are not used, (channels, bins)."""
    weights = np.zeros((len(bench.weights), len(bench.setting.bins)))
    weights[:, bench.used] = bench.weights
    return weights


def line_depth(bench: Bench, pair: Pair, without: FloatArray, difference: FloatArray, middle: Any) -> float:
    """Return how much deeper a true minimum a line feature makes: 0 without one, 1 for black.

    On both sides of the middle for a ring (the mean counts), once for a belt on the middle meridian.
    A minimum that the picture without the feature has at the same place is not the feature's.
    """
    seen, ring = pair.apparition, pair.feature.line == "ring"
    angle = math.radians(seen.north_pole_position_angle_deg + (90.0 if ring else 0.0))
    radius = seen.equatorial_diameter_arcsec / 2
    if ring:
        radius *= max(gap.outer_km for gap in bench.body.rings) / bench.body.equatorial_radius_km
    reach = min(1.1 * radius / bench.grid.step_arcsec, min(without.shape) / 2 - 1)
    cut = Cut(middle, (math.cos(angle), -math.sin(angle)), reach)
    place, twin = cut.sample(without)
    _, change = cut.sample(difference)
    sides = (place < 0, place > 0) if ring else (np.ones(len(place), bool),)
    depths = [dip_depth((twin + change)[side], change[side]) - dip_depth(twin[side], change[side]) for side in sides]
    return max(0.0, float(np.mean(depths)))


def judge_moons(bench: Bench, feature: JudgedFeature, moons: list[MoonState]) -> Judgement | None:
    """Return the verdict for satellites against the sky, or as discs: that of the weakest one.

    Each is set into the middle of the window, before a sky that holds the light of the air and the
    halo of the planet at the satellite's distance.
    """
    found = [_judge_moon(bench, feature, moon) for moon in moons]
    if not found:
        return None
    return min(found, key=lambda entry: THRESHOLDS.margin(entry.contrast, entry.snr, "doubtful"))


def judged_moons_name(feature: JudgedFeature, moons: list[MoonState]) -> str:
    """Return what was judged of a feature whose satellites may stand before or behind the planet or in its shadow.

    Its own name where all of them are there; else those that are, by name where the feature names them
    ("tethys" of "tethys and dione"), or by number ("3 of 4 moons").
    """
    if len(moons) == len(feature.subjects):
        return feature.name
    if all(name in feature.name for name in feature.subjects):
        return " and ".join(moon.name for moon in moons)
    return f"{len(moons)} of {len(feature.subjects)} moons"


def _judge_moon(bench: Bench, feature: JudgedFeature, moon: MoonState) -> Judgement:
    step, grid = bench.stamp_step, bench.grid
    part = Grid(grid.rows // step, grid.columns // step, grid.step_arcsec)
    flux = body_photon_flux(bench.body.satellite(moon.name), moon.magnitude, bench.setting.bins) * moon.sunlit_fraction
    star = np.tensordot((bench.weights * flux[bench.used]).astype(np.complex64), bench.stamp_response, axes=1)
    light = np.asarray(scipy.fft.irfft2(star, s=part.shape))
    distance = math.hypot(moon.east_arcsec, moon.north_arcsec)
    sky = (halo(bench, distance) + bench.sky_rate).astype(np.float32)[:, None, None] * np.ones_like(light)
    middle = ((part.rows - 1) / 2, (part.columns - 1) / 2)
    if feature.kind == "moon":
        found = bench.measure(star, light, sky, feature, middle)
    else:
        disc = disc_transfer(2 * moon.radius_arcsec * part.frequency()) - 1.0
        spread = star * disc.astype(np.float32)
        found = bench.measure(spread, np.asarray(scipy.fft.irfft2(spread, s=part.shape)), sky + light, feature, middle)
    return Judgement(feature.name, 1.0, found.contrast, found.snr, bench.channel + found.channel)


def disc_transfer(cycles: FloatArray) -> FloatArray:
    """Return the transform of an evenly bright disc for a frequency in cycles per diameter: 2 J1(x)/x."""
    x = np.pi * np.asarray(cycles, float)
    return np.where(x > 1e-6, 2 * j1(np.maximum(x, 1e-6)) / np.maximum(x, 1e-6), 1.0)


def halo(bench: Bench, distance_arcsec: float) -> FloatArray:
    """Return the light of the body's halo at a distance, e- s-1 per pixel in each channel.

    The median over the ring of the stack at that distance; beyond the window it falls on as the
    cube of the distance.
    """
    if distance_arcsec < bench.edge_arcsec:
        return _ring_light(bench, distance_arcsec)
    return bench.edge_light * (distance_arcsec / bench.edge_arcsec) ** HALO_POWER


def _ring_light(bench: Bench, distance_arcsec: float) -> FloatArray:
    grid = bench.grid
    radius = np.hypot(grid.east_arcsec()[None, :], grid.north_arcsec()[:, None])
    ring = np.abs(radius - distance_arcsec) <= max(1.5 * grid.step_arcsec, 0.03 * distance_arcsec)
    return np.maximum(np.median(bench.picture[:, ring], axis=1) - bench.sky_rate, 0.0)


def in_sight(feature: JudgedFeature, body: Body, seen: Apparition, spot_west_deg: float | None = None) -> bool:
    """Return whether it is worth drawing a feature: on this side of the body, its shadow on the disc.

    `spot_west_deg` is the longitude of the drifting oval, where it was given; what drifts with it and has one place
    only is then looked for there.
    """
    if feature.stage == "shadow":
        casting = {moon.name for moon in seen.moons if moon.shadow_east_arcsec is not None}
        return bool(casting & set(feature.subjects))
    if feature.stage == "facing" and feature.longitude_of:
        place = feature_longitude_east(body, feature.longitude_of)
        system = str(body.section("map").get("longitude_system", ""))
        if place is None and spot_west_deg is not None:
            offsets = offsets_from_oval_deg(body, feature.longitude_of)
            place = offsets[0] - spot_west_deg if len(offsets) == 1 else None
        if place is not None and seen.central_meridian_deg:
            sense = -1.0 if body.longitude_sense == "west" else 1.0
            middle = sense * seen.central_meridian_deg.get(system, next(iter(seen.central_meridian_deg.values())))
            return abs((place - middle + 180.0) % 360.0 - 180.0) <= FARTHEST_SIGHT_DEG
    return True


def feature_longitude_east(body: Body, name: str) -> float | None:
    """Return the east longitude, deg, of the middle of a surface feature; None where it has none or drifts."""
    for section in body.features:
        if section.get("name") != name:
            continue
        if "longitude_deg" in section:
            return float(section["longitude_deg"])
        if "outline" in section:
            angles = np.radians(section["outline"][:, 1])
            return math.degrees(math.atan2(np.sin(angles).mean(), np.cos(angles).mean())) % 360.0
    return None


def offsets_from_oval_deg(body: Body, name: str) -> tuple[float, ...]:
    """Return how far east of the drifting oval the places of a feature lie that drifts with it, deg."""
    section = next((f for f in body.features if f.get("name") == name), None)
    if section is None or "places" not in section:
        return (0.0,)
    return tuple(float(east) for east in section["places"][:, 1])


def judge_scene(
    bench: Bench, options: SceneOptions, features: tuple[JudgedFeature, ...] | None = None
) -> tuple[Judgement, ...]:
    """Return what is left of every feature that is in the scene, as it stands.

    Parameters
    ----------
    bench : Bench
        The setup.
    options : SceneOptions
        How the body is drawn; features that it leaves out are not judged, and invented texture is
        left out of both scenes. What drifts is not judged on a map of the user's own.
    features : tuple of JudgedFeature, optional
        What is judged; default all that the body's data file declares.
    """
    found: list[Judgement] = []
    plain, seen, body = replace(options, invented_texture=False), bench.apparition, bench.body
    asked = judged_features(body) if features is None else features
    hidden = options.without | (placeless_features(body) if options.user_map is not None else frozenset())
    wanted = [feature for feature in asked if not feature.without & hidden]
    if not wanted:
        return ()
    scene = render(seen, body, bench.scene_grid, bench.setting.bins, options=plain)
    for feature in wanted:
        if feature.kind in ("moon", "moon disc"):
            moons = [moon for moon in seen.moons if moon.name in feature.subjects and moon.state == "clear"]
            verdict = judge_moons(bench, feature, moons) if options.moons else None
            found += [replace(verdict, name=judged_moons_name(feature, moons))] if verdict else []
        elif in_sight(feature, body, seen, options.red_spot_longitude_deg):
            pair = make_pair(feature, scene, body, plain)
            found += judge_pair(bench, pair) if pair else []
    return tuple(found)


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
        recording_of(kept, exposure),
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
