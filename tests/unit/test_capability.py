"""Capability: indices, intervals, and the doubt whether parts are normal."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import binomtest

from labkit.metrology import batch_performance, capability_indices, process_capability
from labkit.problems import BadInput


def parts(n=60, seed=1, mean=0.5, sd=0.01):
    return mean + sd * np.random.default_rng(seed).standard_normal(n)


def test_a_plain_batch_has_pp_and_ppk():
    x = parts()
    found = batch_performance(x, (0.46, 0.55))
    s, mean = np.std(x, ddof=1), np.mean(x)
    assert found.names == ("Pp", "Ppk")
    assert found.indices.both == pytest.approx(0.09 / (6 * s))
    assert found.indices.worst == pytest.approx(min(mean - 0.46, 0.55 - mean) / (3 * s))
    assert found.dof == 59
    assert found.cautions == ()


def test_subgroups_leave_out_what_varies_between_them():
    rng = np.random.default_rng(2)
    x = 0.02 * rng.standard_normal((30, 1)) + 0.005 * rng.standard_normal((30, 5))
    process, batch = process_capability(x, (-0.1, 0.1)), batch_performance(x.ravel(), (-0.1, 0.1))
    assert process.names == ("Cp", "Cpk")
    assert process.indices.sd == pytest.approx(0.005, rel=0.15)
    assert process.indices.both > 2 * batch.indices.both
    assert process.dof == 30 * 4
    by_range = process_capability(x, (-0.1, 0.1), within="range")
    assert by_range.indices.sd == pytest.approx(process.indices.sd, rel=0.1)
    assert 100 < by_range.dof < 120  # the range knows a little less


@pytest.mark.parametrize("limits", [(0.46, None), (None, 0.55)])
def test_a_limit_on_one_side_has_only_the_one_index(limits):
    found = batch_performance(parts(), limits)
    assert (found.indices.both, found.indices.off_centre, found.interval_both) == (None, None, None)
    assert found.indices.worst == (found.indices.lower if limits[0] else found.indices.upper)
    assert str(found).startswith("Ppk = ")
    json.dumps(found.to_dict())


def test_intervals_cover_as_often_as_they_say():
    rng = np.random.default_rng(3)
    n = 1500
    wide = near = 0
    for _ in range(n):
        found = batch_performance(rng.standard_normal(40), (-3.0, 5.0))
        wide += found.interval_both[0] <= 8 / 6 <= found.interval_both[1]
        near += found.interval_worst[0] <= 1.0 <= found.interval_worst[1]
    error = math.sqrt(0.95 * 0.05 / n)
    assert wide / n == pytest.approx(0.95, abs=4 * error)
    assert near / n == pytest.approx(0.95, abs=4 * error + 0.01)  # Bissell's is an approximation


@given(st.floats(0.001, 1000.0), st.floats(-100.0, 100.0))
def test_units_and_zero_do_not_matter(scale, shift):
    x = parts()
    plain = batch_performance(x, (0.46, 0.55))
    moved = batch_performance(scale * x + shift, (scale * 0.46 + shift, scale * 0.55 + shift))
    assert moved.indices.worst == pytest.approx(plain.indices.worst, rel=1e-6)
    assert moved.outside == plain.outside


def test_order_does_not_matter():
    x = parts()
    assert batch_performance(x[::-1], (0.46, 0.55)).indices.worst == pytest.approx(
        batch_performance(x, (0.46, 0.55)).indices.worst
    )


def test_the_share_outside_needs_no_distribution():
    x = parts(100)
    found = batch_performance(x, (0.48, 0.52))
    out = int(np.sum((x < 0.48) | (x > 0.52)))
    assert found.outside == out > 0
    theirs = binomtest(out, 100, alternative="less").proportion_ci(0.95, "exact")
    assert found.most_outside == pytest.approx(theirs.high)
    assert batch_performance(x, (0.3, 0.7)).most_outside == pytest.approx(1 - 0.05 ** (1 / 100))
    assert batch_performance(x, (0.9, 1.0)).most_outside == 1.0


def test_minima_are_doubted_and_an_alternative_is_offered():
    """The smallest of many readings of a part is skewed: the indices assume what is not so."""
    rng = np.random.default_rng(4)
    minima = 0.5 - 0.01 * rng.exponential(size=200)
    (caution,) = batch_performance(minima, (0.42, None)).cautions
    assert caution.code == "capability.not_normal"
    assert "of 200 lie outside" in str(caution)


def test_few_parts_are_doubted():
    codes = [each.code for each in batch_performance(parts(7), (0.4, 0.6)).cautions]
    assert codes == ["capability.few_parts", "capability.normality_unknown"]


def test_it_reads_well():
    found = batch_performance(parts(), (0.46, 0.55))
    assert str(found).startswith(f"Pp = {found.indices.both:.2f}, Ppk = {found.indices.worst:.2f} (")
    assert "wide" in str(found.indices)


@pytest.mark.parametrize(
    ("call", "code"),
    [
        (lambda: batch_performance([1.0, 1.0], (0.0, 2.0)), "capability.no_spread"),
        (lambda: batch_performance([1.0], (0.0, 2.0)), "study.too_few"),
        (lambda: batch_performance([1.0, 2.0], (None, None)), "capability.no_limits"),
        (lambda: batch_performance([1.0, 2.0], (2.0, 1.0)), "capability.limits_order"),
        (lambda: batch_performance([1.0, 2.0], (0.0, math.nan)), "capability.not_finite"),
        (lambda: batch_performance([1.0, 2.0], (0.0, 3.0), level=0.0), "study.level"),
        (lambda: process_capability([[1.0, 2.0], [1.0, 2.0]], (0.0, 3.0), within="guess"), "capability.within"),
        (lambda: process_capability([[1.0, 2.0], [1.0]], (0.0, 3.0)), "chart.unlike_subgroups"),
        (lambda: capability_indices(1.0, -0.1, (0.0, 3.0)), "capability.no_spread"),
    ],
)
def test_bad_input_is_refused_with_words(call, code):
    with pytest.raises(BadInput) as caught:
        call()
    assert caught.value.code == code
    assert str(caught.value)
