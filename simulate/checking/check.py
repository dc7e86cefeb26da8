"""A user's picture against the theory of its instant: the composer of `simulate check`."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypedDict

import numpy as np
import numpy.typing as npt

from simulate.air import Sky
from simulate.bodies import Body
from simulate.checking.bench import Bench, Fitted, fitted_to, half_of
from simulate.checking.budget import budget_of
from simulate.checking.dots import Dot, MoonWidth
from simulate.checking.face import face_trust
from simulate.checking.faults import Fault, shows_blur, verdict_of
from simulate.checking.finding import find_planet
from simulate.checking.findings import (
    clock_of,
    curve_of,
    faults_of,
    features_of,
    overshoot_of,
    readings_of,
    rotation_of,
    shifts_of,
    twin_of,
)
from simulate.checking.fitting import Fit
from simulate.checking.measures import (
    ChannelShift,
    Levels,
    Measurement,
    aperture_of,
    effective_aperture,
    limb_overshoot_of,
    measure_levels,
)
from simulate.checking.points import Beside, moons_first, points_of
from simulate.checking.reading import UserPicture, read_picture
from simulate.checking.results import Budget, Check, FeatureContrast, MoonsTime, OtherTime, Reading
from simulate.checking.times import other_time, refuse_other_body, refuse_other_time, shows_a_face
from simulate.errors import InputError, choose, kept_warnings
from simulate.geometry import Apparition, Site, apparition, as_site, instant_after, parse_time, utc_text
from simulate.geometry.clock import tt_days
from simulate.instruments import Instrument, load_instrument
from simulate.light.look import ViewOptions, refuse_below_horizon
from simulate.light.subject import choose_subject
from simulate.results.inputs import view_inputs
from simulate.scene import SceneOptions
from simulate.scene.feature_names import scene_feature_names
from simulate.values.constants import ARCSEC_PER_RADIAN

if TYPE_CHECKING:
    from astropy.coordinates import EarthLocation
    from astropy.time import Time

LEAST_EXPLAINED = 0.8
"""Share of a picture's variance that the theory of the right body explains at least, bands, limb and tone being free
within their priors (finished pictures of owners reach 0.86 to 0.998)."""

LEAST_RINGS = 0.5
"""Share of their light from which rings are taken for seen: opposition and tone change it by less, and a planet without
rings fits best with hardly any."""

DOUBTFUL = 0.99
"""Share below which another time is tried too, where the clock cannot be told."""

GAP_TO_TRUTH, FARTHEST_TRUTH = 2.0, 0.02
"""Share of the scale by which it may be wrong for each share of the picture that the theory does not explain, and the
most of it: what is left has a shape, and that pulls on the scale (on pictures of the trial 70 % lie within one sigma
so, and 69 % without; it matters for poor pictures)."""

POORLY_EXPLAINED, RINGING = 0.992, 0.1
"""Share of the picture that the theory must explain, and overshoot of the limb that there may be, for places on the
disc to be measured."""

SCALE_FLOOR = 0.0014
"""Share of the scale below which no uncertainty is stated: limb darkening and radii are known no better (measured on
one half of the trial's pictures)."""

APERTURE_FLOOR = 0.025
"""The same of the effective aperture: one number stands for a transfer of some other shape."""

ANGLE_GAP_DEG = 8.0
"""Degrees by which the angle may be wrong for each share of the picture that the theory does not explain."""

OVERSHOT_BEYOND_USE = 0.3
"""Overshoot of the limb that is given as the reason why a picture cannot be read."""

FARTHEST_SCALE = 8.0
"""Factor by which a picture's scale may differ from the instrument's before the body is doubted."""


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
    compared_with : str, Time or None
        Instant of another picture of this body by the same setup from the same place: why is it better?
    compared_picture : str, Path, UserPicture or None
        That picture; without it, the best that the setup could give then.
    compared_site : str, Site, EarthLocation or None
        From where it was taken; None means from the place of the first or, where the body was below the horizon
        then, from one where it stood as high.
    """

    twin: str | None = None
    enlarged: float = 1.0
    only_fit: bool = False
    features: bool = True
    scene: SceneOptions = field(default_factory=SceneOptions)
    compared_with: str | Time | None = None
    compared_picture: str | Path | UserPicture | None = None
    compared_site: str | Site | EarthLocation | None = None

    def __post_init__(self) -> None:
        if (self.compared_picture is not None or self.compared_site is not None) and self.compared_with is None:
            raise InputError("--compared-with", "nothing", "give the instant of the other picture")
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
        As for `simulate.light.look.view`: what it shows, what it was taken with, when and where.
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
    known = choose_subject(body)
    tool = instrument if isinstance(instrument, Instrument) else load_instrument(instrument)
    if known.equatorial_radius_km is None or known.kind not in ("planet", "moon"):
        raise InputError("BODY", known.name, "name a planet or the moon: a point has nothing to compare")
    if asked.twin is not None:
        choose("--twin", asked.twin, scene_feature_names(known))
    shown = _read(picture)
    with kept_warnings() as told:
        seen = apparition(known, parse_time(time), None if site is None else as_site(site), ephemeris=ephemeris)
        refuse_below_horizon(known, seen)
        bench = Bench(known, tool, seen, sky or Sky(), asked.scene)
        result = _judged(_settled(bench, shown, asked.enlarged), asked, seed)
        if asked.compared_with is not None:
            result = replace(result, budget=_budget(bench, result, asked))
    inputs = view_inputs(known, tool, seen, sky or Sky(), ViewOptions(scene=asked.scene), seed)
    return replace(result, told_utc=seen.time_utc, warnings=(*shown.notes, *told, *result.warnings), inputs=inputs)


def _read(picture: str | Path | UserPicture) -> UserPicture:
    return picture if isinstance(picture, UserPicture) else read_picture(picture)


def _budget(bench: Bench, mine: Check, options: CheckOptions) -> Budget:
    """Weigh the picture against another of the same setup and air."""
    if not mine.tells_sharpness:
        told = f"no other instant: {mine.body} is too large for its sharpness to be told, so there is nothing to weigh"
        raise InputError("--compared-with", str(options.compared_with), told)
    seen, elsewhere = _seen_then(bench, options)
    other = Bench(bench.body, bench.instrument, seen, bench.sky, bench.options)
    theirs = None
    if options.compared_picture is not None:
        try:
            settled = _settled(other, _read(options.compared_picture), 1.0)
        except InputError as error:
            field = {"PICTURE": "--compared-picture", "--time": "--compared-with"}.get(error.field, error.field)
            raise InputError(field, error.value, error.allowed) from error
        theirs = _judged(settled, CheckOptions(only_fit=True), 0)
    return replace(budget_of(mine, other, theirs), elsewhere=elsewhere)


def _seen_then(bench: Bench, options: CheckOptions) -> tuple[Apparition, bool]:
    """Return the body at the time of the other picture, and whether a place was taken where it stood as high as here.

    Nobody says that the other picture was taken from the same place; where it cannot have been, only the height
    matters, and the same height is the fair one.
    """
    assert options.compared_with is not None
    here, time = bench.seen, parse_time(options.compared_with)
    site = here.site if options.compared_site is None else as_site(options.compared_site)
    seen = apparition(bench.body, time, site, ephemeris=here.ephemeris)
    if seen.airmass is not None or site is None:
        return seen, False
    if options.compared_site is not None:
        refuse_below_horizon(bench.body, seen)
    as_high = replace(
        apparition(bench.body, time, ephemeris=here.ephemeris),
        site=here.site,
        altitude_deg=here.altitude_deg,
        apparent_altitude_deg=here.apparent_altitude_deg,
        azimuth_deg=here.azimuth_deg,
        airmass=here.airmass,
        parallactic_angle_deg=here.parallactic_angle_deg,
        sun_altitude_deg=here.sun_altitude_deg,
        moon_altitude_deg=here.moon_altitude_deg,
        moon_separation_deg=here.moon_separation_deg,
        moon_phase_angle_deg=here.moon_phase_angle_deg,
    )
    return as_high, True


@dataclass(frozen=True, eq=False)
class _Settled:
    """A fitted picture at the time that its moons speak for: the one told, as a rule.

    Parameters
    ----------
    bench, fitted
        Theory and fit of that time.
    beside : Beside
        Dots and moons.
    later_s : float
        By how much that time lies after the one told.
    """

    bench: Bench
    fitted: Fitted
    beside: Beside
    later_s: float = 0.0


def _settled(bench: Bench, picture: UserPicture, enlarged: float) -> _Settled:
    """Find the planet, its moons first, and fit it; refuse what is not this body."""
    plane = 1 if picture.levels.shape[0] == 3 else 0
    found = find_planet(picture.levels[plane], picture.name)
    beside = moons_first(bench, picture, found, bench.theory(bench.green))
    pose, answer, later = beside.pose, beside.answer, 0.0
    if found.edge.circle and pose is None:
        told = f"its disc is cut to a circle {2 * found.edge.radius_px:.0f} pixels across, so neither its size nor its"
        raise InputError("PICTURE", picture.name, f"{told} limb is the planet's; give it as it was before that")
    if pose is not None and answer is not None and not answer.as_told:
        at = instant_after(bench.seen.time_utc, answer.offset_s)
        seen = apparition(bench.body, at, bench.seen.site, ephemeris=bench.seen.ephemeris)
        if seen.site is None or seen.airmass is not None:
            bench, later = Bench(bench.body, bench.instrument, seen, bench.sky, bench.options), answer.offset_s
    fitted = fitted_to(bench, picture, plane, found, pose)
    if fitted.fit.explained < LEAST_EXPLAINED:
        _refuse(bench, fitted)
    if _rings_left(fitted) < LEAST_RINGS:
        refuse_other_body(bench, fitted.levels, fitted.found, fitted.fit)
    _refuse_other_size(bench, fitted.fit, enlarged)
    return _Settled(bench, fitted, beside, later)


def _rings_left(fitted: Fitted) -> float:
    """Return the share of the rings' light that a fit left; 1 for a body without any."""
    doubts = fitted.theory.doubts
    if doubts is None or "rings" not in doubts.names:
        return 1.0
    return 1.0 + float(fitted.fit.amounts[doubts.names.index("rings")])


def _refuse(bench: Bench, fitted: Fitted) -> None:
    """Raise `InputError` with the likeliest reason why the theory explains so little of a picture."""
    fit, levels = fitted.fit, fitted.levels
    refuse_other_body(bench, levels, fitted.found, fit)
    refuse_other_time(bench, levels, fitted.found, fitted.picture.bits, fit)
    shares = (
        f"theory explains {100 * max(fit.explained, 0.0):.0f} % of it, and {100 * LEAST_EXPLAINED:.0f} % are needed"
    )
    overshoot = limb_overshoot_of(fitted.measured, 0.5 * bench.seen.equatorial_diameter_arcsec)
    if overshoot > OVERSHOT_BEYOND_USE:
        told = f"its limb overshoots by {100 * overshoot:.0f} %: sharpen it less ({shares})"
        raise InputError("PICTURE", fitted.picture.name, told)
    raise InputError("PICTURE", fitted.picture.name, f"it does not look like {bench.body.name} at that time: {shares}")


def _refuse_other_size(bench: Bench, fit: Fit, enlarged: float) -> None:
    ratio = bench.pixel_arcsec / fit.pose.scale_arcsec / enlarged
    if not 1.0 / FARTHEST_SCALE < ratio < FARTHEST_SCALE:
        wanted = f"the disc would be {ratio:.2g} times as large as through this instrument; tell --enlarged if it is"
        raise InputError("BODY", bench.body.name, wanted)


def _judged(settled: _Settled, options: CheckOptions, seed: int) -> Check:
    """Measure everything in a fitted picture."""
    bench, fitted = settled.bench, settled.fitted
    expected = bench.expected_transfer()
    response = np.interp(fitted.theory.frequency, *expected)
    due_mm = aperture_of(half_of(*expected), bench.wavelength_nm)
    place = _place(settled, options)
    quality = _quality(bench, fitted, options, due_mm)
    result = Check(
        body=bench.body.name,
        instrument=bench.instrument,
        apparition=bench.seen,
        picture=fitted.picture,
        plane=fitted.plane,
        fit=fitted.fit,
        theory=fitted.theory,
        expected_light=fitted.theory.blurred(response),
        transfer=fitted.measured,
        curve=curve_of(bench, fitted.measured, expected),
        expected_aperture_mm=due_mm,
        later_s=settled.later_s,
        marked=shows_a_face(bench),
        **place,
        **quality,
    )
    if options.twin is not None:
        twin, why_not = twin_of(bench, fitted, options.twin.strip().lower(), seed)
        result = replace(result, twin=twin, no_twin=why_not)
    if not options.only_fit and options.features:
        result = replace(result, **_details(settled, response, result))
    return result


class _Place(TypedDict):
    """What the place of the picture on the sky tells, as fields of `Check`."""

    pixel_scale: Measurement
    focal_length: Measurement
    angle: Measurement | None
    mirrored: bool | None
    clock: Measurement | None
    mark_error_deg: float


def _place(settled: _Settled, options: CheckOptions) -> _Place:
    """Scale, focal length, angle, mirror and clock."""
    bench, fitted, fit = settled.bench, settled.fitted, settled.fitted.fit
    value, left = fit.pose.scale_arcsec, max(1.0 - fit.explained, 0.0)
    off = 0.0 if fit.by_moons else min(GAP_TO_TRUTH * left, FARTHEST_TRUTH)
    if fitted.limb is not None:
        # what the whole disc and its limb alone say differently is doubtful
        off = math.hypot(off, 0.3 * math.log(fitted.limb.ratio))
    scale = Measurement(value, value * math.hypot(fit.errors["log scale"], SCALE_FLOOR, off))
    focal = bench.instrument.camera.pixel_um * 1e-3 * ARCSEC_PER_RADIAN / value / options.enlarged
    sure = fit.tells_angle and fit.tells_mirror
    radius = bench.seen.equatorial_diameter_arcsec / 2
    limb = math.hypot(fit.errors["row"], fit.errors["column"]) * fit.window.factor / math.sqrt(2.0)
    clock = None
    if fitted.face is not None and fitted.face.sure and sure and not options.only_fit:
        # of the time told where the moons spoke for another one; the face may speak for a third
        clock = clock_of(bench, fitted, fitted.face)
        clock = None if clock is None else Measurement(clock.value + settled.later_s, clock.error)
    turn = math.degrees(fit.errors["angle"])
    angle = Measurement(fit.pose.angle_deg, math.hypot(turn, 0.0 if fit.by_moons else ANGLE_GAP_DEG * left))
    return {
        "pixel_scale": scale,
        "focal_length": Measurement(focal, focal * scale.error / value),
        "angle": angle if fit.tells_angle else None,
        "mirrored": fit.pose.mirrored if fit.tells_mirror else None,
        "clock": clock,
        "mark_error_deg": math.degrees(limb * value / radius),
    }


class _Quality(TypedDict):
    """How good the picture is, as fields of `Check`."""

    aperture: Measurement
    shifts: tuple[ChannelShift, ...]
    levels: Levels
    overshoot: Measurement
    faults: tuple[Fault, ...]
    verdict: str
    lookalikes: tuple[tuple[str, npt.NDArray[np.float32]], ...]


def _quality(bench: Bench, fitted: Fitted, options: CheckOptions, due_mm: float) -> _Quality:
    """Sharpness, shifts, levels, the limb and the faults."""
    picture, found = fitted.picture, fitted.found
    aperture = effective_aperture(fitted.measured, bench.wavelength_nm, fitted.fit.pose.scale_arcsec)
    shifts = shifts_of(bench, fitted)
    levels = measure_levels(fitted.levels, found.mask, picture.bits, found.sky, found.disc)
    told = shows_blur(fitted.fit, bench.cutoff)
    overshoot = Measurement(0.0, math.inf)
    if told:
        overshoot = overshoot_of(fitted.measured, 0.5 * bench.seen.equatorial_diameter_arcsec)
    faults, alike = (), ()
    if not options.only_fit:
        faults, alike = faults_of(bench, fitted, shifts, levels, overshoot, options.enlarged)
    error = math.hypot(aperture.error_mm, APERTURE_FLOOR * aperture.value_mm) if told else math.inf
    return {
        "aperture": Measurement(aperture.value_mm, error),
        "shifts": shifts,
        "levels": levels,
        "overshoot": overshoot,
        "faults": faults,
        "verdict": verdict_of(faults, aperture.value_mm / due_mm),
        "lookalikes": alike,
    }


class _Details(TypedDict, total=False):
    """What shows on the disc and beside it, as fields of `Check`."""

    moons: tuple[MoonWidth, ...]
    dots: tuple[Dot, ...]
    moons_time: MoonsTime | None
    moons_found: tuple[str, ...]
    features: tuple[FeatureContrast, ...]
    readings: tuple[Reading, ...]
    clock: Measurement | None
    unmeasured: str
    other_time: OtherTime | None
    at_odds: bool


def _details(settled: _Settled, response: Any, result: Check) -> _Details:
    """Moons and dots; then another time or, if none is better, features and what can be measured."""
    bench, fitted = settled.bench, settled.fitted
    points = points_of(bench, fitted, settled.beside)
    found: _Details = {
        "moons": points.moons,
        "dots": points.dots,
        "moons_time": points.time,
        "moons_found": points.found,
    }
    fit, face = fitted.fit, fitted.face
    if face is not None and face.sure and not face.as_told and settled.later_s == 0.0:
        offset = face.turn_deg / 360.0 * rotation_of(bench)
        at_odds = fit.by_moons and settled.beside.answer is not None and settled.beside.answer.as_told
        at = utc_text(float(tt_days(instant_after(bench.seen.time_utc, offset))))
        return found | {"other_time": OtherTime(at, fit.explained), "at_odds": at_odds, "clock": result.clock}
    drifting = face_trust(bench.body).drifting
    unsure = result.clock is None and (fit.explained < DOUBTFUL or (shows_a_face(bench) and not fit.tells_angle))
    doubted = not fit.by_moons and not drifting
    if unsure and doubted and settled.later_s == 0.0:
        other = other_time(bench, fitted.levels, fitted.found, fitted.picture.bits, fit)
        if other is not None:
            return found | {"other_time": other}  # details of another face would mean nothing
    features = features_of(bench, fitted, response)
    unmeasured = _why_unmeasured(settled, result)
    if unmeasured:
        return found | {"features": features, "unmeasured": unmeasured}
    return found | {"features": features, "readings": readings_of(bench, fitted, features)}


def _why_unmeasured(settled: _Settled, result: Check) -> str:
    """Return why no places on the disc should be measured; empty if they may."""
    if result.levels.overexposed:
        return "too much of the disc is burnt out"
    if result.overshoot.value > RINGING:
        return f"its limb overshoots by {100 * result.overshoot.value:.0f} %, so its markings are moved, too"
    if result.fit.explained < POORLY_EXPLAINED:
        share, least = 100 * result.fit.explained, 100 * POORLY_EXPLAINED
        return f"the theory explains only {share:.1f} % of it, {least:.1f} are needed"
    return ""
