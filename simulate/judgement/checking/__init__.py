"""A user's picture against theory: what it is, where the planet stands in it, how good it is and why not better.

reading   `read_picture`: PNG, TIFF, FITS or JPEG into plain levels, safely
finding   `find_planet`: where the planet is, by brightness alone
model     `Theory`: the unblurred planet, blurred and laid under the picture's pixels
fitting   `fit_picture`: place, scale, angle, mirror, blur and tone curve with their uncertainties
measures  transfer by frequency, effective aperture, channel shifts, levels, overshoot
faults    which fault explains what is missing, ranked by evidence
twin      the same blur and noise on a theory without a detail
"""
