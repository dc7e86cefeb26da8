"""Diffraction against closed forms, against poppy and against symmetries.

Closed forms: Airy pattern of a clear and an obstructed aperture (Born & Wolf, Principles of Optics,
8.5.2 and 8.6.2); transfer function of the clear aperture (Goodman, Introduction to Fourier Optics, 6.4).
"""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.special import j1

from simulate.errors import InputError
from simulate.telescope import Telescope, make_pupil, point_response, strehl, transfer, transfers
from simulate.values.constants import ARCSEC_PER_RADIAN
from simulate.values.grid import Grid

NM = 550.0


def unit_arcsec(telescope, nm=NM):
    """Return lambda / D in arcsec."""
    return nm * 1e-6 / telescope.aperture_mm * ARCSEC_PER_RADIAN


def obstructed(ratio, **more):
    return Telescope(200.0, 2000.0, obstruction_mm=200.0 * ratio, **more)


def airy(radius, ratio):
    """Intensity of the (obstructed) Airy pattern, 1 in the middle; radius in lambda / D."""
    x = np.pi * np.maximum(radius, 1e-9)
    inner = ratio**2 * 2 * j1(ratio * x) / (ratio * x) if ratio else 0.0
    return ((2 * j1(x) / x - inner) / (1 - ratio**2)) ** 2


def overlap_transfer(share):
    """Transfer of the clear aperture at a share of the cut-off."""
    share = np.minimum(share, 1.0)
    return 2 / np.pi * (np.arccos(share) - share * np.sqrt(1 - share**2))


@pytest.mark.parametrize("ratio", [0.0, 0.25, 0.35])
@pytest.mark.parametrize("samples", [256, 512])
def test_point_response_is_the_airy_pattern(ratio, samples):
    telescope = obstructed(ratio)
    step = unit_arcsec(telescope) / 4
    found = point_response(make_pupil(telescope, samples), NM, step, 257)
    axis = (np.arange(257) - 128) / 4
    expected = airy(np.hypot(axis[:, None], axis[None, :]), ratio)
    assert np.abs(found / found.max() - expected).max() < 5e-5
    # the peak of the density: open area / lambda^2 per unit energy
    assert found.max() == pytest.approx(np.pi / 4 * (1 - ratio**2) / 16, rel=1e-4)


@pytest.mark.parametrize("ratio", [0.0, 0.35])
def test_point_response_agrees_with_poppy(ratio):
    import poppy
    from astropy import units as u

    telescope = obstructed(ratio)
    step = unit_arcsec(telescope) / 4
    system = poppy.OpticalSystem(npix=1024, pupil_diameter=0.2 * u.m, oversample=1)
    system.add_pupil(poppy.CircularAperture(radius=0.1))
    if ratio:
        blocked = poppy.CircularAperture(radius=0.1 * ratio)
        system.add_pupil(poppy.InverseTransmission(blocked))
    system.add_detector(pixelscale=step, fov_pixels=129)
    oracle = system.calc_psf(NM * 1e-9)[0].data
    found = point_response(make_pupil(telescope), NM, step, 129)
    assert np.abs(found / found.max() - oracle / oracle.max()).max() < 2e-4


def test_spikes_agree_with_poppy_at_fine_sampling():
    import poppy
    from astropy import units as u

    telescope = obstructed(0.25, vanes_count=4, vane_width_mm=4.0)
    step = unit_arcsec(telescope) / 3
    system = poppy.OpticalSystem(npix=2000, pupil_diameter=0.2 * u.m, oversample=1)
    system.add_pupil(poppy.CircularAperture(radius=0.1))
    # 4 mm are 40 of its hard-edged samples, so its spikes are right to some per cent
    system.add_pupil(poppy.SecondaryObscuration(secondary_radius=0.025, n_supports=4, support_width=0.004))
    system.add_detector(pixelscale=step, fov_pixels=121)
    oracle = system.calc_psf(NM * 1e-9)[0].data
    found = point_response(make_pupil(telescope), NM, step, 121)
    assert np.abs(found / found.max() - oracle / oracle.max()).max() < 2e-4
    spike = np.s_[60, 95:]
    assert found[spike].sum() / found.max() == pytest.approx(oracle[spike].sum() / oracle.max(), rel=0.03)


