"""Mean, spread and one-way analysis of variance."""

from __future__ import annotations

import json
import math

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from hypothesis import given
from hypothesis import strategies as st
from statsmodels.stats.anova import anova_lm

from labkit.metrology import describe, one_way, one_way_from_summaries, pool
from labkit.metrology.chart_constants import c4, d2, d2_star, d3, range_dof
from labkit.problems import BadInput

UNLIKE = [[1.0, 1.2, 1.1], [2.0, 2.3], [1.5, 1.4, 1.6, 1.5]]


@given(st.lists(st.floats(-1e3, 1e3), min_size=2, max_size=30))
def test_mean_and_sd_are_numpys(values):
    found = describe(values)
    assert found.mean == pytest.approx(np.mean(values), rel=1e-12, abs=1e-9)
    assert found.sd == pytest.approx(np.std(values, ddof=1), rel=1e-9, abs=1e-9)


@given(st.lists(st.integers(-1000, 1000), min_size=3, max_size=20), st.sampled_from([1e9, -1e11, 2.0**40]))
def test_a_large_common_part_changes_nothing(values, shift):
    plain, moved = describe(values), describe(np.array(values) + shift)
    assert moved.sd == pytest.approx(plain.sd, rel=1e-12)
    assert moved.mean - shift == pytest.approx(plain.mean, abs=3e-4)  # one float from the next there


def test_one_reading_has_no_spread_and_equal_readings_no_autocorrelation():
    assert (describe([3.0]).sd, describe([3.0]).lag1) == (None, None)
    assert (describe([3.0, 3.0]).sd, describe([3.0, 3.0]).lag1) == (0.0, None)
    json.dumps(describe([3.0]).to_dict())
    assert str(describe([1.0, 2.0])) == "mean 1.5, s = 0.7071 from 2 readings"


@pytest.mark.parametrize(
    ("values", "code", "row"),
    [([1.0, math.nan], "study.not_number", 2), ([math.inf], "study.not_number", 1), ([], "study.too_few", None)],
)
def test_what_is_no_number_is_named_by_its_row(values, code, row):
    with pytest.raises(BadInput) as caught:
        describe(values)
    assert caught.value.code == code
    assert (caught.value.where.row if caught.value.where else None) == row


def test_a_table_is_not_a_column():
    with pytest.raises(BadInput, match="one column"):
        describe([[1.0, 2.0], [3.0, 4.0]])


# ---- pooling ----


def test_pooled_variance_is_weighted_by_degrees_of_freedom():
    found = pool([1.0, 3.0, 9.0], [4, 1, 0])
    assert (found.sd, found.dof) == (pytest.approx(math.sqrt((4 * 1 + 9) / 5)), 5)
    assert pool([2.0, 2.0], 5).dof == 10


@pytest.mark.parametrize(
    ("sds", "dof", "code"), [([1.0, -1.0], 4, "study.negative_sd"), ([1.0, 2.0], 0, "study.no_repeats")]
)
def test_pooling_refuses_with_words(sds, dof, code):
    with pytest.raises(BadInput) as caught:
        pool(sds, dof)
    assert caught.value.code == code


# ---- one-way ----


@pytest.mark.parametrize("groups", [UNLIKE, [[1.0, 1.2], [2.0, 2.3], [1.5, 1.4]]])
def test_one_way_against_statsmodels(groups):
    data = pd.DataFrame([(y, g) for g, group in enumerate(groups) for y in group], columns=["y", "g"])
    table = anova_lm(smf.ols("y ~ C(g)", data).fit())
    ours = one_way(groups)
    assert ours.ms_between == pytest.approx(table.loc["C(g)", "mean_sq"])
    assert ours.ms_within == pytest.approx(table.loc["Residual", "mean_sq"])
    assert (ours.F, ours.p) == pytest.approx((table.loc["C(g)", "F"], table.loc["C(g)", "PR(>F)"]))
    assert ours.mean == pytest.approx(data["y"].mean())


