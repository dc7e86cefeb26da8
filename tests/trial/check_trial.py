"""How far `check` can be trusted: synthetic pictures made frame by frame, with known truth, and a table of the errors.

Nothing here uses the model that the check fits. The frames come from the recorder (turbulent air, speckles, the planet
turning), without their noise; they are aligned on each other, averaged, and given the noise of the whole recording.
Then the picture is processed as people do (unsharp mask, enlargement, rotation, mirror, crop, tone curve, 8 or 16
bits, sometimes JPEG) and written to a file, which the check reads. The truth of the effective aperture is measured
from the noise-free linear stack against the recorder's own unblurred truth.

Run as ``python -m check_trial pictures 200 --rows FILE`` or ``... faults 50 --rows FILE``: each case adds a
JSON line to FILE with its truth and all that was found, cases that FILE already holds are not run again, and
``... table FILE`` prints the tables of what it holds. ``--keep FOLDER`` keeps the pictures, so that another check of
them need not make them again.
"""

from __future__ import annotations

import argparse
import io
import json
import math
import tempfile
import time as clock
import warnings
from collections import Counter
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import scipy.fft
from scipy import ndimage

from simulate.air import Sky
from simulate.camera import Mount
from simulate.checking.check import CheckOptions, check
from simulate.checking.faults import Fault, Weighed, verdict_of
from simulate.checking.measures import aperture_of
from simulate.checking.model import Pose
from simulate.checking.results import Check
from simulate.commands.record import PlanetTruth, RecordOptions, make_frames, plan_recording
from simulate.errors import InputError
from simulate.instruments import Instrument, load_instrument
from simulate.light.look import ViewOptions, green_channel
from simulate.present.images import png_bytes, whole_numbers
from simulate.scene import SceneOptions
from simulate.stack.quality import Examiner, NoiseModel, move
from simulate.stack.reader import Facts
from simulate.telescope import Telescope
from simulate.values.practice import IDEAL
from simulate.values.resolution import finest_arcsec

FloatArray = npt.NDArray[np.floating]

TIMES = {
    "jupiter": ("2022-09-26T02:10", "2023-11-03T21:40", "2025-12-20T07:15", "2027-02-11T03:30", "2030-06-13T05:00"),
    "saturn": ("2017-06-15T01:00", "2019-07-09T03:20", "2021-08-02T02:00", "2028-10-30T04:40", "2032-12-24T05:10"),
    "mars": ("2018-07-27T04:00", "2020-10-13T02:30", "2022-12-08T05:20", "2020-08-20T06:00", "2033-06-27T03:10"),
    "venus": ("2023-06-04T18:00", "2023-07-12T18:30", "2025-02-10T17:50", "2026-09-10T19:00", "2028-03-22T18:20"),
}
"""Instants of the trial: oppositions of different years and faces; for Venus, phases from half to crescent."""

FRAMES = 14
"""Frames computed for a picture, spread over the recording; the noise is that of the whole recording."""

FAULTS = (
    "defocus",
    "coma",
    "astigmatism",
    "seeing",
    "motion",
    "dispersion",
    "coarse sampling",
    "over-sharpening",
    "low bit depth",
)
"""Faults injected, one at a time."""

NO_FAULT = "none"
"""In the place of a fault: a picture that is looked through for faults and has none."""


@dataclass(frozen=True)
class Case:
    """How one synthetic picture is made.

    Parameters
    ----------
    body, time : str
        What and when.
    aperture_mm, focal_ratio, seeing_arcsec : float
        The setup.
    colour : bool
        Three channels or one.
    angle_deg, enlargement, gamma : float
        Of the finished picture.
    mirrored : bool
        Likewise.
    bits : int
        8 or 16.
    jpeg : bool
        Written as JPEG.
    sharpening : float
        Amount of the unsharp mask.
    shifts_px : tuple of (rows, columns)
        Of red and blue in the finished picture.
    fault : str
        One of `FAULTS`, `NO_FAULT`, or "" for a picture that is only fitted.
    strength : float
        Of the fault, 0 weak to 1 strong.
    without : tuple of str
        Details left out of the planet.
    seed : int
        Of air and noise.
    """

    body: str
    time: str
    aperture_mm: float
    focal_ratio: float
    seeing_arcsec: float
    colour: bool
    angle_deg: float
    enlargement: float
    gamma: float
    mirrored: bool
    bits: int
    jpeg: bool
    sharpening: float
    shifts_px: tuple[tuple[float, float], tuple[float, float]]
    fault: str = ""
    strength: float = 0.0
    without: tuple[str, ...] = ()
    seed: int = 0


