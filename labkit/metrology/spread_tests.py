"""Tests that are shown and decide nothing: Grubbs for one odd reading, Bartlett for equal spread, normality."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import chdtrc, chdtri, log_ndtr, stdtrit

from labkit.metrology.statistics import as_numbers, check_level, describe, pool
from labkit.problems import BadInput, Reason, Where

GRUBBS_FROM: Final = 6
"""Readings below which Grubbs' test is not shown: it then finds next to nothing."""


@dataclass(frozen=True)
class Grubbs:
    """
    The reading that lies farthest from the mean of its group.

    Attributes
    ----------
    index : int
        Which reading, from 0.
    value : float
        In the unit of the readings.
    statistic : float
        Its distance from the mean over the standard deviation of all readings.
    critical : float
        What the statistic stays below with probability 1 − `alpha` where all readings are of one normal distribution.
    n : int
    alpha : float
    """

    index: int
    value: float
    statistic: float
    critical: float
    n: int
    alpha: float

    @property
    def exceeds(self) -> bool:
        return self.statistic > self.critical

    def __str__(self) -> str:
        return f"G = {self.statistic:.3f}, critical {self.critical:.3f} ({self.n} readings, α = {self.alpha:g})"

    def to_dict(self) -> dict[str, Any]:
        return dict(vars(self))


def grubbs(values: ArrayLike, *, alpha: float = 0.05) -> Grubbs | None:
    """
    Grubbs' test for one reading that stands apart, to either side.

    Parameters
    ----------
    values : array_like, shape (n,)
    alpha : float
        Chance that the critical value is exceeded by accident.

    Returns
    -------
    Grubbs or None
        None where the readings do not differ.

    Raises
    ------
    BadInput
        Fewer than three readings, or a value that is not a number.

    References
    ----------
    Grubbs, Technometrics 11 (1969) 1. NIST/SEMATECH e-Handbook 1.3.5.17.1 (both from memory).
    """
    check_level(alpha)
    x = as_numbers(values, at_least=3)
    found = describe(x)
    if not found.sd:
        return None
    apart = np.abs(x - found.mean)
    index = int(apart.argmax())
    return Grubbs(
        index, float(x[index]), float(apart[index]) / found.sd, grubbs_critical(found.n, alpha), found.n, alpha
    )


def grubbs_critical(n: int, alpha: float = 0.05) -> float:
    """Critical value of `grubbs` for n readings."""
    t = float(stdtrit(n - 2, 1 - alpha / (2 * n)))
    return (n - 1) / math.sqrt(n) * math.sqrt(t**2 / (n - 2 + t**2))


@dataclass(frozen=True)
class SpreadTest:
    """
    Bartlett's test of equal spread: shown, never decides.

    Attributes
    ----------
    statistic, p : float or None
        Chi-squared, and the chance of one as large where all groups spread alike; None where a group does not scatter.
    critical : float
        What the statistic stays below with probability 1 − `alpha`.
    groups : int
    dof : int
        Of the statistic: groups − 1.
    pooled_sd : float
        In the unit of the readings.
    largest_ratio : float or None
        Largest over smallest standard deviation; None where the smallest is 0.
    alpha : float
    reason : Reason or None
        Why there is no statistic.
    """

    statistic: float | None
    p: float | None
    critical: float
    groups: int
    dof: int
    pooled_sd: float
    largest_ratio: float | None
    alpha: float
    reason: Reason | None = None

    @property
    def exceeds(self) -> bool | None:
        return None if self.statistic is None else self.statistic > self.critical

    @property
    def said(self) -> Reason:
        """The outcome as a sentence."""
        if self.statistic is None or self.p is None or self.largest_ratio is None:
            return self.reason or Reason("spread_test.no_spread", {"count": 0, "groups": self.groups})
        params = {"statistic": self.statistic, "critical": self.critical, "p": self.p, "ratio": self.largest_ratio}
        return Reason("spread_test.bartlett", params | {"groups": self.groups})

    def __str__(self) -> str:
        return str(self.said)

    def to_dict(self) -> dict[str, Any]:
        return dict(vars(self)) | {"reason": None if self.reason is None else self.reason.to_dict()}


