"""What a fitted picture tells: shifts, faults, features, clock, positions, moons and dots, the twin."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import replace

import numpy as np
import numpy.typing as npt
from scipy import ndimage

from simulate.air.refraction import bin_displacements
from simulate.bodies import feature_names
from simulate.camera import channel_names
from simulate.checking.bench import Bench, Fitted
from simulate.checking.face import globe_of
from simulate.checking.faults import (
    Fault,
    Lookalikes,
    from_clipping,
    from_levels,
    from_overshoot,
    from_sampling,
    from_shifts,
    shows_blur,
    weigh_blurs,
)
from simulate.checking.fitting import PLAIN, Problem, refit
from simulate.checking.limb import limb_middle
from simulate.checking.measures import (
    ChannelShift,
    Levels,
    MeasuredTransfer,
    Measurement,
    amplitude_of,
    channel_shift,
    limb_overshoot_of,
    parameters_of,
)
from simulate.checking.model import Theory
from simulate.checking.results import ContrastCurve, FeatureContrast, Reading
from simulate.checking.turning import FaceAnswer
from simulate.checking.twin import RingGap, Twin, close_up, has_trough, make_twin
from simulate.errors import InputError
from simulate.geometry import Apparition, apparition, instant_after
from simulate.judging.features import judged_features
from simulate.light.chain import Aim
from simulate.scene.ellipsoid import Ellipsoid
from simulate.scene.rings import is_gap, ring_feature_name
from simulate.values.spectrum import SpectralBins

FloatArray = npt.NDArray[np.floating]

CLOCK_STEP_S = 240.0
"""Seconds by which the theory is moved to learn how the picture changes with time."""

FARTHEST_REFINED_DEG = 10.0
"""Turn by which the refined time may differ from that of the search over the rotation."""

TROUGH_REACH = 0.6
"""Diameters of the Airy disc between a sharp edge and the dark line that over-sharpening draws beside it: as far
from a gap's place a dark line may be taken for it (common practice)."""

CURVE = np.array([0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9])
"""Frequencies of the contrast curve, shares of D / lambda."""

CLEARLY_THERE = 2.0
"""Standard deviations below which the contrast of a feature is not told."""

LEAST_CONTRAST = 2e-3
"""Contrast below which a feature is not there to be measured."""


def curve_of(bench: Bench, measured: MeasuredTransfer, expected: tuple[FloatArray, FloatArray]) -> ContrastCurve:
    """Return the contrast by frequency: in the picture, to be had, and of the perfect aperture."""
    line = CURVE * bench.cutoff
    error = measured.error_at(line)
    told = (error < 0.15) & (line < 2.2 * measured.half()[0])
    perfect = 2 / math.pi * (np.arccos(CURVE) - CURVE * np.sqrt(1 - CURVE**2))
    return ContrastCurve(
        line, np.where(told, measured.at(line), np.nan), error, np.interp(line, *expected, right=0.0), perfect
    )


def overshoot_of(measured: MeasuredTransfer, radius_arcsec: float) -> Measurement:
    """Return the limb's overshoot; its error from draws of the transfer's weights."""
    value = limb_overshoot_of(measured, radius_arcsec)
    random = np.random.default_rng(5)
    drawn = random.multivariate_normal(measured.weights, measured.covariance, 30, method="svd")
    spread = [limb_overshoot_of(replace(measured, weights=weights / weights.sum()), radius_arcsec) for weights in drawn]
    return Measurement(value, float(np.std(spread)))


LIMB_PX = 0.25
"""How far the middle of a limb and that of the whole disc differ in pictures whose colours are in place, pixels."""


def shifts_of(bench: Bench, fitted: Fitted) -> tuple[ChannelShift, ...]:
    """Return how red and blue lie beside green; nothing for one plane."""
    picture = fitted.picture
    if picture.levels.shape[0] != 3:
        return ()
    names, globe = channel_names(bench.instrument.camera), globe_of(bench.body, bench.seen)
    result = []
    for index, name in ((0, "red"), (2, "blue")):
        channel = names.index(name) if name in names else bench.green
        other = refit(picture.levels[index], fitted.fit, bench.theory(channel), picture.bits)
        if other is None:
            continue
        shift = channel_shift(name, fitted.fit, other)
        middles = [limb_middle(picture.levels[i], fitted.fit, globe) for i in (fitted.plane, index)]
        if not bench.body.rings and middles[0] is not None and middles[1] is not None:
            # a cap or a belt of another colour pulls on the whole disc, not on its limb
            off = np.subtract(middles[1], middles[0]) - (shift.row_px, shift.column_px)
            doubt = max(float(np.hypot(*off)) - LIMB_PX, 0.0) / math.sqrt(2.0)
            shift = replace(shift, error_px=math.hypot(shift.error_px, doubt))
        result.append(shift)
    return tuple(result)


