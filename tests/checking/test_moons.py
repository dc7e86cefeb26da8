"""Which moon is which: places laid out by hand, and the answer's honesty where little is known."""

import math

import numpy as np
import pytest

from simulate.checking.model import Pose
from simulate.checking.moons import MoonPlaces, Pasted, match_moons

STEPS = np.arange(-36 * 60, 36 * 60 + 1, 4) * 60.0

# radii of the orbits over that of the planet, periods in days (Seidelmann 1992, Explanatory Supplement, table 15.8)
ORBITS = {"io": (5.90, 1.769), "europa": (9.39, 3.551), "ganymede": (14.97, 7.155), "callisto": (26.33, 16.689)}
PHASE = {"io": 0.6, "europa": 2.0, "ganymede": 4.1, "callisto": 5.4}


def moons(at_s: np.ndarray) -> np.ndarray:
    """Moons of a planet of 23 arcsec radius, its equator tilted by 3 deg, its axis at position angle 25 deg."""
    place = []
    for name, (radius, days) in ORBITS.items():
        turn = PHASE[name] + 2 * math.pi * at_s / 86400.0 / days
        along, across = 23.0 * radius * np.sin(turn), 23.0 * radius * math.sin(math.radians(3.0)) * np.cos(turn)
        axis = math.radians(25.0)
        east = along * math.cos(axis) + across * math.sin(axis)
        north = -along * math.sin(axis) + across * math.cos(axis)
        place.append(np.stack([east, north], axis=-1))
    return np.array(place)


def pasted(
    pose: Pose, at_s: float, names: tuple[str, ...] = tuple(ORBITS), off: tuple[float, float] = (0.0, 0.0)
) -> Pasted:
    here = moons(np.array([at_s]))[:, 0]
    index = [list(ORBITS).index(name) for name in names]
    rows, columns = pose.pixel_of(here[index, 0], here[index, 1])
    return Pasted(
        tuple(float(r) + off[0] for r in rows),
        tuple(float(c) + off[1] for c in columns),
        (pose.row, pose.column),
        1.08 * pose.scale_arcsec,
        (1400, 1400),
        30.0,
    )


PLACES = MoonPlaces(tuple(ORBITS), STEPS, moons(STEPS))


@pytest.mark.parametrize("mirrored", [False, True])
@pytest.mark.parametrize("hours", [0.0, -24.0, 3.0])
def test_four_dots_tell_time_scale_turn_and_mirror(mirrored: bool, hours: float) -> None:
    pose = Pose(700.0, 700.0, 1.2, 213.0, mirrored)
    answer = match_moons(pasted(pose, 3600 * hours), PLACES)
    assert answer is not None
    assert answer.tells_pose
    assert answer.names == tuple(ORBITS)
    assert answer.offset_s == pytest.approx(3600 * hours, abs=max(3 * answer.error_s, 120))
    assert answer.pose.scale_arcsec == pytest.approx(1.2, rel=max(3 * answer.scale_error, 0.002))
    assert math.remainder(answer.pose.angle_deg - 213.0, 360.0) == pytest.approx(0.0, abs=0.5)
    assert answer.pose.mirrored is mirrored


def test_a_layer_of_moons_pasted_beside_its_planet_is_read_and_its_minute_is_not_sworn_to() -> None:
    pose = Pose(700.0, 700.0, 1.2, 40.0, False)
    straight = match_moons(pasted(pose, 0.0), PLACES)
    answer = match_moons(pasted(pose, 0.0, off=(2.0, -1.5)), PLACES)
    assert straight is not None
    assert answer is not None
    assert answer.tells_pose
    assert answer.pose.scale_arcsec == pytest.approx(1.2, rel=0.01)
    assert answer.error_s > straight.error_s


def test_one_dot_tells_no_mirror_and_no_other_time() -> None:
    answer = match_moons(pasted(Pose(700.0, 700.0, 1.2, 40.0, False), 0.0, ("ganymede",)), PLACES)
    assert answer is not None
    assert not answer.tells_pose


def test_dots_that_are_no_moons_name_no_time() -> None:
    random = np.random.default_rng(3)
    told = 0
    for _ in range(12):
        rows, columns = random.uniform(200, 1200, (2, 3))
        dots = Pasted(tuple(rows), tuple(columns), (700.0, 700.0), 1.2, (1400, 1400), 30.0)
        answer = match_moons(dots, PLACES)
        told += answer is not None and answer.tells_pose and answer.matched > 2
    assert told <= 1


def test_nothing_beside_a_planet_says_nothing() -> None:
    assert match_moons(Pasted((), (), (1.0, 1.0), 1.0, (10, 10), 1.0), PLACES) is None
