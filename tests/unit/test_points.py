"""From readings to points: background, sign, stacks, temperature, order, and what is said about each."""

from __future__ import annotations

import numpy as np
import pytest

from labkit.bench.conditions import Conditions
from labkit.bench.read_readings import read_readings
from labkit.calibration.points import build_points
from labkit.problems import BadInput
from labkit.sentences import SENTENCES

SHIMS = (
    "shim,thickness [mm],U [mm],k,shared u [mm],expansion [1/K],set\n"
    "A,0.3,0.0010,2,0.0002,1.9e-5,Set\nB,0.6,0.0010,2,0.0002,1.9e-5,Set\nC,1.0,0.0010,2,0.0002,1.9e-5,Set\n"
    "D,1.5,0.0010,2,0.0002,1.9e-5,Set\nE,2.2,0.0010,2,0.0002,1.9e-5,Set\nF,1.02,0.0010,2,0,0,\n"
)
THICKNESS = {"A": 0.3, "B": 0.6, "C": 1.0, "D": 1.5, "E": 2.2, "F": 1.02, "zero": 0.0}
SPREAD = (-1.0, 0.0, 1.0)


def signal(x):
    return 30_000.0 * (1 + x / 1.8) ** -5


def table_of(rows, conditions=None, *, unit="counts"):
    """Rows of (cell of the shim, indication, role)."""
    text = f"shim,indication [{unit}],role\n" + "".join(f"{shim},{value},{role}\n" for shim, value, role in rows)
    return build_points(read_readings(text.encode(), shims=SHIMS.encode()), conditions or Conditions())


def raw_rows(shims="ABCDE", offset=0.0, sign=1, value=None):
    found = []
    for shim in shims:
        x = sum(THICKNESS[part] for part in shim.split(" + "))
        level = (value or {}).get(shim, round(signal(x)))
        found += [(shim, f"{sign * (level + spread) + offset:.0f}", "fit") for spread in SPREAD]
    return found


def mm_rows(values, spread=(-0.001, 0.0, 0.001)):
    return [(shim, f"{value + s:.3f}", "fit") for shim, value in values.items() for s in spread]


def codes(table):
    return [caution.code for caution in table.cautions]


def caution(table, code):
    return next(each for each in table.cautions if each.code == code)


# ---- means and their covariance ----


def test_points_are_means_with_their_spread():
    table = table_of(raw_rows())
    assert [point.name for point in table.points] == list("ABCDE")
    assert [point.n for point in table.points] == [3] * 5
    assert [point.s for point in table.points] == pytest.approx([1.0] * 5)
    assert table.fitted.y == pytest.approx([round(signal(THICKNESS[shim])) for shim in "ABCDE"])
    assert table.variance.dof == 10
    u2 = np.diag(table.fitted.V_y)
    assert u2 == pytest.approx(table.variance.variance_of_mean(table.fitted.x, 3))
    assert table.points[0].u_y == pytest.approx(np.sqrt(u2[0]))


def test_shims_of_a_set_share_their_master():
    table = table_of(raw_rows())
    V = table.fitted.V_x
    assert np.diag(V) == pytest.approx([0.0005**2] * 5)
    assert V[0, 1] == V[3, 4] == pytest.approx(0.0002**2)
    assert table.points[0].u_x_mm == pytest.approx(0.0005)


def test_a_reading_that_was_left_out_does_not_count():
    readings = read_readings(
        b"shim,indication [counts]\nA,100\nA,102\nA,900\nB,50\nB,52\nC,30\nC,31\n", shims=SHIMS.encode()
    )
    table = build_points(readings.leave_out(2, "a chip under the target"), Conditions())
    assert (table.points[0].n, table.points[0].y) == (2, 101.0)


def test_each_joint_of_a_stack_adds_its_gap_and_its_u():
    conditions = Conditions(joint_gap_mm=0.002, joint_u_mm=0.0007)
    table = table_of(raw_rows(["A", "A + B", "A + B + C", "E"]), conditions)
    x = [point.x_mm for point in table.points]
    assert x == pytest.approx([0.3, 0.9 + 0.002, 1.9 + 0.004, 2.2])
    V = table.fitted.V_x
    own, shared = 0.0005**2 - 0.0002**2, 0.0002**2
    assert V[1, 1] == pytest.approx(2 * own + 4 * shared + 0.0007**2)
    assert V[2, 2] == pytest.approx(3 * own + 9 * shared + 2 * 0.0007**2)
    assert V[0, 1] == pytest.approx(own + 2 * shared)
    assert V[1, 2] == pytest.approx(2 * own + 6 * shared)


