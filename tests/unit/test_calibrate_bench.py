"""What the page Calibrate asks of the whole laboratory: its gauges, its shims, and who approves."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest

from labkit import ledger
from labkit.ledger import Actor, load_bench, save_bench, sign_and_keep
from labkit.ledger.demo import demo_bench
from labkit.ledger.store import close_store
from labkit.panels.asking import AskingPart
from labkit.panels.calibrate.page import CalibrateView
from labkit.problems import BadInput, Problem
from labkit.workflow.asking import Asking
from labkit.workflow.blockers import blockers
from labkit.workflow.calibrate import CalibratePage
from labkit.workflow.shims_out import SHIMS_REASON, shims_out
from tests.calibrate_pages import Asleep, begun_page, demo_folder, event, finished_page, new_page, read, take

ENGINEER = Actor("R. Halloran", "engineer", proven=True)


@pytest.fixture
def data(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("LABKIT_DATA", str(tmp_path))
    return demo_folder(tmp_path)


def codes(page: CalibratePage) -> list[str]:
    return [each.reason.code for each in blockers(page)]


# ---- one gauge, one rig ----


def begun(data: Path, rig: str, person: str = "M. Okonjo") -> CalibratePage:
    page = begun_page(data, rig, worker=Asleep())
    page.choose_person(person)
    return page


def test_the_first_reading_takes_the_gauge_into_use(data: Path) -> None:
    page = begun(data, "Rig 2")
    assert ledger.live_gauges(data) == ()
    take(page, "background:", "11.634")
    (live,) = ledger.live_gauges(data)
    assert (live.gauge, live.rig, live.person, live.drafts) == ("G-07", "Rig 2", "M. Okonjo", (page.id,))


def test_switching_on_takes_it_too(data: Path) -> None:
    page = begun(data, "Rig 2")
    page.set_field("switched_on", "09:17")
    assert [each.rig for each in ledger.live_gauges(data)] == ["Rig 2"]


def test_a_gauge_that_is_in_use_elsewhere_reads_nothing(data: Path) -> None:
    first = begun(data, "Rig 2")
    take(first, "background:", "11.634")
    second = begun(data, "Rig 5", "D. Abara")
    assert second.elsewhere is not None and second.elsewhere.rig == "Rig 2"
    with pytest.raises(Problem, match=r"G-07 is in use: Rig 2, M\. Okonjo, since .*Changing the probe"):
        take(second, "background:", "11.7")
    with pytest.raises(Problem):
        second.grid_event("readings", event("paste", "zero:", block=[["0.001"]]))
    with pytest.raises(Problem):
        second.take_table("shim,indication [mm]\nA-3,0.51\nA-4,1.01\nA-6,1.52\n")
    with pytest.raises(Problem):
        second.set_field("switched_on", "09:17")
    assert not any(line.taken for line in second.log.lines) and not second.fields.get("switched_on")
    second.set_field("temperature", "20.4")
    assert second.saved, "what needs no gauge is kept"


def test_a_reading_is_put_right_without_the_gauge(data: Path) -> None:
    first = begun(data, "Rig 2")
    take(first, "background:", "11.634")
    ledger.release(data, "G-07", ENGINEER, "the probe was changed")
    second = begun(data, "Rig 5")
    take(second, "background:", "11.7")
    first.grid_event("readings", event("edit", "background:", 0, text="11.643"))
    line = first.log.line("background:")
    assert line is not None and line.cells[0].text == "11.643"
    with pytest.raises(Problem):
        take(first, "zero:", "0.001")


def test_a_person_at_the_page_says_that_it_is_free(data: Path) -> None:
    first = begun(data, "Rig 2")
    take(first, "background:", "11.634")
    second = begun(data, "Rig 5", "D. Abara")
    with pytest.raises(BadInput):
        second.free_gauge(" ")
    second.free_gauge("M. Okonjo has gone home and left the page open.")
    assert second.elsewhere is None
    take(second, "background:", "11.7")
    assert [(each.rig, each.person) for each in ledger.live_gauges(data)] == [("Rig 5", "D. Abara")]


def test_putting_a_rig_away_frees_its_gauge(data: Path) -> None:
    page = begun(data, "Rig 2")
    take(page, "background:", "11.634")
    page.choose_rig("Rig 5")
    assert ledger.live_gauges(data) == ()
    take(page, "background:", "11.7")
    assert [each.rig for each in ledger.live_gauges(data)] == ["Rig 5"]


def test_a_ledger_out_of_reach_stops_no_reading(data: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    page = begun(data, "Rig 2")

    def away(*_: object) -> None:
        raise Problem("ledger.out_of_reach", why="no route")

    monkeypatch.setattr(ledger, "claim", away)
    take(page, "background:", "11.634")
    line = page.log.line("background:")
    assert line is not None and line.taken == 1


# ---- shims that are not to be used ----


def test_a_dropped_shim_is_set_aside_for_all(data: Path) -> None:
    page = begun(data, "Rig 2")
    page.read_shim("A-4")
    read(page, "fit:A-4")
    page.set_aside("fit:A-4", "it fell on the floor")
    out = load_bench(data).shim_out_of_use("Brass set A", "A-4")
    assert out is not None and (out.state, out.why, out.who) == ("set aside", "it fell on the floor", "M. Okonjo")
    assert shims_out(page) == [], "its readings do not count"
    page.set_aside("fit:A-4", "")
    assert [each.shim for each in shims_out(page)] == ["A-4"]
    assert "left.shim_out" in codes(page)


def test_a_shim_that_was_set_aside_is_used_only_with_a_reason_that_is_printed(tmp_path: Path) -> None:
    page = finished_page(tmp_path)
    assert blockers(page) == []
    ledger.set_aside(tmp_path, "Check set C", "C-2", ENGINEER, "scratched")
    page = new_page(tmp_path, page.get_state())
    assert codes(page) == ["left.shim_out"]
    assert str(blockers(page)[0]).startswith("Shim C-2 is set aside: scratched")
    with pytest.raises(BadInput):
        page.record()
    page.set_field(SHIMS_REASON, "the scratch is at its rim")
    assert blockers(page) == []
    assert page.result is not None
    said = "Shim C-2 is set aside: scratched Used all the same (M. Okonjo): the scratch is at its rim"
    assert said in page.result.about.remarks
    assert said in page.record()["inputs"]["about"]["remarks"]
    page.set_field(SHIMS_REASON, "")
    assert codes(page) == ["left.shim_out"]


def test_a_shim_past_its_date_is_used_only_with_a_reason(tmp_path: Path) -> None:
    page = finished_page(tmp_path)
    bench = demo_bench()
    late = tuple(
        replace(each, shims=tuple(replace(shim, due=date(2026, 11, 24)) for shim in each))
        if each.name == "Check set C"
        else each
        for each in bench.shim_sets
    )
    save_bench(tmp_path, replace(bench, shim_sets=late))
    page = new_page(tmp_path, page.get_state())
    assert codes(page) == ["left.shim_out"] * 3
    page.set_field(SHIMS_REASON, "sent away tomorrow")
    assert codes(page) == []


# ---- asking for an approval ----


def test_a_draft_is_asked_about_and_the_answer_is_seen(data: Path) -> None:
    page = begun(data, "Rig 2")
    asking = Asking(page)
    assert asking.whom == ["R. Halloran", "E. Marsh"]
    with pytest.raises(BadInput) as caught:
        asking.ask("", "")
    assert caught.value.code == "request.nothing_yet"
    take(page, "background:", "11.634")
    asking.ask("R. Halloran", "conditional pass")
    assert asking.open
    (found,) = ledger.requests(data)
    assert (found.about, found.by, found.to, found.says) == (page.id, "M. Okonjo", "R. Halloran", "conditional pass")
    assert not asking.look()
    ledger.send_back(data, found.id, ENGINEER, "Read A-6 again.")
    assert asking.look() and not asking.open
    assert asking.request is not None and asking.request.note == "Read A-6 again."
    asking.ask("", "")
    asking.take_back()
    assert asking.request is not None and asking.request.state == "withdrawn"


def test_somebody_has_to_be_chosen_before_asking(data: Path) -> None:
    page = new_page(data, worker=Asleep())
    page.choose_rig("Rig 2")
    take(page, "background:", "11.634")
    with pytest.raises(BadInput) as caught:
        Asking(page).ask("", "")
    assert caught.value.code == "request.nobody"


def test_what_became_of_it_stands_on_the_page(data: Path) -> None:
    ledger.withdraw(data, "person", "E. Marsh", Actor("E. Marsh", "manager", proven=True), "one who approves is left")
    page = begun(data, "Rig 2")
    take(page, "background:", "11.634")
    part = AskingPart(page, lambda callback, beside=None: callback, lambda: "pass")
    part.look()
    part.show()
    assert part._ask.description == "Ask R. Halloran to approve"
    assert (part._ask.layout.display, part._back.layout.display) == ("", "none")
    part._ask.click()
    assert (part._ask.layout.display, part._back.layout.display) == ("none", "")
    assert "asked R. Halloran to approve this" in part._state.value
    note = "<b>No</b>: A-6 again"
    ledger.send_back(data, ledger.requests(data)[0].id, ENGINEER, note)
    part.look()
    assert "&lt;b&gt;No&lt;/b&gt;" in part.note.value and "R. Halloran" in part.note.value
    assert "<b>No" not in part.note.value + part._state.value
    part._ask.click()
    record = {"schema": "labkit.calibration/1", "id": page.id}
    sign_and_keep(data, record, lambda _: b"%PDF", Actor("M. Okonjo", "technician", proven=True))
    ledger.approve(data, page.id, ENGINEER)
    part.look()
    assert "Approved by R. Halloran" in part._state.value
    assert part._ask.layout.display == "none"


def test_a_ledger_that_is_away_leaves_the_answer_as_it_was(data: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    page = begun(data, "Rig 2")
    take(page, "background:", "11.634")
    asking = Asking(page)
    asking.ask("", "")
    close_store(data)

    def away(*_: object) -> None:
        raise Problem("ledger.out_of_reach", why="no route")

    monkeypatch.setattr(ledger, "request_about", away)
    assert not asking.look()
    assert asking.open


def test_the_page_shows_whose_the_gauge_is(data: Path) -> None:
    first = begun(data, "Rig 2")
    take(first, "background:", "11.634")
    second = begun(data, "Rig 5", "D. Abara")
    view = CalibrateView(second)
    view.refresh()
    gauge = view.rig._gauge
    assert gauge.root.layout.display == ""
    assert "G-07 is in use: Rig 2, M. Okonjo, since" in gauge._says.value
    second.free_gauge("the probe was changed")
    assert gauge.root.layout.display == "none"
    assert view.rig._out.layout.display == "none"


def test_a_new_page_begins_with_the_rig_that_the_address_names(data: Path) -> None:
    view = CalibrateView(new_page(data, worker=Asleep()))
    view.rig_wanted = "Rig 4"
    view.open("")
    assert view.page.fields["rig"] == "Rig 4"
    draft = begun(data, "Rig 2")
    take(draft, "background:", "11.634")
    view.open(draft.id)
    assert view.page.fields["rig"] == "Rig 2", "a draft keeps its own"
    view.rig_wanted = "Rig 99"
    view.open("")
    assert "No rig Rig 99 is registered." in view.frame.banner.value
