"""A check in words: what was found, how sure it is, and what the picture cannot tell."""

from __future__ import annotations

import math

from simulate.checking.dots import Dot, MoonWidth
from simulate.checking.faults import GOOD_SHARE, claimable
from simulate.checking.fitting import TELLING
from simulate.checking.measures import ChannelShift
from simulate.checking.results import Budget, Check, Measurement, MoonsTime

CANNOT = "cannot tell"
NO_FAULT = "no fault stands out"


def check_lines(result: Check) -> list[tuple[str, str]]:
    """Return (label, text) pairs of all findings, in reading order."""
    fit = result.fit
    lines = []
    if result.levels.overexposed:
        share = f"{100 * result.levels.clipped:.0f} % of the disc is burnt out"
        lines.append(("overexposed", f"{share}: take it again with a shorter exposure or less gain"))
    lines += [
        ("pixel scale", f"{_number(result.pixel_scale, 4)} arcsec a pixel"),
        ("focal length", f"{_number(result.focal_length, 0)} mm if the picture was never resized"),
        ("up is at", angle_words(result.angle) if result.angle is not None else either_words(result)),
        ("mirrored", CANNOT if result.mirrored is None else ("yes" if result.mirrored else "no")),
        ("clock", clock_words(result)),
        ("tone curve", f"exponent {_number(Measurement(fit.gamma, fit.errors['gamma']), 2)}"),
        ("sharpness", sharpness_words(result)),
        ("limb", f"overshoots by {100 * result.overshoot.value:.1f} %" if result.tells_sharpness else CANNOT),
        ("numbers", levels_words(result)),
    ]
    lines += shift_lines(result.shifts)
    lines.append(("what is missing", evidence_words(result)))
    if result.later_s:
        lines.append(("the time", moved_words(result)))
    elif result.at_odds:
        lines.append(("the time", "moons and face speak for different times: mind date, time zone and clock"))
    elif result.other_time is None and result.doubts_time:
        told = "nothing on the disc confirms it: it may be wrong, or the disc shows too little to tell"
        lines.append(("the time", told))
    if result.other_time is not None:
        told = f"it looks more like {result.other_time.words}, or when it stood alike: mind date, time zone and clock"
        lines.append(("the time", told))
    if result.twin is not None:
        lines.append(("the twin", twin_words(result)))
    elif result.no_twin:
        lines.append(("the twin", result.no_twin))
    if result.moons_time is not None:
        words = moons_time_words(result.moons_time)
        if result.angle is None and result.moons_time.matched_as_told >= 2:
            pose = result.moons_time.pose
            words += f"; by them up is at {pose.angle_deg:.0f} deg, {'mirrored' if pose.mirrored else 'not mirrored'}"
        lines.append(("the moons", words))
    if result.budget is not None:
        lines.append(("the other one", budget_words(result.budget)))
    return lines


def detail_lines(result: Check) -> list[tuple[str, list[str]]]:
    """Return (title, lines) of what is told in lists: what can be measured, moons, dots, dark spots."""
    lists = [
        ("what can be measured", reading_lines(result)),
        ("why the moons are as wide as they are", [moon_words(moon) for moon in result.moons]),
        ("dots that are no moon", [dot_words(dot) for dot in result.dots]),
        ("a dark spot on the disc", dark_spot_lines(result)),
    ]
    return [(title, [_begun(line) for line in lines]) for title, lines in lists if lines]


def reading_lines(result: Check) -> list[str]:
    """Return what can be measured in the picture and how well."""
    lines = []
    if math.isfinite(result.mark_error_deg):
        # the theory's outline itself is known no better than a few tenths of a degree
        error = max(result.mark_error_deg, 0.2)
        lines.append(f"a small mark near the middle: ± {error:.1f} deg by the limb, and how well you can point at it")
    for reading in result.readings:
        if not math.isfinite(reading.error):
            lines.append(f"{reading.name}: {CANNOT}")
            continue
        off = reading.value - reading.due
        whole = (
            "as due"
            if abs(off) < 2 * reading.error
            else f"{abs(off):.1f} {'above' if off > 0 else 'below'} what is due"
        )
        value = _tidy(f"{reading.value:.1f}")
        lines.append(f"{reading.name}: {value} ± {reading.error:.1f} {reading.unit}, {whole}")
    if result.unmeasured:
        lines.append(f"longitudes and latitudes: not measured, {result.unmeasured}")
    return lines