def test_contact_zero_has_its_seating_and_nothing_of_the_shims():
    table = table_of([*raw_rows("ABC"), ("zero", 30000, "zero"), ("zero", 30001, "zero")], Conditions(zero_u_mm=0.0009))
    zero = table.points[-1]
    assert (zero.name, zero.x_mm, zero.shims) == ("zero", 0.0, ())
    assert zero.u_x_mm == pytest.approx(0.0009)
    assert table.fitted.V_x[-1, :-1].tolist() == [0.0, 0.0, 0.0]
    exact = table_of([*raw_rows("ABC"), ("zero", 30000, "zero"), ("zero", 30001, "zero")])
    assert exact.points[-1].u_x_mm == 0.0


def test_warm_shims_are_thicker():
    conditions = Conditions(temperature_start_degC=24.0, temperature_end_degC=26.0)
    table = table_of(raw_rows(), conditions)
    assert table.fitted.x == pytest.approx([THICKNESS[shim] * (1 + 1.9e-5 * 5) for shim in "ABCDE"], rel=1e-12)
    assert "conditions.no_temperature" not in codes(table)
    plain = table_of(raw_rows())
    assert plain.fitted.x.tolist() == [0.3, 0.6, 1.0, 1.5, 2.2]
    assert "conditions.no_temperature" in codes(plain)


# ---- what was left empty ----

ZERO = [("zero", 30000, "zero"), ("zero", 30001, "zero")]


@pytest.mark.parametrize(
    ("code", "rows", "stated", "line"),
    [
        ("conditions.no_zero_u", [*raw_rows("ABC"), *ZERO], {"zero_u_mm": 0.0005}, "budget.seating"),
        ("conditions.no_joint_u", raw_rows(["A", "B", "A + C"]), {"joint_u_mm": 0.0005}, "budget.joints"),
        (
            "conditions.no_joint_u",
            [*raw_rows("ABC"), ("A + B", 4000, "check")],
            {"joint_u_mm": 0.0005},
            "budget.joints",
        ),
        ("conditions.no_u_temperature", raw_rows("ABC"), {"u_temperature_degC": 0.3}, "budget.temperature"),
    ],
)
def test_what_was_left_empty_is_said_by_the_line_that_the_budget_lacks(code, rows, stated, line):
    warm = {"temperature_start_degC": 21.0}
    said = caution(table_of(rows, Conditions(**warm)), code)
    assert f"“{SENTENCES[line]}”" in str(said)
    assert said.hint
    assert code not in codes(table_of(rows, Conditions(**warm, **stated)))


def test_what_was_left_empty_is_not_said_where_it_acts_on_nothing():
    """No contact zero, no stack; no temperature, which is said by itself; shims that do not expand."""
    empty = {"conditions.no_zero_u", "conditions.no_joint_u", "conditions.no_u_temperature"}
    assert not empty & set(codes(table_of(raw_rows("ABCDE"))))
    warm = Conditions(temperature_end_degC=23.0)
    text = "reference [mm],indication [counts]\n0.3,900\n0.6,500\n1.0,200\n2.0,50\n"
    assert not empty & set(codes(build_points(read_readings(text.encode()), warm)))
    left_out = read_readings(b"shim,indication [counts]\nzero,200\nA,100\nB,50\nC,30\n", shims=SHIMS.encode())
    assert "conditions.no_zero_u" in codes(build_points(left_out, warm))
    assert "conditions.no_zero_u" not in codes(build_points(left_out.leave_out(0, "a chip on the tip"), warm))


# ---- background and sign ----

BACKGROUND = [("background", 409, "background"), ("background", 413, "background")]


def test_background_is_subtracted_from_a_raw_signal_and_its_error_is_common():
    table = table_of([*BACKGROUND, *raw_rows(offset=411)])
    assert table.fitted.y == pytest.approx([round(signal(THICKNESS[shim])) for shim in "ABCDE"])
    u2 = 2.0**2 * 2 / 2  # s² of 409 and 413 is 8, of their mean 4
    assert table.background.u == pytest.approx(2.0)
    assert table.fitted.V_y[0, 4] == pytest.approx(4.0)
    assert u2 == 4.0
    assert np.diag(table.fitted.V_y) == pytest.approx(table.variance.variance_of_mean(table.fitted.x, 3) + 4.0)
    assert table.signal_of(500.0) == 500.0 - 411
    assert table.indication_of(table.signal_of(1234.5)) == pytest.approx(1234.5)


