"""`simulate limits` in words and as JSON."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from simulate.judging import SEPARATE_LINE, WORDS, Judgement
from simulate.present.advice import enlarging_text
from simulate.present.contract import plain
from simulate.present.words import where_text
from simulate.results.limits import Band, BudgetStep, Limits, SmallestAperture

if TYPE_CHECKING:
    from simulate.geometry import Apparition

WIDTH = 80
"""Columns of the terminal that everything fits."""

SIGNS = {"clear": "##", "doubtful": "+", "lost": "."}
"""How the table of verdicts writes them."""

ARTICLES: dict[str, str] = {"ordinary": "an ordinary", "practised": "a practised", "ideal": "an ideal"}

ORDER_MATTERS = (
    "The steps are switched on in the order of the light's way. The order matters: a step that comes late "
    "finds less left to take."
)


def limits_json(found: Limits, inputs: Mapping[str, Any], files: Mapping[str, str]) -> dict[str, Any]:
    """Return the object that `simulate limits --json` prints; only plain JSON values.

    Parameters
    ----------
    found : Limits
        What came out.
    inputs : mapping
        What the user gave.
    files : mapping
        Kind of file -> path.
    """
    document = {
        "inputs": dict(inputs),
        "warnings": list(found.warnings),
        "body": found.body,
        "time": found.apparition.time_utc,
        "assumptions": assumptions(found),
        "practice": found.practice.numbers(),
        "ladder": [
            {"aperture_mm": size, "level": level, "features": [_feature(found, entry) for entry in row]}
            for level, rows in found.levels.items()
            for size, row in zip(found.apertures_mm, rows, strict=True)
        ],
        "smallest_aperture": [_smallest(entry) for entry in found.smallest],
        "smallest_aperture_own_camera": [_smallest(entry) for entry in found.smallest_own],
        "smallest_tried_mm": found.apertures_mm[0],
        "comparison": [
            {"instrument": tool.name, "features": [_feature(found, entry) for entry in row]}
            for tool, row in zip(found.instruments, found.compared, strict=True)
        ],
        "budget_feature": found.budget_feature or None,
        "budget": [asdict(step) for step in found.budget],
        "improvements": [asdict(entry) for entry in found.improvements],
        "better": better_of(found) if len(found.instruments) == 2 else None,
        "enlarging": enlarging(found),
        "files": dict(files),
    }
    return plain(document)


def assumptions(found: Limits) -> dict[str, Any]:
    """Return what the verdicts rest on, as plain values."""
    first = found.instruments[0]
    return {
        "seeing_arcsec": found.sky.seeing_arcsec,
        "obstruction": first.telescope.obstruction_ratio,
        "wavefront_error_waves": first.telescope.wavefront_error_waves,
        "pixel_um": first.camera.pixel_um,
        "filter_array": first.camera.filter_array,
        "floor_per_resolution_element": found.practice.floor,
        "thresholds": asdict(found.thresholds),
        "equatorial_diameter_arcsec": found.apparition.equatorial_diameter_arcsec,
        "ring_opening_deg": found.apparition.ring_opening_deg,
        "altitude_deg": found.apparition.altitude_deg,
        "measured": "in the stack; separate lines in the stack as restored, with its noise",
        "staged": "features face the observer, shadows lie on the disc, satellites stand beside the planet",
    }


def _feature(found: Limits, entry: Judgement) -> dict[str, Any]:
    return {
        "name": entry.name,
        "contrast": entry.contrast,
        "contrast_in": entry.contrast_in,
        "snr": entry.snr,
        "verdict": found.thresholds.verdict(entry.contrast, entry.snr, entry.legible),
    }


def _smallest(entry: SmallestAperture) -> dict[str, Any]:
    return {
        "feature": entry.feature,
        "doubtful_mm": entry.doubtful_mm,
        "clear_mm": entry.clear_mm,
        "range_mm": list(entry.clear_range_mm),
        "doubtful_range_mm": list(entry.doubtful_range_mm),
        "by_practice": {
            level: {"doubtful_mm": doubtful, "clear_mm": clear} for level, (doubtful, clear) in entry.levels.items()
        },
    }


def limits_text(found: Limits) -> str:
    """Return the report for a terminal of 80 columns."""
    parts = [_head(found), _ladder(found), _smallest_table(found), _levels_table(found), _comparison(found)]
    if found.budget:
        parts.append(_budget(found))
    if found.improvements:
        parts.append(_improvements(found))
    parts.append(_enlarging(found))
    return "\n\n".join(parts)


def _head(found: Limits) -> str:
    seen, first = found.apparition, found.instruments[0]
    size = f'{seen.equatorial_diameter_arcsec:.1f}" across'
    if seen.ring_opening_deg is not None:
        size += f", rings open by {abs(seen.ring_opening_deg):.1f} deg"
    when = seen.time_utc[:16].replace("T", " ")
    told = [
        f'{found.subject.title}, {when} UTC: {size}; seeing {found.sky.seeing_arcsec:g}" at the zenith; '
        f"{_where(seen)}.",
        "Features are judged facing the observer, shadows on the disc, satellites beside the planet. Apertures have "
        f"the camera of {first.name} at critical sampling, an obstruction of {first.telescope.obstruction_ratio:.0%} "
        f"and its optical errors. The hand is {ARTICLES[found.practice.level]} one; its noise "
        f"has a floor of {found.practice.floor:.1%} of the brightness in each resolution element. "
        "Contrast is measured in the stack; a separate line must show in the restored stack, and is a darkening then.",
    ]
    return "\n".join(textwrap.fill(text, WIDTH) for text in told)


def _where(seen: Apparition) -> str:
    """From where, and through how much air."""
    if seen.altitude_deg is None or seen.airmass is None:
        return where_text(seen.site)
    return f"from {where_text(seen.site)}, {seen.altitude_deg:.0f} deg high, air mass {seen.airmass:.2f}"


def label(name: str) -> str:
    """Return a feature's name for a narrow column; the answer for a separate line stands below its feature."""
    return "  as a separate line" if name.endswith(SEPARATE_LINE) else name


