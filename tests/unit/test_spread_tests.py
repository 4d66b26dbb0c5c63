"""Tests that are shown and decide nothing: Grubbs, Bartlett, Anderson and Darling."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from labkit.bench.conditions import Conditions
from labkit.bench.read_readings import read_readings
from labkit.calibration.points import build_points
from labkit.metrology import anderson_darling, bartlett, grubbs
from labkit.metrology.spread_tests import grubbs_critical
from labkit.problems import BadInput

SPECTRA = [199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57]


# ---- Grubbs ----


def test_the_example_of_the_handbook():
    """NIST/SEMATECH e-Handbook 1.3.5.17.1 (from memory): G = 2.4687, critical 2.032 to one side at 5 %."""
    found = grubbs(SPECTRA, alpha=0.10)  # two sides at 10 % are one side at 5 %
    assert found.statistic == pytest.approx(2.4687, abs=1e-4)  # 2.46876, printed truncated
    assert round(found.critical, 3) == 2.032
    assert (found.index, found.value, found.exceeds) == (7, 245.57, True)
    json.dumps(found.to_dict())


@pytest.mark.parametrize(("n", "critical"), [(6, 1.887), (7, 2.020), (10, 2.290), (20, 2.709)])
def test_critical_values_of_the_usual_table(n, critical):
    """Two sides, 5 % (Grubbs and Beck 1972; from memory). The table's last digit is one off in places."""
    assert grubbs_critical(n, 0.05) == pytest.approx(critical, abs=1e-3)


@given(st.permutations(SPECTRA), st.floats(0.01, 100.0), st.floats(-1e3, 1e3))
def test_grubbs_does_not_depend_on_order_unit_or_zero(values, scale, shift):
    found = grubbs(scale * np.array(values) + shift)
    assert found.statistic == pytest.approx(grubbs(SPECTRA).statistic, rel=1e-6)
    assert values[found.index] == 245.57


def test_by_chance_grubbs_exceeds_as_often_as_it_says():
    rng = np.random.default_rng(1)
    hits = np.mean([grubbs(rng.standard_normal(8)).exceeds for _ in range(3000)])
    assert hits == pytest.approx(0.05, abs=4 * math.sqrt(0.05 * 0.95 / 3000))


def test_grubbs_needs_readings_that_differ():
    assert grubbs([1.0, 1.0, 1.0]) is None
    with pytest.raises(BadInput, match="3 values are needed"):
        grubbs([1.0, 2.0])
    with pytest.raises(BadInput, match="between 0 and 1"):
        grubbs([1.0, 2.0, 3.0], alpha=0.0)


# ---- Bartlett ----


def groups_of(sizes, seed=1, sd=1.0):
    rng = np.random.default_rng(seed)
    return [sd * rng.standard_normal(n) for n in sizes]


@pytest.mark.parametrize("sizes", [(5, 5, 5), (3, 8, 12, 2)])
def test_bartlett_against_scipy(sizes):
    groups = groups_of(sizes)
    ours = bartlett([each.std(ddof=1) for each in groups], sizes)
    theirs = stats.bartlett(*groups)
    assert (ours.statistic, ours.p) == pytest.approx((theirs.statistic, theirs.pvalue))
    assert ours.critical == pytest.approx(stats.chi2.isf(0.05, len(sizes) - 1))
    assert ours.exceeds == (ours.p < 0.05)


@settings(max_examples=30)
@given(st.permutations(range(4)), st.floats(0.001, 1000.0))
def test_bartlett_does_not_depend_on_order_or_unit(order, scale):
    sds, counts = [1.0, 2.0, 1.5, 4.0], [3, 5, 8, 4]
    one = bartlett(sds, counts)
    other = bartlett([scale * sds[i] for i in order], [counts[i] for i in order])
    assert other.statistic == pytest.approx(one.statistic)
    assert other.pooled_sd == pytest.approx(scale * one.pooled_sd)
    assert other.largest_ratio == pytest.approx(4.0)


def test_equal_spreads_give_nothing():
    found = bartlett([0.3, 0.3, 0.3], 5)
    assert found.statistic == pytest.approx(0.0, abs=1e-12)
    assert found.p == pytest.approx(1.0)


