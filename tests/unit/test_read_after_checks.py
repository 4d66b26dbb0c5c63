"""A point of the curve that is read after a check shim: the check shim judges another curve, and that is said."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import labkit
from labkit.paths import sample_data
from tests.calibrate_pages import Clock, finished_page, read

CODE = "check.curve_changed"


def hinge_day() -> labkit.Readings:
    folder = sample_data() / "hinge_day"
    return labkit.read_readings(folder / "readings.csv", folder / "shims.csv")


def said(readings: labkit.Readings) -> list[list[str]]:
    result = labkit.calibrate(readings, working_range=(0.25, 2.5), tolerance=0.01)
    return [list(caution.params["points"]) for caution in result.cautions if caution.code == CODE]


def test_check_shims_that_were_read_last_are_not_doubted() -> None:
    readings = hinge_day()
    assert any(row.time for row in readings.with_role("check"))
    assert said(readings) == []


def test_a_point_that_was_read_later_is_named_once() -> None:
    readings = hinge_day()
    last = max(row.time for row in readings.with_role("check"))
    late = [replace(row, time=last) if row.point == "A-7" and row.role == "fit" else row for row in readings.rows]
    assert said(replace(readings, rows=tuple(late))) == [["A-7"]]


def test_readings_that_do_not_count_and_unknown_times_say_nothing() -> None:
    readings = hinge_day()
    last = max(row.time for row in readings.with_role("check"))
    late = [
        replace(row, time=last, left_out="slipped") if i == 0 else row
        for i, row in enumerate(row for row in readings.rows if row.role == "fit")
    ]
    others = [row for row in readings.rows if row.role != "fit"]
    assert said(replace(readings, rows=(*late, *others))) == []
    assert said(replace(readings, rows=tuple(replace(row, time="") for row in readings.rows))) == []


def test_the_page_remarks_an_extra_point_after_the_check_shims(tmp_path: Path) -> None:
    page = finished_page(tmp_path)
    assert CODE not in {caution.code for caution in page.result.cautions}
    page.log._clock = Clock("2026-11-25T15:00:00Z")
    page.read_shim("A-5")
    read(page, "fit:A-5")
    (caution,) = (caution for caution in page.result.cautions if caution.code == CODE)
    assert str(caution).startswith("A-5 read after the first check shim")
