"""Where and when: from an instant and a place to everything that geometry knows of a body.

site        places on the Earth
clock       instants, Terrestrial and Universal Time
ephemeris   where Sun, Moon and planets are
earth       the turning Earth: axes of date, altitude, refraction, airmass
sight       lines of sight with light time and aberration
look        one body seen by one observer: the vectors behind the numbers
table       all scalar quantities for many instants
moon_theory where the satellites are
spheroid    outlines, and where a ray meets a globe
moons       satellites of Jupiter and Saturn: transits, occultations, eclipses, shadows
apparitions one body at one instant
rise_set    risings, transits, settings, the best moment of a night
"""

from simulate.geometry.apparitions import Apparition, apparition
from simulate.geometry.clock import parse_time, utc_text
from simulate.geometry.moons import MoonState
from simulate.geometry.site import Site, as_site, parse_site
from simulate.geometry.table import ApparitionTable, apparition_table

__all__ = [
    "Apparition",
    "ApparitionTable",
    "MoonState",
    "Site",
    "apparition",
    "apparition_table",
    "as_site",
    "parse_site",
    "parse_time",
    "utc_text",
]
