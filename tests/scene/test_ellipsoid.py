"""The ellipsoid against closed forms of the sphere and of the spheroid."""

from __future__ import annotations

import math

import numpy as np
import pytest

from simulate.scene.ellipsoid import Ellipsoid
from simulate.scene.scattering import Law


def direction(position_angle_deg: float, toward_deg: float) -> np.ndarray:
    angle, toward = math.radians(position_angle_deg), math.radians(toward_deg)
    return np.array([math.cos(toward) * math.sin(angle), math.cos(toward) * math.cos(angle), math.sin(toward)])


SUN_BEHIND = (0.0, 0.0, 1.0)


def at(ellipsoid: Ellipsoid, east: float, north: float):
    return ellipsoid.points(np.array([east]), np.array([north]))


def test_the_outline_of_a_spheroid_has_the_axes_of_analytic_geometry():
    """Apparent minor axis of an oblate spheroid seen from latitude B: sqrt(c^2 cos^2 B + a^2 sin^2 B)."""
    a, c, latitude = 20.0, 18.0, 30.0
    body = Ellipsoid(a, c, direction(0.0, latitude), SUN_BEHIND)
    minor = math.sqrt((c * math.cos(math.radians(latitude))) ** 2 + (a * math.sin(math.radians(latitude))) ** 2)
    assert body.half_widths == pytest.approx((a, minor), rel=1e-12)
    assert body.area == pytest.approx(math.pi * a * minor, rel=1e-12)


def test_the_middle_of_the_disc_shows_the_sub_observer_latitude():
    """tan(graphic) = (a/c)^2 tan(centric); the line of sight through the middle meets the surface there."""
    body = Ellipsoid(10.0, 9.0, direction(25.0, 20.0), SUN_BEHIND)
    middle = at(body, 0.0, 0.0)
    graphic = math.degrees(math.atan((10 / 9) ** 2 * math.tan(math.radians(20.0))))
    assert body.latitude_graphic_deg(middle)[0] == pytest.approx(graphic, abs=1e-9)
    assert body.longitude_from_meridian_deg(middle)[0] == pytest.approx(0.0, abs=1e-9)


def test_points_lie_on_the_surface_and_on_their_ray():
    body = Ellipsoid(10.0, 8.5, direction(70.0, -15.0), direction(200.0, 50.0))
    rng = np.random.default_rng(1)
    east, north = rng.uniform(-5, 5, (2, 50))
    points = body.points(east, north)
    place = body.positions(points)
    assert np.allclose(place[:2], [east, north], atol=1e-12)
    pole = body.pole
    along = pole @ place
    assert np.allclose(((place**2).sum(axis=0) - along**2) / 100 + along**2 / 8.5**2, 1.0)
    normal = body.normals(points)
    assert np.allclose(normal[2], points.mu)
    assert np.allclose(body.sun @ normal, points.mu0)


def test_the_body_s_east_is_the_sky_s_west():
    """Seen from outside with north up, a globe's east is on the right, the sky's east on the left."""
    body = Ellipsoid(10.0, 10.0, (0.0, 1.0, 0.0), SUN_BEHIND)
    assert body.longitude_from_meridian_deg(at(body, -5.0, 0.0))[0] == pytest.approx(30.0)
    assert body.longitude_from_meridian_deg(at(body, 5.0, 0.0))[0] == pytest.approx(-30.0)
    turned = Ellipsoid(10.0, 10.0, (1.0, 0.0, 0.0), SUN_BEHIND)  # north pole toward the sky's east
    assert turned.longitude_from_meridian_deg(at(turned, 0.0, 5.0))[0] == pytest.approx(30.0)


@pytest.mark.parametrize("phase", [0.0, 30.0, 60.0, 90.0, 120.0, 150.0, 172.0])
def test_integrals_over_the_lit_disc_follow_the_closed_phase_laws(phase):
    """Lambert: [sin a + (pi-a) cos a]/pi; Lommel-Seeliger: 1 - sin(a/2) tan(a/2) ln cot(a/4)."""
    body = Ellipsoid(3.0, 3.0, (0.0, 1.0, 0.0), direction(77.0, 90.0 - phase))
    points, weights = body.lit_quadrature(64)
    a = math.radians(phase)
    assert weights.sum() == pytest.approx(math.pi * 9.0 * (1 + math.cos(a)) / 2, rel=1e-5)
    lambert = Law((1.0,))(points.mu, points.mu0)[0] @ weights / (math.pi * 9.0 * 2 / 3)
    assert lambert == pytest.approx((math.sin(a) + (math.pi - a) * math.cos(a)) / math.pi, rel=2e-4)
    seeliger = Law(None)(points.mu, points.mu0)[0] @ weights / (math.pi * 9.0 / 2)
    closed = 1 - math.sin(a / 2) * math.tan(a / 2) * math.log(1 / math.tan(a / 4)) if phase else 1.0
    assert seeliger == pytest.approx(closed, rel=2e-3 if phase > 160 else 5e-4)


def test_minnaert_s_disc_mean_over_centre():
    """At zero phase the mean over the disc is 2 / (2k + 1) of the centre."""
    body = Ellipsoid(1.0, 1.0, (0.0, 1.0, 0.0), SUN_BEHIND)
    points, weights = body.lit_quadrature(64)
    exponents = (0.6, 0.8, 1.0)
    mean = Law(exponents)(points.mu, points.mu0) @ weights / math.pi
    assert mean == pytest.approx([2 / (2 * k + 1) for k in exponents], rel=1e-3)
