"""Facts in words, with units and uncertainty: for sheets and for the terminal.

Uncertainties are those of the model (data, formulas, ephemeris), as the rooms state them; what the
user gave (seeing, instrument) counts as exact. The sharpness of the picture is good to 10 %, the
light that reaches the sensor to 20 % (common practice: throughput is seldom known better).
"""

from __future__ import annotations

import math
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from simulate.bodies import feature_names
from simulate.bodies.features import placeless_features
from simulate.geometry import EarthShadow
from simulate.geometry.shadow_light import UMBRA_DOUBT, light_text
from simulate.present.advice import (
    camera_text,
    corrector_text,
    dispersion_text,
    enlarging_text,
    moons_text,
    mount_text,
    on_the_moon_text,
    red_spot_text,
    season_text,
    sky_text,
)
from simulate.present.caution import caution_for
from simulate.results.view import OpticsFacts, View
from simulate.stack import Exposure
from simulate.values.constants import ASTRONOMICAL_UNIT_KM
from simulate.values.resolution import finest_arcsec

SHARPNESS_UNCERTAINTY = 0.10
LIGHT_UNCERTAINTY = 0.20
MAGNITUDE_UNCERTAINTY = 0.05
"""Of V, typical residual of Mallama & Hilton (2018); from memory."""

COMPASS = ("N", "NE", "E", "SE", "S", "SW", "W", "NW")


@dataclass(frozen=True)
class Fact:
    """One line: a short label, and what is to be said.

    Parameters
    ----------
    group : str
        "body", "sky", "telescope" or "recording".
    label, text : str
        As shown.
    """

    group: str
    label: str
    text: str


GROUPS = {"body": "The target", "sky": "The air", "telescope": "The sharpness", "recording": "The recording"}
"""Headings of the groups of facts."""


def facts(view: View) -> tuple[Fact, ...]:
    """Return all facts of a view, in reading order."""
    return tuple(_body_facts(view) + _sky_facts(view) + _telescope_facts(view) + _recording_facts(view))


def when_text(time_utc: str) -> str:
    """Return "2027-02-14 09:30 UTC" of an ISO time; seconds only where they are not zero."""
    date, _, clock = time_utc.removesuffix("Z").partition("T")
    hours, minutes, seconds = [*clock.split(":"), "00", "00"][:3]
    whole = f"{float(seconds):04.1f}".removesuffix(".0") if float(seconds or 0) else ""
    return f"{date} {hours}:{minutes}{':' + whole if whole else ''} UTC"


def where_text(site: Any) -> str:
    """Return a site in words; None is the Earth's centre."""
    if site is None:
        return "from the Earth's centre, through the zenith"
    north = "N" if site.latitude_deg >= 0 else "S"
    east = "E" if site.longitude_deg >= 0 else "W"
    place = f"{abs(site.latitude_deg):.2f}°{north} {abs(site.longitude_deg):.2f}°{east}, {site.height_m:.0f} m"
    return f"{site.name} ({place})" if site.name else place


def headline(view: View) -> str:
    """Return one sentence: how much there is to see, and what stands in the way."""
    seen, optics = view.apparition, view.optics
    width = seen.equatorial_diameter_arcsec
    sharp = optics.delivered_fwhm_arcsec
    limit = _sentence(limiting(view))
    if width <= 0:
        return f"A point is drawn {optics.stack_fwhm_arcsec or sharp:.2f}″ wide. {limit}"
    across = width / sharp
    if across < 1.5:
        return f"At {width:.1f}″ the disc is hardly wider than the {sharp:.2f}″ to which a point is drawn. {limit}"
    return f"A disc of {width:.1f}″, drawn sharp to {sharp:.2f}″: {across:.0f} details side by side across it. {limit}"


def blur_parts(optics: OpticsFacts) -> dict[str, float]:
    """Return what each cause adds to the width of one frame's point response, arcsec.

    Widths add in squares, which holds for a Gaussian and roughly for others. The air's part is what
    the delivered width of a frame leaves over.
    """
    parts = {"aperture": optics.diffraction_fwhm_arcsec, "pixels": optics.pixel_scale_arcsec}
    whole = optics.raw_fwhm_arcsec or optics.stack_fwhm_arcsec or optics.delivered_fwhm_arcsec
    parts["air"] = math.sqrt(max(0.0, whole**2 - sum(part**2 for part in parts.values())))
    return parts


