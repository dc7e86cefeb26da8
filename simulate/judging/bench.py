"""One setup ready to judge: its chain on its own canvas, its exposure, the noise of its stack.

The seam between the engine and the verdicts::

    setup = Setup(body=..., seen=..., instrument=..., sky=..., aim=..., scene=..., wishes=..., ...)
    setup = setup.used_by(practice)        # telescope, air, camera and laying of frames as a hand has them
    bench = make_bench(setup)              # or make_bench(setup, exposure) of a recording that is known
    judge_scene(bench)                     # a Judgement for each feature

A hand changes instrument, sky, gain and practice of a `Setup`; what is drawn and transformed of body and
features depends on none of them, so that all levels share it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt
import scipy.fft

from simulate.air import Sky
from simulate.bodies import Body
from simulate.camera import SensorGrid, channel_names
from simulate.geometry import Apparition
from simulate.instruments import Instrument
from simulate.judging import FLOOR, THRESHOLDS, JudgedFeature, Measured, Signal, find_signal, floor_per_cell
from simulate.judging.drawn import Subject, Waves, body_waves, draw
from simulate.light.canvas import JudgingCanvas, judging_canvas
from simulate.light.chain import Aim, Chain, Setting, channel_shares, make_chain, sampling_ratio
from simulate.light.colours import LUMINANCE, screen_matrix, white_rates
from simulate.light.hand import gain_in_hand, in_hand, laid_by_hand
from simulate.light.look import (
    LEAST_SHARE,
    LIT,
    ExpectedFrame,
    body_width_arcsec,
    green_channel,
    rotation_arcsec_per_s,
    seen_bins,
    sensor_noise,
)
from simulate.scene import SceneOptions
from simulate.stack import (
    Exposure,
    ExposureWishes,
    Recording,
    Restoring,
    SensorNoise,
    choose_exposure,
    delivered_fwhm,
    finer_sampling,
    restoring_gain,
)
from simulate.stack.expected import USUAL_SMEAR, spread_powers_at, spread_transfers_at
from simulate.stack.interpolated import find_aliases, lattice_of
from simulate.values.grid import Grid
from simulate.values.practice import IDEAL, Practice
from simulate.values.resolution import finest_arcsec
from simulate.values.spectrum import SpectralBins

FloatArray = npt.NDArray[np.floating]
Spectrum = npt.NDArray[np.complexfloating]

ANY_EXPOSURE = Exposure(
    exposure_s=0.010,
    gain_e_per_dn=1.0,
    peak_electrons=0.0,
    peak_fraction=0.0,
    frames=1,
    kept=1,
    seconds=0.010,
    frames_per_second=100.0,
)
"""Stands for an exposure that is not chosen yet: how fine the stack's cells are does not depend on it."""

MANY_FRAMES = 1000
"""A stack of that many frames may be laid on finer cells."""


@dataclass(frozen=True)
class Setup:
    """Everything that a verdict depends on.

    Parameters
    ----------
    body, seen : Body, Apparition
        What is looked at, and how it stands.
    instrument : Instrument
        Telescope, camera and mount.
    sky, aim : Sky, Aim
        The air, and the way through it.
    scene : SceneOptions
        How the body is drawn; invented texture is left out.
    wishes : ExposureWishes
        What is fixed of the recording.
    gain_e_per_dn : float or None
        In place of the camera's.
    practice : Practice
        The hand that records and lays frames on each other; `used_by` brings it to the other fields.
    bins : SpectralBins or None
        Spectral bins; None takes those that the camera sees.
    floor : float
        Rms of what never averages out, share of the local brightness per resolution element.
    without : frozenset of str
        Steps of the chain that are switched off; "filter array" too.
    still : bool
        The body does not turn during the recording.
    longer : float
        Factor on the length of the recording, beyond what rotation allows.
    noiseless : bool
        Count the floor only.
    """

    body: Body
    seen: Apparition
    instrument: Instrument
    sky: Sky
    aim: Aim
    scene: SceneOptions = field(default_factory=SceneOptions)
    wishes: ExposureWishes = field(default_factory=ExposureWishes)
    gain_e_per_dn: float | None = None
    practice: Practice = IDEAL
    bins: SpectralBins | None = None
    floor: float = FLOOR
    without: frozenset[str] = frozenset()
    still: bool = False
    longer: float = 1.0
    noiseless: bool = False

    @property
    def subject(self) -> Subject:
        """What is drawn."""
        plain = replace(self.scene, invented_texture=False)
        return Subject(self.body, self.seen, plain, self.bins or seen_bins(self.instrument.camera))

    def used_by(self, practice: Practice) -> Setup:
        """Return the same setup, bare so far, in a hand: what that changes of telescope, air, camera and floor."""
        tool, air = in_hand(self.instrument, self.sky, self.aim, practice)
        return replace(
            self,
            instrument=tool,
            sky=air,
            gain_e_per_dn=gain_in_hand(self.instrument, self.gain_e_per_dn, practice),
            practice=practice,
            floor=practice.floor,
        )

    @property
    def turn_arcsec_per_s(self) -> float:
        """Way of the middle of the disc in a second."""
        return 0.0 if self.still else rotation_arcsec_per_s(self.body, self.seen)


