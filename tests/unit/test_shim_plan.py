"""Section 5 before anything is read: which shims, and their rows."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import ipywidgets as W
import pytest

from labkit.curves.plan import PLANNED
from labkit.panels.calibrate.page import CalibrateView
from labkit.panels.calibrate.section_extra import ExtraSection
from labkit.problems import Reason
from labkit.workflow import grid_view
from labkit.workflow.calibrate import CalibratePage
from labkit.workflow.log import line_id
from tests.calibrate_pages import begun_page, demo_folder, new_page, read


@pytest.fixture
def page(tmp_path: Path) -> CalibratePage:
    return begun_page(demo_folder(tmp_path))


def fit_rows(page: CalibratePage) -> list[str]:
    return [line.name for line in page.log.of("fit")]


def test_the_plan_begins_with_the_rows_that_are_there(page: CalibratePage) -> None:
    plan = page.plan
    assert plan is not None
    assert len(plan.shims) == PLANNED
    assert list(plan.shims[:2]) == fit_rows(page)
    assert plan.left == plan.shims[2:]
    assert plan.reason.code == "plan.read"
    assert ", ".join(plan.shims) in str(plan.reason)


def test_its_rows_are_laid_out_in_the_order_of_reading(page: CalibratePage) -> None:
    plan = page.plan
    assert plan is not None
    page.lay_out_plan()
    assert fit_rows(page) == list(plan.shims)
    assert page.plan is not None
    assert page.plan.shims == plan.shims
    assert page.plan.left == ()
    assert page.particulars is not None
    assert {line.wanted for line in page.log.of("fit")} == {page.particulars.repeats}
    page.lay_out_plan()
    assert fit_rows(page) == list(plan.shims)


def test_a_shim_that_was_taken_out_is_not_advised(page: CalibratePage) -> None:
    assert page.plan is not None
    page.lay_out_plan()
    out = page.plan.shims[3]
    page.remove_row(line_id("fit", [out]))
    assert page.plan is not None
    assert out not in page.plan.shims
    assert {each for each in page.plan.shims if each != out} == set(fit_rows(page))


def test_the_working_range_decides(page: CalibratePage) -> None:
    page.set_field("high", "1.2")
    assert page.plan is not None and page.particulars is not None
    thick = [page.particulars.shims[name].thickness_mm for name in page.plan.shims]
    assert max(thick) == pytest.approx(1.5, abs=0.01)
    page.set_field("high", "nonsense")
    assert page.plan is None


def test_it_gives_way_to_the_ranking(page: CalibratePage) -> None:
    page.lay_out_plan()
    for row in ("background:", "zero:", *(line_id("fit", [name]) for name in fit_rows(page)[:2])):
        if page.log.line(row) is not None:
            read(page, row)
    assert page.result is not None
    assert page.result.next_points is not None
    assert page.plan is None
    before = fit_rows(page)
    page.lay_out_plan()
    assert fit_rows(page) == before


def test_without_a_rig_there_is_nothing_to_plan(tmp_path: Path) -> None:
    page = new_page(demo_folder(tmp_path))
    assert page.plan is None
    page.lay_out_plan()
    assert fit_rows(page) == []


def test_a_page_that_may_only_be_looked_at_lays_out_nothing(page: CalibratePage) -> None:
    page.read_only = True
    before = fit_rows(page)
    page.lay_out_plan()
    assert fit_rows(page) == before


# ---- on the page ----


def shown(section: ExtraSection) -> str:
    """All text of the section that is not hidden."""
    words: list[str] = []

    def gather(widget: W.Widget) -> None:
        if widget.layout.display == "none":
            return
        words.append(getattr(widget, "value", "") if isinstance(widget, W.HTML) else getattr(widget, "description", ""))
        for child in getattr(widget, "children", ()):
            gather(child)

    gather(section.section.root)
    return " ".join(words)


@pytest.mark.parametrize("button", ["_lay_out", "_stop"])
def test_a_button_that_goes_away_hands_the_keyboard_to_the_grid(page: CalibratePage, button: str) -> None:
    view = CalibrateView(page)
    grid = view.readings.part.grid
    calls = grid.listen_calls
    getattr(view.extra, button).click()
    assert grid.listen_calls == calls + 1
    assert grid.current is not None and grid.current["row"] == "background:"


def drawn(page: CalibratePage) -> tuple[ExtraSection, list[str]]:
    asked: list[str] = []
    section = ExtraSection(page, lambda callback, beside=None: callback, asked.append, lambda: None)
    section.show("mm", dark=False)
    return section, asked


def test_the_section_says_the_plan_and_offers_its_rows(page: CalibratePage) -> None:
    section, _ = drawn(page)
    assert "Read these 7 of the 10 shims" in shown(section)
    assert "Lay out these rows" in shown(section)
    assert "as soon as zero and both end shims are read" in shown(section)
    section._lay_out.click()
    section.show("mm", dark=False)
    assert page.plan is not None and page.plan.left == ()
    assert "Lay out these rows" not in shown(section)


def test_after_three_thicknesses_the_ranking_takes_its_place(page: CalibratePage) -> None:
    read(page, "background:", "zero:", *(line.id for line in page.log.of("fit")))
    section, asked = drawn(page)
    assert page.result is not None and page.result.next_points is not None
    best = page.result.next_points.best
    assert best is not None
    assert f"Read {best.name} now" in shown(section)
    assert "Read these" not in shown(section)
    assert "would not buy as much" in shown(section)
    section._read.click()
    assert asked == [best.name]


def test_more_repeats_are_offered_as_such(page: CalibratePage) -> None:
    read(page, "background:", "zero:", *(line.id for line in page.log.of("fit")))
    result = page.result
    assert result is not None and result.advice is not None and result.next_points is not None
    ranking = result.next_points.ranking
    first = replace(ranking[0], name="A-2", again=True, reason=Reason("next.again"))
    vars(result.advice)["next_points"] = replace(result.next_points, ranking=(first, *ranking))
    section, _ = drawn(page)
    assert "Read A-2 again now" in shown(section)
    advice = grid_view.band(page, "readings")["advice"]
    assert advice["lead"].startswith("Next: A-2 again")
    assert advice["buttons"][0] == {"id": "read:A-2", "label": "Read A-2 again", "primary": True}
    page.read_shim("A-2")
    line = page.log.line("fit:A-2")
    assert line is not None and page.particulars is not None
    assert line.wanted == 2 * page.particulars.repeats
