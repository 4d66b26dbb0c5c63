"""Gauge studies: components, their intervals, bias, linearity, and what is refused."""

from __future__ import annotations

import json
import math

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import ttest_1samp
from statsmodels.stats.anova import anova_lm

from labkit.metrology import (
    average_and_range,
    bias_study,
    gauge_differences,
    gauge_study,
    linearity,
    stability_study,
    type_1_study,
)
from labkit.metrology.components import Term, interval, satterthwaite_dof
from labkit.problems import BadInput

SOURCES = {"part": "C(part)", "operator": "C(who)", "interaction": "C(part):C(who)", "equipment": "Residual"}


def rows(parts=6, operators=3, repeats=3, sd=(1.0, 0.3, 0.2, 0.15), seed=1, design="crossed"):
    """Readings of parts by operators: spread of parts, operators, interaction and repeats."""
    rng = np.random.default_rng(seed)
    found = []
    own = rng.standard_normal(parts) * sd[0]
    for o in range(operators):
        by = sd[1] * rng.standard_normal()
        for p in range(parts):
            part = own[p] if design == "crossed" else sd[0] * rng.standard_normal()
            both = sd[2] * rng.standard_normal() if design == "crossed" else 0.0
            name = f"P{p}" if design == "crossed" else f"O{o}P{p}"
            for _ in range(repeats):
                found.append((2.0 + part + by + both + sd[3] * rng.standard_normal(), name, f"O{o}"))
    return found


def study(found, **options):
    return gauge_study(*zip(*found, strict=True), **options)


def statsmodels_table(found, model):
    data = pd.DataFrame(found, columns=["y", "part", "who"])
    return anova_lm(smf.ols(model, data).fit())


# ---- components ----


def test_crossed_mean_squares_against_statsmodels():
    found = rows()
    table = statsmodels_table(found, "y ~ C(part) * C(who)")
    ours = study(found, alpha=1.0)
    for source, name in SOURCES.items():
        assert ours.row(source).ms == pytest.approx(table.loc[name, "mean_sq"], rel=1e-10)
        assert ours.row(source).dof == table.loc[name, "df"]
    assert ours.row("interaction").p == pytest.approx(table.loc["C(part):C(who)", "PR(>F)"], rel=1e-9)
    ratio = table.loc["C(who)", "mean_sq"] / table.loc["C(part):C(who)", "mean_sq"]
    against_interaction = ours.row("operator").F
    assert against_interaction == pytest.approx(ratio, rel=1e-10)


def test_nested_mean_squares_against_statsmodels():
    found = rows(design="nested")
    table = statsmodels_table(found, "y ~ C(who)")
    within = statsmodels_table(found, "y ~ C(part)")
    ours = study(found, design="nested")
    assert ours.row("operator").ms == pytest.approx(table.loc["C(who)", "mean_sq"], rel=1e-9)
    assert ours.row("equipment").ms == pytest.approx(within.loc["Residual", "mean_sq"], rel=1e-9)
    between = within.loc["C(part)", "sum_sq"] - table.loc["C(who)", "sum_sq"]
    assert ours.row("part").ss == pytest.approx(between, rel=1e-9)
    assert (ours.parts, ours.operators, ours.repeats) == (6, 3, 3)
    assert "interaction" not in ours.components
    assert ours.pooled is None


@pytest.mark.parametrize("design", ["crossed", "nested"])
def test_components_come_out_right_on_average(design):
    sd = (0.5, 0.3, 0.2, 0.1) if design == "crossed" else (0.5, 0.3, 0.0, 0.1)
    raw = {}
    for seed in range(400):
        ours = study(rows(8, 4, 2, sd, seed, design), design=design, alpha=1.0)
        for name, component in ours.components.items():
            raw.setdefault(name, []).append(component.raw_variance)
    parts, operators, both, repeats = np.square(sd)
    expected = {"part": parts, "operator": operators, "repeatability": repeats, "gauge": operators + both + repeats}
    if design == "crossed":
        expected["interaction"] = both
    for name, variance in expected.items():
        error = np.std(raw[name]) / math.sqrt(400)
        # crossed parts are the same for every operator; the seeds differ, so every study is a new draw
        assert np.mean(raw[name]) == pytest.approx(variance, abs=4 * error)


