"""Which bodies a picture can be computed of."""

from __future__ import annotations

from simulate.bodies import Body, body_names, load_body
from simulate.errors import InputError

NO_SUN = "this tool draws no Sun; solar work needs a certified filter fixed over the front"


def choose_subject(body: str | Body) -> Body:
    """Return a body that can be looked at and recorded.

    Parameters
    ----------
    body : str or Body
        Name, or the body itself.

    Raises
    ------
    InputError
        For an unknown name, for the Sun, and for a satellite, which is drawn beside its planet.
    """
    known = body if isinstance(body, Body) else load_body(body)
    if known.name == "sun":
        raise InputError("BODY", known.name, NO_SUN)
    if known.kind == "satellite":
        names = ", ".join(subject_names())
        raise InputError("BODY", known.name, f"a satellite is drawn beside its planet; name one of {names}")
    return known


def subject_names() -> tuple[str, ...]:
    """Return the names that `choose_subject` takes."""
    return tuple(name for name in body_names() if name != "sun" and load_body(name).kind != "satellite")