@dataclass(frozen=True, eq=False)
class Bench:
    """One setup, ready to judge: everything that does not depend on the feature.

    Parameters
    ----------
    setup : Setup
        What it was made for.
    canvas : JudgingCanvas
        Where it is judged.
    chain : Chain
        Of an average kept frame, on the canvas.
    exposure : Exposure
        How it is recorded.
    sensor : SensorNoise
        What the sensor adds to the photons and cuts of them.
    response : complex64 array, shape (used bins, rows, columns//2+1)
        From the transform of light on the sky (`Waves`) to that of electrons in one frame.
    spread : float32 array, shape (channels, rows, columns//2+1)
        From a frame to the stack: what laying frames together makes of each frequency.
    noise_spectrum : float32 array, that shape
        Power of the stack's noise relative to readings that are not spread.
    rates : float32 array, shape (channels, rows, columns)
        e- s-1 per pixel in a frame of the body as it stands, before anything is cut.
    variance_scale : array, shape (channels,)
        From the variance of one reading, e-^2, to that of a cell of the canvas, (e- s-1)^2.
    fwhm_arcsec : float
        Width of the stack's point response in the channel that sees most.
    smear_arcsec : float
        Way that the middle of the disc turns during the recording.
    recording : Recording
        How frames are laid on each other.
    """

    setup: Setup
    canvas: JudgingCanvas
    chain: Chain
    exposure: Exposure
    sensor: SensorNoise
    response: npt.NDArray[np.complex64]
    spread: npt.NDArray[np.float32]
    noise_spectrum: npt.NDArray[np.float32]
    rates: npt.NDArray[np.float32]
    variance_scale: FloatArray
    fwhm_arcsec: float
    smear_arcsec: float
    recording: Recording

    @property
    def body(self) -> Body:
        """What is looked at."""
        return self.setup.body

    @property
    def apparition(self) -> Apparition:
        """How it stands."""
        return self.setup.seen

    @property
    def grid(self) -> Grid:
        """The cells that are judged."""
        return self.canvas.grid

    @property
    def weights(self) -> FloatArray:
        """Electrons per second and pixel for a radiance of 1 photon s-1 m-2 arcsec-2, (channels, bins)."""
        return self.chain.weights

    @property
    def sky_rate(self) -> FloatArray:
        """Electrons per second and pixel of the sky, (channels,)."""
        return self.chain.sky_rate

    @cached_property
    def cut(self) -> bool:
        """Whether readings of the body reach full scale."""
        return self.sensor.clips(float(self.rates.max()) * self.exposure.exposure_s, self.exposure.exposure_s)

    @cached_property
    def floor_per_cell(self) -> float:
        """The floor in one cell, share of the local brightness."""
        return floor_per_cell(self.setup.floor, self.fwhm_arcsec, self.grid.step_arcsec)

    @cached_property
    def scatter(self) -> FloatArray | None:
        """Aliases of frames on their own pixels: variance in a cell, (e- s-1)^2, (channels, rows, columns); or None.

        Aliases of neighbouring pixels are independent; so many cells of the canvas as lie in a pixel add up to the
        same error in its mean.
        """
        recording = self.recording
        if not recording.on_own_pixels or self.setup.noiseless:
            return None
        sensor = self.chain.setting.sensor
        cells = self.grid.rows  # of a square canvas, and square pixels
        nearest = ((np.arange(cells) + 0.5) * sensor.rows / cells).astype(int)
        planes = []
        for rates, share in zip(self.rates, recording.channel_shares, strict=True):
            lattice = lattice_of(share if recording.filled_in else 1.0)
            found = find_aliases(rates, lattice, sensor.shape, linear=recording.linear).scatter()
            planes.append(found[nearest][:, nearest] ** 2)
        return np.array(planes) * np.float32((sensor.pixel_arcsec / self.grid.step_arcsec) ** 2)

    @cached_property
    def lasting(self) -> FloatArray:
        """Variance that no number of frames averages out beside the floor, (e- s-1)^2, (channels, rows, columns).

        Aliases, and what is not known of the response: where the picture changes over a resolution element, at
        limbs above all, that is off by as large a share of the change (`Practice.response_error`).
        """
        if self.setup.floor == 0:  # who asks for no floor asks what noise alone would let through
            return np.zeros_like(self.picture)
        blurred = self.seen(np.asarray(scipy.fft.rfft2(self.picture)) * np.abs(self.transfer))
        share = floor_per_cell(self.setup.practice.response_error, self.fwhm_arcsec, self.grid.step_arcsec)
        variance = np.float32(share**2) * (self.picture - blurred) ** 2
        return variance if self.scatter is None else variance + self.scatter

    @cached_property
    def as_seen(self) -> FloatArray:
        """How much each channel adds to what the eye calls light, for a sunlit white 1, (channels,)."""
        camera, bins = self.setup.instrument.camera, self.chain.setting.bins
        white = white_rates(self.weights, bins)
        return LUMINANCE @ screen_matrix(self.weights, channel_names(camera), bins) / white

    @cached_property
    def picture(self) -> npt.NDArray[np.float32]:
        """The stack of the body as it stands, without noise, e- s-1 per pixel, (channels, rows, columns)."""
        if not self.cut and np.all(self.spread == 1.0):
            return self.rates
        light = self.readings(self.rates) if self.cut else self.rates
        return self.seen(np.asarray(scipy.fft.rfft2(light), np.complex64) * self.spread)

    def readings(self, rates: FloatArray) -> npt.NDArray[np.float32]:
        """Return the mean readings of rates that are cut at full scale, e- s-1."""
        seconds = self.exposure.exposure_s
        mean, _ = self.sensor.reading(np.maximum(rates, 0) * seconds, seconds)
        return np.asarray(mean / seconds, np.float32)

    def variance(self, rates: FloatArray) -> FloatArray:
        """Return the variance of the canvas' cells by photons and sensor, (e- s-1)^2, before the stack's spectrum.

        Parameters
        ----------
        rates : array, shape (channels, rows, columns)
            In a frame, before anything is cut.
        """
        if self.setup.noiseless:
            return np.zeros_like(rates)
        seconds = self.exposure.exposure_s
        electrons = np.maximum(rates, 0) * seconds
        if self.cut:
            _, single = self.sensor.reading(electrons, seconds)
        else:
            single = self.sensor.variance_e2(electrons, seconds)
        return single * self.variance_scale.astype(np.float32)[:, None, None]

    @cached_property
    def transfer(self) -> npt.NDArray[np.complex64]:
        """From the truth to the stack for the colours of the body, 1 at zero frequency, (channels, ...)."""
        waves = body_waves(self.setup.subject, self.canvas)
        colours = np.real(waves.modes[:, 0, 0]).astype(float) @ waves.colours  # photons of the whole in each bin
        light = self.weights[:, self.chain.used] * colours[self.chain.used]
        shares = (light / light.sum(axis=1, keepdims=True)).astype(np.complex64)
        mixed = np.tensordot(shares, self.response, axes=1) * self.spread
        return (mixed / place_on(self.grid)).astype(np.complex64)

    @cached_property
    def gain(self) -> Spectrum:
        """What restoration, as strong as the noise allows, multiplies each frequency of the stack by."""
        noise = np.sqrt(self.variance(self.rates))
        found = restoring_gain(
            self.picture, noise, self.transfer, self.grid.step_arcsec,
            noise_spectrum=self.noise_spectrum, how=Restoring.by(self.setup.practice),
            pixel_arcsec=self.chain.setting.sensor.pixel_arcsec,
        )  # fmt: skip
        return found.astype(np.complex64)

    def finished_picture(self, rng: np.random.Generator | None = None) -> FloatArray:
        """Return the restored stack, (channels, rows, columns), e- s-1 per pixel.

        Parameters
        ----------
        rng : numpy.random.Generator, optional
            Adds one realisation of its noise, aliases among it; None leaves it noise-free.
        """
        stack = np.asarray(scipy.fft.rfft2(self.picture))
        if rng is not None:
            white = rng.standard_normal(self.picture.shape, np.float32) * np.sqrt(self.variance(self.rates))
            stack = stack + np.asarray(scipy.fft.rfft2(white)) * np.sqrt(self.noise_spectrum)
            if self.scatter is not None:
                white = rng.standard_normal(self.picture.shape, np.float32) * np.sqrt(self.scatter)
                stack = stack + np.asarray(scipy.fft.rfft2(white)) * self._within_pixels
        return self.seen(stack * self.gain)

    @cached_property
    def _within_pixels(self) -> FloatArray:
        """1 at frequencies that the camera's pixels carry, else 0: what is left of white cells in white pixels."""
        limit = 0.5 / self.chain.setting.sensor.pixel_arcsec
        north, west = np.abs(self.grid.frequency_north()), np.abs(self.grid.frequency_west())
        return np.outer(north <= limit, west <= limit).astype(np.float32)

    @cached_property
    def finished_fwhm_arcsec(self) -> float:
        """Width of the finished picture's point response, as the eye adds up its colours."""
        light = (self.as_seen * self.rates.max(axis=(1, 2)))[:, None, None]
        mixed = np.sum(self.transfer * self.gain * light, axis=0) / np.sum(light)
        return width_of(mixed, self.grid.step_arcsec, self.grid.shape)

    def restored(self, channel: int) -> RestoredChannel:
        """Return one channel of the stack after restoration, computed once."""
        if channel not in self._restored:
            self._restored[channel] = RestoredChannel(self, channel)
        return self._restored[channel]

    @cached_property
    def _restored(self) -> dict[int, RestoredChannel]:
        return {}

    @cached_property
    def smear(self) -> FloatArray:
        """Transfer of a feature that moves with the middle of the disc, (rows, columns//2+1)."""
        along = math.radians(self.apparition.north_pole_position_angle_deg + 90.0)
        north, west = self.grid.frequency_north()[:, None], self.grid.frequency_west()[None, :]
        way = north * math.cos(along) - west * math.sin(along)
        return np.sinc(way * self.smear_arcsec).astype(np.float32)

    def mixed(self, waves: Waves, *, moves: bool = False) -> Spectrum:
        """Return the transform of one frame's electrons for light on the sky, (channels, rows, columns//2+1).

        Parameters
        ----------
        waves : Waves
            Of the light.
        moves : bool
            Smear it as the middle of the disc moves.
        """
        mixed = mix(self.chain, self.response, waves, self.canvas.cells)
        if moves and self.smear_arcsec > 0:
            mixed *= self.smear
        return mixed

    def seen(self, mixed: Spectrum) -> npt.NDArray[np.float32]:
        """Return the cells of a transform, e- s-1 per pixel."""
        return np.asarray(scipy.fft.irfft2(mixed, s=self.grid.shape), np.float32)

    @cached_property
    def window(self) -> tuple[slice, slice]:
        """Rows and columns of the canvas beyond which nothing of the body is judged."""
        reach = (body_width_arcsec(self.body, self.apparition) / 2 + 2.5 * self.fwhm_arcsec) / self.grid.step_arcsec
        middle = self.grid.pixel_of(0.0, 0.0)
        ends = [(max(0, math.floor(m - reach)), math.ceil(m + reach) + 1) for m in middle]
        return slice(*ends[0]), slice(*ends[1])

    def measure(
        self,
        *,
        mixed: Spectrum,
        difference: FloatArray,
        without: FloatArray,
        brighter_rates: FloatArray,
        feature: JudgedFeature,
        entered: FloatArray,
        kept: FloatArray,
        middle: Any,
        lasting: FloatArray | None = None,
    ) -> Measured:
        """Measure a difference in the stack against the picture without it, in the channel that shows it best.

        Parameters
        ----------
        mixed : array, shape (channels, any rows, any columns)
            The difference as the canvas' transform, or that of a part of it.
        difference, without : array, shape (channels, rows, columns)
            The difference and the picture without the feature, both cut to what is judged.
        brighter_rates : array, that shape
            The brighter of both in one frame, before anything is cut.
        feature : JudgedFeature
            What is judged.
        entered : array, shape (channels,)
            Contrast that entered.
        kept : array, shape (channels,)
            Share of the difference that full scale leaves at the feature's own place.
        middle : (float, float)
            (row, column) of the body's middle in the cut pictures.
        lasting : array, shape (channels, rows, columns), optional
            Variance that does not average out beside the floor.
        """
        brighter = np.maximum(np.maximum(without, without + difference), 0)
        step = self.grid.rows // mixed.shape[1]
        share = power_share(mixed, self.noise_spectrum[:, ::step, ::step])
        noise = np.maximum(self.variance(brighter_rates), 1e-30)
        variance = noise * share[:, None, None] + np.float32(self.floor_per_cell**2) * brighter**2
        if lasting is not None:
            variance = variance + lasting
        variance = np.maximum(variance, 1e-12 * variance.max(axis=(1, 2), keepdims=True))
        width = self.fwhm_arcsec / self.grid.step_arcsec
        signal = find_signal(difference, without, variance, feature.unknowns, middle=middle, fwhm_cells=width)
        whole = feature.kind in ("disc", "moon disc")
        found = [signal.measured(whole=whole, channel=channel) for channel in range(len(entered))]
        found = [replace(one, contrast=one.contrast * float(kept[one.channel])) for one in found]
        return max(
            found,
            key=lambda one: THRESHOLDS.margin(one.contrast / max(float(entered[one.channel]), 1e-9), one.snr, "clear"),
        )

    @cached_property
    def stamp_step(self) -> int:
        """How many times smaller than the canvas a picture of a satellite may be."""
        least = max(24.0, 12.0 * self.fwhm_arcsec / self.grid.step_arcsec)
        count = self.grid.rows
        return next((k for k in (16, 12, 8, 6, 4, 3, 2) if count % (2 * k) == 0 and count / k >= least), 1)

    @cached_property
    def stamp(self) -> Grid:
        """The cells of such a picture."""
        count = self.grid.rows // self.stamp_step
        return Grid(count, count, self.grid.step_arcsec)

    @cached_property
    def stamp_response(self) -> Spectrum:
        """From a point of light in the middle of a stamp to its transform in a frame, (used bins, ...)."""
        step, part = self.stamp_step, self.stamp
        bare = self.response[:, ::step, ::step] / place_on(self.grid)[::step, ::step]
        return (bare * place_on(part)).astype(np.complex64)

    @cached_property
    def edge_arcsec(self) -> float:
        """Distance from the body's middle up to which the stack shows its halo."""
        return 0.46 * self.canvas.side_arcsec


