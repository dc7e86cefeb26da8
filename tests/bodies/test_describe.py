"""The list of what is known of a body."""

from __future__ import annotations

import pytest

from simulate.bodies import body_names, load_body
from simulate.bodies.describe import describe


@pytest.mark.parametrize("name", body_names())
def test_every_line_is_complete(name):
    facts = describe(load_body(name))
    assert len(facts) >= 3
    assert all(all(text.strip() for text in fact) for fact in facts)
    assert len({fact.quantity for fact in facts}) == len(facts)


def test_some_lines_of_jupiter():
    facts = {fact.quantity: fact for fact in describe(load_body("jupiter"))}
    assert facts["size: equatorial radius"][1:3] == ("71492 km", "+-4 km")
    assert facts["size: equatorial radius"].mark == "seen"
    assert "Archinal" in facts["size: equatorial radius"].source
    assert facts["flattening"].value == "0.064874"  # (71492 - 66854) / 71492
    assert facts["rotation period, System I"].value == "9.841668 h"  # 9 h 50 min 30.0 s
    assert facts["albedo: V"].value == "0.538"
    assert facts["magnitude: last phase"].value == "130 deg"


def test_retrograde_planets_turn_the_other_way():
    facts = {fact.quantity: fact for fact in describe(load_body("venus"))}
    assert facts["rotation period"].value.startswith("-")
