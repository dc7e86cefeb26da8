"""The queue before the threads: the newest request of a client wins, long work leaves room, nobody starves."""

from __future__ import annotations

import asyncio
import threading

import pytest

from simulate.page.pool import MOST_WAITING, Busy, Dropped, Pool


def test_the_newest_of_a_client_wins_and_older_ones_are_dropped() -> None:
    done: list[int] = []

    async def asked() -> list[object]:
        pool, gate = Pool(1), threading.Event()
        held = asyncio.create_task(pool.run("a", "x", gate.wait))
        await asyncio.sleep(0.05)
        tasks = [asyncio.create_task(pool.run("a", "x", lambda n=n: done.append(n))) for n in range(5)]
        await asyncio.sleep(0.05)
        gate.set()
        found = await asyncio.gather(*tasks, return_exceptions=True)
        await held
        pool.close()
        return list(found)

    found = asyncio.run(asked())
    assert done == [4]
    assert [type(entry) for entry in found] == [Dropped] * 4 + [type(None)]


def test_other_clients_and_lanes_keep_their_turn() -> None:
    order: list[str] = []

    async def asked() -> None:
        pool, gate = Pool(1), threading.Event()
        held = asyncio.create_task(pool.run("a", "x", gate.wait))
        await asyncio.sleep(0.05)
        wanted = [("a", "x", "a1"), ("b", "x", "b"), ("a", "y", "ay"), ("a", "x", "a2")]
        tasks = []
        for client, lane, word in wanted:
            tasks.append(asyncio.create_task(pool.run(client, lane, lambda word=word: order.append(word))))
            await asyncio.sleep(0.01)
        gate.set()
        await asyncio.gather(held, *tasks, return_exceptions=True)
        pool.close()

    asyncio.run(asked())
    assert order == ["a2", "b", "ay"], "a newer request takes the place of the older one, not the end of the queue"


def test_long_work_leaves_a_thread_for_the_sliders() -> None:
    async def asked() -> str:
        pool, gate = Pool(2), threading.Event()
        long = [asyncio.create_task(pool.run(str(n), "ladder", gate.wait, long=True)) for n in range(3)]
        await asyncio.sleep(0.05)
        quick = await asyncio.wait_for(pool.run("c", "picture", lambda: "drawn"), 5)
        gate.set()
        await asyncio.gather(*long)
        pool.close()
        return quick

    assert asyncio.run(asked()) == "drawn"


def test_too_many_that_wait_are_told_so() -> None:
    async def asked() -> None:
        pool, gate = Pool(1), threading.Event()
        held = asyncio.create_task(pool.run("a", "x", gate.wait))
        await asyncio.sleep(0.05)
        tasks = [asyncio.create_task(pool.run(str(n), "x", lambda: None)) for n in range(MOST_WAITING)]
        await asyncio.sleep(0.05)
        with pytest.raises(Busy):
            await pool.run("one more", "x", lambda: None)
        gate.set()
        await asyncio.gather(held, *tasks)
        pool.close()

    asyncio.run(asked())


def test_an_error_reaches_the_one_who_asked_and_the_thread_goes_on() -> None:
    def fails() -> None:
        raise KeyError("x")

    async def asked() -> int:
        pool = Pool(1)
        with pytest.raises(KeyError):
            await pool.run("a", "x", fails)
        found = await pool.run("a", "x", lambda: 7)
        pool.close()
        return found

    assert asyncio.run(asked()) == 7
