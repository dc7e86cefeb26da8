"""The FITS file of a view: same inputs, same bytes."""

from __future__ import annotations

import io
import json
import textwrap
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from simulate.geometry import parse_time
from simulate.present.contract import plain
from simulate.results.view import Picture, Placement, View
from simulate.values.files import write_bytes
from simulate.values.quiet import ignored

UNITS = {"electron": "electron", "electron/s": "electron s-1", "adu": "adu"}
"""How FITS spells units that are written otherwise here."""


def write_fits(path: str | Path, view: View) -> Path:
    """Write the FITS file of a view; beside and renamed. See `fits_bytes`."""
    return write_bytes(path, fits_bytes(view))


def fits_bytes(view: View) -> bytes:
    """Return the FITS file of a view.

    Extensions: TRUTH (photons s-1 m-2 arcsec-2 a band, fine grid, point sources laid on the grid),
    EXPECTED (noise-free electrons of one exposure, one plane a colour), FRAME (raw counts), STACK and
    FINISHED (electrons per second per camera pixel, one plane a colour), PSF (delivered response of
    the green band, sum 1). Each has a tangent-plane system of coordinates about the body's centre
    and checksums; the primary header holds the inputs.
    """
    from astropy.io import fits

    place = view.stack_placement
    extensions = [
        ("TRUTH", truth_picture(view), band_names(view), "above the air, unblurred"),
        ("EXPECTED", view.expected, view.channel_names, "noise-free electrons of one exposure"),
        ("FRAME", view.frame, (), "one raw exposure as the sensor gives it"),
        ("STACK", Picture(view.stack.picture, place, "electron/s"), view.channel_names, "mean of the kept frames"),
        ("FINISHED", Picture(view.finished.picture, place, "electron/s"), view.channel_names, "restored stack"),
        ("PSF", view.psf, (), "delivered point response, green, sum 1"),
    ]
    units = [_primary(view)]
    units += [_extension(view, name, picture, planes, text) for name, picture, planes, text in extensions]
    for unit in units:
        unit.add_checksum(when="")
    buffer = io.BytesIO()
    with ignored(fits.verify.VerifyWarning):  # long inputs are continued, as meant
        fits.HDUList(units).writeto(buffer, checksum=False)
    return buffer.getvalue()


def truth_picture(view: View) -> Picture:
    """Return the scene with its point sources laid on the grid by area, (bins, rows, columns)."""
    scene = view.scene
    radiance = np.array(scene.radiance, dtype=np.float32)
    for point in scene.points:
        _lay_point(radiance, scene.grid, point)
    return Picture(radiance, Placement.of_grid(scene.grid), "photon s-1 m-2 arcsec-2")


def _lay_point(radiance: npt.NDArray[np.float32], grid: Any, point: Any) -> None:
    """Share a point among the four cells around it, so that its flux and place are kept."""
    row, column = grid.pixel_of(point.east_arcsec, point.north_arcsec)
    top, left = int(np.floor(row)), int(np.floor(column))
    level = np.asarray(point.photons) / grid.cell_arcsec2
    for i, share_row in ((top, 1 - (row - top)), (top + 1, row - top)):
        for j, share_column in ((left, 1 - (column - left)), (left + 1, column - left)):
            if 0 <= i < grid.rows and 0 <= j < grid.columns:
                radiance[:, i, j] += (level * share_row * share_column).astype(np.float32)


def band_names(view: View) -> tuple[str, ...]:
    """Return the names of the scene's bands, "380-420 nm"."""
    edges = view.scene.bins.edges_nm
    return tuple(f"{low:g}-{high:g} nm" for low, high in pairwise(edges))


def _primary(view: View) -> Any:
    from astropy.io import fits

    unit = fits.PrimaryHDU()
    header = unit.header
    _observation(header, view)
    header["ORIGIN"] = ("simulate", "computed, not observed")
    header["VERSION"] = (view.version, "version of simulate")
    header["SEED"] = (view.seed, "seed of the random numbers")
    header["EPHEMER"] = (view.apparition.ephemeris, "ephemeris")
    header["NFRAMES"] = (view.exposure.frames, "exposures recorded")
    header["NKEPT"] = (view.exposure.kept, "exposures in the stack")
    header["INPUTS"] = (json.dumps(plain(view.inputs), sort_keys=True), "JSON")
    for warning in view.warnings:
        for line in textwrap.wrap(_ascii(f"Warning: {warning}"), 70):
            header.add_comment(line)
    return unit


