"""What is judged stands in the data files, and all of it can be drawn without."""

from __future__ import annotations

import pytest

from simulate.bodies import load_body
from simulate.bodies.sections import read_section
from simulate.errors import InputError
from simulate.judging import judged_features
from simulate.judging.features import read_feature
from simulate.scene.feature_names import scene_feature_names

PLANETS = ("mercury", "venus", "mars", "jupiter", "saturn", "uranus", "neptune")


@pytest.mark.parametrize("name", PLANETS)
def test_every_planet_declares_what_is_judged_and_its_scene_knows_the_names(name: str) -> None:
    body = load_body(name)
    features = judged_features(body)
    assert features
    assert len({feature.name for feature in features}) == len(features)
    known = set(scene_feature_names(body))
    for feature in features:
        assert feature.without <= known
        assert set(feature.subjects) <= {moon.name for moon in body.satellites}


def test_the_list_holds_what_people_ask_for() -> None:
    asked = {
        "venus": {"phase told from round", "phase told from oblong"},
        "mercury": {"phase told from round"},
        "jupiter": {"two main belts", "north equatorial belt", "red spot", "ganymede as a disc", "shadow of io"},
        "saturn": {
            "rings told from the globe", "gap between ring and globe", "cassini division", "ring shadow",
            "south equatorial belt", "titan",
        },
        "mars": {"disc told from a star", "syrtis major", "north polar cap", "south polar cap"},
        "uranus": {"disc told from a star"},
        "neptune": {"disc told from a star"},
    }  # fmt: skip
    for name, wanted in asked.items():
        assert wanted <= {feature.name for feature in judged_features(load_body(name))}


@pytest.mark.parametrize(
    ("table", "told"),
    [
        ({"without": ["x"]}, "name"),
        ({"name": "a"}, "without"),
        ({"name": "a", "kind": "moon"}, "subjects"),
        ({"name": "a", "without": ["x"], "kind": "detial"}, "detail"),
        ({"name": "a", "without": ["x"], "lines": "ring"}, "line"),
        ({"name": "a", "without": ["x"], "line": "rng"}, "ring"),
        ({"name": "a", "without": ["x"], "unknowns": "sise"}, "size"),
    ],
)
def test_a_faulty_section_is_refused_with_what_is_allowed(table: dict[str, object], told: str) -> None:
    with pytest.raises(InputError, match=told):
        read_feature(read_section(table, "test.toml: judged"))
