"""Response of the channels by wavelength."""

import numpy as np
import pytest

from simulate.camera import Camera, channel_names, channel_response, read_curves
from simulate.errors import InputError
from simulate.values.spectrum import DEFAULT_BINS, SpectralBins

COLOUR = Camera(2.9, 100, 100, "RGGB", {"red": 0.75, "green": 0.80, "blue": 0.70})
FINE = SpectralBins(tuple(np.arange(300.5, 1100.0)))
"""Bins of 1 nm around the whole nanometres."""

OPEN = Camera(2.9, 100, 100, "RGGB", {"red": 0.75, "green": 0.80, "blue": 0.70}, window_nm=None)


def test_each_channel_peaks_at_the_users_value_and_in_its_own_colour():
    waves, response = FINE.centres_nm, channel_response(COLOUR, FINE)
    assert channel_names(COLOUR) == ("red", "green", "blue")
    for row, peak, low, high in zip(response, (0.75, 0.80, 0.70), (590, 510, 430), (640, 550, 480), strict=True):
        assert row.max() == pytest.approx(peak, abs=0.003)
        assert low < waves[row.argmax()] < high


def test_window_blocks_the_infrared_and_without_it_the_dyes_leak():
    blocked, leaking = channel_response(COLOUR, DEFAULT_BINS), channel_response(OPEN, DEFAULT_BINS)
    assert np.all(blocked[:, -2:] < 1e-6)
    # beyond 850 nm the dyes are clear: all three channels see the same (common knowledge of such sensors)
    assert leaking[:, -2].min() > 0.2
    assert np.ptp(leaking[:, -2]) < 0.05
    assert np.allclose(blocked[:, 1:7], leaking[:, 1:7], rtol=0.15)


def test_mono_defaults_to_one_luminance_channel():
    mono = Camera(2.9, 100, 100, quantum_efficiency=0.8)
    response = channel_response(mono, DEFAULT_BINS)
    assert channel_names(mono) == ("luminance",)
    assert response.shape == (1, len(DEFAULT_BINS))
    assert response[0, 3] == pytest.approx(0.8, abs=0.01)
    assert response[0, -2:].max() < 1e-6


def test_filters_before_a_mono_sensor_split_the_window():
    mono = Camera(2.9, 100, 100, filters=("red", "green", "blue", "infrared"), quantum_efficiency=0.8)
    response = channel_response(mono, DEFAULT_BINS)
    assert channel_names(mono) == ("red", "green", "blue", "infrared")
    centroids = response @ DEFAULT_BINS.centres_nm / response.sum(axis=1)
    assert np.all(np.abs(centroids - (640, 535, 452, 790)) < 25)
    clear = channel_response(Camera(2.9, 100, 100, filters=("clear",), quantum_efficiency=0.8), DEFAULT_BINS)
    assert np.all(response <= clear + 1e-12)


def test_bin_means_do_not_depend_on_how_bins_are_cut():
    coarse, fine = SpectralBins((400.0, 500.0, 700.0)), SpectralBins(tuple(np.arange(400.0, 701.0, 5.0)))
    a, b = channel_response(COLOUR, coarse), channel_response(COLOUR, fine)
    assert a[:, 0] == pytest.approx(b[:, :20].mean(axis=1), rel=1e-9)
    assert a[:, 1] == pytest.approx(b[:, 20:].mean(axis=1), rel=1e-9)


def test_measured_curve_replaces_the_generic_shape(tmp_path):
    file = tmp_path / "curve.csv"
    file.write_text(
        "# from a chart\nwavelength_nm, red, green, blue\n400,0.0,0.1,0.6\n600,0.4,0.3,0.0\n700,0.4,0.1,0.0\n"
    )
    camera = Camera(2.9, 100, 100, "RGGB", curves=read_curves(file), window_nm=None)
    waves, response = FINE.centres_nm, channel_response(camera, FINE)
    at = np.searchsorted(waves, [500.0, 650.0])
    assert response[:, at] == pytest.approx(np.array([[0.2, 0.4], [0.2, 0.2], [0.3, 0.0]]), abs=1e-12)
    assert np.all(response[:, waves > 701] == 0)


@pytest.mark.parametrize(
    "text", ["", "nm,red\n1,2\n", "wavelength_nm,mono\n400,a\n500,0.5\n", "wavelength_nm,mono\n400,0.5\n"]
)
def test_a_file_that_holds_no_curve_is_refused(tmp_path, text):
    file = tmp_path / "curve.csv"
    file.write_text(text)
    with pytest.raises(InputError):
        read_curves(file)
    with pytest.raises(InputError, match="there is no such file"):
        read_curves(tmp_path / "missing.csv")


def test_a_methane_filter_sees_its_band_alone():
    # common practice: 889 nm, 8 to 20 nm wide
    response = channel_response(Camera(2.9, 100, 100, "mono", {"mono": 0.8}, filters=("methane", "red")), FINE)[0]
    light = FINE.centres_nm[response > 0.5 * response.max()]
    assert light.mean() == pytest.approx(889.0, abs=1.0)
    assert 8 <= np.ptp(light) + 1 <= 20
