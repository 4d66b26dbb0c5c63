"""Input that is refused: each with its code and its place, and every fault of a file at once."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import openpyxl
import pytest

from labkit.bench.read_readings import read_cells, read_readings
from labkit.bench.read_shims import read_shims
from labkit.problems import BadFile

SHIMS = "shim,thickness [mm],U [mm],k\nA-1,0.25,0.001,2\nA-2,0.5,0.001,2\nA-3,1.0,0.001,2\n"


def readings(text: str | bytes, **options: Any) -> Callable[[], object]:
    return lambda: read_readings(text, options.pop("shims", SHIMS), **options)


def lone(text: str, **options: Any) -> Callable[[], object]:
    """Readings without a table of shims."""
    return lambda: read_readings(text, **options)


def shims(text: str, **options: Any) -> Callable[[], object]:
    return lambda: read_shims(text, **options)


def workbook(*rows: list[Any], merge: str = "", title: str = "Sheet1", more: str = "") -> bytes:
    book = openpyxl.Workbook()
    sheet = book.active
    assert sheet is not None
    sheet.title = title
    for row in rows:
        sheet.append(row)
    if merge:
        sheet.merge_cells(merge)
    if more:
        book.create_sheet(more).append(["shim", 1])
    target = io.BytesIO()
    book.save(target)
    return target.getvalue()


def padded_workbook(size: int) -> bytes:
    target = io.BytesIO(workbook(["shim", "indication [mm]"], ["A-1", 0.25]))
    with zipfile.ZipFile(target, "a", zipfile.ZIP_DEFLATED) as parts:
        parts.writestr("xl/media/padding.bin", bytes(size))
    return target.getvalue()


def zipped(name: str) -> bytes:
    target = io.BytesIO()
    with zipfile.ZipFile(target, "w") as parts:
        parts.writestr(name, b"text")
    return target.getvalue()


HEAD = "shim,indication [mm]\n"
RAW = "shim,indication [counts]\n"

# what is refused, its code, the row, and the column as its heading says it
REFUSED: dict[str, tuple[Callable[[], object], str, int | None, str]] = {
    "nothing": (readings(""), "table.empty", None, ""),
    "only comments": (readings("# nothing\n# yet\n"), "table.empty", None, ""),
    "header only": (readings(HEAD), "table.heading_only", 1, ""),
    "text": (readings(f"{HEAD}A-1,thin\nA-2,0.5\n"), "number.text", 2, "indication [mm]"),
    "letter O": (readings(f"{HEAD}A-1,0.25\nA-2,1.99O\n"), "number.ends_in_letter", 3, "indication [mm]"),
    "letter l": (readings(f"{HEAD}A-1,0.25\nA-2,0.5l9\n"), "number.letter", 3, "indication [mm]"),
    "NaN": (readings(f"{HEAD}A-1,0.25\nA-2,NaN\n"), "number.nan", 3, "indication [mm]"),
    "infinite": (readings(f"{HEAD}A-1,0.25\nA-2,-inf\n"), "number.infinite", 3, "indication [mm]"),
    "too large a number": (readings(f"{RAW}A-1,250\nA-2,1e999\n"), "number.too_large", 3, "indication [counts]"),
    "error value": (readings(f"{HEAD}A-1,0.25\nA-2,#DIV/0!\n"), "number.error_value", 3, "indication [mm]"),
    "date": (readings(f"{HEAD}A-1,0.25\nA-2,02.Jan\n"), "number.date", 3, "indication [mm]"),
    "boolean": (readings(f"{HEAD}A-1,0.25\nA-2,TRUE\n"), "number.boolean", 3, "indication [mm]"),
    "percentage": (readings(f"{HEAD}A-1,0.25\nA-2,50%\n"), "number.percent", 3, "indication [mm]"),
    "formula as text": (readings(f"{HEAD}A-1,0.25\nA-2,=B2*2\n"), "number.formula", 3, "indication [mm]"),
    "no number": (readings(f"{HEAD}A-1,0.25\nA-2,\n"), "number.empty", 3, "indication [mm]"),
    "two signs": (readings(f"{HEAD}A-1,0.25\nA-2,0.5.1\n"), "number.separators", 3, "indication [mm]"),
    "two units in cells": (readings(f"{HEAD}A-1,0.25 mm\nA-2,0.02 in\n"), "table.two_units", 3, "indication [mm]"),
    "two units in headings": (readings("shim,1 [mm],2 [in]\nA-1,0.25,0.01\n"), "readings.two_units", 1, "2 [in]"),
    "unit said twice": (readings(f"{HEAD}A-1,0.25\n", unit="in"), "readings.unit_twice", 1, "indication [mm]"),
    "no unit": (readings("shim,indication\nA-1,0.25\nA-2,0.5\n"), "readings.no_unit", 1, "indication"),
    "another length": (readings("shim,indication [cm]\nA-1,0.025\n"), "readings.unit_not_read", 1, "indication [cm]"),
    "misspelt unit": (readings("shim,1 [milimeter]\nA-1,1\n"), "readings.like_a_unit", 1, "1 [milimeter]"),
    "ambiguous separators": (
        readings("shim\tindication [µm]\nA-1\t1,234\nA-2\t1,500\n"), "number.ambiguous", 2, "indication [µm]",
    ),
    "decimal comma torn": (readings("shim,indication [mm]\nA-1,0,252\nA-2,0,498\n"), "table.decimal_comma_torn", 3, ""),
    "too many cells": (readings(f"{HEAD}A-1,0.25\nA-2,0.5,0.6\n"), "table.long_row_comma", 3, ""),
    "unknown column": (readings("shim,zqx,indication [mm]\nA-1,1,0.25\n"), "table.unknown_column", 1, "zqx"),
    "misspelt column": (readings("shim,indicaton [mm]\nA-1,0.25\n"), "table.like_column", 1, "indicaton [mm]"),
    "no heading": (readings("shim,,indication [mm]\nA-1,x,0.25\n"), "table.no_heading", 1, "B"),
    "column twice": (readings("shim,role,role,indication [mm]\nA-1,,,0.2\n"), "table.column_twice", 1, "role"),
    "repeat twice": (readings("shim,1 [mm],1 [mm]\nA-1,0.25,0.26\n"), "table.column_twice", 1, "1 [mm]"),
    "no indication": (readings("shim,reference [mm]\nA-1,0.25\n"), "table.missing_column", 1, ""),
    "no shim column": (readings("indication [mm],role\n0.25,fit\n"), "readings.no_shim_column", 1, ""),
    "unknown shim": (readings(f"{HEAD}A-1,0.25\nQ9,0.5\n"), "readings.unknown_shim", 3, "shim"),
    "misspelt shim": (readings(f"{HEAD}A-1,0.25\nA2,0.5\n"), "readings.like_shim", 3, "shim"),
    "no name": (readings(f"{HEAD}A-1,0.25\n,0.5\n"), "readings.no_shim", 3, "shim"),
    "endless name": (readings(f"{HEAD}A-1,0.25\n{'A' * 101},0.5\n"), "shims.long_name", 3, "shim"),
    "stack of one shim twice": (readings(f"{HEAD}A-1,0.25\nA-2 + A-2,1.0\n"), "readings.stack_twice", 3, "shim"),
    "totals": (readings(f"{HEAD}A-1,0.25\nA-2,0.5\nmean,0.375\n"), "readings.computed_row", 4, "shim"),
    "no table of shims": (lone(f"{HEAD}A-1,0.25\nA-2,0.5\n"), "readings.no_shims", 1, "shim"),
    "references beside shims": (
        readings("reference [mm],indication [mm]\n0.5,0.5\n"), "readings.reference_beside_shims", 1, "reference [mm]",
    ),
    "unknown role": (readings("shim,indication [mm],role\nA-1,0.25,zzz\n"), "readings.unknown_role", 2, "role"),
    "misspelt role": (readings("shim,indication [mm],role\nA-1,0.25,chek\n"), "readings.like_role", 2, "role"),
    "role against shim": (
        readings("shim,indication [mm],role\nA-1,0.25,zero\n"), "readings.role_against_shim", 2, "shim",
    ),
    "time of day alone": (readings("shim,indication [mm],time\nA-1,0.25,09:17\n"), "readings.time", 2, "time"),
    "one thickness": (readings(f"{HEAD}A-1,0.25\nA-1,0.26\n"), "readings.one_thickness", 2, "indication [mm]"),
    "mixed signs": (
        readings(f"{RAW}A-1,900\nA-2,500\nA-3,-100\n"), "readings.mixed_signs", 4, "indication [counts]",
    ),
    "absurd length": (readings(f"{HEAD}A-1,0.25\nA-2,500\n"), "table.too_thick", 3, "indication [mm]"),
    "negative reference": (
        lone("reference [mm],indication [mm]\n0.5,0.5\n-1,1.0\n"), "readings.negative_reference", 3, "reference [mm]",
    ),
    "reference without unit": (lone("reference,indication [mm]\n0.5,0.5\n"), "table.no_length_unit", 1, "reference"),
    "reference in counts": (
        lone("reference [counts],indication [mm]\n0.5,0.5\n"), "table.not_a_length_unit", 1, "reference [counts]",
    ),
    "references all zero": (
        lone("reference [mm],indication [mm]\n0,0.5\n0,0.4\n"), "readings.references_zero", 1, "reference [mm]",
    ),
    "reference of 0 to check": (
        lone("reference [mm],indication [mm],role\n0.5,0.5,fit\n0,0.4,check\n"),
        "readings.role_against_shim", 3, "reference [mm]",
    ),
    "one shim, two references": (
        lone("shim,reference [mm],indication [mm]\nA-1,0.5,0.5\nA-1,0.6,0.5\n"),
        "shims.two_values", 3, "reference [mm]",
    ),
    "one reference, two U": (
        lone("reference [mm],U [mm],k,indication [mm]\n0.5,0.001,2,0.5\n0.5,0.002,2,0.5\n"),
        "readings.two_uncertainties", 3, "",
    ),
    "reference U without k": (
        lone("reference [mm],U [mm],indication [mm]\n0.5,0.001,0.5\n"), "shims.no_k", 2, "U [mm]",
    ),
    "stack of references": (
        lone("shim,reference [mm],indication [mm]\nA-1 + A-2,0.5,0.5\n"), "readings.stack_needs_shims", 2, "shim",
    ),
    "one shim, two certified values": (
        shims("shim,thickness [mm]\nA-1,0.5\nA-1,0.6\n"), "shims.two_values", 3, "thickness [mm]",
    ),
    "shim twice": (shims("shim,thickness [mm]\nA-1,0.5\nA-1,0.5\n"), "shims.twice", 3, "shim"),
    "shim without name": (shims("shim,thickness [mm]\nA-1,0.5\n,0.6\n"), "shims.no_name", 3, "shim"),
    "reserved name": (shims("shim,thickness [mm]\nZero,0.5\n"), "shims.reserved_name", 2, "shim"),
    "no thickness": (shims("shim,thickness [mm]\nA-1,0\n"), "shims.thickness_not_positive", 2, "thickness [mm]"),
    "shim in another unit": (shims("shim,thickness [mm]\nA-1,500\n"), "table.too_thick", 2, "thickness [mm]"),
    "shims without unit": (shims("shim,thickness\nA-1,0.5\n"), "table.no_length_unit", 1, "thickness"),
    "U of 0": (shims("shim,thickness [mm],U [mm],k\nA-1,0.5,0,2\n"), "shims.u_not_positive", 2, "U [mm]"),
    "k of 0": (shims("shim,thickness [mm],U [mm],k\nA-1,0.5,0.001,0\n"), "shims.k_not_positive", 2, "k"),
    "U without k": (shims("shim,thickness [mm],U [mm]\nA-1,0.5,0.001\n"), "shims.no_k", 2, "U [mm]"),
    "no tolerance": (
        shims("shim,thickness [mm],tolerance [mm]\nA-1,0.5,-0.01\n"),
        "shims.tolerance_not_positive", 2, "tolerance [mm]",
    ),
    "shared above all": (
        shims("shim,thickness [mm],U [mm],k,shared u [mm]\nA-1,0.5,0.001,2,0.001\n"),
        "shims.shared_above_u", 2, "shared u [mm]",
    ),
    "negative wear": (
        shims("shim,thickness [mm],wear u [mm]\nA-1,0.5,-0.001\n"), "shims.negative_u", 2, "wear u [mm]",
    ),
    "expansion of 19": (
        shims("shim,thickness [mm],expansion [1/K]\nA-1,0.5,19\n"), "shims.expansion_too_large", 2, "expansion [1/K]",
    ),
    "unit of expansion": (
        shims("shim,thickness [mm],expansion [%]\nA-1,0.5,19\n"), "shims.expansion_unit", 1, "expansion [%]",
    ),
    "due before certified": (
        shims("shim,thickness [mm],certified on,due\nA-1,0.5,2026-03-01,2025-03-01\n"),
        "shims.due_before_certified", 2, "due",
    ),
    "day or month": (shims("shim,thickness [mm],due\nA-1,0.5,03/04/2026\n"), "table.not_a_date", 2, "due"),
    "open quotes": (readings(f'{HEAD}A-1,0.25\n"A-2,0.5\n'), "table.quotes", 3, ""),
    "endless cell": (readings(f"{HEAD}A-1,{'1' * 200_000}\n"), "table.long_cell", 2, ""),
    "nothing but brackets": (
        readings(f"shim,{'[' * 100_000},indication [mm]\nA-1,1,1\n"), "table.unknown_column", 1, "[" * 200,
    ),
    "not text": (readings(b"\x00\x01\x02\x00\x00shim"), "table.not_text", None, ""),
    "odd bytes": (readings(b"shim,indication [mm]\nA-1\x81,0.25\n"), "table.encoding", 2, ""),
    "half a UTF-16 character": (readings(b"\xff\xfes\x00h\x00i"), "table.encoding", 1, ""),
    "over 10 MB": (readings(b"shim,indication [mm]\n" + b"A-1,0.25\n" * 1_200_000), "table.too_large", None, ""),
    "too many rows": (readings("A\n" * 200_001), "table.too_many_rows", None, ""),
    "too many columns": (readings("," * 1_001 + "\nA\n"), "table.too_many_columns", None, ""),
    "old workbook": (readings(b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(100)), "table.old_workbook", None, ""),
    "damaged workbook": (readings(b"PK\x03\x04" + bytes(100)), "workbook.unreadable", None, ""),
    "zip of text": (readings(zipped("readings.csv")), "workbook.not_xlsx", None, ""),
    "broken parts": (readings(zipped("xl/workbook.xml")), "workbook.unreadable", None, ""),
    "over 50 MB unpacked": (readings(padded_workbook(50_000_001)), "workbook.too_large", None, ""),
    "merged cells": (
        readings(workbook(["shim", "indication [mm]"], ["A-1", 0.25], ["A-2", 0.5], merge="A2:A3")),
        "workbook.merged", 2, "A",
    ),
    "formula without a value": (
        readings(workbook(["shim", "indication [mm]"], ["A-1", 0.25], ["A-2", "=B2*2"])),
        "workbook.formula_without_value", 3, "B",
    ),
    "several worksheets": (
        readings(workbook(["shim", "indication [mm]"], ["A-1", 0.25], more="More")),
        "workbook.several_sheets", None, "",
    ),
    "workbook of nothing": (readings(workbook()), "table.empty", None, ""),
    "no cells": (lambda: read_cells([], SHIMS), "table.empty", None, ""),
    "no such file": (lambda: read_readings("nowhere.csv", SHIMS), "table.no_such_file", None, ""),
    "a folder": (lambda: read_readings(Path(__file__).parent, SHIMS), "table.folder", None, ""),
    "not a path": (lambda: read_readings("\0", SHIMS), "table.cannot_open", None, ""),
}  # fmt: skip


@pytest.mark.parametrize("case", REFUSED)
def test_it_is_refused_with_its_place(case: str) -> None:
    read, code, row, column = REFUSED[case]
    with pytest.raises(BadFile) as refused:
        read()
    fault = next((fault for fault in refused.value.faults if fault.code == code), None)
    assert fault is not None, [fault.code for fault in refused.value.faults]
    assert (fault.where.row if fault.where else None) == row
    assert (fault.where.column if fault.where else "") == column
    said = str(refused.value)
    assert row is None or f"row {row}" in said
    assert column in said


def test_there_are_at_least_thirty_kinds() -> None:
    assert len({code for _, code, _, _ in REFUSED.values()}) >= 30


def test_every_fault_of_a_file_is_listed_in_order() -> None:
    text = "shim,indication [mm],role\nA-1,0.25,\nA-9,0.5,\nA-2,1.99O,chek\nA-3,NaN,\n,0.5,\n"
    with pytest.raises(BadFile) as refused:
        read_readings(text, SHIMS)
    found = [(fault.where.row, fault.code) for fault in refused.value.faults if fault.where]
    assert found == [
        (3, "readings.like_shim"),
        (4, "readings.like_role"),
        (4, "number.ends_in_letter"),
        (5, "number.nan"),
        (6, "readings.no_shim"),
    ]
    assert len(str(refused.value).splitlines()) == 5


def test_faults_of_shims_and_readings_are_said_together(tmp_path: Path) -> None:
    (tmp_path / "shims.csv").write_text("shim,thickness [mm]\nA-1,O.5\nA-2,-1\n", encoding="utf-8")
    (tmp_path / "readings.csv").write_text(f"{HEAD}A-1,x\nA-2,0.5\n", encoding="utf-8")
    with pytest.raises(BadFile) as refused:
        read_readings(tmp_path / "readings.csv", tmp_path / "shims.csv")
    assert [(f.where.file, f.where.row, f.code) for f in refused.value.faults if f.where] == [
        ("shims.csv", 2, "number.letter"),
        ("shims.csv", 3, "shims.thickness_not_positive"),
        ("readings.csv", 2, "number.text"),
    ]


def test_a_missing_file_does_not_hide_faults_of_the_shims() -> None:
    with pytest.raises(BadFile) as refused:
        read_readings("nowhere.csv", "shim,thickness [mm]\nA-1,0\n")
    assert [fault.code for fault in refused.value.faults] == [
        "shims.thickness_not_positive",
        "table.no_such_file",
    ]


def test_a_hopeless_file_does_not_drown_its_reader() -> None:
    with pytest.raises(BadFile) as refused:
        read_readings(HEAD + "A-1,x\n" * 500, SHIMS)
    assert len(refused.value.faults) == 201
    assert str(refused.value.faults[-1]) == "300 more faults are not listed."


def test_a_message_quotes_no_more_of_a_cell_than_helps() -> None:
    with pytest.raises(BadFile) as refused:
        read_readings(f"{HEAD}A-1,{'x' * 10_000}\nA-2,0.5\n", SHIMS)
    assert len(str(refused.value)) < 200


def test_a_decimal_sign_is_a_point_or_a_comma() -> None:
    with pytest.raises(ValueError, match="point or a comma"):
        read_readings(f"{HEAD}A-1,0.25\n", SHIMS, decimal=";")


def test_the_sentence_says_what_is_wrong_and_what_to_do() -> None:
    with pytest.raises(BadFile) as refused:
        read_readings(f"{HEAD}A-1,0.25\nA-2,1.99O\n", SHIMS)
    assert str(refused.value) == (
        "row 3, column indication [mm]: “1.99O” is not a number. It ends in the letter O, not a zero. "
        "If 1.990 is meant, write that."
    )
