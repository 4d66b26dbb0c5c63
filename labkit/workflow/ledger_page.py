"""What the pages without a draft share: who has signed in, and a chain that is walked beside the work."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Final

import traitlets as T

from labkit import ledger
from labkit.ledger import Actor, Bench, ChainReport
from labkit.problems import Problem
from labkit.workflow import door
from labkit.workflow.worker import Worker

SIGNED_OUT_AFTER_S: Final = 600
"""Without any use of the page for so long, whoever signed in is signed out."""

NOBODY: Final = Actor("")


class LedgerPage(T.HasTraits):
    """
    Parameters
    ----------
    data : Path
        The laboratory's data folder.
    worker : Worker, optional
        What walks the chain.
    now : callable, optional
        The time, UTC, ISO 8601 with Z.

    Attributes
    ----------
    version : int
        Grows with every change of what is to be seen.
    problem : Problem or None
        Why the ledger cannot be read.
    checking : bool
        Whether the chain is being walked.
    chain : ChainReport or None
        What the last walk found.
    fault : Exception or None
        A fault of ours, to be reported.
    """

    version = T.Int(0)
    problem = T.Instance(Problem, allow_none=True)
    checking = T.Bool(False)
    chain = T.Instance(ChainReport, allow_none=True)
    fault = T.Any(None)

    bench: Bench
    head: ledger.Head

    def __init__(self, data: Path, *, worker: Worker | None = None, now: Callable[[], str] = ledger.utc_now) -> None:
        super().__init__()
        self.data = data
        self._worker = worker or Worker()
        self._now = now
        self._actor, self._used, self._by_hub = NOBODY, "", False
        self._forget()

    # ---- what a page fills in ----

    def _forget(self) -> None:
        """What is shown where the ledger cannot be read."""
        self.bench = Bench()
        self.head = ledger.Head(0, "")

    def _read(self) -> None:
        """Read what is shown; a `Problem` where that cannot be."""
        self.head = ledger.head(self.data)
        self.bench = ledger.load_bench(self.data)

    # ---- what the ledger says ----

    def begin(self) -> None:
        """Read everything for the first time, let in whom a hub has shown, and have the chain walked."""
        self.refresh()
        let_in = door.hub_person(self.bench)
        if let_in is not None:
            self._actor, self._by_hub = let_in, True
            self.version += 1
        self.check_chain()

    def refresh(self) -> None:
        """Read everything again; what cannot be read is said in `problem`, and the page is empty."""
        try:
            self._read()
        except Problem as problem:
            self._forget()
            self.problem = problem
        else:
            self.problem = None
        self.version += 1

    def tick(self) -> None:
        """Called every few seconds: sign out who has gone, and read again what others have changed."""
        if self._actor is not NOBODY and not self.who.proven:
            self.version += 1
        try:
            head = ledger.head(self.data)
        except Problem:
            return
        if head != self.head or self.problem is not None:
            self.refresh()

    def check_chain(self) -> None:
        """Hold every entry and every row against the chain, in the worker: a long one takes a while."""
        if self.checking or self.problem is not None:
            return
        self.checking = True
        self._worker.submit(lambda: ledger.check(self.data), self._checked, self._not_checked)

    def _checked(self, report: ChainReport) -> None:
        self.checking, self.chain = False, report
        self.version += 1

    def _not_checked(self, error: BaseException) -> None:
        self.checking = False
        self._failed(error)

    def _failed(self, error: BaseException) -> None:
        """What a worker could not do: said where it is a problem, reported where it is a fault of ours."""
        if isinstance(error, Problem):
            self.problem = error
        else:
            self.fault = error
        self.version += 1

    @property
    def now(self) -> str:
        return self._now()

    # ---- who ----

    @property
    def who(self) -> Actor:
        """Who has signed in; nobody, once the page was not used for `SIGNED_OUT_AFTER_S`."""
        if self._actor.proven and not self._by_hub and self._idle_s() > SIGNED_OUT_AFTER_S:
            self._actor = NOBODY
        person = next((each for each in self.bench.people if each.name == self._actor.name), None)
        if person is None:
            return NOBODY  # withdrawn meanwhile
        return Actor(person.name, person.role, self._actor.proven)

    @property
    def by_hub(self) -> bool:
        """Whether a hub in front says who it is: there is no signing out here then."""
        return self._by_hub

    def sign_in(self, name: str, passphrase: str) -> None:
        """
        Show who is at the page, by the passphrase of their signing file.

        Raises
        ------
        BadInput
            See `labkit.workflow.door.sign_in`.
        """
        self._actor = door.sign_in(self.data, self.bench, name, passphrase)
        self._by_hub = False
        self.use()
        self.version += 1

    def sign_out(self) -> None:
        """Whoever signed in has gone."""
        if not self._by_hub:
            self._actor = NOBODY
            self.version += 1

    def use(self) -> None:
        """The page is being used: whoever signed in stays signed in."""
        self._used = self._now()

    def _idle_s(self) -> float:
        """A clock that was set back counts as use that never was: better asked once more than never."""
        gone = (datetime.fromisoformat(self._now()) - datetime.fromisoformat(self._used)).total_seconds()
        return gone if gone >= 0 else SIGNED_OUT_AFTER_S + 1.0

    def anybody_may(self, action: str) -> bool:
        """Whether nobody has to sign in for it."""
        return False