def test_summaries_say_the_same_as_the_readings():
    ours = one_way(UNLIKE)
    from_summaries = one_way_from_summaries(
        [np.mean(each) for each in UNLIKE], [np.std(each, ddof=1) for each in UNLIKE], [len(each) for each in UNLIKE]
    )
    for name in ("mean", "ss_between", "ss_within", "F", "sd_between", "usual_count"):
        assert getattr(from_summaries, name) == pytest.approx(getattr(ours, name))


def test_components_of_unbalanced_groups_are_right_on_average():
    rng = np.random.default_rng(4)
    sizes = [2, 3, 8, 5, 2, 6]
    raw = [
        one_way([0.5 * rng.standard_normal() + rng.standard_normal(n) for n in sizes]).variance_between_raw
        for _ in range(4000)
    ]
    assert np.mean(raw) == pytest.approx(0.25, abs=4 * np.std(raw) / math.sqrt(4000))


def test_groups_that_differ_less_than_chance_have_a_raw_variance_below_0():
    ours = one_way([[1.0, 2.0], [2.0, 1.0], [1.1, 1.9]])
    assert ours.variance_between_raw < 0
    assert ours.sd_between == 0
    assert one_way(UNLIKE).u_mean_random is None
    assert ours.u_mean_fixed == pytest.approx(ours.sd_within / math.sqrt(6))
    json.dumps(ours.to_dict())


def test_groups_that_do_not_scatter_have_no_F():
    ours = one_way([[1.0, 1.0], [2.0, 2.0]])
    assert (ours.F, ours.p, ours.r_squared) == (None, None, 1.0)


@pytest.mark.parametrize(
    ("groups", "code"),
    [
        ([[1.0, 2.0]], "study.one_group"),
        ([[1.0], [2.0]], "study.no_repeats"),
        ([[1.0, 2.0], []], "study.empty_group"),
        ([[1.0, 2.0], [math.nan, 1.0]], "study.not_number"),
    ],
)
def test_one_way_refuses_with_words(groups, code):
    with pytest.raises(BadInput) as caught:
        one_way(groups)
    assert caught.value.code == code


@pytest.mark.parametrize(
    ("means", "sds", "counts", "code"),
    [
        ([1.0, 2.0], [0.1], 3, "study.columns"),
        ([1.0, 2.0], [0.1, -0.1], 3, "study.negative_sd"),
        ([1.0, 2.0], [0.1, 0.1], [3, 0], "study.empty_group"),
    ],
)
def test_summaries_are_refused_with_words(means, sds, counts, code):
    with pytest.raises(BadInput) as caught:
        one_way_from_summaries(means, sds, counts)
    assert caught.value.code == code


# ---- constants of charts ----


def test_the_range_of_two_is_known_in_closed_form():
    assert d2(2) == pytest.approx(2 / math.sqrt(math.pi), rel=1e-12)
    assert d3(2) == pytest.approx(math.sqrt(2 - 4 / math.pi), rel=1e-11)
    assert d2(3) == pytest.approx(3 / math.sqrt(math.pi), rel=1e-12)
    assert c4(2) == pytest.approx(math.sqrt(2 / math.pi), rel=1e-14)


def test_constants_by_simulation():
    rng = np.random.default_rng(1)
    x = rng.standard_normal((40_000, 25))
    ranges = np.ptp(x, axis=1)
    assert d2(25) == pytest.approx(ranges.mean(), abs=4 * ranges.std() / 200)
    assert d3(25) == pytest.approx(ranges.std(), rel=0.02)
    assert c4(25) == pytest.approx(x.std(axis=1, ddof=1).mean(), abs=0.003)
    few = np.ptp(x[:, :5], axis=1).reshape(-1, 4).mean(axis=1)
    assert d2_star(5, 4) ** 2 == pytest.approx(np.mean(few**2), rel=0.02)
    assert range_dof(5, 4) == pytest.approx(0.5 / np.var(few / d2(5)), rel=0.06)


@pytest.mark.parametrize("constant", [d2, d3, c4])
def test_one_reading_has_no_range(constant):
    with pytest.raises(BadInput, match="two readings or more"):
        constant(1)
