"""Random draws: the shapes, the intervals, the adaptive procedure, and the comparison with the law of propagation."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest
from scipy.special import stdtrit

from labkit.metrology import Quantity, Trapezoid, compare_with_gum, monte_carlo, propagate, simulate
from labkit.metrology.montecarlo import (
    FOR_COMPARISON,
    half_last_digit,
    shortest_interval,
    symmetric_interval,
    tolerance_of,
)
from labkit.metrology.quantities import draw, groups
from labkit.problems import BadInput


def identity(x):
    return x


SHAPES = {
    "normal": (Quantity("x", 5.0, 2.0), 1.0, 1.959964),
    "t": (Quantity("x", 5.0, 2.0, 8), math.sqrt(8 / 6), float(stdtrit(8, 0.975))),
    "rectangular": (Quantity("x", 5.0, 2.0, shape="rectangular"), 1.0, 0.95 * math.sqrt(3)),
    "limits open": (Quantity("x", 5.0, 2.0, 2, "rectangular"), math.sqrt(1 + 0.25 / 3), None),
    "triangular": (Quantity("x", 5.0, 2.0, shape="triangular"), 1.0, math.sqrt(6) * (1 - math.sqrt(0.05))),
    "trapezoidal": (Quantity("x", 5.0, 2.0, shape="trapezoidal", beta=0.33), 1.0, 1.83),
    "arcsine": (Quantity("x", 5.0, 2.0, shape="arcsine"), 1.0, math.sqrt(2) * math.sin(math.pi * 0.475)),
}


@pytest.mark.parametrize("name", SHAPES)
def test_every_shape_has_its_spread_and_its_interval(name):
    """JCGM 101:2008, 6.4; the limits that are open: variance a²/3 + d²/9 with d = a/√(2ν)."""
    quantity, spread, factor = SHAPES[name]
    found = monte_carlo(identity, [quantity], trials=400_000)
    assert found.value == pytest.approx(5.0, abs=0.02)
    assert found.u == pytest.approx(2.0 * spread, rel=0.01)
    if factor is not None:
        assert found.symmetric == pytest.approx((5 - 2 * factor, 5 + 2 * factor), abs=0.03)


def test_trapezoids_run_from_triangle_to_rectangle():
    assert Trapezoid.of_rectangles(1.0, 1.0).beta == 0
    assert Trapezoid.of_rectangles(1.0, 3.0) == Trapezoid(4.0, 0.5)
    assert Trapezoid.of_rectangles(1.0, 3.0).u == pytest.approx(math.sqrt((1 + 9) / 3))
    assert Trapezoid(1.0, 1.0).coverage_factor(0.95) == pytest.approx(0.95 * math.sqrt(3))
    assert Trapezoid(1.0, 0.0).coverage_factor(0.95) == pytest.approx(math.sqrt(6) * (1 - math.sqrt(0.05)))
    p = np.linspace(0.001, 0.999, 999)
    assert np.all(np.diff(Trapezoid(1.0, 0.4).quantile(p)) > 0)


@pytest.mark.parametrize("r", [-1.0, -0.5, 0.3, 1.0])
def test_correlated_quantities_are_drawn_with_their_correlation(r):
    R = np.array([[1.0, r], [r, 1.0]])
    factor = np.linalg.cholesky(R + 1e-12 * np.eye(2))
    for shape, allowed in (("normal", 0.006), ("rectangular", 0.025)):
        two = [Quantity("a", 0.0, 3.0, shape=shape), Quantity("b", 1.0, 4.0, shape=shape)]
        a, b = draw(two, factor, groups(["", ""], R), np.random.default_rng(3), 200_000)
        assert np.corrcoef(a, b)[0, 1] == pytest.approx(r, abs=allowed)
    found = monte_carlo(lambda a, b: a + b, [Quantity("a", 0.0, 3.0), Quantity("b", 0.0, 4.0)], R, digits=1)
    assert found.u == pytest.approx(math.sqrt(25 + 24 * r), abs=0.05)


def test_groups_join_words_and_correlations():
    R = np.eye(5)
    R[0, 3] = R[3, 0] = 0.5
    assert sorted(map(sorted, groups(["a", "", "a", "", ""], R))) == [[0, 2, 3], [1], [4]]
    assert groups(["", ""], None) == [[0], [1]]


def test_intervals_of_sorted_values():
    """JCGM 101:2008, 7.7: of 1 … 100 with p = 0.9, from the 5th to the 95th; of a one-sided shape from its edge."""
    values = np.arange(1.0, 101.0)
    assert symmetric_interval(values, 0.9) == (5.0, 95.0)
    skew = np.sort(np.random.default_rng(1).exponential(1.0, 100_000))
    assert shortest_interval(skew, 0.95) == pytest.approx((0.0, -math.log(0.05)), abs=0.05)
    assert symmetric_interval(skew, 0.95) == pytest.approx((-math.log(0.975), -math.log(0.025)), abs=0.08)


@pytest.mark.parametrize(
    ("u", "digits", "delta"),
    [
        (0.0754, 2, 0.0005),
        (32.0, 2, 0.5),
        (32.0, 1, 5.0),
        (10.1, 3, 0.05),
        (0.0996, 2, 0.005),
        (0.0994, 2, 0.0005),
        (1.0, 2, 0.05),
        (0.0, 2, 0.0),
    ],
)
def test_the_tolerance_is_half_a_unit_of_the_last_digit(u, digits, delta):
    """JCGM 101:2008, 7.9.2."""
    assert half_last_digit(u, digits) == pytest.approx(delta)


@pytest.mark.parametrize("power", [-3, -2, 0])
def test_without_digits_the_tolerance_does_not_jump_where_u_passes_a_power_of_ten(power):
    below, above = ((1 - 1e-6) * 10.0**power, (1 + 1e-6) * 10.0**power)
    assert half_last_digit(above, 1) > 9 * half_last_digit(0.94 * below, 1)
    assert tolerance_of(above, None) == pytest.approx(tolerance_of(below, None), rel=1e-5)
    # what agrees within it agrees to one digit, whatever u
    for u in np.geomspace(below, 10 * above, 500):
        assert tolerance_of(u, None) <= half_last_digit(u, 1) * (1 + 1e-9)
    found = monte_carlo(identity, [Quantity("x", 0.0, 10.0**power)], digits=None, tolerance=0.5)
    assert found.delta == pytest.approx(0.025 * 10.0**power, rel=0.01)


def test_the_adaptive_procedure_draws_until_the_digits_stand():
    one, two, three = (monte_carlo(identity, [Quantity("x", 0.0, 0.3)], digits=digits) for digits in (1, 2, 3))
    assert one.trials < two.trials < three.trials or three.trials == 1_000_000
    for found, delta in ((one, 0.05), (two, 0.005), (three, 0.0005)):
        assert found.delta == pytest.approx(delta)
        assert found.stable == (found.reached <= found.delta)
    assert one.stable and two.stable
    assert two.symmetric == pytest.approx((-0.588, 0.588), abs=2 * two.delta)


def test_a_cap_is_said():
    found = monte_carlo(identity, [Quantity("x", 0.0, 1.0)], digits=3, most=50_000)
    assert (found.trials, found.stable) == (50_000, False)
    assert found.reached > found.delta


def test_a_seed_decides_everything_and_trials_can_be_fixed():
    x = [Quantity("x", 0.0, 1.0)]
    assert monte_carlo(identity, x, seed=5) == monte_carlo(identity, x, seed=5)
    assert monte_carlo(identity, x, seed=5) != monte_carlo(identity, x, seed=6)
    assert monte_carlo(identity, x, trials=12_345).trials == 12_345


def test_where_there_is_no_variance_none_is_stated():
    """Student's t has no standard deviation below 3 degrees of freedom, but quantiles."""
    found = monte_carlo(identity, [Quantity("x", 5.0, 2.0, 2)], trials=400_000)
    assert found.u is None
    assert found.value == pytest.approx(5.0, abs=0.02)
    assert found.symmetric[1] == pytest.approx(5 + 2 * stdtrit(2, 0.975), rel=0.02)
    assert monte_carlo(identity, [Quantity("x", 5.0, 0.0, 2)]).u == 0


