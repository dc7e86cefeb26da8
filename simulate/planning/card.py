"""The capture card: how to record a body with a setup, read off the chain that computes its picture."""

from __future__ import annotations

import math
from typing import TypedDict

import numpy as np
import numpy.typing as npt
import scipy.fft
from scipy.ndimage import map_coordinates

from simulate.bodies.spectra import body_photon_flux
from simulate.camera import channel_names
from simulate.judging.judge import disc_transfer
from simulate.light.chain import channel_lifts_arcsec
from simulate.light.colours import white_rates
from simulate.light.look import (
    ExpectedFrame,
    body_width_arcsec,
    green_channel,
    mount_turn_deg,
    rotation_arcsec_per_s,
)
from simulate.planning.capture import (
    FAINT_PART,
    LongestRecording,
    bit_depth,
    critical_amplifier,
    critical_focal_ratio,
    enough_frames,
    focus_drift_um_per_k,
    focus_tolerance_um,
    gigabytes,
    longest_recording,
    region_of_interest,
    ripple_steps,
)
from simulate.planning.outlook import Prospect, visible_spread_arcsec
from simulate.planning.records import CaptureCard, ChannelShift, MoonCard, MoonLayer
from simulate.planning.trades import sharpening_of
from simulate.stack import keep_fraction
from simulate.stack.expected import WANTED_LEVEL
from simulate.values.arrays import frozen_array
from simulate.values.constants import FWHM_PER_SIGMA

FloatArray = npt.NDArray[np.floating]

LAYER_REACH = 3.0
"""How far a satellite's light is drawn, delivered widths; beyond it is below a thousandth of its peak or so."""

FOLDED_FOCAL_RATIO = 9.0
"""Obstructed telescopes slower than this are mostly folded ones, whose tube is shorter than their focal length."""


def capture_card(setup: Prospect) -> CaptureCard:
    """Read the card off a setup that has been sent through the chain."""
    look = setup.look
    return CaptureCard(
        **_recording(setup),
        **_data(setup),
        **_sharpening(setup),
        **_sampling(look),
        **_focus(look),
        **_colours(look),
        **_moons(look, setup.exposure.exposure_s),
    )


class _RecordingPart(TypedDict):
    """How long, how bright, how many frames."""

    exposure_s: float
    gain_e_per_dn: float
    frames_per_second: float
    seconds: float
    frames: int
    kept: int
    keep_fraction: float
    fried_ratio: float
    peak_electrons: float
    peak_fraction: float
    peak_e_per_ms: float
    limited_by: str
    read_noise_share: float
    enough_frames: int
    longest: LongestRecording


def _recording(setup: Prospect) -> _RecordingPart:
    look, exposure = setup.look, setup.exposure
    read = look.instrument.camera.read_noise_at(exposure.gain_e_per_dn)
    peak = max(exposure.peak_electrons, 1e-9)
    fried = look.chain.setting.fried_ratio
    return {
        "exposure_s": exposure.exposure_s,
        "gain_e_per_dn": exposure.gain_e_per_dn,
        "frames_per_second": exposure.frames_per_second,
        "seconds": exposure.seconds,
        "frames": exposure.frames,
        "kept": exposure.kept,
        "keep_fraction": keep_fraction(fried),
        "fried_ratio": fried,
        "peak_electrons": exposure.peak_electrons,
        "peak_fraction": exposure.peak_fraction,
        "peak_e_per_ms": exposure.peak_electrons / exposure.exposure_s / 1000.0,
        "limited_by": exposure.limited_by,
        "read_noise_share": read**2 / (read**2 + peak),
        "enough_frames": enough_frames(math.sqrt(peak) * math.sqrt(peak / (peak + read**2))),
        "longest": longest_recording(look.sharp_arcsec, rotation_arcsec_per_s(look.body, look.scene.apparition)),
    }


