"""What else moves the reading, as it is typed on the page Calibrate."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from labkit.bench.influences import Influence
from labkit.ledger import load_bench, save_bench
from labkit.workflow.blockers import blockers
from tests.calibrate_pages import Asleep, begun_page, demo_folder, finished_page, new_page


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
