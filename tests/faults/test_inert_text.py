"""Markup, marks of direction and formula signs in names are text like any other: kept as typed, never acted on."""

from __future__ import annotations

import io

import openpyxl
import pytest

from labkit.bench.read_about import read_about
from labkit.bench.read_readings import read_cells, read_readings

NAMES = [
    "<script>alert(1)</script>",
    "<b>A-1</b> & co",
    "$x^2$ #set text(red) [typst] *bold* _it_",
    "{shim} {0} {typed:mm} %s",
    "=SUM(A1:A9)",
    "+A-1",
    "-A-1",
    "−A-1",
    "@A-1",
    "\u202eA-1\u202c",
    "A-1\u200f",
    "שים-1",
    "שמאל, ימין",
    'A "one"',
    "'; DROP TABLE shims; --",
    "../../A-1",
    "☂",
    "a\\nb",
]


def quoted(text: str) -> str:
    return '"' + text.replace('"', '""') + '"'


@pytest.mark.parametrize("name", NAMES)
def test_a_name_is_kept_as_typed(name: str) -> None:
    shims = f"shim,thickness [mm],certificate\n{quoted(name)},0.25,{quoted(name)}\nB-2,0.5,x\n"
    text = f"shim,indication [mm],operator\n{quoted(name)},0.25,{quoted(name)}\nB-2,0.5,x\n"
    found = read_readings(text, shims)
    assert found.rows[0].shims == (name,)
    assert found.rows[0].operator == name
    assert found.shims[name].certificate == name
    assert found.shims[name].thickness_mm == 0.25


@pytest.mark.parametrize("name", NAMES)
def test_a_name_that_is_not_known_is_named_in_the_refusal(name: str) -> None:
    with pytest.raises(ValueError) as refused:
        read_readings(f"shim,indication [mm]\n{quoted(name)},0.25\nB-2,0.5\n", "shim,thickness [mm]\nB-2,0.5\n")
    assert name in str(refused.value)


@pytest.mark.parametrize("name", NAMES)
def test_pasted_cells_and_workbooks_keep_it_too(name: str) -> None:
    book = openpyxl.Workbook()
    sheet = book.active
    assert sheet is not None
    sheet.append(["shim", "thickness [mm]"])
    sheet.append([None, 0.25])
    cell = sheet.cell(2, 1)
    cell.value = name
    cell.data_type = "s"
    sheet.append(["B-2", 0.5])
    shims = io.BytesIO()
    book.save(shims)
    found = read_cells([["shim", "indication [mm]"], [name, "0.25"], ["B-2", "0.5"]], shims.getvalue())
    assert found.rows[0].shims == (name,)


def test_marks_of_direction_around_a_number_do_not_change_it() -> None:
    text = "shim,indication [mm]\nA-1,\u200e0.25\u200e\nA-2,\u202d−0.5\u202c\n"
    found = read_readings(text, "shim,thickness [mm]\nA-1,0.25\nA-2,0.5\n")
    assert [row.value for row in found.rows] == [0.25, -0.5]


def test_digits_of_other_scripts_are_not_guessed() -> None:
    with pytest.raises(ValueError, match="is not a number"):
        read_readings("shim,indication [mm]\nA-1,٠.٢٥\nA-2,0.5\n", "shim,thickness [mm]\nA-1,0.25\nA-2,0.5\n")


@pytest.mark.parametrize("name", ["<b>x</b>", "=1+1", "\u202eabc"])
def test_particulars_keep_it_as_text(name: str) -> None:
    assert read_about(f'[work]\noperator = "{name}"\n').operator == name
