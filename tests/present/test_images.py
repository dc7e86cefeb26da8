from __future__ import annotations

import io

import numpy as np
import png
import pytest
from PIL import Image

from simulate.errors import InputError
from simulate.present.images import png_bytes, screen_values, whole_numbers


def test_tone_curve_is_that_of_srgb():
    # IEC 61966-2-1: 0.0031308 -> 0.04045; 0.18 -> 0.4614; 0.5 -> 0.7354
    shown = screen_values(np.array([0.0, 0.0031308, 0.18, 0.5, 1.0, 2.0, -1.0]))
    np.testing.assert_allclose(shown, [0.0, 0.04045, 0.4614, 0.7354, 1.0, 1.0, 0.0], atol=1e-4)
    assert screen_values(np.array([2.0]), white=4.0)[0] == pytest.approx(0.7354, abs=1e-4)


def test_the_top_row_of_the_file_is_the_north():
    pixels = np.zeros((4, 6, 3), np.uint8)
    pixels[-1, 0] = (255, 0, 0)  # the last row is the north, the first column the east
    image = Image.open(io.BytesIO(png_bytes(pixels)))
    assert image.size == (6, 4)
    assert image.getpixel((0, 0)) == (255, 0, 0)


@pytest.mark.parametrize("shape", [(5, 7), (5, 7, 3)])
def test_sixteen_bits_stay_sixteen_bits(shape: tuple[int, ...]):
    pixels = np.random.default_rng(0).integers(0, 65536, shape).astype(np.uint16)
    _, _, rows, info = png.Reader(bytes=png_bytes(pixels)).read()
    assert info["bitdepth"] == 16
    back = np.vstack([np.asarray(row, np.uint16) for row in rows]).reshape(shape)
    np.testing.assert_array_equal(back[::-1], pixels)


def test_rounding():
    np.testing.assert_array_equal(
        whole_numbers(np.array([-1.0, 0.5 / 255, 0.6 / 255, 1.0, 7.0]), 8), [0, 0, 1, 255, 255]
    )
    assert whole_numbers(np.array([1.0]), 16)[0] == 65535
    with pytest.raises(InputError, match="bits"):
        whole_numbers(np.zeros(3), 12)
    with pytest.raises(InputError, match="pixels"):
        png_bytes(np.zeros((3, 3)))


def test_comments_travel_in_the_file():
    light = np.linspace(0, 1, 60).reshape(6, 10)
    pixels = whole_numbers(screen_values(light), 16)
    image = Image.open(io.BytesIO(png_bytes(pixels, {"Title": "a disc"})))
    assert image.text["Title"] == "a disc"
    counts = np.arange(12, dtype=np.uint16).reshape(3, 4) * 1000
    np.testing.assert_array_equal(np.asarray(Image.open(io.BytesIO(png_bytes(counts))))[::-1], counts)