def faults_of(
    bench: Bench,
    fitted: Fitted,
    shifts: tuple[ChannelShift, ...],
    levels: Levels,
    overshoot: Measurement,
    enlarged: float,
) -> tuple[tuple[Fault, ...], Lookalikes]:
    """Return all faults by evidence, and what those of the blur would look like."""
    fit, theory = fitted.fit, fitted.theory
    blurs, alike = (), ()
    if shows_blur(fit, bench.cutoff):
        blurs, alike = weigh_blurs(fit, theory, bench.optics(theory))
    faults = [
        *blurs,
        from_sampling(fit, bench.cutoff, bench.pixel_arcsec, enlarged, blurs),
        from_overshoot(overshoot.value, overshoot.error, blurs),
        from_levels(levels, fitted.found.area_px),
    ]
    if shifts:
        angle = to_vertical_deg(bench, fitted, shifts)
        blur = 0.6 / fit.half_frequency
        most = most_dispersion_arcsec(bench) if blur > FINEST_THROUGH_AIR_ARCSEC else 0.0
        faults.append(from_shifts(shifts, fit.pose.scale_arcsec, blur, angle, most))
    faults.append(from_clipping(levels, faults))
    return tuple(sorted(faults, key=lambda fault: -fault.evidence)), alike


LEAST_SPREAD_ARCSEC, SPREAD_TOLERANCE = 0.1, 1.6
"""Spread of the colours that is called dispersion at any height, and the factor by which it may exceed what the
model's air makes between the middles of red and blue: filters are wider and air is heavier here and there."""


FINEST_THROUGH_AIR_ARCSEC = 0.17
"""Width of a blur, 0.6 over the frequency of half the contrast, below which a picture was not taken through air: that
of a perfect metre, to which the best frames of the best sites come near at most (common practice)."""


def most_dispersion_arcsec(bench: Bench) -> float:
    """Return the most by which the air can spread red and blue at the height of the body, arcsec."""
    aim = Aim.of(bench.seen)
    if bench.seen.airmass is None or aim.altitude_deg >= 90.0:
        return math.inf  # nobody said from where: it may have stood low
    middles = SpectralBins((440.0, 480.0, 620.0, 660.0))
    lifted, _ = bin_displacements(middles, aim.altitude_deg, bench.sky, aim.height_m)
    return LEAST_SPREAD_ARCSEC + SPREAD_TOLERANCE * abs(float(lifted[0] - lifted[-1]))


def to_vertical_deg(bench: Bench, fitted: Fitted, shifts: tuple[ChannelShift, ...]) -> float | None:
    """Return the angle, 0 to 90 deg, between the line from red to blue and the vertical; None if either is unknown.

    Parameters
    ----------
    bench, fitted
        Theory and picture.
    shifts : tuple of ChannelShift
        Of red and blue.
    """
    zenith = bench.seen.parallactic_angle_deg
    if zenith is None or not fitted.fit.tells_angle:
        return None
    by_name = {shift.name: np.array([shift.row_px, shift.column_px]) for shift in shifts}
    up, across = by_name.get("blue", np.zeros(2)) - by_name.get("red", np.zeros(2))
    pose = fitted.fit.pose
    east, north = pose.sky_of(pose.row + up, pose.column + across)
    angle = math.degrees(math.atan2(float(east), float(north)))
    # the air lifts blue, but a corrector may overdo it
    return abs(math.remainder(angle - zenith, 180.0))


