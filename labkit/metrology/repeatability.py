"""Repeatability: how the spread of repeated readings depends on thickness, and which reading stands apart."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.linalg.lapack import dposv
from scipy.optimize import minimize
from scipy.special import stdtrit

from labkit.problems import BadInput

Array = NDArray[np.floating[Any]]

TREND_PRIOR_SD: Final = 3.0
"""Of the change of ln σ² over the range: without evidence the spread is taken as even. Wide, as the spread of a raw
signal at contact is many times that of one far away."""

CURVATURE_PRIOR: Final = (4.0, 2.8)
"""
Mean and standard deviation of the coefficient of t² in ln σ². Two noises add up, that of seating and that of the
electronics, and one of them grows with thickness where the other does not: ln σ² is hollow.
"""

_LEVEL_PRIOR_SD: Final = 10.0
"""As good as none; where rounding hides the spread altogether, the level is not known."""

_STEPS: Final = 12
_CLOSE: Final = 1e-9
"""Newton's steps at most, and the length of the last one, in ln σ²."""

STRAGGLER_LEVEL: Final = 0.01
"""Chance that any reading of a calibration stands apart by accident."""


@dataclass(frozen=True, eq=False)
class VarianceFunction:
    """
    Variance of one reading as a smooth function of thickness: exp(θ·h(t)) + δ²/12, h = (1, t − ½, (t − ½)² − 1/12).

    Attributes
    ----------
    theta : ndarray, shape (3,)
        Level, trend and curvature of the logarithm; the variance is in the square of the unit of the readings.
    covariance : ndarray, shape (3, 3)
        Of theta; zeros where the spread was stated.
    low, high : float
        The thicknesses [mm] at t = 0 and t = 1; t = ln(1 + x/L) scaled.
    resolution : float
        The display step δ, in the unit of the readings.
    dof : float
        Degrees of freedom ν_p of all repeats together; infinite where the spread was stated.
    """

    theta: Array
    covariance: Array
    low: float
    high: float
    resolution: float
    dof: float

    def widened(self, ratio: float) -> VarianceFunction:
        """The same with every variance `ratio` times as large, as well known as before."""
        theta = self.theta + np.array([np.log(ratio), 0.0, 0.0])
        return replace(self, theta=theta, resolution=self.resolution * float(np.sqrt(ratio)))

    def variance(self, x: ArrayLike) -> Array:
        """Variance of one reading at thickness x [mm]."""
        return self._own(np.asarray(x, dtype=np.float64)) + self.resolution**2 / 12.0

    def variance_of_mean(self, x: ArrayLike, n: ArrayLike) -> Array:
        """Variance of the mean of n readings at x: u²(ȳ) = max(σ²/n, δ²/12)."""
        return np.maximum(self.variance(x) / np.asarray(n), self.resolution**2 / 12.0)

    def sd(self, x: ArrayLike) -> Array:
        """Standard deviation of one reading at x."""
        return np.sqrt(self.variance(x))

    def dof_at(self, x: ArrayLike) -> Array:
        """Degrees of freedom with which the variance is known at thickness x [mm], shape of x: fewest at the ends."""
        xs = np.asarray(x, dtype=np.float64)
        return self._dof(self._leaning(xs.ravel())).reshape(xs.shape)

    def dof_of_sum(self, x: ArrayLike, parts: ArrayLike) -> Array:
        """
        Degrees of freedom of a sum of variances.

        Parameters
        ----------
        x : array_like, shape (m,)
            The thicknesses [mm] at which the variances hold.
        parts : array_like, shape (q, m)
            What each contributes to the sum, for q sums.

        Returns
        -------
        ndarray, shape (q,)

        Notes
        -----
        ν = 2/var(ln σ²), as for χ²; never more than ν_p.

        References
        ----------
        JCGM 100:2008, G.4.2, for the degrees of freedom of an estimate whose own uncertainty is known.
        """
        share = np.asarray(parts, dtype=np.float64)
        whole = share.sum(axis=1, keepdims=True)
        share = np.divide(share, whole, out=np.zeros_like(share), where=whole > 0)
        return self._dof(share @ self._leaning(np.asarray(x, dtype=np.float64)))

    def _own(self, x: Array) -> Array:
        return np.exp(_shapes(x, self.low, self.high) @ self.theta)

    def _leaning(self, x: Array) -> Array:
        """∂ln σ²/∂θ, the part of the rounding taken as known, shape (m, 3)."""
        own = self._own(x)
        variance = own + self.resolution**2 / 12.0
        share = np.divide(own, variance, out=np.zeros_like(own), where=variance > 0)
        return share[:, None] * _shapes(x, self.low, self.high)

    def _dof(self, leaning: Array) -> Array:
        """Of what leans on θ like this, shape (q, 3) → (q,)."""
        relative = np.einsum("qi,ij,qj->q", leaning, self.covariance, leaning)
        known = np.full(relative.shape, np.inf)
        np.divide(2.0, relative, out=known, where=relative > 0)
        return np.clip(known, 1.0, self.dof)


