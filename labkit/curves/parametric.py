"""Curves with parameters: one objective for lines, polynomials and formulas, with or without errors in x."""

from __future__ import annotations

import math
import warnings
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Final, NamedTuple

import numpy as np
from numpy.random import Generator
from numpy.typing import ArrayLike
from scipy.linalg import eigh
from scipy.linalg.lapack import dgels, dpotrf
from scipy.optimize import leastsq

from labkit.curves import polynomial
from labkit.curves.curve import Curve, Points, Scale
from labkit.curves.family import Array, Family, Signal
from labkit.curves.linear import LinearSolution, lower_factor, solve_factored, solve_linear, unwhiten, whiten
from labkit.problems import BadInput

_TIGHT: Final = 1e-15
"""Tolerances of the iteration: as far as double precision goes, for the digits of the certified cases."""

_LOOSE: Final = 1e-12
"""Where the solution is only on the way to another, or only its error is asked for."""

_STEPS: Final = 30
_SMALLEST_SHARE: Final = 0.125
_ARRIVED: Final = 1e-7
"""
Gauss-Newton steps at most, the smallest share of one that is tried, and the length of a step that is not worth it, over
what the points are missed by.
"""

_OF_ITS_OWN: Final = 1e-10
"""
What ∂F/∂β of a parameter must have that the others have not, as a share, where logarithms are solved for, which may run
off. The certified nonlinear problems have 5e-5 or more; of a power law that runs off towards an exponential, only
rounding is left.
"""

_NOT_CONVERGED: Final = (0, 5)
"""Of the answers of MINPACK: arguments that make no sense, or more steps than were granted."""


@dataclass(frozen=True, eq=False)
class Working:
    """
    The parameters that are solved for, where they are not those that are reported.

    Polynomials are solved in Chebyshev polynomials on the scaled range, which is what keeps their digits; parameters
    that must stay positive are solved for as logarithms.
    """

    form: Family
    signal: Signal
    centre: float
    half: float

    @property
    def chebyshev(self) -> bool:
        return self.form.degree > 0 and self.form.kind == "linear"

    @cached_property
    def logged(self) -> Array:
        """Which parameters are solved for as logarithms, shape (p,)."""
        return np.array([name in self.form.positive for name in self.form.parameters], dtype=bool)

    def value(self, x: Array, beta: Array) -> Array:
        """F(x), the thickness included for thickness indications."""
        if self.chebyshev:
            f: Array = polynomial.chebyshev_basis(x, self.form.degree, self.centre, self.half) @ beta
        else:
            f = np.asarray(self.form.f(x, *self.reported(beta)), dtype=np.float64)
        return f + x if self.signal == "thickness" else f

    def values(self, x: Array, betas: Array) -> Array:
        """F(x) for many β of shape (count, p), shape (count, q): at once where the family's function can do that."""
        reported = np.where(self.logged, np.exp(np.where(self.logged, betas, 0.0)), betas)
        try:
            f = np.asarray(self.form.f(x, *reported.T[:, :, None]), dtype=np.float64)
        except (TypeError, ValueError):  # a function that takes its parameters as single numbers only
            f = np.empty(0)
        if f.shape != (len(betas), len(x)):
            return np.stack([self.value(x, each) for each in betas])
        return f + x if self.signal == "thickness" else f

    def along(self, x: Array, beta: Array) -> tuple[Array, Array, Array]:
        """F(x), F′(x) and ∂F/∂β, as by the methods below; of a polynomial with its basis worked out once."""
        if self.chebyshev:
            gradient = polynomial.chebyshev_basis(x, self.form.degree, self.centre, self.half)
            value: Array = gradient @ beta
            bends = polynomial.chebyshev_derivatives(self.form.degree) @ beta
            slope: Array = gradient[:, : self.form.degree] @ bends / self.half
        else:
            b = self.reported(beta)
            value = np.asarray(self.form.f(x, *b), dtype=np.float64)
            slope = self.form.derivative(x, b)
            gradient = self._by_beta(self.form.jacobian(x, b), b)
        return (value + x, slope + 1.0, gradient) if self.signal == "thickness" else (value, slope, gradient)

    def slope(self, x: Array, beta: Array) -> Array:
        """F′(x)."""
        if self.chebyshev:
            slope: Array = polynomial.chebyshev_slopes(x, self.form.degree, self.centre, self.half) @ beta
        else:
            slope = self.form.derivative(x, self.reported(beta))
        return slope + 1.0 if self.signal == "thickness" else slope

    def gradient(self, x: Array, beta: Array) -> Array:
        """∂F/∂β, shape (m, p)."""
        if self.chebyshev:
            return polynomial.chebyshev_basis(x, self.form.degree, self.centre, self.half)
        b = self.reported(beta)
        return self._by_beta(self.form.jacobian(x, b), b)

    def _by_beta(self, by_reported: Array, reported: Array) -> Array:
        """∂F/∂β from ∂F/∂(reported), by the chain rule for logarithms."""
        return by_reported * np.where(self.logged, reported, 1.0) if self.form.positive else by_reported

    def reported(self, beta: Array) -> Array:
        """The reported parameters; of a polynomial the coefficients of the powers of x."""
        if self.chebyshev:
            return np.asarray(self.transform(beta) @ beta)
        b = np.array(beta, dtype=np.float64)
        b[self.logged] = np.exp(b[self.logged])
        return b

    def transform(self, beta: Array) -> Array:
        """∂(reported)/∂β, shape (p, p)."""
        if self.chebyshev:
            return polynomial.to_powers(self.form.degree, self.centre, self.half)
        return np.diag(np.where(self.logged, self.reported(beta), 1.0))

    def start(self, x: Array, g: Array, given: Sequence[float] | None) -> Array:
        """First values of β for g = F(x) less the thickness where that is added."""
        if self.chebyshev:
            basis = polynomial.chebyshev_basis(x, self.form.degree, self.centre, self.half)
            return np.asarray(np.linalg.lstsq(basis, g, rcond=None)[0])
        beta = np.array(self.form.start(x, g) if given is None else given, dtype=np.float64)
        beta[self.logged] = np.log(np.maximum(beta[self.logged], np.finfo(float).tiny))
        return beta


