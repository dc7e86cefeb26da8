"""What theory promised of a synthetic recording, and how near its finished picture comes to that."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt

from simulate.air import Sky
from simulate.air.layers import Layer
from simulate.bodies import load_body
from simulate.camera import Camera, Curve, Mount
from simulate.commands.view import compose_view
from simulate.errors import kept_warnings
from simulate.geometry import Site, apparition, parse_time
from simulate.instruments import Instrument
from simulate.light.colours import LUMINANCE
from simulate.light.look import ViewOptions
from simulate.present.stacked import Likeness
from simulate.results.view import View
from simulate.scene import SceneOptions
from simulate.stack import ExposureWishes
from simulate.stack.combine import FrameStack
from simulate.stack.quality import Examiner, NoiseModel, move
from simulate.stack.reader import Facts
from simulate.telescope import Telescope
from simulate.values.practice import Practice
from simulate.values.spectrum import SpectralBins

DISC = 0.3
"""Share of the brightest part from which a place of the promised picture counts as the disc."""


def promised_view(inputs: Mapping[str, Any], stack: FrameStack, practice: Practice) -> View | None:
    """Return the view of what made a recording, with as many frames as its stack has kept; None of a map of a user's.

    Parameters
    ----------
    inputs : mapping
        Everything that made the recording, from its truth file.
    stack : FrameStack
        Tells the frames.
    practice : Practice
        The hand at the stack; what it did to focus, air and camera is in the inputs already.
    """
    if inputs["map"] is not None:
        return None
    tool, recorded = inputs["instrument"], inputs["recording"]
    camera = dict(tool["camera"])
    camera["curves"] = tuple(Curve(**_tuples(curve)) for curve in camera["curves"])
    filters = (inputs["filter"],) if inputs["filter"] else tuple(camera["filters"])
    instrument = Instrument(
        tool["name"],
        Telescope(**_tuples(tool["telescope"])),
        replace(Camera(**_tuples(camera)), filters=filters),
        Mount(**tool["mount"]),
    )
    sky = dict(inputs["sky"])
    sky["layers"] = tuple(Layer(**layer) for layer in sky["layers"])
    if inputs["still_air"]:
        sky |= {"seeing_arcsec": 0.0, "tube_air_arcsec": 0.0}
    site = None if inputs["site"] is None else Site(**inputs["site"])
    body = load_body(inputs["body"])
    seen = apparition(body, parse_time(inputs["time"]), site, ephemeris=inputs["ephemeris"])
    done = replace(
        practice, focus_growth=0.0, focus_depths=0.0, collimation_waves=0.0, tube_air_arcsec=0.0, bits=None,
        compression=0.0, frames_per_second=None, seconds=None,
    )  # fmt: skip
    options = ViewOptions(
        wishes=ExposureWishes(
            recorded["exposure_s"],
            frames_per_second=recorded["frames_per_second"],
            frames=len(stack.grades),
            keep=len(stack.kept) / len(stack.grades),
        ),
        gain_e_per_dn=recorded["gain_e_per_dn"],
        scene=SceneOptions(
            without=frozenset(inputs["without"]),
            red_spot_longitude_deg=inputs["red_spot_longitude_deg"],
            dust=inputs["dust"],
            invented_texture=inputs["invented_texture"],
        ),
        field_arcsec=inputs["field_arcsec"],
        bins=SpectralBins(tuple(inputs["spectral_bin_edges_nm"])),
        judge=False,
        practice=done,
    )
    with kept_warnings():  # what the view notes was noted when it was recorded
        return compose_view(body, instrument, seen, Sky(**sky), options, inputs["seed"])


def _tuples(values: Mapping[str, Any]) -> dict[str, Any]:
    """Return JSON values with tuples in place of lists, at any depth."""

    def turned(value: Any) -> Any:
        return tuple(turned(v) for v in value) if isinstance(value, list) else value

    return {name: turned(value) for name, value in values.items()}


def likeness_to_promise(
    inputs: Mapping[str, Any], shown: npt.NDArray[np.floating], stack: FrameStack, practice: Practice
) -> Likeness | None:
    """Compare a finished picture with the promised one.

    Parameters
    ----------
    inputs : mapping
        Everything that made the recording.
    shown : array, shape (rows, columns, 3)
        The finished picture, linear sRGB, north up, on the stack's cells.
    stack : FrameStack
        What it was finished from.
    practice : Practice
        The hand at the stack.
    """
    view = promised_view(inputs, stack, practice)
    if view is None:
        return None
    promised = view.finished_rgb.values
    ours = _on_shape(shown, stack.laid.step_arcsec / view.stack_placement.step_arcsec, view.finished_rgb.shape)
    return likeness(ours, promised)


def likeness(picture: npt.NDArray[np.floating], promised: npt.NDArray[np.floating]) -> Likeness:
    """Lay a picture on the promised one, bring it to the same whole light, and measure what differs on the disc.

    Parameters
    ----------
    picture, promised : array, shape (rows, columns, 3)
        Linear sRGB, on cells of one size.
    """
    import scipy.fft

    shape = (promised.shape[0], promised.shape[1])
    weights = LUMINANCE.astype(np.float32)
    examiner = Examiner(shape, Facts(), NoiseModel(0.0, 0.0))
    one, other = (examiner.spectrum(np.asarray(p @ weights, np.float32)) for p in (promised, picture))
    shift = examiner.shift(one, other)
    moved = np.stack(
        [
            np.asarray(
                scipy.fft.irfft2(
                    move(np.asarray(scipy.fft.rfft2(picture[..., k]), np.complex64), shape, shift), s=shape
                )
            )
            for k in range(3)
        ],
        axis=-1,
    )
    light = promised @ weights
    disc = light > DISC * np.quantile(light, 0.999)
    a, b = promised[disc], moved[disc]
    b = b * (np.sum(a @ weights) / max(float(np.sum(b @ weights)), 1e-30))
    difference = b - a
    brightness = difference @ weights
    colour = difference - brightness[:, None]
    mean = float(np.mean(a @ weights))
    return Likeness(float(np.sqrt(np.mean(brightness**2))) / mean, float(np.sqrt(np.mean(colour**2))) / mean)


def _on_shape(picture: npt.NDArray[np.floating], ratio: float, shape: tuple[int, int]) -> npt.NDArray[np.floating]:
    """Return a picture about its middle on cells of another size, (rows, columns, 3)."""
    from scipy.ndimage import map_coordinates

    places = [(np.arange(m) - (m - 1) / 2) / ratio + (n - 1) / 2 for n, m in zip(picture.shape[:2], shape, strict=True)]
    grid = np.meshgrid(*places, indexing="ij")
    return np.stack([map_coordinates(picture[..., k], grid, order=3) for k in range(picture.shape[2])], axis=-1)


__all__ = ["likeness", "likeness_to_promise", "promised_view"]