def test_sums_are_of_their_parts():
    ours = study(rows(), alpha=1.0).components
    assert ours["reproducibility"].variance == pytest.approx(ours["operator"].variance + ours["interaction"].variance)
    assert ours["gauge"].variance == pytest.approx(ours["repeatability"].variance + ours["reproducibility"].variance)
    assert ours["total"].variance == pytest.approx(ours["gauge"].variance + ours["part"].variance)
    assert ours["total"].of_total == 1.0


def test_the_interaction_is_pooled_where_its_p_is_above_alpha():
    found = rows(sd=(1.0, 0.3, 0.0, 0.2))
    p = study(found).row("interaction").p
    pooled, kept = study(found, alpha=p / 2), study(found, alpha=min(1.0, 2 * p))
    assert (pooled.pooled, kept.pooled) == (True, False)
    assert "interaction" not in pooled.components
    rows_of = [pooled.row("interaction"), pooled.row("equipment")]
    together = sum(row.ss for row in rows_of) / sum(row.dof for row in rows_of)
    assert pooled.components["repeatability"].variance == pytest.approx(together)
    assert kept.components["repeatability"].variance == pytest.approx(kept.row("equipment").ms)
    assert any("pooled with repeatability" in str(each) for each in pooled.methods)


def test_a_negative_component_is_set_to_0_and_its_raw_value_kept():
    flat = [
        (value, part, who) for who in "ABC" for part, base in (("1", 0.0), ("2", 1.0)) for value in (base, base + 0.3)
    ]
    ours = study(flat, alpha=1.0)
    operator = ours.components["operator"]
    assert operator.sd == 0
    assert operator.raw_variance == pytest.approx(0.0, abs=1e-15)
    rng = np.random.default_rng(3)
    noise = [(float(rng.standard_normal()), part, who) for who in "AB" for part in "12345" for _ in range(2)]
    negative = [study(noise, alpha=1.0)]
    caution = {each.code: each for each in negative[0].cautions}
    below = [name for name in ("operator", "interaction", "part") if negative[0].components[name].raw_variance < 0]
    assert below
    for name in below:
        assert negative[0].components[name].sd == 0
        assert negative[0].components[name].interval[0] == 0
        said = caution[f"gauge_study.negative_{name}"]
        assert said.params["raw_variance"] == negative[0].components[name].raw_variance
        assert "set to 0" in str(said)


def test_shares_of_tolerance_and_of_total():
    found = rows()
    ours = study(found, tolerance_width=4.0, multiplier=5.15)
    gauge = ours.components["gauge"]
    assert gauge.of_tolerance == pytest.approx(5.15 * gauge.sd / 4.0)
    assert gauge.of_total == pytest.approx(gauge.sd / ours.components["total"].sd)
    assert any("5.15 · s" in str(each) for each in ours.methods)
    assert study(found).components["gauge"].of_tolerance is None
    part = ours.components["part"].sd
    assert ours.distinct_categories == math.floor(1.41421356 * part / gauge.sd)


def test_a_perfect_gauge_has_no_number_of_categories():
    same = [(float(part), part, who) for who in "AB" for part in "123" for _ in range(2)]
    ours = study(same, alpha=0.05)
    assert ours.components["gauge"].sd == 0
    assert ours.distinct_categories is None
    assert ours.pooled is False
    assert ours.row("interaction").F is None


def test_a_gauge_that_shows_one_number_has_no_shares():
    ours = study([(1.0, part, who) for who in "AB" for part in "123" for _ in range(2)])
    assert ours.components["gauge"].of_total is None
    assert ours.components["total"].sd == 0


@settings(max_examples=15)
@given(st.permutations(range(36)), st.floats(0.01, 100.0), st.floats(-50.0, 50.0))
def test_order_units_and_zero_do_not_matter(order, scale, shift):
    found = rows(4, 3, 3)
    ours = study(found, tolerance_width=4.0)
    moved = study([(scale * found[i][0] + shift, *found[i][1:]) for i in order], tolerance_width=4.0 * scale)
    for name, component in ours.components.items():
        other = moved.components[name]
        assert other.sd == pytest.approx(scale * component.sd, rel=1e-6, abs=1e-9 * scale)
        assert other.of_tolerance == pytest.approx(component.of_tolerance, rel=1e-6, abs=1e-9)
        assert other.interval == pytest.approx(tuple(scale * each for each in component.interval), rel=1e-5, abs=1e-9)


