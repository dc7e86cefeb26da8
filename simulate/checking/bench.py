"""What a check compares a picture with: one body, one setup and its instants, each theory computed once."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt
import scipy.fft

from simulate.air import Sky, seeing_transfers
from simulate.bodies import Body
from simulate.camera import SensorGrid, pixel_transfer
from simulate.checking.face import face_doubts, face_trust, globe_of
from simulate.checking.faults import Optics
from simulate.checking.finding import Found
from simulate.checking.fitting import Fit, Known, KnownPose, Problem, fit_picture, settled_on
from simulate.checking.limb import LimbSize, limb_size
from simulate.checking.measures import MeasuredTransfer, aperture_of, measure_transfer, parameters_of
from simulate.checking.model import Doubts, Theory, laid_under
from simulate.checking.reading import UserPicture
from simulate.checking.turning import SURE as FACE_SURE
from simulate.checking.turning import FaceAnswer, face_answer
from simulate.geometry import Apparition, apparition, instant_after
from simulate.instruments import Instrument
from simulate.light.chain import Aim, Chain, Setting, make_chain, scene_colours
from simulate.light.look import (
    ViewOptions,
    body_width_arcsec,
    expected_frame,
    exposure_of,
    green_channel,
    seen_bins,
    stack_of,
)
from simulate.scene import Scene, SceneOptions, render
from simulate.scene.rings import is_gap, ring_feature_name
from simulate.stack import restore
from simulate.stack.restore import rings_of
from simulate.telescope import make_pupil, transfer
from simulate.values.constants import ARCSEC_PER_RADIAN
from simulate.values.grid import Grid
from simulate.values.practice import IDEAL
from simulate.values.resolution import finest_arcsec
from simulate.values.spectrum import SpectralBins

FloatArray = npt.NDArray[np.floating]

MOST_CELLS = 320
"""Cells along the theory's grid: more than most finished pictures can tell, and quick."""

WHOLE, CELLS_OF_THE_WHOLE = 2.0, 200
"""Widths lambda / D of those cells from which a body is compared as a whole only, and cells then: 1.4 for each of the
fit's pixels."""

SLOWEST_DEG_PER_H = 5.0
"""Turn from which a body's markings tell the time of the day."""

TURNS = 36
"""Central meridians at which a face is computed for its mean and for the search of a time: every 10 deg."""


def turned_on(seen: Apparition, by_deg: float) -> Apparition:
    """Return a body that has turned on by an angle: its central meridian is higher by it."""
    return replace(
        seen,
        central_meridian_deg={key: value + by_deg for key, value in seen.central_meridian_deg.items()},
        sub_solar_longitude_deg={key: value + by_deg for key, value in seen.sub_solar_longitude_deg.items()},
    )


