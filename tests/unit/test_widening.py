"""The Birge ratio: only where χ² rejects the curve, only on a person's word, and then in every line and on the sheet."""

from __future__ import annotations

import copy
import json
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import labkit
from labkit.bench.about import About
from labkit.bench.read_about import read_about
from labkit.calibration.record import schema
from labkit.panels.calibrate.page import CalibrateView
from labkit.paths import sample_data
from labkit.sheet.content import content, words_of_people
from labkit.workflow.blockers import marks
from tests.calibrate_pages import event, finished_page, new_page

WHY = "The certificates state the repeatability of the comparator alone."


@cache
def readings(name: str = "hinge_day", share: float = 0.2) -> labkit.Readings:
    """The sample, its shims known `share` times as well as they are."""
    folder = sample_data() / name
    found = labkit.read_readings(next(folder.glob("readings.?sv")), folder / "shims.csv")
    known = [
        replace(each, u_mm=share * each.u_mm, shared_u_mm=share * each.shared_u_mm)
        for each in found.shims
        if each.u_mm is not None
    ]
    assert len(known) == len(list(found.shims))
    return replace(found, shims=replace(found.shims, shims=tuple(known)))


def calibrated(family: str = "line", found: labkit.Readings | None = None, **more: Any) -> labkit.Calibration:
    given = {"working_range": (0.25, 2.5), "tolerance": 0.01, "reason": "a test"} | more
    return labkit.calibrate(found or readings(), family, **given)


@cache
def plain() -> labkit.Calibration:
    return calibrated()


@cache
def widened() -> labkit.Calibration:
    return calibrated(widen_reason=WHY, widen_by="D. Abara")


def codes(result: labkit.Calibration) -> set[str]:
    return {caution.code for caution in result.cautions}


def test_without_a_word_nothing_is_widened() -> None:
    assert "curve.disagrees" in codes(plain())
    assert plain().widening is None
    assert plain().table.widening == 1.0


def test_points_and_curve_agree_then_and_the_curve_stays() -> None:
    before, after = plain(), widened()
    row = before.comparison["line"]
    assert after.widening is not None
    assert after.widening.ratio == pytest.approx(row.chi2 / row.dof, rel=1e-12)
    assert after.widening.factor**2 == pytest.approx(after.widening.ratio, rel=1e-12)
    assert after.widening.ratio > 1
    assert after.curve.parameters == pytest.approx(before.curve.parameters, rel=1e-6)
    assert after.comparison["line"].chi2 == pytest.approx(row.dof, rel=1e-6)
    assert after.comparison["line"].fits


def test_every_line_of_the_curve_follows() -> None:
    before, after = plain(), widened()
    assert after.widening is not None
    ratio, factor = after.widening.ratio, after.widening.factor
    np.testing.assert_allclose(after.table.fitted.V_x, ratio * before.table.fitted.V_x, rtol=1e-12)
    np.testing.assert_allclose(after.table.fitted.V_y, ratio * before.table.fitted.V_y, rtol=1e-12)
    for old, new in zip(before.table.points, after.table.points, strict=True):
        assert (new.u_x_mm, new.u_y) == pytest.approx((factor * old.u_x_mm, factor * old.u_y), rel=1e-9)
        assert (new.x_mm, new.y, new.s) == (old.x_mm, old.y, old.s)
    x = np.array([0.3, 1.0, 2.4])
    old_lines = {term.code: term for term in before.uncertainty.of_curve(before.curve, x, 1)}
    new_lines = {term.code: term for term in after.uncertainty.of_curve(after.curve, x, 1)}
    assert {"budget.shims", "budget.shims_shared", "budget.repeats", "budget.reading"} <= new_lines.keys()
    assert old_lines.keys() == new_lines.keys()
    for code, term in new_lines.items():
        np.testing.assert_allclose(term.u_mm, factor * old_lines[code].u_mm, rtol=1e-6, atol=1e-15, err_msg=code)
        np.testing.assert_allclose(term.dof, old_lines[code].dof, rtol=1e-6)
    assert all(new.U_mm > old.U_mm for old, new in zip(before.results, after.results, strict=True))
    assert all(new.u_mm > old.u_mm for old, new in zip(before.checks, after.checks, strict=True))


