"""Curve families, the fit of each, and both ways through a fitted curve."""

from __future__ import annotations

import numpy as np
import pytest

from labkit import Conditions, read_readings
from labkit.calibration.points import build_points
from labkit.curves import (
    Family,
    Points,
    families,
    family,
    family_named,
    fit,
    linear_family,
    register,
    solve_linear,
)
from labkit.curves.fit import fit_points
from labkit.curves.polynomial import polynomial
from labkit.problems import BadInput
from tests.benchmarks.benches import CELLS, draw

X = np.array([0.25, 0.4, 0.6, 0.9, 1.25, 1.6, 2.0, 2.5])
NOISE = np.array([0.3, -1.1, 0.7, -0.2, 0.9, -0.6, -0.4, 0.5])


def falling(x):
    """A raw signal: a power law, which none of the polynomials is."""
    return 20.0 + 30_000.0 * (1.0 + x / 1.8) ** -5.0


Y = falling(X) + NOISE
FORMULAS = [form.name for form in families("raw") if form.kind in ("formula", "linear")]
RAW = [form.name for form in families("raw")]
THICKNESS = [form.name for form in families("thickness")]


@pytest.fixture
def kept_register():
    before = dict(family._REGISTER)
    yield
    family._REGISTER.clear()
    family._REGISTER.update(before)


# ---- families ----


def test_the_families_that_the_page_offers_are_registered():
    known = {form.name for form in families()}
    assert known >= {
        *("line", "polynomial-2", "polynomial-3", "polynomial-4", "polynomial-5"),
        *("power-law", "power-law-3", "power-law-6", "exponential"),
        *("log-polynomial-2", "log-polynomial-3", "log-polynomial-4"),
        *("piecewise-line", "monotone-cubic", "smoothing-spline", "flexible"),
    }


def test_formulas_of_the_signal_are_not_for_indications():
    assert "power-law" not in THICKNESS
    assert "log-polynomial-2" not in THICKNESS
    assert {"line", "polynomial-5", "piecewise-line", "flexible"} <= set(THICKNESS)


def test_an_own_family_is_fitted_by_name_and_seen_by_every_comparison(kept_register):
    def decay(x, a, L):
        return a * np.exp(-x / L)

    register(Family("decay", decay, lambda x, y: (y.max(), 1.0), ("a", "L"), "raw", 2, positive=("L",)))
    curve = fit(X, decay(X, 500.0, 0.7), "decay")
    assert curve.parameters == pytest.approx({"a": 500.0, "L": 0.7}, rel=1e-9)
    assert "decay" in {form.name for form in families("raw")}
    assert "decay" not in {form.name for form in families("thickness")}


def test_a_function_becomes_a_family_by_a_decorator(kept_register):
    @register("saturating", start=lambda x, y: (y[0], np.ptp(y), np.median(x)), signal="any", positive=("L",))
    def saturating(x, c, a, L):
        return c + a * x / (L + x)

    assert saturating is family_named("saturating")
    assert (saturating.parameters, saturating.min_points, saturating.positive) == (("c", "a", "L"), 3, ("L",))
    curve = fit(X, saturating.f(X, 1.0, 5.0, 2.0), "saturating")
    assert curve.parameters == pytest.approx({"c": 1.0, "a": 5.0, "L": 2.0}, rel=1e-8)
    with pytest.raises(BadInput) as caught:
        register("saturating", start=saturating.start)(saturating.f)
    assert caught.value.code == "curve.name_taken"
    again = register("saturating", start=saturating.start, replace=True)(saturating.f)
    assert again is family_named("saturating")
    assert "saturating" in {form.name for form in families("raw")}


def test_a_name_is_taken_once_and_replaced_only_on_request(kept_register):
    line = family_named("line")
    with pytest.raises(BadInput) as caught:
        register(line)
    assert caught.value.code == "curve.name_taken"
    assert register(line, replace=True) is line