def clock_of(bench: Bench, fitted: Fitted, face: FaceAnswer) -> Measurement | None:
    """Return the seconds by which the picture shows the planet later than the time of the bench.

    The search over the rotation says which face it is; the change of the theory with time around it says how far the
    picture is from there, and how surely. None where both differ: then neither is believed.

    Parameters
    ----------
    bench, fitted
        Theory and picture.
    face : FaceAnswer
        That names a face.
    """
    seen, rotation = bench.seen, rotation_of(bench)
    start = face.turn_deg / 360.0 * rotation
    total, error = start, math.inf
    for _ in range(MOST_CLOCK_STEPS):
        times = (instant_after(seen.time_utc, total + away) for away in (-CLOCK_STEP_S / 2, CLOCK_STEP_S / 2))
        before, after = (bench.at(apparition(bench.body, time, seen.site, ephemeris=seen.ephemeris)) for time in times)
        now = Theory(bench.grid, (after.light + before.light) / np.float32(2.0), bench.cutoff)
        step, error = _time_step(fitted, now, bench.change(before, after, CLOCK_STEP_S))
        step = max(-CLOCK_STEP_S * 4, min(CLOCK_STEP_S * 4, step))
        total += step
        if abs(step) < 0.3 * CLOCK_STEP_S:
            break
    whole = math.hypot(error, (face.error_deg if not math.isfinite(error) else floor_deg(fitted)) / 360.0 * rotation)
    if abs(total - start) > max(FARTHEST_REFINED_DEG / 360.0 * rotation, 3.0 * whole):
        return None
    return Measurement(total, whole)


def rotation_of(bench: Bench) -> float:
    """Return the time in which the middle of the disc sees every longitude once, s."""
    seen, system = bench.seen, next(iter(bench.seen.central_meridian_deg))
    later = apparition(bench.body, instant_after(seen.time_utc, 3600.0), seen.site, ephemeris=seen.ephemeris)
    moved = (later.central_meridian_deg[system] - seen.central_meridian_deg[system]) % 360.0
    return 3600.0 * 360.0 / min(max(moved, 1.0), 359.0)


def _time_step(fitted: Fitted, now: Theory, change: Theory) -> tuple[float, float]:
    """Return by how much of a change the picture is beyond a theory, with the bands that were found, and its error."""
    fit, told = fitted.fit, fitted.unchanged
    if told is not None:
        now = replace(now, light=now.light + (fitted.theory.light - told.light))
    problem = Problem(fit.window, now, fit.pose.mirrored)
    residual = problem.residual(parameters_of(fit))
    moved = replace(fit, residual=residual.reshape(fit.window.levels.shape))
    return amplitude_of(moved, fitted.under(change), fitted.jacobian)


def features_of(bench: Bench, fitted: Fitted, expected: FloatArray) -> tuple[FeatureContrast, ...]:
    """Return the contrast of each feature in the picture beside what was to be had, the strongest first.

    Parameters
    ----------
    bench, fitted
        Theory and picture.
    expected : array, shape of the theory's frequencies
        Transfer that the setup should give.
    """
    fit, measured = fitted.fit, fitted.measured.at(fitted.theory.frequency)
    if fitted.unchanged is not None:
        # beside the face as it is known: what the fit added to it is what is measured here
        added = replace(fitted.theory, light=fitted.theory.light - fitted.unchanged.light, doubts=None)
        fit = replace(fit, residual=fit.residual + fitted.under(added).reshape(fit.residual.shape))
    plain, result = fitted.jacobian[:, :PLAIN], []
    for name, without, difference in _details(bench, bench.theory(bench.green)):
        due, row, column = _peak_contrast(difference, without, expected)
        if due < LEAST_CONTRAST:
            continue
        left, _, _ = _peak_contrast(difference, without, measured)
        change, error = amplitude_of(fit, fitted.under(difference), plain)
        told = error < 0.5 and abs(1.0 + change) > CLEARLY_THERE * error and bool(fit.tells_angle)
        gap = ring_gap(bench, name)
        if told and gap is not None:
            # a gap too narrow for the picture only dims the ring, as other things do
            told = all(has_trough(fitted.theory, gap, response) for response in (measured, expected))
        result.append(
            FeatureContrast(
                name,
                left * (1.0 + change) if told else None,
                left * error if told else None,
                due,
                float(bench.grid.east_arcsec()[column]),
                float(bench.grid.north_arcsec()[row]),
            )
        )
    return tuple(sorted(result, key=lambda feature: -feature.expected_contrast))


def _details(bench: Bench, theory: Theory) -> Iterator[tuple[str, Theory, Theory]]:
    """Yield (name, planet without it, what it adds) of each judged detail that is there."""
    for judged in judged_features(bench.body):
        if judged.kind == "detail":
            without = bench.without(judged.without)
            difference = bench.change(without, theory, 1.0)
            if float(np.abs(difference.light).max()) >= LEAST_CONTRAST:
                yield judged.name, without, difference


def _peak_contrast(difference: Theory, without: Theory, response: FloatArray) -> tuple[float, int, int]:
    """Return the largest contrast of a blurred difference on the blurred disc, and its cell."""
    change, around = difference.blurred(response), without.blurred(response)
    lit = around > 0.3 * float(np.quantile(around[around > 0.1 * around.max()], 0.9))
    contrast = np.where(lit, np.abs(change) / np.maximum(around, 1e-6), 0.0)
    row, column = (int(i) for i in np.unravel_index(int(np.argmax(contrast)), contrast.shape))
    return float(contrast[row, column]), row, column


