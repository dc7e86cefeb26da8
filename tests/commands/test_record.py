"""Recordings of planets: the same bytes by any way, the planet where it should be, and the stack as expected."""

from __future__ import annotations

import os
import random
import shutil
import signal
import subprocess
import sys
import time
from dataclasses import replace
from importlib.util import find_spec
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from astropy.io import fits

from simulate.air import Sky
from simulate.bodies import load_body
from simulate.commands.record import (
    Plan,
    RecordOptions,
    camera_grid,
    check_ready,
    compute_frames,
    make_frames,
    plan_recording,
    record,
    turned,
)
from simulate.commands.view import view
from simulate.errors import InputError
from simulate.geometry import apparition
from simulate.instruments import load_instrument
from simulate.light.look import ViewOptions, expected_frame
from simulate.scene import SceneOptions, render
from simulate.stack import ExposureWishes
from simulate.values.grid import Grid
from simulate.values.practice import IDEAL

sys.path.insert(0, str(Path(__file__).parent.parent / "trial"))
import pairings

WHEN = "2024-12-07T22:00:00Z"


def plan_of(body="mars", instrument="refractor-60", frames=24, **options) -> Plan:
    wishes = ExposureWishes(frames=frames, exposure_s=0.004, frames_per_second=100)
    view = ViewOptions(wishes, field_arcsec=options.pop("field_arcsec", None), practice=IDEAL)
    return plan_recording(body, instrument, WHEN, options=RecordOptions(view, **options), seed=5)


def steady(plan: Plan) -> Plan:
    """The same with a mount that tracks perfectly, north up and unmirrored."""
    mount = replace(
        plan.instrument.mount, kind="equatorial", camera_angle_deg=0.0, mirrored=False, tracking_error_arcsec=0.0
    )
    return replace(plan, instrument=replace(plan.instrument, mount=mount))


def pole_angle(scene) -> float:
    return scene.apparition.north_pole_position_angle_deg


def session(leader: int) -> list[int]:
    """Processes of a session that still run (proc(5): field 6 of stat, state in field 3)."""
    found = []
    for stat in Path("/proc").glob("[0-9]*/stat"):
        try:
            fields = stat.read_text().rpartition(")")[2].split()
        except OSError:
            continue
        if fields[3] == str(leader) and fields[0] not in "ZX":
            found.append(int(stat.parent.name))
    return found


