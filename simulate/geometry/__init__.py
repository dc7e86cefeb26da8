"""Where and when: from an instant and a place to everything that geometry knows of a body.

site        places on the Earth
clock       instants, Terrestrial and Universal Time
ephemeris   where Sun, Moon and planets are
earth       the turning Earth: axes of date, altitude, refraction, airmass
sight       lines of sight with light time and aberration
look        one body seen by one observer: the vectors behind the numbers
table       all scalar quantities for many instants
moon_theory where the satellites are
earth_shadow, shadow_light  the Moon's eclipses: the Earth's shadow, and the light in it
spheroid    outlines, and where a ray meets a globe
moons       satellites of Jupiter and Saturn: transits, occultations, eclipses, shadows
apparitions one body at one instant
rise_set    risings, transits, settings, the best moment of a night
"""

from simulate.geometry.apparitions import Apparition, apparition, turned, turned_offset
from simulate.geometry.clock import instant_after, parse_time, utc_text
from simulate.geometry.earth_shadow import EarthShadow
from simulate.geometry.moons import MoonState, MoonTrack, moon_table
from simulate.geometry.rise_set import BestMoment, RiseTransitSet, best_moment, next_rise, night_of, rise_transit_set
from simulate.geometry.site import Site, as_site, parse_site
from simulate.geometry.table import ApparitionTable, apparition_table

__all__ = [
    "Apparition",
    "ApparitionTable",
    "BestMoment",
    "EarthShadow",
    "MoonState",
    "MoonTrack",
    "RiseTransitSet",
    "Site",
    "apparition",
    "apparition_table",
    "as_site",
    "best_moment",
    "instant_after",
    "moon_table",
    "next_rise",
    "night_of",
    "parse_site",
    "parse_time",
    "rise_transit_set",
    "turned",
    "turned_offset",
    "utc_text",
]
