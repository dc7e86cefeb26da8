"""What may stand in an instrument file, field by field (pydantic models)."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field, ValidationInfo, field_validator

from simulate.camera.settings import (
    CAMERA_RANGES,
    FILTER_ARRAYS,
    FILTER_NAMES,
    MOUNT_KINDS,
    MOUNT_RANGES,
    Camera,
    Mount,
    check_read_noise_curve,
    check_window,
)
from simulate.errors import InputError
from simulate.instruments.fields import number, quantity, switch, text, wavefront, whole, word
from simulate.telescope.settings import Telescope
from simulate.values.practice import COLOURS, LEVELS, REGISTRATIONS, RESTORATIONS


class Table(BaseModel):
    """A table of the file: nothing unknown in it, nothing changed after reading."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class VanesTable(Table):
    """``vanes = { count = 4, width = "1 mm" }``."""

    count: Annotated[int, whole(0, 12)] = Field(description="arms that hold the secondary mirror")
    width: Annotated[float, quantity("mm", 0.0, 100.0)] = Field(description="width of an arm")
    angle: Annotated[float, quantity("deg", -360.0, 360.0)] = Field(0.0, description="position angle of the first arm")


_Rms = Annotated[float, wavefront(-2.0, 2.0)]


class AberrationsTable(Table):
    """``aberrations = { coma = "0.05 wave" }``: rms over the clear circle, in waves of 550 nm."""

    defocus: _Rms = Field(0.0, description="defocus, rms")
    astigmatism: _Rms = Field(0.0, description="astigmatism, rms")
    coma: _Rms = Field(0.0, description="coma, rms")
    spherical: _Rms = Field(0.0, description="spherical aberration, rms")


_Shift = Annotated[float, quantity("um", -1e5, 1e5)]


class ColourErrorTable(Table):
    """``colour_error = { blue = "350 um", red = "350 um" }``: where blue and red come to focus, behind green."""

    blue: _Shift = Field(0.0, description="focus of 486 nm behind that of 546 nm")
    red: _Shift = Field(0.0, description="focus of 656 nm behind that of 546 nm")


class TelescopeTable(Table):
    """``[telescope]``."""

    aperture: Annotated[float, quantity("mm", 10.0, 5000.0)] = Field(description="diameter of the entrance pupil")
    focal_length: Annotated[float, quantity("mm", 20.0, 100_000.0)] = Field(description="native focal length")
    obstruction: Annotated[float, quantity("mm", 0.0, 4000.0)] = Field(
        0.0, description="diameter of the secondary mirror or its cell"
    )
    vanes: VanesTable | None = Field(None, description="arms that hold the secondary mirror")
    transmission: Annotated[float, number(0.0, 1.0, open_low=True)] = Field(0.9, description="share of light passed")
    wavefront_error: Annotated[float, wavefront(0.0, 2.0)] = Field(
        0.0, description="rms of a generic mix of errors, in waves of 550 nm"
    )
    aberrations: AberrationsTable | None = Field(None, description="named aberrations")
    aberration_angle: Annotated[float, quantity("deg", -360.0, 360.0)] = Field(
        0.0, description="position angle of coma and astigmatism"
    )
    defocus: Annotated[float, quantity("um", -1e5, 1e5)] = Field(0.0, description="distance of the sensor from focus")
    colour_error: ColourErrorTable | None = Field(None, description="focus of blue and red against green, of lenses")
    amplifier: Annotated[float, number(0.1, 10.0)] = Field(
        1.0, description="factor on the focal length; below 1 for a reducer"
    )

    @field_validator("obstruction")
    @classmethod
    def _smaller_than_aperture(cls, value: float, info: ValidationInfo) -> float:
        aperture = info.data.get("aperture")
        if aperture is not None and value >= aperture:
            raise InputError("", f"{value:g} mm", f"it must be smaller than the aperture of {aperture:g} mm")
        return value

    @field_validator("vanes")
    @classmethod
    def _thin_vanes(cls, value: VanesTable | None, info: ValidationInfo) -> VanesTable | None:
        aperture = info.data.get("aperture")
        if value is not None and aperture is not None and value.count and value.width > aperture / 4:
            raise InputError("", f"{value.width:g} mm", "their width must be less than a quarter of the aperture")
        return value

    def build(self) -> Telescope:
        """Return the `Telescope`."""
        named = self.aberrations.model_dump() if self.aberrations else {}
        return Telescope(
            aperture_mm=self.aperture,
            focal_length_mm=self.focal_length,
            amplifier=self.amplifier,
            obstruction_mm=self.obstruction,
            vanes_count=self.vanes.count if self.vanes else 0,
            vane_width_mm=self.vanes.width if self.vanes else 0.0,
            vane_angle_deg=self.vanes.angle if self.vanes else 0.0,
            transmission=self.transmission,
            wavefront_error_waves=self.wavefront_error,
            aberrations=tuple((name, waves) for name, waves in named.items() if waves),
            defocus_um=self.defocus,
            aberration_angle_deg=self.aberration_angle,
            colour_error_um=(self.colour_error.blue, self.colour_error.red) if self.colour_error else (0.0, 0.0),
        )


