"""What the page Check asks of the whole laboratory: its gauges, its engineers, and its own curve families."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest

from labkit import ledger
from labkit.commands.demo import DEMO_PASSPHRASE
from labkit.curves import families, family
from labkit.ledger import Actor
from labkit.panels.check.page import CheckView
from labkit.paths import families_folder
from labkit.problems import BadInput, Problem
from labkit.workflow.bench import BenchPage
from labkit.workflow.bench_drafts import standing_of
from labkit.workflow.check_blockers import blockers
from labkit.workflow.shims_out import SHIMS_REASON
from labkit.workflow.signing import signed_sheet
from labkit.workflow.worker import Worker
from tests.check_pages import RIG, begun_check, calibrated_folder, new_check, read, take

ENGINEER = Actor("R. Halloran", "engineer", proven=True)
FAR_OFF_MM = 0.02


@pytest.fixture
def data(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("LABKIT_DATA", str(tmp_path / "lab"))
    return calibrated_folder(tmp_path)


def live(data: Path) -> list[tuple[str, str]]:
    return [(each.gauge, each.rig) for each in ledger.live_gauges(data)]


# ---- one gauge, one rig ----


def test_taking_a_rig_up_takes_its_gauge_until_the_check_is_signed(data: Path) -> None:
    page = begun_check(data)
    assert live(data) == []
    take(page, "background:", "11.634")
    assert live(data) == [("G-07", RIG)]
    read(page)
    page.sign(DEMO_PASSPHRASE, signed_sheet)
    assert live(data) == []


def test_a_gauge_that_is_in_use_in_another_rig_reads_nothing_here(data: Path) -> None:
    other = ledger.new_id()
    ledger.save_draft(
        data, {"id": other, "page": "calibrate", "rig": "Rig 5", "person": "D. Abara", "owner": "D. Abara"}
    )
    ledger.claim(data, "G-07", "Rig 5", other, Actor("D. Abara"))
    view = CheckView(begun_check(data))
    view.refresh()
    assert view.page.elsewhere is not None and view.page.elsewhere.rig == "Rig 5"
    gauge = view.today._gauge
    assert gauge.root.layout.display == "" and "G-07 is in use: Rig 5, D. Abara" in gauge._says.value
    with pytest.raises(Problem) as refused:
        take(view.page, "background:", "11.634")
    assert refused.value.code == "gauge.in_use"
    assert not any(line.taken for line in view.page.log.lines)
    view.page.free_gauge("the probe hangs on this rig now")
    take(view.page, "background:", "11.634")
    assert live(data) == [("G-07", RIG)] and gauge.root.layout.display == "none"


def test_who_goes_to_another_rig_lets_go_of_the_gauge(data: Path) -> None:
    page = begun_check(data)
    take(page, "background:", "11.634")
    left_there = page.id
    page.choose_rig("Rig 5")
    assert live(data) == [] and page.elsewhere is None
    again = new_check(data, ledger.load_draft(data, left_there))
    take(again, "zero:", "0.009")
    assert live(data) == [("G-07", RIG)], "whoever goes on there takes it again"


# ---- whom to ask ----


def shown(view: CheckView) -> bool:
    return view.decision._asking.root.layout.display == ""


def test_a_check_that_is_fit_to_measure_asks_nobody(data: Path) -> None:
    view = CheckView(begun_check(data))
    read(view.page)
    assert view.page.check is not None and view.page.check.outcome == "fit to measure"
    assert not shown(view)


def test_a_check_that_is_not_clear_can_be_put_before_an_engineer(data: Path) -> None:
    view = CheckView(begun_check(data))
    read(view.page, off_mm=FAR_OFF_MM)
    check = view.page.check
    assert check is not None and check.outcome not in (None, "fit to measure")
    assert shown(view)
    view.page.sign(DEMO_PASSPHRASE, signed_sheet)
    part = view.decision._asking
    part._whom.value = "R. Halloran"
    part._ask.click()
    (request,) = ledger.requests(data)
    assert (request.about, request.to, request.says) == (view.page.id, "R. Halloran", check.outcome)
    bench = BenchPage(data, worker=Worker(inline=True))
    bench.begin()
    bench._actor = ENGINEER
    bench.use()
    (waiting,) = bench.to_approve
    assert (waiting.about.kind, waiting.about.number) == ("check", "0001-01")
    bench.send_back(waiting, "Calibrate it today.")
    for _ in range(3):
        view.decision.tick()
    assert "Calibrate it today." in part.note.value and shown(view)


# ---- where a draft stands, and own families ----


def test_the_bench_says_what_is_left_of_a_check(data: Path) -> None:
    page = new_check(data)
    assert standing_of(page.get_state()).left == ("no rig chosen",)
    page = begun_check(data)
    take(page, "background:", "11.634")
    found = standing_of(page.get_state())
    assert (found.section, found.left) == (1, ("zero", "C-1", "C-3"))
    read(page)
    found = standing_of(page.get_state())
    assert (found.section, found.left) == (2, ("to be signed",))


def test_the_page_knows_the_families_of_the_laboratory(data: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A certificate whose curve is of an own family is recomputed here."""
    monkeypatch.setattr(family, "_REGISTER", dict(family._REGISTER))
    folder = families_folder(data)
    folder.mkdir(mode=0o700)
    file = folder / "bent.py"
    file.write_text(
        "from labkit.curves import register\n\n\n"
        '@register("bent", start=lambda x, y: (0.0, 0.0, 0.0), signal="thickness")\n'
        "def bent(x, a, b, c):\n    return a + b * x + c * x**2\n"
    )
    file.chmod(0o600)
    assert "bent" not in {form.name for form in families()}
    new_check(data)
    assert "bent" in {form.name for form in families()}


