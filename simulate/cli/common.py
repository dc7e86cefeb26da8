"""Options that several commands share, and the helpers that turn them into values."""

from __future__ import annotations

import argparse
import json
import os
import sys
from os.path import lexists
from pathlib import Path
from typing import TYPE_CHECKING, Any

from simulate.errors import InputError

if TYPE_CHECKING:
    from astropy.time import Time

    from simulate.air import Sky
    from simulate.bodies import Body
    from simulate.geometry import Site
    from simulate.instruments import Instrument
    from simulate.scene import SceneOptions
    from simulate.stack import ExposureWishes
    from simulate.values.practice import Practice


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
        help="blur of the air at the zenith, full width at half maximum at 500 nm, as monitors state it: without "
        'an outer scale, which makes the width in a picture smaller (default "2 arcsec")',
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


def add_practice(parser: argparse.ArgumentParser | argparse._ArgumentGroup) -> None:
    """Add --practice."""
    parser.add_argument(
        "--practice",
        metavar="LEVEL|FILE",
        help="the hand that uses the setup: ordinary, practised (default) or ideal, or a TOML file with numbers of "
        "your own",
    )


def read_practice(arguments: argparse.Namespace) -> Practice | None:
    """Return what --practice says; None where it was not given."""
    if arguments.practice is None:
        return None
    from simulate.instruments import load_practice

    return load_practice(arguments.practice)


def add_recording(group: argparse._ArgumentGroup) -> None:
    """Add --exposure, --gain, --seconds and --frames."""
    group.add_argument("--exposure", metavar="TIME", help='of one frame, e.g. "5 ms"')
    group.add_argument("--gain", metavar="GAIN", help='in electrons per number, e.g. "1.5 e-/DN"')
    group.add_argument("--seconds", metavar="TIME", help='length of the recording, e.g. "90 s" or 90')
    group.add_argument("--frames", type=int, metavar="N", help="number of frames recorded")


def add_keep(group: argparse._ArgumentGroup) -> None:
    """Add --keep."""
    group.add_argument("--keep", metavar="SHARE", help='share of the frames stacked, above 0 to 1, or "30%%"')


