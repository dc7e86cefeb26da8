"""The camera's and the mount's settings: what is taken, what is refused, what follows."""

import pytest
from astropy import units as u

from simulate.camera import Camera, Curve, Mount
from simulate.errors import InputError


def test_quantities_texts_and_numbers_mean_the_same():
    plain = Camera(2.9, 1936, 1096, read_noise_e=1.2, gain_e_per_dn=3.6)
    units = Camera(2900 * u.nm, 1936, 1096, read_noise_e="1.2 e-", gain_e_per_dn=3.6 * u.electron / u.adu)
    assert units.pixel_um == pytest.approx(2.9, rel=1e-12)
    assert units.read_noise_e == plain.read_noise_e
    assert units.gain_e_per_dn == plain.gain_e_per_dn


def test_repr_evaluates_back_and_hash_follows():
    camera = Camera(2.4, 300, 200, "bggr", {"blue": 0.5, "red": 0.6, "green": 0.7}, bits=14)
    again = eval(repr(camera))
    assert again == camera
    assert hash(again) == hash(camera)
    assert camera.filter_array == "BGGR"
    assert camera.quantum_efficiency == (("red", 0.6), ("green", 0.7), ("blue", 0.5))


@pytest.mark.parametrize(
    ("change", "field"),
    [
        ({"pixel_um": 0.0029}, "pixel_um"),
        ({"pixel_um": float("nan")}, "pixel_um"),
        ({"columns": 0}, "columns"),
        ({"rows": 2.5}, "rows"),
        ({"bits": 20}, "bits"),
        ({"filter_array": "RGBG"}, "filter_array"),
        ({"filter_array": "RGGB", "filters": ("red",)}, "filters"),
        ({"filters": ("red", "red")}, "filters"),
        ({"quantum_efficiency": 1.2}, "quantum_efficiency"),
        ({"quantum_efficiency": {"red": 0.5}}, "quantum_efficiency"),
        ({"filter_array": "RGGB", "quantum_efficiency": {"red": 0.5}}, "quantum_efficiency"),
        ({"read_noise_e": -1}, "read_noise_e"),
        ({"gain_e_per_dn": 0}, "gain_e_per_dn"),
        ({"offset_dn": 4095}, "offset_dn"),
        ({"window_nm": (700, 400)}, "window_nm"),
        ({"read_noise_curve": ((2.0, 1.0), (1.0, 2.0))}, "read_noise_curve"),
        ({"curves": (Curve("red", (400.0, 700.0), (0.5, 0.5)),)}, "curves"),
    ],
)
def test_what_no_camera_has_is_refused_by_name(change, field):
    with pytest.raises(InputError) as caught:
        Camera(**({"pixel_um": 2.9, "columns": 100, "rows": 100} | change))
    assert caught.value.field == field


def test_curve_must_rise_and_stay_below_one():
    with pytest.raises(InputError, match="rising"):
        Curve("mono", (500.0, 400.0), (0.1, 0.2))
    with pytest.raises(InputError, match="from 0 to 1"):
        Curve("mono", (400.0, 500.0), (0.1, 1.2))


def test_read_noise_follows_its_curve_in_the_logarithm_of_the_gain():
    camera = Camera(2.4, 10, 10, read_noise_e=2.4, read_noise_curve=((0.25, 1.0), (1.0, 2.0), (4.0, 4.0)))
    assert camera.read_noise_at() == 2.4
    assert camera.read_noise_at(0.5) == pytest.approx(1.5, abs=1e-12)  # half way between 1/4 and 1 in the logarithm
    assert camera.read_noise_at(2.0) == pytest.approx(3.0, abs=1e-12)
    assert camera.read_noise_at(0.01) == 1.0
    assert camera.read_noise_at(100.0) == 4.0
    assert Camera(2.4, 10, 10, read_noise_e=2.4).read_noise_at(7.0) == 2.4


def test_saturation_is_the_lower_of_well_and_digitiser():
    camera = Camera(2.9, 10, 10, full_well_e=15000, bits=12, gain_e_per_dn=3.6, offset_dn=32)
    assert camera.saturation_e() == pytest.approx((4095 - 32) * 3.6)
    assert camera.saturation_e(10.0) == 15000


def test_altazimuth_field_turns_with_the_parallactic_angle():
    assert Mount("altazimuth", 10.0).sky_angle_deg(25.0) == 35.0
    assert Mount("altazimuth", 10.0).sky_angle_deg(None) == 10.0
    assert Mount("equatorial", 10.0).sky_angle_deg(25.0) == 10.0
    with pytest.raises(InputError, match="kind"):
        Mount("tripod")
    with pytest.raises(InputError, match="mirrored"):
        Mount(mirrored="no")  # type: ignore[arg-type]