def _observation(header: Any, view: View) -> None:
    header["OBJECT"] = (view.body, "body")
    header["INSTRUME"] = (_ascii(view.instrument.name), "telescope and camera")
    header["DATE-OBS"] = (view.apparition.time_utc.removesuffix("Z"), "instant")
    header["MJD-OBS"] = (_modified_julian_date(view.apparition.time_utc), "[d] UTC")
    header["TIMESYS"] = "UTC"
    header["EXPTIME"] = (view.exposure.exposure_s, "[s] one exposure")
    header["GAIN"] = (view.exposure.gain_e_per_dn, "[electron/adu]")


def _modified_julian_date(time_utc: str) -> float:
    return round(float(parse_time(time_utc).mjd), 9)  # type: ignore[arg-type] - a number for one instant


def _extension(view: View, name: str, picture: Picture, planes: tuple[str, ...], text: str) -> Any:
    from astropy.io import fits

    values = np.asarray(picture.values)
    if values.dtype == np.float64:
        values = values.astype(np.float32)
    unit = fits.ImageHDU(np.ascontiguousarray(values), name=name)
    header = unit.header
    _observation(header, view)
    unit_text = UNITS.get(picture.unit, picture.unit)
    if unit_text:
        header["BUNIT"] = unit_text
    for key, value, comment in wcs_cards(view, picture):
        header[key] = (value, comment)
    for index, plane in enumerate(planes if values.ndim == 3 else (), start=1):
        header[f"PLANE{index}"] = (_ascii(plane), f"plane {index}")
    header.add_comment(text)
    return unit


def wcs_cards(view: View, picture: Picture) -> list[tuple[str, Any, str]]:
    """Return the cards of the tangent-plane coordinates of a picture, (keyword, value, comment).

    The reference point is the body's centre; its place is the apparent one, so the equinox is that of
    the date (nutation, up to 17 arcsec of the absolute place, is within it).
    """
    seen, place = view.apparition, picture.placement
    row, column = place.pixel_of(0.0, 0.0, picture.shape)
    year = 2000.0 + (seen.jd_tt - 2451545.0) / 365.25
    cards: list[tuple[str, Any, str]] = [
        ("WCSAXES", 3 if picture.values.ndim == 3 else 2, "axes"),
        ("CTYPE1", "RA---TAN", "tangent plane"),
        ("CTYPE2", "DEC--TAN", "tangent plane"),
        ("CUNIT1", "deg", ""),
        ("CUNIT2", "deg", ""),
        ("CRVAL1", seen.right_ascension_deg, "apparent right ascension of the body's centre"),
        ("CRVAL2", seen.declination_deg, "apparent declination"),
        ("CRPIX1", float(column) + 1.0, "the body's centre"),
        ("CRPIX2", float(row) + 1.0, "the body's centre"),
        ("CD1_1", place.east_per_column / 3600.0, "[deg] east per column"),
        ("CD1_2", place.east_per_row / 3600.0, "[deg] east per row"),
        ("CD2_1", place.north_per_column / 3600.0, "[deg] north per column"),
        ("CD2_2", place.north_per_row / 3600.0, "[deg] north per row"),
        ("RADESYS", "FK5", "true equator and equinox of date"),
        ("EQUINOX", round(year, 6), "[yr] of date"),
    ]
    if picture.values.ndim == 3:
        cards += [
            ("CTYPE3", "PLANE", "see PLANEn"),
            ("CRPIX3", 1.0, ""),
            ("CRVAL3", 1.0, ""),
            ("CD3_3", 1.0, ""),
        ]
    return cards


def _ascii(text: str) -> str:
    return text.encode("ascii", "replace").decode("ascii")