class TestSameBytes:
    def test_a_frame_needs_no_other(self):
        plan = plan_of()
        many, rows = compute_frames(plan, 0, 12)
        make_frames.cache_clear()
        alone, row = compute_frames(plan, 7, 8)
        np.testing.assert_array_equal(alone[0], many[7])
        assert row[0] == rows[7]

    def test_seed_decides(self):
        plan = plan_of()
        one, _ = compute_frames(plan, 0, 1)
        other, _ = compute_frames(replace(plan, seed=6), 0, 1)
        assert np.any(one != other)

    def test_two_processes_write_what_one_writes(self, tmp_path):
        plan = plan_of()
        record(plan, tmp_path, "one")
        record(plan, tmp_path, "two", processes=2)
        for ending in (".fits", "_truth.fits"):
            assert (tmp_path / f"one{ending}").read_bytes() == (tmp_path / f"two{ending}").read_bytes()
        assert not list(tmp_path.glob("*.part"))

    def test_a_cluster_writes_what_one_process_writes(self, tmp_path):
        distributed = pytest.importorskip("distributed")
        plan = plan_of(frames=12)
        record(plan, tmp_path, "one")
        with distributed.LocalCluster(
            n_workers=1, threads_per_worker=1, processes=False, dashboard_address=None, silence_logs=50
        ) as cluster:
            record(plan, tmp_path, "many", scheduler=cluster.scheduler_address)
        assert (tmp_path / "one.fits").read_bytes() == (tmp_path / "many.fits").read_bytes()

    @pytest.mark.skipif(sys.platform != "linux", reason="looks for processes in /proc")
    def test_workers_end_with_their_killed_parent(self, tmp_path):
        code = (
            f"import sys; sys.path.insert(0, {str(Path(__file__).parent)!r})\n"
            "from test_record import plan_of, record, Path\n"
            "if __name__ == '__main__':\n"
            f"    record(plan_of('jupiter', frames=20000), Path({str(tmp_path)!r}), 'orphan', processes=2)\n"
        )
        script = tmp_path / "parent.py"
        script.write_text(code)
        process = subprocess.Popen([sys.executable, str(script)], stderr=subprocess.DEVNULL, start_new_session=True)
        part = tmp_path / "orphan.fits.part"
        # no clock decides: a busy machine is only slower
        while process.poll() is None and not (part.exists() and part.stat().st_size > 20000):
            time.sleep(0.05)
        assert len(session(process.pid)) >= 3  # the parent and its workers
        process.send_signal(signal.SIGKILL)
        process.wait()
        deadline = time.monotonic() + 300
        while session(process.pid) and time.monotonic() < deadline:
            time.sleep(0.1)
        assert session(process.pid) == []

    @pytest.mark.skipif(sys.platform == "win32", reason="SIGKILL is a matter of POSIX")
    def test_killed_at_a_random_moment_and_resumed(self, tmp_path):
        plan = plan_of(frames=400)
        record(plan, tmp_path, "undisturbed")
        code = (
            f"import sys; sys.path.insert(0, {str(Path(__file__).parent)!r})\n"
            "from test_record import plan_of, record, Path\n"
            f"record(plan_of(frames=400), Path({str(tmp_path)!r}), 'killed', resume=True)\n"
        )
        seed = int.from_bytes(os.urandom(8), "big")
        print("seed of the moments:", seed)  # shown when the test fails
        dice = random.Random(seed)
        part = tmp_path / "killed.fits.part"
        interrupted = 0
        for _ in range(2):
            size = part.stat().st_size if part.exists() else 0
            process = subprocess.Popen([sys.executable, "-c", code], stderr=subprocess.DEVNULL)
            while process.poll() is None:
                if part.exists() and part.stat().st_size > size + 10000:
                    break
                time.sleep(0.005)
            time.sleep(dice.uniform(0, 0.1))
            process.send_signal(signal.SIGKILL)
            interrupted += process.wait() == -signal.SIGKILL
        assert interrupted == 2
        assert part.exists()
        assert not (tmp_path / "killed.fits").exists()
        record(plan, tmp_path, "killed", resume=True)
        for ending in (".fits", "_truth.fits"):
            assert (tmp_path / f"killed{ending}").read_bytes() == (tmp_path / f"undisturbed{ending}").read_bytes()


