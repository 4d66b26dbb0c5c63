"""
Independent programs on the same data: odrpack (orthogonal distance regression), statsmodels (weighted and generalised
least squares), numpy.polyfit, scipy.

They share no code with `labkit.curves` above linear algebra and the minimiser. Agreement is asserted in digits.
"""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
from odrpack import odr_fit
from scipy.optimize import brentq, curve_fit, least_squares

from labkit.curves import fit, solve_linear
from labkit.validation import case


def power_law(x, b):
    c, a, L, n = b
    return c + a * (1.0 + x / L) ** (-n)


def exponential(x, b):
    c, a, L = b
    return c + a * np.exp(-x / L)


def parabola(x, b):
    return b[0] + b[1] * x + b[2] * x**2


def line(x, b):
    return b[0] + b[1] * x


MODELS = {
    "line": (line, [2.0, 3.0]),
    "polynomial-2": (parabola, [2.0, 3.0, 0.4]),
    "exponential": (exponential, [5.0, 900.0, 0.8]),
    "power-law": (power_law, [3.0, 900.0, 2.0, 4.0]),
}


def bench(model, b, m=12, seed=4):
    """Points of a curve, with uncertainties in both variables that matter to each other."""
    rng = np.random.default_rng(seed)
    x_true = np.linspace(0.1, 3.0, m)
    h = 1e-6
    slope = (model(x_true + h, b) - model(x_true - h, b)) / (2 * h)
    ux = 0.004 * (1.0 + x_true)
    uy = 0.004 * np.abs(slope) * (1.0 + 0.5 * np.sin(np.arange(m)))
    x = x_true + ux * rng.standard_normal(m)
    y = model(x_true, b) + uy * rng.standard_normal(m)
    return x, y, ux, uy


def odr(model, x, y, ux, uy, beta0):
    found = odr_fit(
        lambda x, b: np.asarray(model(x, b)),
        x,
        y,
        np.array(beta0, dtype=float),
        weight_x=ux**-2.0,
        weight_y=uy**-2.0,
        diff_scheme="central",
        sstol=1e-14,
        partol=1e-14,
        maxit=500,
    )
    assert found.success
    return found


def digits(ours, theirs):
    """The fewest digits in which two sets of numbers agree."""
    off = np.abs(np.asarray(ours) / np.asarray(theirs) - 1.0)
    return float(-np.log10(np.max(off) + 1e-17))


@pytest.mark.parametrize(("name", "agreed"), [("line", 9), ("polynomial-2", 8), ("exponential", 9), ("power-law", 7)])
def test_errors_in_both_variables_against_odrpack(name, agreed):
    """Minimum and parameters; the covariance too: odrpack's, unscaled, is that of the Gauss-Newton matrix."""
    model, b = MODELS[name]
    x, y, ux, uy = bench(model, b)
    ours = fit(x, y, name, ux=ux, uy=uy)
    theirs = odr(model, x, y, ux, uy, b)
    assert digits(ours.chi2, theirs.sum_square) > 12
    assert digits(list(ours.parameters.values()), theirs.beta) > agreed
    assert digits(list(ours.standard_errors.values()), np.sqrt(np.diag(theirs.cov_beta))) > agreed


@pytest.mark.parametrize("name", ["line", "polynomial-2"])
def test_relative_uncertainties_in_both_variables_against_odrpack(name):
    """Scale estimated: odrpack's standard deviations are scaled by the residual variance as well."""
    model, b = MODELS[name]
    x, y, ux, uy = bench(model, b)
    ours = fit(x, y, name, ux=ux, uy=uy, scale="estimated")
    theirs = odr(model, x, y, ux, uy, b)
    assert digits(ours.residual_sd**2, theirs.res_var) > 12
    assert digits(list(ours.standard_errors.values()), theirs.sd_beta) > 8


def test_pearson_york_against_odrpack():
    one = case("pearson_york")
    ux, uy = one.array("w_x") ** -0.5, one.array("w_y") ** -0.5
    theirs = odr(line, one.array("x"), one.array("y"), ux, uy, [5.0, -0.5])
    ours = fit(one.array("x"), one.array("y"), "line", ux=ux, uy=uy)
    assert list(ours.parameters.values()) == pytest.approx(theirs.beta, rel=1e-6)


