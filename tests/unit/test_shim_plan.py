"""Section 5 before anything is read: which shims, and their rows."""

from __future__ import annotations

from pathlib import Path

import pytest

from labkit.curves.plan import PLANNED
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
