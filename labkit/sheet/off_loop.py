"""A thread without an event loop, for calls that start one of their own: a page already runs in one."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

Answer = TypeVar("Answer")


def off_loop(call: Callable[[], Answer]) -> Answer:
    """What `call` returns or raises, run in a thread of its own while this one waits."""
    with ThreadPoolExecutor(1) as thread:
        return thread.submit(call).result()
