"""The Earth's shadow at the Moon, and the light in it."""

from __future__ import annotations

import math

import numpy as np
import pytest

from simulate.errors import EclipseWarning
from simulate.geometry import Apparition, apparition, turned
from simulate.geometry.shadow_light import disc_light, shadow_light, straight_light
from simulate.geometry.table import apparition_table

FAR, SUN = 384_400.0, 149_597_870.7
GREEN = [550.0]


def eclipsed(time: str, site: str | None = None) -> Apparition:
    with pytest.warns(EclipseWarning, match="factor of 3"):
        return apparition("moon", time, site)


def test_the_radii_follow_danjon_s_rule() -> None:
    """1.01 pi_moon + pi_sun -+ s_sun, with the parallaxes and the semidiameter of the Sun of the distances."""
    seen = eclipsed("2018-07-27T20:22")
    assert seen.shadow is not None
    sun_au = 1.0156
    parallax = math.degrees(math.asin(6378.137 / (seen.distance_au * SUN))) * 3600
    rule = 1.01 * parallax + 8.794 / sun_au
    assert seen.shadow.umbra_arcsec == pytest.approx(rule - 959.6 / sun_au, abs=1.5)
    assert seen.shadow.penumbra_arcsec == pytest.approx(rule + 959.6 / sun_au, abs=1.5)


def test_the_moon_enters_with_its_eastern_limb_and_leaves_with_its_western() -> None:
    """It overtakes the shadow eastward; in 2028 it passes north of the axis (gamma .3258, the canon, from memory)."""
    before, middle, after = (eclipsed(f"2028-12-31T{clock}").shadow for clock in ("15:40", "16:52", "18:10"))
    assert before is not None
    assert middle is not None
    assert after is not None
    assert before.east_arcsec > 1500 > -1500 > after.east_arcsec
    assert middle.north_arcsec < -1000
    apart = math.hypot(middle.east_arcsec, middle.north_arcsec)
    assert apart == pytest.approx(0.3258 * 6378.137 / 377_600 * 206265, rel=0.01)


def test_magnitude_and_moonlight_follow_the_shadow() -> None:
    full, total = apparition("moon", "2028-12-31T13:30"), eclipsed("2028-12-31T16:52")
    assert full.shadow is None
    assert full.moon_sunlit_fraction == 1.0
    assert total.shadow is not None
    assert total.moon_sunlit_fraction == total.shadow.sunlit_fraction
    assert total.magnitude - full.magnitude == pytest.approx(total.shadow.dimming_mag, abs=0.05)
    # total eclipses without volcanic dust dim the Moon by 10^4 to some 10^5 (common knowledge of photometry)
    assert 9.0 < total.shadow.dimming_mag < 12.5
    table = apparition_table("jupiter", ["2028-12-31T13:30", "2028-12-31T16:52"])
    assert table["moon_sunlit_fraction"] == pytest.approx([1.0, total.moon_sunlit_fraction])


def test_the_shadow_turns_with_the_field() -> None:
    seen = eclipsed("2028-12-31T15:40")
    quarter = turned(seen, 90.0).shadow
    assert seen.shadow is not None
    assert quarter is not None
    assert (quarter.east_arcsec, quarter.north_arcsec) == pytest.approx(
        (seen.shadow.north_arcsec, -seen.shadow.east_arcsec)
    )


def test_a_place_on_the_earth_sees_the_same_shadow_at_the_same_moment() -> None:
    here, there = eclipsed("2025-09-07T17:00"), eclipsed("2025-09-07T17:00", "-33.9,151.2,20")
    assert here.shadow is not None
    assert there.shadow is not None
    assert there.shadow.umbral_magnitude == pytest.approx(here.shadow.umbral_magnitude, abs=2e-4)


def test_the_light_is_that_of_the_open_sun_far_from_the_axis_and_falls_inwards() -> None:
    places = np.linspace(0.0, 9500.0, 96)
    light = shadow_light(places, GREEN, FAR, SUN)[0]
    assert np.all(np.diff(light) > -0.02 * light[1:])
    assert light[-1] == pytest.approx(1.0, abs=0.005)
    assert straight_light(places, FAR, SUN)[[0, -1]].tolist() == [0.0, 1.0]


def test_the_umbra_is_dark_and_red_as_measured() -> None:
    """Link (1963, Die Mondfinsternisse, quoted from memory): 10^-4.9 in the green at the axis, 10^-3 at the edge.

    Red light is brighter there by ten times and more, and the very edge of the umbra is bluish: ozone takes yellow.
    """
    blue, green, red = shadow_light(np.array([500.0, 4300.0]), [450.0, 550.0, 650.0], FAR, SUN)
    assert -np.log10(green) == pytest.approx([4.9, 3.2], abs=0.5)
    assert red[0] > 5.0 * green[0] > 20.0 * blue[0]
    assert blue[1] > 0.9 * green[1]


def test_the_disc_s_light_is_half_when_half_of_it_is_in_a_sharp_shadow() -> None:
    """Far inside the penumbra's edge the whole disc sees the part of the Sun that its middle sees, nearly linearly."""
    middle = shadow_light(np.array([6500.0]), GREEN, FAR, SUN)[0, 0]
    assert disc_light(6500.0, 300.0, FAR, SUN) == pytest.approx(middle, rel=0.02)
    assert disc_light(12_000.0, 1737.4, FAR, SUN) == pytest.approx(1.0, abs=0.002)