def draw_case(seed: int) -> Case:
    """Return a random picture of the trial."""
    random = np.random.default_rng([seed, 11])
    body = str(random.choice(list(TIMES), p=[0.35, 0.3, 0.25, 0.1]))
    eight = bool(random.random() < 0.6)
    shifts = random.uniform(-1.2, 1.2, (2, 2))
    return Case(
        body=body,
        time=str(random.choice(TIMES[body])),
        aperture_mm=float(np.exp(random.uniform(math.log(50), math.log(300)))),
        focal_ratio=float(random.uniform(10, 16)),
        seeing_arcsec=float(random.uniform(1.0, 3.0)),
        colour=bool(random.random() < 0.5),
        angle_deg=float(random.uniform(0, 360)),
        enlargement=float(np.exp(random.uniform(math.log(0.5), math.log(4.0)))),
        gamma=float(random.uniform(1.0, 2.4)),
        mirrored=bool(random.random() < 0.5),
        bits=8 if eight else 16,
        jpeg=eight and bool(random.random() < 0.3),
        sharpening=float(random.uniform(0.0, 2.0)),
        shifts_px=((float(shifts[0, 0]), float(shifts[0, 1])), (float(shifts[1, 0]), float(shifts[1, 1]))),
        seed=seed,
    )


def draw_fault(fault: str, seed: int) -> Case:
    """Return a picture with one fault, the rest in order: bright planet, steady air, little processing."""
    random = np.random.default_rng([seed, 13])
    body = str(random.choice(["jupiter", "saturn", "mars"]))
    case = draw_case(seed)
    return replace(
        case,
        body=body,
        time=str(random.choice(TIMES[body])),
        aperture_mm=float(random.uniform(100, 200)),
        focal_ratio=float(random.uniform(11, 14)),
        seeing_arcsec=1.0,
        colour=fault == "dispersion",
        enlargement=float(random.uniform(0.9, 1.6)),
        gamma=float(random.uniform(1.0, 2.2)),
        bits=8 if fault == "low bit depth" else 16,
        jpeg=False,
        sharpening=0.0,
        shifts_px=((0.0, 0.0), (0.0, 0.0)),
        fault=fault,
        strength=float(random.uniform(0.0, 1.0)),
    )


def instrument_of(case: Case) -> Instrument:
    """Return the setup without its fault: what the user tells the check."""
    base = load_instrument("newtonian-150" if case.colour else "newtonian-150-mono")
    telescope = Telescope(
        aperture_mm=case.aperture_mm,
        focal_length_mm=case.aperture_mm * case.focal_ratio,
        obstruction_mm=0.0 if case.aperture_mm < 110 else 0.25 * case.aperture_mm,
        transmission=0.85,
    )
    camera = base.camera
    if camera.filters:
        name = "green" if "green" in camera.filters else camera.filters[0]
        camera = replace(camera, filters=(name,))
    return replace(base, name="trial", telescope=telescope, camera=camera, mount=Mount("equatorial"))


def faulty(case: Case, instrument: Instrument) -> tuple[Instrument, Sky]:
    """Return the setup and the air with the fault of a case."""
    sky, telescope = Sky(seeing_arcsec=case.seeing_arcsec), instrument.telescope
    if case.fault in ("defocus", "coma", "astigmatism"):
        waves = 0.15 + 0.2 * case.strength
        turn = math.degrees(2 * math.pi * case.strength * 3)
        telescope = replace(telescope, aberrations=((case.fault, waves),), aberration_angle_deg=math.fmod(turn, 360.0))
    elif case.fault == "seeing":
        sky = Sky(seeing_arcsec=4.0 + 3.0 * case.strength)
    elif case.fault == "coarse sampling":
        telescope = replace(telescope, focal_length_mm=case.aperture_mm * (4.5 - 1.5 * case.strength))
    return replace(instrument, telescope=telescope), sky


