"""The values that every room may use: grids, spectral bins, constants, checks at the door.

grid       a tangent-plane grid; the one statement of orientation
spectrum   the spectral bins that scenes carry
constants  unit factors and constants, each with its source
checks     one helper that takes a number or a Quantity and returns a float in the wanted unit
arrays     read-only arrays
files      files are written beside and renamed
"""
