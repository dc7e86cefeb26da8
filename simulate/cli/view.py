"""Compute the picture that each setup should record: a sheet and a FITS file for each pairing.

BODY is mercury, venus, mars, jupiter, saturn, uranus, neptune, moon or star (a point of
magnitude 0: the star test). Several bodies and several --instrument options make every pairing,
and one montage of all at a common angular scale.
"""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any

from simulate.cli import common
from simulate.errors import BelowHorizonError, InputError, InputErrors, kept_warnings

if TYPE_CHECKING:
    from simulate.air import Sky
    from simulate.compose.view import ViewOptions
    from simulate.geometry import Site
    from simulate.instruments import Instrument
    from simulate.present.record import View


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Add the options of `simulate view`."""
    parser.add_argument("bodies", metavar="BODY", nargs="+", help="what to look at")
    common.add_instruments(parser)
    common.add_when_where(parser)
    common.add_air(parser)
    recording = parser.add_argument_group("recording (chosen automatically where not given)")
    recording.add_argument("--exposure", metavar="TIME", help='of one frame, e.g. "5 ms"')
    recording.add_argument("--gain", metavar="GAIN", help='in electrons per number, e.g. "1.5 e-/DN"')
    recording.add_argument("--seconds", metavar="TIME", help='length of the recording, e.g. "90 s"')
    recording.add_argument("--frames", type=int, help="number of frames recorded")
    recording.add_argument("--keep", type=float, metavar="SHARE", help="share of the frames stacked, above 0 to 1")
    picture = parser.add_argument_group("picture")
    picture.add_argument("--field", metavar="ANGLE", help='width of the window, e.g. "400 arcsec" to take in the moons')
    picture.add_argument("--without", metavar="FEATURE", action="append", help="leave a feature out; repeatable")
    picture.add_argument("--red-spot", type=float, metavar="DEG", help="System II longitude of Jupiter's red spot")
    picture.add_argument("--dust", type=float, default=0.0, help="Martian dust, 0 clear to 1 global storm")
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
    with kept_warnings() as warnings:
        site = common.read_site(arguments.site)
        instruments = common.read_instruments(arguments.instrument)
        sky = common.read_sky(arguments)
        bodies = _bodies(arguments.bodies)
        options = _options(arguments)
        folder = common.output_folder(arguments.output)
        views, refused = _views(bodies, instruments, site, sky, options, arguments)
        files, montage = write_views(views, folder, as_mounted=arguments.as_mounted)
    if arguments.json:
        common.print_json(_document(arguments, views, files, montage, [*warnings, *refused]))
    else:
        _print_text(views, files, montage)
        for sentence in [*warnings, *refused]:
            common.tell(f"note: {sentence}")
    return 0


def _bodies(names: list[str]) -> list[str]:
    from simulate.bodies import load_body

    bodies = list(dict.fromkeys(load_body(name).name for name in names))
    for name in bodies:
        if load_body(name).kind == "satellite" or name == "sun":
            allowed = "name a planet, moon or star; satellites are drawn beside their planet"
            if name == "sun":
                allowed = "this tool draws no Sun; solar work needs a certified filter fixed over the front"
            raise InputError("BODY", name, allowed)
    return bodies


def _options(arguments: argparse.Namespace) -> ViewOptions:
    from simulate.compose.view import ViewOptions
    from simulate.scene import SceneOptions
    from simulate.stack import ExposureWishes
    from simulate.values.checks import to_float

    def number(option: str, unit: str) -> float | None:
        text = getattr(arguments, option)
        return None if text is None else to_float(f"--{option}", text, unit, 0.0, 1e7, open_low=True)

    wishes = ExposureWishes(
        exposure_s=number("exposure", "s"),
        seconds=number("seconds", "s"),
        frames=arguments.frames,
        keep=arguments.keep,
    )
    scene = SceneOptions(
        without=frozenset(arguments.without or ()),
        red_spot_longitude_deg=_within("--red-spot", arguments.red_spot, -360.0, 720.0),
        dust=_within("--dust", arguments.dust, 0.0, 1.0) or 0.0,
        invented_texture=arguments.texture,
        user_map=_user_map(arguments),
    )
    return ViewOptions(wishes, number("gain", "electron / adu"), scene, number("field", "arcsec"))


def _within(field: str, value: float | None, lowest: float, highest: float) -> float | None:
    from simulate.values.checks import to_float

    return None if value is None else to_float(field, value, "", lowest, highest)


def _user_map(arguments: argparse.Namespace) -> Any:
    if arguments.map is None:
        return None
    from simulate.bodies import load_body, load_user_map

    if len(set(arguments.bodies)) != 1:
        raise InputError("--map", arguments.map, "a map belongs to one body: name just that one")
    return load_user_map(arguments.map, load_body(arguments.bodies[0]))


def _time(arguments: argparse.Namespace, body: str, site: Site | None) -> Any:
    from simulate.geometry import parse_time

    if getattr(arguments, "night", None):
        if site is None:
            raise InputError("--night", arguments.night, "give --site too: a night needs a place")
        from simulate.geometry.rise_set import best_moment

        return best_moment(body, arguments.night, site, ephemeris=arguments.ephemeris).time
    if arguments.time is None:
        from datetime import UTC, datetime

        return parse_time(datetime.now(UTC))
    return parse_time(arguments.time)


def _views(
    bodies: list[str],
    instruments: list[Instrument],
    site: Site | None,
    sky: Sky,
    options: ViewOptions,
    arguments: argparse.Namespace,
) -> tuple[list[View], list[str]]:
    """Return the views that can be made, and a sentence for each body that cannot be had."""
    from simulate.compose.view import view
    from simulate.present.progress import Reporter

    views: list[View] = []
    refused: list[BelowHorizonError] = []
    with Reporter("pairings", len(bodies) * len(instruments)) as reporter:
        for body in bodies:
            try:
                time = _time(arguments, body, site)
                for instrument in instruments:
                    look = view(
                        body, instrument, time, site, sky=sky, options=options,
                        seed=arguments.seed, ephemeris=arguments.ephemeris,
                    )  # fmt: skip
                    views.append(look)
                    reporter.step(f"{body} through {instrument.name}")
            except BelowHorizonError as error:
                refused.append(error)
                reporter.step(f"{body} cannot be had", count=len(instruments))
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
    when = _compact(min(view.apparition.time_utc for view in views))
    return written, str(write_montage(folder / f"montage_{names}_{when}.png", views))


def file_stem(view: View) -> str:
    """Return the name of a view's files without ending: body, instrument and instant."""
    instrument = "".join(c if c.isalnum() or c in "-_." else "-" for c in view.instrument.name)
    return f"{view.body}_{instrument}_{_compact(view.apparition.time_utc)}"


def _compact(time_utc: str) -> str:
    return time_utc[:19].replace("-", "").replace(":", "") + "Z"


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
