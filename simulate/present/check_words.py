"""A check in words: what was found, how sure it is, and what the picture cannot tell."""

from __future__ import annotations

import math

from simulate.judgement.checking.results import Check, Measurement

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
    if result.twin is not None:
        lines.append(("the twin", twin_words(result)))
    return lines


def sharpness_words(result: Check) -> str:
    """Return the effective aperture beside what was to be had."""
    share = 100 * result.aperture.value / result.expected_aperture.value
    return (
        f"as a perfect {_number(result.aperture, 0)} mm; {result.expected_aperture.value:.0f} mm was to be had "
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
