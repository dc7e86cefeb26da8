"""The layout: rooms stand along the light's path and import only from rooms the light has passed."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

PACKAGE = Path(__file__).resolve().parent.parent / "simulate"

SETUP = "bodies geometry scene air telescope camera instruments"
ENGINE = f"{SETUP} stack light"

ARROWS: dict[str, str] = {
    "errors": "",
    "values": "errors",
    "given": "values errors",
    "bodies": "",
    "geometry": "bodies",
    "scene": "bodies geometry",
    "air": "geometry",
    "telescope": "",
    "camera": "",
    "instruments": "telescope camera",
    "recording": "air telescope camera",
    "stack": "air telescope camera",
    "light": f"{SETUP} stack",
    "judging": ENGINE,
    "results": f"{ENGINE} judging",
    "planning": f"{ENGINE} judging results",
    "present": "bodies geometry camera stack judging results planning",
    "checking": f"{ENGINE} judging results present",
    "commands": f"{ENGINE} recording judging results planning present",
    "page": f"{ENGINE} judging results planning present checking commands",
    "cli": f"{ENGINE} recording judging results planning present checking commands page",
    "__init__": f"{ENGINE} results present checking commands",
    "__main__": "cli",
}
"""What each room may import beside the `BASE`: only rooms that the light has passed.

`light` is the one engine from scene to stack; `commands` and `checking` alone know the order of all rooms."""

ORDER = tuple(ARROWS)

BASE = ("errors", "values", "given")
"""What serves every room: words for what goes wrong, shared values, the one door for a user's files."""

HEAVY = ("numpy", "scipy", "astropy", "matplotlib", "poppy", "pydantic", "rich", "starlette", "uvicorn")


def room_of(module: Path) -> str:
    first = module.relative_to(PACKAGE).parts[0]
    return first.removesuffix(".py")


def imports_of(module: Path) -> set[str]:
    """Rooms of this package that a module imports, lazily or not; type-checking imports count too."""
    found = set()
    for node in ast.walk(ast.parse(module.read_text())):
        if isinstance(node, ast.ImportFrom) and node.module and node.module.split(".")[0] == "simulate":
            parts = node.module.split(".")
            found |= {parts[1]} if len(parts) > 1 else {alias.name for alias in node.names}
        elif isinstance(node, ast.Import):
            found |= {alias.name.split(".")[1] for alias in node.names if alias.name.startswith("simulate.")}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{module}: write imports in full"
    return found - {"__version__"}


MODULES = sorted(path for path in PACKAGE.rglob("*.py"))


@pytest.mark.parametrize("module", MODULES, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_a_room_imports_only_along_the_arrows(module: Path) -> None:
    room = room_of(module)
    assert room in ARROWS, f"{room} has no place on the light's path: add it to ARROWS"
    allowed = {room, *ARROWS[room].split(), *(BASE if room not in BASE else ())}
    for other in imports_of(module):
        assert other in allowed, f"{module.name} in {room} imports {other}: no such arrow"


def test_every_arrow_points_back_along_the_light() -> None:
    for room, others in ARROWS.items():
        for other in others.split():
            assert ORDER.index(other) < ORDER.index(room), f"{room} may not import {other}, which comes later"


def test_importing_the_package_and_its_command_line_loads_nothing_heavy() -> None:
    code = (
        "import sys; import simulate, simulate.cli; simulate.cli.main(['--help']);"
        f"print([name for name in {HEAVY!r} if name in sys.modules], file=sys.stderr)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=PACKAGE.parent)
    assert done.stderr.strip() == "[]"


def test_every_command_s_help_loads_nothing_heavy() -> None:
    code = (
        "import sys; import simulate.cli as cli\n"
        "for name in cli.COMMANDS: assert cli.main([name, '--help']) == 0\n"
        f"print([name for name in {HEAVY!r} if name in sys.modules], file=sys.stderr)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=PACKAGE.parent)
    assert done.stderr.strip() == "[]"


LONGEST_CALL = 6
"""How many values a call may pass by their place: more are not told apart by a reader, nor by the type checker."""


@pytest.mark.parametrize("module", MODULES, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_long_calls_name_their_arguments(module: Path) -> None:
    for call in (node for node in ast.walk(ast.parse(module.read_text())) if isinstance(node, ast.Call)):
        told = f"{module.name}:{call.lineno}: {len(call.args)} arguments by place, at most {LONGEST_CALL}: name them"
        assert len(call.args) <= LONGEST_CALL, told


OPEN_RECORDS = 60
"""Places where `dict[str, Any]` stands for a record, which no type checker can hold: documents of JSON and TOML in the
main. Lower it with each that goes; it never grows."""


def test_records_without_types_only_become_fewer() -> None:
    count = sum(module.read_text().count("dict[str, Any]") for module in MODULES)
    assert count <= OPEN_RECORDS, "a record is a frozen dataclass, or a TypedDict where it is a shape of JSON"


BODY_NAMES = {path.stem for path in (PACKAGE / "bodies" / "data").glob("*.toml")}


TRAITS = ("kind", "theory")
"""Words of a body's data file whose values sound like names: the kinds `moon`, `star`, `sun`, the theory `sun`."""


def compared_names(source: str) -> list[tuple[int, str]]:
    """Lines that compare anything but a trait with the name of a body, and that name; `match` counts too."""
    found: list[tuple[int, str]] = []
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Compare):
            sides = [node.left, *node.comparators]
        elif isinstance(node, ast.Match):
            sides = [node.subject, *(case.pattern for case in node.cases)]
        else:
            continue
        if any(ast.unparse(side).split(".")[-1] in TRAITS for side in sides):
            continue
        words = (part for side in sides for part in ast.walk(side) if isinstance(part, ast.Constant))
        found += [(part.lineno, part.value) for part in words if part.value in BODY_NAMES]
    return found


@pytest.mark.parametrize(
    "source",
    ['body.name == "mars"', 'name in ("jupiter", "saturn")', '"titan" != name', 'match name:\n    case "io": pass'],
)
def test_a_comparison_with_a_name_is_found(source: str) -> None:
    assert compared_names(source)


@pytest.mark.parametrize("module", MODULES, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_no_room_but_bodies_compares_with_a_body_s_name(module: Path) -> None:
    if room_of(module) != "bodies":
        assert not compared_names(module.read_text()), "make it a trait of the body's data file"