def moon_words(moon: MoonWidth) -> str:
    """Return how wide a moon is and what made it so."""
    shares = dict(moon.shares)
    narrowed = ""
    if moon.width.value < moon.due_arcsec:
        # of the square as it was before sharpening, so that the shares sum to all of it
        before = moon.due_arcsec**2 / moon.width.value**2
        shares = {name: share / before for name, share in list(shares.items())[:-1]}
        taken = 100 * (1.0 - moon.width.value / moon.due_arcsec)
        narrowed = f"; sharpening then made it narrower by {taken:.0f} %"
    told = ", ".join(f"{name} {100 * share:.0f} %" for name, share in shares.items())
    return (
        f"{moon.name.capitalize()}: {_number(moon.width, 2)} arcsec; its disc has {moon.true_arcsec:.2f}, through the "
        f"perfect aperture {moon.perfect_arcsec:.2f}, with air and pixels {moon.due_arcsec:.2f}; of the square: "
        f"{told}{narrowed}"
    )


def dot_words(dot: Dot) -> str:
    """Return what a dot may be."""
    what = "a star, noise, or left by processing"
    if dot.narrow:
        what = "narrower than a star can be: a hot pixel or noise"
    return f'{dot.east_arcsec:+.1f}" east, {dot.north_arcsec:+.1f}" north: {what}; {dot.clearness:.0f} times the noise'


def dark_spot_lines(result: Check) -> list[str]:
    """Return which shadows are due and by what a shadow, a cloud and dust are told apart."""
    seen = result.apparition
    shadows = [moon for moon in seen.moons if moon.shadow_east_arcsec is not None]
    if not shadows:
        return []
    lines = []
    for moon in shadows:
        found = next((one for one in result.features if one.name == f"shadow of {moon.name}"), None)
        told = "cannot tell whether it shows"
        if found is not None and found.contrast is not None and found.error is not None:
            told = f"it shows with {100 * found.contrast:.0f} ± {100 * found.error:.0f} %"
        lines.append(
            f'{moon.name.capitalize()} throws its shadow {moon.shadow_east_arcsec:+.1f}" east, '
            f'{moon.shadow_north_arcsec:+.1f}" north of the middle: {told}'
        )
    lines.append("any other dark spot: a second picture tells; a cloud moves with the planet, dust stays in the frame")
    return lines


def moons_time_words(told: MoonsTime) -> str:
    """Return what the dots beside the planet say of the time."""
    if told.offset_s is None:
        return f"{told.matched_as_told} of {told.dots} dots are moons at this time; no other time is singled out"
    if abs(told.offset_s) < 1.0:
        return f"{told.matched} of {told.dots} dots stand where moons should at this time"
    hours, minutes = divmod(round(abs(told.offset_s) / 60), 60)
    way = "later" if told.offset_s > 0 else "earlier"
    return (
        f"{told.matched} of {told.dots} dots are moons as they stand {hours} h {minutes:02d} min {way}, only "
        f"{told.matched_as_told} at this time: mind clock, time zone and date"
    )


def angle_words(angle: Measurement | None) -> str:
    """Return where the picture's up points, 0 to 360 deg."""
    if angle is None:
        return CANNOT
    turned = Measurement(round(angle.value, 1) % 360.0, angle.error)
    return f"{_number(turned, 1)} deg, from north through east"


