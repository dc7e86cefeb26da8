"""A user's picture against the theory of its instant: the composer of `simulate check`."""

from __future__ import annotations

import math
import warnings
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from simulate.air import Sky, seeing_transfers
from simulate.bodies import Body, load_body
from simulate.camera import SensorGrid, channel_names, pixel_transfer
from simulate.compose.chain import GREEN_NM, Aim, Chain, Setting, make_chain
from simulate.compose.view import (
    ViewOptions,
    body_width_arcsec,
    expected_frame,
    exposure_of,
    green_channel,
    refuse_below_horizon,
    scene_colours,
    seen_bins,
    stack_of,
    view_inputs,
)
from simulate.errors import InputError, RangeWarning, choose
from simulate.geometry import Apparition, Site, apparition, as_site, parse_time
from simulate.instruments import Instrument, load_instrument
from simulate.judgement.checking.faults import (
    Fault,
    Lookalikes,
    Optics,
    from_levels,
    from_overshoot,
    from_sampling,
    from_shifts,
    verdict_of,
    weigh_blurs,
)
from simulate.judgement.checking.finding import Found, find_planet
from simulate.judgement.checking.fitting import Fit, Problem, fit_picture, refuse_unlike
from simulate.judgement.checking.measures import (
    ChannelShift,
    Levels,
    MeasuredTransfer,
    amplitude_of,
    aperture_of,
    channel_shift,
    effective_aperture,
    limb_overshoot_of,
    measure_levels,
    measure_transfer,
    parameters_of,
)
from simulate.judgement.checking.model import Pose, Theory, laid_under
from simulate.judgement.checking.reading import UserPicture, read_picture
from simulate.judgement.checking.results import Check, ContrastCurve, FeatureContrast, Measurement
from simulate.judgement.checking.twin import RingGap, Twin, close_up, make_twin
from simulate.judgement.features import judged_features
from simulate.scene import Scene, SceneOptions, render
from simulate.scene.feature_names import scene_feature_names
from simulate.scene.rings import is_gap, ring_feature_name
from simulate.stack import restore
from simulate.stack.restore import rings_of
from simulate.telescope import make_pupil, transfer
from simulate.values.constants import ARCSEC_PER_RADIAN
from simulate.values.grid import Grid
from simulate.values.spectrum import SpectralBins

if TYPE_CHECKING:
    from astropy.coordinates import EarthLocation
    from astropy.time import Time

FloatArray = npt.NDArray[np.floating]

MOST_CELLS = 320
"""Cells along the theory's grid: more than most finished pictures can tell, and quick."""

LEAST_EXPLAINED = 0.978
"""Share of a picture's variance that the theory of the right body explains at least."""

SCALE_FLOOR = 0.001
"""Share of the scale below which no uncertainty is stated: limb darkening and radii are known no better."""

APERTURE_FLOOR = 0.025
"""The same of the effective aperture: one number stands for a transfer of some other shape."""

FARTHEST_SCALE = 8.0
"""Factor by which a picture's scale may differ from the instrument's before the body is doubted."""

CLOCK_STEP_S = 240.0
"""Seconds by which the theory is moved to learn how the picture changes with time."""

LONGEST_CLOCK_S = 1500.0
"""Largest clock error that is sought, s; a wrong date needs another time."""

TROUGH_REACH = 0.6
"""Diameters of the Airy disc between a sharp edge and the dark line that over-sharpening draws beside it: as far
from a gap's place a dark line may be taken for it (common practice)."""

CURVE = np.array([0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9])
"""Frequencies of the contrast curve, shares of D / lambda."""


@dataclass(frozen=True)
class CheckOptions:
    """What the user may tell of a picture.

    Parameters
    ----------
    twin : str or None
        Detail whose reality is to be tried.
    enlarged : float
        Factor by which the picture was enlarged after the camera; the focal length is counted back by it.
    only_fit : bool
        Leave out features, faults and clock.
    features : bool
        Measure the contrast of each feature.
    scene : SceneOptions
        What is drawn.
    """

    twin: str | None = None
    enlarged: float = 1.0
    only_fit: bool = False
    features: bool = True
    scene: SceneOptions = field(default_factory=SceneOptions)

    def __post_init__(self) -> None:
        if not (math.isfinite(self.enlarged) and 0.05 <= self.enlarged <= 50):
            raise InputError("--enlarged", self.enlarged, "give a factor from 0.05 to 50")