def test_a_group_without_spread_leaves_no_number_and_says_why():
    found = bartlett([0.1, 0.0, 0.2], 5)
    assert (found.statistic, found.p, found.exceeds, found.largest_ratio) == (None, None, None, None)
    assert found.pooled_sd == pytest.approx(math.sqrt(0.05 / 3))
    assert str(found).startswith("1 of 3 groups do not scatter at all")
    assert json.loads(json.dumps(found.to_dict()))["reason"]["code"] == "spread_test.no_spread"


def test_it_says_that_it_decides_nothing():
    assert "The largest s is 4.0 times the smallest. It is shown and decides nothing." in str(bartlett([1.0, 4.0], 9))


@pytest.mark.parametrize(
    ("sds", "counts", "code"),
    [
        ([1.0], 5, "study.one_group"),
        ([1.0, 2.0], [5, 1], "spread_test.group_of_one"),
        ([1.0, -2.0], 5, "study.negative_sd"),
        ([1.0, math.nan], 5, "study.not_number"),
    ],
)
def test_bartlett_refuses_with_words(sds, counts, code):
    with pytest.raises(BadInput) as caught:
        bartlett(sds, counts)
    assert caught.value.code == code
    assert caught.value.where is None or caught.value.where.row == 2


# ---- normality ----


def test_the_statistic_is_scipys_with_stephens_factor():
    x = np.random.default_rng(2).standard_normal(30)
    theirs = stats.anderson(x, "norm", method="interpolate").statistic
    assert anderson_darling(x).statistic == pytest.approx(theirs * (1 + 0.75 / 30 + 2.25 / 900))


@pytest.mark.parametrize("n", [10, 50])
def test_p_of_normal_values_is_spread_evenly(n):
    rng = np.random.default_rng(3)
    p = np.array([anderson_darling(rng.standard_normal(n)).p for _ in range(3000)])
    for level in (0.05, 0.1, 0.25, 0.5):
        assert np.mean(p < level) == pytest.approx(level, abs=4 * math.sqrt(level * (1 - level) / 3000) + 0.01)


def test_what_is_skewed_is_found_and_what_is_equal_has_no_number():
    rng = np.random.default_rng(4)
    found = anderson_darling(rng.exponential(size=100))
    assert found.p < 0.001
    assert anderson_darling(np.append(np.zeros(500), 1e6)).p < 1e-6
    assert anderson_darling(np.ones(10)) is None
    with pytest.raises(BadInput, match="8 values are needed"):
        anderson_darling(np.arange(7.0))
    json.dumps(found.to_dict())


# ---- on the points of a calibration ----


def table_of(odd=0.0, n=6, quiet=1.0):
    """Four shims read n times; the last reading of the second lies off by `odd`."""
    rng = np.random.default_rng(7)
    lines = ["reference [mm],U [mm],k,indication [mm]"]
    for shim, x in enumerate((0.3, 0.8, 1.5, 2.4)):
        for i in range(n):
            y = x + quiet * 0.002 * rng.standard_normal() + (odd if (shim, i) == (1, n - 1) else 0.0)
            lines.append(f"{x},0.001,2,{y:.4f}")
    return build_points(read_readings("\n".join(lines).encode()), Conditions(resolution=0.0001))


def test_grubbs_stands_beside_a_straggler_of_six_readings():
    cautions = {each.code: each for each in table_of(0.05).cautions}
    straggler, shown = cautions["points.straggler"], cautions["points.grubbs"]
    assert shown.where == straggler.where
    assert shown.params["point"] == straggler.params["point"]
    assert shown.params["index"] == straggler.params["index"] == 6
    assert shown.params["critical"] == pytest.approx(grubbs_critical(6))
    assert shown.params["statistic"] > shown.params["critical"]
    assert "critical value 1.89 for 6 readings" in str(shown)


def test_five_readings_are_too_few_for_grubbs():
    codes = [each.code for each in table_of(0.05, n=5).cautions]
    assert "points.straggler" in codes
    assert "points.grubbs" not in codes


def test_without_a_straggler_grubbs_says_nothing():
    assert "points.grubbs" not in [each.code for each in table_of().cautions]


def test_points_give_the_test_of_equal_spread():
    table = table_of()
    found = table.spread_test
    assert found.groups == 4
    assert found.statistic == pytest.approx(
        bartlett([p.s for p in table.points], [p.n for p in table.points]).statistic
    )
    assert table_of(n=1).spread_test is None
    assert table_of(quiet=0.0).spread_test.statistic is None