def test_a_linear_family_needs_no_intercept():
    through_zero = linear_family("slope", lambda x: x[:, None], ("b",))
    curve = fit([1.0, 2.0, 3.0], [2.1, 3.9, 6.0], through_zero)
    assert curve.parameters["b"] == pytest.approx((2.1 + 2 * 3.9 + 3 * 6.0) / 14.0, rel=1e-14)
    assert curve.dof == 2
    assert curve.value(0.0) == 0.0
    waves = linear_family("waves", lambda x: np.stack([np.sin(x), np.cos(x)], axis=-1))
    assert fit(X, 3 * np.sin(X) - np.cos(X), waves).parameters == pytest.approx({"b0": 3.0, "b1": -1.0})


@pytest.mark.parametrize("name", FORMULAS)
def test_jacobian_and_slope_are_those_of_finite_differences(name):
    form = family_named(name)
    b = np.array(list(fit(X, Y, name).parameters.values()))
    bare = Family("bare", form.f, form.start, form.parameters)
    scale = np.abs(form.jacobian(X, b)).max(axis=0)
    assert form.jacobian(X, b) / scale == pytest.approx(bare.jacobian(X, b) / scale, abs=1e-6)
    assert form.derivative(X, b) == pytest.approx(bare.derivative(X, b), rel=1e-6, abs=1e-6 * np.ptp(Y))


@pytest.mark.parametrize("name", FORMULAS)
def test_gradient_in_the_solved_parameters_is_that_of_finite_differences(name):
    curve = fit(X, Y, name, ux=0.0005, uy=2.0)
    for j in range(len(curve.beta)):
        step = np.zeros_like(curve.beta)
        step[j] = 1e-6 * max(abs(curve.beta[j]), 1e-3)
        apart = curve.working.value(X, curve.beta + step) - curve.working.value(X, curve.beta - step)
        column = curve.working.gradient(X, curve.beta)[:, j]
        assert column == pytest.approx(apart / (2 * step[j]), rel=1e-5, abs=1e-6 * np.abs(column).max())


# ---- both ways through every curve ----


@pytest.mark.parametrize(
    ("name", "signal"), [(name, "raw") for name in RAW] + [(name, "thickness") for name in THICKNESS]
)
def test_inverting_what_was_predicted_gives_the_thickness_back(name, signal):
    y = Y if signal == "raw" else X * 1.004 + 0.0003 * NOISE
    curve = fit(X, y, name, uy=2.0 if signal == "raw" else 0.0004, signal=signal)
    if not curve.monotonic:
        with pytest.raises(BadInput) as caught:
            curve.invert(curve.value(X))
        assert caught.value.code == "curve.not_monotonic"
        return
    x = np.linspace(0.25, 2.5, 41)
    found, u = curve.invert(curve.value(x))
    assert found == pytest.approx(x, abs=1e-9)
    assert curve.direction == (-1 if signal == "raw" else 1)
    slope = (curve.value(x + 1e-6) - curve.value(x - 1e-6))[1:-1] / 2e-6
    off_knots = np.abs(x[1:-1, None] - X).min(axis=1) > 1e-5
    assert curve.slope(x)[1:-1][off_knots] == pytest.approx(slope[off_knots], rel=1e-4)
    if u is not None:
        assert u * np.abs(curve.slope(x)) == pytest.approx(curve.standard_uncertainty(x), rel=1e-7)


def test_a_curve_through_the_points_states_no_uncertainty():
    for name in ("piecewise-line", "monotone-cubic"):
        curve = fit(X, Y, name, uy=2.0)
        assert curve.value(X) == pytest.approx(Y)
        assert (curve.standard_uncertainty(X), curve.weights(X), curve.chi2, curve.covariance) == (None,) * 4
        assert curve.predict(X)[1] is None
        assert curve.invert(Y)[1] is None


def test_a_curve_that_turns_is_not_used_backwards():
    curve = fit([0.0, 1.0, 2.0, 3.0], [0.0, 1.0, 0.9, 0.1], "polynomial-2", uy=0.01)
    assert not curve.monotonic
    with pytest.raises(BadInput) as caught:
        curve.invert([0.5])
    assert caught.value.code == "curve.not_monotonic"


def test_a_turn_just_beyond_the_points_is_seen_where_the_reach_holds_it():
    curve = fit(X, (X - 2.6) ** 2, "polynomial-2", uy=0.01)
    assert curve.monotonic
    assert curve.invert([0.04])[0] == pytest.approx([2.4])
    with pytest.raises(BadInput) as caught:
        curve.invert([0.04], reach=(0.25, 2.8))
    assert caught.value.code == "curve.not_monotonic"


