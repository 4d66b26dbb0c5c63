"""Curves with parameters: one objective for lines, polynomials and formulas, with or without errors in x."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np
from numpy.random import Generator
from numpy.typing import ArrayLike

from labkit.curves.curve import Curve, Points, Scale
from labkit.curves.family import Array, Family, Signal
from labkit.curves.iteration import solve
from labkit.curves.linear import LinearSolution, lower_factor, solve_factored, solve_linear
from labkit.curves.working import Working
from labkit.problems import BadInput

_OF_ITS_OWN: Final = 1e-10
"""
What ∂F/∂β of a parameter must have that the others have not, as a share, where logarithms are solved for, which may run
off. The certified nonlinear problems have 5e-5 or more; of a power law that runs off towards an exponential, only
rounding is left.
"""


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
        xs = np.ravel(np.asarray(x, dtype=np.float64))
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
    """
    low, high = points.x.min(), points.x.max()
    working = Working(form, signal, float((low + high) / 2), float((high - low) / 2))
    if form.kind == "linear" and not points.V_x.any():
        basis = working.gradient(points.x, np.zeros(len(form.parameters)))
        g = points.y - points.x if signal == "thickness" else points.y
        solution = solve_linear(basis, g, points.V_y)
        return _curve(working, points, scale, solution.b, solution, solution.chi2)

    beta, D, gradient, cost = solve(working, points, start, tight)
    # a parameter that ran off to where the formula has no number: the points do not hold it
    if not (np.isfinite(gradient).all() and np.isfinite(D).all()):
        raise BadInput("curve.no_convergence", family=form.name)
    # the parameters' block of the Gauss-Newton normal matrix, by elimination of ξ
    factor = lower_factor(points.covariance_about(D), "V")
    try:
        local = solve_factored(gradient, np.zeros(len(points.y)), factor, _OF_ITS_OWN if form.positive else 0.0)
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
