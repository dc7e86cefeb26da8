import math
import os
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simulate.errors import InputError
from simulate.telescope import Telescope, make_pupil, store
from simulate.telescope import pupil as pupil_module

NEWTONIAN = Telescope(150, 750, obstruction_mm=45, vanes_count=4, vane_width_mm=1.5)


@pytest.mark.parametrize("samples", [128, 512])
def test_open_area(samples):
    # poppy's coverage of the discs and ours of the arms are exact; the middle where arms meet is obstructed
    assert make_pupil(NEWTONIAN, samples).area_m2 == pytest.approx(NEWTONIAN.collecting_area_m2, rel=3e-4)


@settings(deadline=None, max_examples=40)
@given(st.floats(0, 360), st.floats(0.002, 0.05))
def test_arm_covers_its_area_at_every_angle(angle, width):
    arm = pupil_module._arm(128, width, angle)
    assert arm.min() >= 0
    assert arm.max() <= 1 + 1e-12
    axis = np.arange(128) - 63.5
    within = np.hypot(axis[:, None], axis[None, :]) <= 60
    expected = width * 128 * 60
    assert arm[within].sum() == pytest.approx(expected, rel=0.03)


@pytest.mark.parametrize(("angle", "row", "column"), [(0, 100, 64), (90, 64, 28), (180, 28, 64), (270, 64, 100)])
def test_arms_follow_position_angles(angle, row, column):
    # north is up the rows, east is toward falling columns
    arm = pupil_module._arm(129, 0.05, angle)
    assert arm[row, column] == pytest.approx(1)
    assert arm[128 - row, 128 - column] == pytest.approx(0, abs=1e-12)


@pytest.mark.parametrize("name", ["defocus", "astigmatism", "coma", "spherical"])
def test_named_aberrations_have_their_rms(name):
    pupil = make_pupil(Telescope(100, 1000, aberrations=((name, 0.1),), aberration_angle_deg=33))
    assert pupil.rms_nm() == pytest.approx(55, rel=2e-3)


def test_aberrations_are_nolls():
    # Noll 1976, table I: Z8 = sqrt 8 (3 r^3 - 2 r) cos, Z6 = sqrt 6 r^2 cos 2, Z11 = sqrt 5 (6 r^4 - 6 r^2 + 1)
    angle = math.radians(40)
    axis = (np.arange(256) - 127.5) / 128
    west, north = np.meshgrid(axis, axis)
    radius, along = np.hypot(west, north), -west * math.sin(angle) + north * math.cos(angle)
    cosine = along / radius
    expected = {
        "defocus": np.sqrt(3) * (2 * radius**2 - 1),
        "coma": np.sqrt(8) * (3 * radius**3 - 2 * radius) * cosine,
        "astigmatism": np.sqrt(6) * radius**2 * (2 * cosine**2 - 1),
        "spherical": np.sqrt(5) * (6 * radius**4 - 6 * radius**2 + 1),
    }
    inside = radius < 0.99
    for name, shape in expected.items():
        pupil = make_pupil(Telescope(100, 1000, aberrations=((name, 1.0),), aberration_angle_deg=40), 256)
        np.testing.assert_allclose(pupil.opd_nm[inside], 550 * shape[inside], atol=0.01)


def test_wavefront_error_is_the_rms_over_the_open_pupil():
    telescope = Telescope(200, 2000, obstruction_mm=70, wavefront_error_waves=0.05)
    assert make_pupil(telescope).rms_nm() == pytest.approx(27.5, rel=1e-3)


def test_arrays_cannot_be_changed():
    pupil = make_pupil(NEWTONIAN, 128)
    with pytest.raises(ValueError, match="read-only"):
        pupil.amplitude[0, 0] = 1
    with pytest.raises(ValueError, match="read-only"):
        pupil.opd_nm[0, 0] = 1


def test_samples_out_of_range():
    with pytest.raises(InputError):
        make_pupil(NEWTONIAN, 32)


def build_once(calls):
    calls.append(1)
    return np.arange(6, dtype=np.float32).reshape(2, 3)


def test_store_builds_once(tmp_path, monkeypatch):
    monkeypatch.setattr(store, "cache_folder", lambda: tmp_path / "new" / "folder")
    calls = []
    first = store.remembered("key", lambda: build_once(calls))
    second = store.remembered("key", lambda: build_once(calls))
    assert len(calls) == 1
    np.testing.assert_array_equal(first, second)
    assert [path.suffix for path in (tmp_path / "new" / "folder").iterdir()] == [".npz"]


@pytest.mark.parametrize("damage", [b"", b"PK\x03\x04 nonsense", b"x" * 500])
def test_store_outlives_damage(tmp_path, monkeypatch, damage):
    monkeypatch.setattr(store, "cache_folder", lambda: tmp_path)
    calls = []
    store.remembered("key", lambda: build_once(calls))
    next(tmp_path.iterdir()).write_bytes(damage)
    np.testing.assert_array_equal(store.remembered("key", lambda: build_once(calls)), [[0, 1, 2], [3, 4, 5]])
    assert len(calls) == 2


def test_store_does_without_a_folder(tmp_path, monkeypatch):
    (tmp_path / "file").write_text("in the way")
    monkeypatch.setattr(store, "cache_folder", lambda: tmp_path / "file" / "pupils")
    calls = []
    assert store.remembered("key", lambda: build_once(calls)).shape == (2, 3)
    assert calls == [1]


