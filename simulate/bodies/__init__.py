"""What sends the light back: shape, spin, brightness, colours, rings and moons of each body.

scattering   limb darkening and phase laws
sections     data files in which no number stands without its source
body         `Body` and `load_body`: one frozen object a body, from its data file
orientation  pole and prime meridian (IAU form)
photometry   apparent magnitude
spectra      albedo and photon fluxes by wavelength
colour       spectral bins to the colours of a screen
describe     every number of a body beside its source
surface      the face: reflectance by place and band
features     named surface features as data, each removable
shapes       soft-edged shapes on a sphere
seasons      caps, hoods and dust of Mars
texture      fine structure that is made up, off unless asked for
user_map     a user's own picture as a map
"""

from simulate.bodies.body import Body, Ring, body_names, load_body, read_body_file
from simulate.bodies.features import feature_names
from simulate.bodies.orientation import Orientation, pole_and_meridian
from simulate.bodies.photometry import visual_magnitude
from simulate.bodies.scattering import Scattering, minnaert_k
from simulate.bodies.sections import Section, Sourced
from simulate.bodies.spectra import body_photon_flux, geometric_albedo, magnitude_zero_flux, solar_photon_flux
from simulate.bodies.surface import SurfaceMap, surface_map
from simulate.bodies.user_map import load_user_map

__all__ = [
    "Body",
    "Orientation",
    "Ring",
    "Scattering",
    "Section",
    "Sourced",
    "SurfaceMap",
    "body_names",
    "body_photon_flux",
    "feature_names",
    "geometric_albedo",
    "load_body",
    "load_user_map",
    "magnitude_zero_flux",
    "minnaert_k",
    "pole_and_meridian",
    "read_body_file",
    "solar_photon_flux",
    "surface_map",
    "visual_magnitude",
]
