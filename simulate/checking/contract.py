"""The JSON of a check."""

from __future__ import annotations

import math
from typing import Any

from simulate.checking.results import Check, Measurement
from simulate.checking.words import evidence_words
from simulate.present.contract import plain


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
        "time": result.told_utc,
        "picture": {
            "kind": result.picture.kind,
            "columns": result.picture.shape[1],
            "rows": result.picture.shape[0],
            "channels": result.picture.levels.shape[0],
            "bits": result.picture.bits,
            "levels_on_disc": result.levels.distinct,
            "noise_in_levels": plain(result.levels.noise_in_steps),
            "clipped_share": plain(result.levels.clipped),
            "contours": result.levels.contours,
            "overexposed": result.levels.overexposed,
        },
        "fit": _fit(result),
        "quality": _quality(result),
        "faults": [
            {
                "name": fault.name,
                "evidence": plain(fault.evidence),
                "evidence_in_words": fault.evidence_in_words,
                "strength": plain(fault.strength),
                "unit": fault.unit,
                "direction_deg": None if fault.direction_deg is None else float(fault.direction_deg),
            }
            for fault in result.faults
        ],
        "verdict": {"fault": result.verdict, "words": evidence_words(result)},
        "features": [
            {
                "name": feature.name,
                "contrast": plain(feature.contrast),
                "error": plain(feature.error),
                "expected_contrast": plain(feature.expected_contrast),
                "east_arcsec": feature.east_arcsec,
                "north_arcsec": feature.north_arcsec,
            }
            for feature in result.features
        ],
        "readings": [
            {
                "name": one.name,
                "value": plain(one.value),
                "error": plain(one.error),
                "due": plain(one.due),
                "unit": one.unit,
            }
            for one in result.readings
        ],
        "small_mark_error_deg": plain(result.mark_error_deg),
        "moons": [
            {
                "name": moon.name,
                "off_arcsec": plain(moon.off_arcsec),
                "width_arcsec": _measured(moon.width),
                "true_diameter_arcsec": plain(moon.true_arcsec),
                "through_perfect_aperture_arcsec": plain(moon.perfect_arcsec),
                "with_air_and_pixels_arcsec": plain(moon.due_arcsec),
                "shares_of_square": {name: plain(share) for name, share in moon.shares.items()},
            }
            for moon in result.moons
        ],
        "dots": [
            {
                "column": plain(dot.column),
                "row_from_top": plain(result.picture.shape[0] - 1 - dot.row),
                "east_arcsec": plain(dot.east_arcsec),
                "north_arcsec": plain(dot.north_arcsec),
                "clearness": plain(dot.clearness),
                "narrower_than_a_star": dot.narrow,
            }
            for dot in result.dots
        ],
        "moons_found": list(result.moons_found),
        "measured_for": result.apparition.time_utc,
        "later_s": plain(result.later_s),
        "better_time": None if result.other_time is None else result.other_time.time_utc,
        "time_by_moons": _moons_time(result),
        "compared": _budget(result),
        "no_twin": result.no_twin or None,
        "twin": None
        if twin is None
        else {
            "feature": twin.feature,
            "artefact": twin.artefact,
            "depth": plain(twin.depth),
            "depth_error": plain(twin.depth_error),
            "twin_depth": plain(twin.twin_depth),
            "radius_km": None if twin.profile is None else plain(twin.profile.picture_km),
            "twin_radius_km": None if twin.profile is None else plain(twin.profile.twin_km),
        },
        "files": files,
    }


def _moons_time(result: Check) -> dict[str, Any] | None:
    told = result.moons_time
    if told is None:
        return None
    return {
        "later_s": plain(told.offset_s),
        "matched": told.matched,
        "dots": told.dots,
        "matched_at_the_time_told": told.matched_as_told,
        "camera_angle_deg": plain(told.pose.angle_deg) if told.matched_as_told >= 2 else None,
        "mirrored": told.pose.mirrored if told.matched_as_told >= 2 else None,
    }


def _budget(result: Check) -> dict[str, Any] | None:
    budget = result.budget
    if budget is None:
        return None
    return {
        "time": budget.time_utc,
        "with_picture": budget.with_picture,
        "finer": plain(budget.total),
        "by_size": plain(budget.size),
        "by_height_and_air": plain(budget.conditions),
        "by_picture": plain(budget.picture),
        "over_sharpened": budget.over_sharpened,
        "over_sharpened_then": budget.over_sharpened_then,
        "as_high_as_here": budget.elsewhere,
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
        "effective_aperture_mm": _measured(result.aperture if result.tells_sharpness else None),
        "clock_error_s": _measured(result.clock),
        "centre_px": {
            "column": {"value": plain(pose.column), "error": plain(fit.errors["column"] * shift)},
            "row_from_top": {"value": plain(top - pose.row), "error": plain(fit.errors["row"] * shift)},
        },
        "gamma": _measured(Measurement(fit.gamma, fit.errors["gamma"])),
        "channel_shifts_px": {
            shift.name: {
                "right": plain(shift.column_px),
                "up": plain(shift.row_px),
                "error": plain(shift.error_px),
            }
            for shift in result.shifts
        },
        "explained": plain(fit.explained),
    }


def _odds(fit: Any) -> float:
    """Probability that the other mirror is right."""
    return 1.0 / (1.0 + math.exp(min(fit.mirror_evidence, 50.0)))


def _quality(result: Check) -> dict[str, Any]:
    curve = result.curve
    return {
        "effective_aperture_mm": _measured(result.aperture if result.tells_sharpness else None),
        "expected_effective_aperture_mm": plain(result.expected_aperture_mm),
        "share": plain(result.share) if result.tells_sharpness else None,
        "aperture_mm": result.instrument.telescope.aperture_mm,
        "limb_overshoot": _measured(result.overshoot),
        "noise": plain(result.fit.noise),
        "contrast_by_frequency": [
            {
                "cycles_per_arcsec": plain(curve.frequency[i]),
                "picture": plain(curve.picture[i]),
                "error": plain(curve.error[i]) if math.isfinite(curve.picture[i]) else None,
                "expected": plain(curve.expected[i]),
                "perfect": plain(curve.perfect[i]),
            }
            for i in range(len(curve.frequency))
        ],
    }


def _measured(measurement: Measurement | None) -> dict[str, float | None] | None:
    if measurement is None:
        return None
    return {"value": plain(measurement.value), "error": plain(measurement.error)}