def test_outside_is_refused_with_its_places_or_masked():
    curve = fit(X, Y, "power-law", uy=2.0)
    inside = float(curve.value(1.0))
    with pytest.raises(BadInput) as caught:
        curve.invert([inside, 1e6, inside, np.nan, 0.0])
    assert caught.value.code == "curve.outside_range"
    assert caught.value.params["places"] == [2, 4, 5]
    assert (caught.value.params["count"], caught.value.params["total"]) == (3, 5)
    x, u = curve.invert([inside, 1e6, inside], 1.0, outside="mask")
    assert x.mask.tolist() == u.mask.tolist() == [False, True, False]
    assert x[0] == pytest.approx(1.0)
    with pytest.raises(BadInput) as caught:
        curve.invert([inside], outside="ignore")
    assert caught.value.code == "curve.outside"


def test_at_most_twenty_places_are_named():
    with pytest.raises(BadInput) as caught:
        fit(X, Y, "power-law", uy=2.0).invert(np.full(50, 1e6))
    assert caught.value.params["places"] == list(range(1, 21))
    assert caught.value.params["count"] == 50


def test_shapes_go_through():
    curve = fit(X, Y, "flexible", uy=2.0)
    y = curve.value(np.array([[0.5, 1.0, 1.5], [1.5, 1.0, 0.5]]))
    x, u = curve.invert(y, np.full((2, 3), 1.0))
    assert x.shape == u.shape == (2, 3)
    assert x == pytest.approx(np.array([[0.5, 1.0, 1.5], [1.5, 1.0, 0.5]]))
    assert np.shape(curve.invert(float(y[0, 0]))[0]) == ()
    assert [part.size for part in curve.invert([])] == [0, 0]


def test_uncertainty_of_the_thickness_enters_a_prediction_by_the_slope():
    curve = fit(X, Y, "line", uy=2.0)
    _, u = curve.predict(1.0)
    _, wider = curve.predict(1.0, ux=0.01)
    assert wider**2 - u**2 == pytest.approx((curve.parameters["b1"] * 0.01) ** 2)


@pytest.mark.parametrize("name", ["line", "power-law", "flexible"])
def test_intervals_agree_where_the_uncertainty_is_small(name):
    curve = fit(X, Y if name != "line" else 3 + 2 * X, name, uy=0.5 if name != "line" else 0.001)
    y, uy = float(curve.value(1.1)), 0.5 if name != "line" else 0.001
    wald = curve.invert_interval(y, uy)
    drawn = curve.invert_interval(y, uy, method="monte-carlo")
    half = (wald[1] - wald[0]) / 2
    assert drawn == pytest.approx(wald, abs=0.06 * half)
    if name == "line":
        assert curve.invert_interval(y, uy, method="fieller") == pytest.approx(wald, abs=0.01 * half)


@pytest.mark.parametrize(
    ("options", "code"),
    [
        ({"level": 1.0}, "curve.level"),
        ({"level": 0.0}, "curve.level"),
        ({"repeats": 0}, "correct.repeats"),
        ({"method": "bootstrap"}, "curve.method"),
        ({"method": "fieller"}, "curve.method"),
        ({"uy": None}, "curve.uy_needed"),
    ],
)
def test_an_interval_that_makes_no_sense_is_refused(options, code):
    with pytest.raises(BadInput) as caught:
        fit(X, Y, "power-law", uy=2.0).invert_interval(8000.0, **({"uy": 1.0} | options))
    assert caught.value.code == code


def test_fieller_limits_without_end_are_refused():
    curve = fit([1.0, 2.0, 3.0], [1.0, 1.02, 1.01], "line", uy=0.05)
    with pytest.raises(BadInput) as caught:
        curve.invert_interval(1.01, 0.05, method="fieller")
    assert caught.value.code == "curve.fieller_open"


# ---- known and estimated scale ----


def test_without_uncertainties_the_residuals_give_the_scale():
    curve = fit(X, 3 + 2 * X + 0.01 * NOISE, "line")
    assert curve.scale == "estimated"
    A = np.stack([np.ones_like(X), X], axis=-1)
    s2 = np.sum(curve.residuals**2) / (len(X) - 2)
    assert curve.covariance == pytest.approx(s2 * np.linalg.inv(A.T @ A))
    assert curve.residual_sd == pytest.approx(np.sqrt(s2))


