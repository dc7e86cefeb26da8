"""The frame kernel against the telescope's own transfer, closed forms and plain transforms."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simulate.air.layers import Turbulence
from simulate.errors import InputError
from simulate.recording.speckle import (
    Band,
    BaseGrid,
    FineGrid,
    Picture,
    base_grid,
    cell_transfer,
    choose_factor,
    shift_and_pixel,
    tilt_fit,
    tilt_planes,
)
from simulate.telescope import Telescope, make_pupil, transfer
from simulate.values.constants import ARCSEC_PER_RADIAN
from simulate.values.grid import Grid

TELESCOPE = Telescope(200, 1000, obstruction_mm=50, vanes_count=4, vane_width_mm=2, wavefront_error_waves=0.05)
NM = 550.0
APERTURE_M = 0.2
RESOLUTION = NM * 1e-9 / APERTURE_M * ARCSEC_PER_RADIAN


@pytest.fixture(scope="module")
def pupil():
    return make_pupil(TELESCOPE, 256)


def grid_of(rows: int, columns: int, factor: int = 1, per_resolution: float = 3.0) -> FineGrid:
    return FineGrid(rows, columns, factor, factor * RESOLUTION / per_resolution)


def still(base: BaseGrid) -> np.ndarray:
    return np.zeros((base.samples, base.samples), np.float32)


class TestBand:
    @pytest.mark.parametrize(("rows", "columns"), [(256, 256), (128, 128), (60, 160), (97, 128)])
    def test_without_air_it_is_the_telescope(self, pupil, rows, columns):
        grid, base = grid_of(rows, columns), base_grid(APERTURE_M, 0.06)
        band = Band(pupil, grid, NM, base)
        found = band.transfer(band.add_response(still(base), None), 1)
        wanted = band.crop(transfer(pupil, Grid(rows, columns, grid.step_arcsec), NM))
        assert np.abs(found - wanted).max() < 2e-6

    def test_the_same_air_on_the_telescope_s_own_grid(self, pupil):
        """The path difference, spline-read, against the other room's transform of the same wavefront."""
        grid, base = grid_of(128, 128), base_grid(APERTURE_M, 0.06)
        across = (np.arange(256) - 127.5) / 128
        row, column = np.meshgrid(across, across, indexing="ij")

        def wave(r, c):
            return (120 * np.sin(2.5 * r + 1.0) * np.cos(1.5 * c) + 60 * r * c).astype(np.float32)

        place = base.place_m() / (APERTURE_M / 2)
        band = Band(pupil, grid, NM, base)
        found = band.transfer(band.add_response(wave(*np.meshgrid(place, place, indexing="ij")), None), 1)
        wanted = band.crop(transfer(pupil, Grid(128, 128, grid.step_arcsec), NM, wave(row, column)))
        assert np.abs(found - wanted).max() < 5e-4

    def test_tilt_moves_the_picture_by_its_angle(self, pupil):
        grid, base = grid_of(128, 128), base_grid(APERTURE_M, 0.06)
        planes = tilt_planes(base)
        band = Band(pupil, grid, NM, base)
        bare = band.transfer(band.add_response(still(base), None), 1)
        moved = band.transfer(band.add_response(0.4 * planes[0] - 0.7 * planes[1], None), 1)
        frequency = Grid(128, 128, grid.step_arcsec)
        shift = np.exp(
            -2j * np.pi * (0.4 * frequency.frequency_north()[:, None] - 0.7 * frequency.frequency_west()[None, :])
        )
        assert np.abs(moved - bare * band.crop(shift)).max() < 2e-5

    def test_strehl_follows_the_rms(self, pupil):
        """Small errors: 1 - (2 pi rms / lambda)^2 (Marechal 1947)."""
        clear = make_pupil(Telescope(200, 1000), 256)
        grid, base = grid_of(128, 128), base_grid(APERTURE_M, 0.06)
        band = Band(clear, grid, NM, base)
        place = base.place_m() / (APERTURE_M / 2)
        row, column = np.meshgrid(place, place, indexing="ij")
        rms = 20.0
        bend = (rms * np.sqrt(6) * (row**2 - column**2)).astype(np.float32)  # astigmatism of unit rms (Noll 1976)
        intensity = band.add_response(bend, None)
        ratio = band.strehl(band.transfer(intensity, 1), intensity)
        assert ratio == pytest.approx(np.exp(-((2 * np.pi * rms / NM) ** 2)), abs=2e-3)

    def test_too_coarse_cells_are_refused(self, pupil):
        with pytest.raises(InputError, match="2D"):
            Band(pupil, grid_of(64, 64, per_resolution=1.5), NM, base_grid(APERTURE_M, 0.06))


