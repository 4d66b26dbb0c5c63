"""The page put together: a model, three sections that show it, and the frame around them."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Final

from IPython.display import display

from labkit.ledger import Entry
from labkit.messages import sentence
from labkit.panels import shell
from labkit.panels.bench.page import chain_words
from labkit.panels.bench.sign_in import SignIn
from labkit.panels.guard import guarded, report
from labkit.panels.records.section_certificate import CertificateSection
from labkit.panels.records.section_find import FindSection
from labkit.panels.records.section_leans import LeansSection
from labkit.panels.visitor import wanted
from labkit.paths import data_folder
from labkit.problems import Problem
from labkit.workflow.clock import date_and_time, full_date
from labkit.workflow.record_files import kind_words
from labkit.workflow.record_look import load_provers
from labkit.workflow.records import RecordsPage

TITLE: Final = "Signed records"
INTRO: Final = "Find a signed result, prove that it is genuine, and download it."

_TICK_S: Final = 4.0
"""The browser asks every two seconds; what others changed is looked for half as often."""


def show() -> None:
    """Show the page in a notebook cell; the last cell, for it waits until there is a visitor."""
    view = RecordsView(RecordsPage(data_folder()))
    load_provers()
    view.open(wanted("number"))
    display(view.frame.root)  # type: ignore[no-untyped-call]


def title_of(entry: Entry) -> str:
    """``Certificate 0117``, or ``Check record 0094-09``."""
    what = "Certificate" if entry.kind == "calibration" else kind_words(entry.kind)
    return f"{what} {entry.number}"


class RecordsView:
    """
    The widgets of the page, built once.

    Parameters
    ----------
    page : RecordsPage
    """

    def __init__(self, page: RecordsPage) -> None:
        self.page = page
        self._ticked = 0.0
        guard = self._guard
        self.door = SignIn(page, guard)
        self.certificate = CertificateSection(page, guard, self.door.signed_in)
        self.find = FindSection(page, guard, self.refresh)
        self.leans = LeansSection(page, guard)
        self._in = shell.button("Sign in", guard(lambda _: self.door.ask()))
        self._out = shell.button("Sign out", guard(lambda _: page.sign_out()))
        for each in (self._in, self._out):
            each.add_class("lk-slim")
        sections = (self.find, self.certificate, self.leans)
        self.frame = shell.page(
            "records",
            TITLE,
            INTRO,
            [each.section for each in sections],
            with_strip=False,
            door=self.door.root,
            under_title=[shell.bar([self._in, self._out])],
        )
        self.frame.person.layout.display = "none"  # a name alone proves nothing here
        page.observe(guard(lambda _: self.refresh()), "version")
        page.observe(guard(lambda _: self._say_cells()), "checking")
        page.observe(guard(self._fault), "fault")
        self.frame.heartbeat.on_msg(guard(lambda *_: self._tick()))

    def open(self, number: str = "") -> None:
        """Load what changes with time, and open the record that the address asks for."""
        self._guard(self.page.begin)()
        if number and self.page.problem is None:
            self._guard(self.page.open)(number)

    def refresh(self) -> None:
        """Have every section show what the model holds."""
        page, frame = self.page, self.frame
        bench = page.bench
        shell.say_laboratory(frame, bench.laboratory)
        frame.heartbeat.title = f"{TITLE} · {bench.laboratory.name or 'labkit'}"
        for each in (self.find, self.certificate, self.leans):
            each.show()
        self._say_marks()
        self._in.layout.display = "none" if page.who.proven else ""
        self._out.layout.display = "" if page.who.proven and not page.by_hub else "none"
        self._say_cells()
        if page.problem is not None:
            shell.say_banner(frame, str(page.problem))
        elif page.chain is not None and not page.chain.whole:
            shell.say_banner(frame, sentence("bench.chain_broken", {"fault": str(page.chain.faults[0])}))

    def _say_marks(self) -> None:
        page, frame = self.page, self.frame
        words = f"{page.signed} signed" if page.signed else "Nothing signed"
        shell.say_mark(frame, 1, "ok" if page.signed else "idle", words)
        entry = page.opened
        shell.say_title(frame, 2, title_of(entry) if entry is not None else "Certificate")
        if entry is None:
            shell.say_mark(frame, 2, "idle", "None open")
        elif page.proof is None:
            shell.say_mark(frame, 2, "part", "Being verified" if page.proving else "Not verified")
        else:
            state = page.proof.judged.state if page.proof.same_data else "stop"
            shell.say_mark(frame, 2, state, {"ok": "Verified", "watch": "Look", "stop": "Do not use"}[state])
        _, total = page.leaning
        shell.say_mark(frame, 3, "watch" if total else "idle", f"{total} leaned on it" if total else "Nothing asked")

    def _say_cells(self) -> None:
        page = self.page
        who = f"{page.who.name}, {page.who.role}" if page.who.proven else "nobody"
        backup = date_and_time(page.backup.made, page.bench.zone) if page.backup is not None else "–"
        shell.say_cells(
            self.frame,
            {
                "Date": full_date(page.now, page.bench.zone),
                "Signed in": who,
                "Ledger": chain_words(page),
                "Last backup": backup,
            },
        )

    def _tick(self) -> None:
        """The browser's question comes every two seconds: look whether somebody has gone, or others have written."""
        now = time.monotonic()
        if now - self._ticked < _TICK_S:
            return
        self._ticked = now
        self.page.tick()
        self._say_cells()

    def _guard(
        self, callback: Callable[..., object], beside: Callable[[Problem], None] | None = None
    ) -> Callable[..., None]:
        return guarded(lambda said: shell.say_banner(self.frame, said), beside)(callback)

    def _fault(self, change: dict[str, object]) -> None:
        error = change["new"]
        if isinstance(error, BaseException):
            try:
                raise error
            except BaseException:
                shell.say_banner(self.frame, report("while a record was looked at"))