def test_given_uncertainties_are_taken_as_they_are_unless_they_are_relative():
    y = 3 + 2 * X + 0.01 * NOISE
    known = fit(X, y, "line", uy=0.02)
    twice = fit(X, y, "line", uy=0.04)
    assert known.scale == "known"
    assert twice.covariance == pytest.approx(4 * known.covariance)
    assert twice.chi2 == pytest.approx(known.chi2 / 4)
    relative = [fit(X, y, "line", uy=u, scale="estimated") for u in (0.02, 0.04)]
    assert relative[0].covariance == pytest.approx(relative[1].covariance)
    assert relative[0].covariance == pytest.approx(known.covariance * known.chi2 / known.dof)


def test_no_point_left_over_and_nothing_known_states_no_uncertainty():
    curve = fit([0.5, 1.0], [3.0, 2.0], "line")
    assert curve.value(0.75) == pytest.approx(2.5)
    assert (curve.standard_uncertainty(0.75), curve.covariance, curve.residual_sd) == (None, None, None)
    assert (curve.weights(0.75), curve.predict(0.75)[1], curve.standard_errors) == (None, None, {})
    assert curve.monotonic_share(np.random.default_rng(1)) == 1.0
    assert fit([0.5, 1.0], [3.0, 2.0], "line", uy=0.1).covariance is not None


# ---- errors in x ----


def line_by_effective_variance(x, y, V_x, V_y):
    """The line with errors in x: for a line the effective variance with the slope of the solution is the objective."""
    from scipy.optimize import minimize

    def chi2(b):
        V = V_y + b[1] ** 2 * V_x
        off = y - b[0] - b[1] * x
        return off @ np.linalg.solve(V, off)

    start = np.polyfit(x, y, 1)[::-1]
    return minimize(chi2, start, method="Nelder-Mead", options={"xatol": 1e-12, "fatol": 1e-14, "maxiter": 4000})


def test_stacks_share_errors_and_a_zero_has_none():
    """V_x of rank 3 for 5 points: 1, 2, 3, 1+2 and contact zero. No inverse of it exists."""
    A = np.array([[1, 0, 0], [0, 1, 0], [0, 0, 1], [1, 1, 0], [0, 0, 0]], dtype=float)
    own, shared = np.array([0.02, 0.03, 0.025]), np.array([0.01, 0.01, 0.01])
    V_x = A @ (np.diag(own**2) + np.outer(shared, shared)) @ A.T
    assert np.linalg.matrix_rank(V_x) == 3
    x = A @ np.array([0.5, 0.7, 2.0])
    y = 1.0 + 2.0 * x + np.array([0.03, -0.05, 0.02, 0.04, -0.01])
    V_y = np.diag(np.full(5, 0.02**2))
    curve = fit(x, y, "line", cov_x=V_x, cov_y=V_y)
    found = line_by_effective_variance(x, y, V_x, V_y)
    assert list(curve.parameters.values()) == pytest.approx(found.x, abs=1e-6)
    assert curve.chi2 == pytest.approx(found.fun, rel=1e-9)
    V = V_y + curve.parameters["b1"] ** 2 * V_x
    assert np.sqrt(np.diag(curve.covariance)) == pytest.approx(
        np.sqrt(
            np.diag(
                np.linalg.inv(np.vander(x, 2, increasing=True).T @ np.linalg.solve(V, np.vander(x, 2, increasing=True)))
            )
        ),
        rel=0.2,
    )


def test_exact_thicknesses_make_it_ordinary_weighted_least_squares():
    zero = np.zeros((len(X), len(X)))
    for name in ("polynomial-3", "power-law"):
        exact, plain = fit(X, Y, name, cov_x=zero, uy=2.0), fit(X, Y, name, uy=2.0)
        assert exact.beta == pytest.approx(plain.beta, rel=1e-9)
        assert exact.cov_beta == pytest.approx(plain.cov_beta, rel=1e-6)