class TestTheSky:
    def test_a_turned_apparition_is_a_turned_picture(self):
        """A quarter turn of the apparition and of the array are the same, moons and shadows included."""
        seen = apparition("jupiter", WHEN)
        grid = Grid(101, 101, 0.9)
        plain = render(seen, "jupiter", grid).radiance.sum(axis=0)
        turn = render(turned(seen, -90.0), "jupiter", grid).radiance.sum(axis=0)
        # what lay in the east (falling columns) now lies up (growing rows)
        assert np.abs(np.rot90(plain, 1) - turn).max() < 0.02 * plain.max()
        assert np.abs(plain - turn).max() > 0.2 * plain.max()

    def test_mirrored_camera(self):
        plan = plan_of("mars", "refractor-60")
        mount = replace(plan.instrument.mount, mirrored=True)
        mirrored = replace(plan, instrument=replace(plan.instrument, mount=mount))
        one, _ = make_frames(plan).expected(0)
        other, _ = make_frames(mirrored).expected(0)
        np.testing.assert_array_equal(one[:, :, ::-1], other)

    def test_camera_angle_turns_the_picture_about_the_planet(self):
        plan = plan_of("saturn", "refractor-60", still_air=True)
        tool = plan.instrument
        still = replace(tool.mount, tracking_error_arcsec=0.0, kind="equatorial", mirrored=False)
        pictures = []
        for angle in (0.0, 90.0):
            mount = replace(still, camera_angle_deg=angle)
            telescope = replace(tool.telescope, wavefront_error_waves=0.0)
            turned_plan = replace(plan, instrument=replace(tool, mount=mount, telescope=telescope))
            pictures.append(make_frames(turned_plan).expected(0)[0][1])
        # rows now grow to the east: the picture turns by a quarter
        assert np.abs(np.rot90(pictures[0], 1) - pictures[1]).max() < 0.01 * pictures[0].max()

    def test_light_of_the_planet(self):
        """Photons of the magnitude times area, transmission and response: the flux that must arrive."""
        plan = plan_of("mars", "newtonian-150", still_air=True)
        maker = make_frames(plan)
        planes, _ = maker.expected(0)
        scene = maker.truth.scene(0.0)
        weights = maker.truth.chain.weights
        photons = scene.photons() + sum((p.photons for p in scene.points), np.zeros(len(scene.bins)))
        wanted = weights @ photons / plan.pixel_arcsec**2 * plan.exposure.exposure_s
        sky = np.array(maker.sky_e_per_s)[:, None, None] * plan.exposure.exposure_s
        np.testing.assert_allclose((planes - sky).sum(axis=(1, 2), dtype=float), wanted, rtol=1e-3)

    def test_the_planet_turns_during_the_recording(self):
        plan = plan_of("jupiter", "newtonian-250", frames=3)
        slow = replace(plan, exposure=replace(plan.exposure, frames=2, frames_per_second=1 / 600.0))
        truth = make_frames(slow).truth
        before, after = truth.scene(-600.0), truth.scene(600.0)
        meridian = [s.apparition.central_meridian_deg["II"] for s in (before, after)]
        # System II turns 870.27 deg a day: 12.09 deg in 20 minutes (IAU)
        assert (meridian[1] - meridian[0]) % 360 == pytest.approx(870.27 / 72, abs=0.02)
        assert truth.cadence_s * 0.0041 < 0.06 * plan.pixel_arcsec

    def test_a_drift_carries_the_field_along(self):
        plan = steady(plan_of("mars", "refractor-60", still_air=True, drift_arcsec_per_min=(3.0, -2.0)))
        plan = replace(plan, exposure=replace(plan.exposure, frames=3, frames_per_second=1 / 30))
        maker = make_frames(plan)
        places, told = [], []
        for number in range(3):
            planes, row = maker.expected(number)
            light = planes[1] - planes[1].min()
            indices = np.indices(light.shape)
            places.append((indices * light).sum(axis=(1, 2), dtype=float) / light.sum(dtype=float))
            told.append((row["mount_row"], row["mount_column"]))
        # half a minute from frame to frame; frames start 45, 15 s before and 15 s after the middle of the recording
        step = np.array([1.5, -1.0])
        np.testing.assert_allclose(np.diff(places, axis=0) * plan.pixel_arcsec, [step, step], atol=0.02)
        np.testing.assert_allclose(told, [-1.5 * step, -0.5 * step, 0.5 * step], atol=2e-4)

    def test_the_field_turns_behind_an_altazimuth_mount(self):
        """15.04 deg/h cos(latitude) cos(azimuth) / cos(altitude) (Meeus 1998, from the parallactic angle, ch. 14)."""
        wishes = ExposureWishes(frames=2, exposure_s=0.004, frames_per_second=1 / 600)
        options = RecordOptions(ViewOptions(wishes, field_arcsec=330.0, practice=IDEAL), still_air=True)
        plan = steady(plan_recording("jupiter", "refractor-60", WHEN, "47.4,8.5", options=options, seed=5))
        angles = {}
        for kind in ("equatorial", "altazimuth"):
            mount = replace(plan.instrument.mount, kind=kind)
            truth = make_frames(replace(plan, instrument=replace(plan.instrument, mount=mount))).truth
            scenes = [truth.scene(time_s) for time_s in (-300.0, 300.0)]
            angles[kind] = [pole_angle(scene) for scene in scenes]
        seen = plan.middle
        latitude, azimuth, altitude = np.radians([47.4, seen.azimuth_deg, seen.altitude_deg])
        turn = 15.041 / 6 * np.cos(latitude) * np.cos(azimuth) / np.cos(altitude)
        found = np.diff(angles["altazimuth"])[0] - np.diff(angles["equatorial"])[0]
        assert abs(found) == pytest.approx(abs(turn), rel=0.01)
        assert abs(turn) > 1

    def test_a_moon_is_recorded_where_it_is(self):
        plan = plan_of("jupiter", "newtonian-150", frames=1, still_air=True, field_arcsec=330.0)
        seen = plan.middle
        mount = replace(plan.instrument.mount, kind="equatorial", camera_angle_deg=0.0, mirrored=False)
        plan = replace(plan, instrument=replace(plan.instrument, mount=replace(mount, tracking_error_arcsec=0.0)))
        picture = make_frames(plan).expected(0)[0][1]
        grid = Grid(*plan.shape, plan.pixel_arcsec)
        checked = 0
        for moon in seen.moons:
            row, column = grid.pixel_of(moon.east_arcsec, moon.north_arcsec)
            far = np.hypot(moon.east_arcsec, moon.north_arcsec) > 30
            if moon.state != "clear" or not far or not (9 < row < grid.rows - 9 and 9 < column < grid.columns - 9):
                continue
            r, c = round(row), round(column)
            box = picture[r - 6 : r + 7, c - 6 : c + 7] - np.median(picture[r - 8 : r + 9, c - 8 : c + 9])
            rows, columns = np.mgrid[r - 6 : r + 7, c - 6 : c + 7]
            light = np.maximum(box, 0.05 * box.max()) - 0.05 * box.max()
            assert (rows * light).sum() / light.sum() == pytest.approx(row, abs=0.4)
            assert (columns * light).sum() / light.sum() == pytest.approx(column, abs=0.4)
            checked += 1
        assert checked >= 1


