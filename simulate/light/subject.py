"""Which bodies a picture can be computed of."""

from __future__ import annotations

from pathlib import Path

from simulate.bodies import Body, body_names, load_body
from simulate.errors import InputError, nearest

NO_SUN = "this tool draws no Sun; solar work needs a certified filter fixed over the front"


def choose_subject(body: str | Path | Body, *, star: bool = True) -> Body:
    """Return a body that can be looked at and recorded.

    Parameters
    ----------
    body : str, Path or Body
        Name, path of a data file, or the body itself.
    star : bool
        Whether the star, a point that never changes, will do.

    Raises
    ------
    InputError
        For an unknown name, a data file that cannot be used, and for the Sun.
    """
    known = body if isinstance(body, Body) else _load(body, star=star)
    if known.kind == "sun":
        raise InputError("BODY", known.name, NO_SUN)
    if known.kind == "star" and not star:
        names = ", ".join(subject_names(star=False))
        raise InputError("BODY", known.name, f"a star stands as it is on every night; name one of {names}")
    return known


def _load(word: str | Path, *, star: bool) -> Body:
    text = str(word).strip().lower()
    if text in body_names() or text.endswith(".toml") or len(Path(word).parts) > 1:
        return load_body(word)
    names = subject_names(star=star)
    allowed = f"use one of {', '.join(names)}, or the path of a TOML file{nearest(text, names)}"
    raise InputError("BODY", str(word), allowed)


def subject_names(*, star: bool = True) -> tuple[str, ...]:
    """Return the names that `choose_subject` takes."""
    shown = (body for body in map(load_body, body_names()) if body.kind != "sun")
    return tuple(body.name for body in shown if star or body.kind != "star")


def planet_names() -> tuple[str, ...]:
    """Return the names of the shipped planets, from the Sun outwards."""
    return tuple(body.name for body in map(load_body, body_names()) if body.kind == "planet")