def add_face(group: argparse.ArgumentParser | argparse._ArgumentGroup, *, dust: bool = True) -> None:
    """Add --red-spot and --dust: what changes on the planets."""
    group.add_argument("--red-spot", type=float, metavar="DEG", help="System II longitude of Jupiter's red spot")
    if dust:
        group.add_argument(
            "--dust", type=float, default=0.0, metavar="DUST", help="Martian dust, 0 clear to 1 global storm"
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


def read_share(arguments: argparse.Namespace) -> float | None:
    """Return what --keep says, "0.3" or "30 %"; None where it was not given."""
    if arguments.keep is None:
        return None
    number = arguments.keep.strip()
    try:
        return float(number[:-1]) / 100.0 if number.endswith("%") else float(number)
    except ValueError as error:
        raise InputError("--keep", arguments.keep, 'give a share such as 0.3 or "30%"') from error


def read_seed(arguments: argparse.Namespace) -> int:
    """Return --seed."""
    if not 0 <= arguments.seed < 2**63:
        raise InputError("--seed", arguments.seed, "give a whole number from 0 up")
    return arguments.seed


def read_number(
    arguments: argparse.Namespace,
    option: str,
    unit: str,
    lowest: float = 0.0,
    highest: float = 1e7,
    *,
    zero: bool = False,
) -> float | None:
    """Return the number that an option holds, in `unit`; None where it was not given.

    Parameters
    ----------
    arguments : Namespace
        What was parsed.
    option : str
        Name of the option as it is written after the dashes; a bare number is in the option's own unit.
    unit : str
        As astropy spells it.
    lowest, highest : float
        Accepted range.
    zero : bool
        Whether a lower end of 0 is accepted itself.
    """
    from simulate.values.checks import to_float

    given = getattr(arguments, option.replace("-", "_"))
    if given is None:
        return None
    return to_float(f"--{option}", _plain(given), unit, lowest, highest, open_low=lowest == 0.0 and not zero)


def _plain(given: Any) -> Any:
    """Return a bare number written as text as such, anything else as it is."""
    try:
        return float(given)
    except (TypeError, ValueError):
        return given


def read_wishes(arguments: argparse.Namespace) -> ExposureWishes:
    """Return what the options of `add_recording` (and --keep, --rate) fix of a recording."""
    from simulate.stack import ExposureWishes

    return ExposureWishes(
        exposure_s=read_number(arguments, "exposure", "s"),
        seconds=read_number(arguments, "seconds", "s"),
        frames_per_second=read_number(arguments, "rate", "1 / s", 1e-3, 1e6) if hasattr(arguments, "rate") else None,
        frames=arguments.frames,
        keep=read_share(arguments) if hasattr(arguments, "keep") else None,
    )


def read_gain(arguments: argparse.Namespace) -> float | None:
    """Return --gain, electrons per number."""
    return read_number(arguments, "gain", "electron / adu")


def read_face(arguments: argparse.Namespace) -> SceneOptions:
    """Return how the body looks by the options of `add_face`."""
    from dataclasses import replace

    from simulate.scene import SceneOptions
    from simulate.values.checks import to_float

    spot, dust = arguments.red_spot, getattr(arguments, "dust", None)
    face = SceneOptions()
    if spot is not None:
        face = replace(face, red_spot_longitude_deg=to_float("--red-spot", spot, "", -360.0, 720.0))
    if dust is not None:
        face = replace(face, dust=to_float("--dust", dust, "", 0.0, 1.0))
    return face


def read_time(arguments: argparse.Namespace, body: Body, site: Site | None) -> Time:
    """Return the instant that --time or --night means for a body; now without both."""
    from datetime import UTC, datetime

    from simulate.geometry import best_moment, parse_time

    if arguments.night is None:
        return parse_time(datetime.now(UTC) if arguments.time is None else arguments.time)
    if site is None:
        raise InputError("--night", arguments.night, "give --site too: a night needs a place")
    return best_moment(body, arguments.night, site, ephemeris=arguments.ephemeris).time


def read_site(text: str | None) -> Site | None:
    """Return the `Site` that --site means, or None when it was not given."""
    if text is None:
        return None
    from simulate.geometry import parse_site

    return parse_site(text)


def read_instruments(names: list[str] | None, default: str = "newtonian-150") -> list[Instrument]:
    """Return the instruments that --instrument names, without doubles, in the order given.

    Raises
    ------
    InputError
        Also if two of them have the same name: it tells their results and files apart.
    """
    from simulate.instruments import load_instrument

    found: dict[str, Instrument] = {}
    for word in dict.fromkeys(names or [default]):
        tool = load_instrument(word)
        if tool.name in found and tool != found[tool.name]:
            raise InputError("--instrument", word, f"give it another name than {tool.name!r}, which is taken")
        found.setdefault(tool.name, tool)
    return list(found.values())


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


def check_folder(text: str) -> Path:
    """Return the folder for results; refuse, before any work is done, one that cannot be made or written to.

    It is made with the first file that is written there, so that what is refused leaves none behind.

    Raises
    ------
    InputError
        If a file stands where the folder should be, it may not be written to, or no folder can have such a name.
    """
    folder = Path(text)
    try:
        os.fsencode(text)
        places = [place for place in (folder, *folder.absolute().parents) if lexists(place)]
        if folder.exists() and not folder.is_dir():
            raise InputError("--output", text, "give a folder; a file of that name is in the way")
        too_long = max(len(os.fsencode(part)) for part in folder.absolute().parts) > LONGEST_NAME
    except (ValueError, OSError) as error:
        if isinstance(error, InputError):
            raise
        raise InputError("--output", text, "give a folder that can be made and written to") from error
    there = next(iter(places), Path("/"))
    if too_long or not there.is_dir() or not os.access(there, os.W_OK | os.X_OK):
        raise InputError("--output", text, "give a folder that can be made and written to")
    return folder


LONGEST_NAME = 255
"""Bytes of one name of a path, as common file systems limit it (POSIX's NAME_MAX on them)."""


def check_name(option: str, name: str, ending: str = "") -> str:
    """Return a name for files that a user gives, if a file can have it.

    Parameters
    ----------
    option : str
        As the user writes it.
    name : str
        Without a folder.
    ending : str
        The longest of those that are put behind it; a growing file needs some more.
    """
    if Path(name).name != name or name in (".", "..") or not name:
        raise InputError(option, name, "give a name without a folder; --output names the folder")
    try:
        size = len(name.encode())
    except UnicodeEncodeError:
        size = 0
    if not 0 < size <= LONGEST_NAME - 32 - len(ending) or not name.isprintable():
        raise InputError(option, name, f"give up to {LONGEST_NAME - 32 - len(ending)} characters that can be printed")
    return name


def file_word(name: str) -> str:
    """Return a name with nothing in it that a file's name should not hold."""
    return "".join(c if c.isalnum() or c in "-_." else "-" for c in name)


def file_time(time_utc: str) -> str:
    """Return an instant, ISO 8601 in UTC, as files are named by: "20270214T093000Z"."""
    return time_utc[:19].replace("-", "").replace(":", "") + "Z"


def on_terminal() -> bool:
    """Whether standard output is a terminal; it is None where it is closed."""
    return sys.stdout is not None and sys.stdout.isatty()


def tell(sentence: str) -> None:
    """Print a remark for the person on standard error."""
    print(sentence, file=sys.stderr)


def print_json(document: dict[str, Any]) -> None:
    """Print one JSON object on standard output; NaN is refused rather than written."""
    print(json.dumps(document, indent=1, allow_nan=False))