def limiting(view: View) -> str:
    """Return what keeps this picture from being sharper, as a clause."""
    optics = view.optics
    parts = blur_parts(optics)
    worst = max(parts, key=lambda name: parts[name])
    if view.exposure.overexposed_share > 0.005:
        return f"the exposure limits it: {view.exposure.overexposed_text}"
    if min(view.finished.noise_gain) < 1.0 and optics.delivered_fwhm_arcsec > 0.97 * (optics.stack_fwhm_arcsec or 0.0):
        return "noise limits it: there is too little light to undo the blur"
    if worst == "pixels":
        more = optics.pixel_scale_arcsec / optics.diffraction_fwhm_arcsec * 2
        return f"the pixels limit it: {more:.1f} times the focal length would show what the aperture resolves"
    if worst == "air":
        return "the air limits it: steadier air would gain more than a larger aperture"
    return "the aperture limits it: the air and the pixels could serve a larger one"


def _sentence(clause: str) -> str:
    return clause[:1].upper() + clause[1:] + "."


def _body_facts(view: View) -> list[Fact]:
    seen = view.apparition
    lines = []
    width, height = seen.equatorial_diameter_arcsec, seen.polar_diameter_arcsec
    if width > 0:
        pixels = width / view.optics.pixel_scale_arcsec
        oblate = f" × {height:.2f}″" if abs(width - height) > 0.005 else ""
        lines.append(("Size", f"{width:.2f}″{oblate} ± 0.01″; {pixels:.0f} pixels of the camera"))
        lines.append(("Phase", f"{100 * seen.illuminated_fraction:.1f} % lit; phase angle {seen.phase_angle_deg:.1f}°"))
    if math.isfinite(seen.distance_au):
        lines.append(("Distance", distance_text(seen)))
    uncertainty = f" ± {MAGNITUDE_UNCERTAINTY}" if width > 0 else ""
    if seen.shadow is not None:
        lines.append(("Eclipse", _eclipse_text(seen.shadow)))
        if seen.shadow.umbral_magnitude > 1.0:
            uncertainty = f" ± {2.5 * math.log10(UMBRA_DOUBT):.1f}"
    lines.append(("Brightness", f"V {_signed(seen.magnitude, 2)}{uncertainty}"))
    lines.append(("From the Sun", f"{seen.elongation_deg:.1f}°"))
    if width > 0:
        lines += _face_lines(seen) + _changing_lines(view)
    return [Fact("body", label, text) for label, text in lines]


def _eclipse_text(shadow: EarthShadow) -> str:
    left = f"{light_text(shadow.sunlit_fraction)} of the light left"
    if shadow.umbral_magnitude <= 0.0:
        return f"{shadow.penumbral_magnitude:.2f} of the diameter in the penumbra; {left}"
    if shadow.umbral_magnitude < 1.0:
        return f"{shadow.umbral_magnitude:.2f} of the diameter in the umbra; {left}"
    return f"wholly in the umbra, magnitude {shadow.umbral_magnitude:.2f}; {left}"


def distance_text(seen: Any) -> str:
    """Return the distance of a body with the time that its light took."""
    if seen.distance_au < 0.01:  # the Moon
        return f"{count(seen.distance_au * ASTRONOMICAL_UNIT_KM)} km; the light took {seen.light_time_s:.2f} s"
    return f"{seen.distance_au:.4f} au; the light took {seen.light_time_s / 60:.1f} min"


def _changing_lines(view: View) -> list[tuple[str, str]]:
    """What changes on a body within hours or months, where its data file tells it."""
    seen, body = view.apparition, view.subject
    without = view.inputs.get("without") or ()
    drawn = "red spot" not in without and not view.inputs.get("map")  # a map of one's own has its own spot
    spot = red_spot_text(body, seen, view.inputs.get("red_spot_longitude_deg")) if drawn else None
    lines = (
        ("Season", season_text(body, seen)),
        ("Red spot", spot),
        ("Moons", moons_text(seen, view.subject.title)),
    )
    return [(label, text) for label, text in lines if text is not None]


def _face_lines(seen: Any) -> list[tuple[str, str]]:
    lines = []
    if seen.central_meridian_deg:
        systems = ", ".join(f"{name} {value:.1f}°".strip() for name, value in seen.central_meridian_deg.items())
        lines.append(("Meridian", f"{systems} in the middle"))
    tilt = seen.sub_observer_latitude_deg
    lines.append(
        ("Tilt", f"latitude {_signed(tilt, 1)}° in the middle; north pole at {seen.north_pole_position_angle_deg:.1f}°")
    )
    if seen.ring_opening_deg is not None and seen.ring_opening_sun_deg is not None:
        lit = seen.ring_opening_deg * seen.ring_opening_sun_deg > 0
        face = "lit face" if lit else "unlit face"
        lines.append(
            (
                "Rings",
                f"open {_signed(seen.ring_opening_deg, 1)}°, Sun {_signed(seen.ring_opening_sun_deg, 1)}°: {face}",
            )
        )
    return lines


