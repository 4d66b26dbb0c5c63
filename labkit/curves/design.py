"""
Which points to read, before anything is read.

For a curve that is linear in its parameters, or linearised at a guess of them, the classical criteria say how much a
set of points tells: D (the volume of the parameters' uncertainty), G (the largest variance of the curve), I (its mean
variance). For the flexible curve, which needs no guess, its own prior says the same of the thicknesses found with it.

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
from numpy.typing import ArrayLike
from scipy.optimize import minimize_scalar

from labkit.curves.family import Array, Family, Signal
from labkit.curves.flexible import LENGTH_PRIOR, SCALE
from labkit.problems import BadInput

Basis: TypeAlias = Callable[[Array], Array]
"""``basis(x)`` for x of shape (m,) → shape (m, p): the derivatives of the curve by its parameters."""

Criterion = Literal["D", "G", "I"]

RESTARTS: Final = 6
"""Beginnings of the exchange: each ends in the nearest set that no single exchange improves."""

ROUNDS: Final = 100
"""Of moving thicknesses and weights in turn, at most."""

GRID: Final = 201
"""Thicknesses at which the variance of a curve is looked at, where no others are given."""


NOISE: Final = 0.05
"""Of a mean indication, over the amplitude of the departure, before anything is read. Common practice, no source."""

PLANNED: Final = 7
"""Shims to plan for: from seven on, simulated calibrations hold their U (tests/benchmarks/coverage.py)."""


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
    loss: Callable[[Array], Array], begin: Sequence[int], fixed: int, free: Array, again: bool
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


# ---- shares of the readings instead of points ----


@dataclass(frozen=True)
class Shares:
    """
    The design that is optimal where any share of the readings may be taken at any thickness.

    Attributes
    ----------
    x, weights : ndarray, shape (s,)
        Thicknesses [mm], and the share of the readings at each.
    det : float
        Determinant of the information matrix of one reading.
    largest_variance : float
        The largest variance of the curve over the range, for one reading of unit variance: the number of parameters,
        where the design is optimal.
    """

    x: Array
    weights: Array
    det: float
    largest_variance: float


def optimal(basis: Basis, between: tuple[float, float]) -> Shares:
    """
    The D-optimal (and so G-optimal) shares for a curve.

    Parameters
    ----------
    basis : callable
    between : (float, float)
        The range of thicknesses [mm].

    Returns
    -------
    Shares

    Raises
    ------
    BadInput
        A basis whose columns are not independent over the range.

    Notes
    -----
    Weights on a grid, multiplied by their own variance over p until they gather (Titterington's algorithm); then
    thicknesses and weights in turn, each thickness to where the variance is largest near it.

    References
    ----------
    Kiefer & Wolfowitz (1960); Titterington, Biometrika 62 (1975) 313 (from memory).
    """
    grid = np.linspace(*between, GRID)
    p = np.asarray(basis(grid)).shape[1]
    weights = _weights(basis, grid, np.full(GRID, 1 / GRID), 400)
    x, weights = _gathered(grid, weights, 0.5 / p)
    for _ in range(ROUNDS):
        weights = _weights(basis, x, weights, 200)
        moved = _improved(basis, x, weights, between)
        step = float(np.max(np.abs(moved - x)))
        x = moved
        if step <= 3e-8 * (between[1] - between[0]):
            break
    weights = _weights(basis, x, weights, 2000)
    F = np.asarray(basis(x))
    largest = float(_variance(basis, x, weights, np.concatenate([grid, x])).max())
    return Shares(x, weights, float(np.linalg.det(F.T @ (weights[:, None] * F))), largest)


def _variance(basis: Basis, x: Array, weights: Array, at: Array) -> Array:
    """Variance of the curve at thicknesses, for one reading shared out by weights."""
    F = np.sqrt(weights)[:, None] * np.asarray(basis(x), dtype=np.float64)
    R = np.linalg.qr(F, mode="r")
    if abs(np.diag(R)).min() <= 1e-12 * abs(np.diag(R)).max():
        raise BadInput("design.singular", count=F.shape[1])
    return np.asarray(np.square(np.linalg.solve(R.T, np.asarray(basis(at), dtype=np.float64).T)).sum(axis=0))


def _weights(basis: Basis, x: Array, weights: Array, most: int) -> Array:
    """The best weights at given thicknesses."""
    p = np.asarray(basis(x[:1])).shape[1]
    for _ in range(most):
        then = weights * _variance(basis, x, weights, x) / p
        if np.max(np.abs(then - weights)) <= 1e-13:
            break
        weights = then
    return weights


def _gathered(grid: Array, weights: Array, least: float) -> tuple[Array, Array]:
    """Neighbouring thicknesses that carry weight, drawn together where together they carry enough."""
    carrying = weights > 1e-3 * weights.max()
    edges = np.flatnonzero(np.diff(np.concatenate([[0], carrying.astype(int), [0]])))
    found = [(slice(a, b), weights[a:b].sum()) for a, b in edges.reshape(-1, 2)]
    kept = [(part, total) for part, total in found if total > 0.2 * least]
    x = np.array([weights[part] @ grid[part] / total for part, total in kept])
    share = np.array([total for _, total in kept])
    return x, share / share.sum()


def _improved(basis: Basis, x: Array, weights: Array, between: tuple[float, float]) -> Array:
    """Each thickness in turn moved to where the information is largest, half-way to its neighbours at most."""
    x = x.copy()

    def lost(at: float, i: int) -> float:
        F = np.asarray(basis(np.array([*x[:i], at, *x[i + 1 :]])), dtype=np.float64)
        R = np.linalg.qr(np.sqrt(weights)[:, None] * F, mode="r")
        return -2.0 * float(np.log(np.abs(np.diag(R))).sum())

    for i in range(len(x)):
        low = between[0] if i == 0 else (x[i - 1] + x[i]) / 2
        high = between[1] if i == len(x) - 1 else (x[i] + x[i + 1]) / 2
        within = {"bounds": (low, high), "method": "bounded", "options": {"xatol": 1e-9 * (high - low)}}
        inside = minimize_scalar(lost, args=(i,), **within).x
        x[i] = min((low, inside, high), key=lambda at: lost(at, i))
    return x


# ---- for the flexible curve, which needs no guess ----


@dataclass(frozen=True)
class Plan:
    """
    The shims to read, before anything is read.

    Attributes
    ----------
    chosen : tuple of int
        Places in the box, in the order of reading: the end shims first, then each that tells most after those before.
    x_mm : tuple of float
        Their thicknesses [mm], in that order.
    widest_gap_mm : (float, float)
        The neighbours between which the curve is left most room [mm].
    """

    chosen: tuple[int, ...]
    x_mm: tuple[float, ...]
    widest_gap_mm: tuple[float, float]

    def to_dict(self) -> dict[str, Any]:
        return {"chosen": list(self.chosen), "x_mm": list(self.x_mm), "widest_gap_mm": list(self.widest_gap_mm)}


def end_shims(shims_mm: ArrayLike, working_range: tuple[float, float] | None = None) -> tuple[int, int]:
    """
    The two shims that span the working range most closely.

    Parameters
    ----------
    shims_mm : array_like, shape (n,)
        Thicknesses of the shims in the box [mm], n at least 1.
    working_range : (float, float), optional
        [mm]; all that the box spans where None.

    Returns
    -------
    lower, upper : int
        Their places; the same one twice where one shim is all there is. Where the box does not reach an end, the shim
        nearest to it.
    """
    x = np.asarray(shims_mm, dtype=np.float64)
    low, high = working_range or (float(x.min()), float(x.max()))
    # a shim that falls short of the end by a hundredth still spans it: shims are never exactly what they are called
    below = np.flatnonzero(x <= low * 1.01)
    above = np.flatnonzero(x >= high * 0.99)
    lower = below[np.argmax(x[below])] if len(below) else np.argmin(x)
    upper = above[np.argmin(x[above])] if len(above) else np.argmax(x)
    return int(lower), int(upper)


def plan_shims(
    shims_mm: ArrayLike,
    k: int,
    working_range: tuple[float, float],
    signal: Signal,
    besides_mm: Sequence[float] = (),
) -> Plan:
    """
    The k shims of a box that leave the flexible curve the least room between them.

    Parameters
    ----------
    shims_mm : array_like, shape (n,)
        Thicknesses of the shims in the box [mm].
    k : int
        How many to read; all that lie within the ends where there are fewer.
    working_range : (float, float)
        Where parts will be measured [mm].
    signal : "raw" or "thickness"
    besides_mm : sequence of float
        Thicknesses that are read in any case, such as contact zero [mm].

    Returns
    -------
    Plan

    Raises
    ------
    BadInput
        An empty box.

    Notes
    -----
    Nothing is known yet of amplitude and length of the curve's departure from its trend but their priors. The largest
    variance of the thickness found, over the working range and averaged over the prior of the length, is made as
    small as single exchanges can make it. The amplitude cancels out but for the noise, which is taken as `NOISE` of
    it; a raw signal weighs its logarithm with L + x, the thickness that a share of a falling signal stands for.
    """
    x = np.asarray(shims_mm, dtype=np.float64)
    if not len(x):
        raise BadInput("design.no_shims")
    ends = tuple(dict.fromkeys(end_shims(x, working_range)))
    inside = np.flatnonzero((x >= x[list(ends)].min()) & (x <= x[list(ends)].max()))
    # the places of `inside`; the end shims are kept
    kept = [int(np.flatnonzero(inside == end)[0]) for end in ends]
    room = _Room(x[inside], np.asarray(besides_mm, dtype=np.float64), working_range, signal)
    k = min(max(k, len(kept)), len(inside))
    chosen = best_set(room.largest, len(inside), k, kept=kept, start=_spread(room.t, kept, k))
    order = kept.copy()
    while len(order) < k:
        left = [i for i in chosen if i not in order]
        order.append(min(left, key=lambda i: float(room.largest(np.array([[*order, i]]))[0])))
    at = np.sort([*x[inside][order], *room.besides])
    widest = int(np.argmax(np.diff(np.log1p(at / room.L)))) if len(at) > 1 else 0
    gap = (float(at[widest]), float(at[min(widest + 1, len(at) - 1)]))
    places = tuple(int(inside[i]) for i in order)
    return Plan(places, tuple(float(x[i]) for i in places), gap)


def _spread(t: Array, kept: Sequence[int], k: int) -> list[int]:
    """To begin with: those that are kept, and others as even in t as the box allows."""
    chosen = list(kept)
    for wanted in np.linspace(t[list(kept)].min(), t[list(kept)].max(), k)[1:-1]:
        left = [i for i in range(len(t)) if i not in chosen]
        if len(chosen) < k:
            chosen.append(min(left, key=lambda i: abs(t[i] - wanted)))
    return chosen


class _Room:
    """How uncertain thicknesses between the points of a set are, before anything is read."""

    def __init__(self, x: Array, besides: Array, working_range: tuple[float, float], signal: Signal) -> None:
        every = np.concatenate([x, besides])
        self.besides = besides
        span = max(float(np.ptp(every)), working_range[1] - working_range[0])
        self.L = SCALE[signal] * span
        self.t, self._t_besides = np.log1p(x / self.L), np.log1p(besides / self.L)
        grid = np.linspace(*working_range, 31)
        self._t_grid = np.log1p(grid / self.L)
        self._unit = np.square(self.L + grid) if signal == "raw" else np.ones_like(grid)
        self._degree = 2 if signal == "raw" else 1
        T = float(np.ptp(np.log1p(every / self.L))) or 1.0
        middle, sd = LENGTH_PRIOR
        self._lengths = T * np.exp(middle + sd * np.array([-1.0, 0.0, 1.0]))

    def largest(self, sets: Array) -> Array:
        """The largest variance over the working range for each set, shape (s,), in a unit of its own."""
        t = np.concatenate([self.t[sets], np.broadcast_to(self._t_besides, (len(sets), len(self._t_besides)))], axis=1)
        m = t.shape[1]
        powers = np.arange(min(self._degree, max(m - 2, 0)) + 1)
        H, h = t[..., None] ** powers, self._t_grid[:, None] ** powers
        variance = np.zeros((len(sets), len(self._t_grid)))
        for length in self._lengths:
            K = np.exp(-0.5 * ((t[:, :, None] - t[:, None, :]) / length) ** 2) + NOISE**2 * np.eye(m)
            k = np.exp(-0.5 * ((t[:, :, None] - self._t_grid) / length) ** 2)
            solved = np.linalg.solve(K, np.concatenate([k, H], axis=2))
            by_k, by_H = solved[..., : k.shape[2]], solved[..., k.shape[2] :]
            left = h.T - np.swapaxes(H, 1, 2) @ by_k
            M = np.swapaxes(H, 1, 2) @ by_H
            variance += 1.0 - (k * by_k).sum(axis=1) + (left * np.linalg.solve(M, left)).sum(axis=1)
        return np.asarray((variance * self._unit).max(axis=1))