@pytest.mark.parametrize(("cell", "index"), [("ball-quiet-9-raw", 417), ("ball-noisy-9-raw", 173)])
def test_a_power_law_that_runs_off_to_an_exponential_is_no_solution(cell, index):
    """L and n grow together without end; of what tells them apart rounding is left, which made U some metres here."""
    bench = draw(CELLS[cell], index, "building")
    readings = read_readings(bench.readings_csv(), shims=bench.shims_csv())
    points = build_points(readings, Conditions(resolution=bench.step, temperature_start_degC=20.0)).fitted
    assert fit_points(points, family_named("exponential"), "raw", tight=False).chi2 < 10
    with pytest.raises(BadInput) as problem:
        fit_points(points, family_named("power-law"), "raw", tight=False)
    assert problem.value.code == "curve.no_convergence"


@pytest.mark.parametrize(
    ("name", "lowest", "L", "n"),
    [("power-law-3", -0.05, 0.0525, 3.0), ("power-law-6", -0.9, 0.945, 6.0), ("power-law", -0.9, 1.0, 3.0)],
)
def test_a_power_law_is_found_where_thicknesses_are_below_zero(name, lowest, L, n):
    x = np.linspace(lowest, 1.0, 9)
    found = fit(x, 100 + 50 * (1 + x / L) ** -n, name, uy=np.full(9, 0.01)).parameters
    assert [found["c"], found["a"], found["L"]] == pytest.approx([100.0, 50.0, L])
    assert found.get("n", n) == pytest.approx(n)


def test_a_spline_through_points_that_are_known_too_unlike_is_refused():
    x, y = [442, 2914, 1080, 806, 1826, 2387], [150, 148.363, 149.572, 149.755, 149.074, 148.708]
    with pytest.raises(BadInput) as caught:
        fit(x, y, "smoothing-spline", ux=50.0, uy=[1e-12, 1e-9, 1e-9, 1e-9, 1.0, 1e-9])
    assert caught.value.code == "curve.no_convergence"


@pytest.mark.parametrize("family", ["polynomial-2", "power-law", "flexible"])
def test_curves_are_drawn_at_a_single_thickness_too(family):
    x = np.linspace(0.3, 2.5, 7)
    drawn = fit(x, 100 + 50 * (1 + x) ** -3.0, family, uy=0.01).draws(1.0, 4, np.random.default_rng(1))
    assert drawn.shape == (4, 1)


@pytest.mark.parametrize("name", RAW)
@pytest.mark.parametrize("gap", [0.0, 2.0**-53, 1e-9])
def test_thicknesses_that_differ_by_rounding_alone_are_one(name, gap):
    """A stack of 0.15 and 0.25 mm beside a shim of 0.4 mm."""
    x, y = np.append(X, 0.4 + gap), np.append(Y, Y[1] + 5.0)
    twice = fit(np.append(X, 0.4), y, name, ux=0.0005, uy=5.0, signal="raw")
    found = fit(x, y, name, ux=0.0005, uy=5.0, signal="raw")
    assert found.points.different == len(X)
    between = np.linspace(0.3, 2.4, 20)
    assert found.value(between) == pytest.approx(twice.value(between), rel=1e-6)


def test_a_formula_whose_parameters_say_the_same_is_told_so():
    twofold = Family(
        "twofold",
        lambda x, a, b, c: a * b * x + c,
        lambda x, y: (1.0, -1.0, y.max()),
        ("a", "b", "c"),
        jac=lambda x, a, b, c: np.stack([b * x, a * x, np.ones_like(x)], axis=-1),
    )
    with pytest.raises(BadInput) as problem:
        fit(X, Y, twofold, ux=0.0005, uy=2.0, signal="raw")
    assert problem.value.code == "curve.dependent"


def test_log_polynomials_fit_a_narrow_span_far_from_zero():
    x = np.linspace(100.0, 101.0, 8)
    y = np.exp(5.0 - 0.3 * (x - 100.0) + 0.1 * (x - 100.0) ** 2)
    found = fit_points(Points(x, y, np.zeros((8, 8)), np.eye(8) * 1e-4), family_named("log-polynomial-4"), "raw")
    assert found.value(x) == pytest.approx(y, rel=1e-6)


