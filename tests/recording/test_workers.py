"""Chunks come back in order, whoever computed them, and few are under way."""

from __future__ import annotations

import os
import subprocess
import sys

import numpy as np
import pytest

from simulate.errors import InputError
from simulate.recording.frames import ROW
from simulate.recording.workers import check_spread, chunk_length, in_order, open_executor


def compute(plan, first, last):
    numbers = np.arange(first, last, dtype=np.uint16)
    rows = np.zeros(last - first, ROW)
    rows["frame"] = numbers
    return numbers[:, None, None] + np.uint16(plan), rows


def run(executor) -> np.ndarray:
    return np.concatenate([raw.ravel() for raw, _ in in_order(compute, 7, (3, 50), 4, executor)])


def test_here():
    with open_executor(1) as executor:
        assert executor is None
        np.testing.assert_array_equal(run(executor), np.arange(10, 57))


def test_two_processes():
    with open_executor(2) as executor:
        np.testing.assert_array_equal(run(executor), np.arange(10, 57))


def test_a_cluster_on_this_machine():
    distributed = pytest.importorskip("distributed")
    with (
        distributed.LocalCluster(
            n_workers=2, threads_per_worker=1, processes=False, dashboard_address=None, silence_logs=50
        ) as cluster,
        open_executor(1, cluster.scheduler_address) as executor,
    ):
        np.testing.assert_array_equal(run(executor), np.arange(10, 57))


def test_no_more_than_so_many_under_way():
    class Slow:
        running = most = 0

        def submit(self, function, *arguments):
            Slow.running += 1
            Slow.most = max(Slow.most, Slow.running)
            outer = function(*arguments)

            class Future:
                def result(self):
                    Slow.running -= 1
                    return outer

                def cancel(self): ...

            return Future()

    list(in_order(compute, 0, (0, 100), 3, Slow(), ahead=5))
    assert Slow.most == 5


def test_chunks_are_small_in_memory_and_many_enough():
    assert chunk_length(2 * 256 * 256, 10000, 2) == 64
    assert chunk_length(2 * 2000 * 3000, 10000, 2) == 1
    assert chunk_length(100, 16, 2) == 2


def test_bad_settings():
    with pytest.raises(InputError, match="processes"), open_executor(0):
        pass
    pytest.importorskip("distributed")


@pytest.mark.parametrize("processes", [0, -1, 513, 10**30])
def test_a_senseless_number_of_processes_is_refused(processes):
    with pytest.raises(InputError, match="--processes"):
        check_spread(processes)


def test_an_address_of_a_kind_that_is_not_there_is_refused():
    pytest.importorskip("distributed")
    with pytest.raises(InputError, match="--scheduler"), open_executor(scheduler="ucx://x"):
        pass


@pytest.mark.skipif(sys.platform == "win32", reason="signals of a terminal are a matter of POSIX")
def test_workers_are_deaf_to_ctrl_c_from_their_first_instant():
    """A terminal sends the signal to the whole group; here it comes while the workers are still loading."""
    code = (
        "import os, signal, sys\n"
        "from simulate.recording.workers import open_executor\n"
        "signal.signal(signal.SIGINT, lambda *_: print('once'))\n"
        "with open_executor(2) as pool:\n"
        "    running = [pool.submit(pow, 2, 10) for _ in range(2)]\n"
        "    os.killpg(os.getpgid(0), signal.SIGINT)\n"
        "    again = [pool.submit(pow, 2, 10) for _ in range(2)]\n"
        "    print([future.result() for future in running + again])\n"
    )
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)}
    run = subprocess.run(
        [sys.executable, "-c", code],
        capture_output=True, text=True, env=environment, start_new_session=True, check=False, timeout=120,
    )  # fmt: skip
    assert (run.stdout, run.stderr, run.returncode) == ("once\n[1024, 1024, 1024, 1024]\n", "", 0)