def covariance(rng, m, size):
    mixed = rng.standard_normal((m, m + 3)) * size
    return mixed @ mixed.T / (m + 3) + np.eye(m) * size**2


@pytest.mark.parametrize("name", ["line", "power-law"])
def test_full_covariances_against_the_objective_written_out(name):
    """ISO/TS 28037 clause 10: minimised over all true thicknesses with explicit inverses, numerical Jacobian."""
    model, b = MODELS[name]
    x, y, ux, uy = bench(model, b)
    rng = np.random.default_rng(9)
    m, p = len(x), len(b)
    V_x = covariance(rng, m, float(np.median(ux)))
    V_y = covariance(rng, m, float(np.median(uy)))
    root_x = np.linalg.cholesky(np.linalg.inv(V_x)).T
    root_y = np.linalg.cholesky(np.linalg.inv(V_y)).T

    def miss(theta):
        return np.concatenate([root_y @ (model(theta[p:], theta[:p]) - y), root_x @ (theta[p:] - x)])

    start = np.concatenate([b, x])
    written_out = least_squares(miss, start, "3-point", x_scale=np.abs(start), xtol=1e-14, ftol=1e-14, gtol=1e-14)
    V_b = np.linalg.inv(written_out.jac.T @ written_out.jac)[:p, :p]
    ours = fit(x, y, name, cov_x=V_x, cov_y=V_y)
    u = np.array(list(ours.standard_errors.values()))
    assert ours.chi2 == pytest.approx(2.0 * written_out.cost, rel=1e-9)
    assert np.abs(np.array(list(ours.parameters.values())) - written_out.x[:p]).max() < 1e-3 * u.max()
    assert np.abs((ours.covariance - V_b) / np.outer(u, u)).max() < 1e-4


@pytest.mark.parametrize("scale", ["known", "estimated"])
@pytest.mark.parametrize("peer", ["WLS", "GLS"])
@pytest.mark.parametrize(("degree", "agreed"), [(1, 13), (2, 12), (3, 12), (4, 11), (5, 10)])
def test_polynomials_against_statsmodels(degree, agreed, peer, scale):
    """Parameters, their covariance, χ² and what is predicted, with `uy` and with `cov_y`."""
    rng = np.random.default_rng(degree)
    x = np.linspace(0.2, 2.4, 15)
    A = np.vander(x, degree + 1, increasing=True)
    uy = 0.01 * rng.uniform(0.5, 2.0, 15)
    V = covariance(rng, 15, 0.01)
    y = A @ rng.uniform(0.5, 2.0, degree + 1) + uy * rng.standard_normal(15)
    name = "line" if degree == 1 else f"polynomial-{degree}"
    if peer == "WLS":
        ours, model = fit(x, y, name, uy=uy, scale=scale), sm.WLS(y, A, weights=uy**-2.0)
    else:
        ours, model = fit(x, y, name, cov_y=V, scale=scale), sm.GLS(y, A, sigma=V)
    fixed = {"cov_type": "fixed scale", "cov_kwds": {"scale": 1.0}}
    theirs = model.fit(**(fixed if scale == "known" else {}))
    assert digits(list(ours.parameters.values()), theirs.params) > agreed
    assert digits(list(ours.standard_errors.values()), np.sqrt(np.diag(theirs.cov_params()))) > agreed
    assert digits(ours.covariance, theirs.cov_params()) > agreed
    assert digits(ours.chi2, np.sum(theirs.wresid**2)) > 10
    at = np.linspace(0.3, 2.3, 7)
    value, u = ours.predict(at)
    predicted = theirs.get_prediction(np.vander(at, degree + 1, increasing=True))
    assert digits(value, predicted.predicted_mean) > agreed
    assert digits(u, predicted.se_mean) > agreed - 1