@dataclass(frozen=True, eq=False)
class Linear:
    """An averaged recording, linear, in the camera's frame, and what it should have been.

    Parameters
    ----------
    planes, noise : arrays, shape (channels, rows, columns)
        Noise-free mean and standard deviation, electrons a second.
    truth : array, shape (cell rows, cell columns)
        Unblurred green light.
    pixel_arcsec : float
        Side of a pixel.
    green : int
        Channel of `truth`.
    wavelength_nm : float
        Its mean wavelength.
    """

    planes: npt.NDArray[np.float64]
    noise: npt.NDArray[np.float64]
    truth: npt.NDArray[np.float32]
    pixel_arcsec: float
    green: int
    wavelength_nm: float


def averaged_frames(case: Case, instrument: Instrument, sky: Sky) -> Linear:
    """Compute, align and average the frames of a case."""
    view = ViewOptions(scene=SceneOptions(without=frozenset(case.without)), practice=IDEAL)
    plan = plan_recording(case.body, instrument, case.time, sky=sky, options=RecordOptions(view), seed=case.seed)
    maker = make_frames(plan)
    source = maker.truth
    assert isinstance(source, PlanetTruth)
    green = green_channel(plan.instrument)
    numbers = np.linspace(0, plan.exposure.frames - 1, FRAMES).astype(int)
    shape = plan.shape
    facts = Facts(pixel_arcsec=plan.pixel_arcsec, aperture_mm=case.aperture_mm)
    examiner = Examiner(shape, facts, NoiseModel(1.0, 1.0))
    reference, total = None, np.zeros((len(maker.sky_e_per_s), shape[0], shape[1] // 2 + 1), complex)
    for number in numbers:
        frame, _ = maker.expected(int(number))
        spectrum = examiner.spectrum(frame[green])
        reference = spectrum if reference is None else reference
        shift = examiner.shift(reference, spectrum)
        for index, plane in enumerate(frame):
            total[index] += move(np.asarray(scipy.fft.rfft2(plane), np.complex64), shape, shift)
    seconds, camera = plan.exposure.exposure_s, plan.instrument.camera
    mean = np.asarray(scipy.fft.irfft2(total / FRAMES, s=shape))
    fixed = camera.read_noise_at(plan.exposure.gain_e_per_dn) ** 2 + plan.exposure.gain_e_per_dn**2 / 12
    share = 1.0 if len(mean) == 1 else 0.25
    noise = np.sqrt((np.maximum(mean, 0) + fixed) / (plan.exposure.kept * share)) / seconds
    scene = source.scene(0.0)
    weights = source.chain.weights[green] * scene.photons()
    wavelength = float((weights * scene.bins.centres_nm).sum() / weights.sum())
    return Linear(mean / seconds, noise, source.picture(scene)[green], plan.pixel_arcsec, green, wavelength)


def true_half_frequency(linear: Linear, plane: FloatArray) -> float:
    """Return where half the contrast is left of the recorder's truth, cycles/arcsec, by rings of the cross spectrum."""
    rows, columns = plane.shape
    cells = linear.truth.shape
    factor = cells[0] // rows
    wide = np.asarray(scipy.fft.rfft2(linear.truth))
    upper = (rows + 1) // 2
    kept = np.concatenate([wide[:upper], wide[-(rows - upper) :]])[:, : columns // 2 + 1]
    spectrum = np.asarray(scipy.fft.rfft2(plane - np.median(plane[:3])))
    north, west = np.fft.fftfreq(rows)[:, None], np.fft.rfftfreq(columns)[None, :]
    kept = kept / np.outer(np.sinc(np.fft.fftfreq(rows) / factor), np.sinc(np.fft.rfftfreq(columns) / factor))
    radius = np.hypot(north, west)
    cross = spectrum * np.conj(kept)
    low = radius < 0.12
    places = list(_near_shifts(cross, plane.shape))
    best = max((float(np.sum((cross * _phase(north, west, *place))[low].real)), *place) for place in places)
    cross = cross * _phase(north, west, best[1], best[2])
    ring = np.rint(radius * min(plane.shape)).astype(int)
    power = np.bincount(ring.ravel(), (np.abs(kept) ** 2).ravel())
    values = np.bincount(ring.ravel(), cross.real.ravel()) / np.maximum(power, 1e-30)
    # pooled over five rings, by the power they hold: a disc's spectrum has dark rings
    pooled = np.convolve(values * power, np.ones(5), "same") / np.maximum(np.convolve(power, np.ones(5), "same"), 1e-30)
    frequency = np.arange(len(values)) / min(plane.shape) / linear.pixel_arcsec
    level = float(values[0])
    below = np.flatnonzero(pooled[2:] < 0.5 * level)
    if not below.size:
        return 0.5 / linear.pixel_arcsec
    first = int(below[0]) + 2
    pair = [pooled[first], pooled[first - 1]]
    return float(np.interp(0.5 * level, pair, [frequency[first], frequency[first - 1]]))


def _phase(north: FloatArray, west: FloatArray, up: float, across: float) -> npt.NDArray[np.complexfloating]:
    return np.exp(2j * np.pi * (north * up + west * across))


def _near_shifts(cross: npt.NDArray[np.complexfloating], shape: tuple[int, ...]) -> Iterator[tuple[float, float]]:
    """Yield shifts around the peak of the correlation, down to a fiftieth of a pixel."""
    peak = np.asarray(scipy.fft.irfft2(cross, s=shape))
    row, column = (int(i) for i in np.unravel_index(int(np.argmax(peak)), peak.shape))
    up = row - shape[0] if row > shape[0] // 2 else row
    across = column - shape[1] if column > shape[1] // 2 else column
    for du in np.linspace(-1, 1, 41):
        for dv in np.linspace(-1, 1, 41):
            yield up + float(du), across + float(dv)


@dataclass(frozen=True, eq=False)
class Made:
    """A synthetic picture file and its truth.

    Parameters
    ----------
    data : bytes
        The file.
    ending : str
        ".png" or ".jpg".
    pose : Pose
        Scale, angle and mirror (row and column are the middle of the recording's field).
    aperture_mm : float
        True effective aperture.
    """

    data: bytes
    ending: str
    pose: Pose
    aperture_mm: float


def make_picture(case: Case) -> Made:
    """Make a synthetic picture: frames, average, noise, processing, file."""
    random = np.random.default_rng([case.seed, 17])
    instrument, sky = faulty(case, instrument_of(case))
    linear = averaged_frames(case, instrument, sky)
    clean = _processed(linear.planes, case, linear)
    grain = linear.noise * random.standard_normal(linear.noise.shape)
    planes = _processed(linear.planes + grain, case, linear)
    half = true_half_frequency(linear, clean[linear.green])
    pose, shown = _turned(planes, case, linear, random)
    levels = _toned(shown, case, random)
    data, ending = _written(levels, case)
    return Made(data, ending, pose, aperture_of(half, linear.wavelength_nm))


def _processed(planes: FloatArray, case: Case, linear: Linear) -> npt.NDArray[np.float64]:
    """Sharpen by an unsharp mask, blur before shrinking, smear by a fault."""
    rows, columns = planes.shape[1:]
    north, west = np.fft.fftfreq(rows)[:, None], np.fft.rfftfreq(columns)[None, :]
    radius = np.hypot(north, west)
    resolution_px = finest_arcsec(case.aperture_mm) / linear.pixel_arcsec
    amount = case.sharpening
    if case.fault == "over-sharpening":
        amount = 12.0 + 10.0 * case.strength
    wide = 2.4 if case.fault == "over-sharpening" else 1.6
    gain = (1.0 + amount * (1.0 - np.exp(-((radius * wide * resolution_px) ** 2)))) * np.exp(
        -((radius * 0.55 * resolution_px) ** 2) * (amount > 0)
    )
    if case.enlargement < 1.0:
        gain = gain * np.exp(-2 * (math.pi * radius * 0.45 / case.enlargement) ** 2)
    if case.fault == "motion":
        length, direction = (1.4 + 1.2 * case.strength) * resolution_px, math.pi * case.strength
        gain = gain * np.sinc(length * (north * math.cos(direction) + west * math.sin(direction)))
    spectra = np.asarray(scipy.fft.rfft2(planes)) * gain
    if case.fault == "dispersion" and len(planes) == 3:
        for index, side in ((0, -1.0), (2, 1.0)):
            length = side * (0.35 + 0.6 * case.strength) * resolution_px
            spectra[index] *= np.exp(-2j * np.pi * length * north)
    return np.asarray(scipy.fft.irfft2(spectra, s=(rows, columns)))


def _turned(
    planes: FloatArray, case: Case, linear: Linear, random: np.random.Generator
) -> tuple[Pose, npt.NDArray[np.float64]]:
    """Enlarge, turn, mirror, crop and shift the colours; row 0 stays at the bottom."""
    rows, columns = planes.shape[1:]
    side = int(min(rows, columns) * case.enlargement * random.uniform(0.85, 1.1))
    middle = (side - 1) / 2 + random.uniform(-0.03, 0.03, 2) * side
    pose = Pose(
        float(middle[0]), float(middle[1]), linear.pixel_arcsec / case.enlargement, case.angle_deg, case.mirrored
    )
    up, across = np.indices((side, side), dtype=float)
    moves: list[tuple[float, float]] = [(0.0, 0.0)] * len(planes)
    if len(planes) == 3:
        moves = [case.shifts_px[0], (0.0, 0.0), case.shifts_px[1]]
    shown = []
    for plane, (down, right) in zip(planes, moves, strict=True):
        east, north = pose.sky_of(up - down, across - right)
        place = [north / linear.pixel_arcsec + (rows - 1) / 2, -east / linear.pixel_arcsec + (columns - 1) / 2]
        shown.append(ndimage.map_coordinates(plane, place, order=3, mode="nearest"))
    return pose, np.array(shown)


def _toned(planes: FloatArray, case: Case, random: np.random.Generator) -> npt.NDArray[np.float64]:
    """Stretch each channel to the file's range and apply the tone curve."""
    white, black = random.uniform(0.75, 0.97), random.uniform(0.0, 0.04)
    toned = []
    for plane in planes:
        sky, top = float(np.median(plane[:3])), float(np.quantile(plane, 0.9995))
        light = np.clip(black + (white - black) * (plane - sky) / (top - sky), 0.0, 1.0)
        toned.append(light ** (1.0 / case.gamma))
    levels = np.array(toned)
    if case.fault == "low bit depth":
        steps = round(26 - 10 * case.strength)
        levels = np.rint(levels * steps) / steps
    return levels


def _written(levels: FloatArray, case: Case) -> tuple[bytes, str]:
    numbers = whole_numbers(np.moveaxis(levels, 0, -1), case.bits)
    if numbers.shape[2] == 1:
        numbers = numbers[..., 0]
    if not case.jpeg:
        return png_bytes(numbers), ".png"
    from PIL import Image

    buffer = io.BytesIO()
    Image.fromarray(numbers[::-1]).save(buffer, "JPEG", quality=92)
    return buffer.getvalue(), ".jpg"


def kept_picture(case: Case, folder: Path | None) -> Made:
    """Return the picture of a case, from a folder where it was kept, else made and kept there.

    Parameters
    ----------
    case : Case
        Which.
    folder : Path or None
        None keeps nothing.
    """
    if folder is None:
        return make_picture(case)
    name = f"{case.fault or 'picture'}-{case.seed}".replace(" ", "-")
    truth, told = folder / f"{name}.json", json.dumps(asdict(case))
    if truth.exists():
        kept = json.loads(truth.read_text())
        if json.dumps(kept["case"]) == told:
            data = (folder / f"{name}{kept['ending']}").read_bytes()
            return Made(data, kept["ending"], Pose(**kept["pose"]), kept["aperture_mm"])
    made = make_picture(case)
    (folder / f"{name}{made.ending}").write_bytes(made.data)
    kept = {"case": asdict(case), "ending": made.ending, "pose": asdict(made.pose), "aperture_mm": made.aperture_mm}
    beside = folder / f"{name}.part"
    beside.write_text(json.dumps(kept))
    beside.replace(truth)
    return made


def try_case(case: Case, *, only_fit: bool = True, folder: Path | None = None) -> dict[str, Any]:
    """Make a picture, check it, and return its truth beside what was found, as plain values.

    Parameters
    ----------
    case : Case
        The picture.
    only_fit : bool
        Weigh no faults.
    folder : Path or None
        Where pictures are kept.
    """
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        made = kept_picture(case, folder)
        with tempfile.TemporaryDirectory() as temporary:
            path = Path(temporary) / f"picture{made.ending}"
            path.write_bytes(made.data)
            started = clock.monotonic()
            row: dict[str, Any] = {
                "case": asdict(case),
                "true_scale": made.pose.scale_arcsec,
                "true_aperture": made.aperture_mm,
            }
            try:
                sky = Sky(seeing_arcsec=case.seeing_arcsec)
                options = CheckOptions(enlarged=case.enlargement, only_fit=only_fit, features=False)
                found = check(path, case.body, instrument_of(case), case.time, sky=sky, options=options)
            except InputError as error:
                return row | {"refused": str(error)}
            return row | {"seconds": clock.monotonic() - started} | _found(found)


def _found(found: Check) -> dict[str, Any]:
    fit = found.fit
    return {
        "refused": "",
        "scale": found.pixel_scale.value,
        "scale_error": found.pixel_scale.error,
        "angle": fit.pose.angle_deg,
        "angle_error": math.degrees(fit.errors["angle"]),
        "tells_angle": found.angle is not None,
        "rival": min(fit.angle_rival_evidence, 1e6),
        "mirrored": fit.pose.mirrored,
        "mirror_evidence": fit.mirror_evidence,
        "tells_mirror": found.mirrored is not None,
        "gamma": fit.gamma,
        "gamma_error": fit.errors["gamma"],
        "aperture": found.aperture.value,
        "aperture_error": found.aperture.error,
        "share": found.share,
        "explained": fit.explained,
        "noise": fit.noise,
        "shifts": {shift.name: (shift.row_px, shift.column_px, shift.error_px) for shift in found.shifts},
        "errors": fit.errors,
        "blur": asdict(fit.blur),
        "correlated_px": fit.correlated_px,
        "window": [*fit.window.levels.shape, fit.window.factor],
        "overshoot": asdict(found.overshoot),
        "levels": asdict(found.levels),
        "verdict": found.verdict,
        "faults": [asdict(fault) for fault in found.faults],
    }


def summary(rows: list[dict[str, Any]]) -> dict[str, Any]:
    """Return how often the check was right, and how well its uncertainties say so.

    Parameters
    ----------
    rows : list of mapping
        From `try_case`.
    """
    done = [row for row in rows if not row["refused"]]
    scale = np.array([row["scale"] / row["true_scale"] - 1 for row in done])
    scale_error = np.array([row["scale_error"] / row["true_scale"] for row in done])
    told = [row for row in done if row["tells_angle"]]
    angle = np.array([_turn(row["angle"] - row["case"]["angle_deg"]) for row in told])
    angle_error = np.array([row["angle_error"] for row in told])
    named = [row for row in done if row["tells_mirror"]]
    aperture = np.array([row["aperture"] / row["true_aperture"] - 1 for row in done])
    aperture_error = np.array([row["aperture_error"] / row["true_aperture"] for row in done])
    gamma = np.array([row["gamma"] - row["case"]["gamma"] for row in done])
    shifts = np.array([entry for row in done for entry in _shift_errors(row)]).reshape(-1, 2)
    return {
        "pictures": len(rows),
        "refused": len(rows) - len(done),
        "scale within 1 %": _share(np.abs(scale) < 0.01),
        "scale, median error": float(np.median(np.abs(scale))),
        "scale, error within one sigma": _share(np.abs(scale) < scale_error),
        "angle told": len(told) / max(len(done), 1),
        "angle within 1.5 deg": _share(np.abs(angle) < 1.5),
        "angle, error within one sigma": _share(np.abs(angle) < angle_error),
        "mirror told": len(named) / max(len(done), 1),
        "mirror right where told": _share(np.array([row["mirrored"] == row["case"]["mirrored"] for row in named])),
        "effective aperture within 10 %": _share(np.abs(aperture) < 0.10),
        "effective aperture, median error": float(np.median(np.abs(aperture))),
        "effective aperture, error within one sigma": _share(np.abs(aperture) < aperture_error),
        "channel shift within 0.15 px": _share(np.abs(shifts[:, 0]) < 0.15),
        "channel shift, error within one sigma": _share(np.abs(shifts[:, 0]) < shifts[:, 1]),
        "tone exponent within 0.1": _share(np.abs(gamma) < 0.1),
        "seconds, median": float(np.median([row["seconds"] for row in done])),
        "seconds, longest": float(np.max([row["seconds"] for row in done])),
    }


def _share(right: npt.NDArray[np.bool_]) -> float:
    return float(np.mean(right)) if right.size else math.nan


def _turn(angle_deg: float) -> float:
    return math.remainder(angle_deg, 360.0)


def _shift_errors(row: dict[str, Any]) -> list[tuple[float, float]]:
    """(error, stated error) of each axis of each shift; a colour behind the mirror moves with the picture."""
    result = []
    for name, true in zip(("red", "blue"), row["case"]["shifts_px"], strict=True):
        if name in row["shifts"]:
            up, across, error = row["shifts"][name]
            result += [(up - true[0], error), (across - true[1], error)]
    return result


def said_of(row: dict[str, Any]) -> tuple[str, str]:
    """Return (what was ranked first, what was said) of a row; the verdict is made anew from the evidence in it.

    Parameters
    ----------
    row : mapping
        From `try_case` with faults weighed.
    """
    if row["refused"]:
        return "refused", "refused"
    verdict = verdict_of(faults_of(row), row.get("share", 0.0))
    return (NO_FAULT if verdict == "none" else faults_of(row)[0].name), verdict


def faults_of(row: dict[str, Any]) -> tuple[Fault, ...]:
    """Return the faults of a row, the strongest evidence first."""
    faults = []
    for kept in row["faults"]:
        weighed = None if kept["weighed"] is None else Weighed(**kept["weighed"])
        faults.append(Fault(**{**kept, "weighed": weighed}))
    return tuple(sorted(faults, key=lambda fault: -fault.evidence))


def read_rows(path: Path) -> list[dict[str, Any]]:
    """Return the rows that a file holds; none if there is no file."""
    return [json.loads(line) for line in path.read_text().splitlines()] if path.exists() else []


def _try_job(job: tuple[Case, Path | None]) -> dict[str, Any]:
    return try_case(job[0], only_fit=not job[0].fault, folder=job[1])


def run_cases(cases: list[Case], rows: Path | None, folder: Path | None, processes: int) -> list[dict[str, Any]]:
    """Try cases, each unless `rows` holds it already, and return the rows of all of them.

    Parameters
    ----------
    cases : list of Case
        Those with a fault have it looked for; the others are only fitted.
    rows : Path or None
        File to which each row is added as it is done.
    folder : Path or None
        Where pictures are kept.
    processes : int
        How many work at once.
    """

    def key(case: dict[str, Any]) -> tuple[str, int]:
        return case["fault"], case["seed"]

    kept = {key(row["case"]): row for row in (read_rows(rows) if rows else [])}
    left = [(case, folder) for case in cases if key(asdict(case)) not in kept]
    with ProcessPoolExecutor(processes) as executor:
        for row in executor.map(_try_job, left):
            kept[key(row["case"])] = row
            if rows is not None:
                with rows.open("a") as file:
                    file.write(json.dumps(row) + "\n")
    return [kept[key(asdict(case))] for case in cases]


BARS = {
    "scale within 1 %": "95 %",
    "angle within 1.5 deg": "all where told",
    "mirror right where told": "98 %",
}
"""Shares wanted of a summary, beside 60-75 % for each error within one sigma."""


def picture_table(rows: list[dict[str, Any]]) -> str:
    """Return the summary of fitted pictures as a Markdown table.

    Parameters
    ----------
    rows : list of mapping
        From `try_case`.
    """
    lines = ["| what | measured | wanted |", "| --- | --- | --- |"]
    for name, value in summary(rows).items():
        wanted = "60-75 %" if name.endswith("one sigma") else BARS.get(name, "")
        lines.append(f"| {name} | {_shown(name, value)} | {wanted} |")
    return "\n".join(lines)


def _shown(name: str, value: float) -> str:
    if isinstance(value, int):
        return str(value)
    if name.startswith("seconds"):
        return f"{value:.1f}"
    return f"{100 * value:.{2 if name.endswith('median error') else 1}f} %"


def fault_table(rows: list[dict[str, Any]]) -> str:
    """Return the confusion of faults as a Markdown table, and in words what all and each half of the seeds give.

    Parameters
    ----------
    rows : list of mapping
        From `try_case` with faults weighed.
    """
    lines = ["| injected | pictures | ranked first | of these named | others, not named | others, named wrongly |"]
    lines.append("| --- | --- | --- | --- | --- | --- |")
    for fault in dict.fromkeys(row["case"]["fault"] for row in rows):
        own = [row for row in rows if row["case"]["fault"] == fault]
        count, named, silent, wrong = _counted(own)
        others = [said_of(row) for row in own if said_of(row)[0] != fault]
        kinds = [", ".join(f"{name} {n}" for name, n in Counter(names).items()) for names in _parted(others)]
        told = f"{silent} ({kinds[0]})" if silent else "0"
        lines.append(f"| {fault} | {len(own)} | {count} | {named} | {told} | {kinds[1] or wrong} |")
    injected = [row for row in rows if row["case"]["fault"] != NO_FAULT]
    halves = {"all": injected} | {
        f"{word} seeds": [row for row in injected if row["case"]["seed"] % 2 == odd]
        for odd, word in enumerate(("even", "odd"))
    }
    lines.append("")
    for word, part in halves.items():
        first, named, silent, wrong = _counted(part)
        lines.append(
            f"* {word}: {first} of {len(part)} ({100 * first / max(len(part), 1):.0f} %) ranked first, {named} named; "
            f"of the {silent + wrong} others {silent} not named, {wrong} named wrongly"
        )
    return "\n".join(lines)


def _counted(rows: list[dict[str, Any]]) -> tuple[int, int, int, int]:
    """Pictures ranked rightly, those of them named, and wrong ones left unnamed and named (or refused)."""
    said = [(row["case"]["fault"], *said_of(row)) for row in rows]
    right = [verdict for fault, first, verdict in said if first == fault]
    wrong = [verdict for fault, first, verdict in said if first != fault]
    silent = sum(verdict in ("cannot tell", "none") for verdict in wrong)
    return len(right), sum(verdict != "cannot tell" for verdict in right), silent, len(wrong) - silent


def _parted(said: list[tuple[str, str]]) -> tuple[list[str], list[str]]:
    """What was ranked first of wrong ones, not named and named."""
    silent = ("cannot tell", "none")
    return [first for first, verdict in said if verdict in silent], [
        first for first, verdict in said if verdict not in silent
    ]


def tables(rows: list[dict[str, Any]]) -> str:
    """Return the tables of rows in Markdown."""
    pictures = [row for row in rows if not row["case"]["fault"]]
    faulty = [row for row in rows if row["case"]["fault"]]
    return "\n\n".join(([picture_table(pictures)] if pictures else []) + ([fault_table(faulty)] if faulty else []))


def main(words: list[str] | None = None) -> int:
    """Run a trial, one JSON line a case to --rows, and print the table."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("what", choices=("pictures", "faults", "table"))
    parser.add_argument("amount", nargs="+", help="pictures, or pictures of each fault; for `table`, files of rows")
    parser.add_argument("--first", type=int, default=0, help="seed of the first")
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--rows", type=Path, help="file for one JSON line a case; those in it are not run again")
    parser.add_argument("--keep", type=Path, help="folder where pictures are kept")
    told = parser.parse_args(words)
    if told.what == "table":
        print(tables([row for name in told.amount for row in read_rows(Path(name))]))
        return 0
    seeds = range(told.first, told.first + int(told.amount[0]))
    if told.what == "pictures":
        cases = [draw_case(seed) for seed in seeds]
    else:
        cases = [draw_fault(fault, seed) for seed in seeds for fault in (*FAULTS, NO_FAULT)]
    if told.keep is not None:
        told.keep.mkdir(parents=True, exist_ok=True)
    print(tables(run_cases(cases, told.rows, told.keep, told.processes)))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
