"""Instrument files: from TOML to an `Instrument`, or to sentences about every fault at once."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from importlib import resources
from pathlib import Path
from typing import Any

from simulate.camera.sensor import SensorGrid, pixel_scale_arcsec
from simulate.camera.settings import Camera, Mount
from simulate.errors import InputError, InputErrors, nearest
from simulate.given.door import parse_toml, read_text
from simulate.telescope.settings import Telescope
from simulate.values.practice import LEVELS, Practice, practice_of

MOST_FAULTS = 20
"""Sentences about one file; what follows is counted."""


@dataclass(frozen=True)
class Instrument:
    """A telescope, the camera behind it and the mount below it.

    Parameters
    ----------
    name : str
        Name as shown.
    telescope : Telescope
        Optics.
    camera : Camera
        Sensor.
    mount : Mount
        How it is carried.
    description : str
        One line about it.
    practice : tuple of (str, value)
        Level and numbers of `Practice` that the owner states.
    """

    name: str
    telescope: Telescope
    camera: Camera
    mount: Mount = field(default_factory=Mount)
    description: str = ""
    practice: tuple[tuple[str, Any], ...] = ()

    @property
    def pixel_arcsec(self) -> float:
        """Side of a pixel on the sky, arcsec."""
        return pixel_scale_arcsec(self.camera.pixel_um, self.telescope.effective_focal_length_mm)

    def sensor_grid(
        self, rows: int | None = None, columns: int | None = None, *, parallactic_angle_deg: float | None = None
    ) -> SensorGrid:
        """Return the pixels on the sky, the body in the middle.

        Parameters
        ----------
        rows, columns : int, optional
            Window of the sensor; default all of it.
        parallactic_angle_deg : float, optional
            Position angle of the zenith; turns the picture of an altazimuth mount.
        """
        return SensorGrid(
            self.camera.rows if rows is None else rows,
            self.camera.columns if columns is None else columns,
            self.pixel_arcsec,
            self.mount.sky_angle_deg(parallactic_angle_deg),
            self.mount.mirrored,
        )


class Fault(InputError):
    """A fault of an instrument file with a sentence of its own."""

    def __init__(self, field: str, value: object, sentence: str) -> None:
        super().__init__(field, value, sentence)
        self.args = (f"{field}: {sentence}",)


def instrument_names() -> tuple[str, ...]:
    """Return the names of the shipped instruments, kind by kind, small apertures first."""
    folder = resources.files("simulate.instruments") / "data"
    names = (entry.name.removesuffix(".toml") for entry in folder.iterdir() if entry.name.endswith(".toml"))
    return tuple(sorted(names, key=_order))


def load_instrument(name_or_path: str | Path | Instrument) -> Instrument:
    """Return an instrument by its shipped name or from a TOML file.

    Parameters
    ----------
    name_or_path : str or path
        A name out of `instrument_names()`, or a file; an `Instrument` is handed back as it is.

    Raises
    ------
    InputError
        If there is no such instrument; `InputErrors` with a sentence for each fault of the file.
    """
    if isinstance(name_or_path, Instrument):
        return name_or_path
    if not isinstance(name_or_path, (str, Path)):
        raise InputError("instrument", str(name_or_path), "give a shipped name or the path of a TOML file")
    key = str(name_or_path).strip().lower()
    names = instrument_names()
    if key in names:
        return _shipped(key)
    path = Path(name_or_path)
    if path.suffix.lower() == ".toml" or len(path.parts) > 1 or _is_there(path):
        text = read_text("instrument", path, hint=nearest(path.stem, names))
        return parse_instrument(text, folder=path.parent, name=path.stem)
    hint = nearest(key, names) or f"; shipped are {', '.join(names)}"
    raise InputError("instrument", str(name_or_path), f"give a shipped name or the path of a TOML file{hint}")


def parse_instrument(text: str, *, folder: Path | None = None, name: str = "unnamed") -> Instrument:
    """Return the instrument that a TOML text describes.

    Parameters
    ----------
    text : str
        The file's text.
    folder : Path, optional
        Where files that it names (a CSV curve) are looked for; default the working folder.
    name : str
        Name to use where the text gives none.

    Raises
    ------
    InputError
        If the text is no TOML; `InputErrors` with a sentence for each wrong field.
    """
    try:
        document = parse_toml(text)
    except tomllib.TOMLDecodeError as error:
        raise _syntax_fault(name, text, str(error)) from error
    except ValueError as error:  # tables nested without end, a date that is none, a number of thousands of digits
        raise InputError(f"{name}.toml", text, f"it must be valid TOML ({error})") from error
    return build_instrument(document, folder=folder, name=name)


def build_instrument(document: dict[str, Any], *, folder: Path | None = None, name: str = "unnamed") -> Instrument:
    """Return the instrument that a table (as read from TOML or JSON) describes; see `parse_instrument`."""
    from pydantic import ValidationError

    from simulate.instruments.schema import InstrumentTable

    try:
        table = InstrumentTable.model_validate(document, context={"folder": folder})
    except ValidationError as error:
        entries = error.errors()
        faults = [_fault(entry) for entry in entries[:MOST_FAULTS]]
        if len(entries) > MOST_FAULTS:
            more = len(entries) - MOST_FAULTS
            faults.append(Fault("file", None, f"has {more} more {'fault' if more == 1 else 'faults'} of such kinds"))
        raise InputErrors(faults) from error
    parts = (table.telescope.build(), table.camera.build(), table.mount.build())
    stated = table.practice.numbers() if table.practice else {}
    if stated:  # numbers that do not go together are told here, not when they are used
        own = practice_of(stated.get("level", "practised"), **{k: v for k, v in stated.items() if k != "level"})
        stated = {name: getattr(own, name) for name in stated}
    return Instrument(table.name or name, *parts, description=table.description or "", practice=tuple(stated.items()))


def load_practice(level_or_path: str | Path | Practice) -> Practice:
    """Return a practice by its level or from a TOML file.

    Parameters
    ----------
    level_or_path : str, path or Practice
        One of `LEVELS`, or a file with the keys of ``[practice]``, with that heading or without.

    Raises
    ------
    InputError
        If it is neither; `InputErrors` with a sentence for each fault of the file.
    """
    if isinstance(level_or_path, Practice):
        return level_or_path
    if not isinstance(level_or_path, (str, Path)):
        raise InputError("practice", str(level_or_path), "give a level or the path of a TOML file")
    path = Path(level_or_path)
    if str(level_or_path).strip().lower() in LEVELS or not (path.suffix.lower() == ".toml" or len(path.parts) > 1):
        return practice_of(str(level_or_path))
    from pydantic import ValidationError

    from simulate.instruments.schema import PracticeTable

    text = read_text("practice", path, hint="")
    try:
        document = parse_toml(text)
    except tomllib.TOMLDecodeError as error:
        raise _syntax_fault(path.stem, text, str(error)) from error
    except ValueError as error:
        raise InputError(f"{path.stem}.toml", text, f"it must be valid TOML ({error})") from error
    table = document.get("practice", document)
    try:
        stated = PracticeTable.model_validate(table).numbers()
    except ValidationError as error:
        raise InputErrors([_fault(entry) for entry in error.errors()[:MOST_FAULTS]]) from error
    return practice_of(stated.pop("level", "practised"), **stated)


def practice_for(instrument: Instrument, asked: Practice | None = None) -> Practice:
    """Return the hand that uses an instrument.

    Parameters
    ----------
    instrument : Instrument
        Its owner's numbers count for the level that they are stated for, or where none is stated, for any.
    asked : Practice, optional
        What is asked for; default the instrument's level, else the practised one. One with numbers of its own is
        taken as it is.
    """
    stated = dict(instrument.practice)
    level = stated.pop("level", None)
    chosen = asked or practice_of(level or "practised")
    if not stated or not chosen.as_stated or (level is not None and level != chosen.level):
        return chosen
    return practice_of(chosen, **stated)


@lru_cache(maxsize=64)
def _shipped(name: str) -> Instrument:
    file = resources.files("simulate.instruments") / "data" / f"{name}.toml"
    return parse_instrument(file.read_text(encoding="utf-8"), name=name)


def _order(name: str) -> tuple[str, int, str]:
    kind, _, rest = name.partition("-")
    size, _, variant = rest.partition("-")
    return kind, int(size) if size.isdigit() else 0, variant


def _is_there(path: Path) -> bool:
    try:
        return path.exists() and not path.is_dir()
    except (OSError, ValueError):  # a name too long, or with a null in it
        return False


def _syntax_fault(name: str, text: str, message: str) -> InputError:
    found = re.search(r"\(at line (\d+), column \d+\)", message)
    lines = text.splitlines()
    number = int(found.group(1)) if found else len(lines)
    line = lines[number - 1].strip() if 0 < number <= len(lines) else ""
    where = f"{name}.toml, line {number}"
    bare = re.fullmatch(r"([A-Za-z_.]+)\s*=\s*([-+]?[0-9.]+\s*[A-Za-z%°µμ\"][^\s'#,\[{]*)\s*(#.*)?", line)
    if bare:
        value = bare.group(2).strip()
        repaired = f"{bare.group(1)} = '{value}'" if '"' in value else f'{bare.group(1)} = "{value}"'
        return InputError(where, line, f"put quotes around a value with a unit: {repaired}")
    reason = re.sub(r"\s*\(at .*\)$", "", message)
    return InputError(where, line, f"it must be valid TOML: {reason[:1].lower()}{reason[1:]}")


_OTHER_WORDS = {
    "diameter": "aperture",
    "barlow": "amplifier",
    "reducer": "amplifier",
    "secondary": "obstruction",
    "spider": "vanes",
    "width": "columns",
    "height": "rows",
    "bayer": "filter_array",
    "pattern": "filter_array",
    "qe": "quantum_efficiency",
    "well_depth": "full_well",
    "bit_depth": "bits",
    "black_level": "offset",
    "rotation": "camera_angle",
    "guiding": "tracking_error",
    "type": "kind",
}
"""Words of the trade for what has another name in the file."""


def _fault(entry: Any) -> InputError:
    """Turn one complaint of pydantic into a sentence."""
    path, value = _dotted(entry["loc"]), entry["input"]
    if entry["type"] == "extra_forbidden":
        return Fault(path, value, f"is not a known key{_key_hint(entry['loc'])}")
    if entry["type"] == "missing":
        return Fault(path, None, f"is missing; {_needed(path)}")
    error = entry.get("ctx", {}).get("error")
    if isinstance(error, InputError):
        return _placed(path, error)
    if entry["type"] in ("model_type", "dict_type", "model_attributes_type"):
        return InputError(path, _short(value), f"it must be a table, such as [{path}]")
    return InputError(path, _short(value), entry["msg"][:1].lower() + entry["msg"][1:])


def _placed(path: str, error: InputError) -> InputError:
    from simulate.instruments.fields import BareNumber

    if isinstance(error, BareNumber):
        key = path.rpartition(".")[2]
        repaired = f'{key} = "{error.value} {error.unit}"'
        return InputError(path, error.value, f"write it with its unit, in quotes: {repaired}")
    if error.field and error.field not in path:
        return InputError(f"{path} ({error.field})", error.value, error.allowed)
    return InputError(path, error.value, error.allowed)


def _dotted(place: Sequence[int | str]) -> str:
    text = ""
    for part in place:
        text += f"[{part + 1}]" if isinstance(part, int) else f".{_word(part)}"
    return text.lstrip(".") or "file"


def _word(key: str) -> str:
    """Return a key as it may stand in a sentence: short, on one line."""
    if key.isprintable() and len(key) <= 60:
        return key
    return repr(key[:60])


def _tables() -> dict[str, tuple[str, ...]]:
    from simulate.instruments import schema

    models = {
        "": schema.InstrumentTable,
        "telescope": schema.TelescopeTable,
        "telescope.vanes": schema.VanesTable,
        "telescope.aberrations": schema.AberrationsTable,
        "telescope.colour_error": schema.ColourErrorTable,
        "camera": schema.CameraTable,
        "mount": schema.MountTable,
        "practice": schema.PracticeTable,
    }
    return {path: tuple(model.model_fields) for path, model in models.items()}


def _key_hint(place: Sequence[int | str]) -> str:
    table, key = _dotted(place[:-1]) if len(place) > 1 else "", str(place[-1])
    tables = _tables()
    known = tables.get(table, ())
    lowered = key.strip().lower()
    if _OTHER_WORDS.get(lowered) in known:
        return f"; did you mean {_OTHER_WORDS[lowered]!r}?"
    if hint := nearest(key, known):
        return hint
    for other, keys in tables.items():
        if other and other != table and lowered in keys:
            return f"; it belongs into [{other}]"
    return f"; known are {', '.join(known)}"


def _needed(path: str) -> str:
    examples = {
        "telescope": "give a table [telescope] with aperture and focal_length",
        "camera": "give a table [camera] with pixel, columns and rows",
        "telescope.aperture": 'give the diameter, such as aperture = "150 mm"',
        "telescope.focal_length": 'give the native focal length, such as focal_length = "1200 mm"',
        "camera.pixel": 'give the side of a pixel, such as pixel = "2.9 um"',
        "camera.columns": "give the pixels in a row, such as columns = 1936",
        "camera.rows": "give the pixels in a column, such as rows = 1096",
        "telescope.vanes.count": "give the number of arms, such as count = 4",
        "telescope.vanes.width": 'give the width of an arm, such as width = "1 mm"',
    }
    return examples[path]


def _short(value: Any) -> Any:
    return value if isinstance(value, (int, float, str)) else str(value)
