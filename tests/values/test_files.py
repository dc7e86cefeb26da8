from __future__ import annotations

import stat
from pathlib import Path

import pytest

from simulate.errors import InputError
from simulate.values.files import beside, write_bytes


def test_a_failed_write_leaves_the_old_file(tmp_path):
    path = write_bytes(tmp_path / "a.txt", b"old")
    with pytest.raises(ZeroDivisionError), beside(path) as temporary:
        temporary.write_bytes(b"%d" % (1 // 0))
    assert path.read_bytes() == b"old"
    assert [p.name for p in tmp_path.iterdir()] == ["a.txt"]


def test_written_files_can_be_read_by_others(tmp_path):
    path = write_bytes(tmp_path / "new" / "a.txt", b"x")
    reference = tmp_path / "plain.txt"
    reference.write_text("x")
    assert stat.S_IMODE(path.stat().st_mode) == stat.S_IMODE(reference.stat().st_mode)


def test_things_in_the_way(tmp_path):
    (tmp_path / "folder").mkdir()
    (tmp_path / "file").write_text("x")
    with pytest.raises(InputError, match="folder of that name"):
        write_bytes(tmp_path / "folder", b"")
    with pytest.raises(InputError, match="in its way"):
        write_bytes(tmp_path / "file" / "a.txt", b"")


def test_a_full_disk_names_the_file(tmp_path):
    """Linux's device that is always full, in place of a full disk."""
    full = Path("/dev/full")
    if not full.exists():
        pytest.skip("this system has no /dev/full")
    with pytest.raises(OSError, match="No space left") as error, beside(tmp_path / "a.png"):
        full.write_bytes(b"x")
    assert error.value.filename == str(tmp_path / "a.png")
    assert list(tmp_path.iterdir()) == []
