"""What a person gets to see: pictures, sheets, montages, files, tables and words.

record     `View`: everything about one body through one instrument, as the composer fills it
images     8- and 16-bit pictures; the one tone curve
place      putting a picture north up at a wanted scale
sheet      the sheet of one view
montage    several views at one angular scale
fits       the FITS file of a view
contract   the JSON of `view`
words      facts in words with units and uncertainty; the summary for the terminal
caution    the fixed safety text
progress   messages and progress on standard error
"""
