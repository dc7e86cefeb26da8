"""Instruments with other numbers, and written out as files."""

from __future__ import annotations

from dataclasses import replace

import pytest

from simulate.errors import InputError
from simulate.instruments import instrument_names, load_instrument, parse_instrument
from simulate.instruments.changes import Changes, changed, instrument_toml


@pytest.mark.parametrize("name", instrument_names())
def test_every_shipped_instrument_reads_back_from_what_is_written(name: str) -> None:
    tool = load_instrument(name)
    assert parse_instrument(instrument_toml(tool)) == replace(tool, practice=())


def test_nothing_changes_where_nothing_is_asked() -> None:
    tool = load_instrument("newtonian-150")
    assert changed(tool, Changes()) == tool
    assert changed(tool, Changes(aperture_mm=150, pixels="colour")) == tool


def test_numbers_change_and_the_name_tells_it() -> None:
    made = changed(load_instrument("newtonian-150"), Changes(aperture_mm=100, focal_length_mm=800, pixel_um=2.4))
    assert (made.telescope.aperture_mm, made.telescope.focal_length_mm, made.camera.pixel_um) == (100, 800, 2.4)
    assert made.telescope.vane_width_mm == pytest.approx(100 / 150)
    assert made.name == "newtonian-150, changed"


def test_a_bare_sensor_keeps_the_silicon() -> None:
    made = changed(load_instrument("newtonian-150"), Changes(pixels="mono"))
    assert made.camera.quantum_efficiency == (("mono", pytest.approx((0.7 + 0.8 + 0.75) / 3)),)
    back = changed(load_instrument("newtonian-150-mono"), Changes(pixels="colour"))
    assert dict(back.camera.quantum_efficiency) == {"red": 0.85, "green": 0.85, "blue": 0.85}  # type: ignore[arg-type]


def test_numbers_that_do_not_go_together_are_refused() -> None:
    with pytest.raises(InputError, match="smaller than the aperture"):
        changed(load_instrument("newtonian-150"), Changes(obstruction_mm=160))
    with pytest.raises(InputError, match="aperture"):
        Changes(aperture_mm=1e6)