def test_background_that_the_gauge_takes_away_itself_is_only_recorded():
    table = table_of([*BACKGROUND, *raw_rows(offset=411)], Conditions(background="inside"))
    assert table.fitted.y[0] == pytest.approx(round(signal(0.3)) + 411)
    assert (table.background.value, table.background.subtracted) == (411.0, 0.0)
    assert table.fitted.V_y[0, 1] == 0.0


def test_background_read_once_scatters_as_far_shims_do():
    table = table_of([BACKGROUND[0], *raw_rows(offset=409)])
    assert table.background.u == pytest.approx(float(table.variance.sd(2.2)))
    assert table.background.u > 0.9


def test_background_not_shown_is_an_answer_and_not_read_is_a_doubt():
    assert "background.not_read" not in codes(table_of(raw_rows(), Conditions(background="not shown")))
    assert "background.not_read" in codes(table_of(raw_rows()))


def test_a_background_that_moved_beyond_its_limit_is_said():
    rows = [*BACKGROUND, *raw_rows(offset=411), ("background", 420, "closing-background")]
    assert "background.moved" not in codes(table_of(rows, Conditions(background_limit=9.5)))
    moved = caution(table_of(rows, Conditions(background_limit=8.5)), "background.moved")
    assert (moved.params["moved"], moved.params["limit"], moved.params["unit"]) == (9.0, 8.5, "counts")


def test_a_negative_raw_signal_is_turned():
    table = table_of(raw_rows(sign=-1))
    assert table.sign == -1
    assert table.fitted.y == pytest.approx([round(signal(THICKNESS[shim])) for shim in "ABCDE"])
    assert table.signal_of(-500.0) == 500.0
    assert table.indication_of(500.0) == -500.0


def test_a_raw_signal_on_both_sides_of_zero_is_refused():
    with pytest.raises(BadInput) as caught:
        table_of([*BACKGROUND, *raw_rows("ABCD", offset=411), ("E", 300, "fit"), ("E", 301, "fit")])
    assert caught.value.code == "points.mixed_signs"
    assert (caught.value.params["count"], caught.value.params["total"]) == (1, 5)


def test_no_reading_that_counts_is_refused():
    with pytest.raises(BadInput) as caught:
        table_of([("A", 100, "check"), ("B", 50, "check")])
    assert caught.value.code == "points.none"


# ---- resolution and repeatability ----


@pytest.mark.parametrize(
    ("rows", "unit", "step"),
    [
        (mm_rows({"A": 0.3, "B": 0.6, "C": 1.0}), "mm", 0.001),
        ([("A", "0.0118", "fit"), ("A", "0.0119", "fit"), ("B", "0.02", "fit")], "in", 0.0001 * 25.4),
        (raw_rows("ABC"), "counts", 1.0),
        ([("A", "203.49", "fit"), ("A", "203.5", "fit"), ("B", "150", "fit")], "mV", 0.01),
    ],
)
def test_the_display_step_is_taken_from_the_digits_and_that_is_said(rows, unit, step):
    table = table_of(rows, unit=unit)
    assert table.variance.resolution == pytest.approx(step)
    code = "conditions.resolution_from_digits" if unit in ("mm", "in") else "conditions.resolution_of_signal"
    assert code in codes(table)
    stated = table_of(rows, Conditions(resolution=0.005), unit=unit)
    assert stated.variance.resolution == 0.005
    assert code not in codes(stated)


def test_readings_without_any_spread_keep_the_resolution():
    table = table_of(mm_rows({"A": 0.3, "B": 0.6, "C": 1.0}, (0.0, 0.0, 0.0)))
    assert np.sqrt(np.diag(table.fitted.V_y)) == pytest.approx([0.001 / np.sqrt(12)] * 3, rel=0.001)


def test_no_shim_read_twice_asks_for_one_number():
    rows = [(shim, round(signal(THICKNESS[shim])), "fit") for shim in "ABCDE"]
    assert "points.no_repeats" in codes(table_of(rows))
    stated = table_of(rows, Conditions(repeatability=4.0))
    assert "points.no_repeats" not in codes(stated)
    assert np.diag(stated.fitted.V_y) == pytest.approx([16.0] * 5)


def read_as(repeats, spread=0.0):
    """Readings of five shims: each as often as `repeats` says, `spread` to either side of its mean."""
    rows = []
    for shim, n in zip("ABCDE", repeats, strict=True):
        level = round(signal(THICKNESS[shim]))
        rows += [(shim, f"{level + spread * (2 * i / max(n - 1, 1) - 1):.0f}", "fit") for i in range(n)]
    return rows


