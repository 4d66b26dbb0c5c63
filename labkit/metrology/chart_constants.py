"""The constants of control charts, computed from the normal distribution and not read from a table."""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from scipy.special import gammaln, ndtr

from labkit.problems import BadInput

FARTHEST = 9.0
"""In standard deviations: beyond, a normal distribution has no weight that a float can show."""


def d2(n: int) -> float:
    """
    Mean range of n readings, in standard deviations.

    Raises
    ------
    BadInput
        Fewer than two readings.

    References
    ----------
    Tippett, Biometrika 17 (1925) 364 (from memory).
    """
    return _range_moments(n)[0]


def d3(n: int) -> float:
    """Standard deviation of the range of n readings, in standard deviations."""
    return _range_moments(n)[1]


def c4(n: int) -> float:
    """Mean of the standard deviation s of n readings, in standard deviations."""
    _check(n)
    return math.sqrt(2.0 / (n - 1)) * math.exp(gammaln(n / 2) - gammaln((n - 1) / 2))


def d2_star(n: int, groups: int) -> float:
    """
    What the mean range of so many groups of n is divided by so that its square estimates σ²: √(d2² + d3²/groups).

    References
    ----------
    Duncan, Quality Control and Industrial Statistics, appendix D3 (from memory).
    """
    return math.hypot(d2(n), d3(n) / math.sqrt(groups))


def range_dof(n: int, groups: int) -> float:
    """Degrees of freedom of the mean range, by the variance that it has: groups·d2²/(2·d3²)."""
    return groups * (d2(n) / d3(n)) ** 2 / 2


def _check(n: int) -> None:
    if n < 2:
        raise BadInput("study.subgroup_of_one")


@lru_cache(maxsize=256)
def _range_moments(n: int) -> tuple[float, float]:
    """Mean and standard deviation of the range W: E W = ∫ P(W > w) dw, E W² = ∫ 2w·P(W > w) dw."""
    _check(n)
    nodes, weights = np.polynomial.legendre.leggauss(160)
    w, weights = FARTHEST * (nodes + 1), FARTHEST * weights
    x = np.linspace(-2 * FARTHEST - 1, FARTHEST, 1401)
    density = np.exp(-(x**2) / 2) / math.sqrt(2 * math.pi)
    # the trapezoid rule is exact to rounding for what dies away smoothly at both ends
    inside = n * (x[1] - x[0]) * ((ndtr(x[:, None] + w) - ndtr(x)[:, None]) ** (n - 1) * density[:, None]).sum(axis=0)
    mean = float(weights @ (1 - inside))
    return mean, math.sqrt(float(weights @ (2 * w * (1 - inside))) - mean**2)