def test_the_background_that_all_points_share_follows() -> None:
    raw = readings("raw_ball", 0.05)
    before = calibrated("exponential", raw, working_range=None, tolerance=0.05)
    after = calibrated("exponential", raw, working_range=None, tolerance=0.05, widen_reason=WHY)
    assert after.widening is not None and before.table.common_variance > 0
    assert after.table.common_variance == pytest.approx(after.widening.ratio * before.table.common_variance, rel=1e-12)
    inner = np.ones_like(after.table.fitted.V_y) - np.eye(len(after.table.points))
    np.testing.assert_allclose(after.table.fitted.V_y * inner, after.table.common_variance * inner, rtol=1e-12)


def test_random_draws_agree_with_the_wider_budget() -> None:
    drawn, budget = widened().monte_carlo(), widened().budget
    assert drawn is not None and budget is not None
    low, high = drawn.drawn.symmetric
    assert (high - low) / 2 == pytest.approx(budget.U_mm, rel=0.03)


def test_the_flexible_curve_may_be_widened_too() -> None:
    found = readings(share=0.01)
    rows = [
        replace(row, value=row.value + 0.004) if (row.point, row.role) == ("A-3", "fit") else row for row in found.rows
    ]
    off = replace(found, rows=tuple(rows))
    assert not calibrated("flexible", off).comparison["flexible"].fits
    after = calibrated("flexible", off, widen_reason=WHY)
    assert after.widening is not None
    assert after.uncertainty.flexible is after.curve
    assert after.budget.U_mm >= calibrated("flexible", off).budget.U_mm * (1 - 1e-9)


def test_u_is_nowhere_smaller_than_with_the_uncertainties_as_given() -> None:
    """A point 8 µm off a line: once it is noise, the flexible curve goes straight too, and nothing is left between."""
    found = readings(share=1.0)
    off = replace(
        found,
        rows=tuple(
            replace(row, value=row.value + 0.008) if (row.point, row.role) == ("A-4", "fit") else row
            for row in found.rows
        ),
    )
    before, after = calibrated("line", off), calibrated("line", off, widen_reason=WHY)
    assert after.widening is not None
    bare = replace(after.uncertainty, as_given=None)
    for x in (np.linspace(0.25, 2.5, 7), np.linspace(0.25, 2.5, 6000)):
        U = before.expanded(x)[0]
        assert np.any(bare.expanded(after.curve, x)[0] < U)
        assert np.all(after.expanded(x)[0] >= U * (1 - 1e-6))
    assert after.budget.U_mm >= before.budget.U_mm * (1 - 1e-9)
    assert after.comparison["line"].largest_U_mm == pytest.approx(after.budget.U_mm, rel=1e-6)
    assert "budget.as_given" in {line.code for line in after.uncertainty.budget(after.curve, 1.0).lines}
    assert after.next_points is not None


def test_a_curve_that_is_not_rejected_is_left_alone() -> None:
    before, after = calibrated("polynomial-3"), calibrated("polynomial-3", widen_reason=WHY)
    assert before.comparison["polynomial-3"].fits
    assert after.widening is None
    assert codes(after) - codes(before) == {"curve.not_widened"}
    assert after.to_dict()["printed"] == before.to_dict()["printed"]
    assert calibrated("monotone-cubic", widen_reason=WHY).widening is None


def test_what_was_in_force_before_is_not_touched() -> None:
    found = readings()
    assert found.with_role("as-found")
    assert widened().as_found == plain().as_found
    earlier = calibrated("polynomial-3")
    one = calibrated(in_force=earlier).as_found
    assert calibrated(in_force=earlier, widen_reason=WHY).as_found == one


