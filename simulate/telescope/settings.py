"""What a telescope is, in the numbers its owner knows."""

from __future__ import annotations

import math
from dataclasses import dataclass

from simulate.errors import InputError, choose
from simulate.values.checks import to_float

ABERRATION_WAVELENGTH_NM = 550.0
"""Wavelength in which wavefront errors are counted, by convention of the trade (nm)."""

ABERRATIONS = ("defocus", "astigmatism", "coma", "spherical")
"""Aberrations that can be given by name: Noll (1976) terms 4, 5+6, 7+8 and 11."""

COLOUR_LINES_NM = (486.1, 546.1, 656.3)
"""Where the focus of simple lenses is stated: Fraunhofer's blue F, green e (the reference) and red C, nm."""

_LENGTHS = (
    ("aperture", "aperture_mm", "mm", 1.0, 2e4),
    ("focal_length", "focal_length_mm", "mm", 1.0, 1e6),
    ("amplifier", "amplifier", "", 0.1, 20.0),
    ("obstruction", "obstruction_mm", "mm", 0.0, 2e4),
    ("vanes.width", "vane_width_mm", "mm", 0.0, 1e3),
    ("vanes.angle", "vane_angle_deg", "deg", -360.0, 360.0),
    ("transmission", "transmission", "", 0.0, 1.0),
    ("wavefront_error", "wavefront_error_waves", "", 0.0, 2.0),
    ("defocus", "defocus_um", "um", -1e5, 1e5),
    ("aberration_angle", "aberration_angle_deg", "deg", -360.0, 360.0),
)


