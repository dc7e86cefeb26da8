from __future__ import annotations

import json
import math
from dataclasses import replace

import numpy as np
import pytest
from drawn import drawn_view, near_sun

from simulate.present.contract import plain, view_json

GEOMETRY = {
    "equatorial_diameter_arcsec", "polar_diameter_arcsec", "distance_au", "phase_angle_deg", "illuminated_fraction",
    "north_pole_position_angle_deg", "bright_limb_position_angle_deg", "sub_observer_latitude_deg",
    "sub_solar_latitude_deg", "central_meridian_deg", "ring_opening_deg", "ring_opening_sun_deg", "magnitude",
    "elongation_deg", "altitude_deg", "azimuth_deg", "airmass", "parallactic_angle_deg", "moons",
}  # fmt: skip
OPTICS = {
    "pixel_scale_arcsec", "diffraction_fwhm_arcsec", "delivered_fwhm_arcsec", "critical_focal_ratio",
    "sampling_ratio", "dispersion_arcsec",
}  # fmt: skip
MOON = {"name", "east_arcsec", "north_arcsec", "radius_arcsec", "magnitude", "state"}
EXPOSURE = {"exposure_s", "gain_e_per_dn", "peak_electrons", "peak_fraction", "frames", "kept", "seconds"}


def test_the_promised_keys(view):
    document = json.loads(
        json.dumps(view_json([view], {"bodies": ["jupiter"]}, ["a"], [{"sheet": "x.png"}]), allow_nan=False)
    )
    assert set(document) == {"inputs", "warnings", "views"}
    one = document["views"][0]
    assert {"body", "instrument", "time", "geometry", "optics", "exposure", "features", "files"} <= set(one)
    assert set(one["geometry"]) >= GEOMETRY
    assert set(one["optics"]) >= OPTICS
    assert set(one["exposure"]) >= EXPOSURE
    assert set(one["geometry"]["moons"][0]) >= {
        "name",
        "east_arcsec",
        "north_arcsec",
        "radius_arcsec",
        "magnitude",
        "state",
    }
    numbers = {"verdict": "doubtful", "contrast": 0.6, "snr": 4.0}
    assert one["features"][0] == {"name": "red spot", **numbers, "by_practice": {}}
    assert one["practice"]["level"] == "practised"
    assert one["files"] == {"sheet": "x.png"}
    assert one["time"].endswith("Z")
    assert document["warnings"] == ["a", view.warnings[0]]


def test_central_meridian_by_body():
    assert set(view_json([drawn_view()], {})["views"][0]["geometry"]["central_meridian_deg"]) == {"I", "II", "III"}
    assert set(view_json([drawn_view("saturn")], {})["views"][0]["geometry"]["central_meridian_deg"]) == {"I", "III"}
    assert isinstance(view_json([drawn_view("mars")], {})["views"][0]["geometry"]["central_meridian_deg"], float)


def test_null_without_a_site(star_view):
    geometry = view_json([star_view], {})["views"][0]["geometry"]
    assert geometry["altitude_deg"] is None
    assert geometry["airmass"] is None
    assert geometry["distance_au"] is None  # infinite


def test_caution_is_told(view):
    assert view_json([view], {})["views"][0]["caution"] is None
    assert "CAUTION" in view_json([near_sun(view, 7.0)], {})["views"][0]["caution"]


def test_warnings_once(view):
    assert view_json([view, replace(view, seed=8)], {})["warnings"] == [view.warnings[0]]


def test_plain_values():
    value = {1: np.float32(0.5), "a": (math.nan, np.int64(3), True, None, {"x"}), "b": np.arange(2), "c": math.inf}
    assert plain(value) == {"1": 0.5, "a": [None, 3, True, None, ["x"]], "b": [0, 1], "c": None}
    assert json.dumps(plain({"path": pytest})).startswith('{"path": "<module')