# ---- what is said ----


def test_a_caution_says_by_how_much_on_whose_word_and_why() -> None:
    (said,) = (str(each) for each in widened().cautions if each.code == "curve.widened")
    assert widened().widening is not None
    assert f"{widened().widening.factor:.2f} times as large" in said
    assert "On the word of D. Abara" in said
    assert WHY in said
    assert "curve.disagrees" not in codes(widened())


def test_the_word_is_the_operators_where_nobody_else_is_named() -> None:
    by_operator = calibrated(about=About(operator="M. Okonjo", widen_reason=WHY))
    assert by_operator.widening is not None
    assert (by_operator.widening.by, by_operator.widening.reason) == ("M. Okonjo", WHY)
    assert "curve.widened_by_nobody" in codes(calibrated(widen_reason=f"  {WHY} "))
    assert calibrated(widen_reason="  ").widening is None


def test_record_and_sheet_say_it_and_the_record_is_computed_again() -> None:
    from jsonschema import Draft202012Validator

    record = widened().to_dict()
    Draft202012Validator(schema()).validate(record)
    assert widened().widening is not None
    assert record["results"]["widened"] == widened().widening.to_dict()
    again = labkit.Calibration.from_dict(record)
    assert again.widening == widened().widening
    assert again.to_dict()["printed"] == record["printed"]
    sections = {section.title: str(section) for section in content(record).sections}
    for title in ("Curve", "Cautions"):
        assert "On the word of D. Abara" in sections[title]
        assert WHY in sections[title]
    assert ("the reason for larger uncertainties", WHY) in list(words_of_people(record))
    assert plain().to_dict()["results"]["widened"] is None


def test_a_record_from_before_is_computed_as_it_was() -> None:
    record = plain().to_dict()
    older = copy.deepcopy(record)
    for key in ("widen_reason", "widen_by"):
        del older["inputs"]["options"][key]
    del older["inputs"]["about"]["widen_reason"]
    del older["results"]["widened"]
    assert labkit.Calibration.from_dict(older).to_dict()["printed"] == record["printed"]


def test_the_key_of_the_file_of_particulars() -> None:
    about = read_about(f'[work]\noperator = "M. Okonjo"\nwiden_reason = "{WHY}"\n')
    assert about.widen_reason == WHY
    assert About.from_dict(json.loads(json.dumps(about.to_dict()))).widen_reason == WHY


# ---- the page ----


def move(page: Any, by_mm: float) -> None:
    """Type all readings of a shim in the middle anew."""
    for place, cell in enumerate(page.log.line("fit:A-4").cells):
        page.grid_event("readings", event("edit", "fit:A-4", place, text=f"{float(cell.text) + by_mm:.3f}"))


def test_the_field_is_there_only_where_chi2_rejects_and_takes_the_persons_word(tmp_path: Path) -> None:
    page = finished_page(tmp_path)
    view = CalibrateView(page)

    def offered() -> bool:
        view.refresh()
        return view.curve._widen.layout.display == ""

    assert not offered()
    page.set_field("family", "line")
    page.set_field("reason", "the procedure asks for a line")
    move(page, 0.008)
    assert offered()
    assert marks(page)[4].state == "watch"
    U = page.result.budget.U_mm

    page.set_field("widen_reason", WHY)
    assert (page.result.widening.by, page.result.widening.reason) == (page.person, WHY)
    assert page.result.budget.U_mm >= U * (1 - 1e-9)
    assert marks(page)[4].state == "watch"
    assert offered()
    said_by = page.person
    assert new_page(tmp_path, page.get_state()).result.widening == page.result.widening
    page.person = "D. Abara"
    page.refresh()
    assert page.result.widening.by == said_by != page.person
    page.person = said_by

    move(page, -0.008)
    assert page.result.widening is None
    assert "curve.not_widened" in codes(page.result)
    assert offered()
    page.set_field("widen_reason", "")
    assert not offered()
