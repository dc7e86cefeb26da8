from __future__ import annotations

from dataclasses import replace

import pytest
from drawn import drawn_view, near_sun

from simulate.bodies import load_body
from simulate.present.words import (
    ascii_text,
    blur_parts,
    compass,
    count,
    duration,
    facts,
    headline,
    limiting,
    provenance,
    sampling_text,
    summary,
    when_text,
    where_text,
)


def told(view, group: str) -> dict[str, str]:
    return {fact.label: fact.text for fact in facts(view) if fact.group == group}


def test_facts_have_units_and_uncertainty(view):
    body = told(view, "body")
    assert body["Size"].startswith("45.18″ × 42.25″ ± 0.01″; 181 pixels")
    assert body["Brightness"] == "V −2.55 ± 0.05"
    assert "I 40." in body["Meridian"]
    sky = told(view, "sky")
    assert sky["Altitude"].startswith("33.2° in the N")
    assert sky["Dispersion"] == "2.18″ ± 5 % from 400 to 700 nm: 8.8 pixels"
    assert sky["Seeing"] == "2.00″ at the zenith as given, that is without an outer scale; 2.46″ here with that of 20 m"
    assert told(view, "telescope")["Finished"] == "0.97″ ± 10 %"
    assert told(view, "recording")["Exposure"] == "10 ms, set by the moving air"


def test_what_changes_on_a_body_is_told_with_it(view):
    body = told(view, "body")
    assert body["Moons"].startswith("east to west: ")
    assert "in the middle" in body["Red spot"]
    assert "Season" not in body
    without = replace(view, inputs={"without": ["red spot"]})
    assert "Red spot" not in told(without, "body")
    mars = told(drawn_view("mars"), "body")
    assert "Red spot" not in mars
    assert mars["Season"].startswith("Ls ")


def test_the_moon_is_so_many_kilometres_away():
    text = told(drawn_view("moon"), "body")["Distance"]
    # between perigee and apogee, 356 400 and 406 700 km (Meeus 1998, chapter 50), and the radius of the Earth
    kilometres, seconds = text.split(" km; the light took ")
    distance = float(kilometres.replace("\u202f", ""))
    assert 349_000 < distance < 413_100
    assert float(seconds.removesuffix(" s")) == pytest.approx(distance / 299_792.458, abs=0.006)


def test_a_disc_is_so_many_critical_pixels_wide(view):
    # lambda / (2 D) at 550 nm and 150 mm: 0.378 arcsec
    critical = told(view, "telescope")["Critical"]
    assert "a critical pixel is 0.378″, the disc 119 of them wide" in critical


def test_rings_are_told_with_their_face():
    rings = told(drawn_view("saturn"), "body")["Rings"]
    assert rings.startswith("open ")
    assert rings.endswith("lit face")


def test_a_star_has_no_disc(star_view):
    assert "Size" not in told(star_view, "body")
    assert "Finished" not in told(star_view, "telescope")
    assert headline(star_view).startswith("A point is drawn 1.01″ wide.")
    assert told(star_view, "sky")["Altitude"] == "no site given: seen through the zenith"


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({}, "the aperture limits"),
        ({"raw_fwhm_arcsec": 2.5}, "the air limits"),
        ({"pixel_scale_arcsec": 2.0, "raw_fwhm_arcsec": 2.2}, "the pixels limit it: 5.3 times"),
    ],
)
def test_what_limits(view, changes: dict[str, float], words: str):
    assert limiting(replace(view, optics=replace(view.optics, **changes))).startswith(words)


def test_noise_limits_where_restoration_must_smooth(view):
    optics = replace(view.optics, delivered_fwhm_arcsec=1.05)
    smoothed = replace(view, optics=optics, finished=replace(view.finished, noise_gain=(0.6, 0.4, 0.5)))
    assert limiting(smoothed).startswith("noise limits")
    boosted = replace(view, optics=optics, finished=replace(view.finished, noise_gain=(2.0, 2.0, 2.0)))
    assert not limiting(boosted).startswith("noise")


def test_parts_of_the_blur_add_in_squares(view):
    assert sum(part**2 for part in blur_parts(view.optics).values()) == pytest.approx(1.04**2)


def test_headline_of_small_and_large_discs(view):
    assert headline(view).startswith("A disc of 45.2″, drawn sharp to 0.97″: 47 details")
    soft = replace(view, optics=replace(view.optics, delivered_fwhm_arcsec=40.0))
    assert "hardly wider" in headline(soft)


def test_words_for_numbers(view):
    assert (duration(2.5e-4), duration(0.0103), duration(90), duration(900)) == ("250 µs", "10.3 ms", "90 s", "15 min")
    assert count(1234567.4) == "1\u202f234\u202f567"
    assert [compass(a) for a in (0, 44, 91, 359, 250)] == ["N", "NE", "E", "N", "W"]
    assert when_text("2027-02-14T12:00:00.000Z") == "2027-02-14 12:00 UTC"
    assert when_text("2027-02-14T12:00:07.500Z") == "2027-02-14 12:00:07.5 UTC"
    assert where_text(None).startswith("from the Earth's centre")
    assert where_text(view.apparition.site) == "41.30°S 174.80°E, 20 m"
    assert "coarser than critical" in sampling_text(replace(view.optics, sampling_ratio=2.0))


def test_summary_fits_a_terminal(view):
    text = summary(near_sun(view, 8.0))
    assert max(len(line) for line in text.splitlines()) <= 80
    for words in ("Jupiter through newtonian-150", "What can be seen", "red spot", "CAUTION", "Note: the red spot"):
        assert words in text
    assert summary(view, plain=True).isascii()
    assert "?" not in summary(view, plain=True)
    assert ascii_text("3″ ± 1°") == "3 arcsec +- 1 deg"


def test_provenance_says_what_was_invented(view):
    assert "aperture 150 mm, focal length 1200 mm" in provenance(view)
    assert "invented" not in provenance(view)
    inputs = {"invented_texture": True, "without": ["red spot"], "dust": 0.3, "red_spot_longitude_deg": 60.0}
    changed = replace(view, inputs=inputs)
    assert "the fine texture is invented; left out: red spot; red spot at System II 60°; " in provenance(changed)
    assert "dust" not in provenance(changed)  # it is of Mars, as the spot is of Jupiter
    mars = provenance(replace(changed, subject=load_body("mars")))
    assert "; dust 0.3; " in mars
    assert "System II" not in mars
