"""Risks for a process, indices and operating curves, against integrals that share no code with them."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.special import ndtr, stdtr

from labkit.metrology import decide
from labkit.metrology.conformity import RULES
from labkit.metrology.risk import (
    Process,
    capability_index,
    global_risk,
    guard_band_for_global_risk,
    narrowed,
    operating_curve,
    uncertainty_ratio,
)
from labkit.problems import BadInput

LIMITS = (-10.0, 10.0)


def integrated(limits, w, u, process):
    """Both global risks by adaptive quadrature over the true deviation, from limit to limit."""
    lower, upper = (-math.inf if limits[0] is None else limits[0], math.inf if limits[1] is None else limits[1])
    low, high = lower + w, upper - w

    def accepted(true):
        return max(float(ndtr((high - true) / u) - ndtr((low - true) / u)), 0.0)

    def density(true):
        return math.exp(-0.5 * ((true - process.mean_mm) / process.sd_mm) ** 2) / process.sd_mm / math.sqrt(2 * math.pi)

    def over(integrand, start, end):
        start, end = (
            np.clip(each, process.mean_mm - 12 * process.sd_mm, process.mean_mm + 12 * process.sd_mm)
            for each in (start, end)
        )
        corners = {
            float(np.clip(edge + step * u, start, end))
            for edge in (low, high)
            if math.isfinite(edge)
            for step in (-8, -1, 0, 1, 8)
        }
        ends = sorted(corners | {float(start), float(end)})
        return sum(quad(integrand, a, b, epsabs=1e-14)[0] for a, b in pairwise(ends))

    outside = [(-math.inf, lower), (upper, math.inf)]
    return (
        sum(over(lambda true: density(true) * accepted(true), *each) for each in outside),
        over(lambda true: density(true) * (1 - accepted(true)), lower, upper),
    )


@pytest.mark.parametrize("limits", [LIMITS, (None, 10.0), (-10.0, None), (-3.0, 12.0), (0.0, 8.0)])
@pytest.mark.parametrize("w", [0.0, 1.65, 4.0, -2.0, 11.0])
@pytest.mark.parametrize(("mean", "sd", "u"), [(0.0, 4.0, 2.0), (3.0, 6.0, 0.05), (-10.0, 1.0, 5.0), (8.0, 0.2, 3.0)])
def test_global_risks_agree_with_quadrature(limits, w, mean, sd, u):
    process = Process(mean, sd)
    found = global_risk(limits, w, u, process)
    consumer, producer = integrated(limits, w, u, process)
    assert found.consumer == pytest.approx(consumer, abs=1e-11)
    assert found.producer == pytest.approx(producer, abs=1e-11)


def test_global_risks_agree_with_drawn_rigs():
    rng = np.random.default_rng(7)
    true = rng.normal(1.0, 5.0, 400_000)
    measured = true + rng.normal(0.0, 2.0, true.size)
    inside, passed = np.abs(true) <= 10, np.abs(measured) <= 10 - 4.0
    found = global_risk(LIMITS, 4.0, 2.0, Process(1.0, 5.0))
    for risk, share in ((found.consumer, np.mean(passed & ~inside)), (found.producer, np.mean(inside & ~passed))):
        assert abs(risk - share) < 4 * math.sqrt(risk / true.size)


@pytest.mark.parametrize("dof", [1.0, 2.0, 5.0, 30.0, 400.0])
@pytest.mark.parametrize("limits", [LIMITS, (None, 10.0)])
def test_global_risks_with_few_degrees_of_freedom_agree_with_quadrature(limits, dof):
    """The measured deviation is Student's t about the true one."""
    process, w, u = Process(2.0, 5.0), 3.0, 2.0
    high, low = 10.0 - w, -math.inf if limits[0] is None else -10.0 + w
    lower = -np.inf if limits[0] is None else -10.0

    def accepted(true):
        return float(stdtr(dof, (high - true) / u) - (stdtr(dof, (low - true) / u) if low > -math.inf else 0.0))

    def density(true):
        return math.exp(-0.5 * ((true - 2.0) / 5.0) ** 2) / 5.0 / math.sqrt(2 * math.pi)

    def over(integrand, start, end):
        ends = [start, *(each for each in range(-80, 81, 2) if start < each < end), end]
        return sum(quad(integrand, a, b, epsabs=1e-14)[0] for a, b in pairwise(ends))

    found = global_risk(limits, w, u, process, dof)
    beyond = over(lambda x: density(x) * accepted(x), 10.0, 80.0)
    if lower > -np.inf:
        beyond += over(lambda x: density(x) * accepted(x), -80.0, lower)
    assert found.consumer == pytest.approx(beyond, rel=1e-7)
    inside = over(lambda x: density(x) * (1 - accepted(x)), max(lower, -80.0), 10.0)
    assert found.producer == pytest.approx(inside, rel=1e-7)


