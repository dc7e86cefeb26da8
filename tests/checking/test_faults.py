import math
from functools import cache
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from simulate.checking.faults import (
    Fault,
    Optics,
    Weighed,
    claimable,
    from_clipping,
    from_sampling,
    from_shifts,
    resized,
    thinned,
    verdict_of,
    weigh_blurs,
)
from simulate.checking.finding import find_planet
from simulate.checking.findings import to_vertical_deg
from simulate.checking.fitting import fit_picture
from simulate.checking.measures import ChannelShift, amplitude_of, measure_levels
from simulate.checking.model import Pose, Theory, laid_under
from simulate.telescope import Telescope, make_pupil, transfer
from simulate.values.grid import Grid

WAVELENGTH_NM = 550.0
TELESCOPE = Telescope(aperture_mm=120.0, focal_length_mm=1440.0)
CUTOFF = 0.120 / 550e-9 / 206264.806


@cache
def planet() -> Theory:
    """An oblate, limb-darkened disc, 40 arcsec wide, with a belt and three spots."""
    grid = Grid(256, 256, 0.25)
    east, north = np.meshgrid(grid.east_arcsec(), grid.north_arcsec())
    radius = np.hypot(east, north / 0.94) / 20.0
    light = np.clip((1.0 - radius) * 80.0 + 0.5, 0, 1) * np.sqrt(np.clip(1 - radius**2, 0.05, 1))
    light = light * (1 - 0.35 * np.exp(-(((north - 6) / 1.5) ** 2)))
    for place, depth in (((7, -8), 0.5), ((-10, 2), 0.4), ((2, 0), 0.4)):
        light = light * (1 - depth * np.exp(-((east - place[0]) ** 2 + (north - place[1]) ** 2) / 3.0))
    return Theory(grid, light.astype(np.float32), CUTOFF)


def optics() -> Optics:
    pupil = make_pupil(TELESCOPE)
    return Optics(pupil, WAVELENGTH_NM, transfer(pupil, planet().grid, WAVELENGTH_NM))


def weighed(fault: str, waves: float) -> tuple[tuple[Fault, ...], tuple]:
    """Weigh a picture whose optics are those of the telescope itself, by its own way from aberration to transfer."""
    theory, turned = planet(), 40.0
    aberrations = ((fault, waves),) if fault else ()
    telescope = Telescope(
        aperture_mm=120.0, focal_length_mm=1440.0, aberrations=aberrations, aberration_angle_deg=turned
    )
    light = theory.blurred(transfer(make_pupil(telescope), theory.grid, WAVELENGTH_NM))
    row, column = np.indices((110, 110), dtype=float)
    pose = Pose(54.0, 56.0, 0.5, 25.0, False)
    seen = 0.02 + 0.8 * laid_under(light, theory, pose, (row, column))
    seen = seen + 0.002 * np.random.default_rng(3).standard_normal(seen.shape)
    plane = np.clip(seen, 0, 1) ** (1 / 1.3)
    fit = fit_picture(plane, find_planet(plane), theory, 16)
    return weigh_blurs(fit, theory, optics())


@pytest.mark.parametrize(("fault", "waves"), [("defocus", 0.25), ("coma", 0.25), ("astigmatism", 0.25)])
def test_an_aberration_of_the_telescope_comes_first_with_its_strength(fault: str, waves: float) -> None:
    faults, alike = weighed(fault, waves)
    assert faults[0].name == fault
    # a disc with few markings hardly tells round blurs apart; coma is like no other
    assert verdict_of(faults) in ((fault,) if fault == "coma" else (fault, "cannot tell"))
    assert faults[0].strength == pytest.approx(waves, rel=0.12)
    assert (faults[0].direction_deg is None) == (fault == "defocus")
    assert alike[0][0] == fault
    assert alike[0][1].shape == planet().grid.shape


def blur(name: str, gained: float, independent: float) -> Fault:
    misfit = 1e-4 * math.exp(-2.0 * gained / independent)
    return Fault(name, gained, 0.2, "wave rms", None, Weighed(misfit, 1e-4, 1, independent))


def test_more_pixels_alone_do_not_tell_faults_apart_whose_misfits_are_alike() -> None:
    # 2.5 % of misfit between them
    few = (blur("seeing", 40.0, 200.0), blur("defocus", 37.5, 200.0))
    many = (blur("seeing", 400.0, 2000.0), blur("defocus", 375.0, 2000.0))
    assert verdict_of(few) == verdict_of(many) == "cannot tell"
    assert verdict_of((many[0], blur("defocus", 340.0, 2000.0))) == "seeing"
    # nor is a fault claimed that betters the misfit by so little
    assert verdict_of((blur("seeing", 25.0, 2000.0),)) == "none"
    # evidence of another kind is not bound by the theory's faults
    assert verdict_of((many[0], Fault("low bit depth", 390.0, 0.02, ""))) == "seeing"


