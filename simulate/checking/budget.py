"""Why another picture by the same telescope is better: the budget of the difference."""

from __future__ import annotations

from simulate.checking.bench import Bench
from simulate.checking.results import Budget, Check


def budget_of(mine: Check, other: Bench, theirs: Check | None = None) -> Budget:
    """Return by what another picture of the same body is finer than mine.

    Fineness is the number of resolved steps across the disc: its diameter times the frequency at which half the
    contrast is left. It is a product, so the ratio of two pictures is one of size, of what the setup could give
    through the air at that height, and of what each picture made of it.

    Parameters
    ----------
    mine : Check
        The user's picture.
    other : Bench
        The same setup at the other instant.
    theirs : Check, optional
        The other picture; without it, the best that the setup could give then.
    """
    due, due_then = mine.expected_aperture_mm, other.expected_aperture_mm()
    # what lies beyond the best that was to be had is sharpening, and resolves nothing
    reached = min(mine.aperture.value / due, 1.0)
    reached_then = 1.0 if theirs is None else min(theirs.aperture.value / due_then, 1.0)
    return Budget(
        time_utc=other.seen.time_utc,
        with_picture=theirs is not None,
        size=other.seen.equatorial_diameter_arcsec / mine.apparition.equatorial_diameter_arcsec,
        conditions=due_then / due,
        picture=reached_then / reached,
        over_sharpened=mine.over_sharpened,
        over_sharpened_then=theirs is not None and theirs.over_sharpened,
        altitude_deg=mine.apparition.apparent_altitude_deg,
        altitude_then_deg=other.seen.apparent_altitude_deg,
    )
