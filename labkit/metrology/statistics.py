"""Mean, spread and one-way analysis of variance, computed so that large numbers with small differences keep digits."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import fdtrc, fdtri

from labkit.problems import BadInput, Where

Array = NDArray[np.floating[Any]]


@dataclass(frozen=True)
class Summary:
    """
    What a series of readings comes to.

    Attributes
    ----------
    n : int
    mean : float
        In the unit of the readings.
    sd : float or None
        Standard deviation with n − 1, in the same unit; None for one reading.
    lag1 : float or None
        Correlation of each reading with the next; None where the readings do not differ.
    """

    n: int
    mean: float
    sd: float | None
    lag1: float | None

    @property
    def dof(self) -> int:
        return self.n - 1

    def __str__(self) -> str:
        spread = "" if self.sd is None else f", s = {self.sd:.4g}"
        return f"mean {self.mean:.6g}{spread} from {self.n} readings"

    def to_dict(self) -> dict[str, Any]:
        return dict(vars(self))


def describe(values: ArrayLike) -> Summary:
    """
    Mean, standard deviation and lag-1 autocorrelation of readings in the order in which they were taken.

    Parameters
    ----------
    values : array_like, shape (n,)

    Returns
    -------
    Summary

    Raises
    ------
    BadInput
        No value, or one that is not a number.

    Notes
    -----
    Sums are rounded once (`math.fsum`), and squares are of differences from the mean.

    References
    ----------
    NIST/SEMATECH e-Handbook 1.3.5.12 (autocorrelation; from memory). Chan, Golub & LeVeque, Am. Stat. 37 (1983) 242
    (the corrected two-pass sum of squares; from memory).
    """
    x = as_numbers(values)
    mean, squares = mean_and_squares(x)
    d = x - mean
    return Summary(
        len(x),
        mean,
        math.sqrt(squares / (len(x) - 1)) if len(x) > 1 else None,
        math.fsum(d[:-1] * d[1:]) / squares if squares > 0 else None,
    )


def mean_and_squares(x: Array) -> tuple[float, float]:
    """The mean of readings, and the sum of the squares of their differences from it."""
    n = len(x)
    first = math.fsum(x) / n
    d = x - first
    rest = math.fsum(d)
    return first + rest / n, max(math.fsum(d * d) - rest**2 / n, 0.0)


def as_numbers(values: ArrayLike, at_least: int = 1) -> Array:
    """
    Values as a one-dimensional array, or words about the one that is not a number.

    Raises
    ------
    BadInput
        Fewer than `at_least` values, or the row (counted from 1) of one that is not a number.
    """
    x = np.atleast_1d(np.asarray(values, dtype=np.float64))
    if x.ndim != 1:
        raise BadInput("study.one_column", shape=x.shape)
    bad = np.flatnonzero(~np.isfinite(x))
    if bad.size:
        raise BadInput("study.not_number", Where(row=int(bad[0]) + 1), value=float(x[bad[0]]))
    if len(x) < at_least:
        raise BadInput("study.too_few", needed=at_least, got=len(x))
    return x


def check_level(level: float) -> None:
    """
    Refuse a probability of an interval or a limit that is none.

    Raises
    ------
    BadInput
        It does not lie between 0 and 1.
    """
    if not 0 < level < 1:
        raise BadInput("study.level", level=level)


@dataclass(frozen=True)
class Pooled:
    """
    A standard deviation from several groups.

    Attributes
    ----------
    sd : float
        In the unit of the readings.
    dof : float
        Degrees of freedom.
    """

    sd: float
    dof: float

    def __str__(self) -> str:
        return f"s = {self.sd:.4g} with {self.dof:g} degrees of freedom"

    def to_dict(self) -> dict[str, Any]:
        return dict(vars(self))


def pool(sds: ArrayLike, dof: ArrayLike) -> Pooled:
    """
    The standard deviation that several groups have in common.

    Parameters
    ----------
    sds : array_like, shape (m,)
        Standard deviation of each group.
    dof : array_like, shape (m,) or float
        Degrees of freedom of each; groups of 0 count for nothing.

    Returns
    -------
    Pooled

    Raises
    ------
    BadInput
        A standard deviation or its degrees of freedom below 0 or no number, or no degree of freedom at all.

    References
    ----------
    NIST/SEMATECH e-Handbook 2.2.1, 2.4.4 (from memory).
    """
    s = as_numbers(sds)
    nu = np.broadcast_to(as_numbers(dof), s.shape)
    negative = np.flatnonzero((s < 0) | (nu < 0))
    if negative.size:
        raise BadInput("study.negative_sd", Where(row=int(negative[0]) + 1))
    total = math.fsum(nu)
    if total <= 0:
        raise BadInput("study.no_repeats")
    return Pooled(math.sqrt(math.fsum(nu * s**2) / total), total)


@dataclass(frozen=True)
class OneWay:
    """
    Analysis of variance of readings in groups.

    Attributes
    ----------
    counts : tuple of int
        Readings of each group.
    group_means : tuple of float
    mean : float
        Of all readings.
    ss_between, ss_within : float
        Sums of squares, in the square of the unit of the readings.
    """

    counts: tuple[int, ...]
    group_means: tuple[float, ...]
    mean: float
    ss_between: float
    ss_within: float

    @property
    def dof_between(self) -> int:
        return len(self.counts) - 1

    @property
    def dof_within(self) -> int:
        return sum(self.counts) - len(self.counts)

    @property
    def ms_between(self) -> float:
        return self.ss_between / self.dof_between

    @property
    def ms_within(self) -> float:
        return self.ss_within / self.dof_within

    @property
    def balanced(self) -> bool:
        return len(set(self.counts)) == 1

    @property
    def F(self) -> float | None:
        """Mean square between over mean square within; None where nothing scatters within."""
        return self.ms_between / self.ms_within if self.ss_within > 0 else None

    @property
    def p(self) -> float | None:
        """Chance of an F as large where the groups do not differ."""
        return None if self.F is None else float(fdtrc(self.dof_between, self.dof_within, self.F))

    def critical_F(self, level: float = 0.95) -> float:
        """What F stays below with that probability where the groups do not differ."""
        return float(fdtri(self.dof_between, self.dof_within, level))

    @property
    def r_squared(self) -> float | None:
        total = self.ss_between + self.ss_within
        return self.ss_between / total if total > 0 else None

    @property
    def sd_within(self) -> float:
        """Of one reading within its group."""
        return math.sqrt(self.ms_within)

    @cached_property
    def usual_count(self) -> float:
        """Readings of a group as the variance between groups counts them; n of each where all have n."""
        n = sum(self.counts)
        return (n - sum(each**2 for each in self.counts) / n) / self.dof_between

    @property
    def variance_between_raw(self) -> float:
        """Variance that the groups add (random effects), below 0 where they differ less than chance lets them."""
        return (self.ms_between - self.ms_within) / self.usual_count

    @property
    def sd_between(self) -> float:
        """Standard deviation that the groups add (random effects); 0 where the raw variance is below 0."""
        return math.sqrt(max(self.variance_between_raw, 0.0))

    @property
    def sd_of_group_means(self) -> float:
        """Standard deviation of the means of the groups, each counted once."""
        _, squares = mean_and_squares(np.asarray(self.group_means))
        return math.sqrt(squares / self.dof_between)

    @property
    def u_mean_random(self) -> float | None:
        """Standard uncertainty of the mean where groups are drawn at random; None where groups are of unlike size."""
        return math.sqrt(self.ms_between / sum(self.counts)) if self.balanced else None

    @property
    def u_mean_fixed(self) -> float:
        """Standard uncertainty of the mean where these groups are all there are."""
        return math.sqrt(self.ms_within / sum(self.counts))

    def __str__(self) -> str:
        F = "" if self.F is None else f", F = {self.F:.3g}"
        return f"{len(self.counts)} groups: s within {self.sd_within:.4g}, between {self.sd_between:.4g}{F}"

    def to_dict(self) -> dict[str, Any]:
        return {
            "counts": list(self.counts),
            "group_means": list(self.group_means),
            "mean": self.mean,
            "between": {"ss": self.ss_between, "dof": self.dof_between, "ms": self.ms_between},
            "within": {"ss": self.ss_within, "dof": self.dof_within, "ms": self.ms_within},
            "F": self.F,
            "p": self.p,
            "variance_between_raw": self.variance_between_raw,
            "sd_between": self.sd_between,
            "sd_within": self.sd_within,
        }


def one_way(groups: Sequence[ArrayLike]) -> OneWay:
    """
    One-way analysis of variance; groups may be of unlike size.

    Parameters
    ----------
    groups : sequence of array_like
        The readings of each group.

    Returns
    -------
    OneWay

    Raises
    ------
    BadInput
        Fewer than two groups, an empty one, a value that is not a number, or no group with two readings.

    References
    ----------
    JCGM 100:2008, H.5. NIST/SEMATECH e-Handbook 7.4.3.3 (from memory). For groups of unlike size: Searle, Casella &
    McCulloch, Variance Components (1992), 3.6 (from memory).
    """
    for g, group in enumerate(groups):
        if np.size(group) == 0:
            raise BadInput("study.empty_group", group=g + 1)
    readings = [as_numbers(group) for group in groups]
    # differences from a reading near all others are exact, and keep the digits that a large common part takes
    base = float(readings[0][0]) if readings else 0.0
    parts = [mean_and_squares(group - base) for group in readings]
    found = _one_way([len(group) for group in readings], np.array([mean for mean, _ in parts]), [ss for _, ss in parts])
    return _shifted(found, base)


def one_way_from_summaries(means: ArrayLike, sds: ArrayLike, counts: ArrayLike) -> OneWay:
    """
    One-way analysis of variance where only the mean and the spread of each group are known.

    Parameters
    ----------
    means, sds : array_like, shape (m,)
        Mean and standard deviation of each group, in one unit.
    counts : array_like of int, shape (m,) or int
        Readings of each group.

    Returns
    -------
    OneWay

    Raises
    ------
    BadInput
        As `one_way`; columns of unlike length; a standard deviation below 0; a count below 1.

    References
    ----------
    JCGM 100:2008, H.5.
    """
    mean, sd = as_numbers(means), as_numbers(sds)
    if len(mean) != len(sd):
        raise BadInput("study.columns", lengths=(len(mean), len(sd)))
    if np.any(sd < 0):
        raise BadInput("study.negative_sd", Where(row=int(np.flatnonzero(sd < 0)[0]) + 1))
    n = np.broadcast_to(np.asarray(counts, dtype=np.int64), mean.shape)
    for g in np.flatnonzero(n < 1):
        raise BadInput("study.empty_group", group=int(g) + 1)
    base = float(mean[0])
    found = _one_way([int(each) for each in n], mean - base, list((n - 1) * sd**2))
    return _shifted(found, base)


def _one_way(counts: Sequence[int], means: Array, ss: Sequence[float]) -> OneWay:
    if len(counts) < 2:
        raise BadInput("study.one_group")
    if sum(counts) == len(counts):
        raise BadInput("study.no_repeats")
    n = np.asarray(counts)
    mean = math.fsum(n * means) / sum(counts)
    between = math.fsum(n * (means - mean) ** 2)
    return OneWay(tuple(counts), tuple(float(each) for each in means), mean, between, math.fsum(ss))


def _shifted(found: OneWay, base: float) -> OneWay:
    means = tuple(each + base for each in found.group_means)
    return OneWay(found.counts, means, found.mean + base, found.ss_between, found.ss_within)