def check(
    picture: str | Path | UserPicture,
    body: str | Body,
    instrument: str | Instrument,
    time: str | Time,
    site: str | Site | EarthLocation | None = None,
    *,
    sky: Sky | None = None,
    options: CheckOptions | None = None,
    seed: int = 0,
    ephemeris: str = "builtin",
) -> Check:
    """Compare a picture of a planet with what physics allowed at its instant.

    Parameters
    ----------
    picture : str, Path or UserPicture
        A PNG, TIFF, FITS or JPEG file, which is only read, or a picture already read.
    body, instrument, time, site, sky, ephemeris
        As for `simulate.compose.view.view`: what it shows, what it was taken with, when and where.
    options : CheckOptions, optional
        What the user tells of the picture.
    seed : int
        Seed of the twin's noise.

    Raises
    ------
    InputError
        For anything that cannot be used, above all a picture without this planet.
    """
    asked = options or CheckOptions()
    known = body if isinstance(body, Body) else load_body(body)
    tool = instrument if isinstance(instrument, Instrument) else load_instrument(instrument)
    if known.equatorial_radius_km is None or known.kind not in ("planet", "moon"):
        raise InputError("BODY", known.name, "name a planet or the moon: a point has nothing to compare")
    if asked.twin is not None:
        choose("--twin", asked.twin, scene_feature_names(known))
    shown = picture if isinstance(picture, UserPicture) else read_picture(picture)
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        seen = apparition(known, parse_time(time), None if site is None else as_site(site), ephemeris=ephemeris)
        refuse_below_horizon(seen)
        result = _Work(known, tool, seen, sky or Sky(), asked).judged(shown, seed)
    told = dict.fromkeys(str(entry.message) for entry in caught if issubclass(entry.category, RangeWarning))
    inputs = view_inputs(known, tool, seen, sky or Sky(), ViewOptions(scene=asked.scene), seed)
    return replace(result, warnings=(*shown.notes, *told, *result.warnings), inputs=inputs)