class _DataPart(TypedDict):
    """Numbers in the file, and its size."""

    fitting_gain_e_per_dn: float
    file_bits: int
    noise_steps_8bit: float
    ripple_steps_8bit: float
    region_px: tuple[int, int]
    gigabytes: float


def _data(setup: Prospect) -> _DataPart:
    look, exposure = setup.look, setup.exposure
    camera, pixel = look.instrument.camera, look.laid.sensor.pixel_arcsec
    gain, peak = exposure.gain_e_per_dn, exposure.peak_electrons
    bits, steps = bit_depth(FAINT_PART * peak, camera.read_noise_at(gain), gain, camera.bits)
    width = body_width_arcsec(look.body, look.scene.apparition)
    region = region_of_interest(width, pixel, camera.rows, camera.columns)
    return {
        "fitting_gain_e_per_dn": max(peak, 1e-9) / WANTED_LEVEL / max(camera.largest_dn - camera.offset_dn, 1.0),
        "file_bits": bits,
        "noise_steps_8bit": steps,
        "ripple_steps_8bit": ripple_steps(steps),
        "region_px": region,
        "gigabytes": gigabytes(region[1], region[0], exposure.frames, bits),
    }


class _SamplingPart(TypedDict):
    """Pixels on the sky."""

    size_px: float
    critical_focal_ratio: float
    focal_ratio: float
    amplifier: float
    finer_resampling: float
    up_position_angle_deg: float
    mirrored: bool


def _sampling(look: ExpectedFrame) -> _SamplingPart:
    camera, scope, pixel = look.instrument.camera, look.instrument.telescope, look.laid.sensor.pixel_arcsec
    return {
        "size_px": look.scene.apparition.equatorial_diameter_arcsec / pixel,
        "critical_focal_ratio": critical_focal_ratio(camera.pixel_um),
        "focal_ratio": scope.focal_ratio,
        "amplifier": critical_amplifier(camera.pixel_um, scope.focal_length_mm / scope.aperture_mm),
        "finer_resampling": look.laid.stack_factor,
        "up_position_angle_deg": look.laid.sensor.angle_deg % 360.0,
        "mirrored": look.instrument.mount.mirrored,
    }


class _SharpeningPart(TypedDict):
    """How far the stack bears to be sharpened."""

    sharpening_radius_px: float
    sharpening_strength: float
    sharpening_limited_by: str


def _sharpening(setup: Prospect) -> _SharpeningPart:
    found = sharpening_of(setup)
    return {
        "sharpening_radius_px": setup.look.sharp_arcsec / FWHM_PER_SIGMA / setup.look.laid.sensor.pixel_arcsec,
        "sharpening_strength": found.strongest,
        "sharpening_limited_by": found.limited_by,
    }


class _FocusPart(TypedDict):
    """How still the focus must be held."""

    focus_tolerance_um: float
    focus_drift_um_per_k: float
    folded: bool


def _focus(look: ExpectedFrame) -> _FocusPart:
    scope = look.instrument.telescope
    native = scope.focal_length_mm / scope.aperture_mm
    return {
        "focus_tolerance_um": focus_tolerance_um(scope.focal_ratio),
        "focus_drift_um_per_k": focus_drift_um_per_k(scope.focal_length_mm, scope.amplifier),
        "folded": scope.obstruction_mm > 0 and native >= FOLDED_FOCAL_RATIO,
    }


class _ColoursPart(TypedDict):
    """What the air does to colours."""

    dispersion_arcsec: float
    dispersion_px: float
    zenith_position_angle_deg: float
    shifts: tuple[ChannelShift, ...]
    white_balance: tuple[tuple[str, float], ...]


def _colours(look: ExpectedFrame) -> _ColoursPart:
    shifts = channel_shifts(look)
    fringe = _fringe_arcsec(look, shifts)
    return {
        "dispersion_arcsec": fringe,
        "dispersion_px": fringe / look.laid.sensor.pixel_arcsec,
        "zenith_position_angle_deg": (look.scene.apparition.parallactic_angle_deg or 0.0) % 360.0,
        "shifts": shifts,
        "white_balance": white_balance(look),
    }


