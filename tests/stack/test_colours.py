"""Colours of a stack laid on each other by what they share: the outline."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.ndimage

from simulate.stack.colours import colour_shifts

SHAPE = (96, 100)


def planet(shift: tuple[float, float], blur: float, *, cap: float, dark: float, noise: float, seed: int) -> np.ndarray:
    """A disc of radius 27 with a bright cap and a dark area, drawn on cells a fifth as wide, then moved and blurred."""
    fine = 5
    rows, columns = ((np.arange(n * fine) + 0.5) / fine - 0.5 for n in SHAPE)
    y, x = rows[:, None] - 47.3 - shift[0], columns[None, :] - 50.1 - shift[1]
    disc = 100.0 * (np.hypot(y, x) < 27)
    disc = disc * (1 + cap * (np.hypot(y - 20, x + 3) < 6)) * (1 - dark * (np.hypot(y + 5, x - 9) < 8))
    cells = scipy.ndimage.gaussian_filter(disc, blur * fine).reshape(SHAPE[0], fine, SHAPE[1], fine).mean(axis=(1, 3))
    return cells + 5.0 + np.random.default_rng(seed).normal(0, noise, SHAPE)


@pytest.mark.parametrize(("red", "blue"), [((1.4, -0.6), (-2.7, 1.1)), ((0.2, 0.0), (-0.3, 4.5))])
def test_faces_that_differ_do_not_drag_the_outline(red, blue):
    planes = np.stack(
        [
            planet(red, 2.0, cap=0.1, dark=0.5, noise=0.5, seed=1),
            planet((0.0, 0.0), 2.3, cap=0.5, dark=0.3, noise=0.5, seed=2),
            planet(blue, 2.8, cap=1.2, dark=0.05, noise=1.0, seed=3),
        ]
    )
    found = colour_shifts(planes, 1)
    # a tenth of a pixel of 0.25 arcsec is a fortieth of an arcsecond: no edge is seen coloured by that
    np.testing.assert_allclose(found[0], np.negative(red), atol=0.1)
    np.testing.assert_allclose(found[2], np.negative(blue), atol=0.1)
    np.testing.assert_allclose(found[1], 0.0, atol=0.02)


def test_a_body_that_fills_the_field_is_laid_by_its_structure():
    rough = scipy.ndimage.gaussian_filter(np.random.default_rng(4).normal(0, 1, (120, 130)), 2.0, mode="wrap")
    field = 100 + 100 * rough
    planes = np.stack([field, np.roll(field, (2, -3), (0, 1)), 0.6 * field])
    np.testing.assert_allclose(colour_shifts(planes, 0), [[0, 0], [-2, 3], [0, 0]], atol=0.02)
