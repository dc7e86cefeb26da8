"""Limb darkening and phase laws."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from simulate.bodies import body_names, load_body, minnaert_k
from simulate.bodies.scattering import lambert_phase, lommel_seeliger_phase
from simulate.errors import InputError


def test_jupiters_exponents():
    # Simon et al. 2015 (ApJ 812, 55): 0.850 at 395 nm, 0.950 at 502 nm, 0.999 at 631 nm
    jupiter = load_body("jupiter")
    assert minnaert_k(jupiter, [395, 502, 631]) == pytest.approx([0.850, 0.950, 0.999])
    assert minnaert_k(jupiter, [300, 1000]) == pytest.approx([0.850, 0.999])
    assert minnaert_k(jupiter, (395 + 502) / 2) == pytest.approx(0.900)


def test_hipparcos_exponents():
    # Hestroffer 2003 (A&A 403, 749): Titan 0.90 +- 0.02, Europa 0.58 +- 0.01
    assert minnaert_k(load_body("titan"), 550.0) == pytest.approx(0.90, abs=0.02)
    assert minnaert_k(load_body("europa"), 550.0) == pytest.approx(0.58, abs=0.01)


def test_airless_bodies_have_a_flat_disc():
    for name in ("mercury", "moon", "io", "callisto"):
        body = load_body(name)
        assert body.scattering.law == "lommel-seeliger"
        assert minnaert_k(body, np.ones((2, 3))) == pytest.approx(0.5 * np.ones((2, 3)))


@given(name=st.sampled_from([n for n in body_names() if n not in ("sun", "star")]), wavelength=st.floats(300.0, 1100.0))
def test_exponents_stay_between_flat_and_lambert(name, wavelength):
    assert 0.35 <= float(minnaert_k(load_body(name), wavelength)) <= 1.0


def test_the_sun_is_not_lit():
    with pytest.raises(InputError, match="lit by the Sun"):
        minnaert_k(load_body("sun"), 550.0)


def _disc_integral(law, phase_deg):
    """Brightness of a sphere relative to full phase, summed over a fine disc."""
    a = np.radians(phase_deg)
    x, y = np.meshgrid(np.linspace(-1, 1, 1501), np.linspace(-1, 1, 1501))
    z = np.sqrt(np.clip(1 - x**2 - y**2, 0, None))
    mu, mu0 = z, x * np.sin(a) + z * np.cos(a)
    lit = (x**2 + y**2 < 1) & (mu0 > 0)
    return np.where(lit, law(mu0, np.maximum(mu, 1e-9)), 0).sum()


@pytest.mark.parametrize("phase", [0.0, 30.0, 90.0, 120.0])
def test_phase_laws_are_the_integrals_of_the_discs(phase):
    lambert = _disc_integral(lambda mu0, mu: mu0, phase) / _disc_integral(lambda mu0, mu: mu0, 0.0)
    assert lambert_phase(phase) == pytest.approx(lambert, abs=1e-3)

    def lommel_seeliger(mu0, mu):
        return np.maximum(mu0, 0) / (np.maximum(mu0, 0) + mu)

    seeliger = _disc_integral(lommel_seeliger, phase) / _disc_integral(lommel_seeliger, 0.0)
    assert lommel_seeliger_phase(phase) == pytest.approx(seeliger, abs=2e-3)


def test_phase_laws_at_their_ends():
    for law in (lambert_phase, lommel_seeliger_phase):
        values = law(np.linspace(0, 180, 361))
        assert values[0] == pytest.approx(1.0, abs=1e-9)
        assert values[-1] == pytest.approx(0.0, abs=1e-9)
        assert np.all(np.diff(values) <= 1e-12)