def either_words(result: Check) -> str:
    """Return where up points under either mirror, where only the mirror is open."""
    fit = result.fit
    if result.mirrored is not None or not fit.angle_rival_evidence > TELLING or not math.isfinite(fit.mirror_evidence):
        return CANNOT
    own, other = (f"{round(each, 0) % 360.0:.0f} deg" for each in (fit.pose.angle_deg, fit.other_angle_deg))
    plain, mirrored = (other, own) if fit.pose.mirrored else (own, other)
    return f"{CANNOT}: {plain} if not mirrored, {mirrored} if mirrored"


def shift_lines(shifts: tuple[ChannelShift, ...]) -> list[tuple[str, str]]:
    """Return where red and blue lie in the picture's own pixels, and how far apart."""
    lines = []
    for shift in shifts:
        right, down = shift.column_px, -shift.row_px
        error = max(shift.error_px, 0.01)
        if shift.length_px < 2 * error:
            lines.append((f"{shift.name} lies", f"on green within {2 * error:.2f} px"))
            continue
        ways = (f"{abs(right):.2f} px to the {'right' if right > 0 else 'left'}", f"{abs(down):.2f} px ")
        way = f"{ways[0]} and {ways[1]}{'down' if down > 0 else 'up'} of green, each ± {error:.2f}"
        lines.append((f"{shift.name} lies", way))
    by_name = {shift.name: shift for shift in shifts}
    if {"red", "blue"} <= set(by_name):
        red, blue = by_name["red"], by_name["blue"]
        span = math.hypot(blue.row_px - red.row_px, blue.column_px - red.column_px)
        lines.append(("red to blue", f"{span:.2f} ± {max(math.hypot(red.error_px, blue.error_px), 0.01):.2f} px"))
    return lines


def moved_words(result: Check) -> str:
    """Return for which time all else was measured, where the moons single out another than the one told."""
    at = f"{result.apparition.time_utc[:16].replace('T', ' ')} UTC"
    return f"by the moons the picture was taken at {at}; all that is said here is for that time, not the one told"


def budget_words(budget: Budget) -> str:
    """Return the factors by which another picture is finer."""
    height = ""
    if budget.elsewhere:
        height = " (it was below the horizon here then: taken to stand as high as for yours)"
    elif budget.altitude_deg is not None and budget.altitude_then_deg is not None:
        height = f" ({budget.altitude_then_deg:.0f} against {budget.altitude_deg:.0f} deg high)"
    whose = "that picture" if budget.with_picture else "the best that this setup could give then"
    made = "what it made of them" if budget.with_picture else "what yours left unused"
    text = (
        f"{whose} resolves {budget.total:.2f} times as many steps across the disc: {budget.size:.2f} by its size, "
        f"{budget.conditions:.2f} by height and air{height}, {budget.picture:.2f} by {made}"
    )
    which = {(True, True): "both are", (True, False): "yours is", (False, True): "that one is"}
    told = which.get((budget.over_sharpened, budget.over_sharpened_then))
    return f"{text}; {told} over-sharpened, which counts for nothing" if told else text


def sharpness_words(result: Check) -> str:
    """Return the effective aperture beside what was to be had."""
    share, own = result.share, result.instrument.telescope.aperture_mm
    if not result.tells_sharpness:
        step = result.fit.pose_here.scale_arcsec
        return f"{CANNOT}: so large a disc is compared as a whole, in steps of {step:.0f} arcsec"
    text = (
        f"as a perfect {_number(result.aperture, 0)} mm; {result.expected_aperture_mm:.0f} mm was to be had "
        f"with {own:.0f} mm and the best processing ({100 * share:.0f} %)"
    )
    if result.levels.overexposed:
        return f"{text}; not to be relied on, the disc is burnt out"
    if result.over_sharpened:
        return f"{text}: over-sharpened rather than sharp"
    if result.aperture.value > own:
        return f"{text}; more than its own {own:.0f} mm is contrast raised by sharpening"
    return text


