"""Places on the Earth."""

from __future__ import annotations

import astropy.units as u
import pytest
from astropy.coordinates import EarthLocation
from hypothesis import given
from hypothesis import strategies as st

from simulate.errors import InputError
from simulate.geometry import Site, as_site, parse_site


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("-41.3,174.8,20", (-41.3, 174.8, 20.0)),
        ("41.3S,174.8E", (-41.3, 174.8, 0.0)),
        ("41.3s, 12.5w, 300 m", (-41.3, -12.5, 300.0)),
        ("51.5N,0", (51.5, 0.0, 0.0)),
        ("+.5,350", (0.5, -10.0, 0.0)),
    ],
)
def test_a_site_is_read_in_each_of_its_forms(text: str, expected: tuple[float, float, float]) -> None:
    site = parse_site(text)
    assert (site.latitude_deg, site.longitude_deg, site.height_m) == pytest.approx(expected)


@pytest.mark.parametrize(
    "text",
    [
        "91,0",
        "-90.1,0",
        "10,361",
        "10,-181",
        "10",
        "10,20,30,40",
        "ten,20",
        "-41.3S,0",
        "41.3E,20",
        "10,20,high",
        "nan,0",
        "10,20,99999",
    ],
)
def test_a_site_that_cannot_be_is_refused_in_one_sentence(text: str) -> None:
    with pytest.raises(InputError, match="site") as caught:
        parse_site(text)
    assert "\n" not in str(caught.value)


def test_an_astropy_location_and_a_tuple_are_sites_too() -> None:
    site = as_site(EarthLocation.from_geodetic(174.8 * u.deg, -41.3 * u.deg, 20.0 * u.m))
    assert site.latitude_deg == pytest.approx(-41.3, abs=1e-9)
    assert site.longitude_deg == pytest.approx(174.8, abs=1e-9)
    assert site.height_m == pytest.approx(20.0, abs=1e-3)
    assert as_site((-41.3, 174.8)) == Site(-41.3, 174.8)
    assert as_site(site) is site
    with pytest.raises(InputError, match="site"):
        as_site(7.0)  # type: ignore[arg-type]


@given(st.floats(-90, 90), st.floats(-180, 180), st.floats(-500, 9000))
def test_a_site_survives_its_own_repr(latitude: float, longitude: float, height: float) -> None:
    site = Site(latitude, longitude, height, "here")
    assert eval(repr(site)) == site
    assert hash(site) == hash(Site(latitude, longitude, height, "here"))
