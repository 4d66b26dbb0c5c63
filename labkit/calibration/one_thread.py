"""The linear algebra library held to one thread."""

from __future__ import annotations

from collections.abc import Callable
from typing import ParamSpec, TypeVar

from threadpoolctl import threadpool_limits

_P = ParamSpec("_P")
_R = TypeVar("_R")


def on_one_thread(function: Callable[_P, _R]) -> Callable[_P, _R]:
    """
    The function, with the linear algebra library held to one thread.

    The matrices are small: on a busy machine, threads that wait for one another cost ten times what they save.
    """
    limited: Callable[_P, _R] = threadpool_limits.wrap(limits=1, user_api="blas")(function)
    return limited
