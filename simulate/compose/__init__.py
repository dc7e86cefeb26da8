"""The composers: the only modules that know in which order the light passes the rooms.

chain   the fast expected path, from a scene to electrons, by mean transfer functions
view    one body through one instrument, from the truth to the finished picture
colours from a camera's channels to the colours of a screen
"""