def test_few_operators_and_parts_are_doubted():
    codes = {each.code for each in study(rows(3, 2, 2)).cautions}
    assert {"gauge_study.few_operators", "gauge_study.few_parts"} <= codes
    assert not {"gauge_study.few_operators", "gauge_study.few_parts"} & {each.code for each in study(rows()).cautions}


def test_it_reads_well_and_goes_into_json():
    ours = study(rows(), tolerance_width=4.0)
    assert "of the tolerance (3 operators, 6 parts, 3 readings each)" in str(ours)
    found = json.loads(json.dumps(ours.to_dict()))
    assert found["components"]["gauge"]["sd"] == ours.components["gauge"].sd
    assert found["distinct_categories"] == ours.distinct_categories


def test_averages_and_ranges_are_near_the_analysis_of_variance():
    found = rows(10, 3, 3, (1.0, 0.3, 0.0, 0.2), seed=5)
    by_hand = average_and_range(*zip(*found, strict=True), tolerance_width=4.0).components
    ours = study(found, tolerance_width=4.0).components
    for name in ("repeatability", "operator", "gauge", "part"):
        assert by_hand[name].sd == pytest.approx(ours[name].sd, rel=0.25)
        assert by_hand[name].interval is None
    json.dumps(average_and_range(*zip(*found, strict=True)).to_dict())


# ---- what is refused ----


def refused(call, *args, **options):
    with pytest.raises(BadInput) as caught:
        call(*args, **options)
    return caught.value


def test_a_missing_reading_is_named_by_operator_and_part():
    found = rows()
    del found[4]
    problem = refused(study, found)
    assert problem.code == "gauge_study.unbalanced"
    assert problem.params == {"operator": "O0", "part": "P1", "got": 2, "usual": 3, "others": 0}
    assert "Operator O0 read part P1 2 times, the others 3 times." in str(problem)
    assert "Read what is missing" in str(problem)


def test_a_part_that_an_operator_did_not_read_is_named():
    found = [row for row in rows() if row[1:] != ("P2", "O1")]
    problem = refused(study, found)
    assert (problem.code, problem.params["operator"], problem.params["part"], problem.params["got"]) == (
        "gauge_study.unbalanced",
        "O1",
        "P2",
        0,
    )


def test_a_value_that_is_no_number_is_named_by_its_row():
    found = rows()
    found[7] = (math.nan, *found[7][1:])
    problem = refused(study, found)
    assert (problem.code, problem.where.row) == ("study.not_number", 8)


@pytest.mark.parametrize("nobody", [None, "", math.nan])
def test_a_reading_without_a_name_is_named_by_its_row(nobody):
    found = rows()
    found[3] = (found[3][0], found[3][1], nobody)
    problem = refused(study, found)
    assert (problem.code, problem.where.row) == ("gauge_study.no_name", 4)


@pytest.mark.parametrize(
    ("found", "options", "code"),
    [
        (rows(repeats=1), {}, "gauge_study.read_once"),
        (rows(operators=1), {}, "gauge_study.one_operator"),
        (rows(parts=1), {}, "gauge_study.one_part"),
        (rows(), {"design": "nested"}, "gauge_study.not_nested"),
        (rows(design="nested")[:-3], {"design": "nested"}, "gauge_study.unlike_parts"),
        (rows(design="nested")[:-1], {"design": "nested"}, "gauge_study.unbalanced"),
        (rows(), {"design": "sideways"}, "gauge_study.design"),
        (rows(), {"tolerance_width": 0.0}, "study.tolerance_width"),
        (rows(), {"tolerance_width": math.inf}, "study.tolerance_width"),
        (rows(), {"multiplier": -6}, "study.multiplier"),
        (rows(), {"alpha": 2.0}, "gauge_study.alpha"),
        (rows(), {"level": 1.0}, "study.level"),
    ],
)
def test_what_makes_no_study_is_refused_with_words(found, options, code):
    problem = refused(study, found, **options)
    assert problem.code == code
    assert str(problem)


def test_columns_of_unlike_length_are_refused():
    assert refused(gauge_study, [1.0, 2.0], ["a", "b"], ["A"]).code == "study.columns"


# ---- intervals ----