def test_a_constant_has_no_slope():
    assert np.all(fit(X, Y, polynomial(0), uy=1.0).slope(X) == 0)
    assert np.all(fit(X, X + 0.01, polynomial(0), uy=1.0, signal="thickness").slope(X) == 1)


def test_a_reach_beyond_a_turn_is_refused():
    """The points fall; beyond them the curve rises, and one indication has two thicknesses."""
    x = np.linspace(0.3, 2.4, 8)
    curve = fit(x, 100 - 10 * x + 1.8 * x**2, "polynomial-2", uy=0.01, signal="raw")
    assert curve.monotonic
    with pytest.raises(BadInput) as problem:
        curve.invert([88.0, 88.5], reach=(3.0, 4.0))
    assert problem.value.code == "curve.not_monotonic"


def test_a_shared_error_of_all_shims_moves_the_line_and_widens_only_its_place():
    common = np.full((len(X), len(X)), 0.01**2)
    y = 3 + 2 * X + 0.01 * NOISE
    plain = fit(X, y, "line", uy=0.02)
    shared = fit(X, y, "line", uy=0.02, cov_x=common)
    assert shared.parameters["b1"] == pytest.approx(plain.parameters["b1"], rel=1e-6)
    assert shared.standard_errors["b1"] == pytest.approx(plain.standard_errors["b1"], rel=0.01)
    added = shared.standard_errors["b0"] ** 2 - plain.standard_errors["b0"] ** 2
    assert added == pytest.approx((2 * 0.01) ** 2, rel=0.02)


# ---- what a reading is worth ----


@pytest.mark.parametrize("name", ["line", "polynomial-3", "power-law", "exponential", "log-polynomial-3"])
def test_weights_are_the_derivative_by_each_indication(name):
    exact = fit(X, Y, name, uy=2.0).value(X)  # the curve's own values: curvature of the fit plays no part
    curve = fit(X, exact, name, uy=2.0)
    at = np.array([0.3, 1.0, 2.2])
    h = 1e-3
    for i in range(len(X)):
        up, down = exact.copy(), exact.copy()
        up[i] += h
        down[i] -= h
        moved = (fit(X, up, name, uy=2.0).value(at) - fit(X, down, name, uy=2.0).value(at)) / (2 * h)
        assert curve.weights(at)[:, i] == pytest.approx(moved, rel=2e-4, abs=2e-5)


@pytest.mark.parametrize("name", ["line", "power-law", "log-polynomial-3"])
def test_uncertainty_is_what_the_weights_make_of_that_of_the_points(name):
    V_y = np.diag(np.linspace(1.0, 3.0, len(X)) ** 2) + 0.5
    curve = fit(X, Y, name, cov_y=V_y)
    at = np.linspace(0.25, 2.5, 9)
    weights = curve.weights(at)
    assert curve.standard_uncertainty(at) ** 2 == pytest.approx(np.einsum("qi,ij,qj->q", weights, V_y, weights))


@pytest.mark.parametrize(("name", "scale"), [("line", "known"), ("power-law", "known"), ("line", "estimated")])
def test_drawn_curves_scatter_as_stated(name, scale):
    curve = fit(X, Y if name != "line" else 3 + 2 * X + 0.01 * NOISE, name, uy=2.0, scale=scale)
    at = np.array([0.3, 1.0, 2.4])
    drawn = curve.draws(at, 20_000, np.random.default_rng(4))
    widening = np.sqrt(curve.dof / (curve.dof - 2)) if scale == "estimated" else 1.0
    assert drawn.std(axis=0) == pytest.approx(widening * curve.standard_uncertainty(at), rel=0.05)


# ---- what is refused ----


