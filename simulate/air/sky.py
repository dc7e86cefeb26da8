"""The air above a site, in the numbers that a user can know or leave out."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from simulate.air.layers import DEFAULT_LAYERS, Layer
from simulate.errors import InputError
from simulate.values.checks import to_float

_RANGES = (
    ("seeing", "seeing_arcsec", "arcsec", 0.0, 30.0),
    ("tube_air", "tube_air_arcsec", "arcsec", 0.0, 30.0),
    ("outer_scale", "outer_scale_m", "m", 0.5, 1e6),
    ("pressure", "pressure_hpa", "hPa", 300.0, 1100.0),
    ("temperature", "temperature_c", "", -90.0, 60.0),
    ("humidity", "humidity", "", 0.0, 1.0),
    ("haze", "haze", "", 0.0, 20.0),
    ("sky_brightness", "sky_brightness_mag", "", 10.0, 23.0),
)


@dataclass(frozen=True)
class Sky:
    """State of the air. Numbers, texts with units and quantities are accepted and kept as floats.

    Parameters
    ----------
    seeing_arcsec : float
        Full width at half maximum of a long exposure at the zenith at 500 nm for an infinite outer
        scale, arcsec, so that r0 = 0.976 lambda / seeing. 0 means no turbulence.
    outer_scale_m : float
        Outer scale of the turbulence, m.
    pressure_hpa : float or None
        Pressure at the telescope, hPa; None takes the standard atmosphere at the site's height.
    temperature_c : float
        Temperature at the telescope, deg C.
    humidity : float
        Relative humidity, 0 to 1.
    haze : float
        Aerosol relative to a clear, average site of the same height (1); 3 is a hazy night.
    sky_brightness_mag : float or None
        V magnitude of a square arcsecond of the moonless night sky; None is a dark site. About 21
        in the country, 19 in a suburb, 17.5 in a city (common practice).
    layers : tuple of Layer
        Layers of turbulence for the frame-by-frame path.
    tube_air_arcsec : float
        Turbulence within and around the tube, by the width of its long exposure at 500 nm, arcsec. It does not
        grow with the airmass; its layers are taken to move as those above do.
    """

    seeing_arcsec: float = 2.0
    outer_scale_m: float = 20.0
    pressure_hpa: float | None = None
    temperature_c: float = 15.0
    humidity: float = 0.0
    haze: float = 1.0
    sky_brightness_mag: float | None = None
    layers: tuple[Layer, ...] = DEFAULT_LAYERS
    tube_air_arcsec: float = 0.0

    def __post_init__(self) -> None:
        for name, field, unit, lowest, highest in _RANGES:
            value = getattr(self, field)
            if value is None and field in ("pressure_hpa", "sky_brightness_mag"):
                continue
            if field == "temperature_c":
                value = _celsius(value)
            object.__setattr__(self, field, to_float(f"sky.{name}", value, unit, lowest, highest))
        object.__setattr__(self, "layers", tuple(self.layers))
        if not all(isinstance(layer, Layer) for layer in self.layers):
            raise InputError("sky.layers", self.layers, "give layers of turbulence")

    @property
    def is_still(self) -> bool:
        """Whether there is no turbulence at all."""
        return self.seeing_arcsec == 0 and self.tube_air_arcsec == 0

    def turbulence_arcsec(self, airmass: float = 1.0) -> float:
        """Return the width of a long exposure at 500 nm by all turbulence, sky and tube, for an infinite outer scale.

        Structure functions of independent layers add, so widths add by their 5/3 powers (Fried 1966); the sky's
        grows as the power 3/5 of the airmass (Roddier 1981, Progress in Optics 19, 281), the tube's does not.
        """
        above = self.seeing_arcsec ** (5.0 / 3.0) * airmass
        return (above + self.tube_air_arcsec ** (5.0 / 3.0)) ** 0.6

    def pressure_at(self, height_m: float) -> float:
        """Return the pressure in hPa: the given one, or the standard one at `height_m`."""
        return standard_pressure_hpa(height_m) if self.pressure_hpa is None else self.pressure_hpa


def _celsius(value: Any) -> Any:
    """Turn a text or quantity of a temperature into a number of degrees Celsius, leave others alone."""
    if isinstance(value, (int, float)):
        return value
    from astropy import units as u

    from simulate.values.checks import parse_quantity

    try:
        quantity: Any = parse_quantity(value) if isinstance(value, str) else u.Quantity(value)
        if quantity.unit == u.dimensionless_unscaled:
            return float(quantity.to_value(u.dimensionless_unscaled))
        return float(quantity.to_value(u.deg_C, equivalencies=u.temperature()))
    except (u.UnitsError, TypeError, ValueError) as error:
        wanted = "give a temperature such as '15 deg_C'"
        raise InputError("sky.temperature", str(value), wanted) from error


def standard_pressure_hpa(height_m: float) -> float:
    """Return the pressure of the standard atmosphere at a height, hPa (ISO 2533, below 11 km)."""
    height = to_float("height", height_m, "m", -500.0, 9000.0)
    return 1013.25 * (1.0 - 2.25577e-5 * height) ** 5.25588
