"""The law of propagation: sensitivities, correlations, second order, and what is refused."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from labkit.metrology import Quantity, from_readings, propagate, propagate_together
from labkit.problems import BadInput


def power_law(c, a, x, L, n):
    return c + a * (1 + x / L) ** -n


INPUTS = [
    Quantity("c", 3.0, 0.5, 4),
    Quantity("a", 30000.0, 40.0, 9),
    Quantity("x", 1.2, 0.002),
    Quantity("L", 1.8, 0.01),
    Quantity("n", 5.0, 0.02),
]


def test_sensitivities_are_the_derivatives():
    found = propagate(power_law, INPUTS)
    c, a, x, L, n = (each.value for each in INPUTS)
    falls = (1 + x / L) ** -n
    derivatives = {
        "c": 1.0,
        "a": falls,
        "x": -a * n / L * falls / (1 + x / L),
        "L": a * n * x / L**2 * falls / (1 + x / L),
        "n": -a * falls * math.log(1 + x / L),
    }
    assert found.sensitivities == pytest.approx(derivatives, rel=1e-9)
    assert found.contributions == pytest.approx({each.name: derivatives[each.name] * each.u for each in INPUTS})
    assert found.u == pytest.approx(math.sqrt(sum(each**2 for each in found.contributions.values())), rel=1e-12)
    assert found.value == power_law(c, a, x, L, n)


def test_degrees_of_freedom_and_interval():
    found = propagate(power_law, INPUTS)
    parts = found.contributions
    assert found.dof == pytest.approx(found.u**4 / (parts["c"] ** 4 / 4 + parts["a"] ** 4 / 9))
    assert pytest.approx(found.k * found.u) == found.U
    assert found.interval == (found.value - found.U, found.value + found.U)
    assert propagate(power_law, INPUTS, coverage=0.99).k > found.k
    assert (
        propagate(power_law, INPUTS[:2] + [Quantity(e.name, e.value, 0.0) for e in INPUTS[2:]]).sensitivities["x"] == 0
    )


def test_exactly_known_inputs_leave_dof_infinite_and_json_plain():
    found = propagate(lambda a: 2 * a, [Quantity("a", 1.0, 0.1)])
    assert math.isinf(found.dof)
    assert found.to_dict()["dof"] is None
    assert propagate(lambda a: 2 * a, [Quantity("a", 1.0, 0.0)]).u == 0


def test_of_a_sum_correlation_adds_the_product():
    two = [Quantity("a", 1.0, 3.0, 5), Quantity("b", 1.0, 4.0, 5)]
    R = [[1.0, 0.5], [0.5, 1.0]]
    assert propagate(lambda a, b: a + b, two, R).u == pytest.approx(math.sqrt(37))
    assert propagate(lambda a, b: a - b, two, R).u == pytest.approx(math.sqrt(13))
    assert propagate(lambda a, b: a - b, two, R).dof == pytest.approx(5.0)
    assert propagate(lambda a, b: a + b, two).dof > 5.0


def test_inputs_on_one_estimate_are_summed_first():
    two = [Quantity("a", 1.0, 3.0, 5, common="s"), Quantity("b", 1.0, 4.0, 5, common="s")]
    assert propagate(lambda a, b: a + b, two).dof == pytest.approx(5.0)


def test_several_results_go_together():
    two = [Quantity("a", 1.0, 3.0), Quantity("b", 1.0, 4.0)]
    found = propagate_together(lambda a, b: (a + b, a - b, 2.0), two)
    assert found.covariance == pytest.approx(np.array([[25.0, -7.0, 0.0], [-7.0, 25.0, 0.0], [0.0, 0.0, 0.0]]))
    assert found.correlation[0, 1] == pytest.approx(-7 / 25)
    assert [each.u for each in found.results] == pytest.approx([5.0, 5.0, 0.0])


def test_second_order_of_a_square_is_exact_for_a_normal_quantity():
    """x² with x ~ N(m, u²): variance 4m²u² + 2u⁴."""
    for m in (0.0, 3.0):
        found = propagate(lambda x: x**2, [Quantity("x", m, 0.5)], second_order=True)
        assert found.u == pytest.approx(math.sqrt(4 * m**2 * 0.25 + 2 * 0.5**4), rel=1e-7)


def test_second_order_counts_the_third_derivative():
    """JCGM 100:2008, 5.1.2, note: ½f″²u⁴ + f′f‴u⁴."""
    u = 0.2
    found = propagate(np.exp, [Quantity("x", 0.0, u)], second_order=True)
    assert found.u == pytest.approx(math.sqrt(u**2 + 1.5 * u**4), rel=1e-3)


def test_means_of_readings():
    quantities, correlation = from_readings({"a": [1.0, 2.0, 4.0], "b": [2.0, 4.0, 8.0], "c": [5.0, 5.0, 5.0]})
    first = quantities[0]
    assert (first.name, first.dof) == ("a", 2.0)
    assert (first.value, first.u) == pytest.approx((7 / 3, np.std([1, 2, 4], ddof=1) / math.sqrt(3)))
    assert correlation == pytest.approx(np.array([[1.0, 1.0, 0.0], [1.0, 1.0, 0.0], [0.0, 0.0, 1.0]]))
    for bad in ({"a": [1.0]}, {"a": [1.0, 2.0], "b": [1.0, 2.0, 3.0]}, {}):
        with pytest.raises(BadInput) as refused:
            from_readings(bad)
        assert refused.value.code == "uncertainty.readings"


@pytest.mark.parametrize(
    ("call", "code"),
    [
        (lambda: propagate(np.log, [Quantity("x", -1.0, 0.1)]), "uncertainty.model"),
        (lambda: propagate(lambda a: a, [Quantity("a", 1.0, 0.1)], [[2.0]]), "uncertainty.correlation"),
        (lambda: propagate(lambda a: a, [Quantity("a", 1.0, 0.1)], np.eye(2)), "uncertainty.correlation"),
        (lambda: Quantity("a", math.nan, 0.1), "uncertainty.number"),
        (lambda: Quantity("a", 1.0, -0.1), "uncertainty.number"),
        (lambda: Quantity("a", 1.0, 0.1, -1), "uncertainty.dof"),
        (lambda: Quantity("a", 1.0, 0.1, shape="round"), "uncertainty.shape"),
        (lambda: Quantity("a", 1.0, 0.1, shape="trapezoidal", beta=1.5), "uncertainty.beta"),
        (lambda: Quantity.within("a", 1.0, 0.1, "normal"), "uncertainty.shape"),
    ],
)
def test_what_cannot_be_is_refused_by_name(call, code):
    with pytest.raises(BadInput) as refused:
        call()
    assert refused.value.code == code
    assert str(refused.value)


def test_limits_become_standard_uncertainties():
    """JCGM 100:2008, 4.3.7 and 4.3.9."""
    assert Quantity.within("a", 0.0, 3.0).u == pytest.approx(3 / 3**0.5)
    assert Quantity.within("a", 0.0, 3.0, "triangular").u == pytest.approx(3 / 6**0.5)
    assert Quantity.within("a", 0.0, 3.0, "arcsine").u == pytest.approx(3 / 2**0.5)
    assert Quantity.within("a", 0.0, 3.0, "trapezoidal", beta=1.0).u == pytest.approx(3 / 3**0.5)
    assert Quantity.within("a", 0.0, 3.0, "trapezoidal", beta=0.0).u == pytest.approx(3 / 6**0.5)


@given(st.integers(-30, 30), st.lists(st.floats(0.01, 100.0), min_size=3, max_size=3))
def test_scaling_every_u_of_a_linear_model_scales_u_and_no_sensitivity(power, u):
    """By powers of two; the model is linear, so that no digit is lost but in its own arithmetic."""
    factor = 2.0**power

    def model(a, b, c):
        return 2 * a - b + 0.5 * c

    one = propagate(model, [Quantity(name, 0.0, size) for name, size in zip("abc", u, strict=True)])
    scaled = propagate(model, [Quantity(name, 0.0, factor * size) for name, size in zip("abc", u, strict=True)])
    assert scaled.u == factor * one.u
    assert scaled.sensitivities == one.sensitivities
