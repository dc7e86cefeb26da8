"""Trade-offs of a recording through the chain, and the layer of moons."""

from __future__ import annotations

import math

import numpy as np
import pytest

from simulate.air import Sky
from simulate.bodies import load_body
from simulate.commands.view import compose_view
from simulate.geometry import Site
from simulate.geometry.clock import days_of
from simulate.instruments import load_instrument
from simulate.light.look import ViewOptions, kept_frames
from simulate.planning.card import moon_cards, moon_layer
from simulate.planning.outlook import Case, Prospect, prospect
from simulate.planning.records import Trades
from simulate.planning.trades import best_shares, finished_width, gain_curve, sharpening_of, trades_of
from simulate.scene import SceneOptions
from simulate.values.practice import IDEAL

SITE = Site(47.4, 8.5, 400.0)


def jupiter(instrument: str, seeing_arcsec: float) -> Prospect:
    options = ViewOptions(scene=SceneOptions(red_spot_longitude_deg=0.0), practice=IDEAL)
    case = Case(load_body("jupiter"), load_instrument(instrument), SITE, Sky(seeing_arcsec=seeing_arcsec), options)
    return prospect(case, case.seen(float(days_of(["2027-02-10T23:00"])[0])))


@pytest.fixture(scope="module")
def small() -> Prospect:
    return jupiter("refractor-60", 1.0)


@pytest.fixture(scope="module")
def found(small: Prospect) -> Trades:
    return trades_of(small)


def test_below_one_fried_length_nearly_all_frames_are_worth_keeping(small: Prospect, found: Trades) -> None:
    """Published rule: D/r0 below 1, keep about all."""
    assert small.look.chain.setting.fried_ratio < 1.0
    assert found.share_snr[-1] > 0.95 * found.share_snr.max()


def test_more_frames_help_by_the_root_at_first_and_then_no_more(found: Trades) -> None:
    growth = found.frames_snr[1:] / found.frames_snr[:-1]
    roots = np.sqrt(found.frames[1:] / found.frames[:-1])
    assert np.all(growth < 1.03 * roots)
    assert np.all(growth > 0.97)
    assert growth[-1] < 1.1


def test_enough_is_where_verdict_and_finished_picture_have_levelled_off(found: Trades) -> None:
    """Restoring follows the noise: the finished width goes on falling after the verdict has settled."""
    assert np.all(np.diff(found.frames_finished_arcsec) < 0)
    enough = int(found.advice[2].split()[1])
    index = found.frames.tolist().index(enough)
    for values in (found.frames_snr, 1.0 / found.frames_finished_arcsec):
        assert values[index + 2] < 1.1 * values[index]
    before = max(
        values[index + 1] / values[index - 1] for values in (found.frames_snr, 1 / found.frames_finished_arcsec)
    )
    assert before >= 1.1
    assert "enough" in found.advice[2]


def test_the_finished_width_is_that_of_the_view(small: Prospect) -> None:
    """The same recording sent through the whole of `view`."""
    view = compose_view(
        small.look.body,
        small.look.instrument,
        small.look.scene.apparition,
        Sky(seeing_arcsec=1.0),
        small.look.options,
        0,
    )
    width = finished_width(kept_frames(small.look, small.exposure), small.exposure)
    assert width == pytest.approx(view.optics.delivered_fwhm_arcsec, rel=0.03)


def test_one_share_is_recommended(found: Trades, small: Prospect) -> None:
    best = found.shares[int(np.argmin(found.share_finished_arcsec))]
    assert f"({found.share_finished_arcsec.min():.2f} arcsec)" in found.advice[1]
    rule = small.exposure.kept / small.exposure.frames
    assert f"the card's {rule:.0%} give" in found.advice[1]
    assert best >= 0.2  # D/r0 below 1: nearly all are good


def test_gain_by_the_linear_model(small: Prospect) -> None:
    """Photon noise, read noise and rounding to gain / sqrt(12) (EMVA 1288), in the brightest pixel."""
    gains, snr = gain_curve(small)
    camera, exposure = small.look.instrument.camera, small.exposure
    index = len(gains) // 2
    electrons = exposure.peak_electrons
    noise = math.sqrt(electrons + camera.read_noise_at(gains[index]) ** 2 + gains[index] ** 2 / 12)
    assert snr[0][index] == pytest.approx(math.sqrt(exposure.kept) * electrons / noise)
    assert np.all(np.isnan(snr[0]) == (electrons > np.array([camera.saturation_e(gain) for gain in gains])))
    shown = snr[1][np.isfinite(snr[1])]
    assert np.all(np.diff(shown) <= 1e-9) or camera.read_noise_curve


def test_shares_that_are_hardly_worse_than_the_best_are_advised_too() -> None:
    assert best_shares([5.0, 9.85, 10.0, 9.9, 7.0]) == (1, 3)
    assert best_shares([9.9, 5.0, 10.0]) == (2, 2)
    assert best_shares([-1.2, -1.01, -1.0, -1.05]) == (1, 2)  # widths


def test_sharpening_overshoots_by_two_percent_at_its_limit(small: Prospect) -> None:
    found = sharpening_of(small)
    assert 0.5 < found.strongest < 15.0
    reached = float(np.interp(found.strongest, found.strengths, found.overshoot))
    if found.limited_by == "ringing":
        assert reached == pytest.approx(
            max(0.02, float(np.interp(found.strongest, found.strengths, found.noise))), abs=5e-3
        )


def test_moons_of_the_layer_lie_where_the_card_has_them_and_are_as_bright(small: Prospect) -> None:
    """Wanted: within 0.3 pixels; brightness by the ratio of the exposures on the card."""
    layer = moon_layer(small.look)
    assert layer is not None
    cards = {card.name: card for card in moon_cards(small.look, 0.01)}
    peaks = {}
    for name in layer.names:
        row, column = cards[name].row_px + layer.middle_row, cards[name].column_px + layer.middle_column
        top, left = round(row) - 4, round(column) - 4
        patch = layer.light[top : top + 9, left : left + 9].astype(float)
        rows, columns = np.mgrid[top : top + 9, left : left + 9]
        assert (patch * rows).sum() / patch.sum() == pytest.approx(row, abs=0.3)
        assert (patch * columns).sum() / patch.sum() == pytest.approx(column, abs=0.3)
        peaks[name] = float(patch.sum())
    brightest = max(peaks, key=lambda name: peaks[name])
    for name, light in peaks.items():
        wanted = 10.0 ** (0.4 * (cards[brightest].magnitude - cards[name].magnitude))
        assert light / peaks[brightest] == pytest.approx(wanted, rel=0.1)
    assert float(layer.light.max()) == 1.0