# ---- what is shown before anything is read ----


def test_the_thermometer_that_the_sheet_will_name_is_the_one_that_is_shown(data: Path) -> None:
    page = new_check(data)
    assert page.shown_fields["thermometer"] == ""
    page.choose_rig(RIG)
    assert page.shown_fields["thermometer"] == "T-3"
    assert page.particulars is not None
    assert [part.name for part in page.particulars.about.instruments if part.kind == "thermometer"] == ["T-3"]
    page.set_field("thermometer", "")
    assert page.shown_fields["thermometer"] == ""
    assert not [part for part in page.particulars.about.instruments if part.kind == "thermometer"]


def test_without_a_rig_every_section_says_what_would_be_there(data: Path) -> None:
    view = CheckView(new_check(data))
    view.refresh()
    assert "Choose a rig" in view.moved._says.value and "Choose a rig" in view.today._lead.value


def test_who_is_at_the_page_is_chosen_at_its_top(data: Path) -> None:
    page = new_check(data)
    page.choose_rig(RIG)
    places = {each.reason.code: each.place for each in blockers(page)}
    assert places == {"left.person": "#top", "check_page.unread": "#s1"}


# ---- shims that are not to be used ----


def test_a_check_shim_past_its_date_is_used_only_with_a_reason_that_is_printed(data: Path) -> None:
    bench = ledger.load_bench(data)
    late = tuple(
        replace(each, shims=tuple(replace(shim, due=date(2026, 11, 24)) for shim in each))
        if each.name == "Check set C"
        else each
        for each in bench.shim_sets
    )
    ledger.save_bench(data, replace(bench, shim_sets=late))
    view = CheckView(begun_check(data))
    page = view.page
    view.refresh()
    assert view.today._out.layout.display == "none", "nothing is read yet"
    read(page)
    left = [str(each) for each in blockers(page)]
    assert len(left) == 2 and left[0].startswith("Shim C-1 was due on 2026-11-24.")
    assert view.today._out.layout.display == "" and "C-1 was due" in view.today._out_says.value
    assert "was due" not in view.today._doubts.value, "it is said once"
    with pytest.raises(BadInput):
        page.sign(DEMO_PASSPHRASE, signed_sheet)
    page.set_field(SHIMS_REASON, "sent away tomorrow")
    assert blockers(page) == []
    again = new_check(data, ledger.load_draft(data, page.id))
    assert blockers(again) == [], "a reload keeps the reason, and who gave it"
    number = again.sign(DEMO_PASSPHRASE, signed_sheet)
    (said,) = ledger.find(data, number).record["inputs"]["about"]["remarks"]
    assert "Used all the same (M. Okonjo): sent away tomorrow" in said and "Shim C-3 was due" in said
