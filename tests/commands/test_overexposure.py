"""Exposures beyond full scale: the expected path against frames that were recorded and stacked."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pairings
import pytest

from simulate.air import Sky
from simulate.bodies import load_body
from simulate.camera import expose
from simulate.camera.exposure import clipped_above
from simulate.commands.limits import LimitsOptions, limits
from simulate.commands.view import view
from simulate.geometry import apparition
from simulate.instruments import Instrument, load_instrument
from simulate.judging import THRESHOLDS
from simulate.light.look import ViewOptions, expected_frame, exposure_of, sensor_noise
from simulate.present.words import facts
from simulate.stack import Exposure, ExposureWishes
from simulate.values.practice import IDEAL

pytestmark = pytest.mark.filterwarnings("ignore")

ONE = ViewOptions(ExposureWishes(exposure_s=0.01), practice=IDEAL)
LEVELS = (0.5, 0.9, 1.2, 3.0, 30.0)
FRAMES = 120
TIME = "2027-02-19T00:00"


@pytest.mark.parametrize("limit", [-3.0, -0.5, 0.0, 0.7, 2.5])
def test_mean_and_variance_of_a_cut_normal(limit: float) -> None:
    # truth: the integral over the density itself
    x = np.linspace(-12.0, 12.0, 400_001)
    density = np.exp(-0.5 * x**2)
    density /= density.sum()
    cut = np.minimum(x, limit)
    mean = float((density * cut).sum())
    found = clipped_above(np.array([5.0]), np.array([4.0]), 5.0 + 2.0 * limit)
    assert found[0][0] == pytest.approx(5.0 + 2.0 * mean, abs=1e-6)
    assert found[1][0] == pytest.approx(4.0 * float((density * (cut - mean) ** 2).sum()), rel=1e-5)


@pytest.mark.parametrize("full_well_e", [900.0, 15000.0])
@pytest.mark.parametrize("level", [0.9, 0.98, 1.0, 1.02, 1.2, 3.0])
def test_readings_of_the_sensor_model(level: float, full_well_e: float) -> None:
    # truth: the frames that the camera model draws, cut by the full well (900) or by the converter (15000)
    camera = replace(
        load_instrument("newtonian-150-mono").camera, filter_array="mono", full_well_e=full_well_e, read_noise_e=8.0,
        read_noise_curve=(), gain_e_per_dn=0.25, bits=12, offset_dn=40,
    )  # fmt: skip
    tool = replace(load_instrument("newtonian-150-mono"), camera=camera)
    full = camera.saturation_e()
    drawn = expose(np.full((1, 300, 300), level * full), camera, np.random.default_rng(3), True)
    electrons = (drawn.astype(float) - camera.offset_dn) * camera.gain_e_per_dn
    mean, variance = sensor_noise(tool, 0.25).reading(np.array([level * full]), 0.0)
    # rounding of the converter: a step of 0.25 e-
    assert mean[0] == pytest.approx(electrons.mean(), abs=0.3)
    assert variance[0] == pytest.approx(electrons.var(), rel=0.03, abs=0.02)


@cache
def small() -> Instrument:
    """A small telescope that brings all colours to one focus."""
    tool = load_instrument("refractor-60")
    return replace(tool, telescope=replace(tool.telescope, colour_error_um=(0.0, 0.0)))


@cache
def usual() -> Exposure:
    """The exposure that is chosen for Mars through the small setup."""
    look = expected_frame(load_body("mars"), small(), apparition("mars", TIME), Sky(), ONE)
    return exposure_of(look)


@pytest.mark.parametrize("level", LEVELS)
def test_expected_stack_holds_against_recorded_and_stacked_frames(tmp_path: Path, level: float) -> None:
    seconds = ONE.wishes.exposure_s * level / usual().peak_fraction
    pair = pairings.make(tmp_path, "mars", small(), TIME, FRAMES, 1.0, exposure_s=seconds)
    mine, expected = pair.stack.picture, pair.expected.picture
    steps = pair.stack.laid.step_arcsec, pair.expected.step_arcsec
    for one, two in zip(mine, expected, strict=True):
        flux = [pairings.flux(plane) * step**2 for plane, step in zip((one, two), steps, strict=True)]
        # far beyond full scale the halo is cut too, which is speckled in each frame and even in their mean
        assert flux[0] == pytest.approx(flux[1], rel=0.01 if level < 10 else 0.04)
        # the brightness that two thirds of the disc, half of it and a tenth of it exceed
        discs = [np.sort(plane[plane > 0.5 * np.quantile(plane, 0.998)]) for plane in (one, two)]
        bounds = [np.quantile(disc, (0.33, 0.5, 0.9)) for disc in discs]
        np.testing.assert_allclose(bounds[0], bounds[1], rtol=0.03)
        assert discs[0].size * steps[0] ** 2 == pytest.approx(discs[1].size * steps[1] ** 2, rel=0.04)
    # at full scale a reading varies no more, and the stack's noise falls to a part of a thousandth of the light
    channel = pair.channel
    noise = [pairings.disc_noise(*pictures) for pictures in (
        (mine[channel], pair.stack.noise[channel]), (expected[channel], pair.expected.noise[channel]),
    )]  # fmt: skip
    least = 0.0 if level < 2 else 1e-3 * float(expected[channel].max())
    assert noise[0] == pytest.approx(noise[1], rel=0.15, abs=least)


def test_overexposed_share_and_what_is_said_of_it() -> None:
    shares = []
    for level in LEVELS:
        wishes = ExposureWishes(exposure_s=0.01 * level / usual().peak_fraction)
        shown = view("mars", small(), TIME, options=ViewOptions(wishes, judge=False, practice=IDEAL))
        told = " ".join(shown.warnings) + " ".join(fact.text for fact in facts(shown))
        shares.append(shown.exposure.overexposed_share)
        assert ("overexposed" in told) == (level > 1.0)
        if level >= 3.0:
            assert f"{100 * shares[-1]:.0f} % of the disc at full scale" in told
    assert shares[:2] == [0.0, 0.0]
    assert 0.0 < shares[2] < shares[3] < shares[4] == 1.0


def test_what_lies_at_full_scale_is_lost_to_every_command() -> None:
    def seconds(level: float) -> ExposureWishes:
        return ExposureWishes(exposure_s=0.01 * level / usual().peak_fraction)

    def surface(level: float) -> dict[str, str]:
        shown = view("mars", small(), TIME, options=ViewOptions(seconds(level), practice=IDEAL))
        return {line.name: line.verdict for line in shown.features if "cap" in line.name or "mare" in line.name}

    assert surface(0.5)["north polar cap"] != "lost"
    assert set(surface(30.0).values()) == {"lost"}
    found = limits(
        "mars", small(), TIME, options=LimitsOptions(apertures_mm=(50.0, 60.0), wishes=seconds(30.0))
    )  # fmt: skip
    seen = {entry.name for entry in found.compared[0] if THRESHOLDS.verdict(entry.contrast, entry.snr) != "lost"}
    assert seen <= {"disc told from a star"}
    assert any("overexposed in refractor-60: 100 % of the disc at full scale" in text for text in found.warnings)
