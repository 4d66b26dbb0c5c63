"""
Which points to read, before anything is read.

For a curve that is linear in its parameters, or linearised at a guess of them, the classical criteria say how much a
set of points tells: D (the volume of the parameters' uncertainty), G (the largest variance of the curve), I (its mean
variance). `labkit.curves.plan` does the same for the flexible curve, which needs no guess.

References
----------
Fedorov, Theory of Optimal Experiments (1972) (exchange algorithm). Kiefer & Wolfowitz, Can. J. Math. 12 (1960) 363
(D- and G-optimality are one). Atkinson, Donev & Tobias, Optimum Experimental Designs, with SAS (2007), 9 to 12. All
from memory.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Final, Literal, TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray

from labkit.curves.family import Array, Family
from labkit.problems import BadInput

Basis: TypeAlias = Callable[[Array], Array]
"""``basis(x)`` for x of shape (m,) → shape (m, p): the derivatives of the curve by its parameters."""

Criterion = Literal["D", "G", "I"]

RESTARTS: Final = 6
"""Beginnings of the exchange: each ends in the nearest set that no single exchange improves."""


@dataclass(frozen=True)
class Design:
    """
    Points to read, each once.

    Attributes
    ----------
    chosen : tuple of int
        Places in the candidates, in their order; one that is chosen more often stands more often.
    x : ndarray, shape (k,)
        Their thicknesses [mm].
    criterion : "D", "G" or "I"
    log_det : float
        ln det of the information matrix.
    largest_variance, mean_variance : float
        Of the curve over the candidates, in the square of the unit of y; of y itself relative to its variance where
        no covariance was given.
    """

    chosen: tuple[int, ...]
    x: Array
    criterion: Criterion
    log_det: float
    largest_variance: float
    mean_variance: float

    def to_dict(self) -> dict[str, Any]:
        return dict(vars(self)) | {"chosen": list(self.chosen), "x": self.x.tolist()}


def exchange(
    basis: Basis,
    candidates: ArrayLike,
    k: int,
    criterion: Criterion = "D",
    start: Sequence[int] | None = None,
    seed: int = 1,
    *,
    covariance: ArrayLike | None = None,
    kept: Sequence[int] = (),
    again: bool = False,
) -> Design:
    """
    The k of n candidates that tell most, by exchanging one at a time for a better one.

    Parameters
    ----------
    basis : callable
    candidates : array_like, shape (n,)
        Thicknesses [mm].
    k : int
        How many to choose, those `kept` included.
    criterion : "D", "G" or "I"
        Largest determinant of the information; smallest largest, or smallest mean, variance of the curve over the
        candidates.
    start : sequence of int, optional
        Places of k candidates to begin with, beside random ones.
    seed : int
        Of the random beginnings.
    covariance : array_like, shape (n, n), optional
        Of the indications at the candidates, in the square of the unit of y; the unit matrix where None.
    kept : sequence of int
        Places that are chosen whatever they tell: shims that have been read, or must be.
    again : bool
        Whether a candidate may be chosen more than once.

    Returns
    -------
    Design

    Raises
    ------
    BadInput
        Fewer points than parameters, more than there are candidates, or candidates that cannot tell the parameters
        apart.

    References
    ----------
    Fedorov (1972), 3; Cook & Nachtsheim, Technometrics 22 (1980) 315 (from memory).
    """
    x = np.asarray(candidates, dtype=np.float64)
    F = np.asarray(basis(x), dtype=np.float64)
    n, p = F.shape
    _check(n, p, k, len(kept), again)
    V = None if covariance is None else np.asarray(covariance, dtype=np.float64)
    # an orthogonal basis of the same space: powers of thickness would lose the digits of the determinant
    Q, R = np.linalg.qr(F)
    if abs(np.diag(R)).min() <= 1e-12 * abs(np.diag(R)).max():
        raise BadInput("design.singular", count=p)

    def information(sets: Array) -> Array:
        chosen = Q[sets]
        if V is None:
            return np.swapaxes(chosen, 1, 2) @ chosen
        within = V[sets[:, :, None], sets[:, None, :]]
        return np.swapaxes(chosen, 1, 2) @ np.linalg.solve(within, chosen)

    def judge(sets: Array) -> tuple[Array, Array, Array]:
        M = information(sets)
        sign, log_det = np.linalg.slogdet(M)
        told = (sign > 0) & (log_det > -60.0)
        variance = np.full((len(sets), n), np.inf)
        variance[told] = np.einsum("np,spq,nq->sn", Q, np.linalg.inv(M[told]), Q)
        return np.where(told, log_det, -np.inf), variance.max(axis=1), variance.mean(axis=1)

    def loss(sets: Array) -> Array:
        log_det, largest, mean = judge(sets)
        return {"D": -log_det, "G": largest, "I": mean}[criterion]

    chosen = best_set(loss, n, k, kept=kept, start=start, seed=seed, again=again)
    log_det, largest, mean = judge(np.array([chosen]))
    if not np.isfinite(log_det[0]):
        raise BadInput("design.singular", count=p)
    return Design(
        chosen,
        x[list(chosen)],
        criterion,
        float(log_det[0] + 2 * np.log(abs(np.diag(R))).sum()),
        float(largest[0]),
        float(mean[0]),
    )


def best_set(
    loss: Callable[[Array], Array],
    n: int,
    k: int,
    *,
    kept: Sequence[int] = (),
    start: Sequence[int] | None = None,
    seed: int = 1,
    again: bool = False,
) -> tuple[int, ...]:
    """
    The k of n that lose least, found by exchanging one at a time.

    Parameters
    ----------
    loss : callable
        ``loss(sets)`` for sets of shape (s, k), places of candidates → shape (s,), lower is better.
    n, k : int
    kept : sequence of int
        Places that are not exchanged.
    start : sequence of int, optional
        To begin with, beside random ones.
    seed : int
    again : bool
        Whether a candidate may be chosen more than once.

    Returns
    -------
    tuple of int
        In rising order.
    """
    rng = np.random.default_rng(seed)
    fixed = list(kept)
    free = np.arange(n) if again else np.setdiff1d(np.arange(n), fixed)
    begins = [] if start is None else [list(start)]
    while len(begins) < RESTARTS:
        begins.append(fixed + rng.choice(free, k - len(fixed), replace=again).tolist())
    found = [_exchanged(loss, begin, len(fixed), free, again) for begin in begins]
    best = min(found, key=lambda each: each[0])[1]
    return tuple(sorted(best))


def _exchanged(
    loss: Callable[[Array], Array], begin: Sequence[int], fixed: int, free: NDArray[Any], again: bool
) -> tuple[float, list[int]]:
    """Exchange single places for the best other one until none is better."""
    chosen, now = list(begin), float(loss(np.array([begin]))[0])
    while True:
        trials = [
            [*chosen[:i], int(j), *chosen[i + 1 :]]
            for i in range(fixed, len(chosen))
            for j in free
            if again or j not in chosen
        ]
        if not trials:
            return now, chosen
        lost = loss(np.array(trials))
        best = int(np.argmin(lost))
        # a set that tells nothing loses without end: the way from it to another one is not downhill yet
        if not lost[best] < now - 1e-12 * max(1.0, abs(now)):
            return now, chosen
        chosen, now = trials[best], float(lost[best])


def _check(n: int, p: int, k: int, kept: int, again: bool) -> None:
    if k < p:
        raise BadInput("design.too_few", points=k, parameters=p)
    if kept > k or (k > n and not again):
        raise BadInput("design.too_many", points=k, candidates=n)


def linearised(family: Family, parameters: Sequence[float]) -> Basis:
    """
    The basis of a family at a guess of its parameters: a plan for it is optimal for that guess.

    Parameters
    ----------
    family : Family
    parameters : sequence of float
        In the order of the family.

    Returns
    -------
    callable
        For `exchange` and `optimal`.
    """
    b = np.asarray(parameters, dtype=np.float64)
    return lambda x: family.jacobian(x, b)