MOST_CLOCK_STEPS = 6
"""Steps in which a clock error must be found."""

MEASURED_STEP_DEG = 1.0
"""Step by which the theory is turned to learn how the picture changes with an angle."""

FARTHEST_STEPS = 6.0
"""Steps beyond which a picture is not near enough to the theory for its angles to be measured."""

LOOSEST_DEG = 12.0
"""Largest error with which an angle is told."""

FLOOR_DEG = 0.25
"""Error below which no angle is stated: limb darkening and outlines of the theory are known no better (pictures made
with the very theory gave tilts and latitudes 0.2-0.3 deg off)."""

BEHIND_RINGS_DEG = 1.0
"""The same, besides, of a belt's latitude on a planet whose rings and their shadow may cover part of it (a picture made
with the very theory gave one 1.2 deg off)."""

DEG_A_SHARE = 40.0
"""Degrees that this grows by for each share of the picture that the theory does not explain."""

HIGHEST_DEG = 60.0
"""Latitude beyond which a cap's middle is no longer a place."""

LATITUDES = 8
"""Features whose latitude is measured, the strongest first."""


def readings_of(bench: Bench, fitted: Fitted, features: tuple[FeatureContrast, ...]) -> tuple[Reading, ...]:
    """Return what can be measured in the picture, with standard deviations: angles of the planet, latitudes of belts.

    Each angle of the theory is moved a little; how much of that change the picture holds beyond place, scale,
    turn, blur and tone is the correction of the angle. What the picture cannot tell has an infinite error.

    Parameters
    ----------
    bench, fitted
        Theory and picture.
    features : tuple of FeatureContrast
        What was found of the features.
    """
    if not fitted.fit.tells_angle:
        return ()
    result = []
    floor = floor_deg(fitted)
    for name, told, moved in _angles(bench):
        before, after = (bench.at(moved(sign * MEASURED_STEP_DEG)) for sign in (-1.0, 1.0))
        change = bench.change(before, after, 2.0 * MEASURED_STEP_DEG)
        value, error = amplitude_of(fitted.fit, fitted.under(change), fitted.jacobian)
        error = math.hypot(error, floor)
        if error > LOOSEST_DEG:
            result.append(Reading(name, math.nan, math.inf, told, "deg"))
        elif abs(value) < max(FARTHEST_STEPS * MEASURED_STEP_DEG, 3.0 * error):
            result.append(Reading(name, told + value, error, told, "deg"))
    return (*result, *_latitudes(bench, fitted, features))


def floor_deg(fitted: Fitted) -> float:
    """Return the error below which no angle is stated of a picture, deg."""
    return math.hypot(FLOOR_DEG, DEG_A_SHARE * max(1.0 - fitted.fit.explained, 0.0))


def _angles(bench: Bench) -> Iterator[tuple[str, float, Callable[[float], Apparition]]]:
    """Yield (name, value told, the apparition with the angle moved) of the angles that show on the disc."""
    seen = bench.seen
    system = bench.body.longitude_system if seen.central_meridian_deg else None
    if system is not None:
        label = f"longitude of the central meridian{f' ({system})' if system else ''}"
        yield label, seen.central_meridian_deg[system], lambda by: _turned_on(seen, by)
    if seen.ring_opening_deg is not None and bench.body.rings:
        yield "opening of the rings", seen.ring_opening_deg, lambda by: _tilted(seen, by)
    else:
        yield "tilt of the axis", seen.sub_observer_latitude_deg, lambda by: _tilted(seen, by)
    if seen.phase_angle_deg > 5.0:
        yield "phase angle", seen.phase_angle_deg, lambda by: _lit(seen, by)


def _turned_on(seen: Apparition, by: float) -> Apparition:
    return replace(
        seen,
        central_meridian_deg={key: value + by for key, value in seen.central_meridian_deg.items()},
        sub_solar_longitude_deg={key: value + by for key, value in seen.sub_solar_longitude_deg.items()},
    )


def _tilted(seen: Apparition, by: float) -> Apparition:
    return replace(
        seen,
        sub_observer_latitude_deg=seen.sub_observer_latitude_deg + by,
        sub_observer_latitude_centric_deg=seen.sub_observer_latitude_centric_deg + by,
        ring_opening_deg=None if seen.ring_opening_deg is None else seen.ring_opening_deg + by,
    )


