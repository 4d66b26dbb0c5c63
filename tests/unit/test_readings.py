"""Readings in every form of table: the same values whatever the form."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import openpyxl
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from labkit.bench.read_readings import read_cells, read_readings
from labkit.bench.read_shims import read_shims
from labkit.bench.readings import Readings
from labkit.bench.tables import Source
from labkit.problems import BadFile
from labkit.units import LENGTH_UNITS, from_mm

SAMPLES = Path(__file__).parents[2] / "sample_data"
SHIMS = read_shims("shim,thickness [mm]\nA-1,0.25\nA-2,0.5\nA-3,1.0\n")


def points(found: Readings) -> list[tuple[str, str, float]]:
    return [(row.point, row.role, row.value) for row in found.rows]


WANTED = [("A-1", "fit", 0.25), ("A-1", "fit", 0.26), ("A-2", "fit", 0.5), ("A-2", "fit", 0.51)]


@pytest.mark.parametrize(
    "source",
    [
        "shim,indication [mm]\nA-1,0.25\nA-1,0.26\nA-2,0.5\nA-2,0.51\n",
        "shim;indication [mm]\nA-1;0,25\nA-1;0,26\nA-2;0,5\nA-2;0,51\n",
        "shim\tindication [mm]\r\nA-1\t0,25\r\nA-1\t0.26\r\nA-2\t0.5\r\nA-2\t0.51\r\n",
        "Shim , 1 [mm], 2 [mm]\nA-1,0.25,0.26\nA-2,0.5,0.51\n",
        "shim;reading 1 [mm];reading 2\nA-1;0,25;0,26\nA-2;0,5;0,51\n",
        "shim,indication 1 (mm),indication 2 (mm)\nA-1,0.25,0.26\nA-2,0.5,0.51\n",
        "shim,indication [mm],2\nA-1,0.25,0.26\nA-2,0.5,0.51\n",
        "INDICATION [MM],SHIM\n0.25,A-1\n0.26,A-1\n0.5,A-2\n0.51,A-2\n",
        "shim,indication [mm]\nA-1,0.25 mm\nA-1,0.26\nA-2,0.5\nA-2,0.51\n",
        "shim,indication [um]\nA-1,250\nA-1,260\nA-2,500\nA-2,510\n",
    ],
)
def test_long_and_wide(source: str) -> None:
    assert points(read_readings(source, SHIMS)) == WANTED


@pytest.mark.parametrize("source", ["A-1,0.25,0.26\nA-2,0.5,0.51\n", "A-1\t0,25\t0,26\nA-2\t0,5\t0,51\n"])
def test_without_a_heading(source: str) -> None:
    assert points(read_readings(source, SHIMS, unit="mm")) == WANTED


def test_without_a_heading_with_roles_and_references() -> None:
    found = read_readings("0.5,0.51,fit\n1.0,1.02,check\nzero,0.001,\n2.0,2.04,\n", unit="mm")
    assert points(found) == [
        ("0.5 mm", "fit", 0.51),
        ("1.0 mm", "check", 1.02),
        ("zero", "zero", 0.001),
        ("2.0 mm", "fit", 2.04),
    ]


def test_pasted_cells_may_be_a_part() -> None:
    found = read_cells([["A-1", "0,25", "0,26"]], SHIMS, "mm", whole=False)
    assert points(found) == WANTED[:2]
    assert found.source == "pasted cells"
    with pytest.raises(BadFile):
        read_cells([["A-1", "0,25", "0,26"]], SHIMS, "mm")


def test_a_data_frame_and_a_file_object(tmp_path: Path) -> None:
    frame = pd.DataFrame({"shim": ["A-1", "A-1", "A-2", "A-2"], "indication [mm]": [0.25, 0.26, 0.5, 0.51]})
    assert points(read_readings(frame, SHIMS)) == WANTED
    assert points(read_readings(io.BytesIO(frame.to_csv(index=False).encode()), SHIMS)) == WANTED
    frame.to_excel(tmp_path / "r.xlsx", index=False)
    found = read_readings(tmp_path / "r.xlsx", SHIMS)
    assert points(found) == WANTED
    assert found.source == "r.xlsx"
    assert str(found.rows[2].where) == "r.xlsx, Sheet1, row 4, column indication [mm]"


def test_roles_and_what_implies_them() -> None:
    text = (
        "shim,indication [counts],role,time,operator\n"
        "background,12,,2026-11-25T10:00:00+01:00,M. Okonjo\n"
        "zero,30000,fit,,\n"
        "A-1,20000,,,\n"
        "A-2,15000,Check,,\n"
        "A-3,9000,as found,,\n"
        "A-1,20001,closing-fit,,\n"
        "zero,30001,closing_zero,,\n"
        ",11,closing-background,,\n"
        "A-1 + A-3,7000,,,\n"
        "A-1+A-2,7500,,,\n"
    )
    found = read_readings(text, SHIMS)
    assert [(row.point, row.role) for row in found.rows] == [
        ("background", "background"),
        ("zero", "zero"),
        ("A-1", "fit"),
        ("A-2", "check"),
        ("A-3", "as-found"),
        ("A-1", "closing-fit"),
        ("zero", "closing-zero"),
        ("background", "closing-background"),
        ("A-1 + A-3", "fit"),
        ("A-1 + A-2", "fit"),
    ]
    assert (found.signal, found.unit) == ("raw", "counts")
    assert found.rows[0].time == "2026-11-25T09:00:00Z"
    assert found.rows[0].operator == "M. Okonjo"
    assert found.rows[1].typed == "30000"


def test_a_name_that_looks_like_a_stack_is_a_name_first() -> None:
    shims = read_shims("shim,thickness [mm]\n+A,0.25\nB+C,0.5\n")
    found = read_readings("shim,indication [mm]\n+A,0.25\nB+C,0.5\n+A + B+C,0.75\n", shims)
    assert [row.shims for row in found.rows] == [("+A",), ("B+C",), ("+A", "B+C")]


@pytest.mark.parametrize(
    ("unit", "signal", "kept"),
    [("mm", "thickness", "mm"), ("inch", "thickness", "in"), ("um", "thickness", "µm"), ("counts", "raw", "counts"),
     ("mV", "raw", "mV"), ("mT", "raw", "mT"), ("1", "raw", "1")],
)  # fmt: skip
def test_the_unit_tells_the_signal(unit: str, signal: str, kept: str) -> None:
    for found in (
        read_readings(f"shim,indication [{unit}]\nA-1,0.5\nA-2,0.9\n", SHIMS),
        read_readings("shim,indication\nA-1,0.5\nA-2,0.9\n", SHIMS, unit=unit),
        read_readings(f"shim,indication [{unit}]\nA-1,0.5\nA-2,0.9\n", SHIMS, unit=unit),
    ):
        assert (found.signal, found.unit) == (signal, kept)


def test_references_stand_for_shims() -> None:
    found = read_readings(
        "reference [in],U [um],k,indication [counts]\n0.01,1,2,900\n0.010,1,2,901\n0.02,2,2,500\n0,,,2000\n"
    )
    assert [(s.name, s.u_mm, s.k) for s in found.shims] == [("0.01 in", 5e-4, 2.0), ("0.02 in", 1e-3, 2.0)]
    assert found.shims["0.01 in"].thickness_mm == pytest.approx(0.254)
    assert [row.point for row in found.rows] == ["0.01 in", "0.01 in", "0.02 in", "zero"]


def test_names_may_stand_beside_references() -> None:
    found = read_readings("shim,reference [mm],indication [mm]\nA,0.5,0.51\nB,1.0,1.02\nzero,,0.001\n")
    assert [(shim.name, shim.thickness_mm) for shim in found.shims] == [("A", 0.5), ("B", 1.0)]


def test_all_shims_come_along() -> None:
    found = read_readings("shim,indication [mm]\nA-1,0.25\nA-2,0.5\n", SHIMS)
    assert [shim.name for shim in found.shims] == ["A-1", "A-2", "A-3"]


def test_signs_are_not_mixed_by_the_background() -> None:
    found = read_readings("shim,indication [mV]\nbackground,0.2\nA-1,-900\nA-2,-500\n", SHIMS)
    assert len(found.rows) == 3


def test_check_readings_alone_may_be_at_one_thickness() -> None:
    assert len(read_readings("shim,indication [mm],role\nA-1,0.25,check\nA-1,0.25,check\n", SHIMS).rows) == 2


def test_a_raw_signal_keeps_one_thickness_and_zero_apart() -> None:
    assert len(read_readings("shim,indication [counts]\nzero,900\nA-1,500\n", SHIMS).rows) == 2


def test_where_a_reading_stands_in_a_wide_table() -> None:
    found = read_readings("# heading below\nshim,1 [mm],2\nA-1,0.25,0.26\nA-2,0.5,0.51\n", SHIMS)
    assert [str(row.where) for row in found.rows[:2]] == ["row 3, column 1 [mm]", "row 3, column 2"]


def test_a_round_trip_through_the_record() -> None:
    found = read_readings("shim,indication [mm]\nA-1,0.25\nA-2,0.5\n", SHIMS)
    assert Readings.from_dict(found.to_dict()) == found


@pytest.mark.parametrize("path", sorted(SAMPLES.glob("*/readings.*")), ids=lambda p: f"{p.parent.name}{p.suffix}")
def test_the_samples_are_in_order(path: Path) -> None:
    found = read_readings(path, path.with_name("shims.csv"))
    assert len(found.rows) > 10
    assert found.cautions == ()


def test_the_same_readings_as_text_and_as_a_workbook() -> None:
    folder = SAMPLES / "indication_disc_inch"
    text, book = (read_readings(folder / f"readings.{kind}", folder / "shims.csv") for kind in ("tsv", "xlsx"))
    assert points(text) == points(book)


# ---- round trip through every dialect ----

VALUES = st.lists(
    st.tuples(st.sampled_from(["A-1", "A-2", "A-3"]), st.integers(100, 99_999)), min_size=2, max_size=8
).filter(lambda rows: len({name for name, _ in rows}) > 1)


@st.composite
def written(draw: st.DrawFn) -> tuple[Source, str | None, list[tuple[str, float]], str]:
    """A table in some dialect, its unit option, what was written, and the unit."""
    rows = [(name, tenth_um / 10_000) for name, tenth_um in draw(VALUES)]
    unit = draw(st.sampled_from([*LENGTH_UNITS, "counts"]))
    in_heading = draw(st.booleans())
    shown = [(name, x if unit == "counts" else from_mm(x, unit)) for name, x in rows]
    heading = ["shim", f"indication [{unit}]" if in_heading else "indication"]
    option = None if in_heading else unit
    if draw(st.booleans()):
        book = openpyxl.Workbook()
        sheet = book.active
        assert sheet is not None
        for cells in ([*heading], *([name, x] for name, x in shown)):
            sheet.append(cells)
        target = io.BytesIO()
        book.save(target)
        return target.getvalue(), option, rows, unit
    separator, sign = draw(st.sampled_from([(",", "."), (";", ","), (";", "."), ("\t", ","), ("\t", "."), (",", ",")]))
    text = io.StringIO()
    writer = csv.writer(text, delimiter=separator, lineterminator=draw(st.sampled_from(["\n", "\r\n"])))
    # seventeen digits in every cell, so that no cell can be taken for thousands
    table = [heading, *([name, f"{x:.17e}".replace(".", sign)] for name, x in shown)]
    writer.writerows(table)
    encoding = draw(st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "cp1252"]))
    return text.getvalue().encode(encoding), option, rows, unit


@settings(max_examples=150)
@given(written())
def test_what_was_written_is_read(case: tuple[Source, str | None, list[tuple[str, float]], str]) -> None:
    source, option, rows, unit = case
    found = read_readings(source, SHIMS, option)
    assert [row.shims[0] for row in found.rows] == [name for name, _ in rows]
    assert found.unit == unit
    for row, (_, value) in zip(found.rows, rows, strict=True):
        assert row.value == (value if unit in ("mm", "counts") else pytest.approx(value, rel=1e-15))
