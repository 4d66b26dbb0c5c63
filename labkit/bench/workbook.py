"""Cells of an XLSX workbook: sizes are looked at before anything is unpacked, and what lies hidden is named."""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Iterator
from datetime import date, datetime, time
from typing import Any, Final, NoReturn
from xml.etree import ElementTree

from labkit.bench.cells import MOST_COLUMNS, MOST_ROWS, Cell, Notes, Table, date_text, kept_rows, letters
from labkit.problems import BadFile, Fault, Where

MOST_UNPACKED_BYTES: Final = 50_000_000

_MAIN: Final = "{http://schemas.openxmlformats.org/spreadsheetml/2006/main}"
_LINK: Final = "{http://schemas.openxmlformats.org/officeDocument/2006/relationships}id"
_MERGED: Final = re.compile(rb'<(?:\w+:)?mergeCell\b[^>]*\bref="([A-Z]+)([0-9]+):([A-Z]+)([0-9]+)"')
_FORMULA: Final = re.compile(rb"<(?:\w+:)?f[ />]")
_HIDDEN_ROW: Final = re.compile(rb'<(?:\w+:)?row\b(?=[^>]*\bhidden="(?:1|true)")[^>]*\br="([0-9]+)"')
_HIDDEN_COLUMN: Final = re.compile(rb'<(?:\w+:)?col\b(?=[^>]*\bhidden="(?:1|true)")[^>]*\bmin="([0-9]+)"')


def read_workbook(content: bytes, file: str, sheet: str, notes: Notes) -> Table:
    """
    The cells of one worksheet.

    Parameters
    ----------
    content : bytes
        The whole file.
    file : str
        Its name, for messages.
    sheet : str
        The worksheet to prefer, in any case of letters; else the only one that holds something.
    notes : Notes
        Takes merged cells and formulas without a value as faults; formulas with one, and hidden rows and
        columns, as cautions.

    Returns
    -------
    Table

    Raises
    ------
    BadFile
        Not a workbook, larger than 50 MB unpacked, or several worksheets and none of that name.
    """
    parts = _parts(content, file)
    try:
        title, path = _sheet(parts, sheet, file)
        raw = parts.read(path)
        _look_at_layout(raw, Table((), file, title), notes)
        return _cells(content, title, raw, file, notes)
    except BadFile:
        raise
    except Exception:
        # a damaged workbook fails in as many ways as there are parts in it; all of them mean the same here
        _refuse("workbook.unreadable", file)


