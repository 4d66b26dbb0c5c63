"""The reading with no target near: how surely it is known, and what its drift does to a thickness."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from labkit import Conditions, calibrate, read_readings
from labkit.bench.influences import Influence

SHIMS = "shim,thickness [mm],U [mm],k\nA,0.3,0.001,2\nB,0.6,0.001,2\nC,1.0,0.001,2\nD,1.5,0.001,2\nE,2.2,0.001,2\n"
THICKNESS = {"A": 0.3, "B": 0.6, "C": 1.0, "D": 1.5, "E": 2.2}
LEVEL = 411
X = np.array([0.3, 1.0, 2.2])


def signal(x):
    return 30_000.0 * (1 + x / 1.8) ** -5


def readings(*, background=(410, 412), closing=(), more=(), spread=(-1, 0, 1)):
    """Raw readings on a background of `LEVEL`; `more` are rows of (shim, indication, role)."""
    rows = [("background", value, "background") for value in background]
    rows += [(shim, round(signal(x)) + LEVEL + s, "fit") for shim, x in THICKNESS.items() for s in spread]
    rows += [("background", value, "closing-background") for value in closing]
    text = "".join(f"{shim},{value},{role}\n" for shim, value, role in (*rows, *more))
    return read_readings(f"shim,indication [counts],role\n{text}".encode(), shims=SHIMS.encode())


def flexible(found, conditions=None):
    return calibrate(found, "flexible", conditions=conditions or Conditions(), reason="habit")


def cautions(result):
    return {each.code: each.params for each in result.cautions}


def line(result, x, code):
    found = [term.u_mm for term in result.uncertainty.terms(result.curve, x, 1) if term.code == code]
    assert len(found) < 2
    return found[0] if found else None


# ---- how surely it is known ----


@pytest.mark.parametrize("alike", [(411, 411), (411, 411, 411), (411,)])
def test_readings_that_agree_by_chance_know_no_better_than_the_repeats_on_the_thickest_shim(alike):
    """Repeats of ±4 counts: two equal readings without target had a u of 0.29 counts, the display step alone."""
    table = flexible(readings(background=alike, spread=(-4, 0, 4))).table
    expected = table.variance.variance(2.2) / len(alike)
    assert expected > 9 / len(alike)
    assert table.background.u**2 == pytest.approx(expected)
    assert table.background.dof == pytest.approx(float(table.variance.dof_at(2.2)))
    assert table.fitted.V_y[0, 4] == pytest.approx(expected)


def test_readings_that_scatter_more_than_repeats_count_with_their_own_few_degrees_of_freedom():
    """s² of 401 and 421 is 200, of their mean 100, with one degree of freedom; ±1 count on the shims."""
    result = flexible(readings(background=(401, 421)))
    background = result.table.background
    assert (background.u, background.dof) == (pytest.approx(10.0), 1.0)
    terms = {term.code: term for term in result.uncertainty.terms(result.curve, X, 1)}
    line = terms["budget.background"]
    # summed with the repeats it would leave one degree of freedom to them all, k = 14
    assert (line.dof, line.common) == (1.0, "")
    _, k = result.expanded(X)
    assert np.all(k < 3)


def test_the_record_holds_how_surely_a_background_is_known():
    assert flexible(readings(background=(401, 421))).to_dict()["results"]["background"]["dof"] == 1.0
    stated = flexible(readings(spread=(0,)), Conditions(repeatability=3.0))
    assert stated.to_dict()["results"]["background"]["dof"] is None


# ---- its drift ----


def test_a_background_that_moved_has_its_line_and_grows_as_the_signal_flattens():
    """Nine counts, as a rectangle, over the slope of the signal: without the line the thick end claimed to know."""
    result = flexible(readings(closing=(420,)))
    found = line(result, X, "budget.background_drift")
    assert found == pytest.approx(9.0 / np.sqrt(3) / np.abs(result.curve.slope(X)))
    assert found[-1] > 20 * found[0]
    assert line(flexible(readings()), X, "budget.background_drift") is None


def test_u_holds_what_the_drift_of_the_background_does_to_a_reading():
    moved = 9
    result = flexible(readings(closing=(LEVEL + moved,)))
    x = np.linspace(0.35, 2.15, 19)
    found, _ = result.correct(signal(x) + LEVEL + moved)
    assert np.all(np.abs(found - x) <= result.expanded(x)[0])
    without = flexible(readings())
    assert np.max(np.abs(found - x) / without.expanded(x)[0]) > 2


def test_a_drift_that_the_laboratory_states_itself_is_not_counted_twice():
    moved = readings(closing=(420,))
    stated = flexible(moved, Conditions(influences=(Influence("background-drift", {"signal": 12.0}),)))
    assert line(stated, X, "budget.background_drift") is None
    assert line(stated, X, "budget.signal") == pytest.approx(12.0 / np.sqrt(3) / np.abs(stated.curve.slope(X)))
    assert "background.more_than_stated" not in cautions(stated)
    off = flexible(moved, Conditions(influences=(Influence("background-drift", off="the bench is of wood"),)))
    assert line(off, X, "budget.background_drift") is None


@pytest.mark.parametrize(("shape", "doubted"), [("rectangular", True), ("normal", False)])
def test_a_drift_stated_smaller_than_it_was_is_said(shape, doubted):
    """Nine counts were seen: more than ±6 allow, no more than a standard deviation of 6 does (6·√3 = 10.4)."""
    own = Influence("background-drift", {"signal": 6.0}, shape)
    said = cautions(flexible(readings(closing=(420,)), Conditions(influences=(own,))))
    assert ("background.more_than_stated" in said) == doubted
    if doubted:
        assert said["background.more_than_stated"]["moved"] == 9.0
        assert said["background.more_than_stated"]["stated"] == 6.0


def test_a_drift_that_is_counted_is_not_named_as_not_considered():
    assert "background-drift" in cautions(flexible(readings()))["budget.not_considered"]["influences"]
    counted = cautions(flexible(readings(closing=(420,))))
    assert "background-drift" not in counted["budget.not_considered"]["influences"]


def test_a_background_that_the_gauge_takes_away_itself_moves_no_line_but_is_said():
    inside = Conditions(background="inside")
    result = flexible(readings(closing=(420,)), inside)
    assert line(result, X, "budget.background_drift") is None
    assert cautions(result)["background.no_limit"] == {"moved": 9.0, "unit": "counts"}
    assert "background-drift" in cautions(result)["budget.not_considered"]["influences"]
    for quiet in (readings(), readings(closing=(411,))):
        assert "background.no_limit" not in cautions(flexible(quiet, inside))
    limited = cautions(flexible(readings(closing=(420,)), replace(inside, background_limit=5.0)))
    assert "background.moved" in limited
    assert "background.no_limit" not in limited


def test_who_read_the_background_again_is_not_told_that_nothing_was():
    only = cautions(flexible(readings(closing=(411,))))
    assert "closing.background_only" in only
    assert "closing.not_read" not in only
    nothing = cautions(flexible(readings()))
    assert "closing.not_read" in nothing
    assert "closing.background_only" not in nothing
    shim = cautions(flexible(readings(closing=(411,), more=[("A", round(signal(0.3)) + LEVEL, "closing-fit")])))
    assert not {"closing.not_read", "closing.background_only"} & set(shim)