def test_known_telescope_needs_no_poppy(own_cache):
    make_pupil(NEWTONIAN, 128)
    code = (
        "import sys, pathlib\n"
        "from simulate.telescope import Telescope, make_pupil, store\n"
        f"store.cache_folder = lambda: pathlib.Path({str(own_cache)!r})\n"
        f"make_pupil({NEWTONIAN!r}, 128)\n"
        "print([name for name in ('poppy', 'matplotlib', 'astropy.units') if name in sys.modules])\n"
    )
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)}
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, env=environment, check=True)
    assert run.stdout.strip() == "[]"


def test_a_graphics_card_library_changes_nothing(tmp_path):
    """A stub in place of the library: like the real one's, its arrays refuse to become NumPy arrays."""
    for name, text in {
        "cupy/__init__.py": (
            "import numpy\n"
            "from cupy import cuda\n"
            "class Array:\n"
            "    def __array__(self, *a, **k):\n"
            "        raise TypeError('Implicit conversion to a NumPy array is not allowed')\n"
            "def __getattr__(name):\n"
            "    if name.startswith('__'):\n"
            "        raise AttributeError(name)\n"
            "    return getattr(numpy, name) if isinstance(getattr(numpy, name), type) else lambda *a, **k: Array()\n"
        ),
        "cupy/cuda.py": "class Device:\n    pass\n",
        "cupyx/__init__.py": "",
        "cupyx/scipy/__init__.py": "",
        "cupyx/scipy/ndimage.py": "",
        "cupyx/scipy/signal.py": "",
        "cupyx/scipy/special.py": "",
    }.items():
        path = tmp_path / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text)
    code = (
        "import pathlib, sys\n"
        "from simulate.telescope import Telescope, make_pupil, store\n"
        f"store.cache_folder = lambda: pathlib.Path({str(tmp_path / 'cache')!r})\n"
        "pupil = make_pupil(Telescope(150, 750, obstruction_mm=45, wavefront_error_waves=0.05), 128)\n"
        "import cupy\n"
        "print(cupy.__file__, pupil.area_m2, pupil.rms_nm())\n"
    )
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join([str(tmp_path), *sys.path])}
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, env=environment, check=False)
    assert run.returncode == 0, run.stderr
    where, area, rms = run.stdout.split()
    assert where == str(tmp_path / "cupy/__init__.py")
    plain = make_pupil(Telescope(150, 750, obstruction_mm=45, wavefront_error_waves=0.05), 128)
    assert (float(area), float(rms)) == (plain.area_m2, plain.rms_nm())


@pytest.mark.parametrize("seed", range(40))
def test_store_outlives_any_damage(tmp_path, monkeypatch, seed):
    """Bytes changed, cut off or put in: the array comes out right, built anew where its checksum is wrong."""
    monkeypatch.setattr(store, "cache_folder", lambda: tmp_path)
    dice = np.random.default_rng(seed)
    calls = []
    store.remembered("key", lambda: build_once(calls))
    path = next(tmp_path.iterdir())
    data = bytearray(path.read_bytes())
    for _ in range(dice.integers(1, 20)):
        place = int(dice.integers(len(data)))
        data[place : place + int(dice.integers(0, 4))] = dice.bytes(int(dice.integers(0, 4)))
    path.write_bytes(data)
    np.testing.assert_array_equal(store.remembered("key", lambda: build_once(calls)), [[0, 1, 2], [3, 4, 5]])


def test_store_forgets_what_was_used_longest_ago(tmp_path, monkeypatch):
    monkeypatch.setattr(store, "cache_folder", lambda: tmp_path)
    monkeypatch.setattr(store, "LARGEST_FOLDER", 5000)
    left = tmp_path / ".a-0123456789abcdef.npz"  # by a process that was killed
    left.write_bytes(b"half")
    os.utime(left, (1e9, 1e9))

    def build():
        return np.zeros((16, 16), np.float32)

    for number in range(3):
        store.remembered(f"key {number}", build)
        for path in tmp_path.iterdir():  # the clock of a file system may be coarse
            os.utime(path, ns=(path.stat().st_atime_ns, path.stat().st_mtime_ns - 10**9))
    store.remembered("key 0", build)
    store.remembered("key 3", build)
    assert not left.exists()
    assert sum(path.stat().st_size for path in tmp_path.iterdir()) <= 5000
    calls = []
    for number in (3, 0):  # made last, and used last
        store.remembered(f"key {number}", lambda: build_once(calls))
    assert calls == []
    store.remembered("key 1", lambda: build_once(calls))
    assert calls == [1]


def test_store_serves_many_writers_at_once(tmp_path, monkeypatch):
    monkeypatch.setattr(store, "cache_folder", lambda: tmp_path)
    monkeypatch.setattr(store, "LARGEST_FOLDER", 20000)

    def work(worker):
        for number in range(40):
            key = (worker + number) % 25
            array = store.remembered(f"key {key}", lambda key=key: np.full((16, 16), key, np.float32))
            assert (array == key).all()

    with ThreadPoolExecutor(4) as pool:
        list(pool.map(work, range(4)))
    assert not [path for path in tmp_path.iterdir() if path.name.startswith(".")]
