"""Measured maps against calibrated data that is not part of the project (tests skip where it is missing)."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from simulate.bodies import load_body
from simulate.bodies.describe import sourced_numbers
from simulate.bodies.surface import surface_map

DATA = next(
    (up / "shared" / "data" for up in Path(__file__).resolve().parents if (up / "shared" / "data").is_dir()), Path()
)
FOLDER = Path(__file__).parents[2] / "reference_maps"

WAVENUMBERS = ((1, 6), (6, 21), (21, 61), (61, 201))


def planetographic(centric_deg):
    """Jupiter, radii of the IAU (Archinal et al. 2018)."""
    return np.degrees(np.arctan(np.tan(np.radians(centric_deg)) * (71492 / 66854) ** 2))


@pytest.fixture(scope="module")
def film():
    """A moon-free frame of the colour film of the Cassini fly-by (NASA/JPL/University of Arizona), 60 S to 60 N."""
    path = DATA / "jupiter_2000_frame_01.jpg"
    if not path.is_file():
        pytest.skip("the frame of 2000 is not here")
    with Image.open(path) as image:
        return np.asarray(image, dtype=float)[::-1]


@pytest.fixture(scope="module")
def jupiter():
    return surface_map(load_body("jupiter"), red_spot_longitude_deg=0.0)


def powers(rows):
    waves = np.abs(np.fft.rfft(rows / rows.mean(axis=1, keepdims=True) - 1, axis=1) / rows.shape[1]) ** 2
    return np.array([2 * waves[:, low:high].sum(axis=1).mean() for low, high in WAVENUMBERS])


def test_small_ovals_say_that_the_film_counts_planetocentric_latitude(film):
    # the white ovals of the south south temperate belt lie at 40.7 S planetographic (common practice of observers)
    green = film[..., 1]
    latitude = (np.arange(600) + 0.5) / 5 - 60
    bright = np.quantile(green, 0.998, axis=1) / np.median(green, axis=1)
    near = (latitude > -45) & (latitude < -33)
    assert latitude[near][np.argmax(bright[near])] == pytest.approx(-36.9, abs=0.9)


@pytest.mark.parametrize("centric", [50, 40, 30, 22, 16, 10, 6, 0, -6, -10, -15, -22, -34, -45, -54])
def test_jupiter_varies_along_longitude_as_measured(film, jupiter, centric):
    row = (centric + 60) * 5
    expected = powers(film[row - 10 : row + 10, :, 1])
    latitude = planetographic(np.linspace(centric - 2, centric + 2, 17))
    found = powers(jupiter.sample(latitude[:, None], np.arange(1440)[None, :] / 4)[1])
    assert found.sum() / expected.sum() == pytest.approx(1.0, abs=0.5)
    strong = expected > 0.1 * expected.sum()
    assert np.all(np.abs(np.log(found / expected))[strong] < np.log(2.25))  # a factor 1.5 of the scatter


@pytest.mark.parametrize(
    ("name", "south", "north"),
    [("north equatorial", 8, 15), ("south equatorial", -17, -8), ("north temperate", 21, 24)],
)
def test_colours_of_jupiters_belts_are_those_measured(film, jupiter, name, south, north):
    latitude = (np.arange(600) + 0.5) / 5 - 60
    inside, zone = (latitude > south) & (latitude < north), (latitude > -5) & (latitude < 4)
    expected = film[inside].mean(axis=(0, 1)) / film[zone].mean(axis=(0, 1))
    zonal = jupiter.reflectance.mean(axis=2)[::-1]
    own = jupiter.latitudes_deg

    def mean(low, high):
        low, high = planetographic(low), planetographic(high)
        return zonal[:, (own > low) & (own < high)].mean(axis=1)

    assert mean(south, north) / mean(-5, 4) == pytest.approx(expected, rel=0.05), name


@pytest.fixture(scope="module")
def spectrometer():
    """Mars's albedo, 0.3 to 2.9 um, on 1 deg by the thermal emission spectrometer (Christensen et al. 2001)."""
    path = DATA / "mars_tes_albedo_1x1deg.csv"
    if not path.is_file():
        pytest.skip("the albedo map of Mars is not here")
    return np.loadtxt(path, delimiter=",")


