"""The page Calibrate without a screen: nothing typed is lost or mislabelled, and what is signed is what was read."""

from __future__ import annotations

import asyncio
import json
import shutil
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from labkit.calibration import Calibration
from labkit.commands.demo import DEMO_PASSPHRASE, prepare_demo
from labkit.ledger import Actor, Place, attempts, find, history_of, list_drafts, load_draft, sign_and_keep
from labkit.ledger.store import close_store
from labkit.problems import BadFile, BadInput, Problem
from labkit.sheet import verify
from labkit.workflow import calibrate_model
from labkit.workflow.blockers import blockers
from labkit.workflow.calibrate import CalibratePage
from labkit.workflow.signing import signed_sheet
from labkit.workflow.worker import Worker
from tests.calibrate_pages import (
    CHECKS,
    Asleep,
    Clock,
    Later,
    begun_page,
    demo_folder,
    event,
    finished_page,
    new_page,
    read,
    read_all,
    read_rows_of,
    take,
    take_over,
)


def cells(page: CalibratePage, row: str) -> list[str]:
    line = page.log.line(row)
    assert line is not None, f"{row} is gone"
    return [cell.text for cell in line.cells]


def row_ids(page: CalibratePage, *roles: str) -> list[str]:
    return [line.id for line in page.log.of(*roles)]


def fake_pdf(_record: object, place: Place, _p12: bytes, _passphrase: str) -> bytes:
    return f"certificate {place.number}".encode()


# ---- one whole run ----