def test_evidence_is_told_in_words_that_agree_with_the_verdict() -> None:
    # odds of 150 to 1, a natural logarithm of 5, are "very strong" (Kass & Raftery 1995)
    for value, word in ((1.0, "none"), (5.0, "weak"), (math.log(150.0) + 4.1, "strong"), (103.0, "strong")):
        fault = Fault("low bit depth", value, 0.02, "")
        assert fault.evidence_in_words == word
        assert (verdict_of((fault,)) == "none") is (word == "none")
    # 2000 pixels of a blur whose misfit is a few hundredths better tell nothing yet
    assert blur("seeing", 25.0, 2000.0).evidence_in_words == "none"
    assert blur("seeing", 340.0, 2000.0).evidence_in_words == "strong"
    ill = Fault("seeing", 300.0, 1.0, "", None, Weighed(1e-4, 1e-3, 1, 300.0, 0.8e-4))
    assert ill.evidence_in_words == "weak"


def test_known_coarse_pixels_take_what_speaks_for_seeing() -> None:
    fit = SimpleNamespace(pose=Pose(0.0, 0.0, 1.2, 0.0, False), half_frequency=0.25)
    seeing = blur("seeing", 90.0, 300.0)
    told: Any = (fit, CUTOFF, 0.45, 1.0)
    bare, taking = from_sampling(*told), from_sampling(*told, (seeing,))
    assert bare.evidence > 0
    assert taking.evidence == pytest.approx(bare.evidence + 90.0)
    # neither where the pixels are fine enough nor where the picture is softer than they make it
    assert from_sampling(fit, CUTOFF, 1.1, 1.0, (seeing,)).evidence == 0.0  # type: ignore[arg-type]
    soft: Any = SimpleNamespace(pose=fit.pose, half_frequency=0.1)
    assert from_sampling(soft, CUTOFF, 0.45, 1.0, (seeing,)).evidence == 0.0


def test_without_a_fault_none_is_named() -> None:
    faults, _ = weighed("", 0.0)
    assert verdict_of(faults) == "none"


def test_a_thinned_theory_blurs_alike() -> None:
    theory = planet()
    thin = thinned(theory, 1.0 / (2.8 * CUTOFF))
    assert thin.grid.rows < theory.grid.rows
    assert thin.grid.rows * thin.grid.step_arcsec == pytest.approx(theory.grid.rows * theory.grid.step_arcsec)
    whole = transfer(make_pupil(TELESCOPE), theory.grid, WAVELENGTH_NM)
    places = np.array([-12.3, 0.4, 7.7, 15.1]), np.array([3.2, -8.8, 0.1, -5.0])
    pose = Pose(0.0, 0.0, 1.0, 0.0, False)
    full = laid_under(theory.blurred(whole), theory, pose, places)
    small = laid_under(thin.blurred(resized(whole, theory.grid, thin.grid)), thin, pose, places)
    assert small == pytest.approx(full, abs=2e-3)


def test_light_seen_through_a_transfer_is_that_of_the_blurred_picture() -> None:
    theory = planet()
    whole = transfer(make_pupil(TELESCOPE), theory.grid, WAVELENGTH_NM)
    # two lie on the disc, one on its edge and one off the grid
    places = np.array([-12.3, 0.4, 19.8, 40.0]), np.array([3.2, -8.8, 1.0, 2.0])
    pose = Pose(0.0, 0.0, 1.0, 0.0, False)
    usual = laid_under(theory.blurred(whole), theory, pose, places)
    seen = theory.seen_at(whole, theory.index_of(*pose.sky_of(*places)))
    assert seen == pytest.approx(usual, abs=2e-5)
    assert usual[0] > 0.3
    assert seen[3] == 0.0


def test_a_transfer_comes_back_from_a_smaller_grid_where_it_was_zero_outside() -> None:
    grid, small = Grid(64, 64, 0.25), Grid(40, 40, 0.4)
    low = np.where(grid.frequency() < 1.0, np.exp(-grid.frequency()), 0.0)
    back = resized(resized(low, grid, small), small, grid)
    assert np.array_equal(back, low)
    assert math.isclose(float(resized(low, grid, small)[0, 0]), 1.0)


