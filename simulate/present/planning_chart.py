"""Charts of a season and of a night, and the strip of pictures, as PNG."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np

from simulate.geometry import Apparition
from simulate.geometry.vectors import FloatArray
from simulate.planning.events import Event
from simulate.planning.nights import TWILIGHTS, SunEvent
from simulate.planning.records import Plan, Season
from simulate.planning.search import spans
from simulate.present.board import ACCENT, CLEAR, DISC, DOUBTFUL, INK, LINE, QUIET, WARM, Board, arrows, scale_bar
from simulate.present.place import Display, lay
from simulate.present.planning_words import ring_face
from simulate.present.sheet import field_arcsec, panels, pointed_at
from simulate.present.words import where_text
from simulate.results.view import View
from simulate.values.files import write_bytes

WIDTH = 1120
LEFT, RIGHT = 96, 40
HEAD = 104
PANEL, GAP = 118, 30
EDGE_WORDS = 13
MOST_TICKS = 13
MINUTES = 0.002
"""Ticks are placed by UTC and times are TT, days: a minute apart, which no chart shows."""

_EPOCH = datetime(2000, 1, 1, 12)
_VERDICT_COLOURS = {"clear": CLEAR, "doubtful": DOUBTFUL, "lost": QUIET}


@dataclass(frozen=True)
class Panel:
    """One panel of a chart.

    Parameters
    ----------
    label : str
        Quantity and unit.
    lines : tuple of (array, str)
        Values over the common times, with a colour.
    low, high : float or None
        Ends of the scale; None fits the values.
    """

    label: str
    lines: tuple[tuple[FloatArray, str], ...]
    low: float | None = None
    high: float | None = None


class Chart:
    """Panels over a common time, drawn on a board.

    Parameters
    ----------
    board : Board
        To draw on.
    top : float
        Upper edge of the first panel, pixels.
    days_tt : array, shape (times,)
        Common times.
    shown : bool array, shape (times,)
        Where lines are drawn.
    """

    def __init__(self, board: Board, top: float, days_tt: FloatArray, shown: np.ndarray) -> None:
        self.board, self.top, self.days, self.shown = board, top, days_tt, shown
        self.x0, self.x1 = float(LEFT), float(board.width - RIGHT)
        self.bottom = top

    def x(self, day: float) -> float:
        """Return the place of a time, pixels from the left."""
        first, last = float(self.days[0]), float(self.days[-1])
        if last <= first:  # a single time stands in the middle
            return (self.x0 + self.x1) / 2
        return self.x0 + (day - first) / (last - first) * (self.x1 - self.x0)

    def shade(self, start: float, end: float, panels: int, colour: str) -> None:
        """Fill a span of time over a number of panels."""
        left, right = max(self.x(start), self.x0), min(self.x(end), self.x1)
        if right >= left:
            self.board.box(left, self.top, max(right - left, 2.0), panels * (PANEL + GAP) - GAP, colour)

    def mark(self, day: float, panels: int, colour: str, width: float = 1.0) -> None:
        """Draw a vertical line over a number of panels."""
        if self.x0 <= self.x(day) <= self.x1:
            x = self.x(day)
            self.board.line([(x, self.top), (x, self.top + panels * (PANEL + GAP) - GAP)], colour, width)

    def draw(self, panels: Sequence[Panel], ticks: Sequence[tuple[float, str]], scale: str = "") -> None:
        """Draw the panels, one below the other, and label the times below the last; `scale` is their time scale."""
        for index, panel in enumerate(panels):
            y = self.top + index * (PANEL + GAP)
            self._panel(panel, y, ticks)
            self.bottom = y + PANEL
        room = self.x0 - 40.0
        if scale:
            self.board.text(self.x0 - 24, self.bottom + 20, scale, 12, QUIET, align="right")
            room = self.x0 - 20.0
        for day, text in ticks:
            half = self.board.measure(text, 12) / 2
            if self.x(day) - half > room and self.x(day) + half < self.board.width:
                self.board.text(self.x(day), self.bottom + 20, text, 12, QUIET, align="center")
                room = self.x(day) + half + 8

    def _panel(self, panel: Panel, y: float, ticks: Sequence[tuple[float, str]]) -> None:
        board = self.board
        low, high, levels = scale_of(panel, self.shown)
        for day, _ in ticks:
            board.line([(self.x(day), y), (self.x(day), y + PANEL)], LINE, 0.6)

        def height(value: float) -> float:
            return y + PANEL - (value - low) / (high - low) * PANEL

        for level in levels:
            board.line([(self.x0, height(level)), (self.x1, height(level))], LINE, 0.6)
            board.text(self.x0 - 8, height(level) + 4, f"{level:g}".replace("-", "−"), 12, QUIET, align="right")
        board.text(self.x0, y - 8, panel.label, 13, INK)
        for values, colour in panel.lines:
            for first, last in spans(self.shown & np.isfinite(values)):
                points = [
                    (self.x(float(self.days[i])), height(float(np.clip(values[i], low, high))))
                    for i in range(first, last + 1)
                ]
                if len(points) == 1:
                    board.spot(*points[0], 2.0, colour)
                else:
                    board.line(points, colour, 2.0)


def scale_of(panel: Panel, shown: np.ndarray) -> tuple[float, float, list[float]]:
    """Return the ends of a panel's scale and the round values to label."""
    values = np.concatenate([line[shown & np.isfinite(line)] for line, _ in panel.lines])
    low = panel.low if panel.low is not None else float(values.min(initial=0.0) if len(values) == 0 else values.min())
    high = panel.high if panel.high is not None else float(values.max() if len(values) else 1.0)
    if high - low < 1e-6:
        low, high = low - 0.5, high + 0.5
    step = round_step((high - low) / 5)
    low = panel.low if panel.low is not None else math.floor(low / step) * step
    high = panel.high if panel.high is not None else math.ceil(high / step) * step
    first = math.ceil(low / step - 1e-9)
    return low, high, [round(step * k, 10) for k in range(first, math.floor(high / step + 1e-9) + 1)]


