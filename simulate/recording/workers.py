"""Frames over processes or a cluster, handed back in order.

The same function runs everywhere: ``compute(plan, first, last)`` gives frames first..last-1. Names and numbers go out,
arrays come back; a bounded number of chunks is under way at a time, so memory does not grow with the recording.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Generator, Iterator
from concurrent.futures import Executor, ProcessPoolExecutor
from contextlib import contextmanager
from importlib.util import find_spec
from typing import Any

import numpy as np
import numpy.typing as npt

from simulate.errors import InputError
from simulate.recording.threads import begin_worker

Chunk = tuple[npt.NDArray[np.uint16], npt.NDArray[np.void]]
"""Raw frames (frames, rows, columns) and their rows for the truth file."""

LARGEST_CHUNK_BYTES = 16_000_000
"""Most raw data in one chunk."""

LONGEST_CHUNK = 64
"""Most frames in one chunk: about half a second of work."""


MOST_PROCESSES = 512
"""More than any one machine of today has use for."""


def chunk_length(frame_bytes: int, frames: int, workers: int) -> int:
    """Return how many frames go into a chunk: little enough for memory and to keep all workers busy.

    Parameters
    ----------
    frame_bytes : int
        Bytes of a raw frame.
    frames, workers : int
        Frames to compute, processes at work.
    """
    share = max(1, frames // (4 * max(1, workers)))
    return max(1, min(LONGEST_CHUNK, LARGEST_CHUNK_BYTES // max(1, frame_bytes), share))


def check_spread(processes: int = 1, scheduler: str | None = None) -> None:
    """Raise `InputError` where `open_executor` would for its arguments alone, without opening anything."""
    if not 1 <= processes <= MOST_PROCESSES:
        raise InputError("--processes", processes, f"give a number from 1 to {MOST_PROCESSES}")
    if scheduler is not None and find_spec("distributed") is None:
        raise InputError("--scheduler", scheduler, "install the extra for clusters: pip install 'simulate[cluster]'")


@contextmanager
def open_executor(processes: int = 1, scheduler: str | None = None) -> Generator[Executor | None, None, None]:
    """Open what runs the chunks: None for this process, a pool of processes, or a cluster's executor.

    Parameters
    ----------
    processes : int
        Processes on this machine; 1 computes in this one.
    scheduler : str, optional
        Address of a dask.distributed scheduler, "tcp://host:8786"; needs the extra "cluster".

    Raises
    ------
    InputError
        If the extra is missing, the scheduler cannot be reached, or the number is not positive.
    """
    check_spread(processes, scheduler)
    if scheduler is not None:
        client = _connect(scheduler)
        try:
            yield client.get_executor(pure=False)
        finally:
            client.close()
    elif processes == 1:
        yield None
    else:
        import multiprocessing

        methods = multiprocessing.get_all_start_methods()
        context = multiprocessing.get_context("forkserver" if "forkserver" in methods else "spawn")
        if "forkserver" in methods:
            _start_server_deaf()
        pool = ProcessPoolExecutor(processes, mp_context=context, initializer=begin_worker)
        try:
            yield pool
        finally:
            pool.shutdown(wait=True, cancel_futures=True)


def _start_server_deaf() -> None:
    """Start the process that workers are forked from, deaf to Ctrl-C from its first instant.

    A terminal sends the signal to all; this process alone answers it, and ends the others.
    """
    import signal
    from multiprocessing import forkserver, resource_tracker

    resource_tracker.ensure_running()  # it lifts the block when it starts: so first
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})  # children inherit what is blocked
    try:
        forkserver.ensure_running()
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _connect(scheduler: str) -> Any:
    from distributed import Client

    try:
        return Client(scheduler, timeout="20s", set_as_default=False)
    except Exception as error:  # each kind of address has its library, and each library its errors
        raise InputError("--scheduler", scheduler, f"no scheduler answers there ({error})") from error


def in_order(
    compute: Callable[[Any, int, int], Chunk],
    plan: Any,
    span: tuple[int, int],
    length: int,
    executor: Executor | None = None,
    *,
    ahead: int = 4,
) -> Iterator[Chunk]:
    """Yield the chunks of frames in order.

    Parameters
    ----------
    compute : callable
        ``compute(plan, first, last)``, a function that other processes can import.
    plan : object
        Its first argument; names and numbers.
    span : pair of int
        First frame and the one after the last.
    length : int
        Frames in a chunk.
    executor : Executor, optional
        None computes here.
    ahead : int
        Chunks under way at a time.
    """
    starts = range(span[0], span[1], length)
    pieces = ((first, min(first + length, span[1])) for first in starts)
    if executor is None:
        for first, last in pieces:
            yield compute(plan, first, last)
        return
    running: deque = deque()
    try:
        for first, last in pieces:
            running.append(executor.submit(compute, plan, first, last))
            if len(running) >= ahead:
                yield running.popleft().result()
        while running:
            yield running.popleft().result()
    finally:
        for future in running:
            future.cancel()