def test_few_degrees_of_freedom_run_into_none_missing():
    process = Process(2.0, 5.0)
    known = global_risk(LIMITS, 3.0, 2.0, process)
    almost = global_risk(LIMITS, 3.0, 2.0, process, 1e8)
    assert almost.consumer == pytest.approx(known.consumer, rel=1e-6)
    assert global_risk(LIMITS, 3.0, 2.0, process, 4.0).consumer > 1.1 * known.consumer
    w = guard_band_for_global_risk(0.005, LIMITS, 2.0, process, 4.0)
    assert global_risk(LIMITS, w, 2.0, process, 4.0).consumer == pytest.approx(0.005, rel=1e-6)


def test_without_uncertainty_only_the_guard_band_errs():
    process = Process(0.0, 5.0)
    assert global_risk(LIMITS, 0.0, 0.0, process).to_dict() == pytest.approx({"consumer": 0.0, "producer": 0.0})
    lost = global_risk(LIMITS, 2.0, 0.0, process)
    assert lost.consumer == 0.0
    assert lost.producer == pytest.approx(2 * float(ndtr(2.0) - ndtr(1.6)))
    assert global_risk(LIMITS, -2.0, 0.0, process).consumer == pytest.approx(2 * float(ndtr(2.4) - ndtr(2.0)))


@given(
    w=st.floats(0, 12), more=st.floats(0, 5), u=st.floats(1e-3, 20), mean=st.floats(-15, 15), sd=st.floats(1e-2, 20),
    limits=st.sampled_from([LIMITS, (None, 10.0), (-10.0, None)]),
)  # fmt: skip
def test_a_wider_guard_band_moves_risk_from_consumer_to_producer(w, more, u, mean, sd, limits):
    narrow, wide = (global_risk(limits, each, u, Process(mean, sd)) for each in (w, w + more))
    for risk in (narrow.consumer, narrow.producer):
        assert 0 <= risk <= 1
    assert wide.consumer <= narrow.consumer + 1e-12
    assert wide.producer >= narrow.producer - 1e-12


@pytest.mark.parametrize("limits", [LIMITS, (None, 10.0)])
def test_guard_band_for_a_global_risk(limits):
    process = Process(2.0, 6.0)
    w = guard_band_for_global_risk(0.005, limits, 2.0, process)
    assert w > 0
    assert global_risk(limits, w, 2.0, process).consumer == pytest.approx(0.005, rel=1e-6)
    assert guard_band_for_global_risk(0.2, limits, 2.0, process) == 0.0


def test_indices_of_two_limits_and_none_of_one():
    assert capability_index(2.0, LIMITS) == 2.5
    assert uncertainty_ratio(4.0, LIMITS) == 2.5
    for limits in ((None, 10.0), (-10.0, None)):
        assert capability_index(2.0, limits) is None
        assert uncertainty_ratio(4.0, limits) is None
    assert uncertainty_ratio(0.0, LIMITS) is None