def _sky_facts(view: View) -> list[Fact]:
    seen, optics = view.apparition, view.optics
    lines = []
    if seen.altitude_deg is None or seen.azimuth_deg is None:
        lines.append(("Altitude", "no site given: seen through the zenith"))
    else:
        lines.append(
            (
                "Altitude",
                f"{seen.altitude_deg:.1f}° in the {compass(seen.azimuth_deg)} (azimuth {seen.azimuth_deg:.0f}°)",
            )
        )
    if seen.airmass is not None:
        lines.append(("Air mass", f"{seen.airmass:.2f}"))
    zenith = getattr(view.sky, "seeing_arcsec", None)
    if zenith is not None:
        lines.append(("Seeing", seeing_text(view.sky, optics.seeing_fwhm_arcsec)))
    if optics.fried_ratio is not None:
        lines.append(("Calm patches", f"the aperture is {optics.fried_ratio:.1f} of them wide (D/r0)"))
    spread = dispersion_text(optics)
    if spread is not None and seen.altitude_deg is not None:
        lines.append(("Dispersion", spread))
        if optics.raw_fwhm_arcsec is not None:
            gain = corrector_text(abs(optics.dispersion_arcsec or 0), len(view.channel_names), optics.raw_fwhm_arcsec)
            lines.append(("Corrector", gain))
    if seen.sun_altitude_deg is not None:
        lines.append(("Sun", f"at altitude {_signed(seen.sun_altitude_deg, 0)}°"))
    if seen.moon_separation_deg is not None and view.subject.kind != "moon":
        lines.append(("Moon", _moon_text(seen)))
    light = sky_text(seen, optics, getattr(view.sky, "sky_brightness_mag", None))
    if light is not None:
        lines.append(("Sky light", light))
    return [Fact("sky", label, text) for label, text in lines]


def seeing_text(sky: Any, here_arcsec: float | None) -> str:
    """Return the seeing as it was given, and the width of a long exposure at the target.

    Like a monitor's, the number given is the width were there no largest swirl in the air; the outer scale
    makes the width in a picture smaller (Tokovinin 2002).
    """
    told = f"{sky.seeing_arcsec:.2f}″ at the zenith as given, that is without an outer scale"
    if here_arcsec is None or sky.seeing_arcsec == 0:
        return told
    scale = f" with that of {sky.outer_scale_m:g} m" if math.isfinite(sky.outer_scale_m) else ""
    return f"{told}; {here_arcsec:.2f}″ here{scale}"


def _moon_text(seen: Any) -> str:
    if seen.moon_altitude_deg is not None and seen.moon_altitude_deg < 0:
        return "below the horizon"
    return f"{seen.moon_separation_deg:.0f}° away"


def compass(azimuth_deg: float) -> str:
    """Return the point of the compass nearest to an azimuth (from north through east), of eight."""
    return COMPASS[round(azimuth_deg / 45.0) % 8]


def _telescope_facts(view: View) -> list[Fact]:
    optics = view.optics
    spread = f"± {100 * SHARPNESS_UNCERTAINTY:.0f} %"
    lines = [("Diffraction", f"{optics.diffraction_fwhm_arcsec:.2f}″, the telescope alone{_strehl_text(optics)}")]
    if optics.raw_fwhm_arcsec is not None:
        lines.append(("One frame", f"{optics.raw_fwhm_arcsec:.2f}″ {spread}"))
    if optics.stack_fwhm_arcsec is not None:
        lines.append(("Stack", f"{optics.stack_fwhm_arcsec:.2f}″ {spread}"))
    if view.apparition.equatorial_diameter_arcsec > 0:  # a star's picture is not restored
        lines.append(("Finished", f"{optics.delivered_fwhm_arcsec:.2f}″ {spread}"))
        overshoot = 100 * max(view.finished.limb_overshoot)
        lines.append(("Limb", f"a sharp edge overshoots by {overshoot:.0f} %"))
    lines.append(("Sampling", sampling_text(optics)))
    lines.append(("Critical", critical_text(view)))
    lines.append(("Enlarging", enlarging_text(view.instrument.telescope.aperture_mm, optics.pixel_scale_arcsec)))
    if view.subject.kind == "moon":
        lines.append(("On the Moon", on_the_moon_text(view.apparition, optics.delivered_fwhm_arcsec)))
    return [Fact("telescope", label, text) for label, text in lines]