@pytest.mark.parametrize(
    ("x", "y", "options", "code", "named"),
    [
        ([1, 2, 3], [1, 2], {}, "curve.lengths", "y"),
        ([], [], {}, "curve.lengths", "x"),
        (np.ones((2, 2)), np.ones((2, 2)), {}, "curve.lengths", "x"),
        (["a", "b"], [1, 2], {}, "curve.not_numbers", "x"),
        ([[1, 2], [3]], [1, 2], {}, "curve.not_numbers", "x"),
        ([1, 2, np.nan], [1, 2, 3], {}, "curve.not_finite", "x"),
        ([1, 2, 3], [1, np.inf, 3], {}, "curve.not_finite", "y"),
        ([1, 2, 3], [1, 2, 3], {"uy": [1, 0, 1]}, "curve.not_positive", "uy"),
        ([1, 2, 3], [1, 2, 3], {"uy": 1, "ux": [1, -1, 1]}, "curve.not_positive", "ux"),
        ([1, 2, 3], [1, 2, 3], {"uy": [1, 1]}, "curve.lengths", "uy"),
        ([1, 2, 3], [1, 2, 3], {"uy": [1, 1, np.nan]}, "curve.not_finite", "uy"),
        ([1, 2, 3], [1, 2, 3], {"cov_y": 0.1}, "curve.lengths", "cov_y"),
        ([1, 2, 3], [1, 2, 3], {"cov_y": np.full((3, 3), np.nan)}, "curve.covariance", "cov_y"),
        ([1, 2, 3], [1, 2, 3], {"cov_y": [[1, 0, 0], [1, 1, 0], [0, 0, 1]]}, "curve.covariance", "cov_y"),
        ([1, 2, 3], [1, 2, 3], {"uy": 1, "cov_x": -np.eye(3)}, "curve.covariance", "cov_x"),
        ([1, 2, 3], [1, 2, 3], {"uy": 1, "cov_x": np.diag([np.inf] * 3)}, "curve.covariance", "cov_x"),
        ([1, 2, 3], [1, 2, 3], {"ux": 0.1}, "curve.ux_without_uy", None),
        ([1, 2, 3], [1, 2, 3], {"scale": "relative"}, "curve.scale", None),
        ([1, 2, 3], [1, 2, 3], {"scale": "known"}, "curve.known_without_u", None),
        ([1, 2, 3], [1, 2, 3], {"signal": "counts"}, "curve.signal", None),
        ([1, 1, 1], [1, 2, 3], {}, "curve.one_thickness", None),
        ([1, 2, 3, 4], [4, 3, 2, 1], {"family": "power-law", "start": (1, 2)}, "curve.lengths", "start"),
        ([1, 2], [1, 2], {"family": "polynomial-2"}, "curve.too_few_points", None),
        ([1, 2, 3], [3, 2, -1], {"family": "log-polynomial-2"}, "curve.not_for_negative", None),
        ([1, 2, 3], [3, 2, 0], {"family": "flexible"}, "curve.not_for_negative", None),
        ([-1, 2, 3], [3, 2, 1], {"family": "flexible"}, "curve.negative_thickness", None),
        ([1, 2, 3, 4], [3, 2, 1, 1], {"family": "power-law", "signal": "thickness"}, "curve.not_for_signal", None),
        ([1, 2, 3], [1, 2, 3], {"family": "cubic spline"}, "curve.unknown_family", None),
    ],
)
def test_what_cannot_be_fitted_is_refused_by_name(x, y, options, code, named):
    options = dict(options)
    with pytest.raises(BadInput) as caught:
        fit(x, y, options.pop("family", "line"), **options)
    assert caught.value.code == code
    assert caught.value.params.get("name") == named or named is None
    assert "{" not in str(caught.value)


def test_a_formula_that_finds_no_solution_says_so():
    def stuck(x, a):
        return np.full_like(x, np.nan)

    with pytest.raises(BadInput) as caught:
        fit(X, Y, Family("stuck", stuck, lambda x, y: (1.0,), ("a",)))
    assert caught.value.code == "curve.no_convergence"


def test_regressors_that_depend_on_one_another_are_refused():
    with pytest.raises(BadInput) as caught:
        solve_linear(np.stack([X, 2 * X], axis=-1), Y)
    assert caught.value.code == "curve.dependent"
    with pytest.raises(BadInput) as caught:
        solve_linear(np.ones((1, 2)), np.ones(1))
    assert caught.value.code == "curve.dependent"


def test_leaving_a_point_out_leaves_its_row_and_column_out():
    V = np.arange(16.0).reshape(4, 4)  # no covariance, but every entry tells where it came from
    rest = Points(np.arange(4.0), np.arange(4.0), V, None).without(1)
    assert rest.x.tolist() == [0, 2, 3]
    assert rest.V_x.tolist() == [[0, 2, 3], [8, 10, 11], [12, 14, 15]]
    assert rest.V_y is None
