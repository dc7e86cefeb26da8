"""A body of the user's own is the one that is recorded, followed, sent to processes and told of, whatever its name."""

from __future__ import annotations

import pickle
from dataclasses import replace

import numpy as np
import pytest

import simulate
from simulate.bodies import load_body
from simulate.commands.record import Plan, RecordOptions, make_frames, plan_recording, record
from simulate.commands.season import SeasonOptions
from simulate.light.look import ViewOptions
from simulate.present.words import summary
from simulate.scene import SceneOptions
from simulate.stack import ExposureWishes

WHEN = "2027-02-19T12:00"
LARGE = replace(load_body("mars"), equatorial_radius_km=2 * 3396.19, polar_radius_km=2 * 3376.20)
"""Mars with doubled radii: twice as large on the sky at the same distance, nothing else."""


def plan_of(body, frames=24) -> Plan:
    wishes = ExposureWishes(frames=frames, exposure_s=0.004, frames_per_second=100)
    return plan_recording(body, "refractor-60", WHEN, options=RecordOptions(ViewOptions(wishes)), seed=5)


def lit_area(scene) -> float:
    """Square arcsec that send light."""
    light = scene.radiance.sum(axis=0)
    return float(np.sum(light > 0.2 * light.max())) * scene.grid.cell_arcsec2


def test_every_instant_of_a_recording_shows_the_body_that_was_given() -> None:
    plan, usual = plan_of(LARGE), plan_of("mars")
    large, shipped = make_frames(plan).truth, make_frames(usual).truth
    for seconds in (-30.0, 0.0, 30.0):
        # the area grows as the square of the radius
        assert lit_area(large.scene(seconds)) == pytest.approx(4 * lit_area(shipped.scene(seconds)), rel=0.05)


def test_two_processes_record_the_body_that_was_given(tmp_path) -> None:
    plan = plan_of(LARGE, frames=8)
    record(plan, tmp_path, "one")
    record(plan, tmp_path, "two", processes=2)
    assert (tmp_path / "one.fits").read_bytes() == (tmp_path / "two.fits").read_bytes()
    record(plan_of("mars", frames=8), tmp_path, "shipped")
    assert (tmp_path / "one.fits").read_bytes() != (tmp_path / "shipped.fits").read_bytes()


def test_a_season_follows_the_body_that_was_given() -> None:
    options = SeasonOptions(step_days=20, judged=1, pictures=1, view=ViewOptions(judge=False))
    large, shipped = (
        simulate.season(body, "2027-01-10", "2027-03-10", "refractor-60", options=options) for body in (LARGE, "mars")
    )
    size = "equatorial_diameter_arcsec"
    assert large.columns[size] == pytest.approx(2 * shipped.columns[size], rel=1e-6)
    assert large.strip[0].subject == LARGE
    assert lit_area(large.strip[0].scene) == pytest.approx(4 * lit_area(shipped.strip[0].scene), rel=0.05)


def test_what_is_told_is_of_the_body_that_was_given() -> None:
    options = ViewOptions(judge=False, scene=SceneOptions(moons=False))
    large, shipped = (simulate.view(body, "refractor-60", WHEN, options=options) for body in (LARGE, "mars"))
    size = large.apparition.equatorial_diameter_arcsec
    assert size == pytest.approx(2 * shipped.apparition.equatorial_diameter_arcsec, rel=1e-6)
    assert f"{size:.1f}″" in summary(large)
    assert f"{size:.1f}″" not in summary(shipped)
    assert pickle.loads(pickle.dumps(large)).subject == LARGE


def test_a_body_comes_back_whole_from_a_pickle() -> None:
    again = pickle.loads(pickle.dumps(LARGE))
    assert again == LARGE
    assert hash(again) == hash(LARGE)
    assert again != load_body("mars")
    assert again.equatorial_radius_km == 2 * 3396.19
