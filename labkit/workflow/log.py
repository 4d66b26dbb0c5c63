"""The log of readings on a page: every cell as it was typed, and what was said about it."""

from __future__ import annotations

import copy
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from typing import Any, Final, Self

MOST_UNDO: Final = 100

ROLE_ORDER: Final = (
    "as-found",
    "background",
    "zero",
    "fit",
    "closing-fit",
    "closing-zero",
    "closing-background",
    "check",
)


@dataclass
class Cell:
    """
    One reading.

    Attributes
    ----------
    text : str
        As typed; empty where nothing was taken.
    time, person : str
        When it was taken (UTC, ISO 8601 with Z), and by whom.
    was : list of [text, time, person]
        What stood here before, with the time of the change and who made it.
    out : str
        The reason why it is left out; empty where it counts.
    kept : bool
        Whether somebody has decided that it counts although it stands apart.
    """

    text: str = ""
    time: str = ""
    person: str = ""
    was: list[list[str]] = field(default_factory=list)
    out: str = ""
    kept: bool = False


@dataclass
class Line:
    """
    One row: a shim, a stack, contact zero or the background, in one role.

    Attributes
    ----------
    id : str
        ``ROLE:SHIM``; unique.
    role : str
        Of `labkit.bench.readings.ROLES`.
    shims : list of str
    wanted : int
        How many readings are asked for.
    cells : list of Cell
    note : str
        A person's note.
    set_aside : str
        Why the row does not count; empty where it does.
    """

    id: str
    role: str
    shims: list[str]
    wanted: int
    cells: list[Cell] = field(default_factory=list)
    note: str = ""
    set_aside: str = ""

    @property
    def name(self) -> str:
        return " + ".join(self.shims) if self.shims else self.role.removeprefix("closing-")

    @property
    def taken(self) -> int:
        """How many cells hold something."""
        return sum(bool(cell.text) for cell in self.cells)

    @property
    def complete(self) -> bool:
        return bool(self.set_aside) or self.taken >= self.wanted

    def first_empty(self) -> int:
        return next((i for i, cell in enumerate(self.cells) if not cell.text), len(self.cells))


