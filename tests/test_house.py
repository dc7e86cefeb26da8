"""The layout: rooms stand along the light's path and import only from rooms the light has passed."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

PACKAGE = Path(__file__).resolve().parent.parent / "simulate"

PATH_OF_LIGHT = (
    "errors",
    "values",
    "given",
    "bodies",
    "geometry",
    "scene",
    "air",
    "telescope",
    "camera",
    "instruments",
    "recording",
    "stack",
    "judgement",
    "planning",
    "present",
)
"""Rooms from the light's source to the page."""

HEIGHT = {room: height for height, room in enumerate((*PATH_OF_LIGHT, "compose", "cli", "__init__", "__main__"))}
"""`compose` holds the only modules that know the order of the rooms."""

HEAVY = ("numpy", "scipy", "astropy", "matplotlib", "poppy", "pydantic", "rich")


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
def test_a_room_imports_only_from_rooms_the_light_has_passed(module: Path) -> None:
    room = room_of(module)
    assert room in HEIGHT, f"{room} has no place on the light's path: add it to PATH_OF_LIGHT"
    for other in imports_of(module) - {room}:
        assert other in HEIGHT, f"{module.name} imports simulate.{other}, which has no place"
        assert HEIGHT[other] < HEIGHT[room], f"{module.name} in {room} imports {other}, which comes later"


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