class CameraTable(Table):
    """``[camera]``."""

    pixel: Annotated[float, quantity(*CAMERA_RANGES["pixel_um"])] = Field(description="side of a pixel")
    columns: Annotated[int, whole(1, 100_000)] = Field(description="pixels in a row")
    rows: Annotated[int, whole(1, 100_000)] = Field(description="pixels in a column")
    bits: Annotated[int, whole(8, 16)] = Field(12, description="bits of the digitiser")
    filter_array: Annotated[str, word(FILTER_ARRAYS)] = Field("mono", description="colour filter array, or mono")
    filters: tuple[Annotated[str, word(FILTER_NAMES)], ...] = Field((), description="filters used in sequence")
    window: Any = Field((400.0, 700.0), description='what the blocking filter passes, or "none"')
    quantum_efficiency: Any = Field(0.8, description="peak electrons per photon, by channel, or a CSV file")
    read_noise: Annotated[float, quantity(*CAMERA_RANGES["read_noise_e"])] = Field(1.5, description="read noise, rms")
    read_noise_curve: Any = Field((), description="pairs of a gain and the read noise there")
    full_well: Annotated[float, quantity(*CAMERA_RANGES["full_well_e"])] = Field(
        15000.0, description="charge a pixel can hold"
    )
    gain: Annotated[float, quantity(*CAMERA_RANGES["gain_e_per_dn"])] = Field(3.6, description="electrons per number")
    dark_current: Annotated[float, quantity(*CAMERA_RANGES["dark_current_e_per_s"])] = Field(
        0.0, description="dark current"
    )
    offset: Annotated[float, quantity(*CAMERA_RANGES["offset_dn"])] = Field(32.0, description="pedestal")

    @field_validator("filters", mode="before")
    @classmethod
    def _list_of_filters(cls, value: Any, info: ValidationInfo) -> Any:
        if not isinstance(value, (list, tuple)):
            raise InputError("", value, 'give a list such as ["red", "green", "blue"]')
        if value and info.data.get("filter_array", "mono") != "mono":
            raise InputError("", value, "filters in sequence go with a mono camera; leave them out")
        words = [item.strip().lower() for item in value if isinstance(item, str)]
        if len(set(words)) < len(words):
            raise InputError("", value, "name each filter once")
        return value

    @field_validator("window", mode="before")
    @classmethod
    def _window(cls, value: Any) -> tuple[float, float] | None:
        if value == "none":
            return None
        wanted = 'give two wavelengths such as ["400 nm", "700 nm"], or "none"'
        if not isinstance(value, (list, tuple)) or not all(isinstance(item, str) for item in value):
            raise InputError("", value, wanted)
        return check_window("", value)

    @field_validator("quantum_efficiency", mode="before")
    @classmethod
    def _efficiency(cls, value: Any, info: ValidationInfo) -> Any:
        if "filter_array" not in info.data:
            return value  # which channels there are is not known; that fault is reported on its own
        trial = Camera(1.0, 1, 1, info.data["filter_array"])
        if isinstance(value, str):
            return _curves(value, trial, info)
        if not isinstance(value, (int, float, dict)) or isinstance(value, bool):
            raise InputError("", value, "give a number from 0 to 1, a table by channel, or the name of a CSV file")
        return Camera(1.0, 1, 1, trial.filter_array, value).quantum_efficiency

    @field_validator("read_noise_curve", mode="before")
    @classmethod
    def _read_noise(cls, value: Any) -> Any:
        parts = [item for pair in value for item in pair] if _is_pairs(value) else [None]
        if not all(isinstance(item, str) for item in parts):
            raise InputError("", value, 'give pairs such as [["0.5 e-/DN", "1.0 e-"], ["3.6 e-/DN", "2.5 e-"]]')
        return check_read_noise_curve("", value)

    @field_validator("offset")
    @classmethod
    def _offset_fits(cls, value: float, info: ValidationInfo) -> float:
        bits = info.data.get("bits")
        if bits is not None and value >= 2**bits - 1:
            raise InputError(
                "", f"{value:g} DN", f"it must be below {2**bits - 1} DN, the largest number of {bits} bits"
            )
        return value

    def build(self) -> Camera:
        """Return the `Camera`."""
        measured = isinstance(self.quantum_efficiency, _Curves)
        return Camera(
            pixel_um=self.pixel,
            columns=self.columns,
            rows=self.rows,
            filter_array=self.filter_array,
            quantum_efficiency=1.0 if measured else self.quantum_efficiency,
            curves=tuple(self.quantum_efficiency) if measured else (),
            filters=self.filters,
            window_nm=self.window,
            read_noise_e=self.read_noise,
            read_noise_curve=self.read_noise_curve,
            full_well_e=self.full_well,
            bits=self.bits,
            gain_e_per_dn=self.gain,
            dark_current_e_per_s=self.dark_current,
            offset_dn=self.offset,
        )


