"""A user's picture against the theory of its instant: the composer of `simulate check`."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from simulate.air import Sky
from simulate.bodies import Body
from simulate.checking.bench import Bench, Fitted, fitted_to, half_of
from simulate.checking.budget import budget_of
from simulate.checking.faults import verdict_of
from simulate.checking.finding import find_planet
from simulate.checking.findings import (
    clock_of,
    curve_of,
    faults_of,
    features_of,
    floor_deg,
    overshoot_of,
    readings_of,
    shifts_of,
    twin_of,
)
from simulate.checking.fitting import Fit, refuse_unlike
from simulate.checking.measures import Measurement, aperture_of, effective_aperture, measure_levels
from simulate.checking.points import Points, points_of
from simulate.checking.reading import UserPicture, read_picture
from simulate.checking.results import Budget, Check
from simulate.checking.times import other_time, refuse_other_body, refuse_other_time, rotation_s, shows_a_face
from simulate.errors import InputError, choose, kept_warnings
from simulate.geometry import Apparition, Site, apparition, as_site, instant_after, parse_time
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

AT_ODDS = 0.002
"""Share of a picture that the theory of the moons' time may explain less than that of the time told."""

LEAST_EXPLAINED = 0.978
"""Share of a picture's variance that the theory of the right body explains at least."""

DOUBTFUL = 0.99
"""Share below which another time is tried too, where the clock cannot be told."""

GAP_TO_TRUTH, FARTHEST_TRUTH = 2.0, 0.012
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
        result = _judged(_settled(bench, _fitted(bench, shown, asked.enlarged), asked), asked, seed)
        if asked.compared_with is not None:
            result = replace(result, budget=_budget(bench, result, asked))
    inputs = view_inputs(known, tool, seen, sky or Sky(), ViewOptions(scene=asked.scene), seed)
    return replace(result, told_utc=seen.time_utc, warnings=(*shown.notes, *told, *result.warnings), inputs=inputs)


def _read(picture: str | Path | UserPicture) -> UserPicture:
    return picture if isinstance(picture, UserPicture) else read_picture(picture)


def _budget(bench: Bench, mine: Check, options: CheckOptions) -> Budget:
    """Weigh the picture against another of the same setup and air."""
    seen, elsewhere = _seen_then(bench, options)
    other = Bench(bench.body, bench.instrument, seen, bench.sky, bench.options)
    theirs = None
    if options.compared_picture is not None:
        try:
            fitted = _fitted(other, _read(options.compared_picture), 1.0)
        except InputError as error:
            field = {"PICTURE": "--compared-picture", "--time": "--compared-with"}.get(error.field, error.field)
            raise InputError(field, error.value, error.allowed) from error
        theirs = _judged(_Settled(other, fitted), CheckOptions(only_fit=True), 0)
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
    names = ("site", "altitude_deg", "apparent_altitude_deg", "azimuth_deg", "airmass", "parallactic_angle_deg")
    sky = ("sun_altitude_deg", "moon_altitude_deg", "moon_separation_deg", "moon_phase_angle_deg")
    as_high: dict[str, Any] = {name: getattr(here, name) for name in (*names, *sky)}
    return replace(apparition(bench.body, time, ephemeris=here.ephemeris), **as_high), True


@dataclass(frozen=True, eq=False)
class _Settled:
    """A fitted picture at the time that its moons speak for: the one told, as a rule.

    Parameters
    ----------
    bench, fitted
        Theory and fit of that time.
    points : tuple or None
        Moons, dots, what they say of the time, and the names of moons that show; None where not looked for.
    later_s : float
        By how much that time lies after the one told.
    at_odds : bool
        Whether the moons speak for another time than the face does: then neither is believed.
    """

    bench: Bench
    fitted: Fitted
    points: Points | None = None
    later_s: float = 0.0
    at_odds: bool = False


def _settled(bench: Bench, fitted: Fitted, options: CheckOptions) -> _Settled:
    """Look at the moons; if they single out another time, fit the picture anew as of that time."""
    if options.only_fit or not options.features:
        return _Settled(bench, fitted)
    points = points_of(bench, fitted)
    told = points.time
    if told is None or told.offset_s is None or told.matched <= told.matched_as_told:
        return _Settled(bench, fitted, points)
    at = instant_after(bench.seen.time_utc, told.offset_s)
    seen = apparition(bench.body, at, bench.seen.site, ephemeris=bench.seen.ephemeris)
    at_odds = _Settled(bench, fitted, points, at_odds=True)
    if seen.site is not None and seen.airmass is None:
        return at_odds
    other = Bench(bench.body, bench.instrument, seen, bench.sky, bench.options)
    again = fitted_to(other, fitted.picture, fitted.plane, fitted.found)
    if again.fit.explained < fitted.fit.explained - AT_ODDS:
        return at_odds
    return _Settled(other, again, replace(points_of(other, again), time=told), told.offset_s)


