"""Compute the picture that each setup should record: a sheet and a FITS file for each pairing.

BODY is mercury, venus, mars, jupiter, saturn, uranus, neptune, moon, a satellite, star (a point of
magnitude 0: the star test), or the path of a body's TOML file. Several bodies and several --instrument
options make every pairing, and one montage of all at a common angular scale.

A map of your own (--map) is a picture of the whole globe, twice as wide as high, in PNG, TIFF or FITS. The
TOML file beside it gives central_meridian_deg (of its middle), longitude ("west" or "east"), latitude
("planetographic" or "planetocentric"), wavelengths_nm (one a colour), and may give picture, gamma
("linear", "srgb" or an exponent), top and right; the README shows one.
"""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any

from simulate.cli import common
from simulate.errors import BelowHorizonError, HiddenError, InputError, InputErrors, kept_warnings

if TYPE_CHECKING:
    from simulate.air import Sky
    from simulate.bodies import Body
    from simulate.geometry import Site
    from simulate.instruments import Instrument
    from simulate.light.look import ViewOptions
    from simulate.results.view import View


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options of `simulate view`."""
    parser.add_argument("bodies", metavar="BODY", nargs="+", help="a name, or the path of a body's TOML file")
    common.add_instruments(parser)
    common.add_when_where(parser)
    common.add_air(parser)
    common.add_practice(parser)
    recording = parser.add_argument_group("recording (chosen automatically where not given)")
    common.add_recording(recording)
    common.add_keep(recording)
    picture = parser.add_argument_group("picture")
    picture.add_argument("--field", metavar="ANGLE", help='width of the window, e.g. "400 arcsec" to take in the moons')
    picture.add_argument("--without", metavar="FEATURE", action="append", help="leave a feature out; repeatable")
    common.add_face(picture)
    picture.add_argument("--map", metavar="FILE", help="your own map: the TOML beside an equirectangular picture")
    picture.add_argument(
        "--texture", action="store_true", help="add invented fine texture (marked as invented; nothing is judged by it)"
    )
    picture.add_argument(
        "--as-mounted", action="store_true", help="show sheets as the camera sees them instead of north up"
    )
    common.add_output(parser)
    common.add_seed(parser)


def run(arguments: argparse.Namespace) -> int:
    """Compute, write and tell; returns the exit code."""
    from simulate.light.subject import choose_subject

    with kept_warnings() as warnings:
        site = common.read_site(arguments.site)
        instruments = common.read_instruments(arguments.instrument)
        sky = common.read_sky(arguments)
        bodies = list(dict.fromkeys(choose_subject(name) for name in arguments.bodies))
        options = _options(arguments)
        common.read_seed(arguments)
        common.check_folder(arguments.output)
        views, refused = _views(bodies, instruments, site, sky, options, arguments)
        # only now, so that what is refused leaves no empty folder behind
        files, montage = write_views(views, common.check_folder(arguments.output), as_mounted=arguments.as_mounted)
    if arguments.json:
        common.print_json(_document(arguments, views, files, montage, [*warnings, *refused]))
    else:
        _print_text(views, files, montage)
        for sentence in [*warnings, *refused]:
            common.tell(f"note: {sentence}")
    return 0


def _options(arguments: argparse.Namespace) -> ViewOptions:
    from dataclasses import replace

    from simulate.light.look import ViewOptions

    scene = replace(
        common.read_face(arguments),
        without=frozenset(arguments.without or ()),
        invented_texture=arguments.texture,
        user_map=_user_map(arguments),
    )
    field = common.read_number(arguments, "field", "arcsec")
    practice = common.read_practice(arguments)
    return ViewOptions(common.read_wishes(arguments), common.read_gain(arguments), scene, field, practice=practice)


def _user_map(arguments: argparse.Namespace) -> Any:
    if arguments.map is None:
        return None
    from simulate.bodies import load_user_map

    if len(set(arguments.bodies)) != 1:
        raise InputError("--map", arguments.map, "a map belongs to one body: name just that one")
    from simulate.light.subject import choose_subject

    return load_user_map(arguments.map, choose_subject(arguments.bodies[0]))


def _views(
    bodies: list[Body],
    instruments: list[Instrument],
    site: Site | None,
    sky: Sky,
    options: ViewOptions,
    arguments: argparse.Namespace,
) -> tuple[list[View], list[str]]:
    """Return the views that can be made, and a sentence for each body that cannot be had."""
    from simulate.commands.view import view
    from simulate.present.progress import Reporter

    views: list[View] = []
    refused: list[InputError] = []
    with Reporter("pairings", len(bodies) * len(instruments)) as reporter:
        for body in bodies:
            try:
                time = common.read_time(arguments, body, site)
                for instrument in instruments:
                    look = view(
                        body, instrument, time, site, sky=sky, options=options,
                        seed=common.read_seed(arguments), ephemeris=arguments.ephemeris,
                    )  # fmt: skip
                    views.append(look)
                    reporter.step(f"{body.name} through {instrument.name}")
            except (BelowHorizonError, HiddenError) as error:
                refused.append(error)
                reporter.step(f"{body.name} cannot be had", count=len(instruments))
    if not views:
        raise InputErrors(refused)
    return views, [str(error) for error in refused]


def write_views(
    views: list[View], folder: Path, *, as_mounted: bool = False
) -> tuple[list[dict[str, str]], str | None]:
    """Write sheet and FITS file of each view, and the montage of several.

    Returns
    -------
    list of mappings, one a view: "sheet" and "fits" -> path
    str or None
        Path of the montage; None for a single view.
    """
    from simulate.present.fits import write_fits
    from simulate.present.montage import write_montage
    from simulate.present.sheet import write_sheet

    written = []
    for view in views:
        stem = folder / file_stem(view)
        sheet = write_sheet(f"{stem}.png", view, as_mounted=as_mounted)
        written.append({"sheet": str(sheet), "fits": str(write_fits(f"{stem}.fits", view))})
    if len(views) < 2:
        return written, None
    names = "_".join(dict.fromkeys(view.body for view in views))
    when = common.file_time(min(view.apparition.time_utc for view in views))
    return written, str(write_montage(folder / f"montage_{names}_{when}.png", views))


def file_stem(view: View) -> str:
    """Return the name of a view's files without ending: body, instrument and instant."""
    when = common.file_time(view.apparition.time_utc)
    return f"{view.body}_{common.file_word(view.instrument.name)}_{when}"


def _document(
    arguments: argparse.Namespace, views: list[View], files: list[dict[str, str]], montage: str | None, told: list[str]
) -> dict[str, Any]:
    from simulate.present.contract import view_json

    inputs = {name: value for name, value in vars(arguments).items() if value is not None}
    document = view_json(views, inputs, told, files)
    document["files"] = {} if montage is None else {"montage": montage}
    return document


def _print_text(views: list[View], files: list[dict[str, str]], montage: str | None) -> None:
    from simulate.present.words import summary

    for view, paths in zip(views, files, strict=True):
        print(summary(view))
        print(f"  sheet {paths['sheet']}\n  FITS  {paths['fits']}\n")
    if montage:
        print(f"montage {montage}")
