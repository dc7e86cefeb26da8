"""Events as an iCalendar file (RFC 5545), which calendars on telephones and desks read.

Only what is needed: VEVENTs in UTC with folded lines, escaped text and stable identifiers, so that
reading a file again brings no doubles.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from simulate.geometry.clock import utc_text
from simulate.values.files import write_bytes

MOMENT_MINUTES = 10.0
"""Length that an instant is given in a calendar."""

_LINE_OCTETS = 75


@dataclass(frozen=True)
class Entry:
    """One entry of a calendar.

    Parameters
    ----------
    from_tt, until_tt : float
        TT days since 2000-01-01 12:00; equal ends stand for an instant.
    title, note : str
        One line, and more.
    """

    from_tt: float
    until_tt: float
    title: str
    note: str = ""


def write_calendar(path: str | Path, entries: Iterable[Entry], name: str, stamp_tt: float) -> Path:
    """Write entries as an iCalendar file; beside and renamed.

    Parameters
    ----------
    path : str or Path
        Where.
    entries : iterable of Entry
        What.
    name : str
        Of the calendar.
    stamp_tt : float
        Instant for which it was computed (no clock is read, so that the same call gives the same bytes).
    """
    return write_bytes(path, calendar_text(entries, name, stamp_tt).encode("utf-8"))


def calendar_text(entries: Iterable[Entry], name: str, stamp_tt: float) -> str:
    """Return entries as the text of an iCalendar file, lines ended by CR LF."""
    lines = [
        "BEGIN:VCALENDAR",
        "VERSION:2.0",
        "PRODID:-//simulate//planning//EN",
        "CALSCALE:GREGORIAN",
        f"X-WR-CALNAME:{escaped(name)}",
    ]
    for entry in entries:
        lines += _event(entry, name, stamp_tt)
    lines.append("END:VCALENDAR")
    return "".join(f"{part}\r\n" for line in lines for part in folded(line))


def _event(entry: Entry, name: str, stamp_tt: float) -> list[str]:
    end = max(entry.until_tt, entry.from_tt + MOMENT_MINUTES / 1440.0)
    start = _stamp(entry.from_tt)
    identity = hashlib.sha256(f"{name}|{start[:8]}|{entry.title}".encode()).hexdigest()[:24]
    lines = [
        "BEGIN:VEVENT",
        f"UID:{identity}@simulate",
        f"DTSTAMP:{_stamp(stamp_tt)}",
        f"DTSTART:{start}",
        f"DTEND:{_stamp(end)}",
        f"SUMMARY:{escaped(entry.title)}",
    ]
    if entry.note:
        lines.append(f"DESCRIPTION:{escaped(entry.note)}")
    return [*lines, "TRANSP:TRANSPARENT", "END:VEVENT"]


def _stamp(day_tt: float) -> str:
    text = utc_text(day_tt)
    return text[:19].replace("-", "").replace(":", "") + "Z"


def escaped(text: str) -> str:
    """Return text with backslash, semicolon, comma and line breaks escaped (RFC 5545, 3.3.11)."""
    for sign in ("\\", ";", ","):
        text = text.replace(sign, f"\\{sign}")
    return text.replace("\r\n", "\n").replace("\n", "\\n")


def folded(line: str) -> list[str]:
    """Return a line in pieces of at most 75 octets, the further ones led by a blank (RFC 5545, 3.1)."""
    pieces, piece = [], ""
    for sign in line:
        if len((piece + sign).encode("utf-8")) > _LINE_OCTETS:
            pieces.append(piece)
            piece = " "
        piece += sign
    return [*pieces, piece]