STATED = Conditions(repeatability=20.0)


def test_two_readings_that_agree_by_chance_do_not_drop_a_stated_repeatability():
    """One of five shims read twice, to the same count: u of the others fell from 20 counts to 0.3."""
    once, twice = (table_of(read_as(n), STATED) for n in ((1, 1, 1, 1, 1), (2, 1, 1, 1, 1)))
    assert np.sqrt(np.diag(once.fitted.V_y)) == pytest.approx([20.0] * 5)
    assert np.sqrt(np.diag(twice.fitted.V_y)) == pytest.approx([20.0 / np.sqrt(2), 20.0, 20.0, 20.0, 20.0])
    assert np.all(np.isinf(twice.variance.dof_at([0.3, 2.2])))


def test_repeats_that_agree_with_it_leave_a_stated_repeatability_without_a_word():
    table = table_of(read_as((2, 2, 1, 1, 1), spread=15), STATED)
    assert table.variance.sd(1.0) == pytest.approx(20.0)
    assert not [code for code in codes(table) if code.startswith("points.repeatability")]


def test_few_repeats_that_scatter_far_less_than_stated_are_said():
    table = table_of(read_as((3, 3, 2, 1, 1), spread=1), STATED)
    assert table.variance.sd(1.0) == pytest.approx(20.0)
    said = caution(table, "points.repeatability_kept")
    assert (said.params["stated"], said.params["dof"], said.params["unit"]) == (20.0, 5, "counts")
    assert said.params["s"] == pytest.approx(np.sqrt((2 * 1 + 2 * 1 + 1 * 2) / 5))


def test_repeats_that_scatter_more_than_stated_count_and_that_is_said():
    """s = 57 counts from two pairs against 20 stated: χ² = 16 with two degrees of freedom."""
    table = table_of(read_as((2, 2, 1, 1, 1), spread=40), STATED)
    said = caution(table, "points.repeatability_exceeded")
    assert said.params["s"] == pytest.approx(40 * np.sqrt(2))
    assert table.variance.dof == 2
    assert np.all(table.variance.sd([0.3, 0.6]) > 40)


def test_enough_repeats_know_better_and_that_is_said():
    few, enough = (table_of(read_as(n, spread=15), STATED) for n in ((4, 4, 4, 1, 1), (4, 4, 4, 2, 1)))
    assert few.variance.dof == np.inf
    assert "points.repeatability_not_used" not in codes(few)
    assert enough.variance.dof == 10
    assert enough.variance.sd(0.6) != pytest.approx(20.0, rel=0.01)
    assert "points.repeatability_not_used" in codes(enough)
    assert not [code for code in codes(table_of(read_as((4, 4, 4, 2, 1), spread=15))) if "repeatability" in code]


def test_what_the_display_hides_does_not_contradict_a_stated_repeatability():
    """s = 0.3 counts on a display of whole counts: repeats all alike, or one a step off, are as it says."""
    stated = Conditions(repeatability=0.3)
    for spread in (0, 0.5):
        table = table_of(read_as((3, 1, 1, 1, 1), spread=spread), stated)
        assert not [code for code in codes(table) if code.startswith("points.repeatability")]
        assert table.variance.sd(1.0) == pytest.approx(0.3)


def test_where_nothing_is_known_the_residuals_are_the_only_measure():
    readings = read_readings(b"reference [mm],indication [counts]\n0.3,900\n0.6,500\n1.0,200\n2.0,50\n")
    table = build_points(readings, Conditions())
    assert not table.known_scale
    assert table.fitted.V_y is None
    assert not table.fitted.V_x.any()
    assert "points.nothing_known" in codes(table)
    assert table.repeat_share == 1.0


def test_a_straggler_is_named_with_its_row_and_kept():
    rows = raw_rows()
    rows[7] = ("C", str(round(signal(1.0)) + 60), "fit")
    table = table_of(rows)
    found = caution(table, "points.straggler")
    assert (found.params["point"], found.params["index"], found.params["others"]) == ("C", 2, 2)
    assert found.where.row == 9
    assert table.points[2].n == 3


# ---- order ----


def test_one_shim_out_of_order_is_named():
    table = table_of(mm_rows({"A": 0.3, "B": 0.6, "C": 2.6, "D": 1.5, "E": 2.2}))
    assert table.order_broken
    found = caution(table, "points.order_broken")
    assert found.params["shim"] == "C"


