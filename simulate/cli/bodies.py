"""What is known of a body: every number with unit, uncertainty, source and how far it was checked.

Without a name, the list of bodies. The marks: seen (in the source named), quoted (by a second
document), computed (from such values), memory (still wants a source).
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from simulate.cli import common

if TYPE_CHECKING:
    from simulate.bodies import Body
    from simulate.bodies.describe import Fact

_FACT_COLUMNS = ("quantity", "value", "uncertainty", "mark", "source")
_LIST_COLUMNS = ("body", "kind", "equatorial radius", "satellites", "numbers")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the body's name, --mark and --json."""
    parser.add_argument("body", nargs="?", help="a body; without it, the list of bodies")
    parser.add_argument("--mark", help="only numbers of this mark: seen, quoted, computed or memory")
    common.add_json(parser)


def run(arguments: argparse.Namespace) -> int:
    """Print the numbers of a body, or the list of bodies; return the exit code."""
    from simulate.bodies import load_body
    from simulate.bodies.sections import MARKS
    from simulate.errors import choose

    mark = None if arguments.mark is None else choose("--mark", arguments.mark, MARKS)
    if arguments.body is None:
        return _run_list(arguments.json)
    return _run_body(load_body(arguments.body), mark, arguments.json)


def _run_list(as_json: bool) -> int:
    from simulate.bodies import body_names, load_body
    from simulate.bodies.describe import sourced_numbers

    bodies = [load_body(name) for name in body_names()]
    if as_json:
        entries = [
            {"name": body.name, "kind": body.kind, "equatorial_radius_km": body.equatorial_radius_km} for body in bodies
        ]
        common.print_json({"bodies": entries})
        return 0
    rows = [
        (
            body.name,
            body.kind,
            f"{body.equatorial_radius_km:g} km",
            " ".join(moon.name for moon in body.satellites) or "-",
            str(len(sourced_numbers(body))),
        )
        for body in bodies
    ]
    _print_table(_LIST_COLUMNS, rows, "bodies")
    return 0


def _run_body(body: Body, mark: str | None, as_json: bool) -> int:
    from simulate.bodies.describe import describe

    if as_json:
        common.print_json(_document(body, mark))
        return 0
    facts = [fact for fact in describe(body) if mark in (None, fact.mark)]
    if common.on_terminal():
        _print_facts(facts, body.name)
        return 0
    rows = [(fact.quantity, fact.value, fact.uncertainty, fact.mark, fact.source) for fact in facts]
    _print_table(_FACT_COLUMNS, rows, body.name)
    return 0


def _print_facts(facts: Sequence[Fact], title: str) -> None:
    """Draw the facts with numbered sources, which stand below the table, since they are long."""
    numbers = {source: str(index) for index, source in enumerate(dict.fromkeys(fact.source for fact in facts), 1)}
    rows = [(fact.quantity, fact.value, fact.uncertainty, fact.mark, numbers[fact.source]) for fact in facts]
    _print_table(_FACT_COLUMNS, rows, title)
    for source, number in numbers.items():
        print(f"{number:>3}  {source}")


def _document(body: Body, mark: str | None) -> dict[str, Any]:
    from simulate.bodies.describe import sourced_numbers

    quantities = [
        {
            "quantity": name,
            "value": number.value.tolist() if hasattr(number.value, "tolist") else number.value,
            "unit": number.unit,
            "uncertainty": number.uncertainty,
            "source": number.source,
            "mark": number.mark,
        }
        for name, number in sourced_numbers(body)
        if mark in (None, number.mark)
    ]
    return {
        "name": body.name,
        "kind": body.kind,
        "satellites": [moon.name for moon in body.satellites],
        "longitude_sense": body.longitude_sense,
        "quantities": quantities,
    }


def _print_table(columns: Sequence[str], rows: Sequence[Sequence[str]], title: str) -> None:
    """Draw a table on a terminal; into a pipe write one line a row, columns parted by tabs."""
    if not common.on_terminal():
        for row in (columns, *rows):
            print("\t".join(row))
        return
    from rich.console import Console
    from rich.markup import escape
    from rich.table import Table

    table = Table(title=title, title_justify="left")
    for column in columns:
        table.add_column(column, overflow="fold")
    for row in rows:
        table.add_row(*(escape(cell) for cell in row))
    Console().print(table)
