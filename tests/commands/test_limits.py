"""`limits` as a whole: the ladder, the bands, the budget, the comparison and what is written."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from simulate.air import Sky
from simulate.bodies import load_body
from simulate.cli import main
from simulate.commands.limits import (
    AMPLIFIERS,
    BUDGET_STEPS,
    LimitsOptions,
    critical_family,
    limits,
    own_family,
    possible_changes,
    steadier,
)
from simulate.errors import BelowHorizonError, InputError
from simulate.geometry import Apparition, apparition
from simulate.instruments import load_instrument
from simulate.judging import SEPARATE_LINE, judged_features
from simulate.judging.bench import Setup, make_bench
from simulate.judging.drawn import Subject
from simulate.judging.staging import set_aside, staged
from simulate.light.chain import STEPS, Aim, sampling_ratio
from simulate.present.limits import assumptions, better_of, enlarging, label, limits_json, limits_text
from simulate.present.limits_charts import budget_board, contrast_board, ladder_board, write_charts
from simulate.results.limits import Limits
from simulate.scene import SceneOptions
from simulate.values.spectrum import DEFAULT_BINS

pytestmark = pytest.mark.filterwarnings("ignore")

SMALL = LimitsOptions(apertures_mm=(40.0, 75.0, 120.0))
MARS = "2027-02-19T00:00"


@pytest.fixture(scope="module")
def found() -> Limits:
    return limits("mars", ["refractor-60", "newtonian-150"], MARS, options=SMALL)


def test_contrast_rises_along_the_ladder(found: Limits) -> None:
    for place, entry in enumerate(found.ladder[0]):
        shares = [row[place].contrast for row in found.ladder]
        assert all(row[place].name == entry.name for row in found.ladder)
        if entry.name != "phase told from oblong":  # a sliver that hardly shows may waver
            assert np.all(np.diff(shares) > -0.02), entry.name
        # the camera of each rung is the same: what enters does not change, but for the finest structure of a measured
        # map, which is averaged over the cells that an aperture needs
        assert found.ladder[-1][place].contrast_in == pytest.approx(entry.contrast_in, rel=0.5)


def test_a_smallest_aperture_lies_where_the_ladder_turns_and_within_its_band(found: Limits) -> None:
    limit, sizes = found.thresholds, found.apertures_mm
    seen = 0
    for place, entry in enumerate(found.smallest):
        words = [limit.verdict(row[place].contrast, row[place].snr, row[place].legible) for row in found.ladder]
        for size, band, good in (
            (entry.doubtful_mm, entry.doubtful_range_mm, ("clear", "doubtful")),
            (entry.clear_mm, entry.clear_range_mm, ("clear",)),
        ):
            holds = [word in good for word in words]
            if size is None:
                assert not holds[-1]
                continue
            seen += 1
            assert all(holds[rung] for rung, aperture in enumerate(sizes) if aperture >= size * (1 + 1e-9))
            below = [rung for rung, aperture in enumerate(sizes) if aperture < size * (1 - 1e-9)]
            assert not below or not holds[below[-1]]
            low, high = band
            assert low is not None
            assert low <= size * (1 + 1e-9)
            assert high is None or high >= size * (1 - 1e-9)
    assert seen >= 8


def test_swapping_the_instruments_mirrors_the_comparison() -> None:
    names = ["refractor-60", "newtonian-150-mono"]
    first, other = (limits("uranus", order, MARS, options=SMALL) for order in (names, names[::-1]))
    assert better_of(first) == better_of(other)
    for one, two in zip(first.compared, reversed(other.compared), strict=True):
        for entry, mirrored in zip(one, two, strict=True):
            assert mirrored.name == entry.name
            assert mirrored.contrast == pytest.approx(entry.contrast, rel=1e-3, abs=1e-4)
            assert mirrored.snr == pytest.approx(entry.snr, rel=1e-3, abs=1e-3)


def test_the_better_of_two_is_named(found: Limits) -> None:
    assert better_of(found).startswith("newtonian-150 is better for Mars: in ")
    assert better_of(replace(found, compared=(found.compared[1], found.compared[1]))).startswith("Neither")
    assert better_of(found) in " ".join(limits_text(found).split())


def test_each_instrument_says_how_far_enlarging_helps(found: Limits) -> None:
    text = " ".join(limits_text(found).split())
    for sentence, tool in zip(enlarging(found), found.instruments, strict=True):
        assert sentence.startswith(tool.name)
        assert sentence in text


def test_no_step_of_the_budget_gives_contrast_back(found: Limits) -> None:
    assert [step.step for step in found.budget] == list(BUDGET_STEPS)
    shares = [step.contrast for step in found.budget]
    assert all(0 <= share <= 1 for share in shares)
    assert np.all(np.diff(shares) < 0.01)
    # the whole budget ends where the instrument's own verdict stands
    own = next(entry for entry in found.compared[0] if entry.name == found.budget_feature)
    assert shares[-1] == pytest.approx(own.contrast, rel=0.02, abs=0.005)
    assert found.budget[-1].snr == pytest.approx(own.snr, rel=0.02)
    assert found.budget[-2].snr >= found.budget[-1].snr


def test_changes_are_ranked_by_what_they_gain(found: Limits) -> None:
    gains = [entry.gain for entry in found.improvements]
    assert gains == sorted(gains, reverse=True)
    larger = [entry.gain for entry in found.improvements if entry.change.startswith("the next aperture")]
    assert larger
    assert np.median(larger) > 1.0


def usual(instrument: str, seen: Apparition) -> Setup:
    tool = load_instrument(instrument)
    return Setup(body=load_body(seen.body), seen=seen, instrument=tool, sky=Sky(), aim=Aim.of(seen))


def test_two_hours_later_and_a_corrector_need_a_site() -> None:
    without = possible_changes(usual("newtonian-150", apparition("jupiter", "2026-01-10T22:00")))
    there = possible_changes(usual("newtonian-150", apparition("jupiter", "2026-01-10T20:00", "41.3,16")))
    assert {"two hours later", "a corrector of dispersion"} == set(there) - set(without)
    mono = possible_changes(usual("newtonian-150-mono", apparition("jupiter", "2026-01-10T22:00")))
    assert "a sensor without colour filters" in set(without) - set(mono)


@pytest.mark.parametrize("aperture", [30.0, 150.0, 400.0])
def test_families_keep_what_they_say(aperture: float) -> None:
    own = load_instrument("newtonian-150")
    critical, mine = critical_family(own, aperture), own_family(own, aperture)
    assert sampling_ratio(critical) == pytest.approx(1.0)
    for tool in (critical, mine):
        assert tool.telescope.aperture_mm == aperture
        assert tool.telescope.obstruction_ratio == pytest.approx(own.telescope.obstruction_ratio)
        assert tool.camera == own.camera
    assert mine.telescope.amplifier in AMPLIFIERS
    native = own.telescope.focal_length_mm / own.telescope.aperture_mm
    assert mine.telescope.focal_length_mm / aperture == pytest.approx(native)


def test_the_same_defocus_in_waves_at_every_focal_ratio() -> None:
    own = load_instrument("newtonian-150")
    blurred = replace(own, telescope=replace(own.telescope, defocus_um=50.0))
    assert critical_family(blurred, 80.0).telescope.defocus_nm == pytest.approx(blurred.telescope.defocus_nm)


def test_staged_features_face_the_observer() -> None:
    def stage(body: str, time: str, name: str) -> Apparition:
        known = load_body(body)
        feature = next(entry for entry in judged_features(known) if entry.name == name)
        return staged(feature, Subject(known, apparition(known, time), SceneOptions(), DEFAULT_BINS)).seen

    # the gazetteer has Syrtis Major at 69.5 E, 290.5 W: that meridian is in the middle
    assert stage("mars", MARS, "syrtis major").central_meridian_deg[""] == pytest.approx(290.5, abs=6.0)
    aside = set_aside(apparition("jupiter", "2026-01-10T08:00"))
    assert all(moon.state == "clear" and moon.shadow_east_arcsec is None for moon in aside.moons)
    with_it = stage("jupiter", "2026-01-10T08:00", "shadow of io")
    cast = [moon for moon in with_it.moons if moon.shadow_east_arcsec is not None]
    assert [moon.name for moon in cast] == ["io"]


def test_steadier_air_and_fewer_blurs_are_sharper() -> None:
    setup = usual("newtonian-150", apparition("uranus", "2025-11-21T00:00"))
    better = make_bench(steadier(setup, 1.5))
    still = make_bench(replace(setup, without=frozenset(STEPS) - {"diffraction"}))
    assert still.fwhm_arcsec < better.fwhm_arcsec < make_bench(setup).fwhm_arcsec


def test_json_holds_the_promised_keys_and_plain_values(found: Limits) -> None:
    document = json.loads(json.dumps(limits_json(found, {"body": "mars"}, {"ladder": "x.png"}), allow_nan=False))
    assert {"body", "time", "ladder", "smallest_aperture", "budget", "improvements"} <= set(document)
    rung = document["ladder"][0]
    assert rung["aperture_mm"] == 40.0
    assert {"name", "contrast", "contrast_in", "snr", "verdict"} == set(rung["features"][0])
    assert {"feature", "doubtful_mm", "clear_mm", "range_mm"} <= set(document["smallest_aperture"][0])
    assert {"step", "contrast"} <= set(document["budget"][0])
    assert {"change", "feature", "gain"} <= set(document["improvements"][0])
    assert (
        document["assumptions"]["floor_per_resolution_element"]
        == found.practice.floor
        == assumptions(found)["floor_per_resolution_element"]
    )


def test_the_text_fits_eighty_columns_and_names_every_feature(found: Limits) -> None:
    text = limits_text(found)
    assert max(len(line) for line in text.splitlines()) <= 80
    for entry in found.ladder[0]:
        assert label(entry.name) in text
    for tool in found.instruments:
        assert tool.name in text
    assert "order matters" in text.lower()
    assert "from the Earth's centre, through the zenith" in " ".join(text.split())
    assert label("x" + SEPARATE_LINE).startswith("  ")


def test_boards_are_drawn_and_written(found: Limits, tmp_path: Path) -> None:
    for board in (ladder_board(found), contrast_board(found), budget_board(found)):
        assert 300 < board.width < 2000
        assert 200 < board.height < 2600
    files = write_charts(tmp_path, "limits_mars", found)
    assert set(files) == {"ladder", "contrast", "budget"}
    for path in files.values():
        assert Path(path).read_bytes()[:8] == b"\x89PNG\r\n\x1a\n"


def test_the_same_inputs_give_the_same_numbers() -> None:
    first, again = (limits("uranus", "refractor-60", MARS, options=SMALL) for _ in range(2))
    assert again.ladder == first.ladder
    assert again.smallest == first.smallest
    for level in first.pictures:
        for one, two in zip(again.pictures[level], first.pictures[level], strict=True):
            assert one.tobytes() == two.tobytes()


def test_the_command_writes_one_json_object(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    words = ["limits", "neptune", "--time", "2026-09-25T00:00", "--apertures", "60,120", "--json"]
    assert main([*words, "--output", str(tmp_path)]) == 0
    document = json.loads(capsys.readouterr().out)
    assert document["body"] == "neptune"
    assert [rung["aperture_mm"] for rung in document["ladder"]] == 3 * [60.0, 120.0]
    assert [rung["level"] for rung in document["ladder"]][::2] == ["ordinary", "practised", "ideal"]
    assert all(Path(path).exists() for path in document["files"].values())


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (["star"], "declared"),
        (["jupter"], "jupiter"),
        (["mars", "--apertures", "100"], "at least two"),
        (["mars", "--apertures", "100,x"], "commas"),
        (["uranus", "--apertures", "60,120", "--feature", "polar brightening"], "north polar brightening"),
        (["mars", "--floor", "-1"], "floor"),
    ],
)
def test_bad_input_gets_its_sentence(
    words: list[str], told: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["limits", *words, "--time", MARS, "--output", str(tmp_path)]) == 2
    assert told in capsys.readouterr().err


def test_a_body_below_the_horizon_is_refused() -> None:
    with pytest.raises(BelowHorizonError):
        limits("jupiter", "refractor-60", "2026-01-10T10:00", "41.3,16")
    with pytest.raises(InputError, match="at least one"):
        limits("jupiter", [], "2026-01-10T10:00")