@pytest.fixture(scope="module")
def demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo laboratory with its signing files."""
    data = tmp_path_factory.mktemp("demo")
    prepare_demo(data)
    return data


@pytest.fixture
def laboratory(demo: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(demo, tmp_path / "data"))


def test_a_whole_calibration_by_hand(laboratory: Path) -> None:
    worker = Later()
    page = begun_page(laboratory, worker=worker)
    page.set_field("switched_on", "09:00")
    page.open_part("as-found")
    read_rows_of(page, "as-found")
    assert page.result is None and page.problem is None
    read_rows_of(page, "background", "zero")
    assert page.result is None, "one thickness makes no curve"
    read_rows_of(page, "fit")
    worker.catch_up()
    assert page.result is not None
    assert "points.ends_only" in {caution.code for caution in page.result.cautions}

    before_mm = page.result.expanded(1.0)[0]
    for _ in range(2):
        assert page.result is not None and page.result.next_points is not None
        best = page.result.next_points.best
        assert best is not None
        page.read_shim(best.name)
        assert page.being_read == best.name
        read(page, f"fit:{best.name}")
        worker.catch_up()
    assert page.result is not None
    assert page.result.expanded(1.0)[0] < before_mm

    row = row_ids(page, "fit")[2]
    typed = cells(page, row)[3]
    page.grid_event("readings", event("edit", row, 3, text=f"{float(typed) + 0.009:.3f}"))
    worker.catch_up()
    ((line_id, place, said),) = page.stragglers
    assert (line_id, place) == (row, 3) and "reading 4" in str(said)
    page.decide_straggler(row, 3, reason="the target slipped")
    worker.catch_up()
    assert page.stragglers == []

    page.stop_here()
    read_rows_of(page, "closing-fit", "closing-zero", "closing-background")
    page.open_part("checks")
    read_rows_of(page, "check")
    page.write_note("fit:A-2", "wiped twice <b>&amp;</b>")
    worker.catch_up()
    assert [str(blocker) for blocker in blockers(page)] == []

    with pytest.raises(BadInput) as refused:
        page.sign("not it", signed_sheet)
    assert refused.value.code == "sign.wrong_passphrase"
    assert page.sign(DEMO_PASSPHRASE, signed_sheet) == "0001"

    found = verify(page.signed_pdf(), [laboratory / "identities" / "authority.pem"])
    assert (found.verdict, found.signer, found.number) == ("genuine", "M. Okonjo", "0001")
    kept = find(laboratory, "0001").record
    assert found.record == kept
    typed_rows = [
        (row["role"], row["shims"], row["typed"], row["operator"]) for row in kept["inputs"]["readings"]["rows"]
    ]
    on_page = [
        (line.role, line.shims, cell.text, "M. Okonjo") for line in page.log.lines for cell in line.cells if cell.text
    ]
    assert typed_rows == on_page
    left_out = [row for row in kept["inputs"]["readings"]["rows"] if row["left_out"]]
    assert [row["left_out"] for row in left_out] == ["the target slipped"]
    remarks = kept["inputs"]["about"]["remarks"]
    assert "A-2: wiped twice <b>&amp;</b>" in remarks
    assert kept["results"]["verdict"] == "pass"
    assert Calibration.from_dict(kept).to_dict()["printed"]["table"] == kept["printed"]["table"]

    follower = begun_page(laboratory, worker=worker)
    assert follower.in_force is not None and follower.in_force.number == "0001"
    read_all(follower)
    worker.catch_up()
    assert follower.result is not None
    shown = {check.point: check for check in follower.result.as_found}
    assert set(shown) == set(CHECKS)
    for name, check in shown.items():
        values = [float(text) for text in cells(follower, f"as-found:{name}")]
        corrected, _ = Calibration.from_dict(kept).correct([sum(values) / len(values)])
        assert check.corrected_mm == pytest.approx(float(corrected[0]), abs=1e-9)


def test_a_first_calibration_judges_as_found_by_what_the_gauge_shows(tmp_path: Path) -> None:
    page = finished_page(tmp_path)
    assert page.in_force is None and page.result is not None
    check = page.result.as_found[0]
    values = [float(text) for text in cells(page, f"as-found:{check.point}")]
    assert check.corrected_mm == pytest.approx(sum(values) / len(values))


# ---- what is kept ----


def test_a_draft_taken_up_is_the_page_that_was_left(tmp_path: Path) -> None:
    page = begun_page(demo_folder(tmp_path), worker=Asleep())
    page.set_tick("clean", True)
    page.set_field("order", "“7” <script>")
    page.set_field("humidity", "4O")
    read_all(page)
    take_over(page, "D. Abara")
    page.grid_event("readings", event("edit", "fit:A-3", 1, text="0.5O9"))
    page.grid_event("readings", event("hide-reference", value=True))
    page.set_aside("fit:A-4", "dropped")
    page.decide_straggler("fit:A-3", 0, reason="slipped")
    page.decide_straggler("fit:A-3", 2)
    page.take_table("shim,indication [mm]\nA-9,2.997\nA-9,2.996\n")
    page.remove_row("check:C-1")
    page.choose_rig("Rig 5")
    take(page, "zero:", "0.011")
    again = new_page(tmp_path, load_draft(tmp_path, page.id), Asleep())
    assert again.get_state() == page.get_state()
    assert again.saved and not again.not_saved_since
    again.choose_rig("Rig 2")
    page.choose_rig("Rig 2")
    assert again.log.get_state() == page.log.get_state()
    assert cells(again, "fit:A-3")[1] == "0.5O9"


def test_each_reading_keeps_who_took_it(tmp_path: Path) -> None:
    page = begun_page(demo_folder(tmp_path), worker=Asleep())
    take(page, "zero:", "0.009")
    take_over(page, "D. Abara")
    take(page, "zero:", "0.010")
    page.grid_event("readings", event("edit", "zero:", 0, text="0.011"))
    assert page.collected.readings is not None
    assert [(row.typed, row.operator) for row in page.collected.readings.rows] == [
        ("0.011", "D. Abara"),
        ("0.010", "D. Abara"),
    ]
    line = page.log.line("zero:")
    assert line is not None and line.cells[0].was[0][0] == "0.009"
    assert page.particulars is not None and page.particulars.about.operator == "D. Abara"


def test_a_colleague_who_has_not_signed_in_changes_nothing(tmp_path: Path) -> None:
    page = begun_page(demo_folder(tmp_path), worker=Asleep())
    page.choose_person("D. Abara")
    page.choose_person("M. Okonjo")
    take(page, "zero:", "0.009")
    with pytest.raises(Problem, match=r"M\. Okonjo began this\."):
        page.choose_person("D. Abara")
    with pytest.raises(BadInput):
        page.take_over("D. Abara", "a guess")  # the file of the demo folder is none
    state = page.get_state()
    other = new_page(tmp_path, {**state, "person": "D. Abara", "owner": "D. Abara"}, Asleep())
    take(other, "zero:", "0.5")
    assert other.read_only and other.problem is not None and other.problem.code == "draft.of_another"
    assert load_draft(tmp_path, page.id)["person"] == "M. Okonjo"
    assert cells(new_page(tmp_path, load_draft(tmp_path, page.id), Asleep()), "zero:") == ["0.009"]
    take_over(other, "D. Abara")
    take(page, "zero:", "0.010")
    assert page.read_only, "the page of the first one can only look now"


def test_nobody_unknown_can_be_chosen(tmp_path: Path) -> None:
    page = begun_page(demo_folder(tmp_path))
    with pytest.raises(BadInput):
        page.choose_person("N. Obody")
    assert page.person == "M. Okonjo"


def test_readings_of_another_rig_are_put_away_and_come_back(tmp_path: Path) -> None:
    page = begun_page(demo_folder(tmp_path), worker=Asleep())
    take(page, "zero:", "0.009", "0.010")
    page.set_field("as_found_reason", "new probe")
    page.choose_rig("Rig 4")
    assert page.particulars is not None and page.particulars.unit == "in"
    assert page.collected.readings is None
    assert page.fields["temperature"] == "20.1" and "as_found_reason" not in page.fields
    take(page, "zero:", "0.0004")
    page.choose_rig("Rig 2")
    assert cells(page, "zero:") == ["0.009", "0.010"]
    assert page.fields["as_found_reason"] == "new probe"
    page.choose_rig("Rig 4")
    assert cells(page, "zero:") == ["0.0004"]
    with pytest.raises(BadInput):
        page.choose_rig("Rig 99")
    assert page.rig is not None and page.rig.rig.name == "Rig 4"


def test_readings_that_were_put_away_are_a_draft_of_their_own_once_the_page_is_signed(tmp_path: Path) -> None:
    page = finished_page(tmp_path)
    page.choose_rig("Rig 5")
    take(page, "zero:", "0.011")
    page.choose_rig("Rig 2")
    page.sign("x", fake_pdf)
    (draft,) = list_drafts(tmp_path)
    other = new_page(tmp_path, load_draft(tmp_path, draft.id), Asleep())
    assert (other.id != page.id, other.read_only, draft.rig) == (True, False, "Rig 5")
    assert cells(other, "zero:") == ["0.011"]


def test_rows_of_another_shim_set_stay_with_their_names_and_are_not_computed_from(tmp_path: Path) -> None:
    page = finished_page(tmp_path)
    before = page.log.get_state()
    page.set_field("shim_set", "Brass set B")
    assert page.result is None and page.problem is None and page.fault is None
    assert page.collected.readings is not None
    assert not [row for row in page.collected.readings.rows if row.role == "fit"]
    assert "fit:A-3" in page.collected.elsewhere
    assert page.next_place("readings") == ("fit:B-1", 0)
    kept = {line["id"]: line for line in page.log.get_state()}
    assert all(kept[line["id"]] == line for line in before)
    page.set_aside("fit:A-3", "wrong box")
    read(page, "fit:B-1", "fit:B-5")
    assert page.result is not None
    assert "A-3: 5 readings on a shim of another set do not count: wrong box" in page.result.about.remarks
    page.set_aside("fit:A-3", "")
    page.set_field("shim_set", "Brass set A")
    assert page.result is not None and page.result.verdict == "pass"


def test_other_check_shims_take_the_place_of_those_that_nobody_read(tmp_path: Path) -> None:
    page = begun_page(demo_folder(tmp_path), worker=Asleep())
    page.open_part("checks")
    take(page, "check:C-2", "1.256")
    page.set_field("check_set", "Brass set B")
    assert row_ids(page, "check") == ["check:C-2", "check:B-1", "check:B-2", "check:B-3", "check:B-4", "check:B-5"]
    assert page.collected.elsewhere == ("check:C-2",)


def test_other_repeats_are_asked_of_what_is_not_complete(tmp_path: Path) -> None:
    page = begun_page(demo_folder(tmp_path), worker=Asleep())
    take(page, "zero:", "0.009", "0.009", "0.010", "0.009")
    page.set_field("repeats", "3")
    assert {line.id: line.wanted for line in page.log.lines} == {
        "background:": 1,
        "zero:": 4,
        "fit:A-2": 3,
        "fit:A-8": 3,
    }
    page.set_field("repeats", "many")
    page.set_field("repeats", "8")
    assert page.log.line("fit:A-2").wanted == 8  # type: ignore[union-attr]
    assert cells(page, "zero:") == ["0.009", "0.009", "0.010", "0.009"]


def test_another_working_range_moves_the_ends_that_nobody_read(tmp_path: Path) -> None:
    page = begun_page(demo_folder(tmp_path), worker=Asleep())
    take(page, "fit:A-8", "2.498")
    page.set_field("high", "0.8")
    assert row_ids(page, "fit") == ["fit:A-8", "fit:A-2", "fit:A-4"]
    page.set_field("low", "thick")
    page.set_field("temperature", "warm")
    assert row_ids(page, "fit") == ["fit:A-8"], "no ends are guessed from half a range"


def test_a_gauge_that_shows_no_background_is_not_asked_for_one(tmp_path: Path) -> None:
    from dataclasses import replace

    from labkit.ledger import load_bench, save_bench

    bench = load_bench(demo_folder(tmp_path))
    rigs = tuple(replace(rig, conditions=replace(rig.conditions, background="not shown")) for rig in bench.rigs)
    save_bench(tmp_path, replace(bench, rigs=rigs))
    page = begun_page(tmp_path)
    assert row_ids(page, "background", "zero") == ["zero:"]
    read_rows_of(page, "zero", "fit")
    page.close_readings()
    assert row_ids(page, "closing-background") == []
    assert page.result is not None
    assert "background.not_read" not in {caution.code for caution in page.result.cautions}


def test_a_row_that_was_taken_out_is_not_laid_out_again_by_itself(tmp_path: Path) -> None:
    page = begun_page(demo_folder(tmp_path), worker=Asleep())
    page.remove_row("zero:")
    page.set_field("repeats", "3")
    page.set_field("low", "0.3")
    assert "zero:" not in row_ids(page, "zero")
    page.grid_event("readings", event("take", "zero:", 0, text="0.009"))
    assert cells(page, "zero:") == ["0.009"], "a reading that was under way brings its row back"
    page.open_part("checks")
    page.remove_row("check:C-1")
    page.set_field("repeats", "5")
    assert row_ids(page, "check") == ["check:C-2", "check:C-3"]
    page.open_part("checks")
    assert "check:C-1" in row_ids(page, "check")


def test_a_shim_that_was_read_can_be_read_again_and_one_that_was_set_aside_is_not_advised(tmp_path: Path) -> None:
    page = finished_page(tmp_path)
    page.read_shim("A-3")
    assert page.next_place("readings") == ("fit:A-3", 5)
    page.grid_event("readings", event("menu", "fit:A-3", item="finish-fewer"))
    page.set_aside("fit:A-4", "dropped")
    assert page.result is not None and page.result.next_points is not None
    assert "A-4" not in {candidate.name for candidate in page.result.next_points.ranking}
    page.read_shim("A-4")
    assert page.log.line("fit:A-4").wanted == 5  # type: ignore[union-attr]


def test_the_row_after_is_the_next_that_wants_readings(tmp_path: Path) -> None:
    page = begun_page(demo_folder(tmp_path), worker=Asleep())
    take(page, "background:", "11.6")
    page.grid_event("readings", event("next-row", "zero:"))
    assert page.next_place("readings") == ("fit:A-2", 0)
    page.grid_event("readings", event("next-row", "fit:A-8"))
    assert page.next_place("readings") == ("zero:", 0), "after the last row the first that is not complete"


def test_putting_a_cell_right_does_not_move_the_place_of_reading(tmp_path: Path) -> None:
    page = begun_page(demo_folder(tmp_path), worker=Asleep())
    take(page, "fit:A-8", "2.498")
    page.grid_event("readings", event("edit", "zero:", 0, text="0.009"))
    assert page.next_place("readings") == ("fit:A-8", 1)
    take(page, "background:", "11.6")
    page.grid_event("readings", event("select", "fit:A-8", 0))
    page.grid_event("readings", event("select", "background:", 0))
    page.grid_event("readings", event("edit", "background:", 0, text="11.7"))
    assert page.next_place("readings") == ("fit:A-8", 1), "a row that is full is not where one goes on"
    page.grid_event("readings", event("take", "fit:A-8", 1, text="  "))
    assert page.next_place("readings") == ("fit:A-8", 1)


def test_undo_takes_back_what_was_typed_and_leaves_the_rows(tmp_path: Path) -> None:
    page = begun_page(demo_folder(tmp_path), worker=Asleep())
    take(page, "zero:", "0.009")
    page.grid_event("readings", event("paste", "zero:", 1, block=(("0.010", "0.011"),)))
    page.set_field("repeats", "3")
    page.grid_event("readings", event("undo"))
    page.grid_event("readings", event("undo"))
    page.grid_event("readings", event("undo"))
    assert cells(page, "zero:") == []
    assert row_ids(page, "background", "zero", "fit") == ["background:", "zero:", "fit:A-2", "fit:A-8"]
    page.grid_event("readings", event("redo"))
    assert cells(page, "zero:") == ["0.009"]


def test_a_pasted_block_that_is_too_large_says_what_found_no_place(tmp_path: Path) -> None:
    page = begun_page(demo_folder(tmp_path), worker=Asleep())
    block = (("2.498", "2.497"), ("3.000", ""), ("4.0", "4.1"))
    said = page.grid_event("readings", event("paste", "fit:A-8", 0, block=block))
    assert said == "2 readings taken. 3 readings found no place: there are no rows for them."
    assert cells(page, "fit:A-8") == ["2.498", "2.497"]
    assert page.grid_event("readings", event("paste", "zero:", 0, block=(("0.009",),))) == ""


def test_half_a_character_does_not_keep_a_page_from_being_saved(tmp_path: Path) -> None:
    page = begun_page(demo_folder(tmp_path), worker=Asleep())
    take(page, "zero:", "0.0\ud800")
    page.write_note("zero:", "\udfff")
    page.set_field("order", "\ud800")
    assert load_draft(tmp_path, page.id)["work"]["fields"]["order"] == "?"
    assert cells(page, "zero:") == ["0.0?"]


# ---- tables ----


def test_a_table_goes_into_its_rows_with_everything_that_it_says(tmp_path: Path) -> None:
    page = begun_page(demo_folder(tmp_path), worker=Asleep())
    table = (
        "shim,indication [mm],role,time,operator,left out\n"
        "C-1,0.359,check,2026-11-25T10:00:00Z,S. Whitby,\n"
        "A-3,0.508,,2026-11-25T10:01:00Z,D. Abara,\n"
        "A-3,0.609,,2026-11-25T10:01:20Z,S. Whitby,the target slipped\n"
        "A-9,2.997,,,,\n"
        "A-12,0.3,,,,\n"
        "zero,0.009,,,,\n"
    )
    said = page.take_table(table)
    assert said.startswith("5 readings in 4 rows taken. ")
    assert "row 6" in said and "A-12" in said and "Brass set A" in said
    assert page.collected.readings is not None
    rows = {(row.point, row.typed): row for row in page.collected.readings.rows}
    assert (rows["A-3", "0.508"].operator, rows["A-3", "0.508"].time) == ("D. Abara", "2026-11-25T10:01:00Z")
    assert rows["A-3", "0.609"].operator == "S. Whitby"
    assert rows["A-3", "0.609"].left_out == "the target slipped"
    assert rows["A-9", "2.997"].operator == "M. Okonjo" and rows["A-9", "2.997"].time
    assert row_ids(page, "fit") == ["fit:A-3", "fit:A-9"], "the table brings its own shims"
    assert set(row_ids(page, "check")) == {"check:C-1", "check:C-2", "check:C-3"}
    page.grid_event("readings", event("undo"))
    assert page.collected.readings is None, "a table is one step"


def test_one_shim_more_can_be_pasted(tmp_path: Path) -> None:
    page = begun_page(demo_folder(tmp_path), worker=Asleep())
    page.take_table("A-3\t0.508\t0.509\t0.508")
    assert cells(page, "fit:A-3") == ["0.508", "0.509", "0.508"]
    assert {"fit:A-2", "fit:A-8"} < set(row_ids(page, "fit")), "the ends are still to be read"


def test_a_table_in_another_unit_of_length_keeps_what_was_typed(tmp_path: Path) -> None:
    page = begun_page(demo_folder(tmp_path), worker=Asleep())
    page.take_table("shim,indication [mil]\nA-3,20.0\nA-9,117.99\n")
    assert cells(page, "fit:A-3") == ["20.0 mil"]
    assert page.collected.readings is not None
    assert [row.value for row in page.collected.readings.rows] == pytest.approx([0.508, 2.996946])


def test_what_a_table_tells_only_as_a_whole_is_not_asked_again(tmp_path: Path) -> None:
    page = begun_page(demo_folder(tmp_path), "Rig 3", Asleep())
    page.take_table("shim;indication [counts]\nA-3;1.234,5\nA-9;1.234\nzero;8.000,25\n")
    assert not page.collected.bad
    assert page.collected.readings is not None
    assert sorted(row.value for row in page.collected.readings.rows) == [1234.0, 1234.5, 8000.25]


@pytest.mark.parametrize(
    ("table", "code"),
    [
        ("", "table.empty"),
        ("shim,indication [mm]\nA-3,0.5O8\n", "number.letter"),
        ("shim,indication [mm]\nA-77,0.508\n", "readings.row_left_out"),
        ("shim,indication [counts]\nA-3,500\n", "page.other_signal"),
        ("shim,indication [mm]\n" + "A-3,0.508\n" * 1001, "page.too_many"),
        (b"\x00\x01\x02\xff" * 40, "table.not_text"),
    ],
)
def test_a_table_that_cannot_be_used_changes_nothing(tmp_path: Path, table: str | bytes, code: str) -> None:
    page = begun_page(demo_folder(tmp_path), worker=Asleep())
    before = page.get_state()
    with pytest.raises(BadInput) as refused:
        page.take_table(table, "morning.csv")
    assert code in {fault.code for fault in refused.value.faults}
    if isinstance(refused.value, BadFile):
        assert all(fault.where is None or fault.where.file == "morning.csv" for fault in refused.value.faults)
    assert page.get_state() == before


def test_without_a_rig_no_table_is_taken(tmp_path: Path) -> None:
    with pytest.raises(BadInput) as refused:
        new_page(demo_folder(tmp_path)).take_table("A-3,0.508\n")
    assert refused.value.code == "page.no_rig"


def test_doubts_about_a_table_reach_the_sheet_as_long_as_a_reading_of_it_is_left(tmp_path: Path) -> None:
    page = finished_page(tmp_path)
    page.take_table(
        "shim,indication [mm],time\nA-9,2.997,2026-11-25T10:00:00Z\nA-9,2.997,2026-11-25T10:00:00Z\n", "a.csv"
    )
    assert page.result is not None
    (said,) = [caution for caution in page.result.cautions if caution.code == "readings.repeated_row"]
    assert said.where is not None and said.where.file == "a.csv"
    again = new_page(tmp_path, load_draft(tmp_path, page.id))
    assert again.result is not None and said in again.result.cautions
    again.grid_event("readings", event("clear", cells=[("fit:A-9", 0), ("fit:A-9", 1)]))
    assert again.result is not None and said not in again.result.cautions


def test_what_the_page_promises_the_sheet_says(tmp_path: Path) -> None:
    page = finished_page(tmp_path)
    page.set_field("temperature", "23.1")
    page.set_field("switched_on", "09:30")
    page.set_field("adjusted", "zero of the gauge")
    page.set_field("check_set", "Brass set B")
    page.open_part("checks")
    read(page, "check:B-2")
    assert page.result is not None
    said = {caution.code: caution for caution in page.result.cautions}
    assert {"field.temperature", "shims.past_due"} <= said.keys()
    assert said["shims.past_due"].params["shim"] == "B-2"
    assert "The gauge was adjusted: zero of the gauge" in page.result.about.remarks
    assert any("after switching on; the gauge needs 30 min" in remark for remark in page.result.about.remarks)


# ---- computing ----


def test_what_changes_nothing_computes_nothing(tmp_path: Path) -> None:
    worker = Later()
    page = finished_page(tmp_path, worker)
    worker.answer(0)
    result = page.result
    assert result is not None
    page.set_tick("clean", True)
    page.grid_event("readings", event("select", "fit:A-3", 1))
    page.grid_event("readings", event("hide-reference", value=True))
    page.open_part("as-found")
    assert len(worker.asked) == 1 and page.result is result and not page.computing
    page.write_note("fit:A-3", "clean")
    assert len(worker.asked) == 1
    assert page.result is not None and "A-3: clean" in page.result.about.remarks
    page.set_field("reason", "because")
    assert len(worker.asked) == 2 and page.computing


def test_an_answer_to_an_old_question_is_not_shown(tmp_path: Path) -> None:
    worker = Later()
    page = finished_page(tmp_path, worker)
    page.set_field("family", "line")
    worker.answer(1)
    assert page.result is not None and page.result.curve.family == "line"
    worker.answer(0)
    assert page.result.curve.family == "line" and not page.computing


def test_a_job_is_not_touched_by_what_is_typed_later(tmp_path: Path) -> None:
    worker = Later()
    page = finished_page(tmp_path, worker)
    page.fields["family"] = "line"
    worker.answer(0)
    assert page.result is not None and page.result.options.family == "auto"


def test_with_too_little_left_a_late_answer_is_not_shown(tmp_path: Path) -> None:
    worker = Later()
    page = finished_page(tmp_path, worker)
    page.set_field("tolerance", "wide")
    worker.answer(0)
    assert page.result is None and not page.computing


def test_a_problem_is_shown_and_goes_away(tmp_path: Path) -> None:
    page = finished_page(tmp_path)
    page.set_field("family", "spaghetti")
    assert page.problem is not None and page.problem.code == "curve.unknown_family"
    assert page.result is None and page.fault is None
    page.set_field("family", "")
    assert page.problem is None and page.result is not None


def test_a_fault_of_ours_is_reported_and_the_page_goes_on(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    error = ZeroDivisionError("ours")

    def broken(*_args: object, **_more: object) -> Calibration:
        raise error

    with monkeypatch.context() as patch:
        patch.setattr(calibrate_model, "calibrate", broken)
        page = finished_page(tmp_path)
        assert page.fault is error
        assert page.result is None and page.problem is None and not page.computing
        assert [blocker.reason.code for blocker in blockers(page)] == ["left.no_curve"]
        take(page, "fit:A-3", "0.509")
        assert cells(new_page(tmp_path, load_draft(tmp_path, page.id), Asleep()), "fit:A-3")[-1] == "0.509"
    page.set_tick("clean", True)
    assert page.result is not None


def test_a_real_worker_answers_on_the_loop_with_the_newest(tmp_path: Path) -> None:
    async def work() -> None:
        page = finished_page(tmp_path, Worker())
        assert page.computing and page.result is None
        with pytest.raises(BadInput) as refused:
            page.sign("x", fake_pdf)
        assert refused.value.code == "page.blocked"
        arrived: asyncio.Queue[str] = asyncio.Queue()
        page.observe(lambda change: arrived.put_nowait(change["new"].options.family), "result")
        for family in ("line", "polynomial-2", "polynomial-3"):
            page.set_field("family", family)
        assert await asyncio.wait_for(arrived.get(), 60) == "polynomial-3"
        assert not page.computing
        assert arrived.empty()

    asyncio.run(work())


# ---- saving ----


def test_while_it_cannot_be_saved_nothing_is_lost_and_it_tries_again(tmp_path: Path) -> None:
    page = begun_page(demo_folder(tmp_path), worker=Asleep())
    last = page.saved
    back = put_in_the_way(tmp_path)
    take(page, "zero:", "0.009")
    take(page, "zero:", "0.010")
    assert page.not_saved_since == last and page.saved == last
    page.save_again()
    assert page.not_saved_since == last
    back()
    page.save_again()
    assert not page.not_saved_since and page.saved > last
    assert cells(new_page(tmp_path, load_draft(tmp_path, page.id), Asleep()), "zero:") == ["0.009", "0.010"]


def put_in_the_way(data: Path, content: bytes = b"") -> Callable[[], None]:
    """A folder, or these bytes, where the database was; and the way to put it back."""
    file, away = data / "ledger.sqlite", data / "away"
    close_store(data)
    file.rename(away)
    if content:
        file.write_bytes(content)
    else:
        file.mkdir()

    def back() -> None:
        shutil.rmtree(file) if file.is_dir() else file.unlink()
        away.rename(file)

    return back


def _verbs() -> dict[str, Callable[[CalibratePage], object]]:
    return {
        "choose_person": lambda p: p.choose_person("M. Okonjo"),
        "choose_rig": lambda p: p.choose_rig("Rig 5"),
        "set_field": lambda p: p.set_field("order", "77"),
        "set_tick": lambda p: p.set_tick("clean", True),
        "open_part": lambda p: p.open_part("as-found"),
        "read_shim": lambda p: p.read_shim("A-10"),
        "stop_here": lambda p: p.stop_here(),
        "close_readings": lambda p: p.close_readings(),
        "background_again": lambda p: p.background_again(),
        "decide_straggler": lambda p: p.decide_straggler("fit:A-3", 0, reason="no"),
        "keep": lambda p: p.decide_straggler("fit:A-3", 0),
        "read_as": lambda p: p.read_as("fit:A-3", 0, "in"),
        "take": lambda p: p.grid_event("readings", event("take", "fit:A-3", 5, text="1")),
        "clear": lambda p: p.grid_event("readings", event("clear", cells=[("fit:A-3", 0)])),
        "paste": lambda p: p.grid_event("readings", event("paste", "fit:A-3", 0, block=(("1",),))),
        "undo": lambda p: p.grid_event("readings", event("undo")),
        "hide": lambda p: p.grid_event("readings", event("hide-reference", value=True)),
        "write_note": lambda p: p.write_note("fit:A-3", "hm"),
        "set_aside": lambda p: p.set_aside("fit:A-3", "dropped"),
        "remove_row": lambda p: p.remove_row("fit:A-10"),
        "take_table": lambda p: p.take_table("A-3,0.508\n"),
        "save_again": lambda p: p.save_again(),
    }


@pytest.mark.parametrize("verb", _verbs().values(), ids=_verbs().keys())
@pytest.mark.parametrize("why", ["newer elsewhere", "signed"])
def test_a_page_that_may_only_be_looked_at_stays_as_it_is(
    tmp_path: Path, verb: Callable[[CalibratePage], object], why: str
) -> None:
    page = finished_page(tmp_path, Asleep())
    page.set_field("order", "1")
    if why == "signed":
        page.number, page.read_only = "0001", True
    else:
        other = new_page(tmp_path, load_draft(tmp_path, page.id), Asleep())
        other.set_field("order", "2")
        page.set_tick("steady", True)
        assert page.problem is not None and page.problem.code == "draft.newer_elsewhere"
    assert page.read_only and not page.not_saved_since
    kept = load_draft(tmp_path, page.id)
    before, cursor = json.dumps(page.get_state()), dict(page.cursor)
    verb(page)
    assert json.dumps(page.get_state()) == before and page.cursor == cursor
    assert load_draft(tmp_path, page.id) == kept


def test_the_older_of_two_tabs_gives_way_and_keeps_its_message(tmp_path: Path) -> None:
    worker = Later()
    page = finished_page(tmp_path, worker)
    page.set_field("order", "1")
    new_page(tmp_path, load_draft(tmp_path, page.id), Asleep()).set_field("order", "2")
    page.set_field("order", "3")
    worker.answer(-1)
    assert page.read_only and not page.computing
    assert page.problem is not None and page.problem.code == "draft.newer_elsewhere"
    assert load_draft(tmp_path, page.id)["work"]["fields"]["order"] == "2"
    with pytest.raises(Problem) as refused:
        page.sign("x", fake_pdf)
    assert refused.value.code == "draft.newer_elsewhere"


# ---- signing ----


def test_what_is_signed_is_not_signed_again_nor_changed(tmp_path: Path) -> None:
    page = finished_page(tmp_path)
    result = page.result
    assert page.sign("x", fake_pdf) == "0001"
    assert page.result is result and page.read_only and page.number == "0001"
    assert page.signed_pdf() == b"certificate 0001"
    with pytest.raises(BadInput) as refused:
        page.sign("x", fake_pdf)
    assert refused.value.code == "page.signed" and "0001" in str(refused.value)
    page.set_field("order", "changed after signing")
    assert find(tmp_path, "0001").record == json.loads(json.dumps(result.to_dict() if result else None))
    assert list_drafts(tmp_path) == ()

    again = new_page(tmp_path, load_draft(tmp_path, page.id))
    assert again.read_only and again.number == "0001" and again.in_force is None
    assert again.result is not None and result is not None
    again.result.monte_carlo()
    assert again.result.to_dict()["results"] == result.to_dict()["results"]


def test_the_older_of_two_tabs_does_not_sign(tmp_path: Path) -> None:
    page = finished_page(tmp_path)
    page.set_field("order", "1")
    new_page(tmp_path, load_draft(tmp_path, page.id), Asleep()).set_field("order", "2")
    with pytest.raises(Problem) as refused:
        page.sign("x", fake_pdf)
    assert refused.value.code == "draft.newer_elsewhere"
    assert not (tmp_path / "signed").exists()


def test_a_page_with_something_left_is_not_signed(tmp_path: Path) -> None:
    page = begun_page(demo_folder(tmp_path))
    with pytest.raises(BadInput) as refused:
        page.sign("x", fake_pdf)
    assert refused.value.code == "page.blocked"


def test_after_three_wrong_passphrases_the_signing_file_rests(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    page = finished_page(tmp_path)
    now = datetime(2026, 11, 25, 10, 0, tzinfo=UTC)
    monkeypatch.setattr(attempts, "_now", lambda: now)

    def wrong(*_: object) -> bytes:
        raise BadInput("sign.wrong_passphrase")

    def refused(on: CalibratePage, make: Callable[..., bytes]) -> BadInput:
        with pytest.raises(BadInput) as problem:
            on.sign("x", make)
        return problem.value

    for _ in range(3):
        assert refused(page, wrong).code == "sign.wrong_passphrase"
        now += timedelta(seconds=25)
    assert refused(page, fake_pdf).params["seconds"] == 36, "a minute from the last wrong one"
    with pytest.raises(BadInput) as rests:
        new_page(tmp_path).take_over("M. Okonjo", "x")
    assert rests.value.code == "door.rests", "another page is no way round"
    now += timedelta(seconds=36)
    assert refused(page, wrong).code == "sign.wrong_passphrase"
    now += timedelta(seconds=61)
    assert refused(page, fake_pdf).params["seconds"] == 60, "the next rest is twice as long"
    now += timedelta(seconds=60)
    assert page.sign("right", fake_pdf) == "0001", "one number, whatever was refused before"
    assert [each.body["wrong"] for each in history_of(tmp_path, "passphrase", "M. Okonjo")] == [3, 4]


def test_a_certificate_that_cannot_be_kept_is_not_signed(tmp_path: Path) -> None:
    page = finished_page(tmp_path)
    page.set_tick("steady", True)
    back = put_in_the_way(tmp_path)
    with pytest.raises(Problem) as refused:
        page.sign("x", fake_pdf)
    assert refused.value.code == "ledger.cannot_write"
    assert not page.number and not page.read_only
    back()
    assert page.sign("x", fake_pdf) == "0001"


def test_as_found_is_judged_with_what_was_in_force_when_it_was_read(tmp_path: Path) -> None:
    first = finished_page(tmp_path)
    second = begun_page(tmp_path, worker=Asleep())
    third = begun_page(tmp_path, worker=Asleep())
    assert second.in_force is None
    second.open_part("as-found")
    read_rows_of(second, "as-found")
    first.sign("x", fake_pdf)
    assert new_page(tmp_path, load_draft(tmp_path, second.id), Asleep()).in_force is None
    third.open_part("as-found")
    assert third.in_force is not None and third.in_force.number == "0001"


def test_the_record_in_force_is_read_only_where_as_found_needs_it(tmp_path: Path) -> None:
    signed = finished_page(tmp_path)
    assert signed.result is not None
    strange = signed.result.to_dict()
    strange["method"] = {"curve": "flexible/7", "budget": "budget/7"}
    strange["id"] = "0197a000-0000-7000-8000-000000000009"
    sign_and_keep(tmp_path, strange, lambda place: place.number.encode(), Actor("M. Okonjo"))
    page = begun_page(tmp_path)
    read_rows_of(page, "background", "zero", "fit")
    assert page.result is not None
    page.open_part("as-found")
    take(page, "as-found:C-1", "0.359")
    assert page.problem is not None and page.problem.code == "record.method"


# ---- drafts that no page has written ----


def _hostile() -> list[dict[str, Any]]:
    row = {"id": "fit:A-1", "role": "fit", "shims": ["A-1"], "wanted": 5}
    return [
        {"schema": "labkit.draft/2"},
        {"page": "parts"},
        {"id": 7},
        {"revision": "3"},
        {"revision": True},
        {"person": None},
        {"begun": "yesterday"},
        {"begun": "2026-11-25T09:17:00"},
        {"saved": []},
        {"ticks": "clean"},
        {"ticks": [1]},
        {"hide_reference": "no"},
        {"work": []},
        {"work": {"fields": []}},
        {"work": {"fields": {"rig": 5}}},
        {"work": {"fields": {"rig": "Rig 99"}}},
        {"work": {"log": {}}},
        {"work": {"log": [row | {"wanted": "many"}]}},
        {"work": {"log": [row | {"cells": [{"time": 5}]}]}},
        {"work": {"stopped": 1}},
        {"work": {"parts_open": {}}},
        {"work": {"tables": {"a": [{"code": "no.such"}]}}},
        {"work": {"tables": {"a": [{"code": "points.straggler"}]}}},
        {"work": {"tables": {"a": 7}}},
        {"put_away": {"Rig 2": 7}},
        {"put_away": {"Rig 2": {"log": [7]}}},
        {"put_away": []},
    ]


@pytest.mark.parametrize("draft", _hostile(), ids=[json.dumps(each)[:60] for each in _hostile()])
def test_a_draft_that_no_page_has_written_is_a_problem(tmp_path: Path, draft: dict[str, Any]) -> None:
    page = begun_page(demo_folder(tmp_path), worker=Asleep())
    with pytest.raises(Problem) as refused:
        new_page(tmp_path, draft)
    assert str(refused.value)
    with pytest.raises(Problem):
        page.begin(draft)
    assert page.rig is None and page.particulars is None, "an empty page is left, not half of a draft"
    page.choose_rig("Rig 5")
    take(page, "zero:", "0.01")


@pytest.mark.parametrize(
    "draft",
    [{}, {"work": {}}, {"begun": "2026-11-25T09:17:00Z"}, {"work": {"fields": {"rig": "Rig 2"}}}, {"unheard of": 1}],
)
def test_what_is_missing_in_a_draft_is_empty(tmp_path: Path, draft: dict[str, Any]) -> None:
    page = new_page(demo_folder(tmp_path), draft)
    page.choose_rig("Rig 2")
    assert page.rig is not None


def test_where_the_bench_is_damaged_there_is_an_empty_page_and_begin_says_why(tmp_path: Path) -> None:
    page = begun_page(demo_folder(tmp_path), worker=Asleep())
    draft = load_draft(tmp_path, page.id)
    put_in_the_way(tmp_path, b"no database" * 100)
    with pytest.raises(Problem) as refused:
        page.begin(draft)
    assert refused.value.code == "ledger.damaged"
    other = new_page(tmp_path)
    assert other.bench.rigs == () and other.rig is None and other.particulars is None
    assert [blocker.reason.code for blocker in blockers(other)] == ["left.nothing"]


def test_a_page_can_be_begun_anew(tmp_path: Path) -> None:
    page = finished_page(tmp_path)
    page.begin()
    assert page.result is None and page.rig is None and page.log.lines == []
    assert CalibratePage(tmp_path, worker=Asleep(), now=Clock()).id != page.id
