"""The law of propagation of uncertainty: from the inputs of a measurement to its result."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike
from scipy.differentiate import jacobian

from labkit.metrology.budget import COVERAGE, Correlation, coverage_factor, effective_dof
from labkit.metrology.quantities import Array, Quantity, correlation_factor
from labkit.problems import BadInput

STEP: Final = 0.25
"""
How far from the estimates the model is differentiated, in units of u of each input: one formula of order 8. Smaller
steps lose more digits to rounding than they win, where an input is known to nine digits.
"""

SECOND_STEP: Final = 0.25
"""Between the derivatives whose differences are the second and third ones, in units of u."""


@dataclass(frozen=True)
class Propagated:
    """
    A result of a measurement, with what each input does to it.

    Attributes
    ----------
    value : float
    u : float
        Combined standard uncertainty.
    dof : float
        Effective degrees of freedom; infinite where nothing was estimated from few readings.
    k, U : float
        Coverage factor, and expanded uncertainty.
    sensitivities : dict of str to float
        ∂value/∂input by the name of the input; 0 for inputs whose u is 0.
    contributions : dict of str to float
        Sensitivity times u of the input, with its sign.
    """

    value: float
    u: float
    dof: float
    k: float
    U: float
    sensitivities: dict[str, float]
    contributions: dict[str, float]

    @property
    def interval(self) -> tuple[float, float]:
        """value ∓ U."""
        return self.value - self.U, self.value + self.U

    def to_dict(self) -> dict[str, Any]:
        return dict(vars(self)) | {"dof": None if math.isinf(self.dof) else self.dof}


@dataclass(frozen=True, eq=False)
class Together:
    """
    Several results of one measurement.

    Attributes
    ----------
    results : tuple of Propagated
    covariance, correlation : ndarray, shape (r, r)
        Of the results.
    """

    results: tuple[Propagated, ...]
    covariance: Array
    correlation: Array


def propagate(
    model: Callable[..., Any],
    quantities: Sequence[Quantity],
    correlation: ArrayLike | None = None,
    *,
    coverage: float = COVERAGE,
    second_order: bool = False,
) -> Propagated:
    """
    A result and its uncertainty from the inputs of a measurement.

    Parameters
    ----------
    model : callable
        Takes the quantities in their order, as numbers or as arrays of one shape, and gives the like.
    quantities : sequence of Quantity
    correlation : array_like, shape (n, n), optional
        Correlation coefficients of the quantities.
    coverage : float
        Coverage probability of k.
    second_order : bool
        Add the terms of second order, for a model whose first derivatives vanish or say too little; they are those of
        independent, normal inputs.

    Returns
    -------
    Propagated

    Raises
    ------
    BadInput
        The model gives no number near the estimates, or the correlations cannot be.

    References
    ----------
    JCGM 100:2008, 5.1.2 and its note (second order), 5.2.2, G.4.1.
    """
    return propagate_together(
        lambda *inputs: (model(*inputs),), quantities, correlation, coverage=coverage, second_order=second_order
    ).results[0]


def propagate_together(
    model: Callable[..., Sequence[Any]],
    quantities: Sequence[Quantity],
    correlation: ArrayLike | None = None,
    *,
    coverage: float = COVERAGE,
    second_order: bool = False,
) -> Together:
    """
    Several results of one measurement, and how they go together.

    Parameters
    ----------
    model : callable
        As in `propagate`, but it gives several numbers.
    quantities, correlation, coverage, second_order
        As in `propagate`; second-order terms are added to the uncertainties, not to the covariances.

    Returns
    -------
    Together

    Raises
    ------
    BadInput
        As in `propagate`.

    References
    ----------
    JCGM 100:2008, 5.2 and H.2. JCGM 102:2011, clause 6.
    """
    n = len(quantities)
    correlation_factor(correlation, n)
    R = np.eye(n) if correlation is None else np.asarray(correlation, dtype=np.float64)
    estimates = np.array([each.value for each in quantities])
    u = np.array([each.u for each in quantities])

    def in_units_of_u(t: Array) -> Array:
        """The model, its inputs counted from the estimates in units of u: shape (n, …) gives shape (r, …)."""
        shape = (n,) + (1,) * (t.ndim - 1)
        inputs = estimates.reshape(shape) + u.reshape(shape) * t
        with np.errstate(all="ignore"):
            found = [np.broadcast_to(np.asarray(each, dtype=np.float64), t.shape[1:]) for each in model(*inputs)]
        return np.stack(found)

    values = in_units_of_u(np.zeros(n))
    contributions = _slopes(in_units_of_u, np.zeros((n, 1)))[..., 0]
    extra = _second_order(in_units_of_u, n) if second_order else np.zeros(len(values))
    V = contributions @ R @ contributions.T
    V[np.diag_indices_from(V)] += extra
    pairs = [Correlation(i, j, float(R[i, j])) for i in range(n) for j in range(i) if R[i, j] != 0]
    words = [each.common for each in quantities]
    known = [each.dof for each in quantities]
    results = []
    for value, row, variance in zip(values, contributions, np.diag(V), strict=True):
        u_all = float(np.sqrt(variance))
        first_order = float(row @ R @ row)
        dof = float(effective_dof(row.tolist(), known, words, pairs))
        # terms of second order are taken as exactly known
        if first_order > 0:
            dof *= float(variance / first_order) ** 2
        k = float(coverage_factor(dof, coverage))
        sensitivities = np.divide(row, u, out=np.zeros(n), where=u > 0)
        names = [each.name for each in quantities]
        results.append(
            Propagated(
                float(value),
                u_all,
                dof,
                k,
                k * u_all,
                dict(zip(names, sensitivities.tolist(), strict=True)),
                dict(zip(names, row.tolist(), strict=True)),
            )
        )
    size = np.sqrt(np.diag(V))
    size = np.where(size > 0, size, 1.0)
    return Together(tuple(results), V, V / np.outer(size, size))


def _slopes(model: Callable[[Array], Array], at: Array) -> Array:
    """Derivatives of every result by every input at places of shape (n, q): shape (r, n, q)."""
    found = jacobian(model, at, initial_step=STEP, order=8, maxiter=1)
    if not np.all(np.isfinite(found.df)):
        raise BadInput("uncertainty.model")
    return np.asarray(found.df)


def _second_order(model: Callable[[Array], Array], n: int) -> Array:
    """Σ ½f_ij² + f_i·f_ijj of every result, the inputs in units of u, shape (r,) (JCGM 100:2008, 5.1.2, note)."""
    h = SECOND_STEP
    steps = h * np.eye(n)
    slopes = _slopes(model, np.concatenate([np.zeros((n, 1)), steps, -steps], axis=1))
    here, above, below = slopes[..., :1], slopes[..., 1 : n + 1], slopes[..., n + 1 :]
    second = (above - below) / (2.0 * h)
    third = (above - 2.0 * here + below) / h**2
    return np.asarray(np.sum(0.5 * second**2 + here * third, axis=(1, 2)))
