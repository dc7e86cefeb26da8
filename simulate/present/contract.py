"""The JSON of `view`: keys and units as promised to scripts."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from typing import Any

import numpy as np

from simulate.judging import FeatureLine
from simulate.present.caution import caution_for
from simulate.results.view import View

GEOMETRY = (
    "equatorial_diameter_arcsec", "polar_diameter_arcsec", "distance_au", "sun_distance_au", "phase_angle_deg",
    "illuminated_fraction", "north_pole_position_angle_deg", "bright_limb_position_angle_deg",
    "sub_observer_latitude_deg", "sub_solar_latitude_deg", "ring_opening_deg", "ring_opening_sun_deg", "magnitude",
    "elongation_deg", "altitude_deg", "azimuth_deg", "airmass", "parallactic_angle_deg", "right_ascension_deg",
    "declination_deg", "sun_altitude_deg", "moon_separation_deg",
)  # fmt: skip
"""Numbers taken from the apparition as they are; None becomes null."""

OPTICS = (
    "pixel_scale_arcsec", "diffraction_fwhm_arcsec", "delivered_fwhm_arcsec", "critical_focal_ratio",
    "sampling_ratio", "dispersion_arcsec", "seeing_fwhm_arcsec", "raw_fwhm_arcsec", "stack_fwhm_arcsec",
    "strehl_ratio", "fried_ratio", "blue_red_arcsec", "sky_mag_arcsec2", "sky_share",
)  # fmt: skip
"""Numbers taken from `OpticsFacts`."""


def view_json(
    views: Sequence[View],
    inputs: Mapping[str, Any],
    warnings: Sequence[str] = (),
    files: Sequence[Mapping[str, Any]] | None = None,
) -> dict[str, Any]:
    """Return the object that `simulate view --json` prints; only plain JSON values.

    Parameters
    ----------
    views : sequence of View
        One a pairing.
    inputs : mapping
        What the user gave.
    warnings : sequence of str
        Reservations about the whole call; those of the views are added once each.
    files : sequence of mapping, optional
        For each view, kind of file -> path.
    """
    told = list(warnings)
    told += [text for view in views for text in view.warnings]
    written = files if files is not None else [{} for _ in views]
    return {
        "inputs": plain(inputs),
        "warnings": list(dict.fromkeys(told)),
        "views": [one_view(view, paths) for view, paths in zip(views, written, strict=True)],
    }


def one_view(view: View, files: Mapping[str, Any]) -> dict[str, Any]:
    """Return the object of one pairing."""
    seen = view.apparition
    return {
        "body": view.body,
        "instrument": view.instrument.name,
        "time": seen.time_utc,
        "geometry": _geometry(view),
        "optics": {name: plain(getattr(view.optics, name)) for name in OPTICS},
        "exposure": plain(asdict(view.exposure)),
        "restoration": _restoration(view),
        "practice": plain(view.practice.numbers()),
        "features": [feature_json(view, feature) for feature in view.features],
        "caution": caution_for(seen.elongation_deg, seen.sun_altitude_deg) if view.subject.kind != "star" else None,
        "inputs": plain(view.inputs),
        "files": {kind: str(path) for kind, path in files.items()},
    }


def line_json(line: FeatureLine) -> dict[str, Any]:
    """Return the verdict on a feature with the numbers that it rests on."""
    return {"verdict": line.verdict, "contrast": plain(line.contrast), "snr": plain(line.snr)}


def feature_json(view: View, feature: FeatureLine) -> dict[str, Any]:
    """Return one feature at the level asked for, and at every level."""
    levels = {
        level.practice.level: next((line_json(line) for line in level.features if line.name == feature.name), None)
        for level in view.levels
    }
    return {"name": feature.name, **line_json(feature), "by_practice": levels}


def _geometry(view: View) -> dict[str, Any]:
    seen = view.apparition
    geometry = {name: plain(getattr(seen, name)) for name in GEOMETRY}
    geometry["central_meridian_deg"] = _meridians(seen.central_meridian_deg)
    geometry["moons"] = [
        {
            "name": moon.name,
            "east_arcsec": plain(moon.east_arcsec),
            "north_arcsec": plain(moon.north_arcsec),
            "radius_arcsec": plain(moon.radius_arcsec),
            "magnitude": plain(moon.magnitude),
            "state": moon.state,
        }
        for moon in seen.moons
    ]
    return geometry


def _meridians(by_system: Mapping[str, float]) -> Any:
    """Return a number where there is one system, a mapping where there are several, else null."""
    if not by_system:
        return None
    return plain(by_system[""]) if set(by_system) == {""} else plain(by_system)


def _restoration(view: View) -> dict[str, Any]:
    finished = view.finished
    rows = zip(
        view.channel_names, finished.noise_gain, finished.limb_overshoot, finished.delivered_fwhm_arcsec, strict=True
    )
    return {
        name: {"noise_gain": plain(gain), "limb_overshoot": plain(limb), "delivered_fwhm_arcsec": plain(width)}
        for name, gain, limb, width in rows
    }


def plain(value: Any) -> Any:
    """Return `value` as plain JSON: mappings, lists, text, booleans, numbers; nan and infinity become null."""
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, np.ndarray):
        return plain(value.tolist())
    if isinstance(value, (list, tuple)):
        return [plain(item) for item in value]
    if isinstance(value, (set, frozenset)):
        return sorted(plain(item) for item in value)
    if isinstance(value, (bool, np.bool_)):
        return bool(value)
    if isinstance(value, (int, np.integer)):
        return int(value)
    if isinstance(value, (float, np.floating)):
        return float(value) if math.isfinite(value) else None
    return value if value is None or isinstance(value, str) else str(value)
