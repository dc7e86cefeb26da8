"""A recording with fewer bits, or compressed, is another camera; by statistics with fixed seeds."""

from __future__ import annotations

import numpy as np
import pytest

from simulate.camera import Camera, expose
from simulate.camera.exposure import noise_variance_e


def test_fewer_bits_keep_full_scale_and_coarsen_the_step() -> None:
    camera = Camera(2.9, 64, 64, bits=12, gain_e_per_dn=3.6, offset_dn=32.0, full_well_e=1e5)
    video = camera.recorded_with(8, 0.0)
    assert (video.bits, video.gain_e_per_dn, video.offset_dn) == (8, 3.6 * 16, 2.0)
    assert video.saturation_e() == pytest.approx(camera.saturation_e(), rel=0.005)
    assert camera.recorded_with(None, 0.0) == camera == camera.recorded_with(16, 0.0)


def test_compression_is_noise_by_a_share_of_the_light() -> None:
    # EMVA 1288, Release 4.0, equation 16, and on top the square of 1 % of the light; bound: 5 sigma of a variance
    bare = Camera(2.9, 256, 256, bits=16, gain_e_per_dn=1.0, full_well_e=1e5, read_noise_e=2.0)
    camera = bare.recorded_with(16, 0.01)
    light = np.full((1, 256, 256), 20000.0, np.float32)
    raw = expose(light, camera, np.random.default_rng(5))
    expected = float(noise_variance_e(20000.0, camera))
    assert expected == pytest.approx(20000 + 4 + 1 / 12 + 200.0**2)
    assert np.var(raw.astype(float)) == pytest.approx(expected, rel=5 * (2 / raw.size) ** 0.5)
    assert np.mean(raw) - camera.offset_dn == pytest.approx(20000, abs=5 * (expected / raw.size) ** 0.5)