class TestPicture:
    @pytest.mark.parametrize("factor", [1, 2, 3, 4])
    @pytest.mark.parametrize("shape", [(32, 40), (30, 36)])
    def test_equals_the_plain_way(self, pupil, factor, shape):
        """Electrons of every pixel as by full transforms on all cells and a sum over the pixel."""
        grid = FineGrid(*shape, factor, factor * RESOLUTION / 3.3)
        base = base_grid(APERTURE_M, 0.06)
        band = Band(pupil, grid, NM, base)
        air = Turbulence(3, base.pitch_m, base.samples, 0.06).opd_nm(1.0)
        response = band.transfer(band.add_response(air, None), 1)
        rng = np.random.default_rng(1)
        cells = rng.random(grid.cells)
        found = Picture(grid).pixels([response * band.crop(np.fft.rfft2(cells) * shift_and_pixel(grid))])
        whole = np.zeros((grid.cells[0], grid.cells[1] // 2 + 1), complex)
        rows = band.cells[0]
        whole[:rows, : band.cells[1]] = response[:rows]
        whole[-rows + 1 :, : band.cells[1]] = response[rows:]
        along_row, along_column = np.fft.fftfreq(grid.cells[0]), np.fft.rfftfreq(grid.cells[1])
        box = np.outer(np.sinc(along_row * factor), np.sinc(along_column * factor))
        half = (factor - 1) / 2
        centre = np.outer(np.exp(2j * np.pi * along_row * half), np.exp(2j * np.pi * along_column * half))
        plain = np.fft.irfft2(np.fft.rfft2(cells) * whole * box * centre, s=grid.cells) * factor**2
        np.testing.assert_allclose(found, plain[::factor, ::factor], rtol=0, atol=3e-5 * plain.max())

    def test_light_is_kept(self, pupil):
        grid, base = grid_of(96, 96, factor=2), base_grid(APERTURE_M, 0.06)
        band = Band(pupil, grid, NM, base)
        cells = np.zeros(grid.cells)
        cells[70:90, 100:140] = 3.0
        air = Turbulence(3, base.pitch_m, base.samples, 0.06).opd_nm(1.0)
        response = band.transfer(band.add_response(air, None), 1)
        picture = Picture(grid).pixels([response * band.crop(np.fft.rfft2(cells) * shift_and_pixel(grid))])
        assert picture.sum(dtype=float) == pytest.approx(cells.sum(), rel=1e-5)

    def test_pixel_centre(self, pupil):
        """A point in the middle of a pixel is recorded with its centre of light there, for any number of cells."""
        for factor in (2, 3):
            grid, base = grid_of(64, 64, factor=factor), base_grid(APERTURE_M, 0.06)
            band = Band(make_pupil(Telescope(200, 1000), 256), grid, NM, base)
            spectrum = point(grid, (20 + 0.5) * factor - 0.5, (41 + 0.5) * factor - 0.5)
            response = band.transfer(band.add_response(still(base), None), 1)
            picture = Picture(grid).pixels([response * band.crop(spectrum * shift_and_pixel(grid))])
            assert np.unravel_index(picture.argmax(), picture.shape) == (20, 41)
            assert picture[19, 41] == pytest.approx(picture[21, 41], rel=2e-3)
            assert picture[20, 40] == pytest.approx(picture[20, 42], rel=2e-3)

    def test_cell_mean_is_undone(self):
        grid = grid_of(16, 16, factor=2)
        assert cell_transfer(grid)[0, 0] == 1
        assert cell_transfer(grid)[16, 0] == pytest.approx(2 / np.pi)


def point(grid: FineGrid, row: float, column: float) -> np.ndarray:
    rows, columns = grid.cells
    return np.outer(
        np.exp(-2j * np.pi * np.fft.fftfreq(rows) * row), np.exp(-2j * np.pi * np.fft.rfftfreq(columns) * column)
    )


class TestTilt:
    @settings(max_examples=15, deadline=None)
    @given(st.floats(-3, 3), st.floats(-3, 3))
    def test_fit_gives_back_what_planes_put_in(self, row, column):
        pupil, base = make_pupil(TELESCOPE, 256), base_grid(APERTURE_M, 0.06)
        opd = row * tilt_planes(base)[0] + column * tilt_planes(base)[1] + 37.0
        found = np.tensordot(tilt_fit(pupil, base), opd, axes=2)
        np.testing.assert_allclose(found, (row, column), atol=2e-4)


def test_cells_hold_a_quarter_of_the_resolution():
    factor = choose_factor(1.0, APERTURE_M, NM)
    assert 1.0 / factor <= RESOLUTION / 4 < 1.0 / (factor - 1)


def test_samples_of_the_air_follow_aperture_and_seeing():
    assert base_grid(0.06, 0.05).pitch_m == pytest.approx(0.06 / 40)
    assert base_grid(0.3, 0.03).pitch_m <= 0.03 / 6
