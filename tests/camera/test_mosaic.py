"""The colour filter array."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from simulate.camera import channel_index, demosaic_bilinear, lay_mosaic
from simulate.errors import InputError

PATTERNS = ("RGGB", "BGGR", "GRBG", "GBRG")


@pytest.mark.parametrize("pattern", PATTERNS)
def test_letters_are_the_first_four_pixels(pattern):
    index = channel_index(pattern, 5, 7)
    letters = "".join("RGB"[index[site]] for site in ((0, 0), (0, 1), (1, 0), (1, 1)))
    assert letters == pattern
    assert np.array_equal(index[2:4, 4:6], index[:2, :2])


def test_each_pixel_keeps_its_own_plane():
    planes = np.arange(3)[:, None, None] * 100.0 + np.arange(12).reshape(3, 4)
    raw = lay_mosaic(planes, "GRBG")
    assert raw[0, 0] == 100 + 0
    assert raw[0, 1] == 0 + 1
    assert raw[1, 0] == 200 + 4
    assert raw[2, 3] == 0 + 11
    with pytest.raises(InputError, match="three planes"):
        lay_mosaic(planes[:2], "GRBG")
    with pytest.raises(InputError, match="filter array"):
        lay_mosaic(planes, "mono")


@pytest.mark.parametrize("pattern", PATTERNS)
def test_bilinear_filling_is_exact_for_slopes_inside_and_for_levels_everywhere(pattern):
    row, column = np.mgrid[0:12, 0:15]
    planes = np.stack([5.0 + row, 40.0 - 2 * column, 7.0 + 0.5 * row + column])
    inside = demosaic_bilinear(lay_mosaic(planes, pattern), pattern)[:, 1:-1, 1:-1]
    assert inside == pytest.approx(planes[:, 1:-1, 1:-1], abs=1e-4)
    levels = np.broadcast_to(np.array([3.0, 5.0, 9.0])[:, None, None], planes.shape)
    assert demosaic_bilinear(lay_mosaic(levels, pattern), pattern) == pytest.approx(levels, abs=1e-5)


@given(st.sampled_from(PATTERNS), st.integers(2, 9), st.integers(2, 9), st.integers(0, 2**32 - 1))
def test_filling_keeps_what_was_measured(pattern, rows, columns, seed):
    raw = np.random.default_rng(seed).integers(0, 4096, (rows, columns)).astype(np.uint16)
    assert np.array_equal(lay_mosaic(demosaic_bilinear(raw, pattern), pattern), raw)
