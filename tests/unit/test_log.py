"""The log of readings: nothing that was typed is lost, and every step can be taken back."""

from __future__ import annotations

import json
from typing import Any

import pytest

from labkit.workflow.log import MOST_CELLS, PARTS, Cell, ReadingLog
from tests.calibrate_pages import Clock


def log_of(*rows: tuple[str, list[str], int]) -> ReadingLog:
    log = ReadingLog(Clock())
    for role, shims, wanted in rows:
        log.lay_out(role, shims, wanted)
    return log


def texts(log: ReadingLog, row: str) -> list[str]:
    line = log.line(row)
    assert line is not None
    return [cell.text for cell in line.cells]


def test_rows_stand_in_the_order_of_the_work() -> None:
    log = log_of(("check", ["C-1"], 1), ("fit", ["A-1"], 1), ("zero", [], 1), ("background", [], 1))
    assert [line.id for line in log.lines] == ["background:", "zero:", "fit:A-1", "check:C-1"]


def test_a_cell_remembers_what_it_was_who_changed_it_and_when() -> None:
    log = log_of(("fit", ["A-1"], 3))
    log.write("fit:A-1", 0, "0.5O3", "M. Okonjo")
    log.leave_out("fit:A-1", 0, "the target slipped")
    log.write("fit:A-1", 0, "0.503", "D. Abara")
    line = log.line("fit:A-1")
    assert line is not None
    cell = line.cells[0]
    assert (cell.text, cell.person, cell.out) == ("0.503", "D. Abara", "")
    assert [(was[0], was[2]) for was in cell.was] == [("0.5O3", "D. Abara")]
    assert cell.time == cell.was[0][1]


def test_writing_the_same_again_changes_nothing() -> None:
    log = log_of(("fit", ["A-1"], 3))
    log.write("fit:A-1", 0, "0.503", "M. Okonjo")
    log.leave_out("fit:A-1", 0, "slipped")
    before = log.get_state()
    log.write("fit:A-1", 0, "0.503", "D. Abara")
    assert log.get_state() == before


def test_a_cleared_cell_is_the_next_place_and_keeps_its_history() -> None:
    log = log_of(("fit", ["A-1"], 2))
    log.write("fit:A-1", 0, "0.1", "")
    log.write("fit:A-1", 1, "0.2", "")
    log.clear([("fit:A-1", 0), ("fit:A-1", 7), ("gone", 0)], "")
    assert log.next_place(PARTS["readings"]) == ("fit:A-1", 0)
    line = log.line("fit:A-1")
    assert line is not None
    assert line.cells[0].was[0][0] == "0.1"


def test_the_next_place_follows_the_row_that_is_read_and_passes_over_others() -> None:
    log = log_of(("zero", [], 1), ("fit", ["A-1"], 1), ("fit", ["A-2"], 1))
    assert log.next_place(PARTS["readings"], "fit:A-1") == ("fit:A-1", 0)
    assert log.next_place(PARTS["readings"], skip=["zero:"]) == ("fit:A-1", 0)
    log.write("fit:A-1", 0, "0.1", "")
    assert log.next_place(PARTS["readings"], "fit:A-1") == ("zero:", 0)
    log.write("zero:", 0, "0", "")
    log.set_aside("fit:A-2", "dropped")
    assert log.next_place(PARTS["readings"]) is None


def test_a_block_goes_right_and_down_and_counts_what_finds_no_place() -> None:
    log = log_of(("fit", ["A-1"], 2), ("fit", ["A-2"], 2))
    lost = log.paste("fit:A-1", 1, [["1", " 2 ", ""], ["3"], ["4", "5", ""]], PARTS["readings"], "M. Okonjo")
    assert lost == 2
    assert texts(log, "fit:A-1") == ["", "1", "2"]
    assert texts(log, "fit:A-2") == ["", "3"]
    line = log.line("fit:A-1")
    assert line is not None
    assert line.wanted == 3


def test_a_block_for_a_row_that_is_gone_is_counted_whole() -> None:
    log = log_of(("fit", ["A-1"], 2))
    assert log.paste("fit:A-9", 0, [["1", "2"], ["3"]], PARTS["readings"], "") == 3
    assert texts(log, "fit:A-1") == []


def test_undo_and_redo_take_one_step_each_and_leave_laid_out_rows() -> None:
    log = log_of(("fit", ["A-1"], 3))
    log.write("fit:A-1", 0, "0.1", "")
    with log.one_step():
        log.write("fit:A-1", 1, "0.2", "")
        log.write_note("fit:A-1", "clean")
    log.undo()
    assert texts(log, "fit:A-1") == ["0.1"]
    log.redo()
    assert texts(log, "fit:A-1") == ["0.1", "0.2"]
    log.undo()
    log.undo()
    log.undo()
    assert texts(log, "fit:A-1") == []
    log.redo()
    log.write("fit:A-1", 1, "0.3", "")
    log.redo()
    assert texts(log, "fit:A-1") == ["0.1", "0.3"]


def test_a_step_that_changes_nothing_is_no_step() -> None:
    log = log_of(("fit", ["A-1"], 3))
    log.write("fit:A-1", 0, "0.1", "")
    log.clear([("fit:A-1", 5)], "")
    log.write("nowhere:", 0, "9", "")
    log.undo()
    assert texts(log, "fit:A-1") == []


