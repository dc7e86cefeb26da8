from __future__ import annotations

import io
import json
import warnings
from dataclasses import replace

import numpy as np
import pytest
from astropy.io import fits
from astropy.wcs import WCS

from simulate.present.fits import fits_bytes, truth_picture, write_fits

EXTENSIONS = ["TRUTH", "EXPECTED", "FRAME", "STACK", "FINISHED", "PSF"]


@pytest.fixture
def opened(view):
    with fits.open(io.BytesIO(fits_bytes(view)), checksum=True) as hdus:
        yield hdus


def test_extensions_units_and_planes(view, opened):
    assert [unit.name for unit in opened[1:]] == EXTENSIONS
    units = [opened[name].header.get("BUNIT") for name in EXTENSIONS]
    assert units == ["photon s-1 m-2 arcsec-2", "electron", "adu", "electron s-1", "electron s-1", None]
    assert opened["FRAME"].data.dtype == np.uint16
    np.testing.assert_array_equal(opened["FRAME"].data, view.frame.values)
    np.testing.assert_allclose(opened["STACK"].data, view.stack.picture, rtol=1e-6)
    assert [opened["TRUTH"].header[f"PLANE{i}"] for i in (1, 2, 3)] == ["400-500 nm", "500-600 nm", "600-700 nm"]
    assert opened["STACK"].header["PLANE3"] == "blue"
    assert opened["PSF"].data.sum() == pytest.approx(1.0, rel=1e-5)


def test_checksums_hold(view):
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        with fits.open(io.BytesIO(fits_bytes(view)), checksum=True) as hdus:
            for unit in hdus:
                assert unit.verify_checksum() == 1
                assert unit.verify_datasum() == 1


def test_header_tells_the_inputs(view, opened):
    header = opened[0].header
    assert json.loads(header["INPUTS"])["site"]["latitude_deg"] == -41.3
    assert (header["OBJECT"], header["SEED"], header["DATE-OBS"][:16]) == ("jupiter", 7, "2027-02-14T12:00")
    assert header["NKEPT"] == 3000


@pytest.mark.parametrize("name", EXTENSIONS)
def test_coordinates_against_an_independent_reader(view, opened, name):
    """astropy's WCS puts the planet's centre where the apparition says, and east and north as the placement does."""
    seen = view.apparition
    wcs = WCS(opened[name].header).celestial
    place = view.stack_placement if name not in ("EXPECTED", "FRAME") else view.frame.placement
    shape = opened[name].data.shape[-2:]
    row, column = place.pixel_of(0.0, 0.0, shape)
    assert wcs.wcs_pix2world([[column, row]], 0)[0] == pytest.approx(
        (seen.right_ascension_deg, seen.declination_deg), abs=1e-9
    )
    row, column = place.pixel_of(20.0, -8.0, shape)
    ra, dec = wcs.wcs_pix2world([[column, row]], 0)[0]
    east = (ra - seen.right_ascension_deg) * np.cos(np.radians(dec)) * 3600
    assert east == pytest.approx(20.0, abs=0.01)
    assert (dec - seen.declination_deg) * 3600 == pytest.approx(-8.0, abs=0.01)


def test_points_keep_flux_and_place(view):
    truth = truth_picture(view)
    added = np.asarray(truth.values, dtype=float) - np.asarray(view.scene.radiance, dtype=float)
    grid, point = view.scene.grid, view.scene.points[0]
    np.testing.assert_allclose(added.sum(axis=(1, 2)) * grid.cell_arcsec2, point.photons, rtol=1e-4)
    rows, columns = np.indices(grid.shape)
    plane = added[1]
    place = truth.placement.sky_of(
        (rows * plane).sum() / plane.sum(), (columns * plane).sum() / plane.sum(), grid.shape
    )
    assert place == pytest.approx((point.east_arcsec, point.north_arcsec), abs=1e-3)


def test_same_view_same_bytes(view, tmp_path):
    assert write_fits(tmp_path / "a.fits", view).read_bytes() == fits_bytes(view)


def test_signs_beyond_ascii_do_not_break_the_header(view):
    odd = replace(view, warnings=("ein Größenfehler ≥ 3″ " * 8,), inputs={"site": {"name": "Wellington—Ō"}})
    with fits.open(io.BytesIO(fits_bytes(odd))) as hdus:
        assert json.loads(hdus[0].header["INPUTS"])["site"]["name"] == "Wellington—Ō"
