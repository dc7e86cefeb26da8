"""A small view, filled by hand: real geometry and a shipped instrument, a drawn disc as the picture."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import numpy as np

from simulate.air import Sky
from simulate.bodies import load_body
from simulate.geometry import apparition
from simulate.instruments import load_instrument
from simulate.judging.thresholds import FeatureLine
from simulate.results.view import OpticsFacts, Picture, Placement, View
from simulate.scene import PointSource, Scene
from simulate.stack import Exposure, Recording, SensorNoise, expected_stack, restore
from simulate.values.grid import Grid
from simulate.values.spectrum import SpectralBins

BINS = SpectralBins((400.0, 500.0, 600.0, 700.0))
STEP = 0.5


def drawn_disc(grid: Grid, radius: float) -> np.ndarray:
    """A disc with a bright spot in its north-east quarter, so that every flip shows."""
    east, north = np.meshgrid(grid.east_arcsec(), grid.north_arcsec())
    disc = np.clip((radius - np.hypot(east, north)) / grid.step_arcsec + 0.5, 0.0, 1.0)
    spot = np.exp(-((east - 0.5 * radius) ** 2 + (north - 0.4 * radius) ** 2) / (0.1 * radius) ** 2)
    return disc * (0.6 + 0.4 * spot)


@lru_cache(maxsize=8)
def drawn_view(body: str = "jupiter", instrument: str = "newtonian-150", site: str | None = "-41.3,174.8,20") -> View:
    seen = apparition(body, "2027-02-14T12:00", site)
    tool = load_instrument(instrument)
    grid = Grid(120, 128, STEP)
    disc = drawn_disc(grid, max(seen.equatorial_diameter_arcsec / 2, 1.0))
    radiance = np.stack([disc * level for level in (0.8e6, 1.0e6, 0.9e6)])
    scene = Scene(grid, BINS, radiance, (PointSource("io", 25.3, -6.1, np.array([1e5, 2e5, 1.5e5])),), seen)
    exposure = Exposure(0.01, 3.6, 800.0, 0.06, 9000, 3000, 90.0, 100.0, "motion of the air")
    recording = Recording(0.01, 9000, 3000, STEP, (0.25, 0.5, 0.25))
    transfer = np.exp(-((grid.frequency() / 0.5) ** 2))[None].repeat(3, axis=0)
    rate = (
        np.stack([np.maximum(np.fft.irfft2(np.fft.rfft2(plane) * transfer[0], s=grid.shape), 0) for plane in radiance])
        / 12
    )
    stack = expected_stack(
        rate, STEP, recording, SensorNoise(1.2, 14000.0, 3.6), transfer=transfer, rng=np.random.default_rng(1)
    )
    finished = restore(stack.picture, stack.noise, stack.transfer, STEP)
    camera = Placement.turned(STEP, 15.0, False, 0.4, -0.7)
    colour = np.moveaxis(radiance, 0, -1) / 1.2e6
    raw = np.random.default_rng(2).integers(0, 400, grid.shape).astype(np.uint16)
    return View(
        subject=load_body(body),
        instrument=tool,
        apparition=seen,
        scene=scene,
        sky=Sky(seeing_arcsec=2.0),
        expected=Picture(rate * 0.01, camera, "electron"),
        frame=Picture(raw, camera, "adu"),
        stack=stack,
        finished=finished,
        stack_placement=Placement.of_grid(grid),
        psf=Picture(np.full(grid.shape, 1.0 / (grid.rows * grid.columns)), Placement.of_grid(grid)),
        truth_rgb=Picture(colour, Placement.of_grid(grid)),
        frame_rgb=Picture(colour, camera),
        stack_rgb=Picture(colour, Placement.of_grid(grid)),
        finished_rgb=Picture(colour, Placement.of_grid(grid)),
        exposure=exposure,
        optics=OpticsFacts(0.249, 0.757, 0.97, 10.5, 0.66, 2.18, 2.46, 1.04, 1.01, 0.91, 3.8),
        channel_names=("red", "green", "blue"),
        features=(
            FeatureLine("red spot", "doubtful", 0.6, 4.0),
            FeatureLine("south equatorial belt", "clear", 0.9, 40.0),
        ),
        inputs={"body": body, "seeing": "2 arcsec", "dust": 0.0, "site": {"latitude_deg": -41.3}},
        warnings=("the red spot's longitude is carried on",),
        seed=7,
        version="0.1.0",
    )


def near_sun(view: View, elongation_deg: float) -> View:
    return replace(view, apparition=replace(view.apparition, elongation_deg=elongation_deg))