def moments(own, other, weight):
    """Weighted correlation, and the scatter of each relative to its mean."""
    own_mean, other_mean = (np.average(values, weights=weight) for values in (own, other))
    first, second = own - own_mean, other - other_mean
    spread = [np.sqrt(np.average(values**2, weights=weight)) for values in (first, second)]
    return np.average(first * second, weights=weight) / np.prod(spread), spread[0] / own_mean, spread[1] / other_mean


def mars_on_degrees(shift_east=0.0, shift_north=0.0):
    mars = surface_map(load_body("mars")).coarser(1.0)
    centric = np.arange(180) - 89.5 - shift_north
    graphic = np.degrees(np.arctan(np.tan(np.radians(centric)) * (3396.19 / 3376.20) ** 2))
    return mars.sample(graphic[:, None], np.arange(360)[None, :] - 179.5 - shift_east)[2].astype(float)


def on_two_degrees(values):
    return values.reshape(90, 2, 180, 2).mean(axis=(1, 3))


def test_mars_is_what_the_spectrometer_measured(spectrometer):
    latitude = np.arange(90) * 2 - 89.0
    near = np.abs(latitude) < 60
    weight = np.repeat(np.cos(np.radians(latitude))[near], 180)
    own, other = (on_two_degrees(values)[near].ravel() for values in (mars_on_degrees(), spectrometer))
    correlation, found, expected = moments(own, other, weight)
    assert correlation >= 0.85
    assert found == pytest.approx(expected, rel=0.15)


def test_mars_is_not_shifted(spectrometer):
    near = np.abs(np.arange(180) - 89.5) < 60
    weight = np.repeat(np.cos(np.radians(np.arange(180) - 89.5))[near], 360)
    best = max(
        (moments(mars_on_degrees(east, north)[near].ravel(), spectrometer[near].ravel(), weight)[0], east, north)
        for east in range(-3, 4)
        for north in range(-3, 4)
    )
    assert max(abs(best[1]), abs(best[2])) <= 1


def test_the_near_side_of_the_moon_is_what_the_altimeter_measured():
    # normal albedo at 1064 nm by the laser altimeter of the Lunar Reconnaissance Orbiter (Lemelin et al. 2016)
    path = DATA / "moon_albedo_720x360.csv"
    if not path.is_file():
        pytest.skip("the albedo map of the Moon is not here")
    measured = np.loadtxt(path, delimiter=",").reshape(180, 2, 360, 2).mean(axis=(1, 3))
    latitude, longitude = 89.5 - np.arange(180)[:, None], np.arange(360)[None, :] - 179.5
    own = surface_map(load_body("moon")).coarser(1.0).sample(latitude, longitude)[1].astype(float)
    cosine = np.cos(np.radians(latitude)) * np.cos(np.radians(longitude))
    near = (cosine > 0.1) & (np.abs(latitude) < 75)
    weight = np.broadcast_to(np.cos(np.radians(latitude)), near.shape)[near]
    correlation, found, expected = moments(own[near], measured[near], weight)
    assert correlation >= 0.95
    assert found == pytest.approx(expected, rel=0.15)


def test_pictures_are_small_and_their_origin_is_told():
    text = (FOLDER / "PROVENANCE.md").read_text()
    for name in ("jupiter_structure.png", "mars_ground.png", "moon_albedo.png"):
        assert (FOLDER / name).stat().st_size < 3e6
        assert name in text


@pytest.mark.parametrize("name", ["jupiter", "mars", "moon", "uranus", "neptune"])
def test_at_most_a_quarter_of_the_numbers_is_from_memory(name):
    # how a body is observed is common practice, no fact that a source could give
    marks = [n.mark for quantity, n in sourced_numbers(load_body(name)) if not quantity.startswith("observing")]
    assert marks.count("memory") <= 0.25 * len(marks)


@pytest.mark.parametrize("name", ["jupiter", "mars", "moon", "saturn", "uranus", "neptune"])
def test_what_a_face_has_from_memory_says_that_a_source_is_wanted(name):
    face = ("map", "feature", "ring", "scattering", "texture")
    for quantity, number in sourced_numbers(load_body(name)):
        if (
            number.mark == "memory"
            and quantity.startswith(face)
            and "Encke" not in quantity
            and "ring system" not in quantity
        ):
            assert "source wanted" in number.source, quantity
