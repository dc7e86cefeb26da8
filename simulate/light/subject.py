"""Which bodies a picture can be computed of."""

from __future__ import annotations

from simulate.bodies import Body, body_names, load_body
from simulate.errors import InputError, choose

NO_SUN = "this tool draws no Sun; solar work needs a certified filter fixed over the front"


def choose_subject(body: str | Body, *, star: bool = True) -> Body:
    """Return a body that can be looked at and recorded.

    Parameters
    ----------
    body : str or Body
        Name, or the body itself.
    star : bool
        Whether the star, a point that never changes, will do.

    Raises
    ------
    InputError
        For an unknown name, for the Sun, and for a satellite, which is drawn beside its planet.
    """
    if not isinstance(body, Body) and body.strip().lower() not in body_names():
        body = choose("BODY", body, subject_names(star=star))  # refused, with the names that can be used
    known = body if isinstance(body, Body) else load_body(body)
    if known.name == "sun":
        raise InputError("BODY", known.name, NO_SUN)
    if known.kind == "satellite":
        names = ", ".join(subject_names(star=star))
        raise InputError("BODY", known.name, f"a satellite is drawn beside its planet; name one of {names}")
    if known.kind == "star" and not star:
        names = ", ".join(subject_names(star=False))
        raise InputError("BODY", known.name, f"a star stands as it is on every night; name one of {names}")
    return known


def subject_names(*, star: bool = True) -> tuple[str, ...]:
    """Return the names that `choose_subject` takes."""
    kinds = ("planet", "moon", "star") if star else ("planet", "moon")
    return tuple(name for name in body_names() if name != "sun" and load_body(name).kind in kinds)