class _Work:
    """One body, one instrument, one instant: theories and expected pictures, each computed once."""

    def __init__(self, body: Body, instrument: Instrument, seen: Apparition, sky: Sky, options: CheckOptions) -> None:
        self.body, self.instrument, self.seen, self.sky, self.options = body, instrument, seen, sky, options
        self.resolution = GREEN_NM * 1e-6 / instrument.telescope.aperture_mm * ARCSEC_PER_RADIAN
        self.grid = theory_grid(body_width_arcsec(body, seen), self.resolution)
        self.bins = seen_bins(instrument.camera)
        self.chain = _light_chain(instrument, sky, seen, self.grid, self.bins)
        self.green = green_channel(instrument)
        scene = self.scene(seen)
        self.planes = light_planes(self.chain, scene)
        light = self.chain.weights[self.green] * scene_colours(scene)
        self.wavelength_nm = float((light * self.bins.centres_nm).sum() / light.sum())
        self.cutoff = instrument.telescope.aperture_mm * 1e6 / self.wavelength_nm / ARCSEC_PER_RADIAN
        self.levels = [_disc_level(plane) for plane in self.planes]

    def scene(self, seen: Apparition, without: frozenset[str] = frozenset()) -> Scene:
        """Render the scene of an apparition, with details left out."""
        options = replace(self.options.scene, without=self.options.scene.without | without)
        return render(seen, self.body, self.grid, self.bins, options=options)

    def theory(self, channel: int) -> Theory:
        """Return the unblurred planet in one of the camera's channels."""
        return Theory(self.grid, self.planes[channel] / np.float32(self.levels[channel]), self.cutoff)

    def other(self, scene: Scene, channel: int) -> Theory:
        """Return another scene in the same unit of light."""
        plane = light_planes(self.chain, scene)[channel]
        return Theory(self.grid, plane / np.float32(self.levels[channel]), self.cutoff)

    def judged(self, picture: UserPicture, seed: int) -> Check:
        """Do all of a check."""
        plane, channel = _planes_to_fit(picture, self)
        found = find_planet(picture.levels[plane])
        theory = self.theory(channel)
        fit = fit_picture(picture.levels[plane], found, theory, picture.bits)
        refuse_unlike(fit, LEAST_EXPLAINED, self.body.name)
        self._refuse_other_size(fit)
        measured = measure_transfer(fit, theory)
        parameters, jacobian = _linearised(fit, theory)
        del parameters
        expected = self.expected_transfer()
        best = _half_of(*expected)
        shifts = self._shifts(picture, plane, fit, found)
        levels = measure_levels(picture.levels[plane], found.mask, picture.bits, found.sky, found.disc)
        overshoot = _overshoot(measured)
        brief = self.options.only_fit
        plain = brief or not self.options.features
        faults, alike = ((), ()) if brief else self._faults(fit, theory, shifts, levels, overshoot, found)
        aperture = effective_aperture(measured, self.wavelength_nm, fit.pose.scale_arcsec)
        response = np.interp(theory.frequency, *expected)
        scale = Measurement(
            fit.pose.scale_arcsec, fit.pose.scale_arcsec * math.hypot(fit.errors["log scale"], SCALE_FLOOR)
        )
        focal = self.instrument.camera.pixel_um * 1e-3 * ARCSEC_PER_RADIAN / scale.value / self.options.enlarged
        angle = Measurement(fit.pose.angle_deg, math.degrees(fit.errors["angle"])) if fit.tells_angle else None
        return Check(
            body=self.body.name,
            instrument=self.instrument,
            apparition=self.seen,
            picture=picture,
            plane=plane,
            fit=fit,
            theory=theory,
            expected_light=theory.blurred(response),
            transfer=measured,
            curve=self._curve(measured, expected),
            aperture=Measurement(aperture.value_mm, math.hypot(aperture.error_mm, APERTURE_FLOOR * aperture.value_mm)),
            expected_aperture=Measurement(aperture_of(best, self.wavelength_nm), 0.1 * aperture_of(best, 550.0)),
            focal_length=Measurement(focal, focal * scale.error / scale.value),
            pixel_scale=scale,
            angle=angle,
            mirrored=fit.pose.mirrored if fit.tells_mirror and fit.tells_angle else None,
            clock=self._clock(fit, channel, jacobian) if fit.tells_angle and fit.tells_mirror and not brief else None,
            shifts=shifts,
            levels=levels,
            overshoot=overshoot,
            features=() if plain else self._features(fit, theory, channel, jacobian, measured, response),
            faults=faults,
            verdict=verdict_of(faults),
            lookalikes=alike,
            twin=self._twin(fit, theory, channel, picture.levels[plane], picture.bits, seed),
        )

    def _refuse_other_size(self, fit: Fit) -> None:
        ratio = self.pixel_arcsec / fit.pose.scale_arcsec / self.options.enlarged
        if not 1.0 / FARTHEST_SCALE < ratio < FARTHEST_SCALE:
            wanted = (
                f"the disc would be {ratio:.2g} times as large as through this instrument; tell --enlarged if it is"
            )
            raise InputError("BODY", self.body.name, wanted)

    def expected_transfer(self) -> tuple[FloatArray, FloatArray]:
        """Return (frequency, transfer) of the picture that the setup should give, by rings, green channel."""
        look = expected_frame(self.body, self.instrument, self.seen, self.sky, ViewOptions(scene=self.options.scene))
        stack, _ = stack_of(look, exposure_of(look, look.chain.on_sensor(look.rates)), 0)
        finished = restore(
            stack.picture, stack.noise, stack.transfer, stack.step_arcsec, noise_spectrum=stack.noise_spectrum
        )
        rings = rings_of((stack.picture.shape[1], stack.picture.shape[2]), stack.step_arcsec)
        values = rings.mean(np.real(finished.transfer[self.green]))
        reach = rings.centres <= 0.5 / stack.step_arcsec
        return rings.centres[reach], values[reach]

    def _curve(self, measured: MeasuredTransfer, expected: tuple[FloatArray, FloatArray]) -> ContrastCurve:
        line = CURVE * self.cutoff
        error = measured.error_at(line)
        told = (error < 0.15) & (line < 2.2 * measured.half()[0])
        perfect = 2 / math.pi * (np.arccos(CURVE) - CURVE * np.sqrt(1 - CURVE**2))
        return ContrastCurve(
            line, np.where(told, measured.at(line), np.nan), error, np.interp(line, *expected, right=0.0), perfect
        )

    def _shifts(self, picture: UserPicture, plane: int, fit: Fit, found: Found) -> tuple[ChannelShift, ...]:
        if picture.levels.shape[0] != 3:
            return ()
        names = channel_names(self.instrument.camera)
        result = []
        for index, name in ((0, "red"), (2, "blue")):
            channel = names.index(name) if name in names else self.green
            other = _moved_fit(picture.levels[index], fit, self.theory(channel), picture.bits)
            if other is not None:
                result.append(channel_shift(name, fit, other))
        del plane, found
        return tuple(result)

    def _faults(
        self,
        fit: Fit,
        theory: Theory,
        shifts: tuple[ChannelShift, ...],
        levels: Levels,
        overshoot: Measurement,
        found: Found,
    ) -> tuple[tuple[Fault, ...], Lookalikes]:
        blurs, alike = weigh_blurs(fit, theory, self._optics(theory))
        blur = 0.6 / fit.half_frequency
        faults = [
            *blurs,
            from_sampling(fit, self.cutoff, self.pixel_arcsec, self.options.enlarged),
            from_overshoot(overshoot.value, overshoot.error),
            from_levels(levels, found.area_px),
        ]
        if shifts:
            faults.append(from_shifts(shifts, fit.pose.scale_arcsec, blur))
        return tuple(sorted(faults, key=lambda fault: -fault.evidence)), alike

    def _optics(self, theory: Theory) -> Optics:
        telescope, aim = self.instrument.telescope, Aim.of(self.seen)
        pupil = make_pupil(telescope)
        square = pixel_transfer(theory.grid, SensorGrid(8, 8, min(self.pixel_arcsec, 0.5 / self.cutoff)))
        middle = SpectralBins((self.wavelength_nm - 10.0, self.wavelength_nm + 10.0))
        air = seeing_transfers(theory.grid, middle, self.sky, aim.airmass, aperture_m=telescope.aperture_mm * 1e-3)[0]
        return Optics(pupil, self.wavelength_nm, transfer(pupil, theory.grid, self.wavelength_nm) * square * air)

    @property
    def pixel_arcsec(self) -> float:
        """Side of the camera's pixel, arcsec."""
        telescope, camera = self.instrument.telescope, self.instrument.camera
        return camera.pixel_um * 1e-3 / telescope.effective_focal_length_mm * ARCSEC_PER_RADIAN

    def _clock(self, fit: Fit, channel: int, jacobian: FloatArray) -> Measurement | None:
        """Seconds by which the picture shows the planet later than the time told."""
        from astropy.time import TimeDelta

        middle, total = parse_time(self.seen.time_utc), 0.0
        error = math.inf
        for _ in range(3):
            before, after = (
                self.other(
                    self.scene(
                        apparition(
                            self.body,
                            middle + TimeDelta(total + away, format="sec"),
                            self.seen.site,
                            ephemeris=self.seen.ephemeris,
                        )
                    ),
                    channel,
                )
                for away in (-CLOCK_STEP_S / 2, CLOCK_STEP_S / 2)
            )
            change = Theory(self.grid, (after.light - before.light) / np.float32(CLOCK_STEP_S), self.cutoff)
            now = Theory(self.grid, (after.light + before.light) / np.float32(2.0), self.cutoff)
            step, error = self._time_step(fit, now, change, jacobian)
            total += max(-CLOCK_STEP_S * 2, min(CLOCK_STEP_S * 2, step))
            if error > LONGEST_CLOCK_S / 3 or abs(total) > LONGEST_CLOCK_S:
                return None
            if abs(step) < 0.3 * CLOCK_STEP_S:
                break
        return Measurement(total, error)

    @staticmethod
    def _time_step(fit: Fit, now: Theory, change: Theory, jacobian: FloatArray) -> tuple[float, float]:
        problem = Problem(fit.window, now, fit.pose.mirrored)
        residual = problem.residual(parameters_of(fit))
        moved = replace(fit, residual=residual.reshape(fit.window.levels.shape))
        return amplitude_of(moved, _under(fit, change), jacobian)

    def _features(
        self,
        fit: Fit,
        theory: Theory,
        channel: int,
        jacobian: FloatArray,
        measured: MeasuredTransfer,
        expected: FloatArray,
    ) -> tuple[FeatureContrast, ...]:
        result = []
        for judged in judged_features(self.body):
            if judged.kind != "detail":
                continue
            without = self.other(self.scene(self.seen, judged.without), channel)
            difference = Theory(self.grid, theory.light - without.light, self.cutoff)
            if float(np.abs(difference.light).max()) < 2e-3:
                continue
            due, row, column = _peak_contrast(difference, without, expected)
            left, _, _ = _peak_contrast(difference, without, measured.at(theory.frequency))
            if due < 2e-3:
                continue
            change, error = amplitude_of(fit, _under(fit, difference), jacobian)
            told = error < 0.5 and bool(fit.tells_angle)
            result.append(
                FeatureContrast(
                    judged.name,
                    left * (1.0 + change) if told else None,
                    left * error if told else None,
                    due,
                    float(self.grid.east_arcsec()[column]),
                    float(self.grid.north_arcsec()[row]),
                )
            )
        return tuple(sorted(result, key=lambda feature: -feature.expected_contrast))

    def _twin(self, fit: Fit, theory: Theory, channel: int, plane: FloatArray, bits: int, seed: int) -> Twin | None:
        if self.options.twin is None:
            return None
        name = self.options.twin.strip().lower()
        without = self.other(self.scene(self.seen, frozenset({name})), channel)
        close = close_up(plane, fit, theory, bits)
        return make_twin(name, close, theory, without, self.ring_gap(name), seed)

    def ring_gap(self, name: str) -> RingGap | None:
        """Return where a gap in the rings is looked for: around its place by as far as ringing reaches."""
        rings = self.body.rings
        for index, ring in enumerate(rings):
            if 0 < index < len(rings) - 1 and is_gap(ring) and ring_feature_name(ring) == name:
                scale = 2.0 * self.body.equatorial_radius_km / self.seen.equatorial_diameter_arcsec
                middle, airy = (ring.inner_km + ring.outer_km) / 2, 2.44 * self.resolution * scale
                inner = max(rings[index - 1].inner_km, middle - airy)
                outer = min(rings[index + 1].outer_km, middle + airy)
                return RingGap(middle, inner, outer, TROUGH_REACH * airy, scale, self.seen.pole_direction)
        return None


