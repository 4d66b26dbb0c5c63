"""Cells from every form of file: what separates them, how they are encoded, where they stand, how numbers are read."""

from __future__ import annotations

import io
import re
from pathlib import Path

import openpyxl
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from labkit.bench import headings, read_readings, read_shims
from labkit.bench.cells import Notes, Table, letters, text_of
from labkit.bench.dates import parse_date, parse_time
from labkit.bench.numbers import parse_number
from labkit.bench.tables import Source, read_table
from labkit.problems import BadInput
from labkit.sentences import SENTENCES


def cells(source: Source) -> list[tuple[int, tuple[object, ...]]]:
    table = read_table(source, Notes())
    return [(row.number, row.cells) for row in table.rows]


WANTED = [(1, ("shim", "x")), (2, ("A-1", "0,5"))]


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "cp1252"])
def test_encodings(encoding: str) -> None:
    assert cells("shim;x\nµ-1 é;0,5\n".encode(encoding)) == [(1, ("shim", "x")), (2, ("µ-1 é", "0,5"))]


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize(
    "text", ["shim;x{0}A-1;0,5{0}", 'shim,x{0}A-1,"0,5"{0}', "shim\tx{0}A-1\t0,5", "shim;x{0} A-1 ; 0,5"]
)
def test_separators_and_line_ends(text: str, end: str) -> None:
    assert cells(text.format(end)) == WANTED


def test_rows_are_counted_as_a_spreadsheet_counts_them() -> None:
    text = '# made today\n\nshim,note\n"A-1","two\nlines"\n# a comment\n,\nA-2,x\n'
    assert cells(text) == [(3, ("shim", "note")), (4, ("A-1", "two lines")), (7, ("A-2", "x"))]


def test_sources(tmp_path: Path) -> None:
    path = tmp_path / "t.csv"
    path.write_bytes(b"shim;x\nA-1;0,5\n")
    with path.open("rb") as file:
        assert cells(file) == WANTED
        assert read_table(io.BytesIO(b"a;b\n"), Notes()).file == ""
    with path.open(encoding="utf-8") as text:
        assert cells(text) == WANTED
    for source in (path, str(path), path.read_bytes(), path.read_text(encoding="utf-8")):
        assert cells(source) == WANTED
    assert read_table(path, Notes()).file == "t.csv"


def test_a_data_frame_keeps_numbers_as_they_are() -> None:
    frame = pd.DataFrame(
        {"shim": ["A-1", None], "x": [0.1 + 0.2, float("nan")], "due": pd.to_datetime(["2026-03-14", None])}
    )
    assert cells(frame) == [(1, ("shim", "x", "due")), (2, ("A-1", 0.1 + 0.2, "2026-03-14"))]
    assert cells(pd.DataFrame([["A-1", 1], ["A-2", 2]])) == [(1, ("A-1", 1.0)), (2, ("A-2", 2.0))]


def test_something_else_is_no_source() -> None:
    with pytest.raises(BadInput, match="cannot be read from int"):
        cells(3)  # type: ignore[arg-type]


def test_a_workbook_gives_dates_as_text_and_the_sheet_that_was_asked_for() -> None:
    book = openpyxl.Workbook()
    book.create_sheet("Shims").append(["shim", 0.25, True, pd.Timestamp("2026-03-14").to_pydatetime()])
    first = book.active
    assert first is not None
    first.append(["other"])
    target = io.BytesIO()
    book.save(target)
    table = read_table(target.getvalue(), Notes(), "shims")
    assert table.sheet == "Shims"
    assert table.rows[0].cells == ("shim", 0.25, "TRUE", "2026-03-14")


def test_letters_of_columns() -> None:
    assert [letters(i) for i in (0, 25, 26, 701, 702)] == ["A", "Z", "AA", "ZZ", "AAA"]


def test_stored_numbers_as_text() -> None:
    assert [text_of(x) for x in (5.0, 0.25, 1e-7, 1e20)] == ["5", "0.25", "1e-07", "1e+20"]


def test_where_a_cell_stands() -> None:
    assert str(Table((), "a.xlsx", "Sheet1").where(7, "C")) == "a.xlsx, Sheet1, row 7, column C"


# ---- numbers ----


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("0.25", 0.25), ("0,25", 0.25), (" 12 ", 12.0), ("−1,5", -1.5), ("–1.5", -1.5), ("+.5", 0.5), ("5.", 5.0),
        ("1e-3", 1e-3), ("1,5E+2", 150.0), ("0,250", 0.25), ("1.234", 1.234), ("1234,567", 1234.567),
        ("1,234.5", 1234.5), ("1.234,5", 1234.5), ("1,234,567", 1234567.0), ("1.234.567", 1234567.0),
        ("1 234.5", 1234.5), ("1\u202f234,5", 1234.5), ("1'234.5", 1234.5), ("\u200e0.5\u200e", 0.5),
    ],
)  # fmt: skip
def test_numbers(text: str, value: float) -> None:
    assert parse_number(text) == value


