"""A recording, frame by frame: what the camera would have written to disk, with its truth.

speckle   the frame kernel: wavefront -> transfer -> electrons a pixel
wander    the mount's random path, a pure function of (seed, time)
frames    one frame from its number
workers   frames over processes or a cluster, handed back in order
files     the FITS cube on disk: streamed, resumable, valid on a full disk; the truth file
exports   the same frames as TIFF files or as a video for a look
"""