class _MoonsPart(TypedDict):
    """What satellites ask for."""

    moons: tuple[MoonCard, ...]
    moon_exposure_ratio: float | None
    field_rotation_deg_per_min: float
    moon_smear_arcsec_per_min: float


def _moons(look: ExpectedFrame, exposure_s: float) -> _MoonsPart:
    moons, turn = moon_cards(look, exposure_s), mount_turn_deg(look.instrument, look.scene.apparition, 60.0)
    clear = [moon.exposure_ratio for moon in moons if moon.state == "clear"]
    reach = max((math.hypot(moon.east_arcsec, moon.north_arcsec) for moon in moons), default=0.0)
    return {
        "moons": moons,
        "moon_exposure_ratio": min(clear) if clear else None,
        "field_rotation_deg_per_min": turn,
        "moon_smear_arcsec_per_min": math.radians(abs(turn)) * reach,
    }


def channel_shifts(look: ExpectedFrame) -> tuple[ChannelShift, ...]:
    """Return where the air puts each channel's light relative to green (or to 550 nm for one channel)."""
    setting = look.chain.setting
    aim, names = setting.aim, channel_names(look.instrument.camera)
    if aim.altitude_deg >= 90.0:
        return tuple(ChannelShift(name, 0.0, 0.0, 0.0) for name in names)
    mean = channel_lifts_arcsec(look.chain, look.scene)
    mean = mean - (mean[green_channel(look.instrument)] if len(names) > 1 else 0.0)
    angle = math.radians(aim.parallactic_angle_deg)
    sensor = setting.sensor
    row0, column0 = sensor.pixel_of(0.0, 0.0)
    found = []
    for name, up in zip(names, mean, strict=True):
        row, column = sensor.pixel_of(up * math.sin(angle), up * math.cos(angle))
        found.append(ChannelShift(name, float(up), float(row - row0), float(column - column0)))
    return tuple(found)


def _fringe_arcsec(look: ExpectedFrame, shifts: tuple[ChannelShift, ...]) -> float:
    by_name = {shift.channel: shift.towards_zenith_arcsec for shift in shifts}
    if "blue" in by_name and "red" in by_name:
        return by_name["blue"] - by_name["red"]
    aim = look.chain.setting.aim
    return visible_spread_arcsec(aim.altitude_deg, look.chain.setting.sky, aim.height_m)


def white_balance(look: ExpectedFrame) -> tuple[tuple[str, float], ...]:
    """Return the factors that make a sunlit grey surface grey through this air; green is 1."""
    rates = white_rates(look.chain.weights, look.scene.bins)
    names = channel_names(look.instrument.camera)
    return tuple(
        (name, float(rates[green_channel(look.instrument)] / rate)) for name, rate in zip(names, rates, strict=True)
    )


def moon_cards(look: ExpectedFrame, exposure_s: float) -> tuple[MoonCard, ...]:
    """Return how to record each satellite: its peak through the same chain against the planet's."""
    seen, sensor, channel = look.scene.apparition, look.chain.setting.sensor, green_channel(look.instrument)
    planet = float(look.rates[channel].max())
    row0, column0 = sensor.pixel_of(0.0, 0.0)
    cards = []
    for moon in seen.moons:
        flux = body_photon_flux(look.body.satellite(moon.name), moon.magnitude, look.scene.bins) * moon.sunlit_fraction
        per_s = float(look.chain.electrons(flux)[channel])
        peak = per_s * _peak_share(look, 2.0 * moon.radius_arcsec, channel)
        row, column = sensor.pixel_of(moon.east_arcsec, moon.north_arcsec)
        ratio = planet / max(peak, 1e-30)
        cards.append(
            MoonCard(
                name=moon.name,
                state=moon.state,
                magnitude=moon.magnitude,
                east_arcsec=moon.east_arcsec,
                north_arcsec=moon.north_arcsec,
                row_px=float(row - row0),
                column_px=float(column - column0),
                exposure_ratio=ratio,
                exposure_s=exposure_s * ratio,
            )
        )
    return tuple(cards)