def _strehl_text(optics: OpticsFacts) -> str:
    return f" (Strehl {optics.strehl_ratio:.2f})" if optics.strehl_ratio is not None else ""


def sampling_text(optics: OpticsFacts) -> str:
    """Return how the pixels sample the picture, in words."""
    ratio = optics.sampling_ratio
    word = "critical"
    if ratio > 1.1:
        word = "coarser than critical"
    elif ratio < 0.9:
        word = "finer than critical"
    return f"{optics.pixel_scale_arcsec:.3f}″ pixels, {ratio:.2f} of the critical size: {word}"


def critical_text(view: View) -> str:
    """Return the focal ratio at which this pixel is critical, and the size of the disc in critical pixels."""
    critical = finest_arcsec(view.instrument.telescope.aperture_mm) / 2
    told = f"f/{view.optics.critical_focal_ratio:.1f} for this pixel at 550 nm; a critical pixel is {critical:.3f}″"
    width = view.apparition.equatorial_diameter_arcsec
    wide = width / critical
    return f"{told}, the disc {wide:.{0 if wide >= 10 else 1}f} of them wide" if wide > 0 else told


def _recording_facts(view: View) -> list[Fact]:
    exposure = view.exposure
    share = 100 * exposure.kept / exposure.frames
    set_by = {"full well": "set by full well", "motion of the air": "set by the moving air", "user": "as given"}
    spread = f"± {100 * LIGHT_UNCERTAINTY:.0f} %"
    lines = [
        ("Exposure", f"{duration(exposure.exposure_s)}, {set_by.get(exposure.limited_by, exposure.limited_by)}"),
        ("Peak", f"{count(exposure.peak_electrons)} e⁻ {spread}; {_peak_text(exposure)}"),
        ("Gain", f"{exposure.gain_e_per_dn:.3g} e⁻/DN"),
        (
            "Frames",
            f"{count(exposure.frames)} in {duration(exposure.seconds)}: {exposure.frames_per_second:.3g} a second",
        ),
        ("Kept", f"{count(exposure.kept)} ({share:.0f} %)"),
        ("Stack grid", _grid_text(view)),
        ("Noise", _noise_text(view)),
    ]
    mount = mount_text(view.apparition, exposure.seconds, view.optics.delivered_fwhm_arcsec)
    lines.append(("Camera", camera_text(view.frame.placement)))
    if mount is not None:
        lines.append(("Mount", f"{view.instrument.mount.kind}; {mount}"))
    return [Fact("recording", label, text) for label, text in lines]


def _peak_text(exposure: Exposure) -> str:
    if exposure.peak_fraction >= 1.0:
        return f"overexposed: {exposure.overexposed_text}"
    return f"{100 * exposure.peak_fraction:.2g} % of full scale"


def count(number: float) -> str:
    """Return a whole number with thin blanks between groups of three digits."""
    return f"{number:,.0f}".replace(",", "\u202f")


def _grid_text(view: View) -> str:
    factor = view.stack.factor
    return "the camera's pixels" if factor < 1.01 else f"{factor:g} cells a pixel"


def _noise_text(view: View) -> str:
    """Signal to noise of the brightest part of the finished picture, in words."""
    picture, noise = np.asarray(view.finished.picture), np.asarray(view.finished.noise)
    ratios = []
    for plane, sigma in zip(picture, noise, strict=True):
        bright = plane >= 0.8 * plane.max()
        ratios.append(float(np.median(plane[bright]) / max(float(np.median(sigma[bright])), 1e-30)))
    return f"1 part in {min(ratios):.0f} where it is brightest, ± 15 %"


def duration(seconds: float) -> str:
    """Return a time with a fitting unit."""
    if seconds < 1e-3:
        return f"{seconds * 1e6:.0f} µs"
    if seconds < 1.0:
        return f"{seconds * 1e3:.3g} ms"
    return f"{seconds:.0f} s" if seconds < 600 else f"{seconds / 60:.0f} min"


def _signed(value: float, digits: int) -> str:
    text = f"{abs(value):.{digits}f}"
    return ("−" if value < 0 and float(text) != 0 else "") + text


def verdict_lines(view: View) -> dict[str, list[str]]:
    """Return the names of features by verdict ("clear", "doubtful", "lost"), empty verdicts left out."""
    lines: dict[str, list[str]] = {}
    for verdict in ("clear", "doubtful", "lost"):
        names = [feature.name for feature in view.features if feature.verdict == verdict]
        if names:
            lines[verdict] = names
    return lines


