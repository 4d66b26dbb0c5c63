"""What every page does on which readings are taken: rows, cells, and what is said about them."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import wraps
from typing import Any, ClassVar, TypeVar, cast

from labkit import ledger
from labkit.ledger import Entry, Live, RegisteredRig
from labkit.problems import BadInput, Caution, Problem
from labkit.workflow.clock import when
from labkit.workflow.collect import Collected
from labkit.workflow.draft_page import UNREACHED, DraftPage
from labkit.workflow.log import ReadingLog
from labkit.workflow.particulars import Particulars

_Verb = TypeVar("_Verb", bound=Callable[..., None])


def verb(change: _Verb) -> _Verb:
    """What a person does: nothing on a page that may only be looked at; else saved, and computed again."""

    @wraps(change)
    def run(self: ReadingsPage, *args: Any, **kwargs: Any) -> None:
        if not self.read_only:
            change(self, *args, **kwargs)
            self._changed()

    return cast(_Verb, run)


class ReadingsPage(DraftPage):
    """
    A page with a draft and readings in it.

    Attributes
    ----------
    PARTS : mapping of str to tuple of str
        The places where readings are taken, and the roles of their rows.
    particulars : Particulars or None
        What the fields say; None as long as no rig is chosen.
    collected : Collected
        The readings in the cells, and the cells that hold none.
    cursor : dict of str to str
        The row where readings go, by part.
    hide_reference : bool
        Whether the value of a shim is hidden while it is read.
    in_force : Entry or None
        The certificate in force for the rig.
    elsewhere : Live or None
        The rig's gauge, where it is in use in another rig: a reading is then refused.
    """

    PARTS: ClassVar[Mapping[str, tuple[str, ...]]]

    particulars: Particulars | None
    collected: Collected
    cursor: dict[str, str]
    hide_reference: bool
    in_force: Entry | None
    elsewhere: Live | None = None

    def begin(self, draft: Mapping[str, Any] | None = None) -> None:
        """
        Take up a draft, or begin a new one, with the bench as it is registered now.

        Raises
        ------
        Problem
            The bench is damaged, or the draft holds what no page has written. An empty page is left.
        """
        raise NotImplementedError

    @property
    def log(self) -> ReadingLog:
        """The rows."""
        raise NotImplementedError

    @property
    def rig(self) -> RegisteredRig | None:
        """The rig that is chosen."""
        raise NotImplementedError

    @property
    def stragglers(self) -> list[tuple[str, int, Caution]]:
        """Readings that stand apart and that nobody has decided about: line, place and caution."""
        return []

    def next_place(self, part: str) -> tuple[str, int] | None:
        """Line and place of the next reading in a part of the page."""
        return self.log.next_place(self.PARTS[part], self.cursor.get(part, ""), self.collected.elsewhere)

    def _changed(self) -> None:
        """Every verb ends here: the draft is saved before anything is computed."""
        raise NotImplementedError

    def _lay_out(self) -> None:
        """Have the rows that must be there."""
        raise NotImplementedError

    def _wanted(self, line_id: str) -> int:
        """How many readings a row is asked for that is laid out again."""
        return self.particulars.repeats if self.particulars is not None else 1

    # ---- verbs: rows ----

    @verb
    def decide_straggler(self, line_id: str, place: int, *, reason: str = "") -> None:
        """Keep a reading that looks doubtful, or leave it out for a reason."""
        if reason.strip():
            self.log.leave_out(line_id, place, clean(reason))
        else:
            self.log.keep(line_id, place)

    @verb
    def read_as(self, line_id: str, place: int, unit: str) -> None:
        """Say in which unit a reading was typed; what was typed stays on record."""
        line = self.log.line(line_id)
        if line is not None and place < len(line.cells) and line.cells[place].text:
            self.log.write(line_id, place, f"{line.cells[place].text} {unit}", self.person)

    @verb
    def write_note(self, line_id: str, note: str) -> None:
        self.log.write_note(line_id, clean(note))

    @verb
    def set_aside(self, line_id: str, reason: str) -> None:
        """
        Dropped or damaged: the readings stay and do not count, and the shim is set aside in the register, for all.

        With an empty reason the readings count again; the shim stays aside until it is recertified.
        """
        line = self.log.line(line_id)
        if line is not None and reason.strip():
            self._set_aside_for_all(line.shims, clean(reason))
        self.log.set_aside(line_id, clean(reason))

    # ---- verbs: readings ----

    def grid_event(self, part: str, event: Any) -> str:
        """
        What a person did in a grid; `event` has the attributes of the panels' `GridEvent`.

        Returns
        -------
        str
            What there is to say about it; mostly nothing.
        """
        if self.read_only:
            return ""
        log, said = self.log, ""
        match event.type:
            case "select":
                line = log.line(event.row)
                if line is not None and not line.complete:  # one that is only put right is not where one goes on
                    self.cursor[part] = event.row
                self.version += 1
                return ""
            case "next-row":
                self.cursor[part] = self._row_after(part, event.row)
                self.version += 1
                return ""
            case "take" | "edit":
                if not self._holds(event):
                    self.take_gauge()
                self._write(part, event)
            case "clear":
                log.clear(event.cells, self.person)
            case "paste":
                self.take_gauge()
                said = self._paste(part, event)
            case "undo" | "redo":
                (log.undo if event.type == "undo" else log.redo)()
                self._lay_out()
            case "hide-reference":
                self.hide_reference = event.value
            case "menu" if event.item == "read-again" and self.particulars is not None:
                log.read_again(event.row, self._wanted(event.row))
                self.cursor[part] = event.row
            case "menu" if event.item == "finish-fewer":
                log.finish(event.row)
            case "button" if event.item.startswith("read-as:"):
                _, unit, place, line_id = event.item.split(":", 3)
                self.read_as(line_id, int(place), unit)
                return ""
            case _:
                return ""
        self._changed()
        return said

    # ---- what is one thing on the bench ----

    def look_at_gauge(self) -> None:
        """See whether the rig's gauge is in use in another rig."""
        rig = self.rig
        name = rig.rig.gauge.name if rig is not None else ""
        found = next((each for each in ledger.live_gauges(self.data) if each.gauge == name), None) if name else None
        self.elsewhere = found if rig is not None and found is not None and found.rig != rig.name else None

    def take_gauge(self) -> None:
        """
        Before a reading is kept: take the gauge into use for this rig.

        Raises
        ------
        Problem
            ``gauge.in_use``: it is live in another rig. Nothing is read then.
        """
        rig = self.rig
        if rig is None:
            return
        try:
            ledger.claim(self.data, rig.rig.gauge.name, rig.name, self.id, self.who)
            self.elsewhere = None
        except Problem as problem:
            if problem.code in UNREACHED:
                return  # what is read is kept on the page until the ledger is there again
            self.look_at_gauge()
            self.version += 1
            since = when(problem.params["since"], self.bench.zone, self._now()).removeprefix("today ")
            raise Problem(problem.code, **{**problem.params, "since": since}) from None

    def free_gauge(self, why: str) -> None:
        """Say that the gauge is free, whatever the page of the other rig says."""
        if self.elsewhere is not None:
            ledger.release(self.data, self.elsewhere.gauge, self.who, clean(why))
            self.look_at_gauge()
            self.version += 1

    def _set_aside_for_all(self, shims: list[str], reason: str) -> None:
        for name in shims:
            found = self.set_of(name)
            if found and self.bench.shim_out_of_use(found, name) is None:
                try:
                    ledger.set_aside(self.data, found, name, self.who, reason)
                except BadInput as problem:
                    if problem.code != "bench.unknown":  # a shim that is in this draft alone
                        raise
        self.bench = ledger.load_bench(self.data)

    def set_of(self, shim: str) -> str:
        """The set in which a shim of this page is registered; empty where it is in none."""
        p = self.particulars
        if p is not None and shim in p.shims and p.shims[shim].set_name:
            return p.shims[shim].set_name
        return next((each.name for each in self.bench.shim_sets if shim in each), "")

    def _holds(self, event: Any) -> bool:
        """Whether a reading stands in the cell already: putting it right needs no gauge."""
        line = self.log.line(event.row)
        return line is not None and event.cell < len(line.cells) and bool(line.cells[event.cell].text)

    def _write(self, part: str, event: Any) -> None:
        text = clean(event.text)
        if not text and event.type == "take":
            return
        if self.log.line(event.row) is None and self.particulars is not None:
            self.log.bring_back(event.row, self._wanted(event.row))
        self.log.write(event.row, event.cell, text, self.person)
        if event.type == "take":
            self.cursor[part] = event.row

    def _paste(self, part: str, event: Any) -> str:
        block = [[clean(text) for text in texts] for texts in event.block]
        lost = self.log.paste(event.row, event.cell, block, self.PARTS[part], self.person)
        if not lost:
            return ""
        taken = sum(bool(text) for texts in block for text in texts) - lost
        said = (Caution("page.pasted", {"readings": taken}), Caution("page.no_place", {"readings": lost}))
        return " ".join(str(each) for each in said)

    def _row_after(self, part: str, line_id: str) -> str:
        """The next row that wants readings; after the last one, the first."""
        lines = self.log.of(*self.PARTS[part])
        start = next((i + 1 for i, line in enumerate(lines) if line.id == line_id), 0)
        around = [line for line in [*lines[start:], *lines[:start]] if line.id not in self.collected.elsewhere]
        return next((line.id for line in around if not line.complete), line_id)


def clean(text: str, *, strip: bool = True) -> str:
    """Text as typed; halves of characters, which no file can hold, become question marks."""
    whole = text.encode("utf-8", "replace").decode("utf-8")
    return whole.strip() if strip else whole
