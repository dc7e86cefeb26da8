"""Where the files of a check go, so that none is laid over a picture or over anything that another made."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from simulate.errors import InputError

ENDINGS = (".png", "_labels.png", "_blink.gif", "_blink.mp4")
"""Of sheet, labelled copy and blink, behind the common name."""

SOURCE = "Source"
"""Text chunk of a sheet that holds the name of the picture it was made from."""


def check_base(folder: Path, picture: Path, inputs: Iterable[Path] = ()) -> Path:
    """Return the common path, without ending, of the files of a check.

    A picture of the same name but another ending may have been checked before: then the ending is put into the name.

    Parameters
    ----------
    folder : Path
        Where they go; need not exist.
    picture : Path
        What is checked.
    inputs : iterable of Path
        Further files that must stay as they are.

    Raises
    ------
    InputError
        If a file would be laid over one that was given, or over one that no check has made.
    """
    base = folder / f"{picture.stem}_check"
    if source_of(base.with_name(base.name + ".png")) not in (None, "", picture.name):
        base = folder / f"{picture.stem}_{picture.suffix.lstrip('.').lower()}_check"
    kept = [place for place in (picture, *inputs) if place.exists()]
    for target in (base.with_name(base.name + ending) for ending in ENDINGS):
        if not target.exists():
            continue
        if any(target.samefile(place) for place in kept):
            wanted = f"{target.name} there is one of the pictures given; name another folder, or --no-files"
            raise InputError("--output", str(folder), wanted)
        if target.suffix == ".png" and source_of(target) is None:
            wanted = f"{target.name} there was not made by a check; move it, name another folder, or --no-files"
            raise InputError("--output", str(folder), wanted)
    return base


def source_of(path: Path) -> str | None:
    """Return the name of the picture from which a check made a PNG, "" where it does not tell; None if no check did."""
    from PIL import Image

    try:
        with Image.open(path) as image:
            told = dict(image.info)
    except (OSError, ValueError, SyntaxError):
        return None
    if told.get("Software") != "simulate":
        return None
    title = str(told.get("Title", ""))
    if SOURCE in told:
        return str(told[SOURCE])
    return "" if title.endswith((": picture against theory", ", labelled")) else None
