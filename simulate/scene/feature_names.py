"""Names of what can be left out of a scene, so that its effect can be judged with and without."""

from __future__ import annotations

from typing import TYPE_CHECKING

from simulate.bodies.features import feature_names
from simulate.errors import InputError, nearest
from simulate.scene.rings import FILLED_GAP, ring_feature_name

if TYPE_CHECKING:
    from simulate.bodies import Body

PHASE = "phase"
LIMB_DARKENING = "limb darkening"
RINGS = "rings"
RING_SHADOW = "ring shadow"
GLOBE_SHADOW = "globe shadow on rings"
MOONS = "moons"
SHADOW_OF = "shadow of "


def scene_feature_names(body: Body) -> tuple[str, ...]:
    """Return every name that ``SceneOptions.without`` accepts for `body`.

    ===========================  =======================================================
    name                         what is drawn without it
    ===========================  =======================================================
    a surface feature            its surroundings (as `simulate.bodies.features` says)
    "phase"                      a full disc of the same light
    "limb darkening"             a disc that is flat at full phase
    "rings"                      the globe alone, with its own light
    "cassini division" ...       a gap, filled with the mean of its neighbours
    "c ring" ...                 a ring, empty
    "gap between ring and globe" filled with the light of the innermost bright ring
    "ring shadow"                a globe that the rings do not shade
    "globe shadow on rings"      rings that the globe does not shade
    "moons", "io" ...            no satellites, or not this one
    "shadow of io" ...           no shadow of this satellite on the planet
    ===========================  =======================================================
    """
    if body.self_luminous:
        return ()
    names = [*feature_names(body, minor=True), PHASE]
    if body.scattering.law == "minnaert":
        names.append(LIMB_DARKENING)
    if body.rings:
        names += [RINGS, RING_SHADOW, GLOBE_SHADOW, FILLED_GAP, *map(ring_feature_name, body.rings)]
    if body.satellites:
        names += [MOONS]
        names += [moon.name for moon in body.satellites] + [SHADOW_OF + moon.name for moon in body.satellites]
    return tuple(dict.fromkeys(names))


def check_without(body: Body, without: frozenset[str]) -> None:
    """Check that every name can be left out of the body's scene.

    Raises
    ------
    InputError
        For an unknown name; the nearest known one is offered.
    """
    known = scene_feature_names(body)
    for name in sorted(without):
        if name not in known:
            allowed = f"{body.name} has {', '.join(known)}" if known else f"nothing can be left out of a {body.name}"
            raise InputError("without", name, f"{allowed}{nearest(name, known)}")


def surface_names(body: Body, without: frozenset[str]) -> frozenset[str]:
    """Return the part of `without` that the body's map takes out."""
    return without & frozenset(feature_names(body, minor=True))
