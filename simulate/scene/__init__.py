"""Radiance on the sky: from a body and its apparition to a scene above the air.

values         what comes out: `Scene`, `PointSource`, and the options
raster         exact coverage of cells by shapes given by their chords
ellipsoid      rays, normals and lit chords of an oblate ellipsoid; integrals over its lit part
scattering     brightness by the heights of Sun and observer
globe          a lit disc as cell means
rings          light of either face, transparency, shadows
shadows        moons before the Sun: umbra and penumbra
moons          satellites as discs or points
feature_names  what can be left out
render         all of it together
"""

from simulate.scene.feature_names import scene_feature_names
from simulate.scene.render import disc_radius_arcsec, render, scene_grid, scene_radius_arcsec, visual_weights
from simulate.scene.values import PointSource, Scene, SceneOptions

__all__ = [
    "PointSource",
    "Scene",
    "SceneOptions",
    "disc_radius_arcsec",
    "render",
    "scene_feature_names",
    "scene_grid",
    "scene_radius_arcsec",
    "visual_weights",
]
