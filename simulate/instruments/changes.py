"""An instrument with some of its numbers otherwise, and an instrument written out as its file."""

from __future__ import annotations

import json
from dataclasses import dataclass, fields, replace
from typing import Any

from simulate.camera.settings import CAMERA_RANGES, Camera
from simulate.errors import InputError, choose
from simulate.instruments.reader import Instrument
from simulate.telescope.settings import Telescope
from simulate.values.checks import to_float

PIXEL_KINDS = ("colour", "mono")
"""Whether a colour filter array lies on the pixels."""

USUAL_ARRAY = "RGGB"
"""Taken where colour is asked for and the camera had no array (common practice: most colour sensors have this one)."""


@dataclass(frozen=True)
class Changes:
    """What is to be otherwise; None leaves the instrument's own.

    Parameters
    ----------
    aperture_mm, focal_length_mm, obstruction_mm : float or None
        Millimetres; the ranges are those of the instrument file.
    amplifier : float or None
        Factor on the focal length.
    pixel_um : float or None
        Side of a pixel, micrometres.
    pixels : str or None
        One of `PIXEL_KINDS`.

    Raises
    ------
    InputError
        For a number out of range or an unknown word.
    """

    aperture_mm: float | None = None
    focal_length_mm: float | None = None
    obstruction_mm: float | None = None
    amplifier: float | None = None
    pixel_um: float | None = None
    pixels: str | None = None

    def __post_init__(self) -> None:
        for name, (word, unit, lowest, highest) in _RANGES.items():
            value = getattr(self, name)
            if value is not None:
                object.__setattr__(self, name, to_float(word, value, unit, lowest, highest))
        if self.pixels is not None:
            object.__setattr__(self, "pixels", choose("pixels", self.pixels, PIXEL_KINDS))


_RANGES: dict[str, tuple[str, str, float, float]] = {
    "aperture_mm": ("aperture", "mm", 10.0, 5000.0),
    "focal_length_mm": ("focal length", "mm", 20.0, 100_000.0),
    "obstruction_mm": ("obstruction", "mm", 0.0, 4000.0),
    "amplifier": ("amplifier", "", 0.1, 10.0),
    "pixel_um": ("pixel", *CAMERA_RANGES["pixel_um"]),
}


def changed(instrument: Instrument, changes: Changes) -> Instrument:
    """Return an instrument with some numbers otherwise; the same one where nothing changes.

    Arms that would be wider than the file allows for the aperture shrink with it. A camera that gets or loses its
    colour filter array keeps its silicon: the mean of the peaks by channel counts for the bare sensor, and the bare
    sensor's peak for every channel (an approximation: filters take some more).

    Raises
    ------
    InputError
        If the numbers do not go together, such as an obstruction as wide as the aperture.
    """
    optics = {
        name: getattr(changes, name)
        for name in ("aperture_mm", "focal_length_mm", "obstruction_mm", "amplifier")
        if getattr(changes, name) is not None
    }
    scale = optics.get("aperture_mm", instrument.telescope.aperture_mm) / instrument.telescope.aperture_mm
    if scale < 1.0:
        optics["vane_width_mm"] = instrument.telescope.vane_width_mm * scale
    telescope: Telescope = replace(instrument.telescope, **optics) if optics else instrument.telescope
    camera = instrument.camera
    if changes.pixel_um is not None:
        camera = replace(camera, pixel_um=changes.pixel_um)
    if changes.pixels is not None and camera.is_mono != (changes.pixels == "mono"):
        camera = _with_other_array(camera)
    made = replace(instrument, telescope=telescope, camera=camera)
    return made if made == instrument else replace(made, name=f"{instrument.name}, changed"[:80])


def _with_other_array(camera: Camera) -> Camera:
    peaks = [peak for _, peak in camera.quantum_efficiency]  # type: ignore[misc]
    if camera.curves:
        peaks = [max(curve.values) for curve in camera.curves]
    array = USUAL_ARRAY if camera.is_mono else "mono"
    return replace(camera, filter_array=array, filters=(), curves=(), quantum_efficiency=sum(peaks) / len(peaks))