@pytest.mark.parametrize(
    ("coefficients", "expected", "dof"),
    [
        ([1.0], [2.0], [7]),
        ([1 / 30, 9 / 30, 2 / 3], [1.39, 0.19, 0.04], [2, 18, 60]),  # the gauge: a sum
        ([1 / 30, -1 / 30], [1.39, 0.07], [2, 18]),  # operators: a difference
        ([1 / 9, -1 / 9], [9.07, 0.07], [9, 18]),  # parts
        ([1 / 30, 9 / 30, -1 / 3], [1.39, 0.19, 0.04], [2, 18, 60]),  # reproducibility: two and one
    ],
)
def test_intervals_cover_as_often_as_they_say(coefficients, expected, dof):
    rng = np.random.default_rng(8)
    n = 1500
    draws = [each * rng.chisquare(nu, n) / nu for each, nu in zip(expected, dof, strict=True)]
    true = sum(c * each for c, each in zip(coefficients, expected, strict=True))
    hits = 0
    for squares in zip(*draws, strict=True):
        low, high = interval([Term(*each) for each in zip(coefficients, squares, dof, strict=True)])
        hits += low <= true <= high
    assert hits / n == pytest.approx(0.95, abs=4 * math.sqrt(0.95 * 0.05 / n))


def test_one_mean_square_has_the_interval_of_chi_squared():
    low, high = interval([Term(1.0, 4.0, 10)])
    assert (10 * 4.0 / low, 10 * 4.0 / high) == pytest.approx((20.4832, 3.24697), rel=1e-5)  # χ² tables, 10 dof
    assert satterthwaite_dof([Term(0.5, 4.0, 10)]) == pytest.approx(10)
    assert satterthwaite_dof([Term(1.0, 1.0, 5), Term(-1.0, 2.0, 5)]) is None


# ---- bias and linearity ----


def test_bias_has_the_interval_of_students_t():
    found = bias_study([10.1, 10.3, 10.2, 10.4], 10.0)
    assert found.value == pytest.approx(0.25)
    assert found.u == pytest.approx(found.sd / 2)
    assert found.interval == pytest.approx((0.25 - 3.182446 * found.u, 0.25 + 3.182446 * found.u), rel=1e-6)
    assert found.differs
    theirs = ttest_1samp([10.1, 10.3, 10.2, 10.4], 10.0)
    assert (found.t, found.p) == pytest.approx((theirs.statistic, theirs.pvalue))
    assert not bias_study([9.9, 10.1, 10.0], 10.0).differs


def test_readings_that_do_not_differ_have_no_t():
    found = bias_study([10.5, 10.5, 10.5], 10.0)
    assert (found.t, found.p, found.differs) == (None, None, True)


def test_linearity_against_statsmodels_and_its_band():
    rng = np.random.default_rng(2)
    x = np.repeat([0.3, 0.8, 1.5, 2.4], 6)
    y = x + 0.01 + 0.02 * x + 0.005 * rng.standard_normal(24)
    ours = linearity(y, x)
    theirs = smf.ols("b ~ x", pd.DataFrame({"b": y - x, "x": x})).fit()
    assert (ours.intercept, ours.slope) == pytest.approx(tuple(theirs.params))
    assert (ours.u_intercept, ours.u_slope) == pytest.approx(tuple(theirs.bse))
    assert ours.r_squared == pytest.approx(theirs.rsquared)
    assert ours.p_slope == pytest.approx(theirs.pvalues["x"])
    low, high = ours.band([0.0, 1.0])
    limits = theirs.get_prediction(pd.DataFrame({"x": [0.0, 1.0]})).conf_int()
    assert np.column_stack([low, high]) == pytest.approx(limits)
    assert not ours.zero_inside
    assert linearity(x + 1e-4 * rng.standard_normal(24), x).zero_inside
    assert [each.reference for each in ours.biases] == [0.3, 0.8, 1.5, 2.4]
    json.dumps(ours.to_dict())


def test_linearity_does_not_depend_on_order():
    x = [2.0, 1.0, 3.0, 1.0, 2.0, 3.0]
    y = [2.1, 1.0, 3.3, 1.2, 2.2, 3.2]
    order = [3, 0, 5, 1, 4, 2]
    one, other = linearity(y, x), linearity([y[i] for i in order], [x[i] for i in order])
    assert one.slope == pytest.approx(other.slope)
    assert one.residual_sd == pytest.approx(other.residual_sd)


