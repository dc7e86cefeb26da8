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