def round_step(least: float) -> float:
    """Return the smallest of 1, 2, 5 times a power of ten that is not below `least`."""
    power = 10.0 ** math.floor(math.log10(max(least, 1e-12)))
    return next(power * factor for factor in (1.0, 2.0, 5.0, 10.0) if power * factor >= least * (1 - 1e-9))


def date_ticks(first: float, last: float) -> list[tuple[float, str]]:
    """Return (day, label) of round dates between two TT days: days, months, quarters or years."""
    step = next((step for step in (1, 2, 5, 10) if (last - first) / step <= MOST_TICKS), None)
    if step is not None:
        return _day_ticks(first, last, step)
    months = next((step for step in (1, 2, 3, 6, 12, 24, 60) if (last - first) / (30.4 * step) <= MOST_TICKS), 120)
    start, end = _EPOCH + timedelta(days=first), _EPOCH + timedelta(days=last)
    ticks = []
    index = start.year * 12 + start.month - 1
    index += -index % months
    while (moment := datetime(index // 12, index % 12 + 1, 1)) <= end:
        text = f"{moment:%Y}" if months >= 12 else f"{moment:%b %Y}" if moment.month <= months else f"{moment:%b}"
        ticks.append(((moment - _EPOCH).total_seconds() / 86400.0, text))
        index += months
    return [tick for tick in ticks if tick[0] >= first]


def _day_ticks(first: float, last: float, step: int) -> list[tuple[float, str]]:
    """Return every so many days of each month from its first on; the year beside the first of all and of January."""
    moment = (_EPOCH + timedelta(days=first)).replace(hour=0, minute=0, second=0, microsecond=0)
    ticks: list[tuple[float, str]] = []
    while (day := (moment - _EPOCH).total_seconds() / 86400.0) <= last:
        # the 31st stands beside the 1st
        if day >= first - MINUTES and (moment.day - 1) % step == 0 and (step == 1 or moment.day < 31):
            year = f" {moment:%Y}" if not ticks or (moment.month, moment.day) == (1, 1) else ""
            ticks.append((day, f"{moment.day} {moment:%b}{year}"))
        moment += timedelta(days=1)
    return ticks


def hour_ticks(first: float, last: float) -> list[tuple[float, str]]:
    """Return (day, label) of full hours UTC between two TT days."""
    start, end = _EPOCH + timedelta(days=first), _EPOCH + timedelta(days=last)
    moment = start.replace(minute=0, second=0, microsecond=0) + timedelta(hours=1)
    ticks = []
    while moment <= end:
        ticks.append(((moment - _EPOCH).total_seconds() / 86400.0, f"{moment:%H:%M}"))
        moment += timedelta(hours=1)
    return ticks


def write_season_chart(path: str | Path, season: Season) -> Path:
    """Write the chart of a season as a PNG; beside and renamed."""
    return write_bytes(path, season_chart(season).png({"Title": f"season of {season.body}"}))


def season_chart(season: Season) -> Board:
    """Return the board with a season's chart: merit, size, altitude, sharpness, phase or rings, events."""
    drawn = season_panels(season)
    board = Board(WIDTH, HEAD + len(drawn) * (PANEL + GAP) + 40)
    named = _named_events(season)
    lines = _event_lines(board, named)
    advice = [line for text in season.advice for line in board.wrapped(text, WIDTH - LEFT - RIGHT, 14)]
    board.resize(int(HEAD + len(drawn) * (PANEL + GAP) + 52 + 20 * len(advice) + 18 * len(lines) + 24))
    _head(board, f"{season.subject.title} through {season.instrument.name}", _season_note(season))
    chart = Chart(board, HEAD, season.days_tt, season.usable)
    for first, last in spans(~season.usable):
        chart.shade(float(season.days_tt[first]), float(season.days_tt[last]), len(drawn), WARM)
    for event in named:
        chart.mark(event.day_tt, len(drawn), QUIET, 0.8)
    chart.draw(drawn, date_ticks(float(season.days_tt[0]), float(season.days_tt[-1])))
    for rank, index in enumerate(season.best):
        x = chart.x(float(season.days_tt[index]))
        board.spot(x, HEAD + 10, 8, ACCENT)
        board.text(x, HEAD + 14, str(rank + 1), 11, "#15171c", align="center", bold=True)
    y = chart.bottom + 48
    for line in advice:
        board.text(LEFT, y, line, 14, INK)
        y += 20
    for line in lines:
        board.text(LEFT, y, line, 12, QUIET)
        y += 18
    return board


def season_panels(season: Season) -> tuple[Panel, ...]:
    """Return the panels that say most about a body."""
    column, found = season.columns, []
    if season.judged:
        words = "figure of merit: features that can be seen, weighted by their contrast"
        found.append(Panel(words, ((column["merit"], ACCENT),), 0.0))
    found.append(Panel("diameter, arcsec", ((column["equatorial_diameter_arcsec"], DISC),), 0.0))
    if season.site is not None:
        when = _common_hour(season.times_utc)
        words = f"altitude at {when} UTC, deg" if when else "altitude at its best that night, deg"
        found.append(Panel(words, ((column["altitude_deg"], INK),), 0.0, 90.0))
    found.append(Panel("width to which a frame is sharp, arcsec", ((column["delivered_fwhm_arcsec"], CLEAR),), 0.0))
    if "ring_opening_deg" in column:
        rings = ((column["ring_opening_sun_deg"], QUIET), (column["ring_opening_deg"], ACCENT))
        found.append(Panel("ring opening from the Earth, and from the Sun (dim), deg; north positive", rings))
        found.append(Panel("light of the rings relative to the globe", ((column["ring_globe_ratio"], DISC),), 0.0))
    elif "apparent_lit_part" in column:
        lit = ((column["illuminated_fraction"], QUIET), (column["apparent_lit_part"], INK))
        found.append(Panel("lit part of the disc as it looks, and by geometry (dim)", lit, 0.0, 1.0))
    elif np.min(column["illuminated_fraction"]) < GIBBOUS:
        found.append(Panel("lit part of the disc", ((column["illuminated_fraction"], INK),), 0.0, 1.0))
    return tuple(found)


GIBBOUS = 0.95
"""Lit part of a disc below which its course is worth a panel of its own."""


def _common_hour(times_utc: Sequence[str]) -> str | None:
    """Return "HH:MM" where several times are at one hour, else None."""
    hours = {time[11:16] for time in times_utc}
    return hours.pop() if len(hours) == 1 and len(times_utc) > 1 else None


def _named_events(season: Season) -> list[Event]:
    of_planets = ("opposition", "conjunction", "inferior", "superior", "greatest", "ring-plane", "closest")
    kinds = (*of_planets, "total eclipse", "partial eclipse")
    return [event for event in season.events if event.kind.startswith(kinds)][:60]


def _event_lines(board: Board, events: Iterable[Event]) -> list[str]:
    text = "; ".join(f"{event.time_utc[:10]} {event.what.split(':')[0]}" for event in events)
    lines = board.wrapped(text, WIDTH - LEFT - RIGHT, 12) if text else []
    return lines if len(lines) <= EDGE_WORDS else [*lines[: EDGE_WORDS - 1], "… and more in the table of events"]


def _season_note(season: Season) -> str:
    where = where_text(season.site)
    return f"{season.times_utc[0][:10]} to {season.times_utc[-1][:10]} · {where} · seeing {season.sky.seeing_arcsec:g}″"


def _head(board: Board, title: str, note: str) -> None:
    board.text(LEFT, 42, title, 24, INK, bold=True)
    board.text(LEFT, 68, note, 13, QUIET)


def write_night_chart(path: str | Path, plan: Plan) -> Path:
    """Write the chart of a night as a PNG; beside and renamed."""
    return write_bytes(path, night_chart(plan).png({"Title": f"{plan.body}, night of {plan.night}"}))


def night_chart(plan: Plan) -> Board:
    """Return the board with a night's chart: altitudes, delivered width, dispersion, events, advice."""
    curve, up = plan.curve, plan.curve["altitude_deg"] > 0.0
    moon = np.where(curve["moon_altitude_deg"] > 0, curve["moon_altitude_deg"], np.nan)
    own = (curve["altitude_deg"], ACCENT)
    title, lines = "altitude of the Moon, deg", (own,)
    if plan.subject.kind != "moon":
        title, lines = f"altitude of {plan.subject.title} and of the Moon (dim), deg", ((moon, QUIET), own)
    drawn = (
        Panel(f"{title}; upright lines: sunset, Sun 6, 12 and 18 deg down, and back", lines, 0.0, 90.0),
        Panel("width to which a frame is sharp, arcsec", ((curve["delivered_fwhm_arcsec"], CLEAR),), 0.0),
        Panel("dispersion from 400 to 700 nm, arcsec", ((curve["dispersion_arcsec"], DISC),), 0.0),
    )
    board = Board(WIDTH, 800)
    words = [line for text in plan.advice for line in board.wrapped(text, WIDTH - LEFT - RIGHT, 14)]
    if plan.caution:
        words += board.wrapped(plan.caution, WIDTH - LEFT - RIGHT, 14)
    rows = plan.events[:14]
    board.resize(int(HEAD + len(drawn) * (PANEL + GAP) + 60 + 20 * (len(words) + len(rows)) + 16))
    note = f"night of {plan.night} · {where_text(plan.site)} · seeing {plan.sky.seeing_arcsec:g}″"
    _head(board, f"{plan.subject.title} through {plan.instrument.name}", note)
    chart = Chart(board, HEAD, plan.days_tt, up)
    chart.shade(plan.window.from_tt, plan.window.until_tt, len(drawn), WARM)
    for event in plan.sun:
        chart.mark(event.day_tt, len(drawn), QUIET, 0.8)
    chart.draw(drawn, hour_ticks(float(plan.days_tt[0]), float(plan.days_tt[-1])), "UTC")
    for event in plan.sun:
        if chart.x0 <= chart.x(event.day_tt) <= chart.x1:
            board.text(chart.x(event.day_tt) + 3, HEAD + 26, _sun_label(event), 10, QUIET)
    chart.mark(plan.window.best_tt, len(drawn), ACCENT, 1.2)
    for entry in plan.events:
        x = chart.x(entry.event.day_tt)
        board.line([(x, HEAD), (x, HEAD + 14)], _VERDICT_COLOURS.get(entry.verdict or "", QUIET), 3.0)
    y = chart.bottom + 50
    for line in words:
        board.text(LEFT, y, line, 14, INK)
        y += 20
    for entry in rows:
        colour = _VERDICT_COLOURS.get(entry.verdict or "", QUIET)
        board.text(LEFT, y, entry.event.time_utc[11:16], 13, INK)
        board.text(LEFT + 56, y, f"{entry.event.what} ({entry.verdict or 'not judged'})", 13, colour)
        y += 20
    return board


def _sun_label(event: SunEvent) -> str:
    """Return a short label: the Sun's altitude where it ends or begins a twilight, else what it does."""
    levels = dict(TWILIGHTS)
    name = event.what.split()[0]
    return f"−{abs(levels[name]):.0f}°" if name in levels else event.what


def write_strip(path: str | Path, season: Season) -> Path:
    """Write the pictures of a season at one scale as a PNG; beside and renamed."""
    return write_bytes(path, strip_board(season).png({"Title": f"{season.body} over a season"}))


def strip_board(season: Season) -> Board:
    """Return the board with a season's pictures side by side, at one angular scale, in the order of time."""
    views = season.strip
    fields = [field_arcsec(view) for view in views]
    longest = min(len(views), 6)
    lines = [list(range(start, min(start + longest, len(views)))) for start in range(0, len(views), longest)]
    side = max(fields)
    cell = min(300, (1760 - 14 * (longest - 1)) // longest)
    scale = side / cell
    width = max(2 * 28 + longest * cell + (longest - 1) * 14, 620)
    board = Board(width, 92 + len(lines) * (cell + 78) + 40)
    board.text(28, 42, f"{season.subject.title} through {season.instrument.name}", 24, INK, bold=True)
    board.text(28, 68, _strip_note(season), 13, QUIET)
    for row, members in enumerate(lines):
        for column, index in enumerate(members):
            _strip_cell(
                board,
                season,
                index=index,
                x=28 + column * (cell + 14),
                y=92 + row * (cell + 78),
                cell=cell,
                scale=scale,
            )
    foot = board.height - 20
    scale_bar(board, 28, foot, scale, 200.0)
    arrows(board, width - 42, foot + 2, (0.0, 1.0), (-1.0, 0.0), 28)
    board.text(268, foot, "one scale; stacked and restored; north up, east left", 12, ACCENT)
    return board


def _strip_note(season: Season) -> str:
    """Return how many dates are shown, at which hour, from where; the dates stand below the pictures."""
    count = len(season.strip)
    when = _common_hour(season.times_utc)
    told = f"at {when} UTC" if when else "each at its best moment of the night"
    where = f"{where_text(season.site)} · seeing {season.sky.seeing_arcsec:g}″"
    return f"{count} {'date' if count == 1 else 'dates'}, {told} · {where}"


def _strip_cell(board: Board, season: Season, *, index: int, x: int, y: int, cell: int, scale: float) -> None:
    view = season.strip[index]
    panel = panels(view)[2]
    board.picture(x, y, lay(panel.picture, Display(cell, cell, scale, 0.0, False, *pointed_at(view)), panel.how))
    seen = view.apparition
    board.text(x, y + cell + 20, seen.time_utc[:10], 14, INK, bold=True)
    board.text(x + board.measure(seen.time_utc[:10], 14, bold=True) + 8, y + cell + 20, _hour_text(seen), 12, QUIET)
    board.text(x, y + cell + 38, f"{seen.equatorial_diameter_arcsec:.1f}″{_face(view)}", 12, QUIET)
    high = "" if seen.altitude_deg is None else f"{seen.altitude_deg:.0f}° high"
    board.text(x, y + cell + 55, high, 12, QUIET)


def _hour_text(seen: Apparition) -> str:
    return f"{seen.time_utc[11:16]} UTC"


def _face(view: View) -> str:
    seen = view.apparition
    if seen.ring_opening_deg is not None:
        lit = ring_face(seen.ring_opening_deg, seen.ring_opening_sun_deg or 0.0)
        return f", rings {seen.ring_opening_deg:+.1f}° {lit}".replace("-", "−")
    if view.subject.observing.seasons:
        middle = next(iter(seen.central_meridian_deg.values()))
        return f", Ls {seen.solar_longitude_deg:.0f}°, meridian {middle:.0f}°"
    return f", {seen.illuminated_fraction:.0%} lit" if seen.illuminated_fraction < 0.985 else ""