@pytest.mark.parametrize(("decimal", "value"), [(".", 1234.0), (",", 1.234)])
def test_the_decimal_sign_decides_where_the_cell_does_not(decimal: str, value: float) -> None:
    assert parse_number("1,234", decimal) == value
    assert parse_number("0,25", decimal) == 0.25


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("", "number.empty"), ("  ", "number.empty"), ("1.99O", "number.ends_in_letter"), ("O.5", "number.letter"),
        ("l.5", "number.letter"), ("nan", "number.nan"), ("inf", "number.infinite"), ("-∞", "number.infinite"),
        ("1e400", "number.too_large"), ("#N/A", "number.error_value"), ("TRUE", "number.boolean"),
        ("=A1", "number.formula"), ("12.03.2026", "number.date"), ("2-Jan", "number.date"), ("09:17", "number.date"),
        ("2026-03-14", "number.date"), ("50 %", "number.percent"), ("0.5 mm", "number.unit"),
        ("1.2.3", "number.separators"),
        ("1,234", "number.ambiguous"), ("1_000", "number.unit"), ("0x10", "number.unit"), ("thin", "number.text"),
        ("٣", "number.text"), ("1 2", "number.separators"), ("--1", "number.text"),
    ],
)  # fmt: skip
def test_what_is_no_number(text: str, code: str) -> None:
    with pytest.raises(BadInput) as refused:
        parse_number(text)
    assert refused.value.code == code
    assert str(refused.value)


def test_both_readings_of_an_ambiguous_cell_are_offered() -> None:
    with pytest.raises(BadInput, match=re.escape("“1,234” can be read as 1.234 or as 1234.")):
        parse_number("1,234")


@given(st.floats(allow_nan=False, allow_infinity=False), st.sampled_from(".,"))
def test_every_float_reads_back(value: float, sign: str) -> None:
    assert parse_number(repr(value).replace(".", sign), sign) == value


@given(st.text(max_size=20), st.sampled_from([None, ".", ","]))
def test_a_cell_gives_a_number_or_a_reason(text: str, decimal: str | None) -> None:
    try:
        value = parse_number(text, decimal)
    except BadInput as refused:
        assert str(refused)
    else:
        assert abs(value) < float("inf")


# ---- dates ----


def test_dates_that_can_be_read_in_one_way() -> None:
    wanted = parse_date("2026-03-14")
    assert all(parse_date(text) == wanted for text in ("14 Mar 2026", "14 March 2026", "14.03.2026", "14-Mar-2026"))
    for text in ("03/04/2026", "2026-13-01", "14 Foo 2026", "20260314", "soon"):
        with pytest.raises(ValueError):
            parse_date(text)


def test_times_become_utc() -> None:
    assert parse_time("2026-11-25T09:17Z") == ("2026-11-25T09:17:00Z", True)
    assert parse_time("2026-11-25 10:17+01:00") == ("2026-11-25T09:17:00Z", True)
    assert parse_time("2026-11-25 09:17") == ("2026-11-25T09:17:00Z", False)
    for text in ("09:17", "2026-11-25", "0001-01-01T00:00+23:00"):
        with pytest.raises(ValueError):
            parse_time(text)


# ---- no input breaks the readers ----


def test_every_code_has_a_sentence() -> None:
    folder = Path(headings.__file__).parent
    used = set()
    for path in folder.glob("*.py"):
        used |= set(re.findall(r'"((?:number|table|workbook|shims|readings|about)\.[a-z_]+)"', path.read_text("utf-8")))
    assert len(used) > 100
    assert used - SENTENCES.keys() == set()


HEADS = st.sampled_from([b"", b"shim,indication [mm]\n", b"\xff\xfe", b"PK\x03\x04", b"reference;1 [in];2\n", b'"'])


@settings(max_examples=200)
@given(
    HEADS, st.one_of(st.binary(max_size=200), st.text(alphabet='A-1+0.5,;\t\n"#[]mO ', max_size=120).map(str.encode))
)
def test_bytes_of_any_kind_are_read_or_refused(head: bytes, tail: bytes) -> None:
    for read in (
        lambda: read_readings.read_readings(head + tail, unit="mm"),
        lambda: read_readings.read_readings(head + tail, b"shim,thickness [mm]\nA-1,0.5\nA,1\n"),
        lambda: read_shims.read_shims(head + tail, unit="mm"),
    ):
        try:
            read()
        except BadInput as refused:
            assert str(refused)


def _small_workbook() -> bytes:
    book = openpyxl.Workbook()
    sheet = book.active
    assert sheet is not None
    for row in (["reference [mm]", "indication [mm]"], [0.5, 0.51], [1.0, 1.02]):
        sheet.append(row)
    target = io.BytesIO()
    book.save(target)
    return target.getvalue()


# made once: it holds the time of its making
WORKBOOK = _small_workbook()


@settings(max_examples=60)
@given(st.lists(st.tuples(st.floats(0, 1, exclude_max=True), st.integers(0, 255)), min_size=1, max_size=8))
def test_a_damaged_workbook_is_read_or_refused(damage: list[tuple[float, int]]) -> None:
    content = bytearray(WORKBOOK)
    for place, value in damage:
        content[4 + int(place * (len(content) - 4))] = value
    try:
        read_readings.read_readings(bytes(content))
    except BadInput as refused:
        assert str(refused)
