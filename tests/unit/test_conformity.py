"""Each decision rule at each of its edges, and the published probabilities."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.special import gammaln, ndtr, ndtri

from labkit.metrology import decide
from labkit.metrology.budget import coverage_factor
from labkit.metrology.conformity import (
    guard_band_for_risk,
    normalised_error,
    probability_inside,
    protection_of_preset,
    rule_in_words,
)
from labkit.problems import BadInput

LIMITS = (-10.0, 10.0)
JUST = 1e-9


@pytest.mark.parametrize(
    ("rule", "w"),
    [("simple", 0.0), ("guard-band-U", 4.0), ("guard-band-1.65u", 3.3)],
)
def test_guard_band_of_each_rule(rule, w):
    assert decide(0.0, 2.0, LIMITS, k=2.0, rule=rule).guard_band_mm == pytest.approx(w)


@pytest.mark.parametrize("side", [1, -1])
@pytest.mark.parametrize(
    ("deviation", "four", "two"),
    [
        (0.0, "pass", "pass"),
        (6.0, "pass", "pass"),
        (6.0 + JUST, "conditional pass", "fail"),
        (10.0, "conditional pass", "fail"),
        (10.0 + JUST, "conditional fail", "fail"),
        (14.0, "conditional fail", "fail"),
        (14.0 + JUST, "fail", "fail"),
    ],
)
def test_guard_band_u_at_its_edges(deviation, four, two, side):
    for outcomes, expected in (("four", four), ("two", two)):
        found = decide(side * deviation, 2.0, LIMITS, k=2.0, rule="guard-band-U", outcomes=outcomes)
        assert (found.outcome, found.outcomes, str(found)) == (expected, outcomes, expected)


@pytest.mark.parametrize(
    ("deviation", "expected"),
    [(6.7, "pass"), (6.7 + JUST, "conditional pass"), (10 + JUST, "conditional fail"), (13.3 + 2 * JUST, "fail")],
)
def test_guard_band_165_at_its_edges(deviation, expected):
    assert decide(deviation, 2.0, LIMITS, rule="guard-band-1.65u").outcome == expected


@pytest.mark.parametrize(("deviation", "expected"), [(10.0, "pass"), (10.0 + JUST, "fail"), (-10.0 - JUST, "fail")])
@pytest.mark.parametrize("outcomes", ["two", "four"])
def test_simple_acceptance_has_two_outcomes_whatever_was_asked(deviation, expected, outcomes):
    found = decide(deviation, 2.0, LIMITS, rule="simple", outcomes=outcomes)
    assert (found.outcome, found.outcomes) == (expected, "two")


@pytest.mark.parametrize(
    ("limits", "deviation", "expected"),
    [
        ((None, 10.0), -1000.0, "pass"),
        ((None, 10.0), 9.0, "conditional pass"),
        ((None, 10.0), 20.0, "fail"),
        ((-10.0, None), 1000.0, "pass"),
        ((-10.0, None), -11.0, "conditional fail"),
    ],
)
def test_one_limit(limits, deviation, expected):
    assert decide(deviation, 2.0, limits).outcome == expected


def test_an_uncertainty_wider_than_the_tolerance_passes_nothing():
    assert decide(0.0, 6.0, LIMITS).outcome == "conditional pass"
    assert decide(0.0, 6.0, LIMITS, outcomes="two").outcome == "fail"


def test_without_uncertainty_the_guard_band_is_none():
    assert decide(10.0, 0.0, LIMITS).outcome == "pass"
    assert decide(10.0 + JUST, 0.0, LIMITS).outcome == "fail"
    assert decide(10.0 + JUST, 0.0, LIMITS).probability == 0.0


@pytest.mark.parametrize(
    ("arguments", "options", "code"),
    [
        ((0.0, 1.0, (None, None)), {}, "decision.no_limits"),
        ((0.0, 1.0, (1.0, 1.0)), {}, "decision.limits_order"),
        ((0.0, 1.0, (2.0, 1.0)), {}, "decision.limits_order"),
        ((0.0, 1.0, LIMITS), {"rule": "generous"}, "decision.rule"),
        ((0.0, 1.0, LIMITS), {"outcomes": "three"}, "decision.outcomes"),
        ((0.0, 1.0, LIMITS), {"rule": "guard-band-risk"}, "decision.risk_missing"),
        ((0.0, 1.0, LIMITS), {"rule": "guard-band-risk", "risk": 0.0}, "decision.risk"),
        ((0.0, 1.0, LIMITS), {"rule": "guard-band-risk", "risk": 0.51}, "decision.risk"),
        ((0.0, 1.0, LIMITS), {"rule": "guard-band-risk", "risk": math.nan}, "decision.risk"),
        ((0.0, 1.0, LIMITS), {"rule": "guard-band-U", "risk": 0.025}, "decision.risk_unused"),
        ((math.nan, 1.0, LIMITS), {}, "decision.not_finite"),
        ((0.0, math.nan, LIMITS), {}, "decision.not_finite"),
        ((0.0, -1.0, LIMITS), {}, "decision.not_finite"),
        ((0.0, 1.0, (-1.0, math.nan)), {}, "decision.not_finite"),
        ((0.0, 1.0, LIMITS), {"k": math.inf}, "decision.not_finite"),
    ],
)
def test_what_cannot_be_decided_is_refused(arguments, options, code):
    with pytest.raises(BadInput) as caught:
        decide(*arguments, **options)
    assert caught.value.code == code
    assert "{" not in str(caught.value)


# ---- probabilities ----


def test_probability_is_of_the_normal_distribution_between_the_limits():
    assert probability_inside(0.0, 5.0, LIMITS) == pytest.approx(ndtr(2.0) - ndtr(-2.0))
    assert probability_inside(10.0, 5.0, LIMITS) == pytest.approx(ndtr(0.0) - ndtr(-4.0))
    assert probability_inside(10.0, 5.0, (None, 10.0)) == 0.5
    assert probability_inside(0.0, 0.0, LIMITS) == 1.0
    assert decide(3.0, 5.0, LIMITS).probability == probability_inside(3.0, 5.0, LIMITS)


def test_165_u_is_95_percent_conformance_on_one_side():
    found = decide(10 - 1.65 * 2.0, 2.0, (None, 10.0), rule="guard-band-1.65u")
    assert found.outcome == "pass"
    assert found.probability == pytest.approx(0.95, abs=0.001)
    assert float(ndtri(0.95)) < 1.65


def test_normalised_error():
    assert normalised_error(-3.0, 6.0) == -0.5
    assert normalised_error(1.0, 0.0) is None


# ---- a stated risk ----

RISK = {"rule": "guard-band-risk", "risk": 0.025}


def test_w_for_a_risk_at_one_limit_is_a_quantile():
    w = float(ndtri(0.975)) * 2.0
    assert decide(0.0, 2.0, (None, 10.0), **RISK).guard_band_mm == pytest.approx(w, rel=1e-12)
    assert decide(0.0, 2.0, (-10.0, None), **RISK).guard_band_mm == pytest.approx(w, rel=1e-12)
    assert decide(0.0, 2.0, (None, 10.0), rule="guard-band-risk", risk=0.5).guard_band_mm == 0.0


@pytest.mark.parametrize(
    ("inside", "four", "two"),
    [
        (JUST, "pass", "pass"),
        (-JUST, "conditional pass", "fail"),
        (-float(ndtri(0.975)) * 2.0, "conditional pass", "fail"),
        (-float(ndtri(0.975)) * 2.0 - JUST, "conditional fail", "fail"),
        (-2 * float(ndtri(0.975)) * 2.0 + JUST, "conditional fail", "fail"),
        (-2 * float(ndtri(0.975)) * 2.0 - JUST, "fail", "fail"),
    ],
)
def test_a_stated_risk_at_its_edges(inside, four, two):
    deviation = 10.0 - float(ndtri(0.975)) * 2.0 - inside
    for outcomes, expected in (("four", four), ("two", two)):
        found = decide(deviation, 2.0, (None, 10.0), outcomes=outcomes, **RISK)
        assert (found.outcome, found.risk) == (expected, 0.025)


@given(risk=st.floats(1e-6, 0.5), u=st.floats(1e-3, 30.0), width=st.floats(0.1, 50.0))
def test_at_the_acceptance_limit_the_risk_is_the_stated_one(risk, u, width):
    limits = (-width / 2, width / 2)
    w = guard_band_for_risk(risk, u, limits)
    if w > width / 2:
        # nothing can be accepted: even the middle is more often outside than that
        assert 1 - probability_inside(0.0, u, limits) >= risk * (1 - 1e-9)
        assert decide(0.0, u, limits, rule="guard-band-risk", risk=risk).outcome != "pass"
    else:
        inside = width / 2 - w - 1e-12 * width
        assert decide(inside, u, limits, rule="guard-band-risk", risk=risk).outcome == "pass" or inside < 0
        assert 1 - probability_inside(width / 2 - w, u, limits) == pytest.approx(risk, rel=1e-6, abs=1e-12)


def beyond_t(t, dof):
    """The upper tail of Student's t from its density (JCGM 101:2008, 6.4.9.2), by quadrature."""
    constant = math.exp(gammaln((dof + 1) / 2) - gammaln(dof / 2)) / math.sqrt(dof * math.pi)
    return quad(lambda x: constant * (1 + x * x / dof) ** (-(dof + 1) / 2), t, math.inf, epsabs=1e-14)[0]