class Bench:
    """One body, one instrument, one instant: theories and expected pictures, each computed once.

    Parameters
    ----------
    body, instrument, seen, sky
        What, with what, when and where, through which air.
    options : SceneOptions
        What is drawn.
    """

    def __init__(self, body: Body, instrument: Instrument, seen: Apparition, sky: Sky, options: SceneOptions) -> None:
        self.body, self.instrument, self.seen, self.sky, self.options = body, instrument, seen, sky, options
        self.resolution = finest_arcsec(instrument.telescope.aperture_mm)
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
        self._without: dict[frozenset[str], Theory] = {}

    @property
    def pixel_arcsec(self) -> float:
        """Side of the camera's pixel, arcsec."""
        telescope, camera = self.instrument.telescope, self.instrument.camera
        return camera.pixel_um * 1e-3 / telescope.effective_focal_length_mm * ARCSEC_PER_RADIAN

    def scene(self, seen: Apparition, without: frozenset[str] = frozenset()) -> Scene:
        """Render the scene of an apparition, with details left out."""
        options = replace(self.options, without=self.options.without | without)
        return render(seen, self.body, self.grid, self.bins, options=options)

    def theory(self, channel: int) -> Theory:
        """Return the unblurred planet in one of the camera's channels."""
        light = self.planes[channel] / np.float32(self.levels[channel])
        return Theory(self.grid, light, self.cutoff, self._doubts(channel, light))

    def zonal(self) -> Theory:
        """Return the planet in green as its face is on the mean of a rotation: bands, phase and rings only."""
        light = self.turns.mean(axis=0)
        return Theory(self.grid, light, self.cutoff, self._doubts(self.green, light))

    @cached_property
    def turns(self) -> npt.NDArray[np.float32]:
        """The planet in green with `TURNS` central meridians, evenly spaced from that of the time told."""
        steps = np.arange(TURNS) * 360.0 / TURNS
        return np.array([self.at(turned_on(self.seen, float(step))).light for step in steps])

    @cached_property
    def turns_within_days(self) -> bool:
        """Whether the body has markings and turns so fast that they tell a time."""
        if not self.seen.central_meridian_deg or not self.body.features:
            return False
        later = apparition(self.body, instant_after(self.seen.time_utc, 3600.0), ephemeris=self.seen.ephemeris)
        system = next(iter(self.seen.central_meridian_deg))
        moved = later.central_meridian_deg[system] - self.seen.central_meridian_deg[system]
        return abs(math.remainder(moved, 360.0)) > SLOWEST_DEG_PER_H

    def _doubts(self, channel: int, light: FloatArray) -> Doubts:
        """Return what the light of a channel cannot be trusted for."""
        rings = {}
        for name in dict.fromkeys(ring_feature_name(ring) for ring in self.body.rings if not is_gap(ring)):
            scene = self.scene(self.seen, frozenset({name}))
            without = light_planes(self.chain, scene)[channel] / np.float32(self.levels[channel])
            # what the ring hides or shades of the globe is geometry, and stays
            rings[name] = np.maximum(light - without, 0.0)
        return face_doubts(self.body, self.seen, self.grid, light, rings, self.resolution)

    def at(self, seen: Apparition) -> Theory:
        """Return the planet of another apparition in the green channel and the same unit of light."""
        return self._green(self.scene(seen))

    def without(self, names: frozenset[str]) -> Theory:
        """Return the planet without some details in the green channel and the same unit of light."""
        if names not in self._without:
            self._without[names] = self._green(self.scene(self.seen, names))
        return self._without[names]

    def change(self, before: Theory, after: Theory, by: float) -> Theory:
        """Return the change of light from one theory to another, per unit of what changed by `by`."""
        return Theory(self.grid, (after.light - before.light) / np.float32(by), self.cutoff)

    def _green(self, scene: Scene) -> Theory:
        plane = light_planes(self.chain, scene)[self.green]
        return Theory(self.grid, plane / np.float32(self.levels[self.green]), self.cutoff)

    def expected_transfer(self) -> tuple[FloatArray, FloatArray]:
        """Return (frequency, transfer) of the picture that the setup should give, by rings, green channel."""
        look = expected_frame(
            self.body, self.instrument, self.seen, self.sky, ViewOptions(scene=self.options, practice=IDEAL)
        )
        stack, _ = stack_of(look, exposure_of(look), 0)
        finished = restore(
            stack.picture, stack.noise, stack.transfer, stack.step_arcsec, noise_spectrum=stack.noise_spectrum
        )
        rings = rings_of((stack.picture.shape[1], stack.picture.shape[2]), stack.step_arcsec)
        values = rings.mean(np.real(finished.transfer[self.green]))
        reach = rings.centres <= 0.5 / stack.step_arcsec
        return rings.centres[reach], values[reach]

    def expected_aperture_mm(self) -> float:
        """Return the effective aperture of the picture that the setup should give."""
        return aperture_of(half_of(*self.expected_transfer()), self.wavelength_nm)

    def optics(self, theory: Theory) -> Optics:
        """Return pupil and transfer of the setup and its air as they should be."""
        telescope, aim = self.instrument.telescope, Aim.of(self.seen)
        pupil = make_pupil(telescope)
        square = pixel_transfer(theory.grid, SensorGrid(8, 8, min(self.pixel_arcsec, 0.5 / self.cutoff)))
        middle = SpectralBins((self.wavelength_nm - 10.0, self.wavelength_nm + 10.0))
        air = seeing_transfers(theory.grid, middle, self.sky, aim.airmass, aperture_m=telescope.aperture_mm * 1e-3)[0]
        return Optics(pupil, self.wavelength_nm, transfer(pupil, theory.grid, self.wavelength_nm) * square * air)


@dataclass(frozen=True, eq=False)
class Fitted:
    """A picture that was fitted to the theory of its instant.

    Parameters
    ----------
    picture : UserPicture
        The picture.
    plane : int
        Which of its planes was fitted.
    found : Found
        Where the planet was found.
    theory : Theory
        The planet in green.
    fit : Fit
        The fit.
    measured : MeasuredTransfer
        What the picture left of the contrast.
    jacobian : array, shape (pixels, parameters)
        Derivatives of the fit.
    unchanged : Theory or None
        The theory before the face's doubts were added to it as the fit found them.
    face : FaceAnswer or None
        What the markings say of time and mirror; None where there are none.
    limb : LimbSize or None
        Size of the limb beside that of the first fit.
    """

    picture: UserPicture
    plane: int
    found: Found
    theory: Theory
    fit: Fit
    measured: MeasuredTransfer
    jacobian: FloatArray
    unchanged: Theory | None = None
    face: FaceAnswer | None = None
    limb: LimbSize | None = None

    @property
    def levels(self) -> npt.NDArray[np.float32]:
        """Levels of the fitted plane."""
        return self.picture.levels[self.plane]

    def under(self, theory: Theory) -> FloatArray:
        """Return a theory, blurred as the picture is, under the window's pixels, shape (pixels,)."""
        rows, columns = self.fit.window.pixels
        light = theory.blurred(self.fit.blur.at(theory.frequency))
        return laid_under(light, theory, self.fit.pose_here, (rows.ravel(), columns.ravel()))


BELIEVED = 0.99
"""Share of a picture that the face of a surface that stays must explain for nothing to be left open in it."""

