"""Filled-in colours and linear registration against frames that are sampled, filled in and moved one by one."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.fft

from simulate.camera.mosaic import demosaic_bilinear
from simulate.stack.interpolated import Lattice, aliases_of, find_aliases, kernel_transfer, lattice_of

PIXELS, FINER = 24, 9
LATTICES: tuple[tuple[int, Lattice], ...] = ((0, "every second"), (1, "chequered"), (2, "every second"))


def blurred_disc(width_px: float) -> np.ndarray:
    """A disc with a spot as pixels centred on every fine cell would read it: blurred by a Gaussian and the pixel."""
    cells = PIXELS * FINER
    place = (np.arange(cells) + 0.5) / FINER - PIXELS / 2
    y, x = place[:, None], place[None, :]
    disc = (np.hypot(y - 0.3, x + 0.2) < 6.0) * (1.0 - 0.5 * (np.hypot(y - 1.5, x - 2.0) < 1.2))
    f = np.fft.fftfreq(cells, 1 / FINER)
    sigma = width_px / 2.355
    line = np.exp(-2 * (np.pi * sigma * f) ** 2) * np.sinc(f)
    return np.fft.ifft2(np.fft.fft2(disc) * np.outer(line, line)).real


def frames_of(picture: np.ndarray, channel: int, mono: bool = False) -> np.ndarray:
    """Every frame over all places of the pixels: sampled, filled in, moved back along straight lines."""
    found = []
    for row in range(2 * FINER):
        for column in range(2 * FINER):
            # the picture moves by whole cells; the pixels stand still
            moved = np.roll(picture, (row, column), (0, 1))
            raw = moved[FINER // 2 :: FINER, FINER // 2 :: FINER]
            plane = raw if mono else demosaic_bilinear(raw, "RGGB")[channel]
            whole, share = np.divmod((row, column), FINER)
            plane = np.roll(plane, -whole, (0, 1))
            for axis in (0, 1):
                t = share[axis] / FINER
                plane = (1 - t) * plane + t * np.roll(plane, -1, axis)
            found.append(plane)
    return np.array(found)


@pytest.mark.parametrize(("channel", "lattice"), LATTICES)
@pytest.mark.parametrize("width", [1.0, 2.0])
def test_mean_and_scatter_of_frames_are_those_of_the_kernel(channel: int, lattice: Lattice, width: float) -> None:
    picture = blurred_disc(width)
    frames = frames_of(picture, channel)
    north = np.fft.fftfreq(PIXELS * FINER, 1 / FINER)
    mean = np.fft.ifft2(np.fft.fft2(picture) * kernel_transfer(lattice, north, north)).real
    inside = slice(2, -2)
    expected = mean[FINER // 2 :: FINER, FINER // 2 :: FINER][inside, inside]
    # nine places a pixel stand for all of them: the triangle in nine steps differs by 1 % at half a cycle
    assert np.abs(frames.mean(axis=0)[inside, inside] - expected).max() < 0.004
    scatter = find_aliases(picture, lattice, (PIXELS, PIXELS)).scatter()[inside, inside]
    found = frames.std(axis=0)[inside, inside]
    assert np.sqrt(np.mean(scatter**2)) == pytest.approx(np.sqrt(np.mean(found**2)), rel=0.07)
    assert np.abs(scatter - found).max() < 0.15 * found.max()


def test_a_camera_without_colours_has_the_aliases_of_its_pixels_alone() -> None:
    picture = blurred_disc(0.8)
    frames = frames_of(picture, 0, mono=True)
    found = frames.std(axis=0)[2:-2, 2:-2]
    scatter = find_aliases(picture, "every pixel", (PIXELS, PIXELS)).scatter()[2:-2, 2:-2]
    assert np.sqrt(np.mean(scatter**2)) == pytest.approx(np.sqrt(np.mean(found**2)), rel=0.07)
    assert scatter.max() < 0.5 * find_aliases(picture, "every second", (PIXELS, PIXELS)).scatter().max()


def test_linear_registration_is_a_triangle() -> None:
    # mean over t of (1 - t) + t exp(2 pi i f) with the shift t taken out, by quadrature of 2000 places
    f = np.array([0.1, 0.25, 0.4])
    t = (np.arange(2000) + 0.5) / 2000
    filters = ((1 - t) + t * np.exp(2j * np.pi * f[:, None])) * np.exp(-2j * np.pi * f[:, None] * t)
    assert kernel_transfer("every pixel", f, np.zeros(1))[:, 0] == pytest.approx(filters.mean(axis=1).real, abs=1e-6)


def test_what_is_well_sampled_hardly_scatters() -> None:
    assert find_aliases(blurred_disc(4.0), "chequered", (PIXELS, PIXELS)).scatter().max() < 0.01
    assert find_aliases(blurred_disc(1.0), "every second", (PIXELS, PIXELS)).scatter().max() > 0.08


def test_a_field_of_one_cell_a_pixel_gives_the_same_scatter_where_that_holds_the_picture() -> None:
    fine = blurred_disc(3.5)
    spectrum = scipy.fft.rfft2(fine)
    half = PIXELS // 2
    centre = np.exp(2j * np.pi * np.fft.fftfreq(PIXELS * FINER) * (FINER - 1) / 2)
    spectrum = spectrum * centre[:, None] * np.exp(2j * np.pi * np.fft.rfftfreq(PIXELS * FINER) * (FINER - 1) / 2)
    kept = np.concatenate([spectrum[:half], spectrum[-half:]])[:, : half + 1]
    coarse = scipy.fft.irfft2(kept, s=(PIXELS, PIXELS)) / FINER**2
    expected = find_aliases(fine, "every second", (PIXELS, PIXELS)).scatter()
    assert find_aliases(coarse, "every second", (PIXELS, PIXELS)).scatter() == pytest.approx(
        expected, abs=0.02 * float(expected.max())
    )


def test_lattices_and_their_reciprocals() -> None:
    assert [lattice_of(share) for share in (1.0, 0.5, 0.25)] == ["every pixel", "chequered", "every second"]
    assert aliases_of("every pixel")[:2] == ((0.0, 1.0), (1.0, 0.0))
    # chess order: the nearest reciprocal points lie on the diagonals, at (1/2, 1/2)
    assert set(aliases_of("chequered")[:2]) == {(0.5, -0.5), (0.5, 0.5)}
    assert aliases_of("every second")[:2] == ((0.0, 0.5), (0.5, 0.0))


@pytest.mark.parametrize("moved", [(5, 3), (11, 4)])
def test_one_place_of_the_pixels_gives_one_frame(moved: tuple[int, int]) -> None:
    picture = blurred_disc(1.0)
    frames = frames_of(picture, 0)
    frame = frames[moved[0] * 2 * FINER + moved[1]] - frames.mean(axis=0)
    # RGGB: red pixels at even rows and columns, the first in the middle of the first pixel
    row, column = ((cells - FINER // 2) / (2 * FINER) for cells in moved)
    pattern = find_aliases(picture, "every second", (PIXELS, PIXELS)).pattern((row, column))
    inside = slice(2, -2)
    assert np.abs(frame - pattern)[inside, inside].max() < 0.15 * np.abs(frame).max()