def bench_bytes(bench: Bench) -> int:
    """Return about how much memory a bench takes, with all that it has computed when everything is judged."""
    planes = len(bench.weights) * bench.grid.rows * bench.grid.columns * 4
    return bench.response.nbytes + bench.chain.response.nbytes + 10 * planes


def mix(chain: Chain, response: Spectrum, waves: Waves, cells: int) -> Spectrum:
    """Return what each channel gets of light on the sky through a response, (channels, rows, columns//2+1).

    Parameters
    ----------
    chain : Chain
        Gives the weights of channels and bins.
    response : array, shape (used bins, rows, columns//2+1)
        Of each bin.
    waves : Waves
        Of the light.
    cells : int
        Rows, and columns, of the canvas.
    """
    used = chain.used
    mixed = np.zeros((len(chain.weights), *response.shape[1:]), np.complex64)
    for mode, colours in zip(waves.within(cells), waves.colours, strict=True):
        light = (chain.weights[:, used] * colours[used]).astype(np.float32)
        # real weights on pairs of real numbers: half the work of complex ones
        through = (light @ response.reshape(len(used), -1).view(np.float32)).view(np.complex64)
        through = through.reshape(mixed.shape)
        through *= mode
        mixed += through
    return mixed


def place_on(grid: Grid) -> Spectrum:
    """Return what takes the transform of light about the body's middle to that of cells: per cell, first cell first."""
    first_north, first_west = float(grid.north_arcsec()[0]), -float(grid.east_arcsec()[0])
    rows = np.exp(2j * np.pi * grid.frequency_north() * first_north)
    columns = np.exp(2j * np.pi * grid.frequency_west() * first_west)
    return (np.outer(rows, columns) / grid.cell_arcsec2).astype(np.complex64)


