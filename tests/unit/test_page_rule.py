"""The decision rule on the page Calibrate: chosen before a check shim is read, said in words, and what it lets through."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from html import unescape
from pathlib import Path

import ipywidgets as W
import pytest

from labkit.ledger import load_bench, save_bench
from labkit.panels.calibrate.section_checks import ChecksSection
from labkit.panels.figure import Figure
from labkit.panels.guard import guarded
from labkit.workflow.blockers import blockers, marks
from tests.calibrate_pages import (
    Asleep,
    begun_page,
    demo_folder,
    event,
    finished_page,
    new_page,
    read_all,
    read_curve,
    read_rows_of,
    take,
)


def words(widget: W.Widget) -> str:
    """What a section says, without its hidden parts."""
    if widget.layout.display == "none":
        return ""
    own = widget.value if isinstance(widget, W.HTML) else ""
    said = [unescape(re.sub(r"<[^>]+>", " ", own)), *(words(each) for each in getattr(widget, "children", ()))]
    return re.sub(r"\s+", " ", " ".join(said))


def shown(page) -> tuple[ChecksSection, str]:
    section = ChecksSection(page, guarded(pytest.fail))
    section.show("mm", dark=False)
    return section, words(section.section.root)


def below(widget: W.Widget) -> Iterator[W.Widget]:
    yield widget
    for each in getattr(widget, "children", ()):
        yield from below(each)


def field(section: ChecksSection, title: str) -> W.Widget:
    return next(each for each in below(section.section.root) if getattr(each, "tooltip", None) == title)


def test_the_rule_of_the_laboratory_stands_there_first(tmp_path: Path) -> None:
    demo_folder(tmp_path)
    save_bench(tmp_path, replace(load_bench(tmp_path), rule="guard-band-risk", outcomes="two", risk=0.025))
    page = begun_page(tmp_path, worker=Asleep())
    about = page.particulars.about
    assert (about.rule, about.outcomes, about.risk) == ("guard-band-risk", "two", 0.025)
    assert "with a probability of 2.5 %" in shown(page)[1]


def test_a_rule_is_chosen_before_the_check_shims_and_decides(tmp_path: Path) -> None:
    page = begun_page(demo_folder(tmp_path))
    section, said = shown(page)
    assert "Guard band w = U, four outcomes" in said
    field(section, "Decision rule").value = "guard-band-risk"
    assert list(page.particulars.rule_faults) == ["risk"]
    section.show("mm", dark=False)
    assert "no risk is stated" in words(section.section.root)
    field(section, "Risk at the limit").value = "5"
    field(section, "Outcomes").value = "two"
    assert page.particulars.rule_faults == {}
    read_all(page)
    (decision,) = {(each.decision.rule, each.decision.outcomes, each.decision.risk) for each in page.result.checks}
    assert decision == ("guard-band-risk", "two", 0.05)
    section.show("mm", dark=False)
    said = words(section.section.root)
    assert "two outcomes (JCGM 106:2012, clause 8)" in said
    assert re.search(r"The rule is fixed since the first check shim was read, \d\d:\d\d\.", said)
    assert new_page(tmp_path, page.get_state()).result.checks == page.result.checks


def test_a_rule_is_not_chosen_after_the_result(tmp_path: Path) -> None:
    page = finished_page(tmp_path)
    before = page.result
    for name, text in (("rule", "simple"), ("outcomes", "two"), ("risk", "10")):
        page.set_field(name, text)
    assert page.fields["rule"] == "guard-band-U"
    assert page.result == before
    section, _ = shown(page)
    assert all(field(section, title).disabled for title in ("Decision rule", "Outcomes", "Risk at the limit"))
    assert not field(section, "Mean of what rigs are off by").disabled


def test_emptied_cells_do_not_free_the_rule(tmp_path: Path) -> None:
    page = finished_page(tmp_path)
    cells = [(f"check:C-{i}", j) for i in (1, 2, 3) for j in range(5)]
    page.grid_event("checks", event("clear", cells=cells))
    assert not any(line.taken for line in page.log.of("check"))
    page.set_field("rule", "simple")
    assert page.fields["rule"] == "guard-band-U"


def test_undone_readings_do_not_free_the_rule_and_the_sheet_says_so(tmp_path: Path) -> None:
    page = begun_page(demo_folder(tmp_path))
    read_curve(page)
    page.open_part("checks")
    assert not page.rule_fixed
    take(page, "check:C-1", "0.404")
    when = page.checked
    page.grid_event("checks", event("undo"))
    assert not any(line.touched for line in page.log.of("check"))
    again = new_page(tmp_path, page.get_state())
    for each in (page, again):
        each.set_field("rule", "simple")
        assert (each.fields["rule"], each.checked) == ("guard-band-U", when)
    taken_back = "Check shims were read, and every reading of them was taken back."
    assert taken_back in page.result.about.remarks
    take(page, "check:C-1", "0.404")
    assert taken_back not in page.result.about.remarks


def test_a_draft_from_before_knows_that_its_check_shims_were_read(tmp_path: Path) -> None:
    draft = finished_page(tmp_path).get_state()
    del draft["work"]["checked"]
    assert new_page(tmp_path, draft).rule_fixed


@pytest.mark.parametrize("typed", ["", "0", "-1", "51", "much"])
def test_without_its_risk_a_rule_decides_nothing_and_says_where(tmp_path: Path, typed: str) -> None:
    page = begun_page(demo_folder(tmp_path))
    read_curve(page)
    assert page.result is not None
    page.set_field("rule", "guard-band-risk")
    page.set_field("risk", typed)
    assert page.result is None
    assert marks(page)[6].state == "stop"
    (left,) = (each for each in blockers(page) if str(each).startswith("Risk at the limit: "))
    assert left.section == 6
    page.set_field("risk", "2,5")
    assert page.result.options.risk == 0.025


def test_mean_and_deviation_of_the_process_go_together_and_stop_nothing(tmp_path: Path) -> None:
    page = finished_page(tmp_path)
    page.set_field("process_mean", "-0.5")
    assert list(page.particulars.rule_faults) == ["process_sd"]
    assert page.result is not None and page.result.options.process_mm is None
    page.set_field("process_sd", "3")
    assert page.result.options.process_mm == pytest.approx((-0.0005, 0.003))
    _, said = shown(page)
    assert "truly off by −0.5 µm in the mean with a standard deviation of 3.0 µm" in said
    page.set_field("process_sd", "0")
    assert list(page.particulars.rule_faults) == ["process_sd"]
    assert page.result.options.process_mm is None
    assert blockers(page)[0].section == 6


def test_the_section_shows_what_the_rule_lets_through(tmp_path: Path) -> None:
    page = begun_page(demo_folder(tmp_path))
    section, said = shown(page)
    assert "times in 100" not in said
    assert "Guard band w," not in said
    read_all(page)
    section.show("mm", dark=True)
    said = words(section.section.root)
    assert re.search(r"truly off by \+5\.0 µm, just at the limit, passes 23 times in 1000", said)
    assert "Drawn for C-3, which is known least well" in said
    assert re.search(r"C-1 \d\.\d+ < 0\.1 % \d\.\d \d\.\d", said)
    assert any(isinstance(each, Figure) for each in below(section.section.root))


def test_a_page_from_before_takes_the_rule_of_the_laboratory(tmp_path: Path) -> None:
    page = begun_page(demo_folder(tmp_path))
    read_rows_of(page, "zero")
    draft = page.get_state()
    for name in ("rule", "outcomes", "risk"):
        del draft["work"]["fields"][name]
    about = new_page(tmp_path, draft).particulars.about
    assert (about.rule, about.outcomes, about.risk) == ("guard-band-U", "four", None)
