"""The log of readings on a page: every cell as it was typed, and what was said about it."""

from __future__ import annotations

import copy
from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass, field, fields
from typing import Any, Final, Self, TypeVar

from labkit.messages import sentence

MOST_UNDO: Final = 100
MOST_CELLS: Final = 1000
"""Readings in one row: more than anybody takes by hand, few enough for a grid."""

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

PARTS: Final[dict[str, tuple[str, ...]]] = {
    "as-found": ("as-found",),
    "readings": ("background", "zero", "fit", "closing-fit", "closing-zero", "closing-background"),
    "checks": ("check",),
}
"""The three places of the page Calibrate where readings are taken, and the roles of their rows."""


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
        Whether somebody has decided that it counts although it looks doubtful.
    source : str
        The table that it came from; empty where it was typed here.
    """

    text: str = ""
    time: str = ""
    person: str = ""
    was: list[list[str]] = field(default_factory=list)
    out: str = ""
    kept: bool = False
    source: str = ""


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
    def label(self) -> str:
        """The row as a person calls it."""
        name = {"zero": sentence("grid.zero"), "background": sentence("grid.background")}.get(self.name, self.name)
        return sentence("grid.closing", {"name": name}) if self.role.startswith("closing") else name

    @property
    def taken(self) -> int:
        """How many cells hold something."""
        return sum(bool(cell.text) for cell in self.cells)

    @property
    def complete(self) -> bool:
        return bool(self.set_aside) or self.taken >= self.wanted

    @property
    def touched(self) -> bool:
        """Whether a person left anything here: a reading, one taken back, or words."""
        return bool(self.note or self.set_aside) or any(cell.text or cell.was for cell in self.cells)

    def first_empty(self) -> int:
        return next((i for i, cell in enumerate(self.cells) if not cell.text), len(self.cells))


def line_id(role: str, shims: Sequence[str]) -> str:
    """The id of the line of these shims in this role."""
    return f"{role}:{' + '.join(shims)}"


class ReadingLog:
    """
    The rows of a page, with undo. Every change goes through a verb; each verb is one step back.

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
        self._within_step = False

    # ---- asking ----

    def line(self, line_id: str) -> Line | None:
        return next((line for line in self.lines if line.id == line_id), None)

    def of(self, *roles: str) -> list[Line]:
        """The lines in these roles, in their order on the page."""
        return [line for line in self.lines if line.role in roles]

    def next_place(self, roles: Iterable[str], after: str = "", skip: Collection[str] = ()) -> tuple[str, int] | None:
        """
        Where the next reading goes: the first empty cell of the line `after`, else of the first incomplete line.

        Lines whose ids are in `skip` are passed over.
        """
        lines = [line for line in self.of(*roles) if not line.complete and line.id not in skip]
        here = next((line for line in lines if line.id == after), lines[0] if lines else None)
        return None if here is None else (here.id, here.first_empty())

    # ---- changing ----

    @contextmanager
    def one_step(self) -> Iterator[None]:
        """Everything that is changed inside is undone together."""
        if self._within_step:
            yield
            return
        before = copy.deepcopy(self.lines)
        self._within_step = True
        try:
            yield
        finally:
            self._within_step = False
            if self.lines != before:
                self._undo = [*self._undo[-MOST_UNDO + 1 :], before]
                self._redo = []

    def lay_out(self, role: str, shims: Sequence[str], wanted: int) -> str:
        """
        Have a line ready, unless there is one; its id. Not a step back: nobody typed it.
        """
        wanted_id = line_id(role, shims)
        if self.line(wanted_id) is None:
            self.lines.append(Line(wanted_id, role, list(shims), wanted))
            self.lines.sort(key=lambda line: ROLE_ORDER.index(line.role))
        return wanted_id

    def clear_away(self, *roles: str) -> None:
        """Take away the lines in these roles on which nobody left anything."""
        self.lines = [line for line in self.lines if line.role not in roles or line.touched]

    def ask_for(self, roles: Iterable[str], before: int, now: int) -> None:
        """Ask for `now` readings where `before` were asked for, as far as the lines are not complete."""
        for line in self.of(*roles):
            if not line.touched or (line.wanted == before and not line.complete):
                line.wanted = max(now, line.taken)

    def write(self, line_id: str, place: int, text: str, person: str) -> None:
        """A reading into a cell; what stood there stays on record."""
        line = self.line(line_id)
        if line is not None and place < MOST_CELLS:
            with self.one_step():
                self._write(line, place, text, person)

    def bring_back(self, line_id: str, wanted: int) -> None:
        """Lay out a line that is gone, for a reading that was taken while it was there."""
        role, colon, stack = line_id.partition(":")
        if colon and role in ROLE_ORDER:
            self.lay_out(role, stack.split(" + ") if stack else [], wanted)

    def clear(self, places: Iterable[tuple[str, int]], person: str) -> None:
        """Empty cells; what stood there stays on record."""
        with self.one_step():
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
            How many cells that hold something found no place.
        """
        lines = self.of(*roles)
        start = next((i for i, line in enumerate(lines) if line.id == line_id), len(lines))
        lost = 0
        with self.one_step():
            for i, texts in enumerate(block):
                line = lines[start + i] if start + i < len(lines) else None
                for offset, text in enumerate(texts):
                    if not text.strip():
                        continue
                    if line is None or place + offset >= MOST_CELLS:
                        lost += 1
                    else:
                        self._write(line, place + offset, text.strip(), person)
                if line is not None and line.taken:
                    line.wanted = max(line.wanted, len(line.cells))
        return lost

    def fill(self, line_id: str, cells: Iterable[Cell]) -> None:
        """Readings of a table, behind those that the line has; they are all there are."""
        line = self.line(line_id)
        if line is None:
            return
        with self.one_step():
            for cell in cells:
                place = line.first_empty()
                if place < len(line.cells):
                    cell.was = line.cells[place].was
                line.cells[place : place + 1] = [cell]
                cell.time = cell.time or self._clock()
            line.wanted = line.taken

    def read_again(self, line_id: str, count: int) -> None:
        """Ask for another set of readings; those before stay on record and count."""
        self._on(line_id, lambda line: setattr(line, "wanted", min(line.taken + count, MOST_CELLS)))

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
        """One reading counts although it looks doubtful."""
        self._on_cell(line_id, place, lambda cell: setattr(cell, "kept", True))

    def remove(self, line_id: str) -> None:
        """Take out a line that holds no reading."""
        line = self.line(line_id)
        if line is not None and not line.taken:
            with self.one_step():
                self.lines.remove(line)

    def undo(self) -> None:
        self._swap(self._undo, self._redo)

    def redo(self) -> None:
        self._swap(self._redo, self._undo)

    # ---- keeping ----

    def get_state(self) -> list[dict[str, Any]]:
        return [asdict(line) for line in self.lines]

    def set_state(self, state: Iterable[Mapping[str, Any]]) -> Self:
        """
        The lines of `get_state`; there is nothing to undo then.

        Raises
        ------
        ValueError
            It is not what `get_state` gave.
        """
        lines = [_built(Line, found) for found in state]
        for line in lines:
            line.cells = [_built(Cell, cell) for cell in line.cells]
            known = line.role in ROLE_ORDER and line.id == line_id(line.role, line.shims)
            if not known or max(line.wanted, len(line.cells)) > MOST_CELLS:
                raise ValueError(f"there is no row {line.id[:60]!r}")
        if len({line.id for line in lines}) < len(lines):
            raise ValueError("a row stands in it twice")
        self.lines, self._undo, self._redo = lines, [], []
        return self

    def _write(self, line: Line, place: int, text: str, person: str) -> None:
        while len(line.cells) <= place:
            line.cells.append(Cell())
        cell = line.cells[place]
        if cell.text == text:
            return
        now = self._clock()
        was = [*cell.was, [cell.text, now, person]] if cell.text else cell.was
        line.cells[place] = Cell(text, now, person, was)

    def _on(self, line_id: str, change: Callable[[Line], None]) -> None:
        line = self.line(line_id)
        if line is not None:
            with self.one_step():
                change(line)

    def _on_cell(self, line_id: str, place: int, change: Callable[[Cell], None]) -> None:
        def on_line(line: Line) -> None:
            if place < len(line.cells):
                change(line.cells[place])

        self._on(line_id, on_line)

    def _swap(self, source: list[list[Line]], target: list[list[Line]]) -> None:
        if source:
            target.append(self.lines)
            self.lines = source.pop()


_Kept = TypeVar("_Kept", Line, Cell)


def _is_texts(value: object) -> bool:
    return isinstance(value, list) and all(isinstance(each, str) for each in value)


_IS: Final[dict[str, Callable[[Any], bool]]] = {
    "str": lambda value: isinstance(value, str),
    "int": lambda value: isinstance(value, int) and not isinstance(value, bool) and value >= 0,
    "bool": lambda value: isinstance(value, bool),
    "list[str]": _is_texts,
    "list[Cell]": lambda value: isinstance(value, list),
    "list[list[str]]": lambda value: (
        isinstance(value, list) and all(_is_texts(each) and len(each) == 3 for each in value)
    ),
}
"""What a value of a draft must be to be put into a field of this type."""


def _built(kind: type[_Kept], found: object) -> _Kept:
    """A line or a cell from JSON; ValueError where a key or a type is another."""
    types = {each.name: str(each.type) for each in fields(kind)}
    if not isinstance(found, dict) or not found.keys() <= types.keys():
        raise ValueError("it is not what a row of readings holds")
    for name, value in found.items():
        if not _IS[types[name]](value):
            raise ValueError(f"{name} of a row of readings holds something else")
    try:
        return kind(**copy.deepcopy(found))
    except TypeError as error:
        raise ValueError(str(error)) from error