class TestStackAgainstTheExpectedPath:
    @pytest.mark.parametrize("instrument", ["refractor-60", "newtonian-150", "newtonian-250"])
    def test_flux_width_and_noise(self, tmp_path, instrument):
        frames = {"refractor-60": 200, "newtonian-150": 150, "newtonian-250": 120}[instrument]
        pair = pairings.make(tmp_path, "jupiter", instrument, WHEN, frames, 1.0)
        mine, expected = pair.stack.picture[pair.channel], pair.expected.picture[pair.channel]
        steps = pair.stack.laid.step_arcsec, pair.expected.step_arcsec
        flux = [pairings.flux(picture) * step**2 for picture, step in zip((mine, expected), steps, strict=True)]
        assert flux[0] == pytest.approx(flux[1], rel=0.005)
        assert pair.fwhm_arcsec == pytest.approx(pair.expected_fwhm_arcsec, rel=0.10)
        noise = pairings.disc_noise(mine, pair.stack.noise[pair.channel])
        assert noise == pytest.approx(pairings.disc_noise(expected, pair.expected.noise[pair.channel]), rel=0.15)


class TestInput:
    @pytest.mark.parametrize(("body", "said"), [("sun", "certified filter"), ("ion", "mercury, venus, mars")])
    def test_bodies_that_are_not_recorded(self, body, said):
        with pytest.raises(InputError, match=said):
            plan_recording(body, "refractor-60", WHEN)
        with pytest.raises(InputError, match=said):
            view(body, "refractor-60", WHEN)

    @pytest.mark.parametrize("seed", [-1, 1.5, True, "3", 2**63])
    def test_bad_seeds(self, seed):
        with pytest.raises(InputError, match="--seed"):
            plan_recording("mars", "refractor-60", WHEN, seed=seed)

    def test_frames_and_seconds_contradict(self):
        wishes = ExposureWishes(frames=20, seconds=100000.0)
        with pytest.raises(InputError, match="not both"):
            plan_recording("mars", "refractor-60", WHEN, options=RecordOptions(ViewOptions(wishes, practice=IDEAL)))

    @pytest.mark.parametrize(
        ("options", "missing", "field"),
        [
            ({"processes": 0}, None, "--processes"),
            ({"scheduler": "tcp://127.0.0.1:1"}, "distributed", "--scheduler"),
            ({"formats": ("video",)}, "imageio_ffmpeg", "--format"),
            ({"formats": ("mp4",)}, None, "--format"),
        ],
    )
    def test_refused_before_anything_is_written(self, tmp_path, monkeypatch, options, missing, field):
        for module in ("simulate.recording.workers", "simulate.recording.exports"):
            monkeypatch.setattr(f"{module}.find_spec", lambda name: None if name == missing else find_spec(name))
        with pytest.raises(InputError) as error:
            record(plan_of(frames=1), tmp_path / "new", "a", **options)
        assert error.value.field == field
        assert not (tmp_path / "new").exists()

    def test_nothing_is_left_that_would_be_in_the_way(self, tmp_path):
        plan = plan_of(frames=2)
        faulty = replace(plan, exposure=replace(plan.exposure, exposure_s=1.0))  # longer than its rate allows
        with pytest.raises(InputError, match="frames per second"):
            record(faulty, tmp_path, "a")
        assert list(tmp_path.iterdir()) == []
        record(plan, tmp_path, "a")

    @pytest.mark.parametrize("ending", [".fits", ".fits.part", "_truth.fits", ".avi", "_frames/frame_00000.tif"])
    def test_no_file_is_laid_over_another(self, tmp_path, ending):
        there = tmp_path / f"a{ending}"
        there.parent.mkdir(exist_ok=True)
        there.write_bytes(b"precious")
        with pytest.raises(InputError, match="in the way"):
            record(plan_of(frames=1), tmp_path, "a", formats=("fits", "tiff", "video"))
        assert there.read_bytes() == b"precious"
        assert [path for path in tmp_path.rglob("*") if path.is_file()] == [there]

    def test_no_frames_of_another_recording_among_ours(self, tmp_path):
        plan = plan_of(frames=2)
        record(plan, tmp_path, "a", formats=("tiff",))
        files = {path: path.read_bytes() for path in tmp_path.rglob("*") if path.is_file()}
        record(plan, tmp_path, "a", formats=("tiff",), resume=True)
        assert {path: path.read_bytes() for path in tmp_path.rglob("*") if path.is_file()} == files
        (tmp_path / "a_frames" / "frame_00002.tif").write_bytes(b"of a longer one")
        with pytest.raises(InputError, match="another recording"):
            record(plan, tmp_path, "a", formats=("tiff",), resume=True)

    def test_unknown_filter(self):
        with pytest.raises(InputError, match="--filter"):
            plan_recording("mars", "refractor-60", WHEN, options=RecordOptions(filter_name="red"))

    def test_below_the_horizon(self):
        with pytest.raises(InputError, match="below the horizon"):
            plan_recording("jupiter", "refractor-60", "2024-12-07T12:00:00Z", "47,8")

    def test_more_than_the_disk_holds_is_asked_for(self, tmp_path, monkeypatch):
        plan = plan_of(frames=50)
        needed = 50 * 2 * plan.shape[0] * plan.shape[1]
        for free, formats, refused in (
            (needed - 1, ("fits",), True),
            (2 * needed, ("fits",), False),
            (2 * needed, ("fits", "tiff"), True),
        ):
            monkeypatch.setattr(shutil, "disk_usage", lambda _, free=free: SimpleNamespace(free=free))
            if refused:
                with pytest.raises(
                    InputError, match=r"--frames: 50 cannot be used; the recording takes .* GB are free"
                ):
                    check_ready(plan, tmp_path / "new", "a", formats=formats)
            else:
                check_ready(plan, tmp_path / "new", "a", formats=formats)
            check_ready(plan, tmp_path / "new", "a", formats=formats, fill=True)
        assert list(tmp_path.iterdir()) == []

    def test_unknown_format(self, tmp_path):
        with pytest.raises(InputError, match="--format"):
            record(plan_of(frames=1), tmp_path, "a", formats=("mp4",))

    def test_one_filter_of_several(self):
        plan = plan_of("mars", "newtonian-250-mono", frames=1, filter_name="blue")
        assert plan.instrument.camera.filters == ("blue",)
        raw, _ = compute_frames(plan, 0, 1)
        assert raw.shape == (1, *plan.shape)


