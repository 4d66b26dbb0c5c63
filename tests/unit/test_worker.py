"""The worker: the newest question wins, answers arrive on the loop, and nothing that a job does stops it."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable
from typing import Any

import pytest

from labkit.workflow.worker import Worker


def never(_: object) -> None:
    raise AssertionError("nobody should have been told")


async def answer(worker: Worker, job: Callable[[], Any]) -> tuple[str, Any, int]:
    """How a job ended, and in which thread that was said."""
    told: asyncio.Future[tuple[str, Any, int]] = asyncio.get_running_loop().create_future()
    worker.submit(
        job,
        lambda found: told.set_result(("done", found, threading.get_ident())),
        lambda error: told.set_result(("failed", error, threading.get_ident())),
    )
    return await asyncio.wait_for(told, 20)


def test_a_job_runs_elsewhere_and_its_answer_arrives_on_the_loop() -> None:
    how, where, told_in = asyncio.run(answer(Worker(), threading.get_ident))
    assert how == "done"
    assert where != threading.get_ident() == told_in


@pytest.mark.parametrize("error", [ValueError("bad"), MemoryError(), SystemExit(3)])
def test_a_failure_is_told_and_the_next_job_runs(error: BaseException) -> None:
    def fail() -> None:
        raise error

    async def both() -> tuple[tuple[str, Any, int], tuple[str, Any, int]]:
        worker = Worker()
        return await answer(worker, fail), await answer(worker, lambda: 7)

    first, second = asyncio.run(both())
    assert first[:2] == ("failed", error)
    assert second[:2] == ("done", 7)


def test_of_those_that_wait_only_the_newest_runs() -> None:
    ran: list[int] = []
    told: list[int] = []

    async def ask() -> None:
        worker, go, begun = Worker(), threading.Event(), threading.Event()

        def first() -> int:
            begun.set()
            assert go.wait(20)
            return 0

        def job(i: int) -> Callable[[], int]:
            return lambda: (ran.append(i), i)[1]

        last = asyncio.get_running_loop().create_future()
        worker.submit(first, told.append, never)
        assert await asyncio.to_thread(begun.wait, 20)
        for i in (1, 2, 3):
            worker.submit(job(i), told.append, never)
        worker.submit(job(4), last.set_result, never)
        assert worker.busy
        go.set()
        assert await asyncio.wait_for(last, 20) == 4

    asyncio.run(ask())
    assert ran == [4]
    assert told == [0]


def test_without_a_loop_nothing_is_begun() -> None:
    worker = Worker()
    with pytest.raises(RuntimeError):
        worker.submit(lambda: 1, never, never)
    assert not worker.busy


def test_a_loop_that_is_gone_does_not_stop_the_worker() -> None:
    worker, go, ended = Worker(), threading.Event(), threading.Event()

    async def ask_and_leave() -> None:
        def job() -> None:
            assert go.wait(20)
            ended.set()

        worker.submit(job, never, never)

    asyncio.run(ask_and_leave())
    go.set()
    assert ended.wait(20)
    assert asyncio.run(answer(worker, lambda: 7))[:2] == ("done", 7)


def test_inline_everything_happens_at_once() -> None:
    told: list[object] = []
    worker = Worker(inline=True)
    worker.submit(lambda: 7, told.append, never)
    worker.submit(lambda: 1 / 0, never, told.append)
    assert told[0] == 7
    assert isinstance(told[1], ZeroDivisionError)
    assert not worker.busy
