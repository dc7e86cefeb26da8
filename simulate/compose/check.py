"""A user's picture against the theory of its instant: the composer of `simulate check`."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from simulate.air import Sky
from simulate.bodies import Body, load_body
from simulate.compose.check_bench import Bench, Fitted, half_of, linearised
from simulate.compose.check_budget import budget_of
from simulate.compose.check_findings import (
    clock_of,
    curve_of,
    faults_of,
    features_of,
    overshoot_of,
    readings_of,
    shifts_of,
    twin_of,
)
from simulate.compose.check_points import points_of
from simulate.compose.check_time import other_time, refuse_other_time
from simulate.compose.view import ViewOptions, refuse_below_horizon, view_inputs
from simulate.errors import InputError, choose, kept_warnings
from simulate.geometry import Site, apparition, as_site, parse_time
from simulate.instruments import Instrument, load_instrument
from simulate.judgement.checking.faults import verdict_of
from simulate.judgement.checking.finding import find_planet
from simulate.judgement.checking.fitting import Fit, fit_picture, refuse_unlike
from simulate.judgement.checking.measures import (
    Measurement,
    aperture_of,
    effective_aperture,
    measure_levels,
    measure_transfer,
)
from simulate.judgement.checking.reading import UserPicture, read_picture
from simulate.judgement.checking.results import Budget, Check
from simulate.scene import SceneOptions
from simulate.scene.feature_names import scene_feature_names
from simulate.values.constants import ARCSEC_PER_RADIAN

if TYPE_CHECKING:
    from astropy.coordinates import EarthLocation
    from astropy.time import Time

LEAST_EXPLAINED = 0.978
"""Share of a picture's variance that the theory of the right body explains at least."""

DOUBTFUL = 0.99
"""Share below which another time is tried too, where the clock cannot be told."""

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
    """

    twin: str | None = None
    enlarged: float = 1.0
    only_fit: bool = False
    features: bool = True
    scene: SceneOptions = field(default_factory=SceneOptions)
    compared_with: str | Time | None = None
    compared_picture: str | Path | UserPicture | None = None

    def __post_init__(self) -> None:
        if self.compared_picture is not None and self.compared_with is None:
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
    shown = _read(picture)
    with kept_warnings() as told:
        seen = apparition(known, parse_time(time), None if site is None else as_site(site), ephemeris=ephemeris)
        refuse_below_horizon(seen)
        bench = Bench(known, tool, seen, sky or Sky(), asked.scene)
        result = _judged(bench, _fitted(bench, shown, asked.enlarged), asked, seed)
        if asked.compared_with is not None:
            result = replace(result, budget=_budget(bench, result, asked))
    inputs = view_inputs(known, tool, seen, sky or Sky(), ViewOptions(scene=asked.scene), seed)
    return replace(result, warnings=(*shown.notes, *told, *result.warnings), inputs=inputs)


def _read(picture: str | Path | UserPicture) -> UserPicture:
    return picture if isinstance(picture, UserPicture) else read_picture(picture)


def _budget(bench: Bench, mine: Check, options: CheckOptions) -> Budget:
    """Weigh the picture against another of the same setup, air and place."""
    assert options.compared_with is not None
    seen = apparition(bench.body, parse_time(options.compared_with), bench.seen.site, ephemeris=bench.seen.ephemeris)
    refuse_below_horizon(seen)
    other = Bench(bench.body, bench.instrument, seen, bench.sky, bench.options)
    theirs = None
    if options.compared_picture is not None:
        fitted = _fitted(other, _read(options.compared_picture), 1.0)
        theirs = _judged(other, fitted, CheckOptions(only_fit=True), 0)
    return budget_of(mine, other, theirs)


def _fitted(bench: Bench, picture: UserPicture, enlarged: float) -> Fitted:
    """Find the planet and fit it; refuse what is not this body."""
    plane = 1 if picture.levels.shape[0] == 3 else 0
    found = find_planet(picture.levels[plane], picture.name)
    theory = bench.theory(bench.green)
    fit = fit_picture(picture.levels[plane], found, theory, picture.bits)
    if fit.explained < LEAST_EXPLAINED:
        refuse_other_time(bench, picture.levels[plane], found, picture.bits, fit)
    refuse_unlike(fit, LEAST_EXPLAINED, bench.body.name)
    _refuse_other_size(bench, fit, enlarged)
    return Fitted(picture, plane, found, theory, fit, measure_transfer(fit, theory), linearised(fit, theory))


def _refuse_other_size(bench: Bench, fit: Fit, enlarged: float) -> None:
    ratio = bench.pixel_arcsec / fit.pose.scale_arcsec / enlarged
    if not 1.0 / FARTHEST_SCALE < ratio < FARTHEST_SCALE:
        wanted = f"the disc would be {ratio:.2g} times as large as through this instrument; tell --enlarged if it is"
        raise InputError("BODY", bench.body.name, wanted)


def _judged(bench: Bench, fitted: Fitted, options: CheckOptions, seed: int) -> Check:
    """Measure everything in a fitted picture."""
    expected = bench.expected_transfer()
    response = np.interp(fitted.theory.frequency, *expected)
    twin = None if options.twin is None else twin_of(bench, fitted, options.twin.strip().lower(), seed)
    place = _place(bench, fitted, options)
    details = {}
    if not options.only_fit and options.features:
        details = _details(bench, fitted, response, place["clock"])
    return Check(
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
        expected_aperture_mm=aperture_of(half_of(*expected), bench.wavelength_nm),
        twin=twin,
        **place,
        **_quality(bench, fitted, options),
        **details,
    )


def _place(bench: Bench, fitted: Fitted, options: CheckOptions) -> dict[str, Any]:
    """Scale, focal length, angle, mirror and clock."""
    fit = fitted.fit
    value = fit.pose.scale_arcsec
    scale = Measurement(value, value * math.hypot(fit.errors["log scale"], SCALE_FLOOR))
    focal = bench.instrument.camera.pixel_um * 1e-3 * ARCSEC_PER_RADIAN / value / options.enlarged
    sure = fit.tells_angle and fit.tells_mirror
    radius = bench.seen.equatorial_diameter_arcsec / 2
    limb = math.hypot(fit.errors["row"], fit.errors["column"]) * fit.window.factor / math.sqrt(2.0)
    return {
        "pixel_scale": scale,
        "focal_length": Measurement(focal, focal * scale.error / value),
        "angle": Measurement(fit.pose.angle_deg, math.degrees(fit.errors["angle"])) if fit.tells_angle else None,
        "mirrored": fit.pose.mirrored if sure else None,
        "clock": clock_of(bench, fitted) if sure and not options.only_fit else None,
        "mark_error_deg": math.degrees(limb * value / radius),
    }


def _quality(bench: Bench, fitted: Fitted, options: CheckOptions) -> dict[str, Any]:
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
        "verdict": verdict_of(faults),
        "lookalikes": alike,
    }


def _details(bench: Bench, fitted: Fitted, response: Any, clock: Measurement | None) -> dict[str, Any]:
    """Moons and dots; then another time or, if none is better, features and what can be measured."""
    moons, dots, moons_time = points_of(bench, fitted)
    result: dict[str, Any] = {"moons": moons, "dots": dots, "moons_time": moons_time}
    fit = fitted.fit
    if clock is None and fit.explained < DOUBTFUL:
        other = other_time(bench, fitted.levels, fitted.found, fitted.picture.bits, fit)
        if other is not None:
            return result | {"other_time": other}  # details of another face would mean nothing
    features = features_of(bench, fitted, response)
    return result | {"features": features, "readings": readings_of(bench, fitted, features)}