@pytest.mark.parametrize("peer", ["OLS", "GLS"])
def test_several_regressors_against_statsmodels(peer):
    rng = np.random.default_rng(11)
    A = np.column_stack([np.ones(20), rng.standard_normal((20, 3))])
    y = A @ [1.0, -2.0, 0.5, 3.0] + 0.1 * rng.standard_normal(20)
    V = covariance(rng, 20, 0.1) if peer == "GLS" else None
    ours = solve_linear(A, y, V)
    theirs = (sm.OLS(y, A) if V is None else sm.GLS(y, A, sigma=V)).fit()
    assert digits(ours.b, theirs.params) > 12
    assert digits(ours.standard_errors, theirs.bse) > 12
    assert digits(ours.residual_sd**2, theirs.scale) > 12


@pytest.mark.parametrize("degree", [1, 2, 3, 4, 5])
def test_polynomials_against_polyfit(degree):
    rng = np.random.default_rng(degree)
    x = np.linspace(0.2, 2.4, 15)
    y = np.polynomial.polynomial.polyval(x, rng.standard_normal(degree + 1)) + 0.01 * rng.standard_normal(15)
    uy = 0.01 * rng.uniform(0.5, 2.0, 15)
    name = "line" if degree == 1 else f"polynomial-{degree}"
    for scale, cov in [("known", "unscaled"), ("estimated", True)]:
        ours = fit(x, y, name, uy=uy, scale=scale)
        theirs, V = np.polyfit(x, y, degree, w=1.0 / uy, cov=cov)
        assert list(ours.parameters.values()) == pytest.approx(theirs[::-1], rel=1e-8)
        assert ours.covariance == pytest.approx(V[::-1, ::-1], rel=1e-7)


@pytest.mark.parametrize("name", ["exponential", "power-law"])
@pytest.mark.parametrize("scale", ["known", "estimated"])
def test_formulas_against_curve_fit(name, scale):
    model, b = MODELS[name]
    x, y, _, uy = bench(model, b)
    ours = fit(x, y, name, uy=uy, scale=scale)
    theirs, V = curve_fit(
        lambda x, *b: model(x, b), x, y, p0=b, sigma=uy, absolute_sigma=scale == "known", xtol=1e-13, ftol=1e-13
    )
    u = np.sqrt(np.diag(V))
    assert np.abs((np.array(list(ours.parameters.values())) - theirs) / u).max() < 1e-3
    assert list(ours.standard_errors.values()) == pytest.approx(u, rel=1e-3)


def test_thickness_indications_are_the_same_polynomial_in_another_place():
    """E(x) = y − x with coefficients b is y with b₁ + 1, and as uncertain, errors in x included."""
    x, y, ux, uy = bench(parabola, [0.004, 1.0, -0.002])
    error = fit(x, y, "polynomial-2", ux=ux, uy=uy, signal="thickness")
    plain = fit(x, y, "polynomial-2", ux=ux, uy=uy)
    assert error.parameters["b1"] + 1.0 == pytest.approx(plain.parameters["b1"], rel=1e-9)
    assert error.covariance == pytest.approx(plain.covariance, rel=1e-6)
    assert error.predict([1.3])[0] == pytest.approx(plain.predict([1.3])[0], rel=1e-12)


@pytest.mark.parametrize("name", sorted(MODELS))
def test_backwards_against_brentq_and_a_finite_difference(name):
    """x̂ is a bracketed root; u(x̂) is what a small change of each parameter and of y₀ does to that root."""
    model, b = MODELS[name]
    x, y, ux, uy = bench(model, b)
    curve = fit(x, y, name, ux=ux, uy=uy)
    beta = np.array(list(curve.parameters.values()))
    y0, u0 = float(model(1.1, beta)), 0.3

    def root(beta, y0):
        return brentq(lambda x: model(x, beta) - y0, 0.0, 4.0, xtol=1e-14, rtol=1e-14)

    found, u = curve.invert([y0], [u0])
    assert float(found[0]) == pytest.approx(root(beta, y0), rel=1e-10)
    steps = 1e-5 * np.abs(beta)
    by_beta = [
        (root(beta + e, y0) - root(beta - e, y0)) / (2 * step) for e, step in zip(np.diag(steps), steps, strict=True)
    ]
    by_y = (root(beta, y0 * 1.00001) - root(beta, y0 * 0.99999)) / (2e-5 * y0)
    expected = np.sqrt(by_beta @ curve.covariance @ by_beta + (by_y * u0) ** 2)
    assert float(u[0]) == pytest.approx(expected, rel=1e-4)
