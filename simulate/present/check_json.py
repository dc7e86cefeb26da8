"""The JSON of a check."""

from __future__ import annotations

import math
from typing import Any

from simulate.judgement.checking.results import Check, Measurement
from simulate.present.check_words import evidence_words


def check_json(result: Check, inputs: dict[str, Any], told: list[str], files: dict[str, str]) -> dict[str, Any]:
    """Return a check as plain values for JSON; what the picture cannot tell is null.

    Parameters
    ----------
    result : Check
        What was found.
    inputs : dict
        What the user gave.
    told : list of str
        Warnings.
    files : dict
        Paths by kind.
    """
    twin = result.twin
    return {
        "inputs": inputs,
        "warnings": told,
        "body": result.body,
        "instrument": result.instrument.name,
        "time": result.apparition.time_utc,
        "picture": {
            "kind": result.picture.kind,
            "columns": result.picture.shape[1],
            "rows": result.picture.shape[0],
            "channels": result.picture.levels.shape[0],
            "bits": result.picture.bits,
            "levels_on_disc": result.levels.distinct,
            "noise_in_levels": _plain(result.levels.noise_in_steps),
            "clipped_share": _plain(result.levels.clipped),
            "contours": result.levels.contours,
        },
        "fit": _fit(result),
        "quality": _quality(result),
        "faults": [
            {
                "name": fault.name,
                "evidence": _plain(fault.evidence),
                "strength": _plain(fault.strength),
                "unit": fault.unit,
                "direction_deg": None if fault.direction_deg is None else float(fault.direction_deg),
            }
            for fault in result.faults
        ],
        "verdict": {"fault": result.verdict, "words": evidence_words(result)},
        "features": [
            {
                "name": feature.name,
                "contrast": _plain(feature.contrast),
                "error": _plain(feature.error),
                "expected_contrast": _plain(feature.expected_contrast),
                "east_arcsec": feature.east_arcsec,
                "north_arcsec": feature.north_arcsec,
            }
            for feature in result.features
        ],
        "readings": [
            {
                "name": one.name,
                "value": _plain(one.value),
                "error": _plain(one.error),
                "due": _plain(one.due),
                "unit": one.unit,
            }
            for one in result.readings
        ],
        "small_mark_error_deg": _plain(result.mark_error_deg),
        "moons": [
            {
                "name": moon.name,
                "off_arcsec": _plain(moon.off_arcsec),
                "width_arcsec": _measured(moon.width),
                "true_diameter_arcsec": _plain(moon.true_arcsec),
                "through_perfect_aperture_arcsec": _plain(moon.perfect_arcsec),
                "with_air_and_pixels_arcsec": _plain(moon.due_arcsec),
                "shares_of_square": {name: _plain(share) for name, share in moon.shares.items()},
            }
            for moon in result.moons
        ],
        "dots": [
            {
                "column": _plain(dot.column),
                "row_from_top": _plain(result.picture.shape[0] - 1 - dot.row),
                "east_arcsec": _plain(dot.east_arcsec),
                "north_arcsec": _plain(dot.north_arcsec),
                "clearness": _plain(dot.clearness),
                "narrower_than_a_star": dot.narrow,
            }
            for dot in result.dots
        ],
        "better_time": None if result.other_time is None else result.other_time.time_utc,
        "time_by_moons": _moons_time(result),
        "compared": _budget(result),
        "twin": None
        if twin is None
        else {
            "feature": twin.feature,
            "artefact": twin.artefact,
            "depth": _plain(twin.depth),
            "depth_error": _plain(twin.depth_error),
            "twin_depth": _plain(twin.twin_depth),
            "radius_km": None if twin.profile is None else _plain(twin.profile.picture_km),
            "twin_radius_km": None if twin.profile is None else _plain(twin.profile.twin_km),
        },
        "files": files,
    }


def _moons_time(result: Check) -> dict[str, Any] | None:
    told = result.moons_time
    if told is None:
        return None
    return {
        "later_s": _plain(told.offset_s),
        "matched": told.matched,
        "dots": told.dots,
        "matched_at_the_time_told": told.matched_as_told,
        "camera_angle_deg": _plain(told.pose.angle_deg) if told.matched_as_told >= 2 else None,
        "mirrored": told.pose.mirrored if told.matched_as_told >= 2 else None,
    }


def _budget(result: Check) -> dict[str, Any] | None:
    budget = result.budget
    if budget is None:
        return None
    return {
        "time": budget.time_utc,
        "with_picture": budget.with_picture,
        "finer": _plain(budget.total),
        "by_size": _plain(budget.size),
        "by_height_and_air": _plain(budget.conditions),
        "by_picture": _plain(budget.picture),
    }


def _fit(result: Check) -> dict[str, Any]:
    fit, pose = result.fit, result.fit.pose
    top = result.picture.shape[0] - 1
    shift = fit.window.factor
    return {
        "pixel_scale_arcsec": _measured(result.pixel_scale),
        "focal_length_mm": _measured(result.focal_length),
        "amplifier": _measured(
            Measurement(
                result.focal_length.value / result.instrument.telescope.focal_length_mm,
                result.focal_length.error / result.instrument.telescope.focal_length_mm,
            )
        ),
        "camera_angle_deg": _measured(result.angle),
        "mirrored": None if result.mirrored is None else {"value": result.mirrored, "error": _odds(fit)},
        "effective_aperture_mm": _measured(result.aperture),
        "clock_error_s": _measured(result.clock),
        "centre_px": {
            "column": {"value": _plain(pose.column), "error": _plain(fit.errors["column"] * shift)},
            "row_from_top": {"value": _plain(top - pose.row), "error": _plain(fit.errors["row"] * shift)},
        },
        "gamma": _measured(Measurement(fit.gamma, fit.errors["gamma"])),
        "channel_shifts_px": {
            shift.name: {
                "right": _plain(shift.column_px),
                "up": _plain(shift.row_px),
                "error": _plain(shift.error_px),
            }
            for shift in result.shifts
        },
        "explained": _plain(fit.explained),
    }


def _odds(fit: Any) -> float:
    """Probability that the other mirror is right."""
    return 1.0 / (1.0 + math.exp(min(fit.mirror_evidence, 50.0)))


def _quality(result: Check) -> dict[str, Any]:
    curve = result.curve
    return {
        "effective_aperture_mm": _measured(result.aperture),
        "expected_effective_aperture_mm": _plain(result.expected_aperture_mm),
        "share": _plain(result.aperture.value / result.expected_aperture_mm),
        "aperture_mm": result.instrument.telescope.aperture_mm,
        "limb_overshoot": _measured(result.overshoot),
        "noise": _plain(result.fit.noise),
        "contrast_by_frequency": [
            {
                "cycles_per_arcsec": _plain(curve.frequency[i]),
                "picture": _plain(curve.picture[i]),
                "error": _plain(curve.error[i]) if math.isfinite(curve.picture[i]) else None,
                "expected": _plain(curve.expected[i]),
                "perfect": _plain(curve.perfect[i]),
            }
            for i in range(len(curve.frequency))
        ],
    }


def _measured(measurement: Measurement | None) -> dict[str, float | None] | None:
    if measurement is None:
        return None
    return {"value": _plain(measurement.value), "error": _plain(measurement.error)}


def _plain(value: Any) -> float | None:
    return float(value) if value is not None and math.isfinite(value) else None
