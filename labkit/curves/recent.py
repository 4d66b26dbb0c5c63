"""The last few answers to a question that is asked again and again."""

from __future__ import annotations

from collections.abc import Callable, Hashable
from typing import Generic, TypeVar

Answer = TypeVar("Answer")


class Recent(Generic[Answer]):
    """
    Parameters
    ----------
    most : int
        Answers that are kept; the oldest one goes first.
    """

    def __init__(self, most: int) -> None:
        self._most = most
        self._kept: dict[Hashable, Answer] = {}

    def answer(self, question: Hashable, work_out: Callable[[], Answer]) -> Answer:
        """The answer that is kept, or else what is worked out now."""
        if question not in self._kept:
            if len(self._kept) == self._most:
                del self._kept[next(iter(self._kept))]
            self._kept[question] = work_out()
        return self._kept[question]