UNDERSTOOD = 0.985
"""Share of a picture from which the fit of the whole disc tells its scale better than the limb alone."""

LIMB_FLOOR = 0.004
"""Share of the scale below which the limb alone does not tell it (on owners' pictures whose moons tell the scale it was
0.002 to 0.025 off, the worst where an editor had cut the limb)."""


def fitted_to(bench: Bench, picture: UserPicture, plane: int, found: Found, pose: KnownPose | None = None) -> Fitted:
    """Fit a plane of a picture to the theory of a bench.

    Place, scale and tone come from a fit to the planet as it is on the mean of a rotation where its markings drift, and
    to its face where they stay; then the limb alone corrects the scale of a picture that is not well understood; then
    the markings say which face it is, and under which mirror.

    Parameters
    ----------
    bench : Bench
        The body as told.
    picture : UserPicture
        The picture.
    plane : int
        Which of its planes.
    found : Found
        Where the planet is.
    pose : KnownPose, optional
        How it lies by its moons.

    Raises
    ------
    InputError
        If what was found does not look like this body.
    """
    drifting, levels = face_trust(bench.body).drifting, picture.levels[plane]
    axis = bench.seen.north_pole_position_angle_deg
    theory = bench.zonal() if drifting else bench.theory(bench.green)
    # a surface that stays is believed until a picture says otherwise: limb and tone left open pull on each other
    theory = theory if drifting else replace(theory, doubts=None)
    fit = fit_picture(levels, found, theory, picture.bits, axis_deg=axis if drifting else None, pose=pose)
    if not drifting and fit.explained < BELIEVED:
        theory = bench.theory(bench.green)
        fit = fit_picture(levels, found, theory, picture.bits, pose=pose)
    limb = None
    if not bench.body.rings and not fit.by_moons and not found.edge.circle:
        limb = limb_size(fit, theory.changed(fit.amounts), globe_of(bench.body, bench.seen))
        if limb is not None and fit.explained < UNDERSTOOD:
            scale = math.log(fit.pose_here.scale_arcsec / limb.ratio)
            fit = settled_on(fit, theory, (Known(2, scale, math.hypot(limb.error, LIMB_FLOOR)),))
    face = None
    if bench.turns_within_days:
        face = face_answer(bench, fit, theory, drifting=drifting)
    if drifting:
        if face is not None and face.sure and face.mirror_probability > FACE_SURE and not fit.tells_mirror:
            odds = min(-math.log(max(1.0 - face.mirror_probability, 1e-20)), 40.0)
            other = fit.pose.angle_deg if face.pose.mirrored is not fit.pose.mirrored else fit.other_angle_deg
            fit = replace(fit, pose=fit.window.pose_in_picture(face.pose), mirror_evidence=odds, other_angle_deg=other)
        if face is not None and face.sure and face.as_told and fit.tells_mirror:
            # the amounts are those of the same changes: the bands' of the mean and of the face are nearly one
            theory = bench.theory(bench.green)
            fit = settled_on(fit, theory)
    changed = theory.changed(fit.amounts)
    measured = measure_transfer(fit, changed)
    return Fitted(
        picture=picture,
        plane=plane,
        found=found,
        theory=changed,
        fit=fit,
        measured=measured,
        jacobian=linearised(fit, changed),
        unchanged=theory,
        face=face,
        limb=limb,
    )


def linearised(fit: Fit, theory: Theory) -> FloatArray:
    """Return the derivatives of a fit, shape (pixels, parameters)."""
    return Problem(fit.window, theory, fit.pose.mirrored).jacobian(parameters_of(fit))


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
    # of the whole Moon no more than the fit's own pixels show is ever compared
    most = MOST_CELLS if across < WHOLE * MOST_CELLS * resolution_arcsec else CELLS_OF_THE_WHOLE
    step = max(resolution_arcsec / 5, across / most)
    # an even length whose transform is quick
    cells = 2 * scipy.fft.next_fast_len(math.ceil(across / step / 2), real=True)  # pyright: ignore[reportOperatorIssue]
    return Grid(cells, cells, step)


def _light_chain(instrument: Instrument, sky: Sky, seen: Apparition, grid: Grid, bins: Any) -> Chain:
    """Return a chain that holds what the light suffers but for all blur."""
    off = frozenset({"diffraction", "seeing", "dispersion", "tracking", "pixel"})
    window = SensorGrid(8, 8, grid.step_arcsec)
    return make_chain(
        Setting(
            instrument=instrument,
            sky=sky,
            aim=Aim.of(seen),
            grid=Grid(2, 2, grid.step_arcsec),
            sensor=window,
            bins=bins,
            without=off,
        )
    )


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


def half_of(frequency: FloatArray, values: FloatArray) -> float:
    """Return where a transfer falls through one half, in the unit of `frequency`."""
    below = np.flatnonzero(values < 0.5)
    if not below.size or below[0] == 0:
        return float(frequency[-1])
    first = int(below[0])
    return float(np.interp(0.5, [values[first], values[first - 1]], [frequency[first], frequency[first - 1]]))
