"""The page Check without a browser: four rows, a decision, a signature, and what stands in the way."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from labkit import Check
from labkit.commands.demo import DEMO_PASSPHRASE
from labkit.ledger import find, in_force, list_drafts, load_bench, load_draft, save_bench, search
from labkit.ledger.checks import checks_of
from labkit.problems import BadInput, Problem
from labkit.sheet import verify
from labkit.workflow import grid_view
from labkit.workflow.check import TODAY, CheckPage
from labkit.workflow.check_blockers import blockers
from labkit.workflow.signing import signed_sheet
from labkit.workflow.taking_up import still_serves
from tests.calibrate_pages import Later, demo_folder, event
from tests.check_pages import RIG, begun_check, calibrate_again, calibrated_folder, new_check, read, take


@pytest.fixture
def data(tmp_path: Path) -> Path:
    return calibrated_folder(tmp_path)


def left(page: CheckPage) -> list[str]:
    return [each.reason.code for each in blockers(page)]


def rows(page: CheckPage) -> list[str]:
    return [line.id for line in page.log.lines]


# ---- the thirty-second job ----


def test_a_rig_lays_out_exactly_its_four_rows_and_the_first_one_waits(data: Path) -> None:
    page = new_check(data)
    page.begin(None, RIG)
    assert rows(page) == ["background:", "zero:", "check:C-1", "check:C-3"]
    assert [line.wanted for line in page.log.lines] == [1, 1, 5, 5]
    assert grid_view.current(page, TODAY) == {"row": "background:", "cell": 0}
    assert grid_view.band(page, TODAY)["on_probe"] == "No target near"
    assert page.certificate == "0001" and not page.revision, "opening a page alone keeps no draft"


def test_from_the_first_reading_to_the_signed_check(data: Path) -> None:
    page = begun_check(data)
    assert left(page) == ["check_page.unread"]
    read(page, "background:", "zero:", "check:C-1")
    assert page.check is not None and left(page) == ["take_up.second_shim"]
    read(page)
    assert page.check.outcome == "fit to measure" and left(page) == []
    assert page.sign(DEMO_PASSPHRASE, signed_sheet) == "0001-01"
    assert page.read_only and blockers(page) == []
    kept = find(data, "0001-01")
    assert (kept.kind, kept.rig, kept.signer) == ("check", RIG, "M. Okonjo")
    assert Check.from_dict(kept.record).outcome == "fit to measure"
    assert kept.record["inputs"]["calibration"]["record"] == in_force(data, RIG).record  # type: ignore[union-attr]
    assert verify(page.signed_pdf(), []).verdict == "intact, signer not known here"
    assert list_drafts(data) == ()


def test_a_draft_is_taken_up_with_its_readings_and_its_certificate(data: Path) -> None:
    page = begun_check(data)
    read(page, "background:", "zero:")
    again = new_check(data, json.loads(json.dumps(load_draft(data, page.id))))
    assert rows(again) == rows(page) and again.certificate == "0001"
    assert grid_view.current(again, TODAY) == {"row": "check:C-1", "cell": 0}
    read(again)
    assert again.check is not None and again.check.outcome == "fit to measure"


def test_a_reading_of_another_rig_stays_with_that_rig(data: Path) -> None:
    page = begun_check(data)
    read(page, "background:")
    first = page.id
    page.choose_rig("Rig 5")
    assert page.id != first and page.rig_name == "Rig 5" and page.person == "M. Okonjo"
    assert load_draft(data, first)["rig"] == RIG
    assert left(page) == ["check_page.no_calibration"] and page.log.lines == []


# ---- rows ----


def test_one_more_shim_and_one_more_background(data: Path) -> None:
    page = begun_check(data)
    read(page)
    assert [shim.name for shim in page.unread] == ["C-2"]
    page.read_shim("C-2")
    assert rows(page)[-1] == "check:C-2" and left(page) == [], "a row that nobody reads stops nothing"
    read(page, "check:C-2")
    assert page.check is not None and [each.point for each in page.check.shims] == ["C-1", "C-3", "C-2"]
    page.read_row_again("background:")
    assert page.log.line("background:").wanted == 2  # type: ignore[union-attr]
    take(page, "background:", "11.640")
    assert page.check.background.now == pytest.approx((11.634 + 11.640) / 2)


def test_a_shim_that_is_set_aside_in_the_register_is_not_laid_out(data: Path) -> None:
    from labkit.ledger import Actor, set_aside

    set_aside(data, "Check set C", "C-1", Actor("M. Okonjo", "technician", proven=True), "dropped")
    page = begun_check(data)
    assert rows(page) == ["background:", "zero:", "check:C-2", "check:C-3"]


def test_a_gauge_that_shows_nothing_without_a_target_has_three_rows(data: Path) -> None:
    bench = load_bench(data)
    rigs = tuple(
        replace(rig, conditions=replace(rig.conditions, background="not shown")) if rig.name == RIG else rig
        for rig in bench.rigs
    )
    save_bench(data, replace(bench, rigs=rigs))
    assert rows(begun_check(data)) == ["zero:", "check:C-1", "check:C-3"]


def test_what_is_no_number_is_named_and_nothing_is_signed(data: Path) -> None:
    page = begun_check(data)
    read(page, "background:", "zero:", "check:C-1")
    take(page, "check:C-3", "2.2O1", "2.201")
    assert "left.bad_cell" in left(page) and "check_page.unfinished" in left(page)
    page.grid_event(TODAY, event("menu", "check:C-3", item="finish-fewer"))
    page.grid_event(TODAY, event("edit", "check:C-3", 0, text="2.201"))
    assert left(page) == []


def test_undo_takes_a_reading_back(data: Path) -> None:
    page = begun_check(data)
    read(page, "background:")
    page.grid_event(TODAY, event("undo"))
    assert page.log.line("background:").taken == 0 and page.check is None  # type: ignore[union-attr]


# ---- the decision ----


def test_what_is_not_clear_is_repeated_and_the_repeat_decides(data: Path) -> None:
    page = begun_check(data)
    read(page, off_mm=0.0045)
    assert page.check is not None and page.check.outcome == "check again"
    assert page.sign(DEMO_PASSPHRASE, signed_sheet) == "0001-01"
    page.check_again()
    assert page.again == "0001-01" and page.number == "" and rows(page)[0] == "background:"
    read(page, off_mm=0.0045)
    assert page.check.outcome == "calibrate fully"
    assert page.sign(DEMO_PASSPHRASE, signed_sheet) == "0001-02"
    assert [(each.number, each.outcome) for each in checks_of(data, RIG)] == [
        ("0001-01", "check again"),
        ("0001-02", "calibrate fully"),
    ]
    assert find(data, "0001-02").record["inputs"]["options"]["again"] == "0001-01"


def test_a_calibration_past_its_interval_does_not_serve(data: Path) -> None:
    bench = load_bench(data)
    rigs = tuple(replace(rig, interval_months=1) if rig.name == RIG else rig for rig in bench.rigs)
    save_bench(data, replace(bench, rigs=rigs))
    page = begun_check(data, at="2027-06-01T07:12:00Z")
    assert page.due is not None and page.due.isoformat() < "2027-06-01"
    read(page)
    assert page.check is not None and page.check.outcome == "calibrate fully"
    assert page.check.options.due == page.due.isoformat()


def test_a_background_that_moved_is_said_in_its_row(data: Path) -> None:
    page = begun_check(data)
    take(page, "background:", "11.740")
    (row,) = [row for row in grid_view.rows(page, TODAY) if row["id"] == "background:"]
    assert row["remark_state"] == "watch" and "Look for steel near the bench" in row["remark"]
    read(page, "zero:", "check:C-1", "check:C-3")
    assert page.check is not None and page.check.outcome == "check again"


# ---- what stands in the way ----


def test_a_rig_without_a_certificate_is_calibrated_first(tmp_path: Path) -> None:
    page = new_check(demo_folder(tmp_path))
    page.choose_person("M. Okonjo")
    page.choose_rig(RIG)
    assert left(page) == ["check_page.no_calibration"] and page.log.lines == []


def test_a_calibration_signed_meanwhile_stops_the_check(data: Path) -> None:
    page = begun_check(data)
    read(page)
    assert left(page) == []
    calibrate_again(data)
    with pytest.raises(BadInput, match=r"0001 is no longer in force for Rig 2: 0002 is\."):
        page.sign(DEMO_PASSPHRASE, signed_sheet)
    assert page.number == "" and search(data).total == 2
    reopened = new_check(data, load_draft(data, page.id))
    assert left(reopened) == ["ledger.not_in_force"]


def test_another_probe_on_the_rig_stops_the_check(data: Path) -> None:
    bench = load_bench(data)
    rigs = tuple(
        replace(rig, rig=replace(rig.rig, probe=replace(rig.rig.probe, name="P9"))) if rig.name == RIG else rig
        for rig in bench.rigs
    )
    save_bench(data, replace(bench, rigs=rigs))
    page = begun_check(data)
    read(page)
    assert left(page) == ["take_up.other_rig"] and page.check is None
    with pytest.raises(BadInput, match="Something still stands in the way"):
        page.record()


def test_nobody_and_a_wrong_passphrase(data: Path) -> None:
    page = new_check(data)
    page.choose_rig(RIG)
    read(page)
    assert left(page) == ["left.person"]
    page.choose_person("M. Okonjo")
    with pytest.raises(BadInput) as caught:
        page.sign("not it", signed_sheet)
    assert caught.value.code == "sign.wrong_passphrase" and page.number == ""


def test_a_colleagues_check_is_taken_over_and_not_changed(data: Path) -> None:
    page = begun_check(data)
    read(page, "background:")
    other = new_check(data, load_draft(data, page.id))
    with pytest.raises(Problem) as caught:
        other.choose_person("D. Abara")
    assert caught.value.code == "draft.of_another"


BROKEN: dict[str, dict[str, Any]] = {
    "another page": {"page": "calibrate"},
    "a log of nothing": {"log": [{"id": "check:C-1"}]},
    "fields of numbers": {"fields": {"temperature": 20}},
    "a rig that is gone": {"rig": "Rig 99"},
    "a certificate that is none": {"certificate": "../bench"},
}


@pytest.mark.parametrize("what", [each for each in BROKEN if each != "a certificate that is none"])
def test_a_draft_that_no_page_has_written_is_refused(data: Path, what: str) -> None:
    state = begun_check(data).get_state() | BROKEN[what]
    with pytest.raises(Problem):
        new_check(data, state)


def test_a_draft_of_a_certificate_that_is_not_there_says_so(data: Path) -> None:
    page = new_check(data, begun_check(data).get_state() | {"certificate": "0077"})
    assert "ledger.not_found" in left(page)


def test_an_answer_that_comes_too_late_is_not_shown(data: Path) -> None:
    worker = Later()
    page = new_check(data, worker=worker)
    page.choose_rig(RIG)
    read(page, "background:", "zero:")
    first = len(worker.asked) - 1
    read(page, "check:C-1")
    worker.answer(first)
    assert page.check is None and page.computing
    worker.catch_up()
    assert page.check is not None and not page.computing and len(page.check.shims) == 1


def test_calibrate_offers_the_check_as_long_as_the_last_sheet_serves(
    data: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from labkit.panels.calibrate.page import CalibrateView
    from tests.calibrate_pages import new_page
    from tests.calibrate_pages import take as take_on_calibrate

    monkeypatch.setenv("VOILA_PREHEAT", "True")
    page = new_page(data)
    view = CalibrateView(page)
    page.choose_rig(RIG)
    assert 'check.ipynb?rig=Rig%202">Take the rig up again' in view.rig._again.value
    take_on_calibrate(page, "zero:", "0.009")
    assert view.rig._again.value == ""
    page = new_page(data)
    view = CalibrateView(page)
    page.choose_rig("Rig 5")
    assert view.rig._again.value == "", "it has no sheet"


@pytest.mark.parametrize(
    ("months", "verdict", "serves"), [(None, "pass", True), (24, "pass", True), (1, "pass", False), (24, "fail", False)]
)
def test_a_sheet_serves_until_it_is_due_and_only_where_it_passed(
    data: Path, months: int | None, verdict: str, serves: bool
) -> None:
    rig, entry = replace(load_bench(data).rig(RIG), interval_months=months), in_force(data, RIG)
    assert entry is not None
    record = {**entry.record, "results": {**entry.record["results"], "verdict": verdict}}
    assert still_serves(rig, replace(entry, record=record), "Europe/London", "2027-06-01T07:00:00Z") is serves
