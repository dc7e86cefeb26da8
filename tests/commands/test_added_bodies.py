"""A moon and a dwarf planet added by a data file alone, through every command."""

from __future__ import annotations

import json
import pickle
from pathlib import Path

import numpy as np
import pytest

import simulate
from simulate import cli
from simulate.bodies import load_body, read_body_file
from simulate.commands.plan import PlanOptions
from simulate.commands.season import SeasonOptions
from simulate.errors import AloneWarning, HiddenError
from simulate.geometry import apparition
from simulate.geometry.ephemeris import load_ephemeris
from simulate.geometry.moon_theory import saturn_moons
from simulate.geometry.moons import satellite_track
from simulate.geometry.sight import look_at, make_observer
from simulate.geometry.vectors import from_angles

DATA = Path(__file__).parents[1] / "bodies" / "data"
ENCELADUS, PLUTO = str(DATA / "enceladus.toml"), str(DATA / "pluto.toml")
SITE = "-41.3,174.8,20"
QUICK = ["--site", SITE, "--judged", "1", "--pictures", "0"]
CLEAR, TRANSIT, HIDDEN = "2027-10-18T10:00", "2027-10-18T01:45", "2027-10-18T18:15"


def test_enceladus_keeps_its_orbit() -> None:
    """238 020 km in 1.370218 days, hardly inclined (NASA planetary satellite tables)."""
    days = 3300.0 + np.arange(0.0, 1.370218 * 20, 0.05)
    observer = make_observer(days, None, load_ephemeris("builtin"))
    place, _ = saturn_moons(("enceladus",), look_at(load_body("saturn"), observer), observer)["enceladus"]
    assert np.linalg.norm(place, axis=1).mean() == pytest.approx(238_020, rel=0.004)
    once, again = (
        place[: len(days) // 2],
        np.stack([np.interp(days[: len(days) // 2] + 5 * 1.370218, days, column) for column in place.T], axis=1),
    )
    assert np.linalg.norm(once - again, axis=1).max() < 0.02 * 238_020
    ra, dec, _ = load_body("saturn").orientation.at(3300.0)
    assert np.abs(place @ from_angles(ra, dec)).max() < 0.005 * 238_020


def test_enceladus_stands_where_its_planet_has_it() -> None:
    """The place of the moon alone against the planet's plus the offset in its system: two ways of the light."""
    moon = read_body_file(ENCELADUS)
    alone, saturn = apparition(moon, CLEAR), apparition("saturn", CLEAR)
    track = satellite_track(moon, [CLEAR])
    east = (alone.right_ascension_deg - saturn.right_ascension_deg) * np.cos(np.radians(saturn.declination_deg)) * 3600
    north = (alone.declination_deg - saturn.declination_deg) * 3600
    assert track.offset_arcsec[0] == pytest.approx([east, north], abs=0.02)
    assert alone.equatorial_diameter_arcsec / 2 == pytest.approx(track.radius_arcsec[0], rel=1e-5)
    assert alone.magnitude == pytest.approx(track.magnitude[0], abs=1e-3)
    # mean opposition magnitude 11.7 (NASA planetary satellite tables, from memory)
    assert 11.3 < alone.magnitude < 12.0


def test_a_satellite_joins_the_planet_of_a_file_of_ones_own(tmp_path: Path) -> None:
    source = (Path(simulate.__file__).parent / "bodies" / "data" / "saturn.toml").read_text(encoding="utf-8")
    (tmp_path / "enceladus.toml").write_text(Path(ENCELADUS).read_text())
    (tmp_path / "saturn.toml").write_text(
        source.replace('kind = "planet"', 'kind = "planet"\nsatellites = ["titan", "enceladus"]', 1)
    )
    saturn = read_body_file(tmp_path / "saturn.toml")
    assert [moon.name for moon in saturn.satellites] == ["enceladus", "titan"]
    assert [moon.name for moon in apparition(saturn, CLEAR).moons] == ["enceladus", "titan"]
    assert pickle.loads(pickle.dumps(saturn)) == saturn


@pytest.mark.parametrize(("time", "where"), [(TRANSIT, "before"), (HIDDEN, "behind")])
def test_a_hidden_satellite_is_refused(time: str, where: str) -> None:
    with pytest.raises(HiddenError, match=f"Enceladus is {where} Saturn then"):
        simulate.view(read_body_file(ENCELADUS), "refractor-60", time)


def test_a_satellite_in_the_shadow_is_refused() -> None:
    # Io goes into Jupiter's shadow well before it goes behind the disc when Jupiter is at quadrature
    io = load_body("io")
    times = [f"2027-05-{day:02d}T{hour:02d}:{minute:02d}" for day in (3, 4) for hour in range(24) for minute in (0, 30)]
    track = satellite_track(io, times)
    states = [track.state(i) for i in range(len(times))]
    dark = times[states.index("eclipsed")]
    with pytest.raises(HiddenError, match="in the shadow of Jupiter"):
        simulate.view("io", "refractor-60", dark)


def test_view_in_python() -> None:
    with pytest.warns(AloneWarning, match="Enceladus is drawn alone: Saturn, 40 arcsec away"):
        moon = simulate.view(read_body_file(ENCELADUS), "newtonian-150", CLEAR)
    assert len(moon.warnings) == 1
    assert [line.name for line in moon.features] == ["disc told from a star"]
    assert moon.features[0].verdict == "lost"  # 0.08 arcsec through 150 mm
    pluto = simulate.view(read_body_file(PLUTO), "newtonian-150", "2027-07-24T00:00")
    assert pluto.warnings == ()
    assert pluto.features[0].verdict == "lost"
    assert pluto.scene.radiance.sum() > 0


def test_season_and_plan_in_python() -> None:
    options = SeasonOptions(step_days=30, judged=1)
    season = simulate.season(read_body_file(PLUTO), "2027-02-01", "2028-02-01", "newtonian-150", SITE, options=options)
    opposition = [event for event in season.events if event.kind == "opposition"]
    # Pluto stands opposite the Sun in late July of those years (almanacs; 2026-07-27, 2027-07-29 from memory)
    assert len(opposition) == 1
    assert opposition[0].time_utc[:7] == "2027-07"
    plan = simulate.plan(
        read_body_file(ENCELADUS), "2027-10-18", SITE, "newtonian-150", options=PlanOptions(judge_events=False)
    )
    beside = plan.curve["beside_planet"]
    assert set(np.unique(beside)) <= {0.0, 1.0}
    assert plan.subject.name == "enceladus"
    best = int(np.argmin(np.abs(plan.days_tt - plan.window.best_tt)))
    assert beside[best] == 1.0


def test_season_leaves_out_the_dates_of_a_hidden_moon() -> None:
    options = SeasonOptions(step_days=0.25, judged=1)
    moon = read_body_file(ENCELADUS)
    season = simulate.season(moon, "2027-10-18T00:00", "2027-10-20T00:00", "newtonian-150", options=options)
    clear = satellite_track(
        moon, [f"{day}T{hour:02d}:00" for day in ("2027-10-18", "2027-10-19") for hour in (0, 6, 12, 18)]
    )
    assert season.usable[:8].tolist() == clear.clear().tolist()
    assert not season.usable.all()
    assert any("without the glare of Saturn" in text for text in season.warnings)


@pytest.mark.parametrize(
    "words",
    [
        ["view", ENCELADUS, "--time", CLEAR],
        ["view", PLUTO, "--time", "2027-07-24T00:00"],
        ["limits", ENCELADUS, "--time", CLEAR, "--apertures", "100,400"],
        ["limits", PLUTO, "--time", "2027-07-24T00:00", "--apertures", "100,400"],
        [
            "season",
            ENCELADUS,
            "--from",
            "2027-10-18",
            "--until",
            "2027-10-26",
            "--site",
            SITE,
            "--judged",
            "1",
            "--pictures",
            "0",
        ],
        [
            "season",
            PLUTO,
            "--from",
            "2027-06",
            "--until",
            "2027-08",
            "--site",
            SITE,
            "--judged",
            "1",
            "--pictures",
            "0",
        ],
        ["plan", ENCELADUS, "--night", "2027-10-18", "--site", SITE],
        ["plan", PLUTO, "--night", "2027-07-24", "--site", SITE],
    ],
    ids=lambda words: f"{words[0]} {Path(words[1]).stem}",
)
def test_the_command_line_takes_the_path_of_a_data_file(words, tmp_path, capsys) -> None:
    assert cli.main([*words, "--instrument", "newtonian-150", "--output", str(tmp_path), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert Path(words[1]).stem in json.dumps(told)
    assert list(tmp_path.glob("*.png"))
