"""Control charts: limits from a baseline, what they find and what they leave alone."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest

from labkit.metrology import check_standard, ewma, individuals_chart, linear_check_chart, subgroup_charts
from labkit.problems import BadInput


def noise(n, seed=1):
    return np.random.default_rng(seed).standard_normal(n)


# ---- single readings ----


def test_the_baseline_alone_sets_the_limits():
    quiet, jump = noise(20), noise(10, 2) + 50.0
    both = individuals_chart(np.append(quiet, jump), baseline=20)
    alone = individuals_chart(quiet)
    assert both.level.upper[0] == alone.level.upper[0]
    assert both.spread.centre == alone.spread.centre
    assert set(range(20, 30)) <= set(both.level.beyond)
    assert (both.level.baseline, both.spread.baseline) == (20, 19)
    assert 19 in both.spread.beyond  # the range from the last quiet reading to the first that jumped
    assert "from the first 20 points" in str(both.level.method)


def test_sigma_from_moving_ranges_is_that_of_the_readings():
    charts = individuals_chart(5.0 + 0.3 * noise(4000))
    assert charts.level.sigma == pytest.approx(0.3, rel=0.05)
    assert charts.level.upper[0] == pytest.approx(5.9, abs=0.05)
    assert charts.spread.lower is None  # a range has no lower limit at 0
    assert len(charts.level.beyond) / 4000 == pytest.approx(0.0027, abs=0.004)


def test_units_and_zero_do_not_matter():
    x = noise(25)
    plain, moved = individuals_chart(x).level, individuals_chart(1000 * x - 7).level
    assert moved.upper[0] == pytest.approx(1000 * plain.upper[0] - 7)
    assert moved.beyond == plain.beyond


# ---- subgroups ----


@pytest.mark.parametrize("spread", ["range", "sd"])
def test_both_spreads_give_the_sigma_of_one_reading(spread):
    charts = subgroup_charts(2.0 + 0.5 * noise(4000).reshape(-1, 4), spread=spread)
    assert charts.level.sigma == pytest.approx(0.5, rel=0.04)
    assert charts.level.upper[0] - charts.level.centre == pytest.approx(3 * charts.level.sigma / 2)
    assert len(charts.spread.beyond) / 1000 < 0.02
    assert charts.spread.kind == ("ranges" if spread == "range" else "standard deviations")


def test_large_subgroups_have_a_lower_limit_of_spread():
    charts = subgroup_charts(noise(200).reshape(-1, 10))
    assert charts.spread.lower is not None
    assert 0 < charts.spread.lower[0] < charts.spread.centre


def test_charts_read_well_and_go_into_json():
    charts = subgroup_charts(noise(40).reshape(-1, 4))
    assert str(charts).count("\n") == 1
    found = json.loads(json.dumps(charts.to_dict()))
    assert found["level"]["upper"] == list(charts.level.upper)
    assert found["spread"]["lower"] is None


# ---- EWMA ----


def test_a_weight_of_1_is_the_chart_of_single_readings():
    x = noise(10)
    chart = ewma(x, start=0.0, sigma=1.0, weight=1.0)
    assert chart.points == pytest.approx(x)
    assert chart.upper == pytest.approx([3.0] * 10)


def test_a_slow_drift_is_seen_that_single_readings_hide():
    """Over many series: σ/40 a step, within 40 steps."""
    seen = {"ewma": 0, "single": 0}
    for seed in range(100):
        x = noise(40, seed) + np.arange(40) / 40
        seen["ewma"] += bool(ewma(x, start=0.0, sigma=1.0, weight=0.2).beyond)
        seen["single"] += bool(np.any(np.abs(x) > 3))
    assert seen["ewma"] > 2 * seen["single"]
    assert seen["ewma"] > 50


def test_exact_limits_begin_narrow_and_end_as_the_asymptotic_ones():
    narrow = ewma(np.zeros(60), start=0.0, sigma=1.0, limits="exact")
    wide = ewma(np.zeros(60), start=0.0, sigma=1.0)
    assert narrow.upper[0] == pytest.approx(3 * 0.3)
    assert narrow.upper[-1] == pytest.approx(wide.upper[-1])
    assert all(a <= b for a, b in zip(narrow.upper, wide.upper, strict=True))
    assert narrow.baseline is None


# ---- check shims ----


def test_a_check_that_moved_and_one_that_scatters_are_found():
    rng = np.random.default_rng(3)
    values = 1.0 + 0.001 * rng.standard_normal(20)
    sds = 0.0005 * np.sqrt(rng.chisquare(4, 20) / 4)
    values = np.append(values, [1.02, 1.0])
    sds = np.append(sds, [0.0005, 0.005])
    found = check_standard(values, sds, 4, baseline=20, level=0.99)
    assert 20 in found.chart.beyond
    assert 21 in found.noisy
    assert found.level_1.dof == 80
    assert found.level_2.dof == 19
    assert found.precision_limit == pytest.approx(found.level_1.sd * math.sqrt(3.563), rel=0.01)  # F tables, 4 and 80
    json.dumps(found.to_dict())


def test_a_check_without_repeats_has_no_limit_of_spread():
    found = check_standard([1.0, 1.1, 1.05], [0.01, 0.02, 0.0], [3, 3, 0])
    assert found.precision_limit is None
    assert 2 not in found.noisy


def test_level_holds_for_all_check_shims_together():
    rng = np.random.default_rng(5)
    x = np.tile([0.5, 1.0, 2.0], 2000)
    y = 0.1 - 2.0 * x + 0.02 * rng.standard_normal(6000)
    line = {"intercept": 0.1, "slope": -2.0, "residual_sd": 0.02, "dof": 1e6, "level": 0.9}
    chart = linear_check_chart(y, x, together=3, **line)
    days = {i // 3 for i in chart.beyond}
    assert len(days) / 2000 == pytest.approx(0.1, abs=4 * math.sqrt(0.09 / 2000))
    assert chart.sigma == pytest.approx(0.01)


# ---- what is refused ----


@pytest.mark.parametrize(
    ("call", "code"),
    [
        (lambda: individuals_chart([1.0]), "study.too_few"),
        (lambda: individuals_chart([1.0, math.nan]), "study.not_number"),
        (lambda: individuals_chart([1.0, 2.0], baseline=3), "chart.baseline"),
        (lambda: individuals_chart([1.0, 2.0], baseline=1), "chart.baseline"),
        (lambda: individuals_chart([1.0, 2.0], k=0), "study.multiplier"),
        (lambda: subgroup_charts([[1.0, 2.0], [3.0]]), "chart.unlike_subgroups"),
        (lambda: subgroup_charts([[1.0], [3.0]]), "study.subgroup_of_one"),
        (lambda: subgroup_charts([]), "study.subgroup_of_one"),
        (lambda: subgroup_charts([[1.0, 2.0], [3.0, 4.0]], spread="width"), "chart.spread"),
        (lambda: ewma([1.0], start=0.0, sigma=1.0, weight=0.0), "chart.weight"),
        (lambda: ewma([1.0], start=0.0, sigma=0.0), "chart.start"),
        (lambda: ewma([1.0], start=0.0, sigma=1.0, limits="wide"), "chart.limits"),
        (lambda: check_standard([1.0, 2.0], [0.1], 4), "study.columns"),
        (lambda: check_standard([1.0, 2.0], [0.1, 0.1], 0), "study.no_repeats"),
        (lambda: check_standard([1.0, 2.0], [0.1, 0.1], 4, level=0.0), "study.level"),
        (
            lambda: linear_check_chart([1.0], [1.0], intercept=0, slope=0, residual_sd=1, dof=3, together=1),
            "chart.line",
        ),
        (
            lambda: linear_check_chart([1.0], [1.0, 2.0], intercept=0, slope=1, residual_sd=1, dof=3, together=1),
            "study.columns",
        ),
    ],
)
def test_bad_input_is_refused_with_words(call, code):
    with pytest.raises(BadInput) as caught:
        call()
    assert caught.value.code == code
    assert str(caught.value)


def test_the_subgroup_of_another_size_is_named():
    with pytest.raises(BadInput, match="Subgroup 3 has 1 readings, the first has 2"):
        subgroup_charts([[1.0, 2.0], [3.0, 4.0], [5.0]])
