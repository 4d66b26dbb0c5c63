"""Input that is accepted with a doubt: the doubt stays with the result, and the values are right."""

from __future__ import annotations

import io
import re
import zipfile
from datetime import date

import openpyxl
import pytest

from labkit.bench.read_readings import read_cells, read_readings
from labkit.bench.read_shims import read_shims
from labkit.bench.readings import Readings
from labkit.problems import Caution

SHIMS = "shim,thickness [mm],U [mm],k,certificate\n" + "".join(
    f"{name},{thickness},0.001,2,PD-1\n"
    for name, thickness in (("A-1", 0.25), ("A-2", 0.5), ("A-3", 1.0), ("A-4", 3.0))
)
HEAD = "shim,indication [mm]\n"


def only(cautions: tuple[Caution, ...]) -> Caution:
    assert len(cautions) == 1, [str(caution) for caution in cautions]
    return cautions[0]


def values(readings: Readings) -> list[float]:
    return [row.value for row in readings.rows]


def with_stored_value(content: bytes, formula: str, value: str) -> bytes:
    """A workbook in which the value of a formula is stored, as a spreadsheet program stores it."""
    target = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(content)) as old, zipfile.ZipFile(target, "w") as new:
        for name in old.namelist():
            part = old.read(name)
            if "worksheets/" in name:
                part = re.sub(rb"<f>%s</f><v\s*/?>(</v>)?" % re.escape(formula.encode()), b"<f>%s</f><v>%s</v>"
                              % (formula.encode(), value.encode()), part)  # fmt: skip
            new.writestr(name, part)
    return target.getvalue()


def workbook(*rows: list[object], hide: int = 0) -> bytes:
    book = openpyxl.Workbook()
    sheet = book.active
    assert sheet is not None
    for row in rows:
        sheet.append(row)
    if hide:
        sheet.row_dimensions[hide].hidden = True
        sheet.column_dimensions["B"].hidden = True
    target = io.BytesIO()
    book.save(target)
    return target.getvalue()


def test_a_file_in_inches_read_as_millimetres() -> None:
    found = read_readings("shim,indication [mm]\nA-1,0.0098\nA-2,0.0197\nA-3,0.0394\n", SHIMS)
    caution = only(found.cautions)
    assert caution.code == "readings.unit_suspected"
    assert "0.0394 times what the shims say: were units mixed up (in, mm)?" in str(caution)
    assert values(found) == [0.0098, 0.0197, 0.0394]


def test_a_file_in_millimetres_read_as_inches() -> None:
    found = read_readings("shim,indication [in]\nA-1,0.25\nA-2,0.5\nA-3,1.0\n", SHIMS)
    assert only(found.cautions).params["factor"] == pytest.approx(25.4)


@pytest.mark.parametrize(("unit", "factor", "one", "other"), [("mil", 0.0254, "mil", "mm"), ("um", 0.001, "µm", "mm")])
def test_millimetres_read_as_a_smaller_unit(unit: str, factor: float, one: str, other: str) -> None:
    caution = only(read_readings("shim,indication\nA-1,0.25\nA-2,0.5\n", SHIMS, unit=unit).cautions)
    assert caution.params["factor"] == pytest.approx(factor)
    assert (caution.params["one"], caution.params["other"]) == (one, other)


def test_one_row_in_another_unit() -> None:
    found = read_readings(f"{HEAD}A-1,0.25\nA-2,0.5\nA-3,1.0\nA-4,76.07\n", SHIMS)
    caution = only(found.cautions)
    assert caution.code == "readings.unit_suspected_row"
    assert str(caution).startswith("row 5, column indication [mm]: 76.07 is 25.4 times what the shim says")


def test_a_gauge_that_reads_a_fifth_too_much_is_no_mix_up() -> None:
    assert read_readings(f"{HEAD}A-1,0.30\nA-2,0.60\nA-3,1.20\n", SHIMS).cautions == ()


def test_a_row_entered_twice() -> None:
    text = "shim,indication [mm],time\n" + "A-1,0.25,2026-11-25T09:17:00Z\nA-2,0.5,2026-11-25T09:18:00Z\n" * 2
    found = read_readings(text, SHIMS)
    assert [(c.code, c.where.row, c.params["row"]) for c in found.cautions if c.where] == [
        ("readings.repeated_row", 4, 2),
        ("readings.repeated_row", 5, 3),
    ]
    assert len(found.rows) == 4


def test_equal_repeats_without_a_time_are_repeats() -> None:
    assert read_readings(f"{HEAD}A-1,0.25\nA-1,0.25\nA-2,0.5\n", SHIMS).cautions == ()


def test_a_formula_with_a_stored_value() -> None:
    content = with_stored_value(workbook(["shim", "indication [mm]"], ["A-1", 0.25], ["A-2", "=B2*2"]), "B2*2", "0.5")
    found = read_readings(content, SHIMS)
    caution = only(found.cautions)
    assert caution.code == "workbook.formula"
    assert caution.params["cells"] == ["B3"]
    assert values(found) == [0.25, 0.5]


def test_hidden_rows_and_columns() -> None:
    found = read_readings(workbook(["shim", "indication [mm]"], ["A-1", 0.25], ["A-2", 0.5], hide=3), SHIMS)
    assert [c.code for c in found.cautions] == ["workbook.hidden_rows", "workbook.hidden_columns"]
    assert values(found) == [0.25, 0.5]


def test_a_shim_past_its_date_when_it_was_read() -> None:
    shims = "shim,thickness [mm],due\nA-1,0.25,2026-03-14\nA-2,0.5,2027-03-14\nA-3,1.0,2020-01-01\n"
    text = "shim,indication [mm],time\nA-1,0.25,2026-11-25T09:17Z\nA-2,0.5,2026-11-25T09:18Z\n"
    caution = only(read_readings(text, shims).cautions)
    assert str(caution) == "Shim A-1 was due on 2026-03-14."