def test_results_are_plain_json():
    found = monte_carlo(identity, [Quantity("x", 0.0, 1.0)], digits=1)
    assert json.loads(json.dumps(found.to_dict()))["symmetric"] == list(found.symmetric)
    compared = compare_with_gum(0.0, 1.0, 2.0, found)
    assert json.loads(json.dumps(compared.to_dict()))["reason"]["code"] == compared.reason.code


@pytest.mark.parametrize(
    ("call", "code"),
    [
        (lambda: simulate(lambda rng, n: rng.normal(size=n), coverage=1.0), "uncertainty.coverage"),
        (lambda: simulate(lambda rng, n: rng.normal(size=n), trials=50), "uncertainty.trials"),
        (lambda: simulate(lambda rng, n: np.full(n, np.nan)), "uncertainty.model"),
    ],
)
def test_what_cannot_be_drawn_is_refused(call, code):
    with pytest.raises(BadInput) as refused:
        call()
    assert refused.value.code == code
    assert str(refused.value)


# ---- JCGM 101, clause 8 ----


def compared(model, quantities, digits, **options):
    gum = propagate(model, quantities, coverage=0.95)
    drawn = monte_carlo(model, quantities, digits=digits, tolerance=FOR_COMPARISON, **options)
    return compare_with_gum(gum.value, gum.u, gum.k, drawn, digits, gum.dof)