@dataclass(frozen=True, eq=False)
class ParametricCurve(Curve):
    """
    A curve given by its parameters.

    Attributes
    ----------
    working : Working
    beta : ndarray, shape (p,)
        The solution, in the parameters that were solved for.
    root : ndarray, shape (p, p)
        G with G·Gᵀ its covariance, which has half the digits; not scaled where no degree of freedom is left to scale it
        by, and then not used.
    influence : ndarray, shape (p, m)
        ∂β/∂y.
    chi_squared : float
    """

    working: Working
    beta: Array
    root: Array
    influence: Array
    chi_squared: float

    def value(self, x: ArrayLike) -> Array:
        x = np.asarray(x, dtype=np.float64)
        return self.working.value(x.ravel(), self.beta).reshape(x.shape)

    def slope(self, x: ArrayLike) -> Array:
        x = np.asarray(x, dtype=np.float64)
        return self.working.slope(x.ravel(), self.beta).reshape(x.shape)

    @cached_property
    def cov_beta(self) -> Array:
        """Covariance of β, shape (p, p)."""
        return np.asarray(self.root @ self.root.T)

    @property
    def _states_u(self) -> bool:
        """Whether there is a covariance: without a degree of freedom the residuals cannot give the scale."""
        return self.scale == "known" or self.dof > 0

    def standard_uncertainty(self, x: ArrayLike) -> Array | None:
        if not self._states_u:
            return None
        x = np.asarray(x, dtype=np.float64)
        g = self.working.gradient(x.ravel(), self.beta)
        return np.sqrt(np.square(g @ self.root).sum(axis=1)).reshape(x.shape)

    def weights(self, x: ArrayLike) -> Array | None:
        if not self._states_u:
            return None
        return np.asarray(self.working.gradient(np.ravel(x), self.beta) @ self.influence)

    def draws(self, x: ArrayLike, count: int, rng: Generator) -> Array | None:
        """Parameters from the normal distribution, or from Student's where the scale was estimated."""
        if not self._states_u:
            return None
        deviates = rng.multivariate_normal(np.zeros(len(self.beta)), self.cov_beta, count, method="eigh")
        if self.scale == "estimated":
            deviates *= np.sqrt(self.dof / rng.chisquare(self.dof, count))[:, None]
        xs = np.asarray(x, dtype=np.float64)
        if self.form.kind == "linear":
            return np.asarray(self.value(xs) + deviates @ self.working.gradient(xs, self.beta).T)
        return self.working.values(xs, self.beta + deviates)

    @property
    def parameters(self) -> dict[str, float]:
        return dict(zip(self.form.parameters, self.working.reported(self.beta).tolist(), strict=True))

    @property
    def covariance(self) -> Array | None:
        if not self._states_u:
            return None
        T = self.working.transform(self.beta)
        return np.asarray(T @ self.cov_beta @ T.T)

    @property
    def chi2(self) -> float:
        return self.chi_squared

    @property
    def effective_parameters(self) -> float:
        return float(len(self.beta))