def _peak_share(look: ExpectedFrame, diameter_arcsec: float, channel: int) -> float:
    """Return the share of a small disc's light that falls on the pixel in its middle."""
    return float(_spread(look, diameter_arcsec, channel).max())


def _spread(look: ExpectedFrame, diameter_arcsec: float, channel: int) -> FloatArray:
    """Return the share of a small disc's light in a pixel centred on each cell, its middle on cell (0, 0)."""
    grid = look.laid.grid
    transfer = look.responses[channel] * disc_transfer(diameter_arcsec * grid.frequency())
    spread = scipy.fft.irfft2(transfer.astype(np.complex64), s=grid.shape)
    return np.asarray(spread) * (look.laid.sensor.pixel_arcsec / grid.step_arcsec) ** 2


def moon_layer(look: ExpectedFrame) -> MoonLayer | None:
    """Return the satellites that stand clear of the planet, alone, on the camera's pixels; None without any.

    Each is a disc of its size sent through the chain of the green channel, laid where the sensor has it: the layer
    goes over a picture of the planet with the middles on each other.
    """
    seen, sensor, channel = look.scene.apparition, look.chain.setting.sensor, green_channel(look.instrument)
    moons = [moon for moon in seen.moons if moon.state == "clear"]
    if not moons:
        return None
    row0, column0 = (float(value) for value in sensor.pixel_of(0.0, 0.0))
    places = np.array([sensor.pixel_of(moon.east_arcsec, moon.north_arcsec) for moon in moons]) - (row0, column0)
    reach = math.ceil(LAYER_REACH * look.sharp_arcsec / sensor.pixel_arcsec) + 1
    half = np.ceil(np.abs(places).max(axis=0)).astype(int) + reach
    light = np.zeros(tuple(2 * half + 1), np.float64)
    for moon, place in zip(moons, places, strict=True):
        flux = body_photon_flux(look.body.satellite(moon.name), moon.magnitude, look.scene.bins) * moon.sunlit_fraction
        electrons = float(look.chain.electrons(flux)[channel])
        _lay_moon(look, light, electrons * _spread(look, 2.0 * moon.radius_arcsec, channel), place + half, reach)
    light = np.clip(light / light.max(), 0.0, None).astype(np.float32)
    return MoonLayer(
        frozen_array(light), float(half[0]), float(half[1]), tuple(moon.name for moon in moons), seen.time_utc
    )


def _lay_moon(look: ExpectedFrame, light: FloatArray, spread: FloatArray, place: FloatArray, reach: int) -> None:
    """Add a moon's light around a place of the layer, read off its picture on the fine grid."""
    grid, sensor = look.laid.grid, look.chain.setting.sensor
    row, column = (round(float(value)) for value in place)
    rows, columns = np.mgrid[row - reach : row + reach + 1, column - reach : column + reach + 1]
    row0, column0 = sensor.pixel_of(0.0, 0.0)
    east, north = sensor.sky_of(rows - place[0] + float(row0), columns - place[1] + float(column0))
    # rows of the fine grid grow north, columns west; the picture's middle lies on cell (0, 0) and wraps around
    cells = np.stack([north / grid.step_arcsec, -east / grid.step_arcsec])
    inside = (2 * np.abs(cells[0]) < grid.rows) & (2 * np.abs(cells[1]) < grid.columns)
    values = map_coordinates(spread, cells, order=3, mode="grid-wrap")
    light[row - reach : row + reach + 1, column - reach : column + reach + 1] += np.where(inside, values, 0.0)