def theory_grid(width_arcsec: float, resolution_arcsec: float) -> Grid:
    """Return the grid of the theory: room for the blur, cells of a fifth of the resolution or a bound on their count.

    Parameters
    ----------
    width_arcsec : float
        Of the body with its rings.
    resolution_arcsec : float
        lambda / D.
    """
    across = 1.5 * width_arcsec + 8 * resolution_arcsec
    step = max(resolution_arcsec / 5, across / MOST_CELLS)
    cells = 2 * math.ceil(across / step / 2)
    return Grid(cells, cells, step)


def _light_chain(instrument: Instrument, sky: Sky, seen: Apparition, grid: Grid, bins: Any) -> Chain:
    """Return a chain that holds what the light suffers but for all blur."""
    off = frozenset({"diffraction", "seeing", "dispersion", "tracking", "pixel"})
    window = SensorGrid(8, 8, grid.step_arcsec)
    return make_chain(Setting(instrument, sky, Aim.of(seen), Grid(2, 2, grid.step_arcsec), window, bins, off))


def light_planes(chain: Chain, scene: Scene) -> npt.NDArray[np.float32]:
    """Return the unblurred light of each channel, shape (channels, rows, columns); points fill four cells.

    Parameters
    ----------
    chain : Chain
        Gives the weights of the bins.
    scene : Scene
        The truth.
    """
    planes = np.tensordot(chain.weights, scene.radiance, axes=1)
    grid = scene.grid
    for point in scene.points:
        row, column = grid.pixel_of(point.east_arcsec, point.north_arcsec)
        first_row, first_column = math.floor(row), math.floor(column)
        if not (0 <= first_row < grid.rows - 1 and 0 <= first_column < grid.columns - 1):
            continue
        light = chain.weights @ point.photons / grid.cell_arcsec2
        for up in (0, 1):
            for left in (0, 1):
                share = abs(1 - up - (row - first_row)) * abs(1 - left - (column - first_column))
                planes[:, first_row + up, first_column + left] += light * share
    return planes