def _parts(content: bytes, file: str) -> zipfile.ZipFile:
    try:
        parts = zipfile.ZipFile(io.BytesIO(content))
        entries = parts.infolist()
    except Exception:
        _refuse("workbook.unreadable", file)
    unpacked = sum(entry.file_size for entry in entries)
    if unpacked > MOST_UNPACKED_BYTES:
        megabytes = -(-unpacked // 10**6)
        _refuse("workbook.too_large", file, megabytes=megabytes, limit=MOST_UNPACKED_BYTES // 10**6)
    names = {entry.filename for entry in entries}
    if any(entry.flag_bits & 1 for entry in entries):
        _refuse("workbook.locked", file)
    if "xl/workbook.xml" not in names:
        _refuse("workbook.not_xlsx", file)
    return parts


def _sheet(parts: zipfile.ZipFile, wanted: str, file: str) -> tuple[str, str]:
    """The title of the worksheet to read, and its part of the package."""
    targets = {}
    for link in _tree(parts, "xl/_rels/workbook.xml.rels"):
        target = link.get("Target", "")
        targets[link.get("Id", "")] = target.lstrip("/") if target.startswith("/") else f"xl/{target}"
    found: list[tuple[str, str]] = []
    for each in _tree(parts, "xl/workbook.xml").iter(f"{_MAIN}sheet"):
        path = targets[each.get(_LINK, "")]
        if "worksheets/" in path and each.get("state", "visible") == "visible":
            found.append((each.get("name", ""), path))
    for title, path in found:
        if title.strip().lower() == wanted:
            return title, path
    filled = [(title, path) for title, path in found if re.search(rb"<(?:\w+:)?c ", parts.read(path))]
    if len(filled) > 1:
        _refuse("workbook.several_sheets", file, sheets=[title for title, _ in filled], wanted=wanted)
    if not filled:
        _refuse("table.empty", file)
    return filled[0]


def _tree(parts: zipfile.ZipFile, path: str) -> ElementTree.Element:
    raw = parts.read(path)
    if b"<!DOCTYPE" in raw:
        # no workbook needs one, and entities declared in it can grow without limit
        raise ValueError("document type in a workbook")
    return ElementTree.fromstring(raw)


def _look_at_layout(raw: bytes, place: Table, notes: Notes) -> None:
    if b"<!DOCTYPE" in raw:
        raise ValueError("document type in a worksheet")
    for left, top, right, bottom in _MERGED.findall(raw):
        cells = f"{left.decode()}{top.decode()}:{right.decode()}{bottom.decode()}"
        notes.fault("workbook.merged", place.where(int(top), left.decode()), cells=cells)
    hidden_rows = [int(row) for row in _HIDDEN_ROW.findall(raw)]
    if hidden_rows:
        notes.caution("workbook.hidden_rows", place.where(hidden_rows[0]), count=len(hidden_rows))
    hidden_columns = [letters(int(column) - 1) for column in _HIDDEN_COLUMN.findall(raw)]
    if hidden_columns:
        notes.caution("workbook.hidden_columns", place.where(None, hidden_columns[0]), columns=hidden_columns)


def _cells(content: bytes, title: str, raw: bytes, file: str, notes: Notes) -> Table:
    place = Table((), file, title)
    formulas = _formulas(content, title) if _FORMULA.search(raw) else set()
    computed: list[str] = []
    first = None
    rows: list[tuple[int, list[Cell]]] = []
    for number, values in enumerate(_view(content, title, stored_values=True), 1):
        cells = [_cell(each.value) for each in values]
        for index, cell in enumerate(cells):
            if (number, index) not in formulas:
                continue
            where = place.where(number, letters(index))
            if cell == "":
                notes.fault("workbook.formula_without_value", where)
            else:
                computed.append(f"{letters(index)}{number}")
                first = first or where
        if any(cell != "" for cell in cells):
            rows.append((number, cells))
            _check_size(len(rows), cells, file)
    if computed:
        notes.caution("workbook.formula", first, count=len(computed), cells=computed[:5])
    return Table(kept_rows(rows, place, notes), file, title)


def _formulas(content: bytes, title: str) -> set[tuple[int, int]]:
    """The places of formulas: row from 1, column from 0."""
    rows = enumerate(_view(content, title, stored_values=False), 1)
    return {(number, i) for number, row in rows for i, cell in enumerate(row) if cell.data_type == "f"}


def _view(content: bytes, title: str, *, stored_values: bool) -> Iterator[tuple[Any, ...]]:
    """The rows of a worksheet; a formula shows the value that was stored with it, or itself."""
    import openpyxl

    view = openpyxl.load_workbook(io.BytesIO(content), read_only=True, data_only=stored_values)[title]
    # the stated size of a sheet may be wrong, in either direction
    view.reset_dimensions()
    return iter(view.iter_rows())


def _check_size(rows: int, cells: list[Cell], file: str) -> None:
    # formatted cells without content may run on to the last column: they do not count
    if any(cell != "" for cell in cells[MOST_COLUMNS:]):
        _refuse("table.too_many_columns", file, limit=MOST_COLUMNS)
    if rows > MOST_ROWS:
        _refuse("table.too_many_rows", file, limit=MOST_ROWS)


def _cell(value: Any) -> Cell:
    if value is None:
        return ""
    if isinstance(value, bool):
        return str(value).upper()
    if isinstance(value, int | float):
        return float(value)
    if isinstance(value, datetime | date | time):
        return date_text(value)
    return str(value)


def _refuse(code: str, file: str, **params: Any) -> NoReturn:
    raise BadFile([Fault(code, params, Where(file) if file else None)])