def clock_words(result: Check) -> str:
    """Return the clock error in words."""
    if result.clock is None:
        return CANNOT
    value, error = result.clock.value, result.clock.error
    if abs(value) < 2 * error:
        return f"right within {2 * error:.0f} s"
    return f"the planet stands {abs(value):.0f} ± {error:.0f} s {'later' if value > 0 else 'earlier'} than told"


def levels_words(result: Check) -> str:
    """Return what the file's numbers hold."""
    levels = result.levels
    depth = f"{levels.bits} bits" if levels.bits else "floating point"
    text = f"{depth}, {levels.distinct} levels on the disc"
    if levels.clipped > 0.002:
        text += f", {100 * levels.clipped:.1f} % of it clipped"
    if levels.contours:
        text += "; too few for so little noise: contours may show"
    return text


def evidence_words(result: Check) -> str:
    """Return which fault explains the rest, with the runner-up."""
    ranked = claimable(result.faults, result.share)
    if result.verdict == "none" or not ranked:
        if not result.tells_sharpness:
            return f"{CANNOT}, but for colours and levels: {NO_FAULT} there"
        enough = result.share >= GOOD_SHARE
        return f"little: {100 * result.share:.0f} % of what was to be had is there" if enough else NO_FAULT
    first = ranked[0]
    second = ranked[1] if len(ranked) > 1 and ranked[1].evidence > 0 else None
    if result.verdict == CANNOT and first.ill_fitting:
        return f"{CANNOT}: no single fault explains the blur well, {first.name} comes nearest"
    if result.verdict == CANNOT and second is not None:
        return f"{CANNOT}: {first.name} or {second.name} explain it about equally well"
    told = f"{_strength(first.strength)} {first.unit}; the evidence is {first.evidence_in_words}"
    text = f"{first.name} explains it best ({told})"
    return text if second is None else f"{text}; next: {second.name} (evidence {second.evidence_in_words})"


def twin_words(result: Check) -> str:
    """Return what the twin says of a detail."""
    twin = result.twin
    if twin is None:
        return ""
    if twin.artefact is None:
        return f"{twin.feature}: the picture does not show it clearly enough to try"
    shown = f"{100 * abs(twin.twin_depth):.0f} % in the twin against {100 * abs(twin.depth):.0f} % in the picture"
    place = ""
    if twin.profile is not None and twin.profile.picture_km is not None:
        place = (
            f"; the dark ring lies at {twin.profile.picture_km:.0f} km, the gap at {twin.profile.gap.middle_km:.0f} km"
        )
    verdict, does = ("an artefact", "shows it too") if twin.artefact else ("real", "does not show it")
    return f"{twin.feature}: {verdict}; the planet without it, processed alike, {does} ({shown}{place})"


def _number(measurement: Measurement, digits: int) -> str:
    value = _tidy(f"{measurement.value:.{digits}f}")
    if not math.isfinite(measurement.error):
        return value
    # an error too small for the digits is stated as one of the last
    return f"{value} ± {max(measurement.error, 10.0**-digits):.{digits}f}"


def _tidy(number: str) -> str:
    """Return a rounded number without the sign of a zero."""
    return number.lstrip("-") if float(number) == 0 else number


def _begun(line: str) -> str:
    """Return a line with a capital at its start."""
    return line[:1].upper() + line[1:]


def _strength(value: float) -> str:
    return f"{value:.2g}"


def feature_lines(result: Check, most: int = 12) -> list[tuple[str, str, str]]:
    """Return (name, contrast in the picture, contrast to be had) of the features, and a line for those left out.

    Parameters
    ----------
    result : Check
        What was found.
    most : int
        Features that are listed.
    """
    lines = []
    for feature in result.features[:most]:
        told = CANNOT if feature.contrast is None else f"{100 * feature.contrast:.1f} %"
        lines.append((feature.name, told, f"{100 * feature.expected_contrast:.1f} %"))
    if len(result.features) > most:
        lines.append((f"and {len(result.features) - most} fainter ones", "", ""))
    return lines