def _shapes(x: Array, low: float, high: float) -> Array:
    """h(t), shape of x and 3."""
    t = np.clip(_scaled(x, low, high), 0.0, 1.0) - 0.5
    shapes = np.ones((*t.shape, 3))
    shapes[..., 1] = t
    shapes[..., 2] = t**2 - 1.0 / 12.0
    return shapes


def _scaled(x: Array, low: float, high: float) -> Array:
    if high <= low:
        return np.zeros_like(x)
    L = max(low, 0.1 * (high - low))
    return np.log((L + x) / (L + low)) / np.log((L + high) / (L + low))


def fit_variance(
    x: ArrayLike, s2: ArrayLike, dof: ArrayLike, resolution: float, span: tuple[float, float] | None = None
) -> VarianceFunction:
    """
    The variance function from the variances of repeats.

    Parameters
    ----------
    x : array_like, shape (m,)
        Thickness [mm] of each group of repeats.
    s2 : array_like, shape (m,)
        Variance within the group; zeros are evidence like any other.
    dof : array_like, shape (m,)
        n − 1 of the group; groups of one count for nothing.
    resolution : float
        The display step δ.
    span : (float, float), optional
        The thicknesses over which the trend goes on; default those of the groups.

    Returns
    -------
    VarianceFunction

    Raises
    ------
    BadInput
        No group of two or more.

    Notes
    -----
    Maximum of the gamma likelihood Σ −ν/2·(ln σ² + s²/σ²) with normal priors on trend and curvature, and the inverse of
    its Fisher information. Rounding alone gives δ²/12, below which no variance falls.

    References
    ----------
    McCullagh & Nelder, Generalized Linear Models (1989), chapter 10 (joint modelling of mean and dispersion; from
    memory).
    """
    x, s2, dof = (np.asarray(each, dtype=np.float64) for each in (x, s2, dof))
    if not np.any(dof > 0):
        raise BadInput("points.no_repeats")
    floor = resolution**2 / 12.0
    pooled = float(np.sum(dof * s2) / np.sum(dof))
    low, high = span or (float(x.min()), float(x.max()))
    h = _shapes(x, low, high)
    smallest = max(floor * 1e-4, pooled * 1e-6, np.finfo(float).tiny)
    usual = np.array([np.log(max(pooled - floor, smallest)), 0.0, CURVATURE_PRIOR[0]])
    prior = np.array([_LEVEL_PRIOR_SD, TREND_PRIOR_SD, CURVATURE_PRIOR[1]]) ** -2.0

    def cost(off: Array) -> float:
        variance = np.exp(h @ (usual + off)) + floor
        return float(np.sum(dof / 2 * (np.log(variance) + s2 / variance)) + 0.5 * prior @ off**2)

    def bends(off: Array) -> tuple[Array, Array]:
        """First and second derivatives of the cost."""
        own = np.exp(h @ (usual + off))
        share, ratio = own / (own + floor), s2 / (own + floor)
        leaning = dof / 2 * (1 - ratio) * share
        bend = dof / 2 * (ratio * share + (1 - ratio) * (1 - share)) * share
        return leaning @ h + prior * off, (h.T * bend) @ h + np.diag(prior)

    def slope(off: Array) -> Array:
        return bends(off)[0]

    low_off, high_off = np.array([np.log(smallest) - usual[0], -12.0, -12.0]), np.array([10.0, 12.0, 12.0])
    off = _newton(bends, np.zeros(3), low_off, high_off)
    if off is None:
        bounds = list(zip(low_off, high_off, strict=True))
        near = minimize(cost, np.zeros(3), jac=slope, method="L-BFGS-B", bounds=bounds).x
        # it stops by the cost, half the digits away
        polished = _newton(bends, near, low_off, high_off)
        off = near if polished is None else polished
    theta = usual + off
    own = np.exp(h @ theta)
    leaning = (own / (own + floor))[:, None] * h
    information = (leaning * (dof / 2)[:, None]).T @ leaning + np.diag(prior)
    return VarianceFunction(theta, np.linalg.inv(information), low, high, resolution, float(np.sum(dof)))


