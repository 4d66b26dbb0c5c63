"""The heading of a table: which column holds what, in which unit, and how a table without one is read."""

from __future__ import annotations

import difflib
import re
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from labkit.bench.cells import Cell, Notes, Row, Table, letters, text_of
from labkit.bench.numbers import Numbers, number_like
from labkit.problems import BadInput, Where
from labkit.units import length_unit

_HEADING: Final = re.compile(r"\s*(.*?)\s*(?:[\[(]\s*(.*?)\s*[\])])?\s*:?\s*")
_REPEAT: Final = re.compile(r"(?:(?:reading|repeat|indication|no|nr|r|n|#)\.?\s*)?([0-9]{1,3})")
_TITLE_ROWS: Final = 20
_LONGEST_HEADING: Final = 200

COMPUTED: Final = frozenset(
    ("mean", "average", "median", "sum", "total", "min", "max", "range", "s", "sd", "std", "stdev")
)
"""Words over or beside what a spreadsheet computes from readings."""

_SKIPPED: Final = COMPUTED | {"note", "notes", "remark", "remarks", "comment", "comments", "nominal"}


@dataclass(frozen=True)
class Column:
    """
    One column.

    Attributes
    ----------
    index : int
        From 0.
    typed : str
        Its heading as typed, or its letter where there is none.
    name : str
        One of the names that the table may have, or "repeat".
    unit : str
        What stood in the brackets; empty for nothing.
    """

    index: int
    typed: str
    name: str
    unit: str = ""


@dataclass(frozen=True)
class Layout:
    """
    A table whose columns are known.

    Attributes
    ----------
    table : Table
        Its rows below the heading.
    heading : Row or None
    columns : mapping of name to Column
    repeats : tuple of Column
        Of a wide table: one for each repeat.
    """

    table: Table
    heading: Row | None
    columns: Mapping[str, Column]
    repeats: tuple[Column, ...] = ()

    def where(self, row: Row | None, column: Column | None = None) -> Where:
        """The place of a cell; of the heading where `row` is None."""
        return self.table.where(row or self.heading, column.typed if column else "")

    def text(self, row: Row, name: str) -> str:
        """The text of `row` in the column `name`; empty where there is no such column."""
        column = self.columns.get(name)
        return text_of(row.cell(column.index)) if column else ""

    def is_blank(self, name: str) -> bool:
        """Whether the column `name` is absent or empty."""
        return not any(self.text(row, name) for row in self.table.rows)


def nearest(word: str, known: Iterable[str]) -> str:
    """
    The known word that `word` is most like, or nothing where none is like it.
    """
    found = {each.casefold(): each for each in known}
    close = difflib.get_close_matches(word.casefold()[:100], found, 1, 0.6)
    return found[close[0]] if close else ""


def plain_name(text: str) -> str:
    """A heading or a role as it is compared: small letters, single spaces, no dashes or underscores."""
    return re.sub(r"[\s_\-]+", " ", text).strip().casefold()


def lay_out(
    table: Table,
    known: Collection[str],
    required: Collection[str],
    notes: Notes,
    *,
    unnamed: Sequence[Column],
    wide: bool = False,
) -> Layout:
    """
    Find the heading and the columns of a table.

    Parameters
    ----------
    table : Table
    known, required : collection of str
        The names that columns may have, and those that must be there, as `plain_name` writes them.
    notes : Notes
    unnamed : sequence of Column
        What the columns are where the table has no heading.
    wide : bool
        Whether there may be a column for each repeat.

    Returns
    -------
    Layout

    Raises
    ------
    BadFile
        The columns cannot be told, or there is no row below the heading.
    """
    place = _heading_at(table, known, wide)
    if place is None:
        repeats = tuple(column for column in unnamed if column.name == "repeat")
        columns = {column.name: column for column in unnamed if column.name != "repeat"}
        layout = Layout(table, None, columns, repeats)
    else:
        heading = table.rows[place]
        if place:
            above = [row.number for row in table.rows[:place]]
            notes.caution("table.lines_above", table.where(heading), rows=above)
        body = Table(table.rows[place + 1 :], table.file, table.sheet, table.separator)
        layout = _named(body, heading, known, wide, notes)
        for name in required:
            if name not in layout.columns and not (name == "indication" and layout.repeats):
                notes.fault("table.missing_column", layout.where(None), name=name)
    _look_at_width(layout, notes)
    if not layout.table.rows:
        notes.fault("table.heading_only", layout.where(None))
    notes.refuse_if_faulty()
    return layout


def _heading_at(table: Table, known: Collection[str], wide: bool) -> int | None:
    for place, row in enumerate(table.rows[:_TITLE_ROWS]):
        names = [_split(cell)[0] for cell in row.cells]
        hits = sum(name in known for name in names)
        repeats = sum(wide and bool(_REPEAT.fullmatch(name)) for name in names)
        if hits >= 2 or (hits == 1 and (repeats or place == 0)):
            return place
        if any(number_like(text_of(cell)) for cell in row.cells[1:]):
            break
    first = [text_of(cell) for cell in table.rows[0].cells if cell != ""]
    words_only = len(first) > 1 and not any(number_like(text) for text in first)
    numbers_below = any(number_like(text_of(cell)) for row in table.rows[1:] for cell in row.cells[1:])
    return 0 if words_only and (numbers_below or len(table.rows) == 1) else None


