"""Budgets: the sum of their lines, effective degrees of freedom, and coverage factors."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.special import stdtr, stdtrit

from labkit.metrology import Budget, BudgetLine, Correlation
from labkit.metrology.budget import combined, coverage_factor, effective_dof
from labkit.problems import BadInput
from labkit.validation import case


def budget(*lines):
    return Budget(1.0, tuple(BudgetLine("budget.own", *line) for line in lines))


def test_gum_table_g2_is_students_distribution():
    one = case("table_G2_student")
    columns = {"95": 0.95, "9545": 0.9545, "99": 0.99}
    for name, published in one.published.items():
        level, dof = name.removeprefix("t").split("_")
        p = columns[level]
        found = float(stdtrit(float(dof) if dof != "inf" else 1e9, 0.5 + p / 2))
        assert published.agrees(round(found, 10)) or published.agrees(round(found, 2)), name
        if p == 0.9545:
            assert coverage_factor(float(dof)) == pytest.approx(found)


@pytest.mark.parametrize(
    ("dof", "k"), [(1, 13.97), (2, 4.53), (5, 2.65), (10, 2.28), (20, 2.13), (50, 2.05), (math.inf, 2.00)]
)
def test_coverage_factors_of_ea_4_02(dof, k):
    """EA-4/02 M:2022, table E.1: p = 95.45 %."""
    assert round(float(coverage_factor(dof)), 2) == k


def test_degrees_of_freedom_are_truncated():
    assert coverage_factor(5.99) == coverage_factor(5)
    assert coverage_factor(6.0 - 1e-12) == coverage_factor(6)
    assert coverage_factor(0.3) == coverage_factor(1)


def test_gum_h1_end_gauge():
    """JCGM 100:2008, H.1.5 and H.1.6: u = 32 nm with 16.7 degrees of freedom, t_99(16) = 2.92, U = 93 nm."""
    u, dof = [25.0, 9.7, 2.9, 16.6], [18, 25.6, 50, 2]
    one = budget(*zip(u, dof, strict=True))
    assert round(one.u_mm) == 32
    assert one.dof == pytest.approx(16.7, abs=0.1)  # printed from rounded lines
    t = float(stdtrit(math.floor(one.dof), 0.995))
    assert round(t, 2) == 2.92
    assert math.ceil(t * one.u_mm) == 93


def test_gauge_block_of_ea_4_02():
    """EA-4/02 M:2022, S4, a gauge block of 50 mm: u = 36.4 nm, k = 2, U = 73 nm (the lines from memory)."""
    one = budget((15.0,), (17.3,), (5.37,), (18.5,), (16.6,), (11.8,), (3.87,))
    assert round(one.u_mm, 1) == 36.4
    assert round(one.U_mm) == 73


def test_one_line_of_few_readings_rules():
    one = budget((3.0, 5), (0.1,))
    assert one.dof == pytest.approx(5 * (9 + 0.01) ** 2 / 81)
    assert one.k == pytest.approx(float(stdtrit(5, 0.97725)))
    assert one.U_mm == one.k * one.u_mm


def test_lines_on_one_estimate_are_summed_first():
    """Two lines of one spread are one line: neither fewer nor more is known of it."""
    shared = budget((3.0, 5, {}, "repeats"), (4.0, 5, {}, "repeats"), (2.0,))
    whole = budget((5.0, 5), (2.0,))
    assert shared.dof == pytest.approx(whole.dof)
    apart = budget((3.0, 5), (4.0, 5), (2.0,))
    assert apart.dof > shared.dof
    assert effective_dof([1.0, 1.0], [5, 7], ["a", "a"]) == pytest.approx(5.0)
    assert effective_dof([1.0, 1.0], [5, 7], ["a", "b"]) == pytest.approx(4 / (1 / 5 + 1 / 7))


def test_summing_first_covers_as_stated_and_two_lines_cover_less():
    """u = s·√(1 + 1/n) with one s of 5 degrees of freedom, k from either way of counting: metrology, 7."""
    rng = np.random.default_rng(6)
    trials, n = 200_000, 3
    s2 = rng.chisquare(5, trials) / 5
    error = rng.standard_normal(trials) * math.sqrt(1 + 1 / n)
    u = np.sqrt(s2 * (1 + 1 / n))
    cover = {}
    for name, common in (("summed", ["s", "s"]), ("apart", ["", ""])):
        k = float(stdtrit(float(effective_dof([1.0, math.sqrt(1 / n)], [5, 5], common)), 0.97725))
        cover[name] = np.mean(np.abs(error) <= k * u)
    assert cover["summed"] == pytest.approx(0.9545, abs=0.002)
    assert cover["apart"] < cover["summed"] - 0.005


def test_exactly_known_lines_have_k_of_2():
    one = budget((1.0,), (2.0,))
    assert math.isinf(one.dof)
    assert one.k == pytest.approx(2.0, abs=1e-4)
    assert one.to_dict()["dof"] is None


def test_a_line_of_which_nothing_is_known_leaves_no_degrees_of_freedom():
    assert budget((1.0, 0), (2.0,)).dof == 0
    assert budget((1.0, 0), (2.0,)).k == pytest.approx(13.97, abs=0.01)
    assert math.isinf(budget((0.0, 0), (2.0,)).dof)


def test_along_a_curve_every_place_has_its_own():
    found = effective_dof([np.array([1.0, 0.0, 2.0]), np.array([0.0, 1.0, 1.0])], [4, math.inf])
    assert found == pytest.approx([4.0, math.inf, 4 * 25 / 16])


def test_shares_and_a_round_trip():
    one = budget((3.0, 5, {"name": "magnet", "how": "trial"}, "repeats"), (4.0,))
    assert one.shares() == pytest.approx((0.36, 0.64))
    assert sum(one.shares()) == pytest.approx(1.0)
    assert budget((0.0,), (0.0,)).shares() == (0.0, 0.0)
    lines = tuple(BudgetLine.from_dict(line.to_dict()) for line in one.lines)
    assert Budget(1.0, lines) == one
    assert (one.lines[0].name, one.lines[0].how) == ("magnet", "trial")
    assert str(one).startswith("U = ")


# ---- lines that go together ----


def test_a_correlation_adds_its_product():
    """JCGM 100:2008, equation 16."""
    lines = budget((3.0,), (4.0,)).lines
    assert Budget(1.0, lines, (Correlation(0, 1, 1.0),)).u_mm == pytest.approx(7.0)
    assert Budget(1.0, lines, (Correlation(0, 1, -1.0),)).u_mm == pytest.approx(1.0)
    assert Budget(1.0, lines, (Correlation(1, 0, 0.5),)).u_mm == pytest.approx(math.sqrt(37.0))
    assert Budget(1.0, lines, (Correlation(0, 1, 0.0),)).u_mm == pytest.approx(5.0)


def test_shares_of_lines_that_go_together_are_one_in_all():
    lines = budget((3.0,), (4.0,), (1.0,)).lines
    against = Budget(1.0, lines, (Correlation(0, 1, -0.9),))
    assert sum(against.shares()) == pytest.approx(1.0)
    assert against.shares() == pytest.approx((-1.8 / 4.4, 5.2 / 4.4, 1.0 / 4.4))  # the smaller of two that cancel
    cancelled = Budget(1.0, budget((1.0,), (1.0,)).lines, (Correlation(0, 1, -1.0),))
    assert cancelled.u_mm == 0
    assert cancelled.shares() == (0.0, 0.0)


def test_lines_that_go_together_are_summed_before_degrees_of_freedom_are_counted():
    lines = budget((3.0, 4), (4.0, 4), (2.0,)).lines
    together = Budget(1.0, lines, (Correlation(0, 1, 0.5),))
    assert together.dof == pytest.approx(budget((math.sqrt(37.0), 4), (2.0,)).dof)
    chained = effective_dof([1.0, 1.0, 1.0], [6, 9, 4], ["a", "a", ""], [Correlation(1, 2, 0.2)])
    assert chained == pytest.approx(4.0)


def test_correlations_hold_all_along_a_curve():
    u = [np.array([3.0, 1.0]), np.array([4.0, 0.0])]
    assert combined(u, [Correlation(0, 1, 1.0)]) == pytest.approx([7.0, 1.0])
    assert effective_dof(u, [5, 5], None, [Correlation(0, 1, 1.0)]) == pytest.approx([5.0, 5.0])


@pytest.mark.parametrize(
    ("correlations", "code"),
    [
        ((Correlation(0, 0, 0.5),), "uncertainty.correlated_lines"),
        ((Correlation(0, 3, 0.5),), "uncertainty.correlated_lines"),
        ((Correlation(0, 1, 1.1),), "uncertainty.correlated_lines"),
        ((Correlation(0, 1, math.nan),), "uncertainty.correlated_lines"),
        ((Correlation(0, 1, 0.5), Correlation(1, 0, 0.2)), "uncertainty.correlated_lines"),
        (
            (Correlation(0, 1, 0.9), Correlation(1, 2, 0.9), Correlation(0, 2, -0.9)),
            "uncertainty.correlation_impossible",
        ),
    ],
)
def test_correlations_that_cannot_be_are_refused(correlations, code):
    with pytest.raises(BadInput) as refused:
        Budget(1.0, budget((1.0,), (1.0,), (1.0,)).lines, correlations)
    assert refused.value.code == code
    assert str(refused.value)


LINES = st.lists(st.tuples(st.floats(1e-6, 1e3), st.sampled_from([2.0, 5.0, 30.0, math.inf])), min_size=2, max_size=6)


@given(LINES, st.floats(-0.9, 0.9), st.integers(-20, 20))
def test_scaling_every_line_scales_u_and_nothing_else(lines, r, power):
    """By powers of two, so that not one digit is lost."""
    factor = 2.0**power
    correlations = (Correlation(0, 1, r),)
    one = Budget(1.0, budget(*lines).lines, correlations)
    scaled = Budget(1.0, budget(*((factor * u, dof) for u, dof in lines)).lines, correlations)
    assert scaled.u_mm == factor * one.u_mm
    assert (scaled.dof, scaled.k, scaled.shares()) == (one.dof, one.k, one.shares())


@given(LINES, st.floats(-0.9, 0.9), st.randoms())
def test_the_order_of_lines_does_not_matter(lines, r, random):
    order = list(range(len(lines)))
    random.shuffle(order)
    one = Budget(1.0, budget(*lines).lines, (Correlation(0, 1, r),))
    moved = Budget(1.0, tuple(one.lines[i] for i in order), (Correlation(order.index(0), order.index(1), r),))
    assert moved.u_mm == pytest.approx(one.u_mm, rel=1e-12)
    assert moved.dof == pytest.approx(one.dof, rel=1e-9)
    assert [moved.shares()[order.index(i)] for i in range(len(lines))] == pytest.approx(one.shares(), rel=1e-9)


# ---- drawn at random ----


def test_drawn_at_random_a_budget_of_normal_lines_is_as_stated():
    found = budget((3.0,), (4.0,)).gum_comparison(digits=1)
    assert found.validated
    assert found.high == pytest.approx(10.0, abs=1e-3)
    drawn = Budget(1.0, budget((3.0,), (4.0,)).lines, (Correlation(0, 1, 1.0),)).monte_carlo(digits=1)
    assert drawn.u == pytest.approx(7.0, abs=2 * drawn.delta)


def test_a_line_that_rules_and_is_rectangular_has_shorter_tails():
    lines = (BudgetLine("budget.own", 3.0, shape="rectangular"), BudgetLine("budget.own", 0.1))
    found = Budget(1.0, lines).gum_comparison()
    assert found.validated is False
    assert found.reason.code == "gum_interval.differs"
    assert Budget(1.0, lines).monte_carlo().symmetric[1] < 5.2 < Budget(1.0, lines).U_mm


def test_few_repeats_are_named_as_the_reason():
    found = budget((3.0, 4), (3.0, 4)).gum_comparison()
    assert found.validated is False
    assert (found.reason.code, found.reason.params["dof"]) == ("gum_interval.few_readings", 4)


def test_the_fewest_degrees_of_freedom_are_of_a_line_that_matters():
    assert budget((3.0, 4), (3.0, 9)).fewest_dof == 4
    assert budget((3.0, 40), (0.1, 1)).fewest_dof == 40
    assert budget((0.0, 2)).fewest_dof == math.inf
    small = [BudgetLine("budget.repeats", 0.5, 3, common="repeats") for _ in range(4)]
    rest = BudgetLine("budget.shims", 3.0)
    assert Budget(1.0, (small[0], rest)).fewest_dof == math.inf
    assert Budget(1.0, (*small, rest)).fewest_dof == 3  # together they matter


def test_lines_on_one_estimate_are_drawn_with_one_spread():
    """Two lines of one spread are one line: the draws know it as the formula does."""
    shared = budget((3.0, 5, {}, "repeats"), (4.0, 5, {}, "repeats"))
    assert shared.gum_comparison(digits=1).validated
    far = {}
    for word in ("repeats", ""):
        eight = budget(*[(1.0, 5, {}, word)] * 8)
        far[word] = np.mean(np.abs(eight.draws(np.random.default_rng(2), 100_000)) > 4 * eight.u_mm)
    assert far["repeats"] == pytest.approx(2 * stdtr(5, -4.0), rel=0.15)
    assert far[""] < far["repeats"] / 2  # eight spreads make each other good


def test_without_some_lines_correlations_follow_theirs():
    lines = (BudgetLine("budget.shims", 1.0), BudgetLine("budget.own", 2.0), BudgetLine("budget.closing", 3.0))
    whole = Budget(1.0, lines, (Correlation(1, 2, 0.5), Correlation(0, 1, 0.1)))
    rest = whole.without({"budget.shims"})
    assert rest == Budget(1.0, lines[1:], (Correlation(0, 1, 0.5),))


def test_a_line_keeps_its_shape_and_one_stored_before_is_normal():
    line = BudgetLine("budget.own", 1.0, shape="rectangular")
    assert BudgetLine.from_dict(line.to_dict()) == line
    before = line.to_dict()
    del before["shape"]
    assert BudgetLine.from_dict(before).shape == "normal"
    assert Budget(1.0, (line, line), (Correlation(0, 1, 0.5),)).to_dict()["correlations"] == [
        {"first": 0, "second": 1, "r": 0.5}
    ]
