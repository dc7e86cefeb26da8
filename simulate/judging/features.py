"""What is judged of each body, as its data file declares it.

A ``[[judged]]`` section of the data file names one thing to look for:

==========  ==========================================================================================
key         meaning
==========  ==========================================================================================
name        what the verdict is called
kind        "detail" (default): the scene without the names in ``without`` is the other picture;
            "disc": the body against a point of the same light; "moon": a satellite against the sky;
            "moon disc": a satellite against a point of the same light
without     names that ``SceneOptions.without`` takes
subjects    satellites, for the kinds that need them
line        "ring" or "meridian": also answered as "a separate line", a true minimum on a cut along
            the rings' long axis or along the middle meridian
unknowns    what is fitted away besides what is always unknown: "size" (default), "stretch";
            "blur" or "" for nothing more
stage       what `limits` arranges so that the thing can be seen at all: "facing" (turn the body so that
            the feature is in the middle), "shadow" (put the satellite's shadow on the disc)
longitude   for "facing": name of the surface feature that is brought to the middle
==========  ==========================================================================================

Sections carry no numbers, hence no sources.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Literal, cast

from simulate.errors import InputError, choose
from simulate.judging.detectability import ALWAYS_UNKNOWN, UNKNOWN_OF_DISCS

if TYPE_CHECKING:
    from simulate.bodies import Body
    from simulate.bodies.sections import Section

Kind = Literal["detail", "disc", "moon", "moon disc"]
KINDS = ("detail", "disc", "moon", "moon disc")
LINES = ("", "ring", "meridian")
STAGES = ("", "facing", "shadow")
_KEYS = {"name", "kind", "without", "subjects", "line", "unknowns", "stage", "longitude"}

SEPARATE_LINE = " as a separate line"
"""Added to the name of a line feature for its second answer."""


@dataclass(frozen=True)
class JudgedFeature:
    """One thing to look for.

    Parameters
    ----------
    name : str
        What the verdict is called.
    kind : str
        From `KINDS`.
    without : frozenset of str
        Names left out of the scene that it is compared with.
    subjects : tuple of str
        Satellites.
    line : str
        "ring", "meridian" or "".
    unknowns : tuple of str
        What is fitted away.
    stage : str
        "facing", "shadow" or "".
    longitude_of : str
        Surface feature that "facing" brings to the middle.
    """

    name: str
    kind: Kind = "detail"
    without: frozenset[str] = frozenset()
    subjects: tuple[str, ...] = ()
    line: str = ""
    unknowns: tuple[str, ...] = (*UNKNOWN_OF_DISCS, "size")
    stage: str = ""
    longitude_of: str = ""


DISC = "disc told from a star"
"""The one question that any body with a disc can be asked."""


@cache
def judged_features(body: Body) -> tuple[JudgedFeature, ...]:
    """Return what is judged of a body, in the order of its data file.

    Where a planet's or a satellite's file declares nothing, whether its disc is told from a star.

    Raises
    ------
    InputError
        For a section with an unknown key, kind, line or stage.
    """
    declared = tuple(read_feature(section) for section in body.sections.get("judged", ()))
    if declared or body.kind not in ("planet", "satellite"):
        return declared
    return (JudgedFeature(DISC, "disc", unknowns=(*ALWAYS_UNKNOWN, "blur")),)


def read_feature(section: Section) -> JudgedFeature:
    """Return what one ``[[judged]]`` section declares; raises `InputError` for what it cannot mean."""
    where = section.where
    for key in section:
        if key not in _KEYS:
            raise InputError(where, key, f"use {', '.join(sorted(_KEYS))}")
    name = str(section.get("name", ""))
    if not name:
        raise InputError(where, name, "give the feature a name")
    kind = choose(f"{where}: kind", str(section.get("kind", "detail")), KINDS)
    without = frozenset(section.get("without", ()))
    subjects = tuple(section.get("subjects", ()))
    if kind == "detail" and not without:
        raise InputError(f"{where}: without", "", "name what is left out")
    if kind in ("moon", "moon disc") and not subjects:
        raise InputError(f"{where}: subjects", "", "name the satellites")
    extra = section.get("unknowns", "size")
    more = (choose(f"{where}: unknowns", extra, ("size", "stretch", "blur")),) if extra else ()
    known = UNKNOWN_OF_DISCS if kind == "detail" else ALWAYS_UNKNOWN
    return JudgedFeature(
        name=name,
        kind=cast("Kind", kind),
        without=without,
        subjects=subjects,
        line=choose(f"{where}: line", str(section.get("line", "")), LINES),
        unknowns=tuple(dict.fromkeys((*known, *more))),
        stage=choose(f"{where}: stage", str(section.get("stage", "")), STAGES),
        longitude_of=str(section.get("longitude", "")),
    )
