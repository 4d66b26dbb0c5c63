"""
The smoothing spline: the natural cubic spline that balances distance from the points against roughness.

It minimises (z − f)ᵀN⁻¹(z − f) + λ·∫f″(t)²dt. λ, which says how much a bend costs, is chosen by generalised
cross-validation. A raw signal falls so steeply that one λ cannot serve both ends of it: where every indication is
positive, z = ln y and t = ln(1 + x/L) with L the range of the points, as for the flexible curve, in which such a signal
is nearly straight. Raw signals that are not all positive are taken as they are, thickness indications as the error
curve z = y − x, both over t = x.

References
----------
Green & Silverman, Nonparametric Regression and Generalized Linear Models (1994), 2.3 and 3.3 (from memory).
Craven & Wahba, Numer. Math. 31 (1979) 377, for the cross-validation (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Final

import numpy as np
from numpy.random import Generator
from numpy.typing import ArrayLike
from scipy.interpolate import CubicSpline, PPoly
from scipy.linalg import cho_factor, cho_solve, eigh

from labkit.curves.curve import Curve, Points, Scale
from labkit.curves.family import Array, Family, Signal, no_formula, register
from labkit.problems import BadInput

FEWEST_DOF: Final = 0.5
"""Degrees of freedom that the residuals must leave to say how large the scatter is."""

_DECADES: Final = (-4.0, 6.0)
"""Of λ, below that which bends even the roughest share of the spline and above that which straightens the smoothest."""

_CLOSE: Final = 1e-6
"""Of ln λ: closer than this it need not be known."""


@dataclass(frozen=True, eq=False)
class SmoothingCurve(Curve):
    """
    A smoothing spline, continued straight on beyond the ends.

    Its uncertainty is what the covariance of the points makes of it at the λ that was chosen. What smoothing itself
    moves the curve by is not in it: in a calibration, the flexible curve stands behind it.

    Attributes
    ----------
    logged : bool
        Whether ln y over ln(1 + x/L) is smoothed.
    cardinal : CubicSpline
        The splines that are 1 at one knot, one of the k different values of t, and 0 at the others.
    smoother : ndarray, shape (k, m)
        From z at the points to the curve at the knots.
    smoothing : float
        λ.
    """

    logged: bool
    cardinal: CubicSpline
    smoother: Array
    smoothing: float

    def value(self, x: ArrayLike) -> Array:
        x = np.asarray(x, dtype=np.float64)
        return self._unlinked(x, _straight_beyond(self._spline, self._t(x)))

    def slope(self, x: ArrayLike) -> Array:
        x = np.asarray(x, dtype=np.float64)
        steep = np.asarray(self._spline(_within(self._spline, self._t(x)), 1))
        if self.logged:
            return self.value(x) * steep / (self._L + x)
        return steep + 1.0 if self.signal == "thickness" else steep

    def standard_uncertainty(self, x: ArrayLike) -> Array | None:
        weights = self.weights(x)
        if weights is None:
            return None
        variance = np.einsum("qi,ij,qj->q", weights, self._V, weights) * self._factor
        return np.sqrt(np.maximum(variance, 0.0)).reshape(np.shape(x))

    def weights(self, x: ArrayLike) -> Array | None:
        """∂F(x)/∂y of the points at the λ that was chosen, shape (q, m)."""
        if not self._states_u:
            return None
        x = np.ravel(np.asarray(x, dtype=np.float64))
        linked = self._linked_weights(x)
        return self.value(x)[:, None] * linked / self.points.y if self.logged else linked

    def draws(self, x: ArrayLike, count: int, rng: Generator) -> Array | None:
        """The points are drawn, and each draw smoothed with the same λ."""
        if not self._states_u:
            return None
        x = np.ravel(np.asarray(x, dtype=np.float64))
        moved = rng.standard_normal((count, len(self.points.x))) @ np.linalg.cholesky(self._V).T
        moved *= np.sqrt(self._factor)  # 0 where the points lie on the curve
        if self.scale == "estimated":
            moved *= np.sqrt(self.dof / rng.chisquare(self.dof, count))[:, None]
        if self.logged:
            moved /= self.points.y
        z = _straight_beyond(self._spline, self._t(x)) + moved @ self._linked_weights(x).T
        return self._unlinked(x, z)

    @property
    def parameters(self) -> dict[str, float]:
        return {}

    @property
    def covariance(self) -> None:
        return None

    @cached_property
    def chi2(self) -> float:
        return float(self.residuals @ cho_solve(cho_factor(self._V, lower=True), self.residuals))

    @cached_property
    def effective_parameters(self) -> float:
        """The trace of the matrix that turns z into the curve at the points."""
        return float(np.trace(self._linked_weights(self.points.x)))

    # ---- in z and t ----

    @property
    def _states_u(self) -> bool:
        return self.scale == "known" or self.dof >= FEWEST_DOF

    @property
    def _factor(self) -> float:
        return self.chi2 / self.dof if self.scale == "estimated" else 1.0

    @cached_property
    def _V(self) -> Array:
        """Covariance of y about the curve, the uncertainty of the thicknesses included."""
        return self.points.covariance_about(self.slope(self.points.x))

    @property
    def _L(self) -> float:
        return float(np.ptp(self.points.x))

    def _t(self, x: Array) -> Array:
        return _scaled(x, self._L) if self.logged else x

    def _unlinked(self, x: Array, z: Array) -> Array:
        if self.logged:
            return np.exp(z)
        return z + x if self.signal == "thickness" else z

    @cached_property
    def _spline(self) -> PPoly:
        at_knots = self.smoother @ _linked(self.points, self.signal, self.logged)
        return PPoly(self.cardinal.c @ at_knots, self.cardinal.x)

    def _linked_weights(self, x: Array) -> Array:
        """∂z(x)/∂z of the points, shape (q, m)."""
        return np.asarray(_straight_beyond(self.cardinal, self._t(x)) @ self.smoother)


def fit_smoothing(form: Family, points: Points, signal: Signal, scale: Scale) -> SmoothingCurve:
    """
    Fit the smoothing spline.

    Parameters
    ----------
    form : Family
    points : Points
    signal : "raw" or "thickness"
    scale : "known" or "estimated"

    Returns
    -------
    SmoothingCurve

    Notes
    -----
    The uncertainty of the thicknesses enters through the slope of the curve, which the fit itself gives: the fit is
    made three times, first without it.
    """
    logged = signal == "raw" and bool(np.all(points.y > 0))
    z = _linked(points, signal, logged)
    t = _scaled(points.x, float(np.ptp(points.x))) if logged else points.x
    V = points.V
    knots = points.at_different(t)
    at_points = np.eye(len(knots))[points.place]
    cardinal = CubicSpline(knots, np.eye(len(knots)), bc_type="natural")
    roughness = _roughness(cardinal)
    for last in (False, False, True) if points.V_x.any() else (True,):
        N = V / np.outer(points.y, points.y) if logged else V
        curve = SmoothingCurve(
            form, points, signal, scale, logged, cardinal, *_smooth(form, at_points, roughness, z, N)
        )
        if not last:
            V = points.covariance_about(curve.slope(points.x))
    return curve


def _smooth(form: Family, B: Array, roughness: Array, z: Array, N: Array) -> tuple[Array, float]:
    """
    The matrix from z to the curve at the knots, and λ.

    With U of the generalised eigenvalue problem Ω·u = d·BᵀN⁻¹B·u, where B tells which point lies at which knot and
    fᵀΩf is the roughness, the curve at the knots is U·diag(1/(1 + λd))·Uᵀ·BᵀN⁻¹·z for every λ.
    """
    whole = cho_solve(cho_factor(N, lower=True), np.column_stack([B, z]))
    pull, target = whole[:, :-1].T, whole[:, -1]
    d, U = eigh(roughness, pull @ B)
    # a straight line has no roughness, whatever rounding says
    d[:2] = 0.0
    # of covariances that are so unlike that rounding is more than the smoothest bend
    if not d[2] > 0.0:
        raise BadInput("curve.no_convergence", family=form.name)
    along = U.T @ (B.T @ target)
    total = float(z @ target)
    m, knots = B.shape

    def criterion(log_smoothing: Array) -> Array:
        """Generalised cross-validation, by the weighted squares of the residuals."""
        kept = 1.0 / (1.0 + np.multiply.outer(np.exp(log_smoothing), d))
        squares = rest + ((1.0 - kept) ** 2 @ along**2)
        return squares / np.square(m - kept.sum(axis=-1))

    # what no spline can reach, because points share a thickness
    rest = max(total - float(along @ along), 0.0) if m > knots else 0.0
    low, high = np.log(10.0 ** _DECADES[0] / d[-1]), np.log(10.0 ** _DECADES[1] / d[2])
    while high - low > _CLOSE:
        tried = np.linspace(low, high, 121)
        best = int(np.argmin(criterion(tried)))
        low, high = tried[max(best - 1, 0)], tried[min(best + 1, len(tried) - 1)]
    smoothing = float(np.exp(tried[best]))
    return (U / (1.0 + smoothing * d)) @ U.T @ pull, smoothing


def _roughness(cardinal: CubicSpline) -> Array:
    """Ω: ∫f″² of the natural spline through values f at the knots is fᵀΩf."""
    bends = cardinal(cardinal.x, 2)
    gaps = np.diff(cardinal.x)
    # f″ is straight between the knots
    inside = np.diag(np.append(gaps, 0.0) + np.append(0.0, gaps)) / 3.0
    inside += (np.diag(gaps, 1) + np.diag(gaps, -1)) / 6.0
    found = bends.T @ inside @ bends
    return (found + found.T) / 2.0


def _linked(points: Points, signal: Signal, logged: bool) -> Array:
    if logged:
        return np.log(points.y)
    return points.y - points.x if signal == "thickness" else points.y


def _scaled(x: Array, L: float) -> Array:
    """t = ln(1 + x/L)."""
    if (x <= -L).any():
        raise BadInput("curve.below_scale", low_mm=-L)
    return np.log1p(x / L)


def _within(spline: PPoly, t: Array) -> Array:
    return np.clip(t, spline.x[0], spline.x[-1])


def _straight_beyond(spline: PPoly, t: Array) -> Array:
    """The spline, and its tangents beyond the ends, shape of t and of the spline's values."""
    inside = _within(spline, t)
    beyond = (t - inside).reshape(t.shape + (1,) * (spline.c.ndim - 2))
    return np.asarray(spline(inside) + beyond * spline(inside, 1))


register(Family("smoothing-spline", no_formula, lambda x, y: (), (), "any", 5, kind="smoothing"))