def _disc_level(plane: FloatArray) -> float:
    bright = float(np.quantile(plane, 0.999))
    return float(np.median(plane[plane > bright / 3]))


def _planes_to_fit(picture: UserPicture, work: _Work) -> tuple[int, int]:
    """Return which plane of the picture and which channel of the camera are compared."""
    if picture.levels.shape[0] == 3:
        return 1, work.green
    return 0, work.green


def _linearised(fit: Fit, theory: Theory) -> tuple[FloatArray, FloatArray]:
    parameters = parameters_of(fit)
    return parameters, Problem(fit.window, theory, fit.pose.mirrored).jacobian(parameters)


def _under(fit: Fit, theory: Theory) -> FloatArray:
    """Return a theory, blurred as the picture is, under the window's pixels, shape (pixels,)."""
    rows, columns = fit.window.pixels
    light = theory.blurred(fit.blur.at(theory.frequency))
    return laid_under(light, theory, fit.pose_here, (rows.ravel(), columns.ravel()))


def _half_of(frequency: FloatArray, values: FloatArray) -> float:
    below = np.flatnonzero(values < 0.5)
    if not below.size or below[0] == 0:
        return float(frequency[-1])
    first = int(below[0])
    return float(np.interp(0.5, [values[first], values[first - 1]], [frequency[first], frequency[first - 1]]))


