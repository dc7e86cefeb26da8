"""Seasons and plans as tables of at most 80 columns."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Callable, Sequence

import numpy as np

from simulate.judging import FLOOR
from simulate.planning.nights import times_of
from simulate.planning.records import CaptureCard, MoonCard, Plan, Season, Trades
from simulate.present.planning_words import ring_face
from simulate.present.words import ascii_text, compass, duration, where_text

WIDE = 80
MOST_EVENTS = 60
TABLE_ROWS = 24
LONGEST_TOLD_S = 6 * 3600.0
"""A limit on the recording that is longer than this is none."""


def season_text(season: Season, *, plain: bool = False) -> str:
    """Return a season for the terminal: advice, best dates, a thinned table, events.

    Parameters
    ----------
    season : Season
        What was found.
    plain : bool
        Use ASCII only.
    """
    where = where_text(season.site)
    title = f"{season.subject.title} through {season.instrument.name}, {where}"
    lines = [*textwrap.wrap(title, WIDE), ""]
    for sentence in season.advice:
        lines += textwrap.wrap(sentence, WIDE, subsequent_indent="  ")
    if season.best:
        lines += ["", "Best dates", *_signs(season_table(season, sorted(season.best)), plain)]
    rows = np.unique(np.linspace(0, len(season.days_tt) - 1, min(TABLE_ROWS, len(season.days_tt))).round().astype(int))
    lines += ["", "Through the span", *_signs(season_table(season, [int(row) for row in rows]), plain)]
    lines += ["", *event_lines(season)]
    return _finished(lines, plain)


def season_table(season: Season, rows: Sequence[int]) -> list[str]:
    """Return the lines of a table of dates; a dash where the body cannot be had that night."""
    column, last = season.columns, _last_column(season)
    lines = [f"date         UTC   size   lit   mag  alt  sharp  merit clear {last[0]:>12}"]
    for i in rows:
        time = season.times_utc[i]
        start = f"{time[:10]} {time[11:16]} {column['equatorial_diameter_arcsec'][i]:5.1f}″"
        start += f" {column['illuminated_fraction'][i]:5.0%} {column['magnitude'][i]:5.1f}"
        if not season.usable[i]:
            lines.append(f"{start} {'-':>4} {'-':>6} {'-':>6} {'-':>5} {last[1](i):>12}")
            continue
        high = f"{column['altitude_deg'][i]:3.0f}°" if "altitude_deg" in column else "-"
        sharp = f"{column['delivered_fwhm_arcsec'][i]:5.2f}″"
        merit, clear = (f"{column['merit'][i]:.2f}", f"{column['clear'][i]:.0f}") if season.judged else ("-", "-")
        lines.append(f"{start} {high:>4} {sharp} {merit:>6} {clear:>5} {last[1](i):>12}")
    return lines


def _last_column(season: Season) -> tuple[str, Callable[[int], str]]:
    column = season.columns
    if "ring_opening_deg" in column:
        opening, sun = column["ring_opening_deg"], column["ring_opening_sun_deg"]
        return "rings", lambda i: f"{opening[i]:+.1f}° {ring_face(opening[i], sun[i])}"
    if season.subject.inside_earths_orbit:
        return "from Sun", lambda i: f"{column['elongation_deg'][i]:.0f}°"
    if season.subject.observing.seasons:
        return "Ls / face", lambda i: f"{column['solar_longitude_deg'][i]:.0f}/{season.central_meridian_deg[i]:.0f}°"
    return "face", lambda i: f"{season.central_meridian_deg[i]:.0f}°"


def event_lines(season: Season) -> list[str]:
    """Return the events, one a line."""
    if not season.events:
        return ["No events in this span."]
    lines = ["Events (UTC)"]
    for event in season.events[:MOST_EVENTS]:
        when = event.time_utc[:16].replace("T", " ")
        lines += textwrap.wrap(f"{when}  {event.what}", WIDE, subsequent_indent=" " * 18)
    if len(season.events) > MOST_EVENTS:
        lines.append(f"and {len(season.events) - MOST_EVENTS} more: see --json or the calendar file")
    return lines


def plan_text(plan: Plan, *, plain: bool = False) -> str:
    """Return a plan for the terminal: advice, curve, events, capture card.

    Parameters
    ----------
    plan : Plan
        What was found.
    plain : bool
        Use ASCII only.
    """
    title = f"{plan.subject.title} through {plan.instrument.name}, night of {plan.night}, {where_text(plan.site)}"
    lines = [*textwrap.wrap(title, WIDE), ""]
    for sentence in plan.advice:
        lines += textwrap.wrap(sentence, WIDE, subsequent_indent="  ")
    if plan.caution:
        lines += ["", *textwrap.wrap(plan.caution, WIDE)]
    lines += ["", *_signs(curve_table(plan), plain), "", *sun_lines(plan)]
    if plan.events:
        lines += ["", "Events while it can be had (UTC; * in the best window)"]
        lines += _signs([_event_line(plan, index) for index in range(len(plan.events))], plain)
    lines += ["", "Capture card", *card_lines(plan.card)]
    if plan.features:
        lines += ["", "What can be seen", *feature_lines(plan)]
    if plan.trades:
        lines += ["", *_trade_lines(plan.trades)]
    for warning in plan.warnings:
        lines += ["", *textwrap.wrap(f"Note: {warning}", WIDE)]
    return _finished(lines, plain)


def curve_table(plan: Plan) -> list[str]:
    """Return the curve of the night every half an hour; a star marks the best window."""
    curve, moon = plan.curve, plan.subject.kind != "moon"  # the Moon's own altitude is told once
    lines = [f"    UTC   alt from airmass  sharp dispersion   Sun {' Moon ' if moon else ''} meridian"]
    for i, time in enumerate(plan.times_utc):
        if time[14:16] not in ("00", "30") or curve["altitude_deg"][i] <= 0.0:
            continue
        inside = plan.window.from_tt <= plan.days_tt[i] <= plan.window.until_tt
        width, spread = curve["delivered_fwhm_arcsec"][i], curve["dispersion_arcsec"][i]
        sharp = f"{width:5.2f}″" if math.isfinite(width) else "     -"
        other = f"{curve['moon_altitude_deg'][i]:4.0f}° " if moon else ""
        lines.append(
            f"{'*' if inside else ' '} {time[11:16]} {curve['altitude_deg'][i]:4.0f}° "
            f"{compass(float(curve['azimuth_deg'][i])):>4} {curve['airmass'][i]:7.2f} {sharp} "
            f"{f'{spread:.2f}″' if math.isfinite(spread) else '-':>10} {curve['sun_altitude_deg'][i]:4.0f}° "
            f"{other}{_meridian(plan, i):>9}"
        )
    return lines


def _trade_lines(trades: Trades) -> list[str]:
    """Return what gain, share and number of frames do, in lines."""
    title = "Gain, share and number of frames" + (f", judged by: {trades.feature}" if trades.feature else "")
    lines = textwrap.wrap(title, WIDE)
    for sentence in trades.advice:
        lines += textwrap.wrap(sentence, WIDE, initial_indent="  ", subsequent_indent="  ")
    return lines


def _meridian(plan: Plan, index: int) -> str:
    column = plan.curve.get("central_meridian_deg")
    if column is None:
        return "-"
    system = plan.subject.longitude_system
    return f"{system + ' ' if system else ''}{column[index]:.0f}°"


def sun_lines(plan: Plan) -> list[str]:
    """Return the Sun's events of the night in lines."""
    text = ", ".join(f"{event.what} {times_of(np.array([event.day_tt]))[0][11:16]}" for event in plan.sun)
    return textwrap.wrap(text[:1].upper() + text[1:] + " UTC.", WIDE) if text else ["The Sun neither sets nor rises."]