def bartlett(sds: ArrayLike, counts: ArrayLike, *, alpha: float = 0.05) -> SpreadTest:
    """
    Whether groups of readings spread alike, from their standard deviations.

    Parameters
    ----------
    sds : array_like, shape (m,)
        Standard deviation of each group, in one unit.
    counts : array_like of int, shape (m,) or int
        Readings of each, two or more.
    alpha : float
        Chance that the critical value is exceeded by accident.

    Returns
    -------
    SpreadTest

    Raises
    ------
    BadInput
        Fewer than two groups, a group of one, or a standard deviation that is below 0 or no number.

    Notes
    -----
    With three readings a group it finds a threefold spread in one case of six: a quiet test is no proof.

    References
    ----------
    Bartlett, Proc. R. Soc. A 160 (1937) 268. NIST/SEMATECH e-Handbook 1.3.5.7 (both from memory).
    """
    check_level(alpha)
    s = as_numbers(sds)
    m = len(s)
    if m < 2:
        raise BadInput("study.one_group")
    n = np.broadcast_to(as_numbers(counts), s.shape)
    for g in np.flatnonzero(n < 2):
        raise BadInput("spread_test.group_of_one", Where(row=int(g) + 1))
    nu = n - 1
    pooled = pool(s, nu)
    critical = float(chdtri(m - 1, alpha))
    still = int(np.sum(s == 0))
    if still:
        reason = Reason("spread_test.no_spread", {"count": still, "groups": m})
        return SpreadTest(None, None, critical, m, m - 1, pooled.sd, None, alpha, reason)
    above = -2.0 * math.fsum(nu * np.log(s / pooled.sd))
    below = 1 + (math.fsum(1 / nu) - 1 / pooled.dof) / (3 * (m - 1))
    # rounding may leave −1e−16 where all spread alike
    statistic = max(above / below, 0.0)
    p = float(chdtrc(m - 1, statistic))
    return SpreadTest(statistic, p, critical, m, m - 1, pooled.sd, float(s.max() / s.min()), alpha)


@dataclass(frozen=True)
class NormalityTest:
    """
    The test of Anderson and Darling, mean and spread estimated.

    Attributes
    ----------
    statistic : float
        A² with Stephens' factor for few readings.
    p : float
        Chance of one as large from a normal distribution.
    n : int
    """

    statistic: float
    p: float
    n: int

    def __str__(self) -> str:
        return f"A² = {self.statistic:.3f}, p = {self.p:.3f} ({self.n} values)"

    def to_dict(self) -> dict[str, Any]:
        return dict(vars(self))


def anderson_darling(values: ArrayLike) -> NormalityTest | None:
    """
    Whether values look drawn from a normal distribution.

    Parameters
    ----------
    values : array_like, shape (n,)
        Eight or more.

    Returns
    -------
    NormalityTest or None
        None where the values do not differ.

    Raises
    ------
    BadInput
        Fewer than eight values, or one that is not a number.

    References
    ----------
    D'Agostino & Stephens, Goodness-of-fit Techniques (1986), table 4.9, for the factor and p (from memory; the tests
    simulate it).
    """
    x = np.sort(as_numbers(values, at_least=8))
    found = describe(x)
    if not found.sd:
        return None
    z = (x - found.mean) / found.sd
    n = found.n
    weights = 2 * np.arange(1, n + 1) - 1
    A2 = -n - math.fsum(weights * (log_ndtr(z) + log_ndtr(-z[::-1]))) / n
    a = A2 * (1 + 0.75 / n + 2.25 / n**2)
    if a >= 0.6:
        # the fit ends at 13, where p is below any that matters
        p = math.exp(1.2937 - 5.709 * min(a, 13.0) + 0.0186 * min(a, 13.0) ** 2)
    elif a >= 0.34:
        p = math.exp(0.9177 - 4.279 * a - 1.38 * a**2)
    elif a >= 0.2:
        p = 1 - math.exp(-8.318 + 42.796 * a - 59.938 * a**2)
    else:
        p = 1 - math.exp(-13.436 + 101.14 * a - 223.73 * a**2)
    return NormalityTest(a, p, n)