def provenance(view: View) -> str:
    """Return one paragraph that says from what a view was computed."""
    seen = view.apparition
    parts = [f"Computed, not photographed: simulate {view.version}".strip()]
    parts += [instrument_text(view.instrument)]
    parts += _choices(view)
    parts += [
        f"ephemeris {seen.ephemeris}",
        "magnitudes Mallama & Hilton (2018), poles and radii IAU WGCCRE 2015",
        f"seed {view.seed}",
    ]
    return "; ".join(parts) + "."


def instrument_text(instrument: Any) -> str:
    """Return the numbers of an instrument in one clause."""
    optics, camera, mount = instrument.telescope, instrument.camera, instrument.mount
    length = f"{optics.focal_length_mm:g} mm" + (f" × {optics.amplifier:g}" if optics.amplifier != 1 else "")
    parts = [f"aperture {optics.aperture_mm:g} mm", f"focal length {length}"]
    if optics.obstruction_mm > 0:
        parts.append(f"obstruction {optics.obstruction_mm:g} mm")
    parts.append(f"{camera.pixel_um:g} µm pixels, {camera.filter_array}, {camera.bits} bits")
    parts.append(mount.kind + (", mirrored" if mount.mirrored else ""))
    return ", ".join(parts)


def _choices(view: View) -> list[str]:
    """What the user chose about the picture, where it is not the usual."""
    given = view.inputs
    own = feature_names(view.subject, minor=True)
    shown = str(view.subject.sections.get("map", {}).get("shown", ""))
    parts = []
    if given.get("map"):
        parts.append(f"the face is a map of your own, {given['map']}")
        unplaced = unplaced_on_map(view)
        parts += [f"not judged on your map: {', '.join(unplaced)}"] if unplaced else []
    elif shown:
        parts.append(f"the face: {shown}")
    if given.get("invented_texture"):
        parts.append("the fine texture is invented")
    if given.get("without"):
        parts.append("left out: " + ", ".join(given["without"]))
    if given.get("red_spot_longitude_deg") is not None and "red spot" in own:
        parts.append(f"red spot at System {view.subject.longitude_system} {given['red_spot_longitude_deg']:g}°")
    if given.get("dust") and "dust_brightening" in view.subject.sections.get("map", {}):
        parts.append(f"dust {given['dust']:g}")
    return parts


def summary(view: View, *, width: int = 80, plain: bool = False) -> str:
    """Return a view in words for a terminal.

    Parameters
    ----------
    view : View
        What to describe.
    width : int
        Longest line.
    plain : bool
        Only ASCII: " arcsec" and " deg" in place of signs.
    """
    seen = view.apparition
    lines = [
        f"{view.subject.title} through {view.instrument.name}, {when_text(seen.time_utc)}",
        where_text(seen.site),
        "",
    ]
    lines += textwrap.wrap(headline(view), width)
    for group, title in GROUPS.items():
        lines += ["", title]
        for fact in facts(view):
            if fact.group == group:
                lines += textwrap.wrap(
                    fact.text, width, initial_indent=f"  {fact.label:<13}", subsequent_indent=" " * 15
                )
    lines += _verdict_text(view, width)
    for warning in view.warnings:
        lines += ["", *textwrap.wrap(f"Note: {warning}", width)]
    caution = caution_for(seen.elongation_deg, seen.sun_altitude_deg) if view.subject.kind != "star" else None
    if caution:
        lines += ["", *textwrap.wrap(caution, width)]
    text = "\n".join(lines)
    return ascii_text(text) if plain else text


def unplaced_on_map(view: View) -> tuple[str, ...]:
    """Return what is not judged because it drifts, so that nobody knows its place on the user's own map."""
    return tuple(sorted(placeless_features(view.subject))) if view.inputs.get("map") else ()


def _verdict_text(view: View, width: int) -> Sequence[str]:
    lines: list[str] = []
    rows = dict(verdict_lines(view))
    unplaced = unplaced_on_map(view)
    if unplaced:
        rows["not judged"] = [f"on your map: {', '.join(unplaced)}"]
    for verdict, names in rows.items():
        lines += textwrap.wrap("; ".join(names), width, initial_indent=f"  {verdict:<13}", subsequent_indent=" " * 15)
    return ["", "What can be seen", *lines] if lines else []


_ASCII = {"″": " arcsec", "°": " deg", "±": "+-", "×": "x", "−": "-", "µ": "u", "e⁻": "e-", "\u202f": ""}


def ascii_text(text: str) -> str:
    """Return `text` with its signs spelled in ASCII."""
    for sign, word in _ASCII.items():
        text = text.replace(sign, word)
    return text.encode("ascii", "replace").decode("ascii")