def _event_line(plan: Plan, index: int) -> str:
    entry = plan.events[index]
    star = "*" if entry.in_window else " "
    text = f"{star} {entry.event.time_utc[11:16]} {entry.altitude_deg:3.0f}°  {entry.event.what}"
    return f"{text[: WIDE - 10]:<{WIDE - 10}} {entry.verdict or '':>9}"


def card_lines(card: CaptureCard) -> list[str]:
    """Return the capture card, one fact a line."""
    lines = []
    for name, text in card_rows(card):
        lines += textwrap.wrap(text, WIDE, initial_indent=f"  {name:<19}", subsequent_indent=" " * 21)
    return lines


def card_rows(card: CaptureCard) -> list[tuple[str, str]]:
    """Return the capture card as pairs of a name and what is told."""
    return [*_recording_rows(card), *_optics_rows(card), *_moon_rows(card)]


def _recording_rows(card: CaptureCard) -> list[tuple[str, str]]:
    gain = f"{card.gain_e_per_dn:g} e⁻/DN"
    if card.peak_fraction < 0.3:
        gain += f"; {card.fitting_gain_e_per_dn:.2g} e⁻/DN would fill the converter"
    gain += f"; read noise is {card.read_noise_share:.1%} of the variance at the peak"
    full = f"{card.peak_fraction:.0%} of full scale" if card.peak_fraction < 1 else "overexposed"
    peak = f"{card.peak_electrons:.0f} e⁻ at the peak, {full}"
    length = f"{card.frames_per_second:.0f} frames/s for {duration(card.seconds)}"
    columns, rows = card.region_px
    bits = f"{card.file_bits}; noise of {card.noise_steps_8bit:.2g} steps in faint parts of an 8-bit file"
    if card.file_bits > 8:
        bits += f" would leave contours of {card.ripple_steps_8bit:.2g} step"
    keep = f"{card.keep_fraction:.0%} of the frames (D/r0 = {card.fried_ratio:.1f})"
    return [
        ("Exposure", f"{duration(card.exposure_s)}: {peak}, limited by {card.limited_by}"),
        ("Gain", gain),
        ("Recording", f"{length}: {card.frames} frames, {card.gigabytes:.2g} GB"),
        ("Longest recording", _limit_text(card)),
        ("Window", f"{columns} x {rows} pixels for a disc of {card.size_px:.0f}"),
        ("Bits", bits),
        ("Keep", f"{keep}; {_enough_text(card)}"),
    ]


