"""Files that a user gives: one door for all of them, and what they may hold at most.

door      opens a file once it is known to be a plain one of a bearable size; text and TOML
fits      FITS files: where the pictures in them lie, without trusting the header
tiff      TIFF files: their pages, one by one
pictures  one reader of pictures of every kind

Nothing is decoded before its size has been read from the header and held against a bound, and compressed data is
unpacked into no more room than the header promises. Whatever is wrong with a file is told in one sentence.
"""
