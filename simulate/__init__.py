"""Compute the picture of a planet that a setup should record, and say what can honestly be seen in it.

Nothing heavy is imported here; the public names are loaded when they are first used, in the order
of the light: `load_body`, `apparition`, `render`, `Sky`, `Telescope`, `make_pupil`, `Camera`,
`load_instrument`, `make_chain`, `expected_stack`, `restore`, and `view`, which does it all. Beside it stand
`limits`, `season`, `plan`, `record`, `stack_recording` and `check`, as the commands of the same names.

Examples
--------
>>> import simulate
>>> picture = simulate.view("jupiter", "newtonian-150", "2026-01-10T08:00")
>>> round(picture.apparition.equatorial_diameter_arcsec, 1)
46.6
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from simulate.air import Sky
    from simulate.bodies import Body, body_names, load_body
    from simulate.camera import Camera, Mount, expose
    from simulate.checking.check import check
    from simulate.commands.limits import limits
    from simulate.commands.plan import plan
    from simulate.commands.record import plan_recording, record
    from simulate.commands.season import season
    from simulate.commands.stack import stack_recording
    from simulate.commands.view import view
    from simulate.errors import InputError, SimulateWarning
    from simulate.geometry import Apparition, Site, apparition, parse_site
    from simulate.instruments import Instrument, instrument_names, load_instrument
    from simulate.light.chain import Aim, Chain, Setting, lay_field, make_chain
    from simulate.light.look import ViewOptions
    from simulate.present.fits import write_fits
    from simulate.present.montage import write_montage
    from simulate.present.sheet import write_sheet
    from simulate.results.view import View
    from simulate.scene import Scene, SceneOptions, render
    from simulate.stack import choose_exposure, expected_stack, restore
    from simulate.stack.reader import open_recording
    from simulate.telescope import Telescope, make_pupil, point_response, transfer
    from simulate.values.practice import Practice, practice_of

__version__ = "0.1.0"

_ROOM_OF = {
    "Aim": "light.chain",
    "Apparition": "geometry",
    "Body": "bodies",
    "Camera": "camera",
    "Chain": "light.chain",
    "InputError": "errors",
    "Instrument": "instruments",
    "Mount": "camera",
    "Practice": "values.practice",
    "Scene": "scene",
    "SceneOptions": "scene",
    "Setting": "light.chain",
    "SimulateWarning": "errors",
    "Site": "geometry",
    "Sky": "air",
    "Telescope": "telescope",
    "View": "results.view",
    "ViewOptions": "light.look",
    "apparition": "geometry",
    "body_names": "bodies",
    "check": "checking.check",
    "choose_exposure": "stack",
    "expected_stack": "stack",
    "expose": "camera",
    "instrument_names": "instruments",
    "lay_field": "light.chain",
    "limits": "commands.limits",
    "load_body": "bodies",
    "load_instrument": "instruments",
    "make_chain": "light.chain",
    "make_pupil": "telescope",
    "open_recording": "stack.reader",
    "parse_site": "geometry",
    "plan": "commands.plan",
    "plan_recording": "commands.record",
    "point_response": "telescope",
    "practice_of": "values.practice",
    "record": "commands.record",
    "render": "scene",
    "restore": "stack",
    "season": "commands.season",
    "stack_recording": "commands.stack",
    "transfer": "telescope",
    "view": "commands.view",
    "write_fits": "present.fits",
    "write_montage": "present.montage",
    "write_sheet": "present.sheet",
}

__all__ = [
    "Aim",
    "Apparition",
    "Body",
    "Camera",
    "Chain",
    "InputError",
    "Instrument",
    "Mount",
    "Practice",
    "Scene",
    "SceneOptions",
    "Setting",
    "SimulateWarning",
    "Site",
    "Sky",
    "Telescope",
    "View",
    "ViewOptions",
    "__version__",
    "apparition",
    "body_names",
    "check",
    "choose_exposure",
    "expected_stack",
    "expose",
    "instrument_names",
    "lay_field",
    "limits",
    "load_body",
    "load_instrument",
    "make_chain",
    "make_pupil",
    "open_recording",
    "parse_site",
    "plan",
    "plan_recording",
    "point_response",
    "practice_of",
    "record",
    "render",
    "restore",
    "season",
    "stack_recording",
    "transfer",
    "view",
    "write_fits",
    "write_montage",
    "write_sheet",
]


def __getattr__(name: str) -> Any:
    if name in _ROOM_OF:
        return getattr(import_module(f"simulate.{_ROOM_OF[name]}"), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted(__all__)