def _newton(bends: Callable[[Array], tuple[Array, Array]], start: Array, low: Array, high: Array) -> Array | None:
    """
    Where Newton's steps end; None where they leave the bounds, never arrive, or the cost is not hollow.

    What starts at a bound and is pushed against it is held there, and has to be pushed against it at the end as well.
    """

    def pushed(off: Array, slope: Array) -> NDArray[np.bool_]:
        return (off <= low) & (slope > 0) | (off >= high) & (slope < 0)

    off = np.clip(start, low, high)
    slope, bend = bends(off)
    held = pushed(off, slope)
    free = np.flatnonzero(~held)
    if held.all():
        return off
    for _ in range(_STEPS):
        _, step, not_hollow = dposv(bend[np.ix_(free, free)], -slope[free])
        off[free] += step
        if not_hollow or (off < low).any() or (off > high).any():
            return None
        slope, bend = bends(off)
        if np.abs(step).max() < _CLOSE:
            return off if pushed(off, slope)[held].all() else None
    return None


def stated_variance(sd: float, low: float, high: float, resolution: float) -> VarianceFunction:
    """The constant variance function of a repeatability that was stated, not measured; of 0 where none is known."""
    own = max(sd**2 - resolution**2 / 12.0, 0.0)
    level = float(np.log(own)) if own > 0 else -np.inf
    return VarianceFunction(np.array([level, 0.0, 0.0]), np.zeros((3, 3)), low, high, resolution, np.inf)


@dataclass(frozen=True)
class Straggler:
    """
    A reading that stands apart from its repeats.

    Attributes
    ----------
    group, index : int
        Which group of repeats, and which reading in it, from 0.
    value, median : float
        In the unit of the readings.
    ratio : float
        Distance from the median over the usual spread.
    limit : float
        What the ratio exceeds.
    """

    group: int
    index: int
    value: float
    median: float
    ratio: float
    limit: float


def stragglers(x: ArrayLike, groups: Sequence[ArrayLike], resolution: float) -> tuple[Straggler, ...]:
    """
    Readings that stand apart, judged against the spread of all the other groups.

    Parameters
    ----------
    x : array_like, shape (m,)
        Thickness [mm] of each group.
    groups : sequence of m array_like
        The repeats of each group.
    resolution : float
        The display step δ; a reading one step off its median never stands apart.

    Returns
    -------
    tuple of Straggler

    Notes
    -----
    The usual spread is that of the other groups, or of the other readings of the group where that is larger. The
    limit is Student's t at ν_p without the group, for `STRAGGLER_LEVEL` shared among all readings. Groups of
    fewer than three have no odd one out.

    References
    ----------
    ISO 5725-2 for the term; the test is a t test of an outlying observation with an independent estimate of the
    spread (from memory).
    """
    xs = np.asarray(x, dtype=np.float64)
    readings = [np.asarray(group, dtype=np.float64) for group in groups]
    total = sum(len(group) for group in readings)
    dof = [len(group) - 1 for group in readings]
    found = []
    for g, group in enumerate(readings):
        others = [i for i, n in enumerate(dof) if i != g and n > 0]
        if len(group) < 3 or not others:
            continue
        limit = float(stdtrit(sum(dof[i] for i in others), 1 - STRAGGLER_LEVEL / (2 * total)))
        median = float(np.median(group))
        apart = np.abs(group - median)
        # where its own neighbours scatter more than usual, a reading does not stand apart from them
        own = _without_each(group)
        scale = limit * np.sqrt(1 + 1 / len(group))
        suspects = np.flatnonzero((apart > 1.5 * resolution) & (apart > scale * np.sqrt(own)))
        if suspects.size == 0:
            continue
        usual = fit_variance(
            xs[others],
            [readings[i].var(ddof=1) for i in others],
            [dof[i] for i in others],
            resolution,
            (float(xs.min()), float(xs.max())),
        )
        for i in suspects:
            spread = float(np.sqrt(max(float(usual.variance(xs[g])), own[i]) * (1 + 1 / len(group))))
            if spread > 0 and apart[i] > limit * spread:
                found.append(Straggler(g, int(i), float(group[i]), median, float(apart[i]) / spread, limit))
    return tuple(found)


def _without_each(group: Array) -> Array:
    """The variance of the other readings, for each reading of a group of three or more, shape of the group."""
    n, off = len(group), group - group.mean()
    squares = float(off @ off)
    left = (squares - np.square(off) * n / (n - 1)) / (n - 2)
    # where the others are all alike, rounding is left
    return np.where(left > 1e-12 * squares, left, 0.0)