@pytest.mark.parametrize(("kind", "camera_angle", "mirrored"), [("equatorial", 0.0, False), ("altazimuth", 30.0, True)])
def test_a_crescent_moon_is_recorded_where_the_view_shows_it(kind, camera_angle, mirrored):
    """Three days after the new Moon of 2027-03-08 the middle of the disc is dark: the window is on the crescent."""
    tool = load_instrument("refractor-60")
    mount = replace(tool.mount, kind=kind, camera_angle_deg=camera_angle, mirrored=mirrored, tracking_error_arcsec=0.0)
    tool = replace(tool, mount=mount)
    wishes = ExposureWishes(frames=1, exposure_s=0.01, frames_per_second=50)
    options = ViewOptions(wishes, field_arcsec=200.0, practice=IDEAL)
    air, site, when = Sky(seeing_arcsec=0.3), "-41.3,174.8,20", "2027-03-11T07:00"
    plan = plan_recording("moon", tool, when, site, sky=air, options=RecordOptions(options, still_air=True))
    raw, _ = compute_frames(plan, 0, 1)
    look = expected_frame(load_body("moon"), plan.instrument, plan.middle, air, plan.options.view)
    wanted = look.chain.on_sensor(look.rates)
    wanted = (wanted if wanted.ndim == 2 else wanted.mean(axis=0)).astype(float)
    got = block_means(raw[0].astype(float))
    rows, columns = (min(a, b) for a, b in zip(got.shape, block_means(wanted).shape, strict=True))
    assert np.corrcoef(middle(got, rows, columns), middle(block_means(wanted), rows, columns))[0, 1] > 0.98


