"""Section 4: the equipment register, one table a kind, and under it what is opened."""

from __future__ import annotations

from functools import partial

import ipywidgets as W

from labkit.messages import sentence
from labkit.panels import shell
from labkit.panels.ask import Ask
from labkit.panels.bench.record import RecordForm
from labkit.panels.bench.shim_set import ShimSetPart
from labkit.panels.bench.sign_in import SignIn
from labkit.panels.bench.tables import SHOWN, rows_of
from labkit.panels.bench.words import counted
from labkit.panels.guard import Guard
from labkit.panels.listing import Button, Cell, Listing, Row
from labkit.workflow.bench import BenchPage
from labkit.workflow.clock import when

MARGIN = (
    "<b>Rig</b>: one gauge, probe, tip and target together. Each has its own curve; change one part and it is another "
    "rig.",
    "Nothing is deleted. What leaves the bench is withdrawn, with a date and a reason.",
)


class RegisterSection:
    """
    Parameters
    ----------
    page : BenchPage
    guard : callable
    door : SignIn
    """

    def __init__(self, page: BenchPage, guard: Guard, door: SignIn) -> None:
        self._page, self._door = page, door
        self.record = RecordForm(page, guard, door.signed_in)
        self.shims = ShimSetPart(page, guard, door)
        self._switch = W.ToggleButtons(options=list(SHOWN), value="Rigs")
        self._switch.observe(guard(lambda _: self._switched()), "value")
        self._register = shell.button("Register a rig", guard(lambda _: self._open_one("")))
        self._empty = shell.html()
        self._begin = shell.button("Register a gauge", guard(lambda _: self.open("gauge")), main=True)
        self._list = Listing("Equipment register", SHOWN["Rigs"][1], guard(self._pressed), first=40)
        self._live = Listing("Gauges in use", ("Gauge in use", "Rig", "By", "Since"), guard(self._free))
        self._ask = Ask(guard)
        self._notes, self._waits = shell.html(), shell.html()
        self.section = shell.section(
            4,
            "Equipment register",
            notes=[self._notes],
            body=[
                shell.bar([self._switch, shell.html("", "lk-gap"), self._register]),
                self._empty,
                self._begin,
                self._list,
                self.record.root,
                self.shims.root,
                self._waits,
                self._live,
                self._ask.root,
            ],
        )

    @property
    def _kind(self) -> str:
        return SHOWN[self._switch.value][0]

    def show(self) -> None:
        page = self._page
        kind, columns, register, _ = SHOWN[self._switch.value]
        self._list.columns = list(columns)
        self._list.show(rows_of(kind, page))
        self._register.description = register
        self._register.layout.display = "" if register else "none"
        bare = not any(each.kind in ("gauge", "rig", "shim-set") for each in page.register)
        says = shell.lead(sentence("bench.nothing_registered"), quiet=True)
        apart = f'<p class="lk-quiet">{shell.escape(sentence("bench.demo_apart"))}</p>'
        words = says + apart if bare and page.problem is None else ""
        if kind == "family":
            words = shell.lead(
                sentence("bench.own_families" if page.own_files else "bench.no_own_families"), quiet=True
            )
        shell.say(self._empty, words)
        self._begin.layout.display = "" if bare and page.problem is None and kind != "family" else "none"
        with_gauges = kind in ("rig", "gauge")
        shell.say(self._waits, _waits(page) if with_gauges else "")
        self._live.show(self._live_rows() if with_gauges else [])
        self.record.show()
        self.shims.show()
        shell.say(self._notes, _margin(page))

    def open(self, kind: str, name: str = "") -> None:
        """Show a kind, and one thing of it."""
        word = next((word for word, shown in SHOWN.items() if shown[0] == kind), None)
        if word is not None:
            self._switch.value = word
            self._open_one(name)

    def _switched(self) -> None:
        self._page.use()
        self.record.close()
        self.shims.close()
        if self._kind == "family":
            self._page.look_at_families()
        self.show()

    def _pressed(self, name: str, _button: str) -> None:
        self._page.use()
        self._open_one(name)

    def _open_one(self, name: str) -> None:
        if self._kind == "shim-set":
            self.shims.open(name)
        else:
            self.record.open(self._kind, name)

    def _live_rows(self) -> list[Row]:
        page = self._page
        return [
            Row(
                each.gauge,
                (
                    Cell(each.gauge, bold=True),
                    Cell(each.rig),
                    Cell(each.person or "–"),
                    Cell(when(each.since, page.bench.zone, page.now)),
                ),
                (Button("free", "Free it, with a reason"),),
            )
            for each in page.live
        ]

    def _free(self, gauge: str, _button: str) -> None:
        live = next((each for each in self._page.live if each.gauge == gauge), None)
        if live is not None:
            says = sentence("bench.free_gauge", {"gauge": gauge, "person": live.person or "–"})
            release = self._page.release
            if self._page.who.name:
                self._ask.ask(says, "It is free", partial(release, gauge))
            else:
                self._door.name_only(
                    sentence("bench.who_frees"),
                    lambda name: self._ask.ask(says, "It is free", lambda why: release(gauge, why, name)),
                )


def mark_of(page: BenchPage) -> tuple[str, str]:
    """The section's mark: how many rigs there are."""
    rigs = [each for each in page.register if each.kind == "rig"]
    if not rigs:
        return "idle", "Nothing yet"
    gone = sum(each.body["state"] != "in use" for each in rigs)
    words = counted(len(rigs), "rig", "rigs")
    return "ok", f"{words}, {gone} withdrawn" if gone else words


def _waits(page: BenchPage) -> str:
    """Which rig waits for a gauge, and why."""
    lines = []
    for live in page.live:
        params = {
            "gauge": live.gauge,
            "rig": live.rig,
            "person": live.person or "–",
            "since": when(live.since, page.bench.zone, page.now).removeprefix("today "),
        }
        says = shell.escape(sentence("gauge.in_use", params))
        waiting = [rig.name for rig in page.bench.rigs if rig.rig.gauge.name == live.gauge and rig.name != live.rig]
        lines += [f'<p class="lk-quiet"><b>{shell.escape(name)}.</b> {says}</p>' for name in waiting]
    return "".join(lines)


def _margin(page: BenchPage) -> str:
    said = [shell.note(each) for each in MARGIN]
    for each in page.notes[:4]:
        name = "The laboratory" if each.kind == "laboratory" else each.name
        at = when(each.at, page.bench.zone, page.now)
        said.append(shell.signed_note(f"{name}: {each.text}", each.by, at))
    return "".join(said)