def _lit(seen: Apparition, by: float) -> Apparition:
    angle = seen.phase_angle_deg + by
    return replace(seen, phase_angle_deg=angle, illuminated_fraction=0.5 * (1.0 + math.cos(math.radians(angle))))


def _latitudes(bench: Bench, fitted: Fitted, features: tuple[FeatureContrast, ...]) -> list[Reading]:
    """Planetographic latitudes of surface features where they cross the middle meridian."""
    seen = bench.seen
    pole_east, pole_north, _ = seen.pole_direction
    across = math.hypot(pole_east, pole_north) or 1.0
    pole = pole_east / across, pole_north / across
    globe = Ellipsoid(
        seen.equatorial_diameter_arcsec / 2, _polar_radius(bench), seen.pole_direction, seen.sun_direction
    )
    clear = {
        one.name
        for one in features
        if one.contrast is not None and one.error is not None and abs(one.contrast) > 3.0 * one.error
    }
    surface = set(feature_names(bench.body, minor=True))
    result = []
    for judged in judged_features(bench.body):
        if judged.name not in clear or not judged.without <= surface or len(judged.without) > 1:
            continue
        difference = bench.change(bench.without(judged.without), bench.theory(bench.green), 1.0)
        place = _on_meridian(bench, difference, pole)
        if place is None:
            continue
        north, west = np.gradient(difference.light, bench.grid.step_arcsec)
        slope = np.asarray(west * pole[0] - north * pole[1], np.float32)
        moved = Theory(bench.grid, slope, bench.cutoff)
        value, error = amplitude_of(fitted.fit, fitted.under(moved), fitted.jacobian)
        if error > 0.1 * seen.equatorial_diameter_arcsec or abs(value) > 0.1 * seen.equatorial_diameter_arcsec:
            continue
        usual, here, beside = (
            float(globe.latitude_graphic_deg(globe.points(np.array([s * pole[0]]), np.array([s * pole[1]])))[0])
            for s in (place, place + value, place + value + error)
        )
        if abs(usual) < HIGHEST_DEG:
            error = math.hypot(beside - here, floor_deg(fitted), BEHIND_RINGS_DEG if bench.body.rings else 0.0)
            result.append(Reading(f"latitude of the {judged.name}", here, error, usual, "deg"))
    return result[:LATITUDES]


def _polar_radius(bench: Bench) -> float:
    body = bench.body
    return bench.seen.equatorial_diameter_arcsec / 2 * body.disc_polar_radius_km / body.disc_radius_km


def _on_meridian(bench: Bench, difference: Theory, pole: tuple[float, float]) -> float | None:
    """Where a feature crosses the middle meridian, arcsec toward the pole from the centre; None if it does not."""
    radius = bench.seen.equatorial_diameter_arcsec / 2
    line = np.linspace(-radius, radius, 200)
    place = difference.index_of(line * pole[0], line * pole[1])
    weight = np.abs(ndimage.map_coordinates(difference.light, place, order=1))
    if float(weight.max()) < 0.3 * float(np.abs(difference.light).max()):
        return None
    return float((line * weight).sum() / weight.sum())


def twin_of(bench: Bench, fitted: Fitted, feature: str, seed: int) -> tuple[Twin | None, str]:
    """Return the twin of the picture without a feature, or None and the clause that says why there is none."""
    close = close_up(fitted.levels, fitted.fit, fitted.theory, fitted.picture.bits)
    without = bench.without(frozenset({feature}))
    try:
        return make_twin(feature, close, fitted.theory, without, ring_gap(bench, feature), seed), ""
    except InputError as error:
        return None, f"{feature}: {error.allowed}"


def ring_gap(bench: Bench, name: str) -> RingGap | None:
    """Return where a gap in the rings is looked for: around its place by as far as ringing reaches."""
    rings = bench.body.rings
    for index, ring in enumerate(rings):
        if 0 < index < len(rings) - 1 and is_gap(ring) and ring_feature_name(ring) == name:
            scale = 2.0 * bench.body.equatorial_radius_km / bench.seen.equatorial_diameter_arcsec
            middle, airy = (ring.inner_km + ring.outer_km) / 2, 2.44 * bench.resolution * scale
            inner = max(rings[index - 1].inner_km, middle - airy)
            outer = min(rings[index + 1].outer_km, middle + airy)
            return RingGap(middle, inner, outer, TROUGH_REACH * airy, scale, bench.seen.pole_direction)
    return None
