"""
How parameters are solved for: Gauss-Newton steps, and where those do not arrive the way of Levenberg and Marquardt.

(x−ξ)ᵀV_x⁻¹(x−ξ) + (y−F(ξ))ᵀV_y⁻¹(y−F(ξ)) is made smallest over the parameters β and the true thicknesses ξ.

References
----------
Björck, Numerical Methods for Least Squares Problems (1996), 9.2. Moré, The Levenberg-Marquardt algorithm:
implementation and theory (1978), as MINPACK has it (both from memory).
"""

from __future__ import annotations

import math
import warnings
from collections.abc import Callable, Sequence
from typing import Final, NamedTuple

import numpy as np
from scipy.linalg import eigh
from scipy.linalg.lapack import dgels, dpotrf
from scipy.optimize import leastsq

from labkit.curves.curve import Points
from labkit.curves.family import Array
from labkit.curves.linear import unwhiten, whiten
from labkit.curves.working import Working
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

_NOT_CONVERGED: Final = (0, 5)
"""Of the answers of MINPACK: arguments that make no sense, or more steps than were granted."""


class Solved(NamedTuple):
    """
    What an iteration ends with.

    Attributes
    ----------
    beta : ndarray, shape (p,)
    slope, gradient : ndarray, shape (m,) and (m, p)
        F′(ξ) and ∂F/∂β.
    cost : float
        The weighted sum of squares.
    """

    beta: Array
    slope: Array
    gradient: Array
    cost: float


def solve(working: Working, points: Points, start: Sequence[float] | None, tight: bool) -> Solved:
    """
    Solve for the parameters.

    Parameters
    ----------
    working : Working
    points : Points
    start : sequence of float or None
        First values of the reported parameters; the family's own where None.
    tight : bool
        As far as double precision goes; otherwise as far as the points can tell.

    Returns
    -------
    Solved

    Raises
    ------
    BadInput
        No convergence, or fewer points than parameters.

    Notes
    -----
    ξ = x + G·s with V_x = G·Gᵀ and s of unit variance: thicknesses without uncertainty, and stacks whose
    covariance is singular, need no inverse and no special case.
    """
    beta = working.start(points.x, points.y - points.x if working.signal == "thickness" else points.y, start)
    found = None if tight else _descend(working, points, beta)
    if found is not None:
        return Solved(found.beta, found.slope, found.gradient, found.cost)
    if working.form.kind != "linear" and start is None and points.V_x.any():
        beta, _, _ = _minimise(working, points, beta, np.zeros((len(points.x), 0)), tight=False)
    beta, xi, cost = _minimise(working, points, beta, _square_root(points.V_x), tight)
    with np.errstate(all="ignore"):
        _, slope, gradient = working.along(xi, beta)
    return Solved(beta, slope, gradient, cost)


def _square_root(V: Array) -> Array:
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
    D = here.slope
    factor, no_factor = dpotrf(points.covariance_about(D), lower=1)
    J = whiten(factor, here.gradient)
    miss = whiten(factor, points.y - here.value + D * (here.xi - points.x))
    # of what is no number LAPACK complains on the screen
    if no_factor or not math.isfinite(J.sum() + miss.sum()):
        raise np.linalg.LinAlgError
    _, solution, dependent = dgels(J, miss)
    if dependent:
        raise np.linalg.LinAlgError
    step = solution[: len(here.beta)]
    along = J @ step
    by_pull = D * unwhiten(factor, miss - along) - here.pull
    across = whiten(factor, D * (points.V_x @ by_pull))
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
