"""One short module a command; only these (and `checking`) know in which order the light passes the rooms.

view     one body through one instrument, from the truth to the finished picture
limits   smallest apertures, the loss budget, what would help
season   months and years
plan     a night
record   a recording, frame by frame
stack    a recording's stack, restored
"""
