"""What was typed for one rig on the page Calibrate: its fields, its readings, and which rows are laid out."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Self

from labkit.curves.plan import end_shims
from labkit.ledger import Bench
from labkit.problems import Caution
from labkit.workflow.draft_page import Kept
from labkit.workflow.log import PARTS, ReadingLog, line_id
from labkit.workflow.particulars import Particulars


@dataclass
class RigWork:
    """
    Attributes
    ----------
    fields : dict of str to str
        As typed.
    log : ReadingLog
    parts_open : list of str
        The parts whose rows are laid out.
    stopped : bool
        Whether somebody decided that no further point is read.
    taken_out : list of str
        Ids of rows that somebody took out: they are not laid out again by themselves.
    in_force : str
        The number of the certificate with which as found is judged.
    tables : dict of str to list of Caution
        What was doubtful about the tables that readings came from.
    checked : str
        When a check shim was first read (UTC, ISO 8601 with Z), whatever became of that reading; empty until then.
    """

    fields: dict[str, str]
    log: ReadingLog
    parts_open: list[str] = field(default_factory=lambda: ["readings"])
    stopped: bool = False
    taken_out: list[str] = field(default_factory=list)
    in_force: str = ""
    tables: dict[str, list[Caution]] = field(default_factory=dict)
    checked: str = ""

    # ---- keeping ----

    def get_state(self) -> dict[str, Any]:
        return {
            "fields": dict(self.fields),
            "log": self.log.get_state(),
            "parts_open": list(self.parts_open),
            "stopped": self.stopped,
            "taken_out": list(self.taken_out),
            "in_force": self.in_force,
            "checked": self.checked,
            "tables": {name: [each.to_dict() for each in cautions] for name, cautions in self.tables.items()},
        }

    @classmethod
    def from_state(cls, state: object, draft: Kept, clock: Callable[[], str]) -> Self:
        """
        What `get_state` gave; empty where `state` is.

        Raises
        ------
        Problem
            It is something else.
        """
        if not isinstance(state, Mapping):
            raise draft.unreadable("the work on a rig is not what it should be")
        kept = draft.within(state)
        try:
            log = ReadingLog(clock).set_state(kept.rows("log"))
            tables = {name: [_caution(each) for each in found] for name, found in kept.mapping("tables").items()}
        except (ValueError, TypeError, KeyError, AttributeError) as error:
            raise draft.unreadable(str(error)) from error
        return cls(
            kept.pairs("fields"),
            log,
            [part for part in kept.texts("parts_open", ("readings",)) if part in PARTS],
            kept.flag("stopped"),
            kept.texts("taken_out"),
            kept.text("in_force"),
            tables,
            kept.time("checked"),
        )

    def look_at_checks(self, now: str) -> None:
        """Keep in mind that a check shim was read: undoing that takes back the reading, not what it showed."""
        if not self.checked and any(cell.text or cell.was for line in self.log.of("check") for cell in line.cells):
            self.checked = now

    # ---- tables ----

    def next_source(self, name: str) -> str:
        """A name for the next table, by which its readings remember it."""
        return f"{len(self.tables) + 1}: {name or 'pasted cells'}"

    def clear_away_ends(self) -> None:
        """Shims that were laid out and not read need not be read any more."""
        before = [line.id for line in self.log.of("fit")]
        self.log.clear_away("fit")
        for row_id in before:
            self.take_out(row_id)

    def doubts(self) -> list[Caution]:
        """What was doubtful about every table of which a reading is left."""
        left = {cell.source for line in self.log.lines for cell in line.cells if cell.text}
        return [caution for name, cautions in self.tables.items() if name in left for caution in cautions]

    # ---- rows ----

    def open(self, part: str) -> None:
        """Have the rows of a part laid out from now on, those that were taken out too."""
        if part in PARTS:
            self.parts_open = [*(each for each in self.parts_open if each != part), part]
            self.taken_out = [each for each in self.taken_out if each.partition(":")[0] not in PARTS[part]]

    def take_out(self, row_id: str) -> None:
        """Do not lay out again a row that was taken out."""
        if self.log.line(row_id) is None and row_id not in self.taken_out:
            self.taken_out = [*self.taken_out, row_id]

    def lay_out(self, p: Particulars, bench: Bench, *, background: bool, before: int = 0) -> None:
        """
        Have the rows that must be there.

        Parameters
        ----------
        p : Particulars
        bench : Bench
        background : bool
            Whether the gauge shows a number without a target.
        before : int
            How many repeats were asked for until now; 0 where that has not changed.
        """
        if before:
            self.log.ask_for(("as-found", "zero", "fit", "closing-fit", "closing-zero", "check"), before, p.repeats)
        if background:
            self._row("background", "", 1)
        self._row("zero", "", p.repeats)
        if self.fields.get("shim_set") and not p.faults.keys() & {"shim_set", "low", "high"}:
            for name in _ends(bench, self.fields["shim_set"], p.about.working_range_mm):
                self._row("fit", name, p.repeats)
        checks = bool(self.fields.get("check_set")) and "check_set" not in p.faults
        for part, role in (("as-found", "as-found"), ("checks", "check")):
            if part in self.parts_open and checks:
                for shim in bench.shim_set(self.fields["check_set"]):
                    self._row(role, shim.name, p.repeats)

    def _row(self, role: str, shim: str, wanted: int) -> None:
        shims = [shim] if shim else []
        if line_id(role, shims) not in self.taken_out:
            self.log.lay_out(role, shims, wanted)


def _ends(bench: Bench, set_name: str, working: tuple[float, float] | None) -> Sequence[str]:
    """The shims that span the working range most closely."""
    shims = list(bench.shim_set(set_name))
    if not shims:
        return ()
    ends = end_shims([shim.thickness_mm for shim in shims], working)
    return tuple(dict.fromkeys(shims[i].name for i in ends))


def _caution(found: Mapping[str, Any]) -> Caution:
    """A caution from JSON that can be said: its sentence exists, and its parameters are there."""
    caution = Caution.from_dict(found)
    str(caution)
    return caution
