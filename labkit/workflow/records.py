"""The page Signed records: finding, proving and taking away what was signed, and what leans on what."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Final

import traitlets as T

from labkit import ledger
from labkit.ledger import Entry, Found, ResultLine, Version, Wanted
from labkit.ledger.backups import Backup, last_backup
from labkit.ledger.leaning import Leaning, leaning_on
from labkit.ledger.standing import Standing, standings
from labkit.problems import BadInput, Problem, Reason
from labkit.workflow import record_files, replacing
from labkit.workflow.ledger_page import LedgerPage
from labkit.workflow.record_behind import everything_behind
from labkit.workflow.record_look import LARGEST_MB, Judged, Proof, Shown, draw, judge_file, prove
from labkit.workflow.worker import Worker

LINES: Final = 20
"""Of one page of the list."""

ASKED: Final = ("words", "kind", "rig", "gauge", "target", "signer", "decision", "since", "until")

LEANED_ON: Final = ("shim", "gauge", "probe", "tip", "target", "instrument", "procedure", "rig")
"""Kinds of things that may turn out wrong."""

Job = Callable[[], tuple[str, bytes]]
"""Makes a file and gives it a name; it takes a while, and touches no model."""

NONE_FOUND: Final = Found((), 0)


class RecordsPage(LedgerPage):
    """
    Parameters
    ----------
    data, worker, now
        See `LedgerPage`.
    prover, drawer, judge : Worker, optional
        What verifies a certificate, draws it, and verifies a file from elsewhere.

    Attributes
    ----------
    opened : Entry or None
        The result that is looked at.
    shown : Shown or None
        The page of it that is drawn.
    proof : Proof or None
        What was found about it.
    proving : bool
        Whether it is being verified.
    judging : bool
        Whether a file from elsewhere is being verified.
    file : (str, Judged) or None
        Its name, and what was found.
    """

    opened = T.Instance(Entry, allow_none=True)
    shown = T.Instance(Shown, allow_none=True)
    proof = T.Instance(Proof, allow_none=True)
    proving = T.Bool(False)
    judging = T.Bool(False)
    file = T.Any(None)

    def __init__(
        self,
        data: Path,
        *,
        worker: Worker | None = None,
        prover: Worker | None = None,
        drawer: Worker | None = None,
        judge: Worker | None = None,
        now: Callable[[], str] = ledger.utc_now,
    ) -> None:
        self.asked = dict.fromkeys(ASKED, "")
        self.offset = 0
        self.ticked: dict[str, str] = {}
        self.leaned: tuple[str, str] = ("", "")
        self._prover, self._drawer, self._judge = prover or Worker(), drawer or Worker(), judge or Worker()
        super().__init__(data, worker=worker, now=now)

    # ---- what the ledger says ----

    def _forget(self) -> None:
        super()._forget()
        self.register: tuple[Version, ...] = ()
        self.found = NONE_FOUND
        self.signed = 0
        self.standing: dict[str, Standing] = {}
        self.backup: Backup | None = None
        self.leaning: tuple[list[Leaning], int] = ([], 0)

    def _read(self) -> None:
        super()._read()
        self.register = ledger.load_register(self.data)
        self.backup = last_backup(self.data)
        self._find()
        self._find_leaning()
        if self.opened is not None:
            self._stand([self.opened.id])

    @property
    def wanted(self) -> Wanted:
        """What is looked for; a day that is none is not asked, and is named in `faults`."""
        asked = {name: text for name, text in self.asked.items() if name not in self.faults}
        return Wanted(**asked, zone=self.bench.zone)

    @property
    def faults(self) -> dict[str, Reason]:
        """What is wrong with a field, by its name."""
        found = {}
        for name in ("since", "until"):
            try:
                if self.asked[name]:
                    date.fromisoformat(self.asked[name])
            except ValueError:
                found[name] = Reason("records.no_day", {"typed": self.asked[name]})
        return found

    def options(self, name: str) -> list[str]:
        """What a field can be asked for, from the register: what is withdrawn too, for results stay."""
        if name == "target":  # a result is found by the kind of its target
            return sorted({str(each.body.get("kind") or each.subject) for each in self.register if each.kind == name})
        return self.names({"signer": "person"}.get(name, name))

    def names(self, kind: str) -> list[str]:
        """Everything of a kind that was ever registered."""
        return sorted(each.subject for each in self.register if each.kind == kind)

    def has_number(self, number: str) -> bool:
        """Whether a result of this ledger has the number."""
        try:
            ledger.find(self.data, number)
        except Problem as problem:
            return problem.code == "ledger.changed"
        return True

    def state_of(self, line: ResultLine) -> tuple[str, Reason]:
        """The mark and the word for how a result stands."""
        if line.replaced_by:
            return "idle", Reason("records.replaced_by", {"number": line.replaced_by})
        standing = self.standing.get(line.id, Standing())
        if standing.asked or standing.waits:
            return "part", Reason("records.waits")
        return "ok", Reason("records.valid")

    def _find(self) -> None:
        self.found = ledger.search(self.data, self.wanted, limit=LINES, offset=self.offset)
        if not self.found.lines and self.offset:
            self.offset = 0
            self.found = ledger.search(self.data, self.wanted, limit=LINES)
        self.signed = (
            self.found.total if self.wanted == Wanted(zone=self.bench.zone) else ledger.search(self.data, limit=1).total
        )
        self.standing = standings(self.data, [line.id for line in self.found.lines])

    def _stand(self, ids: list[str]) -> None:
        self.standing |= standings(self.data, [each for each in ids if each not in self.standing])

    # ---- finding ----

    def look_for(self, name: str, text: str) -> None:
        """Ask for something; the list begins at its newest again."""
        if name not in ASKED or self.asked[name] == text.strip():
            return
        self.asked[name], self.offset = text.strip(), 0
        self._again(self._find)

    def ask_nothing(self) -> None:
        """Show everything again."""
        self.asked, self.offset = dict.fromkeys(ASKED, ""), 0
        self._again(self._find)

    def turn(self, by: int) -> None:
        """Older (1) or newer (−1) lines of the list."""
        self.offset = min(max(self.offset + by * LINES, 0), max(self.found.total - 1, 0) // LINES * LINES)
        self._again(self._find)

    def tick_line(self, number: str, on: bool) -> None:
        """Choose a line of the list, or not; it stays chosen while others are shown."""
        line = next((each for each in self.found.lines if each.number == number), None)
        if on and line is not None:
            self.ticked[number] = line.id
        elif not on:
            self.ticked.pop(number, None)
        self.version += 1

    def untick(self) -> None:
        self.ticked = {}
        self.version += 1

    @property
    def chosen(self) -> list[str]:
        """The numbers of what is ticked, in their order; of what is looked at where nothing is."""
        return sorted(self.ticked) or ([self.opened.number] if self.opened is not None else [])

    def _again(self, read: Callable[[], None]) -> None:
        self.use()
        read()
        self.version += 1

    # ---- taking away ----

    def certificates(self) -> Job:
        """What makes a file of the certificates that are chosen; see `labkit.workflow.record_files.certificates`."""
        data, chosen = self.data, self.chosen
        self.use()
        return lambda: record_files.certificates(data, chosen)

    def behind(self) -> Job:
        """What makes a file of everything behind them; see `labkit.workflow.record_behind.everything_behind`."""
        data, chosen, zone = self.data, self.chosen, self.bench.zone
        self.use()
        return lambda: everything_behind(data, chosen, zone)

    def list_table(self) -> Job:
        """What makes a table of the whole list that is looked for."""
        data, wanted = self.data, self.wanted
        self.use()
        return lambda: ("signed results.csv", record_files.list_of(data, wanted))

    # ---- looking at one ----

    def open(self, number: str) -> None:
        """
        Look at a result: it is verified and drawn beside the work.

        Raises
        ------
        BadInput
            ``ledger.not_found``.
        Problem
            ``ledger.changed``: it is not what was signed.
        """
        entry = ledger.find(self.data, number)
        self.use()
        self.opened, self.shown, self.proof, self.proving = entry, None, None, True
        self._stand([entry.id])
        data, pdf, record_hash = self.data, entry.pdf, ledger.record_sha256(entry.record)
        self._draw(entry, 1)
        self._prover.submit(
            lambda: prove(data, entry.id, pdf, record_hash),
            lambda found: self._proved(entry, found),
            lambda error: self._not_proved(entry, error),
        )
        self.version += 1

    def show_page(self, page: int) -> None:
        """Draw another page of the certificate."""
        if self.opened is not None and self.shown is not None and 1 <= page <= self.shown.pages:
            self.use()
            self._draw(self.opened, page)

    def _draw(self, entry: Entry, page: int) -> None:
        self._drawer.submit(
            lambda: draw(entry.pdf, page),
            lambda found: self._drawn(entry, found),
            lambda error: self._failed(error) if self.opened is entry else None,
        )

    def _drawn(self, entry: Entry, found: Shown) -> None:
        if self.opened is entry:
            self.shown = found
            self.version += 1

    def _proved(self, entry: Entry, found: Proof) -> None:
        if self.opened is entry:
            self.proof, self.proving = found, False
            self.version += 1

    def _not_proved(self, entry: Entry, error: BaseException) -> None:
        if self.opened is entry:
            self.proving = False
            self._failed(error)

    @property
    def replaced_by(self) -> str:
        """The number of what replaces the result that is looked at; empty where nothing does."""
        if self.opened is None:
            return ""
        return ledger.replaced_by(self.data, [self.opened.id]).get(self.opened.id, "")

    @property
    def replaces(self) -> str:
        """The number of what the result that is looked at replaces; empty where it replaces nothing."""
        if self.opened is None or not self.opened.replaces:
            return ""
        return ledger.find(self.data, self.opened.replaces).number

    # ---- a file from elsewhere ----

    def judge_file(self, name: str, content: bytes) -> None:
        """
        Verify a PDF from elsewhere. It is read, not stored.

        Raises
        ------
        BadInput
            ``records.large_file``.
        """
        if len(content) > LARGEST_MB * 1_000_000:
            raise BadInput("records.large_file", name=name, limit=LARGEST_MB)
        self.use()
        self.judging, self.file = True, None
        data = self.data
        self._judge.submit(lambda: judge_file(data, content), lambda found: self._judged(name, found), self._not_judged)
        self.version += 1

    def _judged(self, name: str, found: Judged) -> None:
        self.judging, self.file = False, (name, found)
        self.version += 1

    def _not_judged(self, error: BaseException) -> None:
        self.judging = False
        self._failed(error)

    # ---- replacing ----

    def replace(self, reason: str) -> str:
        """
        Begin a draft with the readings of the result that is looked at, to take its place.

        Returns
        -------
        str
            The id of the draft.

        Raises
        ------
        BadInput, Problem
            See `labkit.workflow.replacing.draft_to_replace`.
        """
        if self.opened is None:
            raise BadInput("records.none_open")
        self.use()
        try:
            return replacing.draft_to_replace(self.data, self.opened, self.who, reason, self.now)
        finally:
            self.refresh()

    # ---- what leans on what ----

    def ask_leaning(self, kind: str, subject: str) -> None:
        """List the results that leaned on a thing of the register."""
        self.leaned = (kind, subject) if kind in LEANED_ON else ("", "")
        self._again(self._find_leaning)

    def _find_leaning(self) -> None:
        kind, subject = self.leaned
        self.leaning = leaning_on(self.data, kind, subject, limit=MOST_LEANING) if subject else ([], 0)


MOST_LEANING: Final = 200
"""Lines of what leaned on one thing; the rest is counted."""