def test_normal_inputs_of_a_sum_are_validated():
    found = compared(lambda a, b: a + b, [Quantity("a", 0.0, 3.0), Quantity("b", 0.0, 4.0)], 1)
    assert found.validated is True
    assert found.delta == 0.5
    assert found.reason.code == "gum_interval.validated"


def test_the_mass_of_jcgm_101_is_not_validated_in_first_order():
    """JCGM 101:2008, 9.3, table 6: the first-order interval is refused."""

    def deviation(m, dm, rho_a, rho_w, rho_r):
        return (m + dm) * (1 + (rho_a - 1.2) * (1 / rho_w - 1 / rho_r)) - 100000

    quantities = [
        Quantity("m", 100000, 0.05),
        Quantity("dm", 1.234, 0.02),
        Quantity.within("rho_a", 1.2, 0.1),
        Quantity.within("rho_w", 8000, 1000),
        Quantity.within("rho_r", 8000, 50),
    ]
    found = compared(deviation, quantities, 1)
    assert found.validated is False
    assert max(found.d_low, found.d_high) == pytest.approx(0.0451, abs=0.003)
    assert found.reason.code == "gum_interval.differs"


def test_an_interval_may_be_handed_in():
    drawn = monte_carlo(identity, [Quantity("x", 0.0, 1.0)], tolerance=FOR_COMPARISON)
    same = compare_with_gum(0.0, 1.0, 1.959964, drawn)
    assert compare_with_gum(0.0, 1.0, (same.low, same.high), drawn) == same
    assert same.validated is True


def test_too_few_draws_decide_nothing():
    rough = monte_carlo(identity, [Quantity("x", 0.0, 1.0)], digits=3, most=20_000)
    found = compare_with_gum(0.0, 1.0, 1.959964, rough, digits=3)
    assert found.validated is None
    assert found.reason.code == "gum_interval.undecided"
    far = compare_with_gum(0.0, 1.0, 3.0, rough, digits=3)
    assert far.validated is False
