"""Repeatability: how the spread of repeated readings depends on thickness, and which reading stands apart."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import minimize
from scipy.special import stdtrit

from labkit.problems import BadInput

Array = NDArray[np.floating[Any]]

TREND_PRIOR_SD: Final = 3.0
"""Of the change of ln σ² over the range: without evidence the spread is taken as constant. Wide, as the spread of a raw
signal at contact is many times that of one far away."""

STRAGGLER_LEVEL: Final = 0.01
"""Chance that any reading of a calibration stands apart by accident."""


@dataclass(frozen=True)
class VarianceFunction:
    """
    Variance of one reading as a smooth function of thickness: exp(level + trend·t) + δ²/12, t from 0 to 1.

    Attributes
    ----------
    level, trend : float
        In the square of the unit of the readings.
    low, high : float
        The thicknesses [mm] at t = 0 and t = 1; t = ln(1 + x/L) scaled.
    resolution : float
        The display step δ, in the unit of the readings.
    dof : float
        Degrees of freedom ν_p from which it is known; infinite where it was stated.
    """

    level: float
    trend: float
    low: float
    high: float
    resolution: float
    dof: float

    def variance(self, x: ArrayLike) -> Array:
        """Variance of one reading at thickness x [mm]."""
        t = np.clip(_scaled(np.asarray(x, dtype=np.float64), self.low, self.high), 0.0, 1.0)
        return np.exp(self.level + self.trend * t) + self.resolution**2 / 12.0

    def variance_of_mean(self, x: ArrayLike, n: ArrayLike) -> Array:
        """Variance of the mean of n readings at x: u²(ȳ) = max(σ²/n, δ²/12)."""
        return np.maximum(self.variance(x) / np.asarray(n), self.resolution**2 / 12.0)

    def sd(self, x: ArrayLike) -> Array:
        """Standard deviation of one reading at x."""
        return np.sqrt(self.variance(x))


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
    Maximum of the gamma likelihood Σ −ν/2·(ln σ² + s²/σ²), with a normal prior on the trend that shrinks it to
    constant spread. Rounding alone gives δ²/12, below which no variance falls.

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
    t = _scaled(x, low, high)
    smallest = max(floor * 1e-4, pooled * 1e-6, np.finfo(float).tiny)
    begin = np.log(max(pooled - floor, smallest))

    def cost(theta: Array) -> tuple[float, Array]:
        own = np.exp(begin + theta[0] + theta[1] * t)
        variance = own + floor
        value = np.sum(dof / 2 * (np.log(variance) + s2 / variance)) + 0.5 * (theta[1] / TREND_PRIOR_SD) ** 2
        by_level = dof / 2 * (1 - s2 / variance) * own / variance
        return float(value), np.array([by_level.sum(), by_level @ t + theta[1] / TREND_PRIOR_SD**2])

    bounds = [(np.log(smallest) - begin, 10.0), (-8.0, 8.0)]
    found = minimize(cost, np.zeros(2), jac=True, method="L-BFGS-B", bounds=bounds)
    return VarianceFunction(float(begin + found.x[0]), float(found.x[1]), low, high, resolution, float(np.sum(dof)))


def stated_variance(sd: float, low: float, high: float, resolution: float) -> VarianceFunction:
    """The constant variance function of a repeatability that was stated, not measured; of 0 where none is known."""
    own = max(sd**2 - resolution**2 / 12.0, 0.0)
    level = float(np.log(own)) if own > 0 else -np.inf
    return VarianceFunction(level, 0.0, low, high, resolution, np.inf)


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
        own = np.array([np.delete(group, i).var(ddof=1) for i in range(len(group))])
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
