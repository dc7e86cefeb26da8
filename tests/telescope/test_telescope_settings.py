import math

import pytest
from astropy import units as u

from simulate.errors import InputError
from simulate.telescope import Telescope


def test_units_are_converted():
    telescope = Telescope("6 inch", 1.2 * u.m, obstruction_mm="3.7 cm", transmission="85 %")
    assert telescope.aperture_mm == pytest.approx(152.4)
    assert telescope.focal_length_mm == pytest.approx(1200)
    assert telescope.obstruction_mm == pytest.approx(37)
    assert telescope.transmission == pytest.approx(0.85)


def test_amplifier_stretches_the_focal_length():
    telescope = Telescope(150, 1200, amplifier=2.0)
    assert telescope.effective_focal_length_mm == pytest.approx(2400)
    assert telescope.focal_ratio == pytest.approx(16)


def test_area_is_the_disc_less_obstruction_and_arms():
    telescope = Telescope(200, 1000, obstruction_mm=50, vanes_count=4, vane_width_mm=2)
    by_hand = math.pi * (100**2 - 25**2) - 4 * 2 * 75
    assert telescope.collecting_area_m2 == pytest.approx(by_hand * 1e-6)


def test_quarter_wave_of_defocus_at_f5():
    # Rayleigh's quarter wave: 2 lambda N^2 = 27.5 um at f/5 and 550 nm (Born & Wolf, section 8.8)
    assert Telescope(100, 500, defocus_um=27.5).defocus_nm == pytest.approx(550 / 4, rel=1e-12)


@pytest.mark.parametrize(
    ("field", "settings"),
    [
        ("telescope.aperture", {"aperture_mm": 0}),
        ("telescope.aperture", {"aperture_mm": -150}),
        ("telescope.aperture", {"aperture_mm": "150 s"}),
        ("telescope.aperture", {"aperture_mm": math.nan}),
        ("telescope.focal_length", {"focal_length_mm": 0}),
        ("telescope.obstruction", {"obstruction_mm": 150}),
        ("telescope.obstruction", {"obstruction_mm": 151}),
        ("telescope.transmission", {"transmission": 0}),
        ("telescope.transmission", {"transmission": 1.2}),
        ("telescope.vanes.count", {"vanes_count": 2.5}),
        ("telescope.vanes.count", {"vanes_count": -1}),
        ("telescope.vanes.width", {"vanes_count": 4, "vane_width_mm": 60}),
        ("telescope.aberrations", {"aberrations": (("comma", 0.1),)}),
        ("telescope.aberrations", {"aberrations": ("coma",)}),
        ("telescope.coma", {"aberrations": (("coma", "much"),)}),
    ],
)
def test_each_fault_names_its_field(field, settings):
    with pytest.raises(InputError) as caught:
        Telescope(**{"aperture_mm": 150, "focal_length_mm": 1200, **settings})
    assert caught.value.field == field
    assert "\n" not in str(caught.value)


def test_misspelt_aberration_gets_the_nearest_name():
    with pytest.raises(InputError, match="'coma'"):
        Telescope(150, 1200, aberrations=(("comma", 0.1),))
