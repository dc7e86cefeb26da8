"""The calendar file against an independent reader and the letter of RFC 5545."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from simulate.geometry.clock import days_of
from simulate.present.planning_calendar import Entry, calendar_text, escaped, folded, write_calendar

FIRST, LAST = (float(day) for day in days_of(["2027-02-10T20:50", "2027-02-11T02:35"]))
ENTRIES = (
    Entry(FIRST, LAST, "Jupiter: best window", "sharp; 1.02 arcsec, 58° high\nsecond line"),
    Entry(FIRST, FIRST, "Jupiter: Io fades into the planet's shadow"),
)


def test_another_reader_finds_times_and_words() -> None:
    icalendar = pytest.importorskip("icalendar")
    calendar = icalendar.Calendar.from_ical(calendar_text(ENTRIES, "Jupiter", FIRST))
    window, fades = [part for part in calendar.walk() if part.name == "VEVENT"]
    assert window.decoded("DTSTART") == datetime(2027, 2, 10, 20, 50, tzinfo=UTC)
    assert window.decoded("DTEND") == datetime(2027, 2, 11, 2, 35, tzinfo=UTC)
    assert str(window["SUMMARY"]) == "Jupiter: best window"
    assert str(window["DESCRIPTION"]) == "sharp; 1.02 arcsec, 58° high\nsecond line"
    assert (fades.decoded("DTEND") - fades.decoded("DTSTART")).total_seconds() == 600
    assert str(calendar["VERSION"]) == "2.0"


def test_lines_are_short_and_end_as_the_standard_wants() -> None:
    text = calendar_text((Entry(FIRST, LAST, "x" * 300, "ä" * 200),), "long", FIRST)
    lines = text.split("\r\n")
    assert lines[-1] == ""
    assert "\n" not in "".join(lines)
    assert all(len(line.encode()) <= 75 for line in lines)


@given(st.text(max_size=300))
def test_folding_loses_nothing(text: str) -> None:
    pieces = folded(text)
    assert pieces[0] + "".join(piece[1:] for piece in pieces[1:]) == text
    assert all(len(piece.encode("utf-8", "surrogatepass")) <= 75 for piece in pieces)
    assert all(piece.startswith(" ") for piece in pieces[1:])


@given(st.text(alphabet="a,;\\\n", max_size=30))
def test_escaping_can_be_undone(text: str) -> None:
    back = escaped(text).replace("\\\\", "\0").replace("\\n", "\n").replace("\\,", ",").replace("\\;", ";")
    assert back.replace("\0", "\\") == text


def test_the_same_events_give_the_same_bytes_and_names(tmp_path) -> None:  # type: ignore[no-untyped-def]
    first = write_calendar(tmp_path / "a.ics", ENTRIES, "Jupiter", FIRST).read_bytes()
    assert write_calendar(tmp_path / "b.ics", ENTRIES, "Jupiter", FIRST).read_bytes() == first
    names = [line for line in first.decode().split("\r\n") if line.startswith("UID:")]
    assert len(set(names)) == 2
