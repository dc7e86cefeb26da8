import math

import pytest
from astropy import units as u

from simulate.air import Sky, standard_pressure_hpa
from simulate.errors import InputError


@pytest.mark.parametrize(
    # ISO 2533 standard atmosphere
    ("height", "pressure"),
    [(0, 1013.25), (1000, 898.76), (2400, 756.3), (4200, 600.7)],
)
def test_standard_pressure(height, pressure):
    assert standard_pressure_hpa(height) == pytest.approx(pressure, rel=2e-3)


def test_units_are_converted():
    sky = Sky("1.5 arcsec", 25 * u.m, pressure_hpa="95 kPa", temperature_c=283.15 * u.K, humidity="60 %")
    assert sky.seeing_arcsec == pytest.approx(1.5)
    assert sky.pressure_at(3000) == pytest.approx(950)
    assert sky.temperature_c == pytest.approx(10)
    assert sky.humidity == pytest.approx(0.6)
    assert Sky(temperature_c="-3 deg_C").temperature_c == pytest.approx(-3)


@pytest.mark.parametrize(
    ("field", "settings"),
    [
        ("sky.seeing", {"seeing_arcsec": -1}),
        ("sky.seeing", {"seeing_arcsec": "2 m"}),
        ("sky.seeing", {"seeing_arcsec": math.inf}),
        ("sky.outer_scale", {"outer_scale_m": 0}),
        ("sky.pressure", {"pressure_hpa": 10}),
        ("sky.temperature", {"temperature_c": "warm"}),
        ("sky.temperature", {"temperature_c": 3 * u.m}),
        ("sky.humidity", {"humidity": 60}),
        ("sky.layers", {"layers": (3,)}),
    ],
)
def test_each_fault_names_its_field(field, settings):
    with pytest.raises(InputError) as caught:
        Sky(**settings)
    assert caught.value.field == field


def test_equal_skies_are_equal():
    assert Sky("2 arcsec") == Sky(2.0)
    assert hash(Sky()) == hash(Sky())