def _enough_text(card: CaptureCard) -> str:
    noise = f"{card.enough_frames} bring the noise of the brightest part to {FLOOR:.0%}"
    return f"{noise}, but restoring uses many more: see --trades"


def _limit_text(card: CaptureCard) -> str:
    limits = card.longest
    if not math.isfinite(limits.usual_s):
        return "the planet does not turn"
    if limits.strict_s > LONGEST_TOLD_S:
        return "its turn sets no limit in one night: needs no de-rotation"
    turned = "needs" if card.seconds > 1.001 * limits.usual_s else "needs no"
    return (
        f"{duration(limits.strict_s)} strict, {duration(limits.usual_s)} usual (0.4 and 0.8 of the delivered width; "
        f"the middle moves {limits.motion_arcsec_per_min:.3f}″/min): {duration(card.seconds)} {turned} de-rotation"
    )


def _optics_rows(card: CaptureCard) -> list[tuple[str, str]]:
    finer = f"stack on a {card.finer_resampling:g} times finer grid"
    resample = finer if card.finer_resampling > 1 else "no finer resampling"
    critical = f"critical is f/{card.critical_focal_ratio:.1f}, an amplifier of {card.amplifier:.2f}"
    drift = f"{card.focus_drift_um_per_k:.0f} um/K for a straight aluminium tube"
    if card.folded:
        drift += "; a folded telescope drifts several times that of its shorter tube"
    mirror = ", mirrored" if card.mirrored else ""
    rows = [
        ("Sampling", f"f/{card.focal_ratio:.1f}; {critical}; {resample}"),
        ("Focus", f"within ±{card.focus_tolerance_um:.0f} um; drifts {drift}"),
        ("Colour fringe", f"{_shift_text(card)}; zenith at position angle {card.zenith_position_angle_deg:.0f}°"),
        ("Camera", f"up is position angle {card.up_position_angle_deg:.0f}°{mirror}"),
        ("Sharpening", _sharpening_text(card)),
    ]
    if len(card.white_balance) > 1:
        balance = ", ".join(f"{name} x{factor:.2f}" for name, factor in card.white_balance)
        rows.insert(3, ("Colour balance", f"{balance} makes sunlit grey grey"))
    return rows


