"""A check in words: what was found, how sure it is, and what the picture cannot tell."""

from __future__ import annotations

import math

from simulate.judgement.checking.dots import Dot, MoonWidth
from simulate.judgement.checking.results import Budget, Check, Measurement, MoonsTime

CANNOT = "cannot tell"


def check_lines(result: Check) -> list[tuple[str, str]]:
    """Return (label, text) pairs of all findings, in reading order."""
    fit = result.fit
    lines = [
        ("pixel scale", f"{_number(result.pixel_scale, 4)} arcsec a pixel"),
        ("focal length", f"{_number(result.focal_length, 0)} mm if the picture was never resized"),
        ("up is at", CANNOT if result.angle is None else f"{_number(result.angle, 1)} deg, from north through east"),
        ("mirrored", CANNOT if result.mirrored is None else ("yes" if result.mirrored else "no")),
        ("clock", clock_words(result)),
        ("tone curve", f"exponent {fit.gamma:.2f} ± {fit.errors['gamma']:.2f}"),
        ("sharpness", sharpness_words(result)),
        ("limb", f"overshoots by {100 * result.overshoot.value:.1f} %"),
        ("numbers", levels_words(result)),
    ]
    for shift in result.shifts:
        lines.append((f"{shift.name} lies", f"{shift.length_px:.2f} ± {shift.error_px:.2f} px beside green"))
    lines.append(("what is missing", evidence_words(result)))
    if result.other_time is not None:
        told = f"it looks more like {result.other_time.words}, or when it stood alike: mind date, time zone and clock"
        lines.append(("the time", told))
    if result.twin is not None:
        lines.append(("the twin", twin_words(result)))
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
    return [(title, lines) for title, lines in lists if lines]


def reading_lines(result: Check) -> list[str]:
    """Return what can be measured in the picture and how well."""
    lines = []
    if math.isfinite(result.mark_error_deg):
        # the theory's outline itself is known no better than a tenth of a degree
        error = max(result.mark_error_deg, 0.1)
        lines.append(f"a small mark near the middle: ± {error:.1f} deg by the limb, and how well you can point at it")
    for reading in result.readings:
        off = reading.value - reading.due
        whole = (
            "as due"
            if abs(off) < 2 * reading.error
            else f"{abs(off):.1f} {'above' if off > 0 else 'below'} what is due"
        )
        lines.append(f"{reading.name}: {reading.value:.1f} ± {reading.error:.1f} {reading.unit}, {whole}")
    return lines


def moon_words(moon: MoonWidth) -> str:
    """Return how wide a moon is and what made it so."""
    shares = ", ".join(f"{name} {100 * share:.0f} %" for name, share in moon.shares.items())
    return (
        f"{moon.name}: {_number(moon.width, 2)} arcsec; its disc has {moon.true_arcsec:.2f}, through the perfect "
        f"aperture {moon.perfect_arcsec:.2f}, with air and pixels {moon.due_arcsec:.2f}; of the square: {shares}"
    )


def dot_words(dot: Dot) -> str:
    """Return what a dot may be."""
    what = "narrower than a star can be: a hot pixel or noise" if dot.narrow else "a star, or a moon not computed here"
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
            f'{moon.name} throws its shadow {moon.shadow_east_arcsec:+.1f}" east, {moon.shadow_north_arcsec:+.1f}" '
            f"north of the middle: {told}"
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


def budget_words(budget: Budget) -> str:
    """Return the factors by which another picture is finer."""
    height = ""
    if budget.altitude_deg is not None and budget.altitude_then_deg is not None:
        height = f" ({budget.altitude_then_deg:.0f} against {budget.altitude_deg:.0f} deg high)"
    whose = "that picture" if budget.with_picture else "the best that this setup could give then"
    made = "what it made of them" if budget.with_picture else "what yours left unused"
    return (
        f"{whose} resolves {budget.total:.2f} times as many steps across the disc: {budget.size:.2f} by its size, "
        f"{budget.conditions:.2f} by height and air{height}, {budget.picture:.2f} by {made}"
    )


def sharpness_words(result: Check) -> str:
    """Return the effective aperture beside what was to be had."""
    share = 100 * result.aperture.value / result.expected_aperture_mm
    return (
        f"as a perfect {_number(result.aperture, 0)} mm; {result.expected_aperture_mm:.0f} mm was to be had "
        f"with {result.instrument.telescope.aperture_mm:.0f} mm and the best processing ({share:.0f} %)"
    )


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
    if result.verdict == "none" or not result.faults:
        return "no fault stands out"
    first = result.faults[0]
    second = result.faults[1] if len(result.faults) > 1 and result.faults[1].evidence > 0 else None
    if result.verdict == CANNOT and second is not None:
        return f"{CANNOT}: {first.name} or {second.name} explain it about equally well"
    text = f"{first.name} explains it best ({_strength(first.strength)} {first.unit})"
    return text if second is None else f"{text}; next: {second.name}"


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
    if not math.isfinite(measurement.error):
        return f"{measurement.value:.{digits}f}"
    return f"{measurement.value:.{digits}f} ± {max(measurement.error, 0.5 * 10**-digits):.{digits}f}"


def _strength(value: float) -> str:
    return f"{value:.2g}"