@pytest.mark.parametrize(
    ("y", "x", "code"),
    [
        ([1.0, 1.1, 1.2], [1.0, 1.0, 1.0], "gauge_bias.one_reference"),
        ([1.0, 1.1, 2.2], [1.0, 1.0, 2.0], "gauge_bias.read_once"),
        ([1.0, 1.1, 2.2], [1.0, 1.0], "study.columns"),
        ([1.0, 1.1], [1.0, 2.0], "study.too_few"),
    ],
)
def test_linearity_refuses_with_words(y, x, code):
    assert refused(linearity, y, x).code == code


# ---- one shim ----


@pytest.mark.parametrize("multiplier", [6, 4])
def test_cg_and_cgk_by_their_formulas(multiplier):
    rng = np.random.default_rng(6)
    y = 1.002 + 0.001 * rng.standard_normal(50)
    ours = type_1_study(y, 1.0, 0.1, multiplier=multiplier)
    s, off = np.std(y, ddof=1), np.mean(y) - 1.0
    assert ours.Cg == pytest.approx(0.2 * 0.1 / (multiplier * s))
    assert ours.Cgk == pytest.approx((0.1 * 0.1 - abs(off)) / (multiplier / 2 * s))
    assert ours.Cgk < ours.Cg
    assert f"({multiplier} · s)" in str(ours.method)
    json.dumps(ours.to_dict())


def test_a_shim_that_always_reads_the_same_has_no_cg():
    ours = type_1_study([1.0] * 30, 1.0, 0.1)
    assert (ours.Cg, ours.Cgk) == (None, None)
    assert "cannot be told" in str(ours)


def test_type_1_refuses_what_is_no_tolerance():
    assert refused(type_1_study, [1.0, 1.1], 1.0, -0.1).code == "study.tolerance_width"
    assert refused(type_1_study, [1.0, 1.1], 1.0, 0.1, share=0).code == "gauge_bias.share"


# ---- gauges and runs ----


def test_differences_between_gauges_sum_to_nothing():
    values = {("A", 1): 1.0, ("B", 1): 1.2, ("A", 2): 2.0, ("B", 2): 2.4}
    found = gauge_differences(list(values.values()), [g for g, _ in values], [a for _, a in values])
    assert found.mean("A") == pytest.approx(-0.15)
    assert found.mean("B") == pytest.approx(0.15)
    problem = refused(gauge_differences, [1.0, 1.2, 2.0], ["A", "B", "A"], [1, 1, 2])
    assert (problem.code, problem.params["gauge"], problem.params["artefact"]) == ("gauge_bias.not_once", "B", "2")
    assert refused(gauge_differences, [1.0, 1.2], ["A", "A"], [1, 2]).code == "gauge_bias.one_gauge"


def test_levels_of_a_stability_study_are_found():
    rng = np.random.default_rng(9)
    table = []
    for run in range(60):
        for artefact in range(5):
            level = artefact + 0.5 * rng.standard_normal()
            for _ in range(6):
                day = level + 0.2 * rng.standard_normal()
                table.append((day, 0.1 * math.sqrt(rng.chisquare(5) / 5), artefact, run))
    y, s, artefacts, runs = zip(*table, strict=True)
    found = stability_study(y, s, 5, artefacts, runs)
    assert found.level_1[0].dof == 5 * 6 * 5
    assert found.level_2[0].dof == 5 * 5
    assert np.mean([each.sd**2 for each in found.level_1.values()]) == pytest.approx(0.01, rel=0.05)
    assert np.mean([each.sd**2 for each in found.level_2.values()]) == pytest.approx(0.04, rel=0.15)
    assert found.level_3.dof == 5 * 59
    assert found.level_3.sd**2 == pytest.approx(0.25 + 0.04 / 6, rel=0.3)
    json.dumps(found.to_dict())


def test_a_stability_study_names_the_artefact_that_lacks_days():
    problem = refused(stability_study, [1.0, 1.1, 2.0], [0.1] * 3, 5, ["a", "a", "b"], [1, 1, 1])
    assert (problem.code, problem.params) == ("stability.one_day", {"artefact": "b", "run": "1", "got": 1})
    assert stability_study([1.0, 1.1], [0.1, 0.1], 5, ["a", "a"], [1, 1]).level_3 is None