@pytest.mark.parametrize("dof", [1.0, 3.0, 6.0, 40.0])
@pytest.mark.parametrize("risk", [0.001, 0.025, 0.3])
def test_a_stated_risk_is_kept_with_few_degrees_of_freedom(dof, risk):
    """With the normal quantile a risk of 0.1 % would truly be 1.1 % at ν = 6."""
    rule = {"rule": "guard-band-risk", "risk": risk, "dof": dof}
    one = decide(0.0, 2.0, (None, 10.0), **rule).guard_band_mm
    assert beyond_t(one / 2.0, dof) == pytest.approx(risk, rel=1e-6)
    assert decide(10.0 - one, 2.0, (None, 10.0), **rule).specific_risk == pytest.approx(risk, rel=1e-6)
    width = 8 * one
    two = guard_band_for_risk(risk, 2.0, (0.0, width), dof)
    assert beyond_t(two / 2.0, dof) + beyond_t((width - two) / 2.0, dof) == pytest.approx(risk, rel=1e-6)
    assert two >= one


def test_the_probability_of_conformity_is_students_where_u_rests_on_few_readings():
    assert 1 - probability_inside(7.0, 2.0, (None, 10.0), 4.0) == pytest.approx(beyond_t(1.5, 4.0), rel=1e-9)
    assert decide(0.0, 5.0, LIMITS, dof=3.0).probability == pytest.approx(1 - 2 * beyond_t(2.0, 3.0), rel=1e-9)
    # whole degrees of freedom, as k has them: at the edge of U the risk is the one that k leaves
    assert probability_inside(7.0, 2.0, (None, 10.0), 4.9) == probability_inside(7.0, 2.0, (None, 10.0), 4.0)
    k = float(coverage_factor(4.9))
    edge = decide(10.0 - k * 2.0, 2.0, (None, 10.0), k=k, dof=4.9)
    assert edge.specific_risk == pytest.approx((1 - 0.9545) / 2, rel=1e-9)


