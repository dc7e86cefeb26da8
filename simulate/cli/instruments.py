"""List the shipped instruments, or explain what each number of one implies.

Give a shipped name or your own TOML file; a wrong file is told every fault at once.
"""

from __future__ import annotations

import argparse
import textwrap
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from simulate.cli import common

if TYPE_CHECKING:
    from simulate.instruments import Instrument

_WIDTH = 80
"""Columns of plain text, as in a pipe or a mail."""


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the names and --json."""
    parser.add_argument(
        "instrument", nargs="*", metavar="NAME|FILE", help="what to explain; without one, all shipped ones are listed"
    )
    common.add_json(parser)


def run(arguments: argparse.Namespace) -> int:
    """List or explain, and return the exit code.

    Raises
    ------
    InputError
        For an unknown name or a file with faults.
    """
    from simulate.instruments import instrument_names, load_instrument

    chosen = [load_instrument(name) for name in arguments.instrument or instrument_names()]
    if arguments.json:
        common.print_json({"instruments": [_document(instrument) for instrument in chosen]})
    elif arguments.instrument:
        for index, instrument in enumerate(chosen):
            if index:
                print()
            _explain(instrument)
    else:
        _list(chosen)
    return 0


def _document(instrument: Instrument) -> dict[str, Any]:
    from simulate.instruments import describe

    facts = describe(instrument)
    return {
        "name": instrument.name,
        "description": instrument.description,
        "telescope": asdict(instrument.telescope),
        "camera": asdict(instrument.camera),
        "mount": asdict(instrument.mount),
        "implies": {fact.key: fact.value for fact in facts},
        "meaning": {fact.key: fact.meaning for fact in facts},
    }


def _summary(instrument: Instrument) -> tuple[str, ...]:
    from simulate.instruments.meaning import sampling_ratio, sampling_word

    camera = instrument.camera
    colours = "colour" if not camera.is_mono else f"mono, {len(camera.filters)} filters" if camera.filters else "mono"
    return (
        instrument.name,
        f"{instrument.telescope.aperture_mm:g} mm",
        f"f/{instrument.telescope.focal_ratio:.1f}",
        f'{instrument.pixel_arcsec:.2f}"',
        colours,
        sampling_word(sampling_ratio(instrument)),
    )


def _list(chosen: list[Instrument]) -> None:
    rows = [_summary(instrument) for instrument in chosen]
    if common.on_terminal():
        _rich_list(rows, chosen)
        return
    widths = [max(len(row[column]) for row in rows) for column in range(len(rows[0]))]
    for row, instrument in zip(rows, chosen, strict=True):
        print("  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip())
        print(textwrap.fill(instrument.description, _WIDTH, initial_indent="    ", subsequent_indent="    "))


def _rich_list(rows: list[tuple[str, ...]], chosen: list[Instrument]) -> None:
    from rich.console import Console
    from rich.table import Table

    table = Table(box=None, pad_edge=False)
    table.add_column("name", style="bold", no_wrap=True)
    for heading, side in (("aperture", "right"), ("f-ratio", "right"), ("pixel", "right")):
        table.add_column(heading, justify=side, no_wrap=True)  # type: ignore[arg-type]
    table.add_column("sensor", no_wrap=True)
    table.add_column("sampling", no_wrap=True)
    wide = Console().width >= 130
    if wide:
        table.add_column("")
    for row, instrument in zip(rows, chosen, strict=True):
        table.add_row(*row, *([instrument.description] if wide else []))
    console = Console()
    console.print(table)
    console.print("\n'simulate instruments NAME' explains one", style="dim", highlight=False)


def _explain(instrument: Instrument) -> None:
    from simulate.instruments import describe

    facts = describe(instrument)
    if common.on_terminal():
        _rich_explain(instrument, [(_label(fact.key), fact.shown, fact.meaning) for fact in facts])
        return
    print(instrument.name)
    if instrument.description:
        print(textwrap.fill(instrument.description, _WIDTH))
    print()
    for fact in facts:
        start = f"{_label(fact.key):<21} {fact.shown:<17} "
        print(textwrap.fill(start + fact.meaning, _WIDTH, subsequent_indent=" " * 40, break_on_hyphens=False))


def _rich_explain(instrument: Instrument, rows: list[tuple[str, str, str]]) -> None:
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    console = Console()
    console.print(Text(instrument.name, style="bold"))
    console.print(Text(instrument.description))
    table = Table(box=None, pad_edge=False, show_header=False)
    table.add_column(style="dim", no_wrap=True)
    table.add_column(style="bold", no_wrap=True)
    table.add_column()
    for row in rows:
        table.add_row(*(Text(cell) for cell in row))
    console.print(table)


def _label(key: str) -> str:
    """The key without its unit, in words."""
    units = {"mm", "cm2", "arcsec", "um", "arcmin", "e"}
    words = [word for word in key.split("_") if word not in units]
    return " ".join(words).replace("fwhm", "width")