def _fitted(bench: Bench, picture: UserPicture, enlarged: float) -> Fitted:
    """Find the planet and fit it; refuse what is not this body."""
    plane = 1 if picture.levels.shape[0] == 3 else 0
    found = find_planet(picture.levels[plane], picture.name)
    fitted = fitted_to(bench, picture, plane, found)
    fit = fitted.fit
    if fit.explained < LEAST_EXPLAINED:
        refuse_other_body(bench, picture.levels[plane], found, picture.bits, fit)
        refuse_other_time(bench, picture.levels[plane], found, picture.bits, fit)
    refuse_unlike(fit, LEAST_EXPLAINED, bench.body.name)
    _refuse_other_size(bench, fit, enlarged)
    return fitted


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
        at_odds=settled.at_odds,
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


def _place(settled: _Settled, options: CheckOptions) -> dict[str, Any]:
    """Scale, focal length, angle, mirror and clock."""
    bench, fit = settled.bench, settled.fitted.fit
    value = fit.pose.scale_arcsec
    off = min(GAP_TO_TRUTH * max(1.0 - fit.explained, 0.0), FARTHEST_TRUTH)
    scale = Measurement(value, value * math.hypot(fit.errors["log scale"], SCALE_FLOOR, off))
    focal = bench.instrument.camera.pixel_um * 1e-3 * ARCSEC_PER_RADIAN / value / options.enlarged
    sure = fit.tells_angle and fit.tells_mirror
    radius = bench.seen.equatorial_diameter_arcsec / 2
    limb = math.hypot(fit.errors["row"], fit.errors["column"]) * fit.window.factor / math.sqrt(2.0)
    clock = clock_of(bench, settled.fitted) if sure and not options.only_fit and not settled.at_odds else None
    if clock is not None:
        error = math.hypot(clock.error, floor_deg(settled.fitted) / 360.0 * rotation_s(bench))
        clock = Measurement(clock.value + settled.later_s, error)
    return {
        "pixel_scale": scale,
        "focal_length": Measurement(focal, focal * scale.error / value),
        "angle": Measurement(fit.pose.angle_deg, math.degrees(fit.errors["angle"])) if fit.tells_angle else None,
        "mirrored": fit.pose.mirrored if sure else None,
        "clock": clock,
        "mark_error_deg": math.degrees(limb * value / radius),
    }


def _quality(bench: Bench, fitted: Fitted, options: CheckOptions, due_mm: float) -> dict[str, Any]:
    """Sharpness, shifts, levels, the limb and the faults."""
    picture, found = fitted.picture, fitted.found
    aperture = effective_aperture(fitted.measured, bench.wavelength_nm, fitted.fit.pose.scale_arcsec)
    shifts = shifts_of(bench, fitted)
    levels = measure_levels(fitted.levels, found.mask, picture.bits, found.sky, found.disc)
    overshoot = overshoot_of(fitted.measured)
    faults, alike = (), ()
    if not options.only_fit:
        faults, alike = faults_of(bench, fitted, shifts, levels, overshoot, options.enlarged)
    error = math.hypot(aperture.error_mm, APERTURE_FLOOR * aperture.value_mm)
    return {
        "aperture": Measurement(aperture.value_mm, error),
        "shifts": shifts,
        "levels": levels,
        "overshoot": overshoot,
        "faults": faults,
        "verdict": verdict_of(faults, aperture.value_mm / due_mm),
        "lookalikes": alike,
    }


def _details(settled: _Settled, response: Any, result: Check) -> dict[str, Any]:
    """Moons and dots; then another time or, if none is better, features and what can be measured."""
    bench, fitted, points = settled.bench, settled.fitted, settled.points
    assert points is not None
    found: dict[str, Any] = {
        "moons": points.moons,
        "dots": points.dots,
        "moons_time": points.time,
        "moons_found": points.found,
    }
    fit = fitted.fit
    unsure = result.clock is None and (fit.explained < DOUBTFUL or (shows_a_face(bench) and not fit.tells_angle))
    if unsure and settled.later_s == 0.0 and not settled.at_odds:
        other = other_time(bench, fitted.levels, fitted.found, fitted.picture.bits, fit)
        if other is not None:
            return found | {"other_time": other}  # details of another face would mean nothing
    features = features_of(bench, fitted, response)
    unmeasured = _why_unmeasured(settled, result)
    if unmeasured:
        return found | {"features": features, "clock": None, "unmeasured": unmeasured}
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
    return "its moons and its face speak for different times" if settled.at_odds else ""
