"""Spectral bins integrate densities exactly and lose nothing between them."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from simulate.errors import InputError
from simulate.values.spectrum import DEFAULT_BINS, SpectralBins


def test_default_bins_cover_what_silicon_and_the_eye_see_with_at_least_eight() -> None:
    assert len(DEFAULT_BINS) >= 8
    assert DEFAULT_BINS.edges_nm[0] <= 380
    assert DEFAULT_BINS.edges_nm[-1] >= 1000
    assert DEFAULT_BINS.widths_nm.sum() == pytest.approx(DEFAULT_BINS.edges_nm[-1] - DEFAULT_BINS.edges_nm[0])


@given(st.floats(-2.0, 2.0), st.floats(-0.01, 0.01))
def test_a_line_is_integrated_exactly(level: float, slope: float) -> None:
    wave = np.array([300.0, 1100.0])
    result = DEFAULT_BINS.integrate(wave, level + slope * wave)
    np.testing.assert_allclose(result, (level + slope * DEFAULT_BINS.centres_nm) * DEFAULT_BINS.widths_nm, atol=1e-9)


def test_bins_add_up_to_the_whole_also_where_the_samples_do_not_meet_the_edges() -> None:
    wave = np.linspace(391.0, 987.0, 77)
    density = 1 + np.sin(wave / 30.0)
    whole = np.sum(0.5 * (density[1:] + density[:-1]) * np.diff(wave))
    assert DEFAULT_BINS.integrate(wave, density).sum() == pytest.approx(whole, rel=1e-12)


@pytest.mark.parametrize("edges", [(400.0,), (400.0, 400.0), (500.0, 400.0)])
def test_edges_must_rise(edges: tuple[float, ...]) -> None:
    with pytest.raises(InputError, match="spectral bins"):
        SpectralBins(edges)
