"""
Linear least squares with any covariance: whitened by a Cholesky factor, solved by QR, refined once.

Triangles are solved by LAPACK itself: curves are fitted hundreds of times, and the checks around it cost more than it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.linalg.lapack import dgeqrf, dorgqr, dpotrf, dtrtrs

from labkit.curves.family import Array
from labkit.problems import BadInput


@dataclass(frozen=True)
class LinearSolution:
    """
    The solution of ``A @ b ≈ y``.

    Attributes
    ----------
    b : ndarray, shape (p,)
    root : ndarray, shape (p, p)
        G with G·Gᵀ = (Aᵀ V⁻¹ A)⁻¹, the covariance of b where V is known.
    influence : ndarray, shape (p, m)
        ∂b/∂y.
    residuals : ndarray, shape (m,)
        y − A @ b.
    chi2 : float
        The weighted sum of squared residuals.
    dof : int
        m − p.
    """

    b: Array
    root: Array
    influence: Array
    residuals: Array
    chi2: float
    dof: int

    @property
    def unscaled_covariance(self) -> Array:
        """(Aᵀ V⁻¹ A)⁻¹, shape (p, p)."""
        return np.asarray(self.root @ self.root.T)

    @property
    def residual_sd(self) -> float:
        """√(χ²/ν); NaN where no degree of freedom is left."""
        return float(np.sqrt(self.chi2 / self.dof)) if self.dof > 0 else float("nan")

    @property
    def standard_errors(self) -> Array:
        """Standard errors of b, scaled by the residual standard deviation, shape (p,)."""
        return np.asarray(self.residual_sd * np.sqrt(np.diag(self.unscaled_covariance)))


def solve_linear(A: Array, y: Array, V: Array | None = None) -> LinearSolution:
    """
    Generalised least squares.

    Parameters
    ----------
    A : array_like, shape (m, p)
        One row an observation, one column a regressor.
    y : array_like, shape (m,)
    V : array_like, shape (m, m) or (m,), optional
        Covariance of y, or its diagonal; the unit matrix where None.

    Returns
    -------
    LinearSolution

    Raises
    ------
    BadInput
        The columns of A are not independent, or V is no covariance matrix.

    Notes
    -----
    The columns are scaled to unit length before the QR factorisation, and the solution is refined once with the
    residual, which wins the digits that ill-conditioned regressors lose (Filip, Longley).

    References
    ----------
    Björck, Numerical Methods for Least Squares Problems (1996), 2.4 and 2.9. ISO/TS 28037:2010, clauses 6 and 9.
    """
    A = np.asarray(A, dtype=np.float64)
    y = np.asarray(y, dtype=np.float64)
    return solve_factored(A, y, cholesky_factor(V, len(A), "V"))


def solve_factored(A: Array, y: Array, factor: Array | None, least: float = 0.0) -> LinearSolution:
    """The same, of arrays, by the Cholesky factor of V; columns must have more than `least` of their own."""
    m, p = A.shape
    whitened, target = whiten(factor, A), whiten(factor, y)
    lengths = np.linalg.norm(whitened, axis=0)
    lengths[lengths == 0] = 1.0
    if m < p:
        raise BadInput("curve.dependent", columns=p)
    R, reflectors, _, _ = dgeqrf(whitened / lengths)
    Q = dorgqr(R, reflectors)[0]
    R = R[:p]  # what lies below the diagonal is not read
    if not np.abs(np.diag(R)).min() >= max(m * np.finfo(float).eps, least):
        raise BadInput("curve.dependent", columns=p)
    scaled = _back(R, Q.T @ target)
    scaled += _back(R, Q.T @ (target - (whitened / lengths) @ scaled))
    R_inverse = _back(R, np.eye(p)) / lengths[:, None]
    b = scaled / lengths
    residuals = y - A @ b
    weighted = whiten(factor, residuals)
    influence = R_inverse @ Q.T
    if factor is not None:
        influence = unwhiten(factor, influence.T).T
    return LinearSolution(b, R_inverse, influence, residuals, float(weighted @ weighted), m - p)


def cholesky_factor(V: Array | None, m: int, name: str) -> Array | None:
    """
    The lower Cholesky factor of a covariance matrix or of its diagonal, None for None.

    Raises
    ------
    BadInput
        Not of shape (m,) or (m, m), not symmetric, or not positive.
    """
    if V is None:
        return None
    V = np.asarray(V, dtype=np.float64)
    matrix = np.diag(V) if V.ndim == 1 else V
    if matrix.shape != (m, m):
        raise BadInput("curve.lengths", name=name, got=len(matrix), expected=m)
    if not symmetric(matrix):
        raise BadInput("curve.covariance", name=name)
    return lower_factor(matrix, name)


def lower_factor(V: Array, name: str) -> Array:
    """The same of a matrix that is finite and symmetric for certain."""
    factor, not_positive = dpotrf(V, lower=1)
    if not_positive:
        raise BadInput("curve.covariance", name=name)
    return np.asarray(factor, dtype=np.float64)


def symmetric(V: Array) -> bool:
    """Whether a square matrix is finite and symmetric, but for rounding."""
    return bool(np.all(np.isfinite(V)) and np.all(np.abs(V - V.T) <= 1e-10 * np.abs(V).max()))


def whiten(factor: Array | None, values: Array) -> Array:
    """`values` divided by the Cholesky factor of their covariance."""
    if factor is None:
        return values
    return np.asarray(dtrtrs(factor, values, lower=1)[0], dtype=np.float64)


def unwhiten(factor: Array, values: Array) -> Array:
    """`values` divided by the transpose of the Cholesky factor."""
    return np.asarray(dtrtrs(factor, values, lower=1, trans=1)[0], dtype=np.float64)


def _back(R: Array, values: Array) -> Array:
    """`values` divided by an upper triangle."""
    return np.asarray(dtrtrs(R, values)[0], dtype=np.float64)