class MountTable(Table):
    """``[mount]``."""

    kind: Annotated[str, word(MOUNT_KINDS)] = Field("equatorial", description="altazimuth or equatorial")
    camera_angle: Annotated[float, quantity(*MOUNT_RANGES["camera_angle_deg"])] = Field(
        0.0, description="angle of the camera"
    )
    mirrored: Annotated[bool, switch()] = Field(False, description="odd number of mirrors in the light path")
    tracking_error: Annotated[float, quantity(*MOUNT_RANGES["tracking_error_arcsec"])] = Field(
        0.0, description="rms blur that guiding leaves"
    )

    def build(self) -> Mount:
        """Return the `Mount`."""
        return Mount(self.kind, self.camera_angle, self.mirrored, self.tracking_error)


class PracticeTable(Table):
    """``[practice]``: a level of practice, and numbers that depart from it."""

    level: Annotated[str, word(LEVELS)] | None = Field(None, description="ordinary, practised or ideal")
    focus_growth: Annotated[float, number(0.0, 5.0)] | None = Field(None, description="unseen growth of the width")
    focus_depths: Annotated[float, number(0.0, 20.0)] | None = Field(None, description="least departure from focus")
    collimation: Annotated[float, wavefront(0.0, 1.0)] | None = Field(None, description="coma of mirrors, rms")
    tube_air: Annotated[float, quantity("arcsec", 0.0, 10.0)] | None = Field(None, description="air of the tube")
    frame_rate: Annotated[float, quantity("1 / s", 0.01, 1e5)] | None = Field(None, description="frames a second")
    length: Annotated[float, quantity("s", 0.01, 86400.0)] | None = Field(None, description="of a recording")
    bits: Annotated[int, whole(8, 16)] | None = Field(None, description="bits of the recording")
    compression: Annotated[float, number(0.0, 0.5)] | None = Field(None, description="noise of compression")
    registration_error: Annotated[float, number(0.0, 10.0)] | None = Field(None, description="rms, pixels")
    registration: Annotated[str, word(REGISTRATIONS)] | None = Field(None, description="how frames are moved")
    colour: Annotated[str, word(COLOURS)] | None = Field(None, description="how full colour is made")
    finest_cells: Annotated[float, number(1.0, 3.0)] | None = Field(None, description="cells a pixel at most")
    least_drop: Annotated[float, number(0.0, 2.0)] | None = Field(None, description="least side of the drop, pixels")
    restoration: Annotated[str, word(RESTORATIONS)] | None = Field(None, description="how blur is undone")
    restoration_gain: Annotated[float, number(1.0, 1e4)] | None = Field(None, description="largest gain")
    response_error: Annotated[float, number(0.0, 0.5)] | None = Field(None, description="how well blur is known")
    floor: Annotated[float, number(0.0, 0.5)] | None = Field(None, description="what never averages out")
    readable_contrast: Annotated[float, number(0.0, 0.9)] | None = Field(None, description="least that is read")

    def numbers(self) -> dict[str, Any]:
        """Return the fields of `Practice` that are stated."""
        return {_FIELDS.get(name, name): value for name, value in self.model_dump().items() if value is not None}


_FIELDS = {
    "collimation": "collimation_waves",
    "tube_air": "tube_air_arcsec",
    "frame_rate": "frames_per_second",
    "length": "seconds",
    "registration_error": "registration_error_px",
    "least_drop": "least_drop_px",
}
"""Fields of `Practice` whose names tell the unit that the file writes out."""


class InstrumentTable(Table):
    """The whole file."""

    name: Annotated[str, text(80)] | None = Field(None, description="name shown; default the file's name")
    description: Annotated[str, text(300)] | None = Field(None, description="one line about it")
    telescope: TelescopeTable = Field(description="the telescope")
    camera: CameraTable = Field(description="the camera")
    mount: MountTable = Field(default_factory=lambda: MountTable.model_validate({}), description="the mount")
    practice: PracticeTable | None = Field(None, description="the hand that uses it")


class _Curves(tuple):
    """Measured curves, told apart from a table of peaks."""

    __slots__ = ()


def _curves(name: str, trial: Camera, info: ValidationInfo) -> _Curves:
    from simulate.camera.colour import read_curves

    folder = (info.context or {}).get("folder")
    path = Path(name)
    curves = _Curves(read_curves(path if folder is None else Path(folder) / path))
    Camera(1.0, 1, 1, trial.filter_array, curves=tuple(curves))  # refuses curves of the wrong channels
    return curves


def _is_pairs(value: Any) -> bool:
    return isinstance(value, list) and all(isinstance(pair, list) and len(pair) == 2 for pair in value)
