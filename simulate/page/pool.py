"""A few threads that compute for the page: the newest request of a client wins, and nobody starves."""

from __future__ import annotations

import asyncio
import threading
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from simulate.errors import SimulateError

MOST_WAITING = 64
"""Requests that wait; with more the machine is asked by more people than it can serve."""


class Dropped(SimulateError):
    """A newer request of the same client took this one's place."""


class Busy(SimulateError):
    """Too many requests wait already."""


@dataclass(eq=False)
class _Job:
    work: Callable[[], Any]
    long: bool
    loop: asyncio.AbstractEventLoop
    answer: asyncio.Future[Any]
    taken: bool = field(default=False)

    def settle(self, value: Any, error: BaseException | None) -> None:
        def set_it() -> None:
            if self.answer.done():  # the client has gone
                return
            if error is None:
                self.answer.set_result(value)
            else:
                self.answer.set_exception(error)

        try:
            self.loop.call_soon_threadsafe(set_it)
        except RuntimeError:  # the page is closing
            return


class Pool:
    """Threads that compute, one queue before them.

    A client has one place in the queue for each of its lanes ("picture", "verdicts", ...): a new request takes the
    place of one that still waits there, which is then answered by `Dropped`. Places are served in the order in which
    they were taken, so that a client that asks often gains nothing by it.

    Parameters
    ----------
    threads : int
        Threads; one of them at least is kept free of long work, so that sliders always move.
    """

    def __init__(self, threads: int = 2) -> None:
        self._waiting: OrderedDict[tuple[str, str], _Job] = OrderedDict()
        self._changed = threading.Condition()
        self._long_room = max(1, threads - 1)
        self._closed = False
        for number in range(threads):
            # daemons: what still computes when the page is closed must not hold it up
            threading.Thread(target=self._serve, name=f"page {number}", daemon=True).start()

    async def run(self, client: str, lane: str, work: Callable[[], Any], *, long: bool = False) -> Any:
        """Return what `work` returns, once a thread has come to it.

        Parameters
        ----------
        client, lane : str
            Whose request it is, and which of its older ones it replaces.
        work : callable
            Called without arguments in one of the threads.
        long : bool
            Whether it may take seconds.

        Raises
        ------
        Dropped
            If a newer one took its place before it began.
        Busy
            If too many wait.
        """
        loop = asyncio.get_running_loop()
        job = _Job(work, long, loop, loop.create_future())
        with self._changed:
            before = self._waiting.get((client, lane))
            if before is None and len(self._waiting) >= MOST_WAITING:
                raise Busy("too many requests wait; ask again in a moment")
            self._waiting[client, lane] = job  # in the place of the one before, where there is one
            self._changed.notify()
        if before is not None:
            before.settle(None, Dropped("a newer request took its place"))
        try:
            return await job.answer
        except asyncio.CancelledError:
            with self._changed:
                if self._waiting.get((client, lane)) is job:
                    del self._waiting[client, lane]
            raise

    def close(self) -> None:
        """Begin nothing more."""
        with self._changed:
            self._closed = True
            self._waiting.clear()
            self._changed.notify_all()

    def _next(self) -> _Job | None:
        """Wait for work and take it; None when the pool is closed."""
        with self._changed:
            while not self._closed:
                for place, job in self._waiting.items():
                    if job.long and self._long_room == 0:
                        continue
                    del self._waiting[place]
                    self._long_room -= job.long
                    return job
                self._changed.wait()
        return None

    def _serve(self) -> None:
        while (job := self._next()) is not None:
            try:
                value, error = job.work(), None
            except BaseException as raised:  # whatever it is belongs to the one who asked
                value, error = None, raised
            if job.long:
                with self._changed:
                    self._long_room += 1
                    self._changed.notify()
            job.settle(value, error)
            del job, value, error  # a result may be large: do not keep it while waiting