def fit_parametric(
    form: Family, points: Points, signal: Signal, scale: Scale, start: Sequence[float] | None, tight: bool = True
) -> ParametricCurve:
    """
    Minimise (x−ξ)ᵀV_x⁻¹(x−ξ) + (y−F(ξ))ᵀV_y⁻¹(y−F(ξ)) over the parameters and the true thicknesses ξ.

    Raises
    ------
    BadInput
        No convergence.

    Notes
    -----
    ξ = x + G·s with V_x = G·Gᵀ and s of unit variance: thicknesses without uncertainty, and stacks whose
    covariance is singular, need no inverse and no special case.
    """
    low, high = points.x.min(), points.x.max()
    working = Working(form, signal, float((low + high) / 2), float((high - low) / 2))
    g = points.y - points.x if signal == "thickness" else points.y
    uncertain = bool(points.V_x.any())
    if form.kind == "linear" and not uncertain:
        basis = working.gradient(points.x, np.zeros(len(form.parameters)))
        solution = solve_linear(basis, g, points.V_y)
        return _curve(working, points, scale, solution.b, solution, solution.chi2)

    beta = working.start(points.x, g, start)
    found = None if tight else _descend(working, points, beta)
    if found is not None:
        beta, D, gradient, cost = found.beta, found.slope, found.gradient, found.cost
    else:
        if form.kind != "linear" and start is None and uncertain:
            beta, _, _ = _minimise(working, points, beta, np.zeros((len(points.x), 0)), tight=False)
        beta, xi, cost = _minimise(working, points, beta, square_root(points.V_x), tight)
        with np.errstate(all="ignore"):
            _, D, gradient = working.along(xi, beta)
    # a parameter that ran off to where the formula has no number: the points do not hold it
    if not (np.all(np.isfinite(gradient)) and np.all(np.isfinite(D))):
        raise BadInput("curve.no_convergence", family=form.name)
    V_y = np.eye(len(g)) if points.V_y is None else points.V_y
    V = V_y + D[:, None] * points.V_x * D[None, :]
    # the parameters' block of the Gauss-Newton normal matrix, by elimination of ξ
    factor = lower_factor(V, "V")
    try:
        local = solve_factored(gradient, np.zeros(len(g)), factor, _OF_ITS_OWN if form.positive else 0.0)
    except BadInput:
        if not form.positive:
            raise
        # two logarithms that ran off together: one of the parameters would do
        raise BadInput("curve.no_convergence", family=form.name) from None
    return _curve(working, points, scale, beta, local, cost)


def _curve(
    working: Working, points: Points, scale: Scale, beta: Array, solution: LinearSolution, chi2: float
) -> ParametricCurve:
    factor = chi2 / solution.dof if scale == "estimated" and solution.dof > 0 else 1.0
    return ParametricCurve(
        working.form,
        points,
        working.signal,
        scale,
        working,
        beta,
        solution.root * math.sqrt(factor),
        solution.influence,
        chi2,
    )


def square_root(V: Array) -> Array:
    """G with V = G·Gᵀ and as many columns as V has rank, shape (m, r)."""
    if not V.any():
        return np.zeros((len(V), 0))
    spread, directions = eigh(V)
    keep = spread > spread.max() * len(V) * np.finfo(float).eps
    return np.asarray(directions[:, keep] * np.sqrt(spread[keep]))


class _Place(NamedTuple):
    """
    Where an iteration stands: β, and ξ = x + V_x·pull; F(ξ), F′(ξ) and ∂F/∂β there, and the weighted sum of squares.
    """

    beta: Array
    pull: Array
    xi: Array
    value: Array
    slope: Array
    gradient: Array
    cost: float


def _place(working: Working, points: Points, beta: Array, pull: Array) -> _Place:
    moved = points.V_x @ pull
    xi = points.x + moved
    value, slope, gradient = working.along(xi, beta)
    left = whiten(points.factor_y, points.y - value)
    return _Place(beta, pull, xi, value, slope, gradient, float(left @ left + pull @ moved))


