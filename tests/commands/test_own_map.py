"""A map of the user's own under every body with a face: the verdicts of the shipped one, less what drifts."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits

import simulate
from simulate.bodies import load_body, load_user_map
from simulate.bodies.features import IN_THE_MAP_KINDS, placeless_features
from simulate.bodies.surface import surface_map
from simulate.errors import InputError
from simulate.light.look import ViewOptions
from simulate.present.words import summary
from simulate.scene import SceneOptions

REFERENCE_MAPS = Path(__file__).parents[2] / "reference_maps"
ROWS = 360


def exported(name: str, folder: Path) -> Path:
    """The shipped face as a user's picture: an independent way from nodes to pixels."""
    body = load_body(name)
    # caps and clouds are laid upon a map by the season, and what lies beneath them is what a map shows
    laid = frozenset(str(f["name"]) for f in body.features if f["kind"] not in IN_THE_MAP_KINDS)
    surface = surface_map(body, without=laid, red_spot_longitude_deg=60.0 if name == "jupiter" else None)
    latitude = 90.0 - (np.arange(ROWS) + 0.5) * 180.0 / ROWS
    longitude = (np.arange(2 * ROWS) + 0.5) * 180.0 / ROWS
    planes = surface.sample(latitude[:, None], longitude[None, :])
    # the first row of a FITS picture is its lowest (FITS standard 4.0, section 8)
    fits.PrimaryHDU(planes[:, ::-1]).writeto(folder / "mine.fits")
    waves = ", ".join(f"{wave:g}" for wave in surface.wavelengths_nm)
    (folder / "mine.toml").write_text(
        f'picture = "mine.fits"\nbody = "{name}"\ncentral_meridian_deg = 180\nlongitude = "east"\n'
        f'latitude = "planetographic"\nwavelengths_nm = [{waves}]\nlongitude_system = "{surface.longitude_system}"\n'
    )
    return folder / "mine.toml"


@pytest.mark.parametrize("name", ["mercury", "saturn", "uranus", "neptune"])
def test_the_project_s_own_maps_serve(name: str) -> None:
    body = load_body(name)
    own = load_user_map(REFERENCE_MAPS / f"{name}.toml", body)
    told = surface_map(body, user_map=own)
    assert told.reflectance.shape[1:] == own.reflectance.shape[1:]
    areas = [feature["name"] for feature in body.features if feature["kind"] in ("belt", "area")]
    for feature in areas[:2]:
        assert np.any(surface_map(body, user_map=own, without=frozenset({feature})).reflectance != told.reflectance)


@pytest.mark.parametrize(
    ("name", "instrument", "time", "share"),
    [
        ("jupiter", "newtonian-150", "2027-02-10T12:00", 0.3),
        # the hood about the south pole comes out .18 against .12; the others agree to .3
        ("mars", "newtonian-150", "2027-02-19T12:00", 0.5),
        ("saturn", "newtonian-150", "2032-12-20T00:00", 0.3),
        # about a pole there is ground on one side only, from which what is taken out is filled
        ("uranus", "newtonian-250", "2027-11-25T00:00", 0.6),
    ],
)
def test_verdicts_on_a_map_of_one_s_own(name: str, instrument: str, time: str, share: float, tmp_path: Path) -> None:
    body = load_body(name)
    own = load_user_map(exported(name, tmp_path), body)
    plain = ViewOptions(scene=SceneOptions(red_spot_longitude_deg=None if name != "jupiter" else 60.0))
    mine = replace(plain, scene=replace(plain.scene, user_map=own, red_spot_longitude_deg=None))
    shipped, view = (simulate.view(body, instrument, time, options=options) for options in (plain, mine))
    drifting = placeless_features(body)
    told = {line.name: line for line in view.features}
    expected = {line.name: line for line in shipped.features}
    assert told
    assert not any(word in line for line in told for word in drifting)
    # what is lost leaves nothing of which a share could be compared
    for key in [key for key in told.keys() & expected.keys() if expected[key].verdict != "lost"]:
        assert told[key].contrast == pytest.approx(expected[key].contrast, rel=share, abs=0.05), key
    if drifting:
        assert "not judged   on your map: " in summary(view)


def test_a_map_of_another_body_is_refused() -> None:
    with pytest.raises(InputError, match="it is laid upon mars"):
        load_user_map(REFERENCE_MAPS / "saturn.toml", load_body("mars"))
