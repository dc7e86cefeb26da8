"""The composers: the only modules that know in which order the light passes the rooms.

chain    the fast expected path, from a scene to electrons, by mean transfer functions
colours  from a camera's channels to the colours of a screen
view     one body through one instrument, from the truth to the finished picture
judge    verdicts on pairs of scenes through one chain
study    scenes and transforms that many setups share
limits   smallest apertures, the loss budget, what would help
outlook  quick prospects of many dates
season   months and years
card     the capture card
plan     a night
moon_calendar  what Jupiter's moons and red spot do in the dark hours of a season
record   a recording, frame by frame
stacking a recording's stack, restored
check    a user's picture against theory
trial    the check tried on pictures of known truth
"""
