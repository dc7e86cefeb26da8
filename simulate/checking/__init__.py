"""A user's picture against the theory of its instant, backwards along the light: one slice, from file to sheet.

reading   the picture as numbers             finding   the planet in it
fitting   scale, angle, mirror, tone, blur   model     what the fit compares with
bench     the theories of one setup          measures  sharpness, noise, tone, widths
faults    what explains the rest             twin      the same fault on a picture without the feature
dots, points  moons, stars, shadows          dates, times  other instants
findings  features, clock, angles            budget    two pictures against each other
check     the order of steps                 results   what it returns
words, sheet, contract, files                how it is said, drawn and written
"""
