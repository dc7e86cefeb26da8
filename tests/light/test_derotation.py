"""The turn of Jupiter undone: pictures drawn at their instants against what is laid together from them."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import pytest
from astropy.io import fits
from scipy.ndimage import gaussian_filter, rotate

from simulate.bodies import load_body
from simulate.errors import InputError
from simulate.geometry import Apparition, apparition, instant_after, turned
from simulate.light.derotation import Derotation
from simulate.scene import SceneOptions, render
from simulate.stack.combine import StackWishes, stack_frames
from simulate.stack.reader import RawRecording, open_recording
from simulate.values.grid import Grid
from simulate.values.spectrum import SpectralBins

TIME, SITE = "2027-02-10T12:00:00", (-41.3, 174.8, 20.0)
STEP, SIDE = 0.30, 180
BINS = SpectralBins((520.0, 560.0))
FRAMES = 13


@lru_cache
def picture(seconds: float, altazimuth: bool, mirrored: bool) -> np.ndarray:
    """Jupiter in 10000 electrons, blurred by 0.5 arcsec, as a camera saw it so many seconds after the middle."""
    seen = seen_at(seconds)
    up = (seen.parallactic_angle_deg or 0.0) if altazimuth else 40.0
    options = SceneOptions(red_spot_longitude_deg=100.0)
    scene = render(turned(seen, -up), load_body("jupiter"), Grid(SIDE, SIDE, STEP), BINS, options=options)
    light = gaussian_filter(scene.radiance[0].astype(float), 0.5 / 2.355 / STEP)
    light *= 10000 / light.max()
    return light[:, ::-1] if mirrored else light


def seen_at(seconds: float) -> Apparition:
    return apparition("jupiter", instant_after(TIME, seconds), SITE)


def recorded(tmp_path, length_s: float, *, altazimuth: bool = False, mirrored: bool = False) -> RawRecording:
    times = (np.arange(FRAMES) - (FRAMES - 1) / 2) * length_s / FRAMES
    rng = np.random.default_rng(3)
    frames = [rng.poisson(picture(float(t), altazimuth, mirrored) + 20.0) for t in times]
    cards = {"OBJECT": "jupiter", "PIXSCALE": STEP, "APTDIA": 250.0, "DATE-AVG": TIME, "EGAIN": 1.0, "RDNOISE": 1.0}
    cards |= {"PEDESTAL": 20.0, "FRAMERAT": FRAMES / length_s, "MOUNT": "altazimuth" if altazimuth else "equatorial"}
    cards |= {"OBSGEO-B": SITE[0], "OBSGEO-L": SITE[1], "OBSGEO-H": SITE[2]}
    path = tmp_path / f"{length_s:.0f}.fits"
    fits.PrimaryHDU(np.asarray(frames, np.uint16), fits.Header(cards)).writeto(path)
    up = seen_at(0.0).parallactic_angle_deg if altazimuth else 40.0
    return open_recording(path, up_deg=up, mirrored=mirrored)


def along_belts(recording: RawRecording, undo: bool) -> np.ndarray:
    """What a stack shows along the belts of the middle of the disc: festoons, ovals, barges; the belts taken off."""
    turning = Derotation(recording, load_body("jupiter")) if undo else None
    plane = stack_frames(recording, StackWishes(keep=1.0, factor=1, drop=1.0), turning=turning).picture[0]
    facts, pole = recording.facts, seen_at(0.0).north_pole_position_angle_deg
    plane = plane[:, ::-1] if facts.mirrored else plane
    # the pole lies (pole - up) from the rows' direction, towards the left of a picture whose first row is the lowest
    upright = rotate(plane, pole - (facts.up_deg or 0.0), reshape=False, order=3)
    detail = upright - gaussian_filter(upright, (0.0, 8.0))
    middle = SIDE // 2
    return detail[middle - 30 : middle + 30, middle - 32 : middle + 32]


def share(detail: np.ndarray, of: np.ndarray) -> float:
    """Contrast of the same details, by least squares."""
    return float((detail * of).sum() / (of * of).sum())


@pytest.mark.parametrize(("altazimuth", "mirrored"), [(False, False), (True, True)])
def test_festoons_of_twelve_minutes_are_those_of_one(tmp_path, altazimuth, mirrored):
    short, long = (recorded(tmp_path, s, altazimuth=altazimuth, mirrored=mirrored) for s in (60.0, 720.0))
    wanted = along_belts(short, False)
    assert share(along_belts(long, False), wanted) < 0.75
    undone = along_belts(long, True)
    assert share(undone, wanted) == pytest.approx(1.0, abs=0.10)
    assert np.corrcoef(undone.ravel(), wanted.ravel())[0, 1] > 0.97


def test_the_middle_of_the_disc_moves_as_it_should(tmp_path):
    """Jupiter turns once in 9 h 55.5 min (System III, 870.536 deg a day: IAU WGCCRE 2015)."""
    recording = recorded(tmp_path, 720.0)
    turning = Derotation(recording, load_body("jupiter"))
    radius = seen_at(0.0).equatorial_diameter_arcsec / 2
    tilt = np.cos(np.radians(seen_at(0.0).sub_observer_latitude_centric_deg))
    assert turning.smear_arcsec == pytest.approx(np.radians(870.536 * 720 / 86400) * radius * tilt, rel=0.01)
    middle = np.full((1, 1), (SIDE - 1) / 2)
    # what stood in the middle before has moved west since, to the right with north up; here up is 40 deg
    rows, columns, light = turning.laid(0, middle, middle)
    seconds = 720 * (FRAMES - 1) / 2 / FRAMES
    away = np.hypot(rows - middle, columns - middle) * STEP
    assert away[0, 0] == pytest.approx(turning.smear_arcsec * seconds / 720, rel=0.02)
    assert columns[0, 0] > middle[0, 0]
    assert light[0, 0] == pytest.approx(1.0, abs=0.02)
    rows, columns, light = turning.laid(FRAMES // 2, middle, middle)
    assert abs(columns[0, 0] - middle[0, 0]) < 1e-6


def test_what_derotation_needs(tmp_path):
    path = tmp_path / "x.fits"
    fits.PrimaryHDU(np.zeros((3, 20, 20), np.uint16), fits.Header({"PIXSCALE": 0.3})).writeto(path)
    with pytest.raises(InputError, match="give --body, --rate, --time, --up"):
        Derotation(open_recording(path), None)
