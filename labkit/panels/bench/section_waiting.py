"""Section 1: sheets to approve, answers to what one asked, and the warm-up clocks that run."""

from __future__ import annotations

from collections.abc import Callable

from labkit.messages import sentence
from labkit.panels import shell
from labkit.panels.ask import Ask
from labkit.panels.bench.reading import ReadSheet
from labkit.panels.bench.words import kind_words, link
from labkit.panels.guard import Guard
from labkit.panels.listing import Button, Cell, Listing, Row
from labkit.workflow.bench import BenchPage, Waiting
from labkit.workflow.bench_drafts import WarmUp
from labkit.workflow.clock import time_of_day, when

MARGIN = (
    "Whoever asks is told at once, whichever way you answer. What you send back stays as it is, with your note in its "
    "margin.",
    "<b>Warm-up</b>: a rig that was switched on early is ready when the shift begins.",
)


class WaitingSection:
    """
    Parameters
    ----------
    page : BenchPage
    guard : callable
        Stands around every callback.
    """

    def __init__(self, page: BenchPage, guard: Guard) -> None:
        self._page = page
        self._lead, self._warming = shell.html(), shell.html("<h3>Warming up</h3>")
        self._ask = Ask(guard)
        self._read = ReadSheet(page, guard, self._send_back)
        self._asked = Listing("Sheets to approve", ("Sheet", "Of", "Asked", "It says"), guard(self._pressed))
        self._answers = Listing("Answers", ("Sheet", "Of", "Answer", "Note"), guard(self._pressed))
        self._clocks = Listing("Warming up", ("Rig", "Switched on", "", "State"), lambda *_: None)
        self.section = shell.section(
            1,
            "Waiting for you",
            notes=[shell.html("".join(shell.note(said) for said in MARGIN))],
            body=[
                self._lead,
                self._asked,
                self._answers,
                self._ask.root,
                self._read.root,
                shell.rows([self._warming, self._clocks], "lk-close"),
            ],
        )

    def show(self) -> None:
        page = self._page
        shell.say(self._lead, shell.lead(lead(page), quiet=not page.to_approve))
        self._asked.show([self._asked_row(each) for each in page.to_approve])
        self._answers.show([self._answer_row(each) for each in page.answers])
        self._read.show()
        self.show_clocks()

    def show_clocks(self) -> None:
        """The bars alone: they grow while nothing else changes."""
        page = self._page
        self._clocks.show([_clock_row(each, page.now, page.bench.zone) for each in page.warm_ups])
        self._warming.layout.display = "" if page.warm_ups else "none"

    def _asked_row(self, each: Waiting) -> Row:
        page, about, request = self._page, each.about, each.request
        back = Button("back", "Send back with a note")
        if about.number:
            buttons = (Button("read", "Read and approve", main=True), back)
        else:
            buttons = (Button("open", "Read the draft", link(about.page, about.id), main=True), back)
        return Row(
            request.id,
            (
                _sheet(each),
                Cell(about.rig, _signed(each, page)),
                Cell(request.by, when(request.asked, page.bench.zone, page.now)),
                Cell(request.says or "–"),
            ),
            buttons,
        )

    def _answer_row(self, each: Waiting) -> Row:
        page, about, request = self._page, each.about, each.request
        said = {"approved": "Approved", "sent back": "Sent back", "signed": "Signed"}[request.state]
        answered = f"{request.answered_by}, {when(request.answered, page.bench.zone, page.now)}"
        return Row(
            request.id,
            (
                _sheet(each),
                Cell(about.rig),
                Cell(said, answered, "watch" if request.state == "sent back" else "ok"),
                Cell(request.note or "–"),
            ),
            (Button("open", "Open", link(about.page, about.id)), Button("seen", "Put away")),
        )

    def _pressed(self, request_id: str, button: str) -> None:
        page = self._page
        each = next((one for one in (*page.to_approve, *page.answers) if one.request.id == request_id), None)
        if each is None:
            return
        match button:
            case "read":
                page.use()
                self._read.open(each)
            case "back":
                self._send_back(each)
            case "seen":
                page.seen(each)

    def _send_back(self, each: Waiting) -> None:
        name = each.about.number or "the draft"
        says = sentence("bench.send_back", {"sheet": name, "by": each.request.by})
        self._ask.ask(says, "Send back", self._sent(each))

    def _sent(self, each: Waiting) -> Callable[[str], None]:
        def send(note: str) -> None:
            self._page.send_back(each, note)
            self._read.close()

        return send


def lead(page: BenchPage) -> str:
    """What waits, in one sentence."""
    count, answers, others = len(page.to_approve), len(page.answers), page.waiting_for_others
    if count:
        return sentence("bench.one_to_approve") if count == 1 else sentence("bench.to_approve", {"count": count})
    if answers:
        return sentence("bench.answered")
    if not page.who.proven and others == 1:
        return sentence("bench.one_waits")
    if not page.who.proven and others:
        return sentence("bench.somebody_waits", {"count": others})
    return sentence("bench.nothing_waits")


def _sheet(each: Waiting) -> Cell:
    about = each.about
    return Cell(about.number or "Draft", kind_words(about.kind or about.page), bold=True)


def _signed(each: Waiting, page: BenchPage) -> str:
    about = each.about
    if not about.number:
        return f"begun {when(about.begun, page.bench.zone, page.now)}"
    return f"signed by {about.signer}, {when(about.signed, page.bench.zone, page.now)}"


def _clock_row(clock: WarmUp, now: str, zone: str) -> Row:
    on = clock.minutes_on(now)
    warm = time_of_day(clock.warm, zone)
    needs = f"{clock.needs_min:g}"
    if on < 0:
        state = Cell(f"On at {time_of_day(clock.since, zone)}", mark="idle")
    elif on < clock.needs_min:
        state = Cell(f"{int(on)} of {needs} min, warm at {warm}", mark="part")
    else:
        state = Cell(f"Warm since {warm}", mark="ok")
    said = f"{max(int(on), 0)} of {needs} minutes"
    bar = Cell(said, share=max(on, 0.0) / clock.needs_min)
    return Row(clock.rig, (Cell(clock.rig, bold=True), Cell(time_of_day(clock.since, zone)), bar, state))
