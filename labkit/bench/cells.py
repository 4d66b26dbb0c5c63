"""Cells in rows, whatever file they came from, and the notes taken while they are read."""

from __future__ import annotations

import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, time
from typing import Any, Final, TypeAlias

from labkit.problems import BadFile, Caution, Fault, Where

Cell: TypeAlias = str | float
"""Text as typed, or a number that the file stores as a number (workbooks and data frames)."""

MOST_ROWS: Final = 200_000
MOST_COLUMNS: Final = 1_000
MOST_FAULTS: Final = 200
"""More than a person would put right one by one; the last fault then says how many were not listed."""

ERROR_VALUES: Final = frozenset(
    ("#N/A", "#DIV/0!", "#VALUE!", "#REF!", "#NAME?", "#NUM!", "#NULL!", "#SPILL!", "#CALC!", "#GETTING_DATA")
)
"""What spreadsheets put in a cell that they could not compute."""


@dataclass(frozen=True)
class Row:
    """
    One row that holds something.

    Attributes
    ----------
    number : int
        Counted from 1 as the person's own program shows it; empty rows and comments count too.
    cells : tuple of str or float
    """

    number: int
    cells: tuple[Cell, ...]

    def cell(self, index: int) -> Cell:
        """The cell in column `index` (from 0); empty where the row is shorter."""
        return self.cells[index] if index < len(self.cells) else ""


@dataclass(frozen=True)
class Table:
    """
    Rows of cells with the place that they came from.

    Attributes
    ----------
    rows : tuple of Row
        Without empty rows and comments.
    file, sheet : str
        As in `labkit.problems.Where`.
    separator : str
        What separates the cells in a text file; empty for workbooks, data frames and blocks of cells.
    """

    rows: tuple[Row, ...]
    file: str = ""
    sheet: str = ""
    separator: str = ""

    def where(self, row: Row | int | None = None, column: str = "") -> Where:
        number = row.number if isinstance(row, Row) else row
        return Where(self.file, self.sheet, number, column)


@dataclass
class Notes:
    """
    What is found while a file is read: everything that is wrong, before it is refused once.
    """

    faults: list[Fault] = field(default_factory=list)
    cautions: list[Caution] = field(default_factory=list)

    def fault(self, code: str, where: Where | None = None, **params: Any) -> None:
        self.faults.append(Fault(code, params, _place(where)))

    def caution(self, code: str, where: Where | None = None, **params: Any) -> None:
        self.cautions.append(Caution(code, params, _place(where)))

    def refuse_if_faulty(self) -> None:
        """
        Raises
        ------
        BadFile
            At least one fault was noted.
        """
        if not self.faults:
            return
        listed = self.faults[:MOST_FAULTS]
        if len(self.faults) > MOST_FAULTS:
            listed.append(Fault("table.more_faults", {"count": len(self.faults) - MOST_FAULTS}))
        raise BadFile(listed)


def _place(where: Where | None) -> Where | None:
    # pasted cells have no name: what is said of them as a whole has no place
    return where if where and str(where) else None


def text_of(cell: Cell) -> str:
    """
    A cell as text; a stored number in the shortest form that reads back as the same number.
    """
    if isinstance(cell, str):
        return cell
    return str(int(cell)) if cell.is_integer() and abs(cell) < 1e15 else repr(cell)


def date_text(value: date | datetime | time) -> str:
    """
    A date or a time of day, in ISO 8601; midnight is left out.
    """
    if str(value) == "NaT":
        return ""
    if isinstance(value, datetime) and (value.hour, value.minute, value.second) == (0, 0, 0) and not value.tzinfo:
        return value.date().isoformat()
    return value.isoformat()


def letters(index: int) -> str:
    """
    The letters of column `index` (from 0), as spreadsheets write them: A, B, … Z, AA.
    """
    name = ""
    index += 1
    while index:
        index, rest = divmod(index - 1, 26)
        name = chr(ord("A") + rest) + name
    return name


def kept_rows(
    rows: Sequence[tuple[int, Sequence[Cell]]], table: Table, notes: Notes, *, comments: bool = True
) -> tuple[Row, ...]:
    """
    Rows that hold something, their text freed of control characters and of the space around it.

    Parameters
    ----------
    rows : sequence of (number, cells)
    table : Table
        Says where they are from.
    notes : Notes
        Takes a caution for each cell that held control characters, and for each comment of several cells.
    comments : bool
        Whether a row whose first cell begins with ``#`` is a comment; in text, where a cell may be quoted, the line
        decides and not the cell.
    """
    kept = []
    for number, cells in rows:
        cleaned = tuple(_clean(cell, table, number, i, notes) for i, cell in enumerate(cells))
        first = cleaned[0] if cleaned else ""
        comment = comments and isinstance(first, str) and first.startswith("#") and first not in ERROR_VALUES
        if comment and sum(cell != "" for cell in cleaned) > 1:
            notes.caution("table.comment_like_reading", table.where(number))
        if not comment and any(cell != "" for cell in cleaned):
            kept.append(Row(number, cleaned))
    return tuple(kept)


def _clean(cell: Cell, table: Table, number: int, index: int, notes: Notes) -> Cell:
    if not isinstance(cell, str):
        return cell
    # line breaks and tabs inside a quoted cell read as spaces; lone surrogates cannot be written to any file
    spaced = cell.replace("\r\n", " ").replace("\n", " ").replace("\r", " ").replace("\t", " ")
    # the byte order mark of a file that was pasted into another is no part of a name
    kept = "".join(c for c in spaced if unicodedata.category(c) not in ("Cc", "Cs") and c != "\ufeff")
    if len(kept) < len(spaced):
        notes.caution("table.control_characters", table.where(number, letters(index)))
    return kept.strip()
