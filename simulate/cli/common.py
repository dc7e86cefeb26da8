"""Options that several commands share, and the helpers that turn them into values."""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from simulate.errors import InputError

if TYPE_CHECKING:
    from simulate.air import Sky
    from simulate.geometry import Site
    from simulate.instruments import Instrument


def add_when_where(parser: argparse.ArgumentParser, *, night: bool = True) -> None:
    """Add --time, --night, --site and --ephemeris."""
    when = parser.add_mutually_exclusive_group()
    when.add_argument("--time", metavar="T", help="instant, ISO 8601, UTC unless an offset is given (default: now)")
    if night:
        when.add_argument(
            "--night",
            metavar="DATE",
            help="evening date at the site; takes each body's best moment of that night (needs --site)",
        )
    add_where(parser)


def add_where(parser: argparse.ArgumentParser) -> None:
    """Add --site and --ephemeris."""
    parser.add_argument(
        "--site",
        metavar="LAT,LON[,HEIGHT_M]",
        help="observing place, degrees north and east, e.g. -41.3,174.8,20 or 41.3S,174.8E; without it geocentric",
    )
    parser.add_argument(
        "--ephemeris",
        default="builtin",
        help="'builtin' (default) or 'de440' (needs the extra of that name)",
    )


def add_instruments(parser: argparse.ArgumentParser, *, several: bool = True, default: str = "newtonian-150") -> None:
    """Add --instrument, repeatable where `several` is true."""
    parser.add_argument(
        "--instrument",
        metavar="NAME|FILE",
        action="append" if several else "store",
        default=None if several else default,
        help=f"a shipped instrument or your own TOML file (default {default})"
        + ("; repeat to compare" if several else ""),
    )


def add_air(parser: argparse.ArgumentParser) -> None:
    """Add --seeing and the other properties of the air."""
    parser.add_argument(
        "--seeing",
        default="2 arcsec",
        metavar="ANGLE",
        help='blur of the air at the zenith, full width at half maximum at 500 nm (default "2 arcsec")',
    )
    parser.add_argument("--outer-scale", default="20 m", metavar="LENGTH", help='of the turbulence (default "20 m")')
    parser.add_argument("--temperature", default="15 deg_C", metavar="T", help='of the air (default "15 deg_C")')
    parser.add_argument("--haze", type=float, default=1.0, help="aerosol relative to a clear average site (default 1)")
    parser.add_argument(
        "--sky-brightness",
        type=float,
        metavar="MAG",
        help="V mag/arcsec2 of the moonless night sky (default: a dark site; a city has about 17.5)",
    )


def add_output(parser: argparse.ArgumentParser) -> None:
    """Add --output and --json."""
    parser.add_argument("--output", default="outputs", metavar="DIR", help="folder for the results (default: outputs)")
    add_json(parser)


def add_json(parser: argparse.ArgumentParser) -> None:
    """Add --json."""
    parser.add_argument("--json", action="store_true", help="print one JSON object on standard output")


def add_seed(parser: argparse.ArgumentParser, of: str = "the noise") -> None:
    """Add --seed, for a command that draws at random."""
    parser.add_argument(
        "--seed", type=int, default=0, metavar="N", help=f"seed of {of} (default 0); same inputs and seed, same bytes"
    )


def add_spread(parser: argparse.ArgumentParser | argparse._ArgumentGroup) -> None:
    """Add --processes and --scheduler."""
    parser.add_argument("--processes", type=int, default=1, metavar="N", help="processes on this machine (default 1)")
    parser.add_argument("--scheduler", metavar="ADDRESS", help='dask.distributed scheduler, e.g. "tcp://host:8786"')


def read_site(text: str | None) -> Site | None:
    """Return the `Site` that --site means, or None when it was not given."""
    if text is None:
        return None
    from simulate.geometry import parse_site

    return parse_site(text)


def read_instruments(names: list[str] | None, default: str = "newtonian-150") -> list[Instrument]:
    """Return the instruments that --instrument names, without doubles, in the order given."""
    from simulate.instruments import load_instrument

    return [load_instrument(name) for name in dict.fromkeys(names or [default])]


def read_sky(arguments: argparse.Namespace) -> Sky:
    """Return the `Sky` that the options of `add_air` describe."""
    from simulate.air import Sky

    return Sky(
        seeing_arcsec=arguments.seeing,
        outer_scale_m=arguments.outer_scale,
        temperature_c=arguments.temperature,
        haze=arguments.haze,
        sky_brightness_mag=arguments.sky_brightness,
    )


def output_folder(text: str) -> Path:
    """Return the folder for results, made if need be.

    Raises
    ------
    InputError
        If a file stands where the folder should be.
    """
    folder = Path(text)
    if folder.exists() and not folder.is_dir():
        raise InputError("--output", text, "give a folder; a file of that name is in the way")
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError("--output", text, f"give a folder that can be made ({error.strerror})") from error
    return folder


def tell(sentence: str) -> None:
    """Print a remark for the person on standard error."""
    print(sentence, file=sys.stderr)


def print_json(document: dict[str, Any]) -> None:
    """Print one JSON object on standard output; NaN is refused rather than written."""
    print(json.dumps(document, indent=1, allow_nan=False))