def _descend(working: Working, points: Points, beta: Array) -> _Place | None:
    """Where Gauss-Newton steps end, halved while they lead up; None where they do not arrive."""
    weighted = whiten(points.factor_y, points.y)
    rounding = len(points.x) * np.finfo(float).eps * math.sqrt(weighted @ weighted)
    last = 0.0
    try:
        with np.errstate(all="ignore"):
            here = _place(working, points, beta, np.zeros_like(points.x))
            for _ in range(_STEPS):
                by_beta, by_pull, length = _direction(points, here)
                share = 1.0
                there = _place(working, points, here.beta + by_beta, here.pull + by_pull)
                while not there.cost <= here.cost * (1 + 1e-9) + rounding**2:
                    share /= 2
                    if share < _SMALLEST_SHARE:
                        return None
                    there = _place(working, points, here.beta + share * by_beta, here.pull + share * by_pull)
                # the next step is taken to be shorter than this one as this one is than the last
                to_come = length * min(length / last, 1.0) if last else length
                if share == 1.0 and to_come <= _ARRIVED * math.sqrt(there.cost) + rounding:
                    return there
                here, last = there, length
    except (ValueError, FloatingPointError, np.linalg.LinAlgError):
        pass  # where the other iteration fails as well, it says why
    return None


def _direction(points: Points, here: _Place) -> tuple[Array, Array, float]:
    """
    The Gauss-Newton step of β and of the pull, and its length.

    ξ is eliminated: y − F(ξ) − D·(x − ξ) has the covariance V_y + D·V_x·D, and what is left of it pulls at ξ.
    """
    V_x, D = points.V_x, here.slope
    V_y = np.eye(len(D)) if points.V_y is None else points.V_y
    factor, no_factor = dpotrf(V_y + D[:, None] * V_x * D, lower=1)
    J = whiten(factor, here.gradient)
    miss = whiten(factor, points.y - here.value + D * (here.xi - points.x))
    _, solved, dependent = dgels(J, miss)
    if no_factor or dependent:
        raise np.linalg.LinAlgError
    step = solved[: len(here.beta)]
    along = J @ step
    by_pull = D * unwhiten(factor, miss - along) - here.pull
    across = whiten(factor, D * (V_x @ by_pull))
    return step, by_pull, math.sqrt(along @ along + across @ across)


def _minimise(working: Working, points: Points, beta: Array, G: Array, tight: bool) -> tuple[Array, Array, float]:
    """Levenberg and Marquardt over (β, s) with the analytic Jacobian; β, ξ and the weighted sum of squares."""
    p, r = len(beta), G.shape[1]
    factor = points.factor_y

    def miss(theta: Array) -> Array:
        xi = points.x + G @ theta[p:]
        return np.concatenate([whiten(factor, working.value(xi, theta[:p]) - points.y), theta[p:]])

    m = len(points.x)
    J = np.zeros((m + r, p + r))
    J[m:, p:] = np.eye(r)

    def jacobian(theta: Array) -> Array:
        xi = points.x + G @ theta[p:]
        J[:m, :p] = working.gradient(xi, theta[:p])
        J[:m, p:] = working.slope(xi, theta[:p])[:, None] * G
        J[:m] = whiten(factor, J[:m])
        return J

    if m < p:
        raise BadInput("curve.too_few_points", family=working.form.name, needed=p, got=m)
    tolerance = _TIGHT if tight else _LOOSE
    try:
        with np.errstate(all="ignore"), warnings.catch_warnings(action="ignore"):
            found, *_, status = leastsq(
                miss,
                np.concatenate([beta, np.zeros(r)]),
                Dfun=jacobian,
                full_output=True,
                ftol=tolerance,
                xtol=tolerance,
                gtol=tolerance,
                maxfev=400 * (p + 1),
            )
            theta: Array = _polish(miss, jacobian, found) if tight else found
            cost = float(np.sum(miss(theta) ** 2))
    except BadInput:  # an own family that says itself what is wrong with it
        raise
    except (ValueError, FloatingPointError, np.linalg.LinAlgError):
        raise BadInput("curve.no_convergence", family=working.form.name) from None
    if status in _NOT_CONVERGED or not np.isfinite(cost):
        raise BadInput("curve.no_convergence", family=working.form.name)
    return theta[:p], points.x + G @ theta[p:], cost


def _polish(miss: Callable[[Array], Array], jacobian: Callable[[Array], Array], theta: Array) -> Array:
    """Gauss-Newton steps for as long as they shrink: the iteration above stops by the cost, half the digits away."""
    best, last = theta, float("inf")
    for _ in range(50):
        J = jacobian(best)
        lengths = np.linalg.norm(J, axis=0)
        lengths[lengths == 0] = 1.0
        step = np.linalg.lstsq(J / lengths, -miss(best), rcond=None)[0] / lengths
        size = float(np.max(np.abs(step) / np.maximum(np.abs(best), 1e-8)))
        if not np.isfinite(size) or size >= last or size < np.finfo(float).eps:
            break
        best, last = best + step, size
    return best if np.sum(miss(best) ** 2) <= np.sum(miss(theta) ** 2) * (1 + 1e-9) else theta
