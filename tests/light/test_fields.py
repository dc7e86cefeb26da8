"""Windows and grids for every sampling, coarse ones included."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from simulate.geometry import apparition
from simulate.instruments import load_instrument
from simulate.light.chain import Aim, lay_field, sampling_ratio


@pytest.mark.parametrize("width_arcsec", [20.0, 1900.0])
def test_a_field_is_laid_at_every_sampling(width_arcsec):
    """From ten times finer than critical to twelve times coarser: a grid that the stack's cells divide."""
    tool = load_instrument("newtonian-150")
    aim = Aim.of(apparition("jupiter", "2027-02-10T12:00"))
    seen = []
    for pixel_um in np.geomspace(0.5, 50.0, 200):
        coarse = replace(tool, camera=replace(tool.camera, pixel_um=float(pixel_um)))
        laid = lay_field(coarse, width_arcsec, aim)
        cells = laid.factor / laid.stack_factor
        assert cells == pytest.approx(round(cells))
        assert laid.grid.rows % round(cells) == 0
        assert laid.grid.step_arcsec * laid.grid.rows >= laid.sensor.rows * laid.sensor.pixel_arcsec * (1 - 1e-9)
        seen.append(sampling_ratio(coarse))
    assert min(seen) < 0.15
    assert max(seen) > 10.5