# ---- operating curves ----

TRUE = np.linspace(-25, 25, 101)


@pytest.mark.parametrize("limits", [LIMITS, (None, 10.0), (-10.0, None)])
@pytest.mark.parametrize("rule", RULES)
@pytest.mark.parametrize("outcomes", ["two", "four"])
@pytest.mark.parametrize("dof", [math.inf, 3.0])
def test_the_operating_curve_counts_what_decide_says(limits, rule, outcomes, dof):
    risk = 0.1 if rule == "guard-band-risk" else None
    rng = np.random.default_rng(3)
    true, u, drawn = 8.0, 3.0, 4000
    how = {"rule": rule, "outcomes": outcomes, "risk": risk, "dof": dof}
    curve = operating_curve([true], u, limits, **how)
    errors = u * (rng.standard_normal(drawn) if math.isinf(dof) else rng.standard_t(dof, drawn))
    said = [decide(true + error, u, limits, **how) for error in errors]
    assert curve.guard_band_mm == said[0].guard_band_mm
    assert set(curve.probability) == ({"pass", "fail"} if said[0].outcomes == "two" else {
        "pass", "conditional pass", "conditional fail", "fail"})  # fmt: skip
    for outcome, p in curve.probability.items():
        share = sum(each.outcome == outcome for each in said) / drawn
        assert abs(share - p[0]) < 4.5 * math.sqrt(max(p[0] * (1 - p[0]), 1e-4) / drawn), outcome


@given(u=st.floats(0, 20), rule=st.sampled_from(RULES), outcomes=st.sampled_from(["two", "four"]),
       limits=st.sampled_from([LIMITS, (None, 10.0), (-10.0, None)]))  # fmt: skip
def test_outcomes_add_up_to_one(u, rule, outcomes, limits):
    risk = 0.05 if rule == "guard-band-risk" else None
    curve = operating_curve(TRUE, u, limits, rule=rule, outcomes=outcomes, risk=risk)
    assert sum(curve.probability.values()) == pytest.approx(np.ones(TRUE.size))
    assert all(np.all((p > -1e-12) & (p < 1 + 1e-12)) for p in curve.probability.values())


def test_without_uncertainty_the_operating_curve_is_a_step():
    curve = operating_curve([-10.1, -10.0, 0.0, 10.0, 10.1], 0.0, LIMITS, rule="simple")
    assert curve.probability["pass"].tolist() == [0.0, 1.0, 1.0, 1.0, 0.0]


def test_narrowed_limits_move_inwards():
    assert narrowed(LIMITS, 3.0) == (-7.0, 7.0)
    assert narrowed((None, 10.0), 3.0) == (None, 7.0)


@pytest.mark.parametrize(
    ("call", "code"),
    [
        (lambda: Process(0.0, 0.0), "decision.process"),
        (lambda: Process(math.nan, 1.0), "decision.process"),
        (lambda: global_risk((None, None), 0.0, 1.0, Process(0.0, 1.0)), "decision.no_limits"),
        (lambda: global_risk(LIMITS, math.nan, 1.0, Process(0.0, 1.0)), "decision.not_finite"),
        (lambda: global_risk(LIMITS, 0.0, 1.0, Process(0.0, 1.0), -1.0), "decision.dof"),
        (lambda: guard_band_for_global_risk(0.0, LIMITS, 1.0, Process(0.0, 1.0)), "decision.risk"),
        (lambda: operating_curve([math.inf], 1.0, LIMITS), "decision.not_finite"),
        (lambda: operating_curve([0.0], -1.0, LIMITS), "decision.not_finite"),
        (lambda: operating_curve([0.0], 1.0, LIMITS, rule="guard-band-risk"), "decision.risk_missing"),
    ],
)
def test_what_has_no_risk_is_refused(call, code):
    with pytest.raises(BadInput) as caught:
        call()
    assert caught.value.code == code
    assert "{" not in str(caught.value)