def test_two_shims_in_each_others_place_are_both_named():
    table = table_of(mm_rows({"A": 0.3, "B": 0.6, "C": 1.5, "D": 1.0, "E": 2.2}))
    assert table.order_broken
    found = caution(table, "points.order_swapped")
    assert {found.params["shim"], found.params["other"]} == {"C", "D"}


def test_order_is_that_of_the_signal_whichever_way_it_goes():
    assert not table_of(raw_rows()).order_broken
    assert not table_of(mm_rows({"A": 0.3, "B": 0.6, "C": 1.0})).order_broken
    swapped = {"A": round(signal(0.6)), "B": round(signal(0.3))}
    assert table_of(raw_rows(value=swapped)).order_broken


def test_a_reversal_within_three_combined_uncertainties_is_no_break():
    """C 1.00 mm and F 1.02 mm, u 0.5 µm each, and readings of 1 µm: −1 µm is chance, −10 µm is not."""
    assert not table_of(mm_rows({"A": 0.3, "C": 1.001, "F": 1.000, "E": 2.2})).order_broken
    assert table_of(mm_rows({"A": 0.3, "C": 1.010, "F": 1.000, "E": 2.2})).order_broken


def test_thin_shims_are_judged_by_the_slope_at_thin_walls():
    """
    Two shims 0.2 µm apart, 0.5 µm uncertain, where the signal falls by 32 counts in a micrometre: 40 counts the wrong
    way are 1.3 µm. The slope from end to end, 7 counts in a micrometre, would call it broken.
    """
    shims = (
        "shim,thickness [mm],U [mm],k\n"
        "A,0.3000,0.001,2\nB,0.3002,0.001,2\nC,0.6,0.001,2\nD,1.5,0.001,2\nE,2.2,0.001,2\n"
    )
    level = {"A": round(signal(0.3)), "B": round(signal(0.3)) + 40, "C": round(signal(0.6)), "D": 800, "E": 180}
    rows = "".join(f"{shim},{value + s}\n" for shim, value in level.items() for s in (-1, 0, 1))
    table = build_points(
        read_readings(f"shim,indication [counts]\n{rows}".encode(), shims=shims.encode()), Conditions()
    )
    assert not table.order_broken


def test_two_shims_of_one_certified_thickness_have_a_share_of_repeats():
    shims = "shim,thickness [mm],U [mm],k\nA,0.3,0.001,2\nB,0.5,0.001,2\nC,0.5,0.001,2\nD,1.0,0.001,2\n"
    rows = "".join(
        f"{shim},{round(signal(x)) + s}\n" for shim, x in zip("ABCD", (0.3, 0.5, 0.5, 1.0), strict=True) for s in (0, 2)
    )
    table = build_points(
        read_readings(f"shim,indication [counts]\n{rows}".encode(), shims=shims.encode()), Conditions()
    )
    assert 0 < table.repeat_share < 1


# ---- points to come ----


def test_a_shim_still_unread_is_added_with_what_it_shares():
    table = table_of([*BACKGROUND, *raw_rows("ABD", offset=411)])
    more = table.with_shims(["C"], 3, lambda x: signal(x))
    assert more.x == pytest.approx([0.3, 0.6, 1.5, 1.0])
    assert more.y[-1] == pytest.approx(signal(1.0))
    assert more.V_x[-1, -1] == pytest.approx(0.0005**2)
    assert more.V_x[0, -1] == pytest.approx(0.0002**2)
    assert more.V_y[0, -1] == pytest.approx(4.0)
    assert more.V_y[-1, -1] == pytest.approx(4.0 + table.variance.variance_of_mean(1.0, 3))


@pytest.mark.parametrize(
    ("stated", "code"),
    [(("", "", ""), "shims.without_u"), (("0.001", "", "0.001"), "shims.some_without_u"), (("0.001",) * 3, None)],
)
def test_shims_without_a_stated_uncertainty_are_said(stated, code):
    shims = "shim,thickness [mm],U [mm],k\n" + "".join(
        f"{name},{THICKNESS[name]},{U},{2 if U else ''}\n" for name, U in zip("ABC", stated, strict=True)
    )
    text = "".join(f"{shim},{value},{role}\n" for shim, value, role in raw_rows("ABC"))
    readings = read_readings(f"shim,indication [counts],role\n{text}".encode(), shims=shims.encode())
    said = {each for each in codes(build_points(readings, Conditions())) if "without_u" in each}
    assert said == ({code} if code else set())