def block_means(picture):
    """Blocks of 4 x 4 pixels from the middle: the colours of a mosaic and the noise average out."""
    rows, columns = (size // 8 * 4 for size in picture.shape)
    top, left = picture.shape[0] // 2 - rows, picture.shape[1] // 2 - columns
    inner = picture[top : top + 2 * rows, left : left + 2 * columns]
    return inner.reshape(rows // 2, 4, columns // 2, 4).mean(axis=(1, 3))


def middle(picture, rows, columns):
    top, left = (picture.shape[0] - rows) // 2, (picture.shape[1] - columns) // 2
    return picture[top : top + rows, left : left + columns].ravel()


def test_camera_grid_and_truth_fill_the_same_field(tmp_path):
    plan = plan_of(frames=2)
    done = dict(record(plan, tmp_path, "a").files)
    truth = fits.getdata(done["truth"], "TRUTH")
    grid = camera_grid(make_frames(plan).optics.grid)
    assert truth.shape[1:] == grid.shape
    assert grid.step_arcsec * grid.rows == pytest.approx(plan.shape[0] * plan.pixel_arcsec)
    assert load_body("mars").name in fits.getheader(done["recording"])["OBJECT"]
    assert load_instrument("refractor-60").name == fits.getheader(done["recording"])["INSTRUME"]


def test_colours_out_of_focus_blur_a_frame_as_they_blur_the_expected_picture():
    """Two glasses bring blue and red to a focus behind that of green; each channel of the camera spans many focuses.

    The expected path blurs every spectral bin by itself; frames share one response among several bins.
    """
    wishes = ExposureWishes(frames=1, exposure_s=0.01, frames_per_second=50)
    options = ViewOptions(wishes, scene=SceneOptions(moons=False), practice=IDEAL)
    plan = plan_recording("jupiter", "refractor-60", WHEN, options=RecordOptions(options, still_air=True))
    plan = steady(plan)
    assert plan.instrument.telescope.colour_error_um[0] > 0
    frame, _ = make_frames(plan).expected(0)
    look = expected_frame(load_body("jupiter"), plan.instrument, plan.middle, Sky(seeing_arcsec=0.0), options)
    wanted = look.chain.on_sensor(look.rates)
    for mine, expected in zip(frame / 0.01, wanted, strict=True):
        shape = tuple(min(sizes) for sizes in zip(mine.shape, expected.shape, strict=True))
        one, other = (middle(plane, *shape).reshape(shape).astype(float) for plane in (mine, expected))
        one, other = (plane - np.median(plane[:3]) for plane in (one, other))
        assert np.sqrt(np.mean((one - other) ** 2)) < 0.005 * other.max()