@pytest.mark.parametrize("dof", [-1.0, math.nan])
def test_degrees_of_freedom_that_are_none_are_refused(dof):
    with pytest.raises(BadInput) as caught:
        decide(0.0, 1.0, LIMITS, dof=dof)
    assert caught.value.code == "decision.dof"


def test_what_the_preset_protects_falls_with_the_degrees_of_freedom():
    assert protection_of_preset(math.inf) == pytest.approx(float(ndtr(1.65)))
    for dof in (2.0, 6.0, 20.0):
        assert protection_of_preset(dof) == pytest.approx(1 - beyond_t(1.65, dof), rel=1e-9)
        found = decide(10 - 1.65 * 2.0, 2.0, (None, 10.0), rule="guard-band-1.65u", dof=dof)
        assert (found.outcome, found.guard_band_mm) == ("pass", 1.65 * 2.0)
        assert found.probability == pytest.approx(protection_of_preset(dof))


def test_two_limits_need_a_wider_guard_band_and_no_jump_where_nothing_passes():
    one_sided = float(ndtri(0.9)) * 4.0
    assert guard_band_for_risk(0.1, 4.0, (-6.0, 6.0)) > one_sided
    assert guard_band_for_risk(0.1, 4.0, (-1000.0, 1000.0)) == pytest.approx(one_sided, rel=1e-12)
    edge = 6.0 / float(ndtri(0.95))
    below, above = (guard_band_for_risk(0.1, edge * (1 + step), (-6.0, 6.0)) for step in (-1e-9, 1e-9))
    assert below <= 6.0 <= above
    assert above - below < 1e-3


@given(deviation=st.floats(-20, 20), u=st.floats(0, 10), small=st.floats(0.01, 0.5), large=st.floats(0.01, 0.5))
def test_a_smaller_risk_accepts_no_more(deviation, u, small, large):
    small, large = sorted((small, large))
    strict, mild = (
        decide(deviation, u, LIMITS, rule="guard-band-risk", risk=risk, outcomes="two") for risk in (small, large)
    )
    assert strict.guard_band_mm >= mild.guard_band_mm
    assert not (strict.outcome == "pass" and mild.outcome == "fail")
    assert 0 <= strict.specific_risk <= 1


def test_the_specific_risk_is_the_consumers_or_the_producers():
    accepted, rejected = decide(9.0, 2.0, LIMITS, rule="simple"), decide(11.0, 2.0, LIMITS, rule="simple")
    assert accepted.specific_risk == pytest.approx(float(ndtr(-0.5)), rel=1e-9)
    assert rejected.specific_risk == pytest.approx(float(ndtr(-0.5)), rel=1e-9)
    assert (accepted.accepts, rejected.accepts) == (True, False)


@pytest.mark.parametrize(
    ("rule", "outcomes", "risk", "words"),
    [
        ("simple", "two", None, "Simple acceptance"),
        ("guard-band-U", "four", None, "w = U, four outcomes"),
        ("guard-band-1.65u", "two", None, "w = 1.65·u, two outcomes"),
        ("guard-band-risk", "four", 0.025, "a probability of 2.5 %. Pass: inside the limits by at least w. Cond"),
        ("guard-band-risk", "two", 0.05, "a probability of 5 %. Pass: inside the limits by at least w. Fail"),
    ],
)
def test_every_rule_is_said_in_words(rule, outcomes, risk, words):
    assert words in str(rule_in_words(rule, outcomes, risk))
