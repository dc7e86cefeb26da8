"""What can be planned ahead: the arithmetic of a recording, and when things happen.

capture      longest recording, focus, sampling, exposure of moons, amount of data
search       when a quantity passes a level or turns
events       oppositions, conjunctions, elongations, ring-plane crossings, seasons
lunar_eclipses  eclipses of the Moon and their contacts
moon_events  transits, shadows, eclipses and occultations of Jupiter's moons; passages of the red spot
sharpening   how strong an unsharp mask may be
appearance   the phase that is seen; Saturn's rings against its globe
nights       the Sun's events of a night, and the best moments of many nights
"""
