"""One thread that computes: the newest question wins, and answers arrive where the models live."""

from __future__ import annotations

import asyncio
import contextlib
import threading
from collections.abc import Callable
from typing import Any

Job = Callable[[], Any]
Done = Callable[[Any], None]
Failed = Callable[[BaseException], None]


class Worker:
    """
    Runs jobs one at a time, off the kernel's main thread.

    A job that is asked for while another runs waits; one that is asked for while another waits takes its place, as
    only the newest inputs matter. Answers are posted on the event loop from which the job was asked for: models are
    touched there alone.

    Parameters
    ----------
    inline : bool
        Run every job at once, in the thread that asks: for tests and scripts.
    """

    def __init__(self, *, inline: bool = False) -> None:
        self._inline = inline
        self._guard = threading.Lock()
        self._waiting: tuple[Job, Done, Failed, asyncio.AbstractEventLoop] | None = None
        self._running = False

    @property
    def busy(self) -> bool:
        """Whether a job runs or waits."""
        with self._guard:
            return self._running or self._waiting is not None

    def submit(self, job: Job, done: Done, failed: Failed) -> None:
        """
        Have `job` run; then `done` is called with what it returned, or `failed` with what it raised.

        Parameters
        ----------
        job : callable
            Touches no model: it works on values that nobody changes.
        done, failed : callable

        Raises
        ------
        RuntimeError
            No event loop runs here, on which an answer could arrive.
        """
        if self._inline:
            tell, what = self._outcome(job, done, failed)
            tell(what)
            return
        loop = asyncio.get_running_loop()
        with self._guard:
            self._waiting = (job, done, failed, loop)
            if not self._running:
                self._running = True
                threading.Thread(target=self._work, name="labkit-worker", daemon=True).start()

    def _work(self) -> None:
        while True:
            with self._guard:
                if self._waiting is None:
                    self._running = False
                    return
                job, done, failed, loop = self._waiting
                self._waiting = None
            tell, what = self._outcome(job, done, failed)
            with contextlib.suppress(RuntimeError):  # the loop was closed: nobody is left to tell
                loop.call_soon_threadsafe(tell, what)

    @staticmethod
    def _outcome(job: Job, done: Done, failed: Failed) -> tuple[Callable[[Any], None], Any]:
        try:
            return done, job()
        except BaseException as error:  # the thread must live on, whatever a job does
            return failed, error