def test_due_dates_are_held_against_the_day_that_is_given() -> None:
    shims = "shim,thickness [mm],U [mm],k,certificate,due\nA-1,0.25,0.001,2,PD-1,14 Mar 2026\n"
    assert read_shims(shims, today=date(2026, 3, 14)).cautions == ()
    assert only(read_shims(shims, today=date(2026, 3, 15)).cautions).code == "shims.past_due"
    assert read_shims(shims).cautions == ()


@pytest.mark.parametrize(
    ("table", "code"),
    [
        ("shim,thickness [mm],U [mm],k\nA-1,0.25,0.001,2\n", "shims.no_certificate"),
        ("shim,thickness [mm],certificate\nA-1,0.25,PD-1\n", "shims.no_u"),
        ("shim,thickness [mm],U [mm],k,certificate\nA-1,0.25,0.6,2,PD-1\n", "shims.large_u"),
        ("shim,thickness [mm],U [mm],k,certificate,material\nA-1,0.25,0.001,2,PD-1,slate\n", "shims.no_expansion"),
        ("shim,thickness [mm],U [mm],k,tolerance [mm],certificate\nA-1,0.25,0.001,2,1,P\n", "shims.two_uncertainties"),
    ],
)  # fmt: skip
def test_what_a_table_of_shims_does_not_say(table: str, code: str) -> None:
    assert only(read_shims(table).cautions).code == code


def test_references_without_uncertainty() -> None:
    found = read_readings("reference [mm],indication [mm]\n0.5,0.51\n1.0,1.02\n")
    assert str(only(found.cautions)) == "No uncertainty is given for 0.5 mm, 1.0 mm."


def test_an_empty_column_of_shims() -> None:
    found = read_readings("shim,reference [mm],U [mm],k,indication [mm]\n,0.5,0.001,2,0.5\n,1.0,0.001,2,1.0\n")
    assert only(found.cautions).code == "table.empty_column"
    assert [row.shims for row in found.rows] == [("0.5 mm",), ("1.0 mm",)]


def test_mixed_decimal_signs_in_quoted_cells() -> None:
    found = read_readings(f'{HEAD}A-1,"0,25"\nA-2,0.5\n', SHIMS)
    assert only(found.cautions).code == "table.mixed_decimals"
    assert values(found) == [0.25, 0.5]


def test_thousands_that_cannot_be_anything_else() -> None:
    found = read_readings("shim;indication [counts]\nA-1;30,324.5\nA-2;9,120\n", SHIMS)
    assert only(found.cautions).code == "table.thousands"
    assert values(found) == [30324.5, 9120.0]


def test_a_row_set_aside_with_its_reason() -> None:
    found = read_readings("shim,indication [mm],left out\nA-1,0.25,\nA-2,0.5,\nA-2,0.9,slipped\n", SHIMS)
    assert str(only(found.cautions)) == "row 4: This row does not count: slipped."
    assert [row.counts for row in found.rows] == [True, True, False]


def test_a_shim_without_readings_in_a_wide_table() -> None:
    found = read_readings("shim,1 [mm],2 [mm],3 [mm]\nA-1,0.25,0.251,\nA-2,,,\nA-3,1,1,\n", SHIMS)
    assert [caution.code for caution in found.cautions] == ["table.empty_column", "readings.no_reading"]
    assert values(found) == [0.25, 0.251, 1.0, 1.0]


def test_a_comment_that_looks_like_a_reading() -> None:
    found = read_readings(f"{HEAD}# two shims, 2026\n#A-1,0.25\nA-1,0.25\nA-2,0.5\n", SHIMS)
    caution = only(found.cautions)
    assert (caution.code, caution.where and caution.where.row) == ("table.comment_like_reading", 3)


def test_columns_that_a_spreadsheet_computed_and_lines_above_the_heading() -> None:
    rows = [["Rig 2"], ["shim", "1 [mm]", "2 [mm]", "mean"], ["A-1", "0.25", "0.25", "0.25"], ["A-2", "0.5", "0.5", ""]]
    found = read_cells(rows, SHIMS)
    assert [caution.code for caution in found.cautions] == ["table.lines_above", "table.column_skipped"]
    assert values(found) == [0.25, 0.25, 0.5, 0.5]


def test_times_without_a_zone() -> None:
    found = read_readings("shim,indication [mm],time\nA-1,0.25,2026-11-25 09:17\nA-2,0.5,2026-11-25 09:18\n", SHIMS)
    assert only(found.cautions).code == "readings.time_without_zone"
    assert found.rows[0].time == "2026-11-25T09:17:00Z"


def test_a_reference_unlike_its_shim() -> None:
    found = read_readings("shim,reference [mm],indication [mm]\nA-1,0.25,0.25\nA-2,0.6,0.5\n", SHIMS)
    assert only(found.cautions).code == "readings.reference_differs"
    assert found.shims["A-2"].thickness_mm == 0.5


def test_a_negative_indication_on_a_shim() -> None:
    found = read_readings(f"{HEAD}A-1,−0.01\nA-2,0.5\n", SHIMS)
    assert only(found.cautions).code == "readings.negative_indication"


def test_control_characters_are_taken_out() -> None:
    found = read_readings(f"{HEAD}A-1,0.25\x07\nA-2,0.5\n", SHIMS)
    assert only(found.cautions).code == "table.control_characters"
    assert values(found) == [0.25, 0.5]


def test_cautions_survive_the_record() -> None:
    found = read_readings(f"{HEAD}A-1,0.25\nA-2,0.5\nA-4,76.07\n", SHIMS)
    assert Readings.from_dict(found.to_dict()) == found
