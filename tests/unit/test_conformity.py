"""Each decision rule at each of its edges, and the published probabilities."""

from __future__ import annotations

import math

import pytest
from scipy.special import ndtr, ndtri

from labkit.metrology import decide
from labkit.metrology.conformity import normalised_error, probability_inside
from labkit.problems import BadInput
from labkit.validation import case, cases

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


def test_jcgm_106_conformance_probabilities():
    one = case("conformance_probability")
    given = one.inputs
    zener, container, oil, speed = (given[k] for k in ("zener_upper", "container_lower", "oil_two_sided", "speed"))
    computed = {
        "zener_pc": probability_inside(zener["y"], zener["u"], (None, zener["T_U"])),
        "container_pc": probability_inside(container["y"], container["u"], (container["T_L"], None)),
        "oil_pc": probability_inside(oil["y"], oil["u"], (oil["T_L"], oil["T_U"])),
    }
    limit = 100
    while 1 - probability_inside(limit, speed["u_rel"] * limit, (None, speed["T_U"])) < speed["p"]:
        limit += 1
    computed["speed_limit"] = float(limit)
    assert set(computed) == set(one.published)
    for name, value in computed.items():
        rounded = round(value, 2) if name != "speed_limit" else value
        assert one.published[name].agrees(rounded), (name, value)


def test_ilac_g8_risk_at_the_acceptance_limit():
    one = case("ilac_g8_guard_bands")
    u = 0.5
    computed = {}
    for ratio in one.inputs["w_over_U"]:
        risk = 1 - probability_inside(-ratio * 2 * u, u, (None, 0.0))
        computed[ratio] = risk
        assert risk == pytest.approx(float(1 - ndtr(2 * ratio)), rel=1e-9)
    by_name = list(one.published)
    assert len(by_name) == len(computed)
    for name, risk in zip(by_name, computed.values(), strict=True):
        published = one.published[name]
        assert published.agrees(risk) or published.agrees(100 * risk), (name, risk)


def test_every_published_case_of_conformity_is_used_here():
    assert {each.name for each in cases("conformity")} == {"conformance_probability", "ilac_g8_guard_bands"}


def test_165_u_is_95_percent_conformance_on_one_side():
    found = decide(10 - 1.65 * 2.0, 2.0, (None, 10.0), rule="guard-band-1.65u")
    assert found.outcome == "pass"
    assert found.probability == pytest.approx(0.95, abs=0.001)
    assert float(ndtri(0.95)) < 1.65


def test_normalised_error():
    assert normalised_error(-3.0, 6.0) == -0.5
    assert normalised_error(1.0, 0.0) is None
