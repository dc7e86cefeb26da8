"""One body on one field for many setups: scenes are drawn and transformed once and shared by all.

Every setup looks at the same square of sky, so that a scene's transform serves them all: a smaller
telescope takes the part of it that it can pass. A feature is staged so that it can be judged at any
time: brought to the middle of the disc, its shadow put on the disc, satellites set beside the planet;
a drifting spot stands on the far side until it is judged itself.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt
import scipy.fft

from simulate.air import Sky
from simulate.bodies import Body
from simulate.camera import SensorGrid
from simulate.geometry import Apparition
from simulate.instruments import Instrument
from simulate.judging import FLOOR, JudgedFeature, Judgement
from simulate.judging.judge import (
    CELLS_PER_RESOLUTION,
    Bench,
    Pair,
    all_weights,
    feature_longitude_east,
    judge_moons,
    judge_pair,
    make_bench,
    make_pair,
    offsets_from_oval_deg,
    onto_stack,
    scene_colours,
    scene_spectrum,
    width_of,
)
from simulate.light.chain import (
    WIDEST_DISC_SHARE,
    Aim,
    Chain,
    Setting,
    channel_shares,
    make_chain,
    sampling_ratio,
)
from simulate.light.look import (
    LEAST_SHARE,
    body_width_arcsec,
    green_channel,
    rotation_arcsec_per_s,
    seen_bins,
    sensor_noise,
)
from simulate.scene import Scene, SceneOptions, render
from simulate.stack import (
    Exposure,
    ExposureWishes,
    Recording,
    choose_exposure,
    crop_spectrum,
    expected_stack,
    finer_sampling,
    keep_fraction,
)
from simulate.stack.expected import USUAL_SMEAR
from simulate.values.constants import ARCSEC_PER_RADIAN, ASTRONOMICAL_UNIT_KM
from simulate.values.grid import Grid
from simulate.values.resolution import finest_arcsec

FloatArray = npt.NDArray[np.floating]

MANY_FRAMES = 1000
"""A stack of that many frames may be laid on finer cells."""


@dataclass(frozen=True, eq=False)
class Study:
    """A body as it stands, drawn once for all setups.

    Parameters
    ----------
    body, seen : Body, Apparition
        What is looked at; its satellites stand aside.
    sky, aim : Sky, Aim
        The air, and the way through it.
    options : SceneOptions
        How it is drawn.
    width_arcsec : float
        Side of the field.
    scene : Scene
        The body on the shared grid.
    spectrum : complex64 array, shape (bins, rows, columns//2+1)
        Its transform.
    wishes : ExposureWishes
        What is fixed of the recording.
    floor : float
        See `Bench`.
    """

    body: Body
    seen: Apparition
    sky: Sky
    aim: Aim
    options: SceneOptions
    width_arcsec: float
    scene: Scene
    spectrum: npt.NDArray[np.complexfloating]
    wishes: ExposureWishes = field(default_factory=ExposureWishes)
    floor: float = FLOOR

    @cached_property
    def colours(self) -> FloatArray:
        """Photons of the whole scene in each bin, shape (bins,)."""
        return scene_colours(self.scene)

    def pair(self, feature: JudgedFeature) -> Pair | None:
        """Return the scenes of a feature, staged; None where it is not there at all."""
        seen, options = staged(feature, self.body, self.seen, self.options)
        if seen is self.seen and options == self.options:
            return make_pair(feature, self.scene, self.body, self.options)
        scene = render(seen, self.body, self.scene.grid, self.scene.bins, options=options)
        return make_pair(feature, scene, self.body, options, staged=True)

    def entered(self, pair: Pair | None, bench: Bench) -> FloatArray | None:
        """Return the contrast that enters in each channel of a camera."""
        return None if pair is None else pair.contrast_in(all_weights(bench), self.body)


def make_study(
    body: Body,
    seen: Apparition,
    sky: Sky,
    instruments: Sequence[Instrument],
    *,
    options: SceneOptions | None = None,
    wishes: ExposureWishes | None = None,
    floor: float = FLOOR,
) -> Study:
    """Lay the common field of several setups and draw the body on it.

    Parameters
    ----------
    body, seen, sky : Body, Apparition, Sky
        What is looked at, how it stands, through which air.
    instruments : sequence of Instrument
        Every setup that will be asked for; the smallest sets the field, the finest the grid.
    options, wishes, floor
        See `Study`.
    """
    aim = Aim.of(seen)
    plain = replace(options or SceneOptions(), invented_texture=False)
    smallest = min(tool.telescope.aperture_mm for tool in instruments)
    blur = math.hypot(finest_arcsec(smallest), sky.turbulence_arcsec(aim.airmass))
    disc = body_width_arcsec(body, seen)
    width = max(disc / WIDEST_DISC_SHARE, disc + 8 * blur)
    bins = max((seen_bins(tool.camera) for tool in instruments), key=len)
    finest = min(finest_arcsec(tool.telescope.aperture_mm) for tool in instruments)
    cells = max(CELLS_PER_RESOLUTION * width / finest, *(_stack_cells(tool, width) for tool in instruments))
    side = 2 * int(scipy.fft.next_fast_len(math.ceil(cells / 2), real=True) or 0)
    aside = set_aside(seen)
    if plain.red_spot_longitude_deg is None and any(entry.get("kind") == "oval" for entry in body.features):
        plain = replace(plain, red_spot_longitude_deg=(_map_meridian(body, seen) + 180.0) % 360.0)
    scene = render(aside, body, Grid(side, side, width / side), bins, options=plain)
    spectrum = scene_spectrum(scene.radiance, scene.points, scene.grid)
    return Study(body, aside, sky, aim, plain, width, scene, spectrum, wishes or ExposureWishes(), floor)


def _pixels(instrument: Instrument, width_arcsec: float) -> int:
    """Pixels across the field: a multiple of 4, so that half and third parts fit; of 16 where that is little."""
    wanted = width_arcsec / instrument.pixel_arcsec
    multiple = 4 if wanted < 200 else 16
    return multiple * max(4, round(wanted / multiple))


def _stack_cells(instrument: Instrument, width_arcsec: float) -> int:
    factor, _ = finer_sampling(sampling_ratio(instrument), channel_shares(instrument), MANY_FRAMES)
    return round(_pixels(instrument, width_arcsec) * factor)


@dataclass(frozen=True)
class Change:
    """What a setup has otherwise than usual.

    Parameters
    ----------
    without : frozenset of str
        Steps of the chain that are switched off; "filter array" too.
    still : bool
        The body does not turn during the recording.
    seeing_arcsec : float or None
        Another seeing at the zenith.
    aim : Aim or None
        Another way through the air.
    longer : float
        Factor on the length of the recording, beyond what rotation allows.
    noiseless : bool
        Count the floor only.
    """

    without: frozenset[str] = frozenset()
    still: bool = False
    seeing_arcsec: float | None = None
    aim: Aim | None = None
    longer: float = 1.0
    noiseless: bool = False


def study_bench(study: Study, instrument: Instrument, change: Change | None = None) -> Bench:
    """Return a setup of a study, ready to judge.

    Parameters
    ----------
    study : Study
        The common field.
    instrument : Instrument
        Its pixel is taken a little larger or smaller, so that whole pixels fill the field.
    change : Change, optional
        What is otherwise.
    """
    asked = change or Change()
    sky = study.sky if asked.seeing_arcsec is None else replace(study.sky, seeing_arcsec=asked.seeing_arcsec)
    setting, recording = _laid(study, instrument, sky, asked)
    share = study.wishes.keep or keep_fraction(setting.fried_ratio)
    turn = 0.0 if asked.still else rotation_arcsec_per_s(study.body, study.seen)
    chain = make_chain(replace(setting, kept=share))
    rates = shared_rates(study, chain)
    exposure = _exposure(study, chain, rates, turn, asked.longer)
    if study.wishes.exposure_s is None and exposure.exposure_s < LEAST_SHARE * setting.exposure_s:
        # a bright body is exposed so shortly that the air and the mount stand nearly still
        chain = make_chain(replace(setting, kept=share, exposure_s=exposure.exposure_s))
        rates = shared_rates(study, chain)
        exposure = _exposure(study, chain, rates, turn, asked.longer)
    recording = replace(recording, exposure_s=exposure.exposure_s, frames=exposure.frames, kept=exposure.kept)
    stack = expected_stack(
        rates, chain.setting.grid.step_arcsec, recording, sensor_noise(instrument, exposure.gain_e_per_dn)
    )
    return make_bench(
        study.body, study.scene, chain, stack,
        scene_grid=study.scene.grid, floor=study.floor, smear_arcsec=turn * exposure.seconds,
        noiseless=asked.noiseless, colours=study.colours,
    )  # fmt: skip


def _laid(study: Study, instrument: Instrument, sky: Sky, change: Change) -> tuple[Setting, Recording]:
    aim = change.aim or study.aim
    count = _pixels(instrument, study.width_arcsec)
    pixel = study.width_arcsec / count
    shares = channel_shares(instrument)
    if "filter array" in change.without:
        shares = (1.0,) * len(shares)
    factor, drop = finer_sampling(sampling_ratio(instrument), shares, MANY_FRAMES)
    if "pixel" in change.without:  # what a pixel would blur must not fall to the cells instead
        fine = CELLS_PER_RESOLUTION * study.width_arcsec / finest_arcsec(instrument.telescope.aperture_mm)
        factor, drop = max(count, min(2 * math.ceil(fine / 2), study.scene.grid.rows)) / count, 0.0
    cells = round(count * factor)
    mount = instrument.mount
    sensor = SensorGrid(count, count, pixel, mount.sky_angle_deg(aim.parallactic_angle_deg), mount.mirrored)
    grid = Grid(cells, cells, study.width_arcsec / cells)
    setting = Setting(
        instrument,
        sky,
        aim,
        grid,
        sensor,
        study.scene.bins,
        change.without,
        exposure_s=study.wishes.exposure_s or 0.010,
    )
    return setting, Recording(0.010, 1, 1, pixel, shares, factor, drop)


def _exposure(study: Study, chain: Chain, rates: FloatArray, turn_arcsec_s: float, longer: float) -> Exposure:
    instrument, grid, used = chain.setting.instrument, chain.setting.grid, chain.used
    shares = chain.weights[green_channel(instrument), used] * study.colours[used]
    shares = (shares / shares.sum()).astype(np.complex64)
    green = np.zeros(chain.pixel.shape, np.complex64)
    for share, index in zip(shares, used, strict=True):
        green += share * chain.response[index]
    sharp = width_of(green * chain.pixel, grid.step_arcsec, grid.shape)
    camera = instrument.camera
    gain = camera.gain_e_per_dn

    def chosen(wishes: ExposureWishes) -> Exposure:
        return choose_exposure(
            float(rates.max()),
            camera.saturation_e(gain),
            gain_e_per_dn=gain,
            fried_ratio=chain.setting.fried_ratio,
            rotation_limit_s=USUAL_SMEAR * sharp / turn_arcsec_s if turn_arcsec_s > 0 else math.inf,
            wishes=wishes,
        )

    usual = chosen(study.wishes)
    if longer == 1.0:
        return usual
    return chosen(replace(study.wishes, frames=None, seconds=usual.seconds * longer))


def shared_rates(study: Study, chain: Chain) -> npt.NDArray[np.float32]:
    """Return e- s-1 per pixel of the study's scene on a chain's grid, (channels, rows, columns), sky included."""
    grid, shared = chain.setting.grid, study.scene.grid
    mixed = np.zeros((len(chain.weights), grid.rows, grid.columns // 2 + 1), np.complex64)
    for index in chain.used:
        plane = crop_spectrum(study.spectrum[index], grid.shape, shared.columns) * chain.response[index]
        for channel, weight in zip(mixed, chain.weights[:, index], strict=True):
            channel += weight * plane
    mixed *= onto_stack(shared, grid) * chain.pixel
    picture = np.asarray(scipy.fft.irfft2(mixed, s=grid.shape))
    picture += chain.sky_rate.astype(np.float32)[:, None, None]
    return picture


def judge_feature(
    bench: Bench, feature: JudgedFeature, pair: Pair | None, entered: FloatArray | None
) -> tuple[Judgement, ...]:
    """Return the one or two answers for a feature in a setup; none where it is not there."""
    if feature.kind in ("moon", "moon disc"):
        moons = [moon for moon in bench.apparition.moons if moon.name in feature.subjects]
        verdict = judge_moons(bench, feature, moons)
        return (verdict,) if verdict else ()
    return tuple(judge_pair(bench, pair, entered)) if pair is not None else ()


def judged_pairs(
    study: Study, features: Sequence[JudgedFeature], bench: Bench
) -> Iterator[tuple[JudgedFeature, Pair | None, FloatArray | None]]:
    """Yield each feature with its scenes and what enters; one after the other, since scenes are large."""
    for feature in features:
        pair = study.pair(feature) if feature.kind in ("detail", "disc") else None
        yield feature, pair, study.entered(pair, bench)


def set_aside(seen: Apparition) -> Apparition:
    """Return the apparition with every satellite sunlit at its distance beside the planet, no shadow cast."""
    km_per_arcsec = seen.distance_au * ASTRONOMICAL_UNIT_KM / ARCSEC_PER_RADIAN
    moons = []
    for moon in seen.moons:
        distance = math.sqrt(sum(part**2 for part in moon.position_km))
        moons.append(
            replace(
                moon,
                east_arcsec=distance / km_per_arcsec,
                north_arcsec=0.0,
                state="clear",
                position_km=(distance, 0.0, 0.0),
                shadow_position_km=(distance, 0.0, 0.0),
                shadow_east_arcsec=None,
                shadow_north_arcsec=None,
                sunlit_fraction=1.0,
            )
        )
    return replace(seen, moons=tuple(moons))


def staged(
    feature: JudgedFeature, body: Body, seen: Apparition, options: SceneOptions
) -> tuple[Apparition, SceneOptions]:
    """Return the apparition and options in which a feature can be judged best."""
    if feature.stage == "shadow":
        return _with_shadow(seen, feature.subjects[0]), options
    if feature.stage == "facing" and seen.central_meridian_deg:
        place = feature_longitude_east(body, feature.longitude_of)
        if place is None:  # it drifts with the oval: turn the map until it lies where the middle is
            east = offsets_from_oval_deg(body, feature.longitude_of)[0]
            return seen, replace(options, red_spot_longitude_deg=(_map_meridian(body, seen) + east) % 360.0)
        sense = -1.0 if body.longitude_sense == "west" else 1.0
        return replace(
            seen, central_meridian_deg=dict.fromkeys(seen.central_meridian_deg, sense * place % 360.0)
        ), options
    return seen, options


def _map_meridian(body: Body, seen: Apparition) -> float:
    """Return the longitude in the middle of the disc, in the system of the body's map."""
    meridians = seen.central_meridian_deg
    return meridians.get(body.section("map").get("longitude_system", ""), next(iter(meridians.values())))


def _with_shadow(seen: Apparition, name: str) -> Apparition:
    """Put a satellite between the Sun and the middle of the sunlit side, but not before the planet."""
    radius = seen.equatorial_diameter_arcsec / 2
    sun = seen.sun_direction
    moons = []
    for moon in seen.moons:
        if moon.name == name:
            distance = math.sqrt(sum(part**2 for part in moon.position_km))
            moon = replace(
                moon,
                shadow_position_km=tuple(distance * part for part in sun),
                shadow_east_arcsec=radius * sun[0],
                shadow_north_arcsec=radius * sun[1],
            )
        moons.append(moon)
    return replace(seen, moons=tuple(moons))