@dataclass(frozen=True, eq=False)
class RestoredChannel:
    """One channel of a stack after restoration, without noise, and its noise.

    The floor is restored like everything in the stack: its faults are faults of the stack.

    Parameters
    ----------
    bench : Bench
        The setup.
    channel : int
        Which of its channels.
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
        return self.bench.seen(np.asarray(scipy.fft.rfft2(self.bench.picture[self.channel])) * self.gain)

    @cached_property
    def fwhm_arcsec(self) -> float:
        """Width of the point response."""
        transfer = self.gain * self.bench.transfer[self.channel]
        return width_of(transfer, self.bench.grid.step_arcsec, self.bench.grid.shape)

    @cached_property
    def _noise(self) -> tuple[FloatArray, FloatArray]:
        """Variance of the stack's cells by photons and sensor, and by all that lasts, both (rows, columns)."""
        light = np.maximum(self.bench.picture[self.channel], 0)
        lasting = np.float32(self.bench.floor_per_cell**2) * light**2 + self.bench.lasting[self.channel]
        return self.bench.variance(self.bench.rates)[self.channel], lasting

    @cached_property
    def _coloured_gain(self) -> Spectrum:
        spectrum = self.bench.noise_spectrum[self.channel]
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
    """Return the noise's power at the frequencies of a signal, relative to white noise, (channels,); shapes alike."""
    power = np.abs(mixed) ** 2
    total = power.sum(axis=(1, 2))
    return np.where(total > 0, (power * spectrum).sum(axis=(1, 2)) / np.maximum(total, 1e-30), 1.0).astype(np.float32)


