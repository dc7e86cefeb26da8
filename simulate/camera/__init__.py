"""The camera: pixel grid, colours, noise, numbers.

settings   `Camera`, `Mount`: what the user's file gives
colour     channels and their response by wavelength
sensor     `SensorGrid`: pixels on the sky, the pixel's transfer function, sampling
motion     blur by tracking, drift, planet and field rotation
mosaic     the colour filter array, laid and taken apart
exposure   `expose`: photon noise, read noise, gain, quantisation, clipping -> `Frame`
"""

from simulate.camera.colour import channel_names, channel_response, read_curves
from simulate.camera.exposure import Frame, expected_charge, expected_dn, expose, noise_variance_e, take_frame
from simulate.camera.mosaic import channel_index, demosaic_bilinear, lay_mosaic
from simulate.camera.motion import (
    tracking_transfer,
    wander_within,
)
from simulate.camera.sensor import SensorGrid, pixel_scale_arcsec, pixel_transfer, sample
from simulate.camera.settings import Camera, Curve, Mount

__all__ = [
    "Camera",
    "Curve",
    "Frame",
    "Mount",
    "SensorGrid",
    "channel_index",
    "channel_names",
    "channel_response",
    "demosaic_bilinear",
    "expected_charge",
    "expected_dn",
    "expose",
    "lay_mosaic",
    "noise_variance_e",
    "pixel_scale_arcsec",
    "pixel_transfer",
    "read_curves",
    "sample",
    "take_frame",
    "tracking_transfer",
    "wander_within",
]