def _sharpening_text(card: CaptureCard) -> str:
    text = f"unsharp mask of radius {card.sharpening_radius_px:.1f} px (sigma of the blur)"
    if card.sharpening_strength <= 0.05:
        return f"{text}: none, the stack is too noisy"
    return f"{text}, strength up to {card.sharpening_strength:.1f}; {card.sharpening_limited_by} is the limit"


def _shift_text(card: CaptureCard) -> str:
    moved = [
        f"{shift.channel} {shift.towards_zenith_arcsec:+.2f}″ towards the zenith "
        f"(rows {shift.row_px:+.1f}, columns {shift.column_px:+.1f} px)"
        for shift in card.shifts
        if shift.towards_zenith_arcsec != 0.0
    ]
    if len(card.shifts) > 1 and moved:
        return "; ".join(moved)
    return f"{card.dispersion_arcsec:.2f}″ from 400 to 700 nm = {card.dispersion_px:.1f} px"


def _moon_rows(card: CaptureCard) -> list[tuple[str, str]]:
    rows = [(f"Moon {moon.name}", _moon_text(moon)) for moon in card.moons]
    if rows and card.field_rotation_deg_per_min:
        smear = f"smears the outermost moon by {card.moon_smear_arcsec_per_min:.2f}″/min"
        rows.append(("Field rotation", f"{card.field_rotation_deg_per_min:+.2f}°/min; {smear}"))
    return rows


def _moon_text(moon: MoonCard) -> str:
    east, north = moon.east_arcsec, moon.north_arcsec
    place = f"{abs(east):.1f}″ {'E' if east > 0 else 'W'}, {abs(north):.1f}″ {'N' if north > 0 else 'S'}"
    place += f" (rows {moon.row_px:+.1f}, columns {moon.column_px:+.1f} px)"
    text = f"{moon.state}, {moon.magnitude:.1f} mag, {place}"
    if moon.state != "clear":
        return text
    return f"{text}; exposure x{moon.exposure_ratio:.3g} = {duration(moon.exposure_s)}"


def feature_lines(plan: Plan) -> list[str]:
    """Return the verdicts at the best moment, gathered by word."""
    lines = []
    for verdict in ("clear", "doubtful", "lost"):
        names = ", ".join(line.name for line in plan.features if line.verdict == verdict)
        if names:
            lines += textwrap.wrap(names, WIDE, initial_indent=f"  {verdict:<11}", subsequent_indent=" " * 13)
    return lines


def ranking_text(plans: Sequence[Plan], refused: Sequence[str], *, plain: bool = False) -> str:
    """Return what to look at that night, best first, and what cannot be had.

    Parameters
    ----------
    plans : sequence of Plan
        Ranked.
    refused : sequence of str
        Sentences.
    plain : bool
        Use ASCII only.
    """
    lines = [f"What to look at in the night of {plans[0].night}, best first", ""]
    lines.append("    body      instrument               window (UTC)   alt   size  sharp clear")
    for rank, plan in enumerate(plans, 1):
        window = times_of(np.array([plan.window.from_tt, plan.window.until_tt]))
        clear = sum(line.verdict == "clear" for line in plan.features)
        seen = plan.apparition
        lines.append(
            f"{rank:>3} {plan.subject.title:<9} {plan.instrument.name[:24]:<24} "
            f"{window[0][11:16]}-{window[1][11:16]}  {seen.altitude_deg or 0.0:4.0f}° "
            f"{seen.equatorial_diameter_arcsec:5.1f}″ {plan.sharp_arcsec:5.2f}″ {clear:5d}"
        )
    lines = _signs(lines, plain)
    for sentence in refused:
        lines += ["", *textwrap.wrap(sentence, WIDE)]
    return _finished(lines, plain)


def _signs(table: list[str], plain: bool) -> list[str]:
    """Return a table's lines; plain ones write an arcsecond as a quote, a degree as a blank."""
    return [line.replace("″", '"').replace("°", " ") for line in table] if plain else table


def _finished(lines: Sequence[str], plain: bool) -> str:
    text = "\n".join(line.rstrip() for line in lines)
    return ascii_text(text) if plain else text
