"""Everything that made a result, as plain values."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from simulate import __version__
from simulate.air import Sky
from simulate.bodies import Body
from simulate.geometry import Apparition
from simulate.instruments import Instrument, practice_for
from simulate.light.look import ViewOptions, seen_bins

if TYPE_CHECKING:
    pass

FloatArray = npt.NDArray[np.floating]


def view_inputs(
    body: Body, instrument: Instrument, seen: Apparition, sky: Sky, options: ViewOptions, seed: int
) -> dict[str, Any]:
    """Return everything that made a view, as plain values that JSON can hold."""
    return {
        "body": body.name,
        "body_data": body.fingerprint,
        "instrument": asdict(instrument),
        "time": seen.time_utc,
        "site": None if seen.site is None else asdict(seen.site),
        "sky": asdict(sky),
        "ephemeris": seen.ephemeris,
        "exposure": {name: value for name, value in asdict(options.wishes).items() if value is not None},
        "gain_e_per_dn": options.gain_e_per_dn,
        "practice": practice_for(instrument, options.practice).numbers(),
        "without": sorted(options.scene.without),
        "red_spot_longitude_deg": options.scene.red_spot_longitude_deg,
        "dust": options.scene.dust,
        "invented_texture": options.scene.invented_texture,
        "map": None if options.scene.user_map is None else options.scene.user_map.name,
        "field_arcsec": options.field_arcsec,
        "spectral_bin_edges_nm": list((options.bins or seen_bins(instrument.camera)).edges_nm),
        "seed": seed,
        "version": __version__,
    }