def _split(cell: Cell) -> tuple[str, str]:
    """The name and the unit in a heading."""
    # cut: the pattern takes long over a text of nothing but brackets, and no heading is that long
    text = text_of(cell)[:_LONGEST_HEADING]
    found = _HEADING.fullmatch(text)
    name, unit = found.groups() if found else (text, "")
    return plain_name(name), unit or ""


def _named(body: Table, heading: Row, known: Collection[str], wide: bool, notes: Notes) -> Layout:
    columns: dict[str, Column] = {}
    repeats: list[Column] = []
    for index, cell in enumerate(heading.cells):
        name, unit = _split(cell)
        typed = text_of(cell)[:_LONGEST_HEADING] or letters(index)
        blank = all(row.cell(index) == "" for row in body.rows)
        column = Column(index, typed, name, unit)
        where = body.where(heading, typed)
        if cell == "":
            if not blank:
                notes.fault("table.no_heading", where)
        elif name in columns:
            notes.fault("table.column_twice", where, name=name)
        elif name in known:
            columns[name] = column
        elif wide and _REPEAT.fullmatch(name):
            if blank and body.rows:
                notes.caution("table.empty_column", where)
            else:
                repeats.append(Column(index, typed, "repeat", unit))
        elif name in _SKIPPED:
            notes.caution("table.column_skipped", where)
        else:
            code = "table.like_column" if nearest(name, known) else "table.unknown_column"
            notes.fault(code, where, like=nearest(name, known), known=sorted(known))
    twice = {column.typed for column in repeats if [c.typed for c in repeats].count(column.typed) > 1}
    for typed in sorted(twice):
        notes.fault("table.column_twice", body.where(heading, typed), name=typed)
    if repeats and "indication" in columns:
        repeats.insert(0, columns.pop("indication"))
    return Layout(body, heading, columns, tuple(repeats))


def _look_at_width(layout: Layout, notes: Notes) -> None:
    if layout.heading is None:
        return
    width = len(layout.heading.cells)
    for row in layout.table.rows:
        extra = [cell for cell in row.cells[width:] if cell != ""]
        if extra:
            code = "table.long_row_comma" if layout.table.separator == "," else "table.long_row"
            notes.fault(code, layout.table.where(row), got=width + len(extra), expected=width)


class CellReader:
    """
    Reads the numbers of a table, and notes a fault with its place where there is none.

    Parameters
    ----------
    layout : Layout
    columns : iterable of Column
        Those that hold numbers: together they tell the decimal sign.
    decimal : "." or ",", optional
    notes : Notes
    """

    def __init__(self, layout: Layout, columns: Iterable[Column], decimal: str | None, notes: Notes) -> None:
        self._layout = layout
        self._notes = notes
        places = [column.index for column in columns]
        cells = (row.cell(index) for row in layout.table.rows for index in places)
        self._numbers = Numbers((cell for cell in cells if isinstance(cell, str) and cell), decimal)
        self._grouped = 0
        if self._numbers.mixed:
            notes.caution("table.mixed_decimals", layout.table.where())

    def number(self, row: Row, column: Column, unit: str = "") -> float | None:
        """
        The number in a cell, `unit` allowed behind it; None after a fault was noted.
        """
        cell = row.cell(column.index)
        where = self._layout.where(row, column)
        try:
            value, grouped = self._numbers.read(text_of(cell), unit) if isinstance(cell, str) else (cell, False)
        except BadInput as fault:
            code = "table.two_units" if fault.code == "number.unit" and _names_unit(fault) else fault.code
            self._notes.fault(code, where, **dict(fault.params), **({"unit": unit} if code != fault.code else {}))
            return None
        if value - value != 0:
            self._notes.fault("number.infinite", where, typed=text_of(cell))
            return None
        if grouped:
            self._grouped += 1
            if self._grouped == 1:
                self._notes.caution("table.thousands", where, typed=text_of(cell), value=text_of(value))
        return value


def _names_unit(fault: BadInput) -> bool:
    return length_unit(str(fault.params["word"])) is not None


def length_unit_of(layout: Layout, column: Column, unit: str | None, notes: Notes) -> str | None:
    """
    The unit of length of a column, from its heading, else `unit`; None after a fault was noted.
    """
    stated = length_unit(column.unit) if column.unit else None
    if column.unit and stated is None:
        notes.fault("table.not_a_length_unit", layout.where(None, column), unit=column.unit)
        return None
    found = stated or (length_unit(unit) if unit else None)
    if found is None:
        notes.fault("table.no_length_unit", layout.where(None, column), name=column.name)
    return found
