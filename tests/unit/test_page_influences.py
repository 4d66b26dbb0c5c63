"""What else moves the reading, as it is typed on the page Calibrate."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import ipywidgets as W
import pytest

from labkit.bench.influences import Influence
from labkit.ledger import load_bench, save_bench
from labkit.panels.calibrate.budget_part import BudgetPart
from labkit.panels.guard import guarded
from labkit.workflow.blockers import blockers
from labkit.workflow.worker import Worker
from tests.calibrate_pages import Asleep, Later, begun_page, demo_folder, finished_page, new_page


def stated(page):
    return {each.code: each for each in page.particulars.about.conditions.influences}


def not_considered(page):
    found = [each for each in page.result.cautions if each.code == "budget.not_considered"]
    return found[0].params["influences"] if found else []


def test_a_value_raises_U_and_a_reason_leaves_it_out(tmp_path: Path) -> None:
    page = finished_page(tmp_path)
    before, left = page.result.budget.U_mm, not_considered(page)
    assert "tip-wear" in left and "filler" in left
    page.set_field("influence.tip-wear.limit_mm", "0.8")
    page.set_field("influence.tip-wear.why", "two tips compared")
    page.set_field("influence.filler.why", "unfilled polypropylene")
    assert stated(page) == {
        "tip-wear": Influence("tip-wear", {"limit_mm": pytest.approx(0.0008)}, how="two tips compared"),
        "filler": Influence("filler", off="unfilled polypropylene"),
    }
    assert page.result.budget.U_mm > before
    assert not_considered(page) == [code for code in left if code not in ("tip-wear", "filler")]
    line = next(line for line in page.result.budget.lines if line.code == "budget.limit")
    assert (line.name, line.how) == ("Tip wear", "0.8 µm, rectangular; two tips compared")
    again = new_page(tmp_path, page.get_state())
    assert stated(again) == stated(page)
    assert again.result.budget == page.result.budget
    assert blockers(page) == []
    page.set_field("influence.tip-wear.limit_mm", "")
    assert stated(page)["tip-wear"] == Influence("tip-wear", off="two tips compared")
    page.set_field("influence.tip-wear.why", "")
    assert "tip-wear" not in stated(page)
    assert page.result.budget.U_mm == pytest.approx(before)


def test_a_wrong_number_is_said_and_the_curve_stays(tmp_path: Path) -> None:
    page = finished_page(tmp_path)
    before = page.result.budget
    for text in ("much", "-1"):
        page.set_field("influence.tilt.limit_mm", text)
        assert list(page.particulars.influence_faults) == ["influence.tilt.limit_mm"]
        assert page.result is not None and page.result.budget == before
        (left,) = blockers(page)
        assert left.section == 4 and str(left).startswith("Tilt of the probe: ")
    page.set_field("influence.tilt.limit_mm", "0.1")
    assert blockers(page) == []


def test_two_numbers_go_together(tmp_path: Path) -> None:
    page = begun_page(demo_folder(tmp_path), "Rig 3", worker=Asleep())
    page.set_field("influence.magnet-temperature.change_K", "2")
    assert list(page.particulars.influence_faults) == ["influence.magnet-temperature.signal_per_K"]
    assert stated(page) == {}
    page.set_field("influence.magnet-temperature.signal_per_K", "-0.11")
    assert page.particulars.influence_faults == {}
    (found,) = stated(page).values()
    assert found.values == pytest.approx({"change_K": 2.0, "signal_per_K": -0.0011})
    page.set_field("influence.magnet-temperature.signal_per_K", "smco")
    (found,) = stated(page).values()
    assert found.values == pytest.approx({"change_K": 2.0, "signal_per_K": -0.0004})
    assert found.how == "SmCo, coefficient from memory"


def test_what_is_registered_for_the_rig_fills_the_fields(tmp_path: Path) -> None:
    data = demo_folder(tmp_path)
    bench = load_bench(data)
    registered = (
        Influence("tip-wear", {"limit_mm": 0.0005}, how="tip log"),
        Influence("filler", off="unfilled"),
        Influence("time", {"limit_mm": 0.0003}, "normal", "control chart"),
    )
    rigs = tuple(
        replace(rig, conditions=replace(rig.conditions, influences=registered)) if rig.name == "Rig 2" else rig
        for rig in bench.rigs
    )
    save_bench(data, replace(bench, rigs=rigs))
    page = begun_page(data, worker=Asleep())
    assert page.fields["influence.tip-wear.limit_mm"] == "0.5"
    assert page.fields["influence.tip-wear.why"] == "tip log"
    assert page.fields["influence.filler.why"] == "unfilled"
    assert tuple(stated(page).values()) == registered
    page.set_field("influence.filler.why", "")
    assert "filler" not in stated(page)


def part_of(page):
    part = BudgetPart(page, guarded(lambda sentence: pytest.fail(sentence)))
    part.show(page.result, "mm", dark=False)
    return part


def widgets(root, kind):
    found = [root] if isinstance(root, kind) else []
    return found + [each for child in getattr(root, "children", ()) for each in widgets(child, kind)]


def test_the_fold_says_in_one_line_what_is_in_it_and_is_empty_until_it_is_opened(tmp_path: Path) -> None:
    page = finished_page(tmp_path)
    part = part_of(page)
    assert part.fold.selected_index is None
    assert "Not considered in U: kinks in the gauge&#x27;s own table, temperature of magnet" in part.open.value
    assert part.fold.titles == ("What else moves the reading: 0 with a value, 0 left out, 17 not considered",)
    assert widgets(part.fold, W.Text) == []
    part.fold.selected_index = 0
    fields = {each.tooltip: each for each in widgets(part.fold, W.Text)}
    assert len(fields) == 17 + 17 + 4  # a reason each, and a number each, but two or three for three of them
    fields["Tip wear, limit ±"].value = "0.8"
    fields["Magnetic or conductive filler, how it is known"].value = "unfilled"
    assert set(stated(page)) == {"tip-wear", "filler"}
    part.show(page.result, "mm", dark=False)
    assert part.fold.titles == ("What else moves the reading: 1 with a value, 1 left out, 15 not considered",)
    assert "Tip wear" in part.table.value
    fields["Tip wear, limit ±"].value = "much"
    part.show(page.result, "mm", dark=False)
    assert "“much” is not a number." in "".join(each.value for each in widgets(part.fold, W.HTML))


def test_random_draws_come_after_the_result_and_hold_nothing_up(tmp_path: Path) -> None:
    drawer = Later()
    page = new_page(tmp_path, finished_page(tmp_path).get_state(), drawer=drawer)
    part = part_of(page)
    assert "on their way" in part.drawn.value and page.result.drawn is None
    drawer.catch_up()
    assert page.result.drawn is not None
    part.show(page.result, "mm", dark=False)
    assert "random draws of the whole measurement" in part.drawn.value
    page.write_note("fit:A-3", "wiped again")
    assert page.result.drawn is not None, "a remark does not change the result"
    assert page.record()["results"]["monte_carlo"]["comparison"] == page.result.drawn.comparison.to_dict()


def test_what_is_signed_holds_random_draws_even_where_they_were_still_on_their_way(tmp_path: Path) -> None:
    page = finished_page(tmp_path, worker=Worker(inline=True))
    assert page.result.drawn is None
    assert page.record()["results"]["monte_carlo"]["at_mm"] == page.result.budget.at_mm