@pytest.mark.parametrize(
    ("ratio", "expected"),
    # overlap of two (obstructed) discs, closed form, at 1/4, 1/2, 3/4 of the cut-off
    [(0.0, (0.6850, 0.3910, 0.1443)), (0.25, (0.5974, 0.3539, 0.1539)), (0.35, (0.5259, 0.3164, 0.1644))],
)
@pytest.mark.parametrize("columns", [64, 256])
def test_transfer_function(ratio, expected, columns):
    telescope = obstructed(ratio)
    # a grid on which 1/4, 1/2 and 3/4 of the cut-off are frequencies: step of lambda / 2D
    grid = Grid(96, columns, unit_arcsec(telescope) / 2)
    found = transfer(make_pupil(telescope), grid, NM)
    assert found.shape == (96, columns // 2 + 1)
    assert found.dtype == np.complex64
    quarter = columns // 8
    np.testing.assert_allclose(found[0, [quarter, 2 * quarter, 3 * quarter]], expected, atol=3e-4)
    np.testing.assert_allclose(found[[12, 24, 36], 0], expected, atol=3e-4)


def test_transfer_function_everywhere():
    telescope = obstructed(0.0)
    grid = Grid(150, 201, unit_arcsec(telescope) * 0.37)
    found = transfer(make_pupil(telescope), grid, NM)
    share = grid.frequency() / telescope.cutoff_cycles_per_arcsec(NM)
    assert found[0, 0] == 1
    # cells of the averaged pupil round off the cusp at zero frequency
    assert np.abs(found - overlap_transfer(share)).max() < 2e-3
    assert np.abs(found - overlap_transfer(share))[share > 0.1].max() < 6e-4
    assert np.abs(found[share > 1.0]).max() < 4e-4
    assert np.abs(found[share > 1.05]).max() < 1e-6


def test_obstruction_lowers_broad_and_raises_fine_contrast():
    telescopes = obstructed(0.0), obstructed(0.35)
    grid = Grid(128, 128, unit_arcsec(telescopes[0]) / 2)
    clear, blocked = (transfer(make_pupil(each), grid, NM)[0].real for each in telescopes)
    assert (blocked[[16, 32]] < clear[[16, 32]] - 0.05).all()
    assert (blocked[[48, 58]] > clear[[48, 58]] + 0.002).all()


def test_coarse_grid_is_a_part_of_the_fine_one():
    telescope = obstructed(0.3, wavefront_error_waves=0.08, vanes_count=3, vane_width_mm=2)
    pupil = make_pupil(telescope)
    fine = Grid(128, 160, unit_arcsec(telescope) / 3)
    coarse = Grid(32, 40, unit_arcsec(telescope) * 4 / 3)
    wide, narrow = transfer(pupil, fine, NM), transfer(pupil, coarse, NM)
    np.testing.assert_allclose(narrow[:16], wide[:16, :21], atol=1e-6)
    np.testing.assert_allclose(narrow[-16:], wide[-16:, :21], atol=1e-6)


@pytest.mark.parametrize("faults", [{}, {"wavefront_error_waves": 0.1, "defocus_um": 90.0}])
def test_transfer_and_point_response_are_one(faults):
    telescope = obstructed(0.3, **faults)
    pupil = make_pupil(telescope)
    step = unit_arcsec(telescope) / 2.5
    grid = Grid(255, 255, step)
    picture = np.fft.fftshift(np.fft.irfft2(transfer(pupil, grid, NM), grid.shape))
    direct = point_response(pupil, NM, step, 255)
    # they differ by the light that the repeated field brings back, and by the averaging of the pupil
    assert np.abs(picture - direct).max() < 1e-3 * direct.max()
    assert picture.sum() == pytest.approx(1, abs=1e-6)


def test_energy_adds_up_to_one():
    telescope = obstructed(0.0)
    found = point_response(make_pupil(telescope), NM, unit_arcsec(telescope) / 2, 513)
    # outside a square of W lambda/D lies 2 / (pi^2 W / 2), estimate 10 % high for a square
    assert found.sum() == pytest.approx(1 - 0.9 * 2 / (np.pi**2 * 128.25), abs=1.5e-3)
    assert found.min() >= 0


def shifted(pupil, west_nm=0.0, north_nm=0.0):
    """Pupil with a tilt whose rims differ by so many nm."""
    axis = np.linspace(-0.5, 0.5, pupil.samples, dtype=np.float32)
    return (west_nm * axis[None, :] + north_nm * axis[:, None]).astype(np.float32)


@pytest.mark.parametrize(("west", "north"), [(1, 0), (0, 1), (-1, 0.5)])
def test_tilt_moves_the_image_to_the_side_where_the_wave_is_ahead(west, north):
    telescope = obstructed(0.2)
    pupil = make_pupil(telescope)
    step = unit_arcsec(telescope) / 4
    # one wave of difference across the aperture is one lambda / D: four cells
    tilt = shifted(pupil, west * NM, north * NM)
    picture = point_response(replace(pupil, opd_nm=tilt), NM, step, 65)
    row, column = np.unravel_index(picture.argmax(), picture.shape)
    assert (row, column) == (32 + round(4 * north), 32 + round(4 * west))
    grid = Grid(64, 64, step)
    moved = transfer(pupil, grid, NM, extra_opd_nm=tilt)
    plain = transfer(pupil, grid, NM)
    unit = unit_arcsec(telescope)
    expected = plain * grid.shift_phase(-west * unit, north * unit)
    # the tilt grows over the samples' centres: 512 / 511 of a wave
    np.testing.assert_allclose(moved, expected, atol=0.015)


@pytest.mark.parametrize("angle", [0, 70, 200])
def test_tail_of_positive_coma_points_to_its_angle(angle):
    telescope = obstructed(0.0, aberrations=(("coma", 0.15),), aberration_angle_deg=angle)
    step = unit_arcsec(telescope) / 4
    picture = point_response(make_pupil(telescope), NM, step, 129)
    grid = Grid(129, 129, step)
    weight = picture / picture.sum()
    east = (weight * grid.east_arcsec()[None, :]).sum() - grid.east_arcsec()[picture.argmax() % 129]
    north = (weight * grid.north_arcsec()[:, None]).sum() - grid.north_arcsec()[picture.argmax() // 129]
    found = math.degrees(math.atan2(east, north)) % 360
    assert abs((found - angle + 180) % 360 - 180) < 10
    assert math.hypot(east, north) > 0.2 * unit_arcsec(telescope)


def test_more_and_less_defocus_are_alike_without_other_faults():
    inside, outside = (make_pupil(obstructed(0.3, defocus_um=dz)) for dz in (-150.0, 150.0))
    step = unit_arcsec(obstructed(0.3)) / 3
    np.testing.assert_allclose(point_response(inside, NM, step, 65), point_response(outside, NM, step, 65), atol=1e-6)


def test_sensor_beyond_the_focus_sees_a_rim_that_is_ahead():
    # seen from a point farther away, the wave that closes in on the focus is too strongly curved
    pupil = make_pupil(Telescope(100.0, 500.0, defocus_um=27.5), 256)
    assert pupil.opd_nm[128, 0] - pupil.opd_nm[128, 128] == pytest.approx(550 / 4, rel=0.02)


@settings(deadline=None, max_examples=15)
@given(
    st.floats(0, 0.5),
    st.floats(0, 0.1),
    st.floats(380, 1000),
    st.integers(20, 60),
    st.integers(20, 60),
    st.floats(0.2, 1.5),
)
def test_transfer_of_any_telescope_is_a_transfer(ratio, waves, nm, rows, columns, step):
    telescope = obstructed(round(ratio, 1), wavefront_error_waves=waves)
    grid = Grid(rows, columns, unit_arcsec(telescope) * step)
    found = transfer(make_pupil(telescope, 128), grid, nm)
    assert found[0, 0] == 1
    assert np.abs(found).max() <= 1 + 1e-5
    # the response is real: the first column is Hermitian along the rows
    last = (rows - 1) // 2
    np.testing.assert_allclose(found[1 : last + 1, 0], np.conj(found[-1 : -last - 1 : -1, 0]), atol=2e-6)


def test_perfect_wave_has_a_real_transfer():
    telescope = obstructed(0.3, vanes_count=4, vane_width_mm=1)
    found = transfer(make_pupil(telescope), Grid(64, 64, unit_arcsec(telescope) / 2), NM)
    assert not found.imag.any()
    # the two ways (real and complex transforms) agree
    pupil = make_pupil(telescope)
    other = transfer(pupil, Grid(64, 64, unit_arcsec(telescope) / 2), NM, np.full(pupil.opd_nm.shape, 77, np.float32))
    np.testing.assert_allclose(other, found, atol=2e-6)


def test_transfers_are_the_single_ones_and_kept():
    pupil = make_pupil(obstructed(0.2))
    grid = Grid(48, 64, unit_arcsec(obstructed(0.2)) / 2)
    found = transfers(pupil, grid, (450.0, 650.0))
    np.testing.assert_array_equal(found[1], transfer(pupil, grid, 650.0))
    assert transfers(pupil, grid, (450.0, 650.0)) is found
    assert not found.flags.writeable


def test_strehl_is_the_peak_of_the_response():
    telescope = obstructed(0.35, aberrations=(("spherical", 0.07),))
    step = unit_arcsec(telescope) / 4
    faulty, perfect = make_pupil(telescope), make_pupil(obstructed(0.35))
    ratio = point_response(faulty, NM, step, 1)[0, 0] / point_response(perfect, NM, step, 1)[0, 0]
    assert strehl(faulty, NM) == pytest.approx(float(ratio), rel=1e-4)


@pytest.mark.parametrize("wavelength", [0.0, -1.0, math.nan])
def test_bad_wavelength(wavelength):
    with pytest.raises(InputError):
        transfer(make_pupil(obstructed(0.0)), Grid(32, 32, 0.1), wavelength)


def test_field_without_end_is_refused():
    with pytest.raises(InputError, match="field"):
        transfer(make_pupil(obstructed(0.0)), Grid(4096, 4096, 10.0), NM)


def test_extra_path_of_wrong_shape():
    with pytest.raises(InputError, match="shape"):
        transfer(make_pupil(obstructed(0.0)), Grid(32, 32, 0.1), NM, np.zeros((3, 3)))