def width_of(transfer: Spectrum, step_arcsec: float, shape: tuple[int, int]) -> float:
    """Return the width at half maximum of a transfer's point response, arcsec.

    Every n-th frequency gives the response in a field n times smaller, which holds it as well and is
    computed in a fraction of the time.
    """
    rows, columns = shape
    steps = (16, 12, 8, 6, 4, 3, 2)
    step = next((k for k in steps if rows % k == columns % (2 * k) == 0 and min(shape) >= 48 * k), 1)
    return float(delivered_fwhm(transfer[::step, ::step], step_arcsec, columns // step))


def make_bench(setup: Setup, exposure: Exposure | None = None) -> Bench:
    """Prepare a setup for judging on its own canvas.

    Parameters
    ----------
    setup : Setup
        What a verdict depends on.
    exposure : Exposure, optional
        How it is recorded, where that is known already; else it is chosen as `view` chooses it.
    """
    tool, subject = setup.instrument, setup.subject
    recording = _laid(setup, exposure or ANY_EXPOSURE)
    pixel = recording.pixel_arcsec
    canvas = _canvas_of(setup, recording)
    count = max(2, round(canvas.side_arcsec / pixel))
    turn = tool.mount.sky_angle_deg(setup.aim.parallactic_angle_deg)
    sensor_grid = SensorGrid(count, count, pixel, turn, tool.mount.mirrored)
    seconds = (exposure.exposure_s if exposure else setup.wishes.exposure_s) or 0.010
    setting = Setting(
        instrument=tool,
        sky=setup.sky,
        aim=setup.aim,
        grid=canvas.grid,
        sensor=sensor_grid,
        bins=subject.bins,
        without=setup.without,
        exposure_s=seconds,
    )
    waves = body_waves(subject, canvas)
    if exposure is None:
        exposure, setting = _chosen(setup, setting, canvas, waves)
    chain = make_chain(replace(setting, kept=exposure.kept / exposure.frames))
    recording = _laid(setup, exposure)
    grid = canvas.grid
    north, west = grid.frequency_north(), grid.frequency_west()
    shares = np.asarray(recording.channel_shares)
    # one reading spread over its pixel, so many readings over each pixel of the sky
    readings = recording.kept * shares * (grid.step_arcsec / pixel) ** 2
    bench = Bench(
        setup=setup,
        canvas=canvas,
        chain=chain,
        exposure=exposure,
        sensor=sensor_noise(tool, exposure.gain_e_per_dn),
        response=(chain.response[chain.used] * (chain.pixel * place_on(grid))).astype(np.complex64),
        spread=spread_transfers_at(north, west, recording).astype(np.float32),
        noise_spectrum=_noise_spectrum(north, west, recording),
        rates=np.zeros((0, 0, 0), np.float32),
        variance_scale=1.0 / (readings * exposure.exposure_s**2),
        fwhm_arcsec=0.0,
        smear_arcsec=setup.turn_arcsec_per_s * exposure.seconds,
        recording=recording,
    )
    sky = chain.sky_rate.astype(np.float32)[:, None, None]
    bench = replace(bench, rates=bench.seen(bench.mixed(waves)) + sky)
    if exposure.peak_fraction >= 1.0:
        bench = replace(bench, exposure=replace(exposure, overexposed_share=_overexposed_share(bench)))
    most = int(np.argmax(bench.rates.max(axis=(1, 2))))
    return replace(bench, fwhm_arcsec=width_of(bench.transfer[most], grid.step_arcsec, grid.shape))


def _overexposed_share(bench: Bench) -> float:
    """Return the share of the lit disc that reaches full scale in the channel that collects most."""
    camera, exposure = bench.setup.instrument.camera, bench.exposure
    full_scale_e_per_s = camera.saturation_e(exposure.gain_e_per_dn) / exposure.exposure_s
    most, coarse = int(np.argmax(bench.rates.max(axis=(1, 2)))), bench.canvas.coarsest
    light = np.tensordot(bench.weights[most], draw(bench.setup.subject, coarse), axes=1)
    lit = np.count_nonzero(light > LIT * light.max()) * coarse.cell_arcsec2
    full = np.count_nonzero(bench.rates[most] >= full_scale_e_per_s) * bench.grid.cell_arcsec2
    return min(1.0, float(full / lit))


def _noise_spectrum(north: FloatArray, west: FloatArray, recording: Recording) -> npt.NDArray[np.float32]:
    """Power of the stack's noise on the frequencies of a canvas, which is finer than the camera's own pixels."""
    if recording.on_own_pixels:
        still = replace(recording, registration_error_px=0.0)
        return np.asarray(spread_transfers_at(north, west, still) ** 2, np.float32)
    return spread_powers_at(north, west, recording).astype(np.float32)


def setup_of(look: ExpectedFrame) -> Setup:
    """Return what the verdicts on a look depend on."""
    setting, options = look.chain.setting, look.options
    return Setup(
        body=look.body,
        seen=look.scene.apparition,
        instrument=look.instrument,
        sky=setting.sky,
        aim=setting.aim,
        scene=options.scene,
        wishes=options.wishes,
        gain_e_per_dn=options.gain_e_per_dn,
        practice=options.hand,
        floor=options.hand.floor,
        bins=options.bins,
    )


def bench_of(look: ExpectedFrame, exposure: Exposure) -> Bench:
    """Return the bench of a look that is recorded in a known way."""
    return make_bench(setup_of(look), exposure)


def _laid(setup: Setup, exposure: Exposure) -> Recording:
    """Return how the frames of a setup are laid together."""
    tool, practice = setup.instrument, setup.practice
    shares = channel_shares(tool)
    if "filter array" in setup.without:
        shares = (1.0,) * len(shares)
    factor, drop = finer_sampling(
        sampling_ratio(tool),
        shares,
        MANY_FRAMES,
        finest_cells=practice.finest_cells,
        least_drop_px=practice.least_drop_px,
    )
    if "pixel" in setup.without:  # what a pixel would blur must not fall to the cells instead
        factor, drop = 1.0, 0.0
    laid = laid_by_hand(tool, exposure, practice, pixel_arcsec=tool.pixel_arcsec, factor=factor, drop=drop)
    return replace(laid, channel_shares=shares)


def _canvas_of(setup: Setup, recording: Recording) -> JudgingCanvas:
    tool, seen = setup.instrument, setup.seen
    nominal = Setting(
        instrument=tool,
        sky=setup.sky,
        aim=setup.aim,
        grid=Grid(2, 2, 1.0),
        sensor=SensorGrid(2, 2, recording.pixel_arcsec),
        bins=setup.subject.bins,
        without=setup.without,
        exposure_s=setup.wishes.exposure_s or 0.010,
    )
    blur = math.hypot(finest_arcsec(tool.telescope.aperture_mm), setup.sky.turbulence_arcsec(setup.aim.airmass))
    # frames on the camera's own pixels are judged as they are shown, enlarged without steps
    step = 0.0 if "pixel" in setup.without or recording.on_own_pixels else recording.step_arcsec
    return judging_canvas(
        nominal, body_width_arcsec=body_width_arcsec(setup.body, seen), blur_arcsec=blur, stack_step_arcsec=step
    )


def _chosen(setup: Setup, setting: Setting, canvas: JudgingCanvas, waves: Waves) -> tuple[Exposure, Setting]:
    """Return the exposure that suits a setup, and the setting with it: by the average frame, as for `view`."""
    chain = make_chain(setting)
    exposure = _exposure(setup, chain, canvas, waves)
    if setup.wishes.exposure_s is None and exposure.exposure_s < LEAST_SHARE * setting.exposure_s:
        # a bright body is exposed so shortly that the air and the mount stand nearly still
        setting = replace(setting, exposure_s=exposure.exposure_s)
        exposure = _exposure(setup, make_chain(setting), canvas, waves)
    if setup.longer != 1.0:
        wishes = replace(setup.wishes, frames=None, seconds=exposure.seconds * setup.longer)
        exposure = _exposure(replace(setup, wishes=wishes), make_chain(setting), canvas, waves)
    return exposure, setting


def _exposure(setup: Setup, chain: Chain, canvas: JudgingCanvas, waves: Waves) -> Exposure:
    grid, used = canvas.grid, chain.used
    place = chain.pixel * place_on(grid)
    mixed = mix(chain, chain.response[used], waves, canvas.cells)
    rates = np.asarray(scipy.fft.irfft2(mixed * place, s=grid.shape)) + chain.sky_rate[:, None, None]
    green = green_channel(setup.instrument)
    photons = np.real(waves.modes[:, 0, 0]).astype(float) @ waves.colours
    sharp = width_of(chain.channel_transfer(photons)[green], grid.step_arcsec, grid.shape)
    camera = setup.instrument.camera
    gain = setup.gain_e_per_dn or camera.gain_e_per_dn
    turn = setup.turn_arcsec_per_s
    return choose_exposure(
        float(rates.max()),
        camera.saturation_e(gain),
        gain_e_per_dn=gain,
        fried_ratio=chain.setting.fried_ratio,
        rotation_limit_s=USUAL_SMEAR * sharp / turn if turn > 0 else math.inf,
        wishes=setup.wishes,
        fastest_hz=setup.practice.frames_per_second,
        longest_s=setup.practice.seconds,
    )