def test_rows_that_somebody_touched_are_not_cleared_away() -> None:
    log = log_of(("fit", ["A-1"], 1), ("fit", ["A-2"], 1), ("fit", ["A-3"], 1), ("fit", ["A-4"], 1))
    log.write("fit:A-1", 0, "0.1", "")
    log.write("fit:A-2", 0, "0.2", "")
    log.clear([("fit:A-2", 0)], "")
    log.write_note("fit:A-3", "a scratch")
    log.clear_away("fit")
    assert [line.id for line in log.lines] == ["fit:A-1", "fit:A-2", "fit:A-3"]


def test_a_row_with_readings_cannot_be_taken_out() -> None:
    log = log_of(("fit", ["A-1"], 2), ("fit", ["A-2"], 2))
    log.write("fit:A-1", 0, "0.1", "")
    log.remove("fit:A-1")
    log.remove("fit:A-2")
    assert [line.id for line in log.lines] == ["fit:A-1"]


def test_other_repeats_are_asked_of_rows_that_are_not_complete() -> None:
    log = log_of(("zero", [], 5), ("fit", ["A-1"], 5), ("fit", ["A-2"], 5), ("fit", ["A-3"], 2))
    for place in range(4):
        log.write("fit:A-1", place, "0.1", "")
    for place in range(5):
        log.write("fit:A-2", place, "0.2", "")
    log.write("fit:A-3", 0, "0.3", "")
    log.ask_for(["zero", "fit"], 5, 3)
    assert {line.id: line.wanted for line in log.lines} == {"zero:": 3, "fit:A-1": 4, "fit:A-2": 5, "fit:A-3": 2}


def test_readings_of_a_table_go_behind_those_that_are_there_and_into_emptied_cells() -> None:
    log = log_of(("fit", ["A-1"], 5))
    log.write("fit:A-1", 0, "0.1", "")
    log.write("fit:A-1", 1, "0.2", "")
    log.clear([("fit:A-1", 0)], "M. Okonjo")
    log.fill(
        "fit:A-1", [Cell("0.3", "2026-01-01T00:00:00Z", "D. Abara", source="1: a.csv"), Cell("0.4", out="slipped")]
    )
    line = log.line("fit:A-1")
    assert line is not None
    assert [cell.text for cell in line.cells] == ["0.3", "0.2", "0.4"]
    assert line.cells[0].was[0][0] == "0.1"
    assert line.cells[0].time == "2026-01-01T00:00:00Z"
    assert line.cells[2].time and line.cells[2].out == "slipped"
    assert line.wanted == 3


def test_a_row_has_an_end() -> None:
    log = log_of(("fit", ["A-1"], 1))
    log.write("fit:A-1", MOST_CELLS, "1", "")
    assert texts(log, "fit:A-1") == []
    assert log.paste("fit:A-1", MOST_CELLS - 1, [["1", "2"]], PARTS["readings"], "") == 1


def test_a_reading_for_a_row_that_is_gone_brings_it_back() -> None:
    log = log_of(("fit", ["A-1"], 1))
    log.bring_back("fit:A-2 + A-3", 4)
    log.bring_back("zero:", 2)
    log.bring_back("nonsense:A-1", 1)
    log.bring_back("fit", 1)
    assert {line.id: line.shims for line in log.lines} == {
        "zero:": [],
        "fit:A-1": ["A-1"],
        "fit:A-2 + A-3": ["A-2", "A-3"],
    }


def test_what_is_kept_comes_back_the_same() -> None:
    log = log_of(("background", [], 1), ("fit", ["A-1", "A-2"], 5))
    log.write("fit:A-1 + A-2", 0, "<b>0.35</b>", "M. Okonjo")
    log.write("fit:A-1 + A-2", 0, "0.35", "D. Abara")
    log.keep("fit:A-1 + A-2", 0)
    log.write_note("fit:A-1 + A-2", "“dusty” ☂")
    log.set_aside("background:", "a drill was near")
    state = json.loads(json.dumps(log.get_state()))
    assert ReadingLog(Clock()).set_state(state).get_state() == log.get_state()


GOOD: dict[str, Any] = {"id": "fit:A-1", "role": "fit", "shims": ["A-1"], "wanted": 5, "cells": [{"text": "0.1"}]}


@pytest.mark.parametrize(
    "state",
    [
        [7],
        ["fit:A-1"],
        [{}],
        [GOOD | {"id": "fit:A-2"}],
        [GOOD | {"role": "lunch", "id": "lunch:A-1"}],
        [GOOD | {"wanted": "5"}],
        [GOOD | {"wanted": True}],
        [GOOD | {"wanted": -1}],
        [GOOD | {"wanted": 10**9}],
        [GOOD | {"shims": "A-1"}],
        [GOOD | {"shims": [1]}],
        [GOOD | {"note": None}],
        [GOOD | {"extra": 1}],
        [GOOD | {"cells": [None]}],
        [GOOD | {"cells": [{"text": 0.1}]}],
        [GOOD | {"cells": [{"was": [["0.1"]]}]}],
        [GOOD | {"cells": [{"kept": "yes"}]}],
        [GOOD, GOOD],
    ],
)
def test_what_no_log_has_kept_is_refused_and_leaves_the_log_alone(state: list[Any]) -> None:
    log = log_of(("zero", [], 1))
    with pytest.raises(ValueError, match=r"row|it"):
        log.set_state(state)
    assert [line.id for line in log.lines] == ["zero:"]


def test_the_good_state_of_that_test_is_good() -> None:
    assert ReadingLog(Clock()).set_state([GOOD]).lines[0].cells[0].text == "0.1"