def _overshoot(measured: MeasuredTransfer) -> Measurement:
    value = limb_overshoot_of(measured)
    random = np.random.default_rng(5)
    drawn = random.multivariate_normal(measured.weights, measured.covariance, 30, method="svd")
    spread = [limb_overshoot_of(replace(measured, weights=weights / weights.sum())) for weights in drawn]
    return Measurement(value, float(np.std(spread)))


def _moved_fit(plane: FloatArray, fit: Fit, theory: Theory, bits: int) -> Fit | None:
    """Fit another channel from where the first lies."""
    from simulate.judgement.checking.fitting import refit

    return refit(plane, fit, theory, bits)


def _peak_contrast(difference: Theory, without: Theory, response: FloatArray) -> tuple[float, int, int]:
    """Return the largest contrast of a blurred difference on the blurred disc, and its cell."""
    change, around = difference.blurred(response), without.blurred(response)
    lit = around > 0.3 * float(np.quantile(around[around > 0.1 * around.max()], 0.9))
    contrast = np.where(lit, np.abs(change) / np.maximum(around, 1e-6), 0.0)
    row, column = (int(i) for i in np.unravel_index(int(np.argmax(contrast)), contrast.shape))
    return float(contrast[row, column]), row, column


def pose_of(result: Check) -> Pose:
    """Return how the whole picture lies on the sky."""
    return result.fit.pose