class ReadingLog:
    """
    The rows of a page, with undo. Every change goes through a verb; each verb can be undone.

    Parameters
    ----------
    clock : callable
        Now, UTC, ISO 8601 with Z.
    """

    def __init__(self, clock: Callable[[], str]) -> None:
        self.lines: list[Line] = []
        self._clock = clock
        self._undo: list[list[Line]] = []
        self._redo: list[list[Line]] = []

    # ---- asking ----

    def line(self, line_id: str) -> Line | None:
        return next((line for line in self.lines if line.id == line_id), None)

    def of(self, *roles: str) -> list[Line]:
        """The lines in these roles, in their order on the page."""
        return [line for line in self.lines if line.role in roles]

    def next_place(self, roles: Iterable[str], after: str = "") -> tuple[str, int] | None:
        """
        Where the next reading goes: the first empty cell of the line `after`, else of the first incomplete line.
        """
        lines = self.of(*roles)
        here = self.line(after)
        if here is not None and here in lines and not here.complete:
            return here.id, here.first_empty()
        return next(((line.id, line.first_empty()) for line in lines if not line.complete), None)

    @property
    def can_undo(self) -> bool:
        return bool(self._undo)

    # ---- changing ----

    def add(self, role: str, shims: Sequence[str], wanted: int) -> str:
        """Add a line, or ask an existing one for nothing new; its id."""
        line_id = f"{role}:{' + '.join(shims)}"
        if self.line(line_id) is None:
            self._remember()
            self.lines.append(Line(line_id, role, list(shims), wanted))
            self.lines.sort(key=lambda line: ROLE_ORDER.index(line.role))
        return line_id

    def remove_untaken(self, role: str) -> None:
        """Take away lines of a role on which nothing was read."""
        self.lines = [line for line in self.lines if line.role != role or line.taken]

    def write(self, line_id: str, place: int, text: str, person: str) -> None:
        """A reading into a cell; what stood there stays on record."""
        line = self.line(line_id)
        if line is None or line.set_aside:
            return
        self._remember()
        self._write(line, place, text, person)

    def clear(self, places: Iterable[tuple[str, int]], person: str) -> None:
        """Empty cells; what stood there stays on record."""
        self._remember()
        for line_id, place in places:
            line = self.line(line_id)
            if line is not None and place < len(line.cells):
                self._write(line, place, "", person)

    def paste(self, line_id: str, place: int, block: Sequence[Sequence[str]], roles: Iterable[str], person: str) -> int:
        """
        A block of cells, from one cell to the right and down.

        Returns
        -------
        int
            How many lines of the block found no row.
        """
        lines = self.of(*roles)
        start = next((i for i, line in enumerate(lines) if line.id == line_id), None)
        if start is None:
            return len(block)
        self._remember()
        for line, texts in zip(lines[start:], block, strict=False):
            for offset, text in enumerate(texts):
                if text.strip():
                    self._write(line, place + offset, text.strip(), person)
            line.wanted = max(line.wanted, len(line.cells))
        return max(len(block) - len(lines[start:]), 0)

    def fill(self, line_id: str, texts: Sequence[str], times: Sequence[str], person: str) -> None:
        """Readings from a file or from pasted cells, behind those that the line has; they are all there are."""
        line = self.line(line_id)
        if line is None:
            return
        self._remember()
        for text, time in zip(texts, times, strict=True):
            place = line.first_empty()
            self._write(line, place, text, person)
            line.cells[place].time = time or line.cells[place].time
        line.wanted = line.taken

    def read_again(self, line_id: str, count: int) -> None:
        """Ask for another set of readings; those before stay on record and count."""
        self._on(line_id, lambda line: setattr(line, "wanted", line.taken + count))

    def finish(self, line_id: str) -> None:
        """Be content with the readings that the line has."""
        self._on(line_id, lambda line: setattr(line, "wanted", max(line.taken, 1)))

    def write_note(self, line_id: str, note: str) -> None:
        self._on(line_id, lambda line: setattr(line, "note", note))

    def set_aside(self, line_id: str, reason: str) -> None:
        """The line's readings stay and do not count; with an empty reason they count again."""
        self._on(line_id, lambda line: setattr(line, "set_aside", reason))

    def leave_out(self, line_id: str, place: int, reason: str) -> None:
        """One reading does not count, for a stated reason; with an empty one it counts again."""
        self._on_cell(line_id, place, lambda cell: setattr(cell, "out", reason))

    def keep(self, line_id: str, place: int) -> None:
        """One reading counts although it stands apart."""
        self._on_cell(line_id, place, lambda cell: setattr(cell, "kept", True))

    def remove(self, line_id: str) -> None:
        """Take out a line on which nothing was read."""
        line = self.line(line_id)
        if line is not None and not line.taken:
            self._remember()
            self.lines.remove(line)

    def undo(self) -> None:
        self._swap(self._undo, self._redo)

    def redo(self) -> None:
        self._swap(self._redo, self._undo)

    # ---- keeping ----

    def get_state(self) -> list[dict[str, Any]]:
        return [asdict(line) for line in self.lines]

    def set_state(self, state: Iterable[Mapping[str, Any]]) -> Self:
        self.lines = [Line(**{**found, "cells": [Cell(**cell) for cell in found.get("cells", ())]}) for found in state]
        self._undo, self._redo = [], []
        return self

    def _write(self, line: Line, place: int, text: str, person: str) -> None:
        while len(line.cells) <= place:
            line.cells.append(Cell())
        cell, now = line.cells[place], self._clock()
        if cell.text and cell.text != text:
            cell.was.append([cell.text, now, person])
        if cell.text != text:
            cell.out, cell.kept = "", False
        cell.text, cell.time, cell.person = text, now, person

    def _on(self, line_id: str, change: Callable[[Line], None]) -> None:
        line = self.line(line_id)
        if line is not None:
            self._remember()
            change(line)

    def _on_cell(self, line_id: str, place: int, change: Callable[[Cell], None]) -> None:
        def on_line(line: Line) -> None:
            if place < len(line.cells):
                change(line.cells[place])

        self._on(line_id, on_line)

    def _remember(self) -> None:
        self._undo = [*self._undo[-MOST_UNDO + 1 :], copy.deepcopy(self.lines)]
        self._redo = []

    def _swap(self, source: list[list[Line]], target: list[list[Line]]) -> None:
        if source:
            target.append(self.lines)
            self.lines = source.pop()
