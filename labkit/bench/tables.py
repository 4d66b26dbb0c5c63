"""From whatever was handed in to a table of cells: path, text, bytes, file object, data frame or pasted block."""

from __future__ import annotations

import codecs
import csv
import os
from collections.abc import Iterable, Iterator, Sequence
from datetime import date, datetime, time
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any, Final, NoReturn, TypeAlias

from labkit.bench.cells import MOST_COLUMNS, MOST_ROWS, Cell, Notes, Table, date_text, kept_rows
from labkit.bench.numbers import number_like
from labkit.problems import BadFile, BadInput, Fault, Where

if TYPE_CHECKING:
    import pandas as pd

    Source: TypeAlias = str | bytes | os.PathLike[str] | IO[bytes] | IO[str] | pd.DataFrame
else:
    Source: TypeAlias = Any

MOST_BYTES: Final = 10_000_000
"""Readings and shims up to 10 MB."""

_SEPARATORS: Final = ("\t", ";", ",")
ZIP: Final = (b"PK\x03\x04", b"PK\x05\x06")
"""How a workbook begins."""

_OLD_OFFICE: Final = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"
_PASTED_TEXT: Final = "pasted cells"


def read_table(source: Source, notes: Notes, sheet: str = "") -> Table:
    """
    The cells of a source, with their places.

    Parameters
    ----------
    source : path, str, bytes, file object or pandas.DataFrame
        A str without a line break is a path, one with a line break is text.
    notes : Notes
        Takes cautions, and faults that leave the table readable.
    sheet : str
        The worksheet to prefer where a workbook has several.

    Returns
    -------
    Table
        With at least one row.

    Raises
    ------
    BadFile
        The source cannot be opened, is too large, is no table, or holds nothing.
    """
    if hasattr(source, "itertuples"):
        return _filled(_frame(source, notes), notes)
    content, name = _content(source)
    if len(content) > MOST_BYTES:
        _refuse("table.too_large", name, megabytes=_megabytes(len(content)), limit=MOST_BYTES // 10**6)
    if isinstance(content, str):
        return _filled(_from_text(content, name, notes), notes)
    if content.startswith(ZIP):
        from labkit.bench.workbook import read_workbook

        return _filled(read_workbook(content, name, sheet, notes), notes)
    if content.startswith(_OLD_OFFICE):
        _refuse("table.old_workbook", name)
    return _filled(_from_text(decoded(content, name), name, notes), notes)


def table_of(rows: Sequence[Sequence[Cell]], notes: Notes) -> Table:
    """
    A block of cells, as pasted or typed, as a table; row 1 is the first of the block.

    Raises
    ------
    BadFile
        The block is empty or too large.
    """
    place = Table(())
    _check_size(len(rows), max((len(row) for row in rows), default=0), "")
    return _filled(Table(kept_rows(list(enumerate(rows, 1)), place, notes)), notes)


def source_name(table: Table) -> str:
    """Where a table came from, for people."""
    return table.file or _PASTED_TEXT


def _content(source: Source) -> tuple[bytes | str, str]:
    if isinstance(source, bytes | bytearray):
        return bytes(source), ""
    if isinstance(source, str) and ("\n" in source or "\r" in source or not source.strip()):
        return source, ""
    if isinstance(source, str | os.PathLike):
        return _from_path(source)
    if hasattr(source, "read"):
        opened: Any = source
        held = opened.read(MOST_BYTES + 1)
        name = getattr(opened, "name", "")
        return held, os.path.basename(name) if isinstance(name, str) else ""
    raise BadInput("table.source", got=type(source).__name__)


def _from_path(source: str | os.PathLike[str]) -> tuple[bytes, str]:
    name = os.path.basename(os.fspath(source)) or str(source)
    try:
        path = Path(source)
        if path.is_dir():
            _refuse("table.folder", "", name=name)
        if path.exists() and path.stat().st_size > MOST_BYTES:
            _refuse("table.too_large", name, megabytes=_megabytes(path.stat().st_size), limit=MOST_BYTES // 10**6)
        with path.open("rb") as file:
            return file.read(MOST_BYTES + 1), name
    except FileNotFoundError:
        _refuse("table.no_such_file", "", name=name)
    except (OSError, ValueError) as trouble:
        # ValueError: the text holds a NUL, which no path does; a refusal from above is one too and passes
        if isinstance(trouble, BadInput):
            raise
        _refuse("table.cannot_open", "", name=name)


def decoded(content: bytes, name: str) -> str:
    """
    The text in a file, by its byte order mark or what its bytes tell: UTF-8, UTF-16, else Windows-1252.

    Raises
    ------
    BadFile
        It holds no text.
    """
    for mark, encoding in (
        (codecs.BOM_UTF8, "utf-8-sig"),
        (codecs.BOM_UTF16_LE, "utf-16"),
        (codecs.BOM_UTF16_BE, "utf-16"),
    ):
        if content.startswith(mark):
            return _strictly(content, encoding, name)
    # a spreadsheet's "Unicode text" without its mark: of every two bytes of Latin text, one is 0
    head = content[:4096]
    if head and len(content) % 2 == 0:
        for start, encoding in ((1, "utf-16-le"), (0, "utf-16-be")):
            if head[start::2].count(0) > 0.7 * len(head[start::2]) and 0 not in head[1 - start :: 2]:
                return _strictly(content, encoding, name)
    if 0 in content:
        _refuse("table.not_text", name)
    try:
        return content.decode("utf-8")
    except UnicodeDecodeError:
        return _strictly(content, "cp1252", name)


def _strictly(content: bytes, encoding: str, name: str) -> str:
    try:
        text = content.decode(encoding)
    except UnicodeDecodeError as trouble:
        row = content[: trouble.start].count(b"\n") + 1
        raise BadFile([Fault("table.encoding", {"encoding": encoding}, Where(name, row=row))]) from None
    if "\0" in text:
        _refuse("table.not_text", name)
    return text


def _from_text(text: str, name: str, notes: Notes) -> Table:
    if "\0" in text:
        _refuse("table.not_text", name)
    lines = text.removeprefix("\ufeff").replace("\r\n", "\n").replace("\r", "\n").split("\n")
    said = [line for line in lines if line.strip() and not line.lstrip().startswith("#")]
    if not said:
        return Table((), name)
    separator = next((s for s in _SEPARATORS if s in said[0]), None)
    if separator is None:
        separator = next((s for s in _SEPARATORS if any(s in line for line in said)), ",")
    place = Table((), name, separator=separator)
    _look_into_comments(lines, separator, place, notes)
    rows: list[tuple[int, list[str]]] = []
    number = 0
    reader = csv.reader(_without_comments(lines), delimiter=separator, strict=True)
    try:
        # counted by record, as a spreadsheet counts: a quoted cell may hold a line break
        for number, cells in enumerate(reader, 1):
            if cells:
                rows.append((number, cells))
                _check_size(len(rows), len(cells), name)
    except csv.Error as trouble:
        code = "table.long_cell" if "field larger" in str(trouble) else "table.quotes"
        raise BadFile([*notes.faults, Fault(code, {}, place.where(number + 1))]) from None
    return Table(kept_rows(rows, place, notes, comments=False), name, separator=separator)


def _without_comments(lines: Iterable[str]) -> Iterator[str]:
    # blank, not dropped: the rows below keep their numbers
    for line in lines:
        yield "\n" if line.lstrip().startswith("#") else line + "\n"


def _look_into_comments(lines: Sequence[str], separator: str, place: Table, notes: Notes) -> None:
    for number, line in enumerate(lines, 1):
        bare = line.strip()
        if bare.startswith("#") and separator in bare:
            cells = bare.split(separator)
            if number_like(cells[-1]) and len(cells[0]) < 20 and " " not in cells[0]:
                notes.caution("table.comment_like_reading", place.where(number))


def _frame(frame: Any, notes: Notes) -> Table:
    heads: list[Cell] = [str(column) for column in frame.columns]
    plain = [isinstance(column, int) or not isinstance(column, str) for column in frame.columns]
    body = [[_frame_cell(value) for value in row] for row in frame.itertuples(index=False, name=None)]
    _check_size(len(body), len(heads), "")
    rows: list[list[Cell]] = body if all(plain) else [heads, *body]
    return Table(kept_rows(list(enumerate(rows, 1)), Table(()), notes))


def _frame_cell(value: Any) -> Cell:
    if isinstance(value, str):
        return value
    if isinstance(value, bool) or type(value).__name__ == "bool":
        return str(value).upper()
    if isinstance(value, datetime | date | time):
        return date_text(value)
    try:
        number = float(value)
    except (TypeError, ValueError, OverflowError):
        return "" if value is None or str(value) in ("<NA>", "NaT") else str(value)
    # pandas writes a missing cell as NaN
    return "" if number != number else number


def _check_size(rows: int, columns: int, name: str) -> None:
    if rows > MOST_ROWS:
        _refuse("table.too_many_rows", name, limit=MOST_ROWS)
    if columns > MOST_COLUMNS:
        _refuse("table.too_many_columns", name, limit=MOST_COLUMNS)


def _filled(table: Table, notes: Notes) -> Table:
    if not table.rows:
        raise BadFile([*notes.faults, Fault("table.empty", {}, table.where())])
    return table


def _megabytes(count: int) -> int:
    return -(-count // 10**6)


def _refuse(code: str, file: str, **params: Any) -> NoReturn:
    raise BadFile([Fault(code, params, Where(file) if file else None)])