def _ladder(found: Limits) -> str:
    title = "Aperture, mm: ## clear, + doubtful, . lost"
    widest = max(len(label(entry.name)) for entry in found.ladder[0])
    step = max(4, min(5, (WIDTH - widest - 1) // len(found.apertures_mm)))
    shown = max(1, (WIDTH - widest - 1) // step)
    lines = [title]
    for start in range(0, len(found.apertures_mm), shown):
        rows = range(start, min(start + shown, len(found.apertures_mm)))
        lines.append(" " * widest + "".join(f"{found.apertures_mm[row]:>{step}g}" for row in rows))
        for place, entry in enumerate(found.ladder[0]):
            words = [found.ladder[row][place] for row in rows]
            cells = "".join(
                f"{SIGNS[found.thresholds.verdict(word.contrast, word.snr, word.legible)]:>{step}}" for word in words
            )
            lines.append(f"{label(entry.name):<{widest}}{cells}")
    return "\n".join(lines)


def _smallest_table(found: Limits) -> str:
    told = (
        f"Smallest aperture, mm, for {ARTICLES[found.practice.level]} hand "
        "(range: seeing 0.3 arcsec better or worse, thresholds "
        f"{found.thresholds.uncertainty:.0%} lower or higher), at critical sampling; last, with the camera "
        "as it is and the best amplifier"
    )
    lines = [
        textwrap.fill(told, WIDTH),
        f"{'':<27}{'doubtful from':<19}{'clear from':<19}own camera",
    ]
    for usual, own in zip(found.smallest, found.smallest_own, strict=True):
        first = _with_band(found, usual.doubtful_mm, usual.doubtful_range_mm)
        second = _with_band(found, usual.clear_mm, usual.clear_range_mm)
        third = f"{_size(found, own.doubtful_mm)} / {_size(found, own.clear_mm)}"
        lines.append(f"{label(usual.feature):<27}{first:<19}{second:<19}{third}".rstrip())
    return "\n".join(lines)


def _size(found: Limits, size: float | None) -> str:
    if size is None:
        return f"> {found.apertures_mm[-1]:g}"
    return f"<= {size:.0f}" if size <= found.apertures_mm[0] else f"{size:.0f}"


def _with_band(found: Limits, size: float | None, band: Band) -> str:
    shown = _size(found, size)
    if size is None and band[0] is None:
        return shown
    low = "-" if band[0] is None else f"{band[0]:.0f}"
    high = f">{found.apertures_mm[-1]:g}" if band[1] is None else f"{band[1]:.0f}"
    return shown if low == high else f"{shown} ({low}..{high})"


def _levels_table(found: Limits) -> str:
    """Smallest apertures by what a night yields."""
    lines = [
        "Smallest aperture by practice, mm: doubtful from / clear from",
        f"{'':<38}" + "".join(f"{level:<14}" for level in found.levels).rstrip(),
    ]
    for entry in found.smallest:
        cells = [f"{_size(found, doubtful)} / {_size(found, clear)}" for doubtful, clear in entry.levels.values()]
        lines.append((f"{label(entry.feature)[:37]:<38}" + "".join(f"{cell:<14}" for cell in cells)).rstrip())
    return "\n".join(lines)


def _comparison(found: Limits) -> str:
    names = [tool.name for tool in found.instruments]
    lines = ["Contrast left and verdict through " + (names[0] if len(names) == 1 else "each instrument")]
    room = (WIDTH - 27) // max(1, min(len(names), 3))
    for start in range(0, len(names), 3):
        chosen = range(start, min(start + 3, len(names)))
        if len(names) > 1:
            lines.append(f"{'':<27}" + "".join(f"{names[i][: room - 1]:<{room}}" for i in chosen).rstrip())
        for place, entry in enumerate(found.compared[0]):
            cells = [_verdict_cell(found, found.compared[i][place]) for i in chosen]
            lines.append((f"{label(entry.name):<27}" + "".join(f"{cell:<{room}}" for cell in cells)).rstrip())
    if len(names) == 2:
        lines.append(textwrap.fill(better_of(found), WIDTH))
    return "\n".join(lines)


def better_of(found: Limits) -> str:
    """Return which of two instruments shows more, in one sentence; the same whichever is named first."""
    names = [tool.name for tool in found.instruments]
    limit = found.thresholds
    marks = [
        [WORDS.index(limit.verdict(entry.contrast, entry.snr, entry.legible)) for entry in row]
        for row in found.compared
    ]
    pairs = list(zip(*marks, strict=True))
    wins = [sum(pair[i] < pair[1 - i] for pair in pairs) for i in (0, 1)]
    if wins[0] == wins[1]:
        return f"Neither of {' and '.join(sorted(names))} is better for {found.subject.title} on the whole."
    best = int(wins[1] > wins[0])
    other = f"; {names[1 - best]} is better in {wins[1 - best]}" if wins[1 - best] else ""
    return f"{names[best]} is better for {found.subject.title}: in {wins[best]} of {len(pairs)} answers{other}."


def enlarging(found: Limits) -> list[str]:
    """Return for each instrument up to where enlarging shows more."""
    return [
        f"{tool.name}: {enlarging_text(tool.telescope.aperture_mm, tool.pixel_arcsec)}." for tool in found.instruments
    ]


def _enlarging(found: Limits) -> str:
    lines = [textwrap.fill(text, WIDTH, initial_indent="  ", subsequent_indent="    ") for text in enlarging(found)]
    return "\n".join(["How far enlarging helps", *lines])


def _verdict_cell(found: Limits, entry: Judgement) -> str:
    return f"{entry.contrast:4.0%} {found.thresholds.verdict(entry.contrast, entry.snr, entry.legible)}"


def _budget(found: Limits) -> str:
    lines = [f"Where the contrast goes: {found.budget_feature}, {found.instruments[0].name}"]
    before = 1.0
    for step in found.budget:
        lines.append(_budget_line(step, before))
        before = step.contrast
    lines.append(textwrap.fill(ORDER_MATTERS, WIDTH))
    return "\n".join(lines)


def _budget_line(step: BudgetStep, before: float) -> str:
    share = step.contrast / before - 1 if before > 0 else 0.0
    taken = "-" if abs(share) < 0.005 else f"{share:+.0%}"
    return f"  {step.step:<14}{step.contrast:6.1%} {taken:>6}  {'#' * round(40 * step.contrast):<40}".rstrip()


def _improvements(found: Limits) -> str:
    lines = [f"What would help most through {found.instruments[0].name} (how much nearer to clear)"]
    lines += [
        f"  x{entry.gain:<5.2f}{entry.change:<32}{entry.feature}"[:WIDTH] for entry in best_improvements(found, 10)
    ]
    return "\n".join(lines)


def best_improvements(found: Limits, most: int) -> Sequence[Any]:
    """Return the largest gains, at most three a change, none that does not help."""
    kept: list[Any] = []
    for entry in found.improvements:
        if entry.gain > 1.005 and sum(other.change == entry.change for other in kept) < 3:
            kept.append(entry)
    return kept[:most]