def test_a_picture_that_lacks_nothing_has_no_fault_of_the_blur() -> None:
    faults = (blur("seeing", 400.0, 2000.0), Fault("over-sharpening", 90.0, 0.2, ""), blur("coma", 20.0, 2000.0))
    assert verdict_of(faults, 0.94) == "seeing"
    assert verdict_of(faults, 0.96) == "over-sharpening"
    assert verdict_of((faults[0],), 0.96) == "none"
    assert [fault.name for fault in claimable(faults, 0.96)] == ["over-sharpening"]


def test_only_a_shift_along_the_vertical_is_dispersion() -> None:
    shifts = (ChannelShift("red", 0.0, 4.0, 0.02), ChannelShift("blue", 0.0, -3.0, 0.02))
    named = {angle: from_shifts(shifts, 0.25, 1.0, angle) for angle in (None, 5.0, 84.0)}
    assert named[None].name == named[5.0].name == "dispersion"
    assert named[84.0].name == "colours not aligned"
    assert "84 deg off the vertical" in named[84.0].unit
    assert "not known" in named[None].unit
    assert named[84.0].strength == pytest.approx(1.0)
    # above the air there is no vertical
    above = from_shifts(shifts, 0.25, 1.0, None, 0.0)
    assert above.name == "colours not aligned"
    assert "air" in above.unit


@pytest.mark.parametrize(("up", "across", "angle"), [(-3.0, 0.0, 30.0), (0.0, 3.0, 60.0), (3.0, 5.196, 30.0)])
def test_the_line_from_red_to_blue_is_held_against_the_vertical(up: float, across: float, angle: float) -> None:
    # north up, not mirrored: east to the left; the zenith lies 30 deg from north through east
    bench: Any = SimpleNamespace(seen=SimpleNamespace(parallactic_angle_deg=30.0))
    fitted: Any = SimpleNamespace(fit=SimpleNamespace(tells_angle=True, pose=Pose(50.0, 50.0, 0.5, 0.0, False)))
    shifts = (ChannelShift("red", up, across, 0.02), ChannelShift("blue", 0.0, 0.0, 0.02))
    told = to_vertical_deg(bench, fitted, shifts)
    # from red to blue: down and left of these shifts
    true = math.degrees(math.atan2(across, -up))
    assert told == pytest.approx(abs(math.remainder(true - 30.0, 180.0)), abs=0.01)
    assert told == pytest.approx(angle if across < 5 else 90.0, abs=0.01)


def test_a_burnt_out_disc_is_overexposed_before_all_else() -> None:
    plane = np.clip(planet().light * 1.4, 0, 1)
    plane = np.rint(plane * 255) / 255
    mask = planet().light > 0.5
    levels = measure_levels(plane, mask, 8, 0.0, 1.0)
    assert levels.clipped == pytest.approx(np.mean(planet().light[mask] * 1.4 >= 254.5 / 255), abs=0.01)
    assert levels.overexposed
    others = (blur("seeing", 400.0, 2000.0),)
    assert verdict_of((*others, from_clipping(levels, others))) == "overexposure"
    good = measure_levels(np.rint(planet().light * 200) / 255, mask, 8, 0.0, 1.0)
    assert not good.overexposed
    assert from_clipping(good, others).evidence == 0.0


def test_what_adds_nothing_of_its_own_cannot_be_measured() -> None:
    random = np.random.default_rng(2)
    jacobian = random.standard_normal((400, 3))
    change = random.standard_normal(400)
    residual = 0.01 * random.standard_normal(400) + 0.3 * change
    fit: Any = SimpleNamespace(
        residual=residual.reshape(20, 20),
        noise=0.01,
        correlated_px=1.0,
        window=SimpleNamespace(levels=np.zeros((20, 20))),
    )
    value, error = amplitude_of(fit, change, jacobian)
    assert value == pytest.approx(0.3, abs=4 * error)
    assert 0 < error < 0.01
    # nothing at all, and what the derivatives make as well
    assert amplitude_of(fit, np.zeros(400), jacobian)[1] == math.inf
    assert amplitude_of(fit, jacobian @ np.array([1.0, -2.0, 0.5]), jacobian)[1] == math.inf


def test_a_blur_that_no_fault_explains_well_is_not_named() -> None:
    def told(misfit: float, free: float) -> str:
        return verdict_of((Fault("seeing", 300.0, 1.0, "", None, Weighed(misfit, 1e-3, 1, 300.0, free)),))

    assert told(1e-4, 1.2e-4) == "seeing"
    assert told(1e-4, 0.8e-4) == "cannot tell"
    # rows that were kept before the comparison was made
    assert told(1e-4, math.nan) == "seeing"
