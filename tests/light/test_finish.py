"""A stack as a picture to show: its white, and which way is up."""

from __future__ import annotations

import numpy as np
import pytest
from astropy.io.fits import Header
from astropy.wcs import WCS

from simulate.bodies import load_body
from simulate.bodies.colour import to_linear_srgb
from simulate.bodies.spectra import geometric_albedo, solar_photon_flux
from simulate.camera import SensorGrid, channel_response
from simulate.light.finish import TYPICAL_CAMERA, balanced, enlarged, enlargement, north_up
from simulate.stack.reader import facts_of
from simulate.values.spectrum import DEFAULT_BINS

NAMES = ("red", "green", "blue")


def disc(rates: np.ndarray) -> np.ndarray:
    rows, columns = np.indices((60, 60))
    return rates[:, None, None] * (np.hypot(rows - 30, columns - 29) < 15) + 3.0


@pytest.mark.parametrize(("body", "within"), [("mars", 0.03), ("jupiter", 0.03), ("neptune", 0.08)])
def test_colour_of_the_whole_light_whatever_the_air_took(body, within):
    """Against the colour of the albedo spectrum by the CIE 1931 observer, which knows no camera."""
    known = load_body(body)
    light = geometric_albedo(known, DEFAULT_BINS.centres_nm) * solar_photon_flux(DEFAULT_BINS)
    air = np.array([0.9, 0.8, 0.55])  # and the blue pixels of this camera are weaker
    rates = channel_response(TYPICAL_CAMERA, DEFAULT_BINS) @ light * air
    planes = disc(100 * rates / rates.max())
    shown = balanced(planes, NAMES, known).show(planes)[30, 29]
    wanted = to_linear_srgb(light, DEFAULT_BINS)
    np.testing.assert_allclose(shown / shown.sum(), wanted / wanted.sum(), atol=within)
    grey = balanced(planes, NAMES, None).show(planes)[30, 29]
    np.testing.assert_allclose(grey, grey[0], rtol=1e-3)


@pytest.mark.parametrize("angle", [0.0, 90.0, 180.0, 270.0, 33.0, 200.0])
@pytest.mark.parametrize("mirrored", [False, True])
def test_north_up_and_east_left(angle, mirrored):
    """A mark 8 cells east and 13 north of the middle comes to lie there, and a FITS reader finds the same angle."""
    sensor = SensorGrid(61, 61, 1.0, angle, mirrored)
    row, column = (round(float(place)) for place in sensor.pixel_of(8.0, 13.0))
    east, north = (float(place) for place in sensor.sky_of(row, column))
    picture = np.zeros((61, 61, 3), np.float32)
    picture[row, column] = 1.0
    up = north_up(picture, angle, mirrored)
    found = np.unravel_index(int(np.argmax(up[..., 1])), up.shape[:2])
    middle = (np.array(up.shape[:2]) - 1) / 2
    assert np.hypot(found[0] - middle[0] - north, middle[1] - found[1] - east) < 0.75

    (row_east, row_north), (column_east, column_north) = sensor.axes() / 3600.0
    header = Header(
        {"CTYPE1": "RA---TAN", "CTYPE2": "DEC--TAN", "CRVAL1": 40.0, "CRVAL2": 10.0, "CRPIX1": 31, "CRPIX2": 31}
        | {"CD1_1": column_east, "CD1_2": row_east, "CD2_1": column_north, "CD2_2": row_north}
    )
    facts = facts_of(header)
    assert facts.mirrored == mirrored
    here, above = (WCS(header).pixel_to_world(30, y) for y in (30, 35))
    told = here.position_angle(above).deg
    assert facts.up_deg is not None
    assert abs((facts.up_deg - told + 180) % 360 - 180) < 1e-3
    turned = facts_of(header, top_down=True)
    assert turned.mirrored != mirrored
    assert turned.up_deg is not None
    assert abs((turned.up_deg - told) % 360 - 180) < 1e-3


def test_enlarging_invents_nothing():
    x = np.arange(48)
    waves = (2 + np.cos(2 * np.pi * 5 * x / 48)[:, None] * np.sin(2 * np.pi * 3 * x / 48))[None]
    fine = enlarged(waves, 3)[0]
    assert fine.shape == (144, 144)
    # the middle cell of each three lies where the coarse one lay
    np.testing.assert_allclose(fine[1::3, 1::3], waves[0], atol=1e-4)
    assert enlargement(0.25, 1.0, (100, 100)) == 2
    assert enlargement(0.25, 0.1, (100, 100)) == 4
    assert enlargement(0.25, 1.0, (3000, 4000)) == 1