@dataclass(frozen=True)
class Telescope:
    """Dimensions and faults of a telescope.

    Every length may be a number in the unit of its name, a text with a unit or an astropy
    quantity; all are kept as floats.

    Parameters
    ----------
    aperture_mm : float
        Diameter of the entrance pupil, mm.
    focal_length_mm : float
        Native focal length, mm.
    amplifier : float
        Factor of an amplifier (above 1) or reducer (below 1) on the focal length.
    obstruction_mm : float
        Diameter of the central obstruction, mm; 0 for a clear aperture.
    vanes_count : int
        Number of arms that hold the secondary mirror, each from the middle to the rim.
    vane_width_mm : float
        Width of an arm, mm.
    vane_angle_deg : float
        Position angle of the first arm, from north through east, deg; the others follow evenly.
    transmission : float
        Share of the light within the open aperture that reaches the focus, 0 to 1.
    wavefront_error_waves : float
        Rms over the open pupil, in waves of 550 nm, of a generic mix of polishing and alignment
        errors: astigmatism, coma and spherical aberration with a third of the variance each, all
        with positive sign. The mix is a choice of this project, not a measurement.
    aberrations : tuple of (str, float)
        Named aberrations, see `ABERRATIONS`, with their rms in waves of 550 nm over the *clear*
        circle (Noll 1976, J. Opt. Soc. Am. 66, 207); the sign counts.
    defocus_um : float
        Distance of the sensor from the focus, um, positive away from the telescope.
    aberration_angle_deg : float
        Position angle of the axis of coma and astigmatism, from north through east, deg; the tail of
        positive coma points there.
    colour_error_um : (float, float)
        By how much blue (486 nm) and red (656 nm) come to focus farther from the lens than green (546 nm),
        at the native focus, um; zero for mirrors. Two-glass objectives leave about focal length / 2000 in
        both (the secondary spectrum: Kingslake 1978, Lens Design Fundamentals, chapter 5, from memory).

    Raises
    ------
    InputError
        For a number out of range, an unknown aberration, or an obstruction as wide as the aperture.
    """

    aperture_mm: float
    focal_length_mm: float
    amplifier: float = 1.0
    obstruction_mm: float = 0.0
    vanes_count: int = 0
    vane_width_mm: float = 0.0
    vane_angle_deg: float = 0.0
    transmission: float = 1.0
    wavefront_error_waves: float = 0.0
    aberrations: tuple[tuple[str, float], ...] = ()
    defocus_um: float = 0.0
    aberration_angle_deg: float = 0.0
    colour_error_um: tuple[float, float] = (0.0, 0.0)

    def __post_init__(self) -> None:
        for name, field, unit, lowest, highest in _LENGTHS:
            number = to_float(f"telescope.{name}", getattr(self, field), unit, lowest, highest)
            object.__setattr__(self, field, number)
        if self.obstruction_mm >= self.aperture_mm:
            wanted = f"it must be smaller than the aperture of {self.aperture_mm:g} mm"
            raise InputError("telescope.obstruction", f"{self.obstruction_mm:g} mm", wanted)
        if self.transmission <= 0:
            raise InputError("telescope.transmission", self.transmission, "give a value above 0 up to 1")
        if isinstance(self.vanes_count, bool) or not 0 <= self.vanes_count <= 12 or self.vanes_count % 1:
            raise InputError("telescope.vanes.count", self.vanes_count, "give a whole number from 0 to 12")
        if self.vanes_count and self.vane_width_mm > self.aperture_mm / 4:
            wanted = "it must be less than a quarter of the aperture"
            raise InputError("telescope.vanes.width", f"{self.vane_width_mm:g} mm", wanted)
        object.__setattr__(self, "vanes_count", int(self.vanes_count))
        object.__setattr__(self, "aberrations", tuple(_aberration(entry) for entry in self.aberrations))
        object.__setattr__(self, "colour_error_um", _colour_error(self.colour_error_um))

    @property
    def effective_focal_length_mm(self) -> float:
        """Focal length with the amplifier, mm."""
        return self.focal_length_mm * self.amplifier

    @property
    def focal_ratio(self) -> float:
        """Effective focal length over aperture."""
        return self.effective_focal_length_mm / self.aperture_mm

    @property
    def obstruction_ratio(self) -> float:
        """Diameter of the obstruction over that of the aperture."""
        return self.obstruction_mm / self.aperture_mm

    @property
    def collecting_area_m2(self) -> float:
        """Open area of the aperture in m2: the disc less the obstruction and the arms outside it."""
        disc = math.pi / 4 * (self.aperture_mm**2 - self.obstruction_mm**2)
        arms = self.vanes_count * self.vane_width_mm * (self.aperture_mm - self.obstruction_mm) / 2
        return (disc - arms) * 1e-6

    @property
    def defocus_nm(self) -> float:
        """Path difference of the rim against the middle that `defocus_um` makes, nm.

        W020 = dz / (8 N^2), N the effective focal ratio (Born & Wolf, Principles of Optics, 8.8).
        """
        return self.defocus_um * 1e3 / (8.0 * self.focal_ratio**2)

    @property
    def has_mirrors(self) -> bool:
        """Whether the light is folded by a secondary mirror, so that its parts must be collimated."""
        return self.obstruction_mm > 0

    @property
    def depth_of_focus_um(self) -> float:
        """Departure from focus that makes a quarter wave at the rim at 550 nm, um: 2 lambda N^2 (Rayleigh's limit)."""
        return 2.0 * ABERRATION_WAVELENGTH_NM * 1e-3 * self.focal_ratio**2

    @property
    def colour_error_nm(self) -> tuple[float, float]:
        """Path difference of the rim against the middle that the colour error makes in blue and red, nm.

        As for `defocus_nm`. Light that comes to focus behind the sensor meets it too early: the sign turns. An
        amplifier multiplies shift and N^2 alike, so the native focal ratio counts.
        """
        ratio = self.focal_length_mm / self.aperture_mm
        blue, red = (-shift * 1e3 / (8.0 * ratio**2) for shift in self.colour_error_um)
        return blue, red

    def cutoff_cycles_per_arcsec(self, wavelength_nm: float) -> float:
        """Return the highest spatial frequency that passes, D / lambda, cycles per arcsec."""
        return self.aperture_mm * 1e6 / wavelength_nm * math.pi / (180.0 * 3600.0)


def _colour_error(shifts: object) -> tuple[float, float]:
    try:
        blue, red = shifts  # type: ignore[misc]
    except (TypeError, ValueError) as error:
        raise InputError("telescope.colour_error", shifts, "give the focus shifts of blue and red, um") from error
    both = (("blue", blue), ("red", red))
    first, second = (to_float(f"telescope.colour_error.{name}", shift, "um", -1e5, 1e5) for name, shift in both)
    return first, second


def _aberration(entry: object) -> tuple[str, float]:
    try:
        name, waves = entry  # type: ignore[misc]
    except (TypeError, ValueError) as error:
        raise InputError("telescope.aberrations", entry, "give pairs of a name and an rms in waves") from error
    known = choose("telescope.aberrations", str(name), ABERRATIONS)
    return known, to_float(f"telescope.{known}", waves, "", -2.0, 2.0)