def instrument_toml(instrument: Instrument) -> str:
    """Return an instrument as the text of its file, which `parse_instrument` reads back.

    Raises
    ------
    InputError
        If its response comes from a measured curve, which stands in a file of its own.
    """
    camera, optics, mount = instrument.camera, instrument.telescope, instrument.mount
    if camera.curves:
        raise InputError("camera.quantum_efficiency", "measured curves", "name their CSV file in a file of your own")
    telescope: dict[str, Any] = {
        "aperture": f"{optics.aperture_mm!r} mm",
        "focal_length": f"{optics.focal_length_mm!r} mm",
        "obstruction": f"{optics.obstruction_mm!r} mm",
        "transmission": optics.transmission,
        "wavefront_error": f"{optics.wavefront_error_waves!r} wave",
        "amplifier": optics.amplifier,
    }
    if optics.vanes_count:
        telescope["vanes"] = {
            "count": optics.vanes_count,
            "width": f"{optics.vane_width_mm!r} mm",
            "angle": f"{optics.vane_angle_deg!r} deg",
        }
    if optics.aberrations:
        telescope["aberrations"] = {name: f"{waves!r} wave" for name, waves in optics.aberrations}
        telescope["aberration_angle"] = f"{optics.aberration_angle_deg!r} deg"
    if optics.defocus_um:
        telescope["defocus"] = f"{optics.defocus_um!r} um"
    if any(optics.colour_error_um):
        blue, red = optics.colour_error_um
        telescope["colour_error"] = {"blue": f"{blue!r} um", "red": f"{red!r} um"}
    efficiency = dict(camera.quantum_efficiency)  # type: ignore[arg-type]
    sensor: dict[str, Any] = {
        "pixel": f"{camera.pixel_um!r} um",
        "columns": camera.columns,
        "rows": camera.rows,
        "filter_array": camera.filter_array,
        "filters": list(camera.filters),
        "window": "none" if camera.window_nm is None else [f"{end!r} nm" for end in camera.window_nm],
        "quantum_efficiency": efficiency["mono"] if camera.is_mono else efficiency,
        "read_noise": f"{camera.read_noise_e!r} e-",
        "full_well": f"{camera.full_well_e!r} e-",
        "bits": camera.bits,
        "gain": f"{camera.gain_e_per_dn!r} e-/DN",
        "dark_current": f"{camera.dark_current_e_per_s!r} e-/s",
        "offset": f"{camera.offset_dn!r} DN",
    }
    if not camera.filters:
        del sensor["filters"]
    if camera.read_noise_curve:
        sensor["read_noise_curve"] = [[f"{gain!r} e-/DN", f"{noise!r} e-"] for gain, noise in camera.read_noise_curve]
    carried = {
        "kind": mount.kind,
        "camera_angle": f"{mount.camera_angle_deg!r} deg",
        "mirrored": mount.mirrored,
        "tracking_error": f"{mount.tracking_error_arcsec!r} arcsec",
    }
    head = {"name": instrument.name, "description": instrument.description}
    lines = [f"{name} = {_word(value)}" for name, value in head.items() if value]
    for title, table in (("telescope", telescope), ("camera", sensor), ("mount", carried)):
        lines += ["", f"[{title}]", *(f"{name} = {_word(value)}" for name, value in table.items())]
    return "\n".join(lines) + "\n"


def _word(value: Any) -> str:
    """Return a value as TOML writes it (TOML 1.0: basic strings escape as JSON's do)."""
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{name} = {_word(entry)}" for name, entry in value.items()) + " }"
    if isinstance(value, list):
        return "[" + ", ".join(map(_word, value)) + "]"
    return json.dumps(value, ensure_ascii=False)


CHANGEABLE = tuple(field.name for field in fields(Changes))
"""Names of what can be changed."""
