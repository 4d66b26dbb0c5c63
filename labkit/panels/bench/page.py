"""The page put together: a model, five sections that show it, and the frame around them."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Final, cast

from IPython.display import display

from labkit.messages import sentence
from labkit.panels import shell
from labkit.panels.bench.section_due import DueSection
from labkit.panels.bench.section_letterhead import NUMBER, LetterheadSection
from labkit.panels.bench.section_register import RegisterSection, mark_of
from labkit.panels.bench.section_unfinished import UnfinishedSection
from labkit.panels.bench.section_waiting import WaitingSection
from labkit.panels.bench.sign_in import SignIn
from labkit.panels.bench.words import counted
from labkit.panels.guard import guarded, report
from labkit.panels.visitor import wanted_draft
from labkit.paths import data_folder
from labkit.problems import Problem
from labkit.workflow.bench import BenchPage
from labkit.workflow.clock import day_and_time
from labkit.workflow.ledger_page import LedgerPage

TITLE: Final = "Bench"

_TICK_S: Final = 4.0
"""The browser asks every two seconds; what others changed is looked for half as often."""


def show() -> None:
    """Show the page in a notebook cell; the last cell, for it waits until there is a visitor."""
    view = BenchView(BenchPage(data_folder()))
    wanted_draft()  # waits for the visitor: what changes with time is read after it
    view.open()
    display(view.frame.root)  # type: ignore[no-untyped-call]


class BenchView:
    """
    The widgets of the page, built once.

    Parameters
    ----------
    page : BenchPage
    """

    def __init__(self, page: BenchPage) -> None:
        self.page = page
        self._ticked = 0.0
        guard = self._guard
        self.door = SignIn(page, guard)
        self.waiting = WaitingSection(page, guard)
        self.register = RegisterSection(page, guard, self.door)
        self.due = DueSection(page, guard, self.register.open)
        self.unfinished = UnfinishedSection(page, guard, self.door)
        self._in = shell.button("Sign in", guard(lambda _: self.door.ask()))
        self._out = shell.button("Sign out", guard(lambda _: page.sign_out()))
        for each in (self._in, self._out):
            each.add_class("lk-slim")
        self.letterhead = LetterheadSection(page, guard, self.door)
        sections = (self.waiting, self.due, self.unfinished, self.register, self.letterhead)
        self.frame = shell.page(
            "bench",
            TITLE,
            "",
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

    def open(self) -> None:
        """Load what changes with time."""
        self._guard(self.page.begin)()

    def refresh(self) -> None:
        """Have every section show what the model holds."""
        page, frame = self.page, self.frame
        bench = page.bench
        shell.say_laboratory(frame, bench.laboratory)
        frame.heartbeat.title = f"{TITLE} · {bench.laboratory.name or 'labkit'}"
        self.waiting.show()
        self.due.show()
        self.unfinished.show()
        self.register.show()
        self.letterhead.show()
        for no, (state, words) in marks(page).items():
            shell.say_mark(frame, no, cast(shell.State, state), words)
        shell.say_mark(frame, NUMBER, cast(shell.State, self.letterhead.mark()[0]), self.letterhead.mark()[1])
        shell.say_intro(frame, TITLE, intro(page))
        self._in.layout.display = "none" if page.who.proven else ""
        self._out.layout.display = "" if page.who.proven and not page.by_hub else "none"
        self._say_cells()
        if page.problem is not None:
            shell.say_banner(frame, str(page.problem))
        elif page.chain is not None and not page.chain.whole:
            shell.say_banner(frame, sentence("bench.chain_broken", {"fault": str(page.chain.faults[0])}))

    def _say_cells(self) -> None:
        page = self.page
        who = f"{page.who.name}, {page.who.role}" if page.who.proven else "nobody"
        now = day_and_time(page.now, page.bench.zone)
        shell.say_cells(self.frame, {"Date": now, "Signed in": who, "Ledger": chain_words(page)})

    def _tick(self) -> None:
        """The browser's question comes every two seconds: look whether somebody has gone, or others have written."""
        now = time.monotonic()
        if now - self._ticked < _TICK_S:
            return
        self._ticked = now
        self.page.tick()
        self.waiting.show_clocks()
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
                shell.say_banner(self.frame, report("while the ledger was checked"))


def chain_words(page: LedgerPage) -> str:
    """How long the chain is, and what is known of it; nothing is said of entries that nobody has walked."""
    entries = _grouped(page.head.entries)
    if page.chain is None:
        return f"{entries} entries, being checked" if page.checking else f"{entries} entries"
    if not page.chain.whole:
        return f"{entries} entries, chain broken"
    if page.chain.head == page.head:
        return f"{entries} entries, chain unbroken"
    return f"{entries} entries, unbroken up to {_grouped(page.chain.entries)}"


def _grouped(count: int) -> str:
    return f"{count:,}".replace(",", "\u2009")


def marks(page: BenchPage) -> dict[int, tuple[str, str]]:
    """The mark beside each section's number."""
    waiting, drafts = len(page.to_approve) + len(page.answers), len(page.unfinished)
    others = 0 if page.who.proven else page.waiting_for_others
    overdue = sum(each.state == "overdue" for each in page.due)
    days = sum(each.state in ("today", "today only", "check again") for each in page.due)
    stopped = sum(each.state == "calibrate fully" for each in page.due)
    if overdue:
        due = ("stop", f"{overdue} overdue")
    elif stopped:
        due = ("stop", "Calibrate fully")
    elif days:
        due = ("watch", f"{days} due today")
    else:
        due = ("ok", "In date") if page.due else ("idle", "Nothing due")
    return {
        1: ("part", f"{waiting or others} waiting") if waiting or others else ("ok", "Nothing waits"),
        2: due,
        3: ("part", counted(drafts, "draft", "drafts")) if drafts else ("ok", "No draft"),
        4: mark_of(page),
    }


def intro(page: BenchPage) -> str:
    """The day in one sentence."""
    if page.problem is not None:
        return ""
    waiting, drafts = len(page.to_approve), len(page.unfinished)
    overdue = sum(each.state == "overdue" for each in page.due)
    said = []
    if page.who.may("approve"):
        said.append(f"{counted(waiting, 'sheet waits', 'sheets wait')} for you" if waiting else "nothing waits for you")
    said.append(f"{counted(overdue, 'thing is', 'things are')} overdue" if overdue else "nothing is overdue")
    said.append(f"{counted(drafts, 'page is', 'pages are')} unfinished" if drafts else "no page is unfinished")
    text = ", ".join(said[:-1]) + f" and {said[-1]}." if len(said) > 1 else f"{said[0]}."
    return text[0].upper() + text[1:]
