"""The phase that is seen and the rings' light, against published shifts and worked magnitudes."""

from __future__ import annotations

import numpy as np
import pytest

from simulate.bodies import load_body
from simulate.geometry.clock import days_of, tt_to_time
from simulate.geometry.table import apparition_table
from simulate.planning.appearance import apparent_lit_part, ring_globe_ratio
from simulate.planning.search import crossed

VENUS = load_body("venus")


@pytest.mark.parametrize(("start", "sign"), [("2026-07-20", -1), ("2026-12-10", 1)])
@pytest.mark.parametrize("sharp_arcsec", [1.0, 2.0])
def test_venus_looks_half_4_to_6_days_early_in_the_evening_and_late_in_the_morning(
    start: str, sign: int, sharp_arcsec: float
) -> None:
    """Published shift of the half phase (Schroeter's effect)."""
    days = days_of([start])[0] + np.arange(0.0, 50.0, 0.5)
    table = apparition_table("venus", tt_to_time(days))
    seen = apparent_lit_part(VENUS, table["phase_angle_deg"], sharp_arcsec / table["equatorial_diameter_arcsec"])
    (true_day,), _ = crossed(days, table["illuminated_fraction"] - 0.5)
    (seen_day,), (trend,) = crossed(days, seen - 0.5)
    assert trend == sign
    assert sign * (seen_day - true_day) == pytest.approx(5.0, abs=1.8)


def test_the_seen_part_falls_with_the_phase_angle_and_lies_below_the_true_one_where_the_disc_is_sharp() -> None:
    phase = np.linspace(0.0, 160.0, 33)
    seen = apparent_lit_part(VENUS, phase, np.full(33, 0.01))
    lit = 0.5 * (1.0 + np.cos(np.radians(phase)))
    assert np.all(np.diff(seen) < 0)
    assert np.all(seen[:-4] < lit[:-4] + 1e-3)
    assert seen[0] == pytest.approx(1.0, abs=0.03)


def test_blur_carries_light_beyond_the_terminator() -> None:
    seen = apparent_lit_part(VENUS, np.full(3, 90.0), np.array([0.01, 0.1, 0.3]))
    assert seen[0] < seen[1] < seen[2]
    assert seen[0] < 0.48


def test_the_rings_light_by_the_published_formulas() -> None:
    """Globe -8.95, with rings -8.914 - 1.825 sin B - 0.378 sin B."""
    columns = dict(apparition_table("saturn", tt_to_time(days_of(["2032-12-25"]))).columns)
    opening, phase = np.radians(abs(columns["ring_opening_deg"][0])), columns["phase_angle_deg"][0]
    surge = -0.378 * np.sin(opening) * np.exp(-2.25 * phase)
    brighter = 8.914 + 1.825 * np.sin(opening) - 0.026 * phase - surge - 8.95 + 3.7e-4 * phase - 6.16e-4 * phase**2
    ratio = float(ring_globe_ratio(load_body("saturn"), columns)[0])
    assert ratio == pytest.approx(10.0 ** (0.4 * brighter) - 1.0, rel=0.03)
    assert 0.8 < ratio < 1.5


def test_rings_flare_for_a_few_days_about_opposition() -> None:
    """Opposition of 2005-01-13 with the Sun 0.03 deg behind the Earth; the surge falls to a half in 0.3 deg, 3 days."""
    days = days_of(["2005-01-13T23:00"])[0] + np.arange(-20.0, 20.5, 1.0)
    ratio = ring_globe_ratio(load_body("saturn"), dict(apparition_table("saturn", tt_to_time(days)).columns))
    assert abs(int(np.argmax(ratio)) - 20) <= 1
    assert 1.1 < ratio.max() / ratio[10] < 1.6
    assert (ratio.max() - ratio[17]) / 3 > 1.5 * (ratio[17] - ratio[10]) / 7


@pytest.mark.parametrize("date", ["2025-11-20", "2039-05-01"])  # nearly closed; lit from behind
def test_nothing_is_said_of_closed_or_unlit_rings(date: str) -> None:
    columns = dict(apparition_table("saturn", tt_to_time(days_of([date]))).columns)
    assert np.isnan(ring_globe_ratio(load_body("saturn"), columns)[0])
