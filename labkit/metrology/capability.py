"""Capability: how well a batch, or a process, keeps within its limits."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final, Literal

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import betaincinv, chdtri, ndtr, ndtri

from labkit.metrology.chart_constants import d2, range_dof
from labkit.metrology.drift import as_table
from labkit.metrology.spread_tests import NormalityTest, anderson_darling
from labkit.metrology.statistics import Array, Pooled, as_numbers, check_level, describe, pool
from labkit.problems import BadInput, Caution, Reason

Kind = Literal["performance", "capability"]
Within = Literal["pooled", "range"]

NOT_NORMAL_BELOW: Final = 0.05
FEW_PARTS: Final = 50
"""Fewer leave the indices wide open (common practice, no source)."""


@dataclass(frozen=True)
class Indices:
    """
    Capability indices of a mean and a standard deviation.

    Attributes
    ----------
    mean, sd : float
        In the unit of the readings.
    limits : (float or None, float or None)
        Lower and upper limit, in the same unit.
    """

    mean: float
    sd: float
    limits: tuple[float | None, float | None]

    @property
    def both(self) -> float | None:
        """Width of the limits over 6 s: Pp or Cp; None for limits on one side only."""
        lower, upper = self.limits
        return None if lower is None or upper is None else (upper - lower) / (6 * self.sd)

    @property
    def lower(self) -> float | None:
        """(mean − lower limit)/(3 s)."""
        return None if self.limits[0] is None else (self.mean - self.limits[0]) / (3 * self.sd)

    @property
    def upper(self) -> float | None:
        """(upper limit − mean)/(3 s)."""
        return None if self.limits[1] is None else (self.limits[1] - self.mean) / (3 * self.sd)

    @property
    def worst(self) -> float:
        """The smaller of the two: Ppk or Cpk."""
        return min(each for each in (self.lower, self.upper) if each is not None)

    @property
    def off_centre(self) -> float | None:
        """Distance of the mean from the middle of the limits over half their width; None for one limit."""
        lower, upper = self.limits
        if lower is None or upper is None:
            return None
        return abs((lower + upper) / 2 - self.mean) / ((upper - lower) / 2)

    @property
    def share_below(self) -> float:
        """Share of a normal distribution below the lower limit."""
        return 0.0 if self.limits[0] is None else float(ndtr((self.limits[0] - self.mean) / self.sd))

    @property
    def share_above(self) -> float:
        """Share of a normal distribution above the upper limit."""
        return 0.0 if self.limits[1] is None else float(ndtr((self.mean - self.limits[1]) / self.sd))

    @property
    def share_outside(self) -> float:
        """Share of a normal distribution outside the limits."""
        return self.share_below + self.share_above

    def __str__(self) -> str:
        both = "" if self.both is None else f"{self.both:.3g} wide, "
        return f"{both}{self.worst:.3g} at the nearer limit"

    def to_dict(self) -> dict[str, Any]:
        return dict(vars(self)) | {
            "limits": list(self.limits),
            "both": self.both,
            "lower": self.lower,
            "upper": self.upper,
            "worst": self.worst,
            "off_centre": self.off_centre,
            "share_outside": self.share_outside,
        }


def capability_indices(mean: float, sd: float, limits: tuple[float | None, float | None]) -> Indices:
    """
    Indices where only the mean and the standard deviation are known.

    Parameters
    ----------
    mean, sd : float
        In any one unit; sd above 0.
    limits : (float or None, float or None)
        Lower and upper limit, in the same unit.

    Returns
    -------
    Indices

    Raises
    ------
    BadInput
        No limit, limits in the wrong order, a standard deviation that is not above 0, or a number that is none.

    References
    ----------
    NIST/SEMATECH e-Handbook 6.1.6 (from memory).
    """
    lower, upper = limits
    if lower is None and upper is None:
        raise BadInput("capability.no_limits")
    if not all(each is None or math.isfinite(each) for each in (mean, sd, lower, upper)):
        raise BadInput("capability.not_finite")
    if lower is not None and upper is not None and lower >= upper:
        raise BadInput("capability.limits_order", lower=lower, upper=upper)
    if sd <= 0:
        raise BadInput("capability.no_spread")
    return Indices(mean, sd, (lower, upper))


@dataclass(frozen=True)
class Capability:
    """
    How well parts keep within their limits.

    Attributes
    ----------
    kind : str
        "performance" (Pp, Ppk: all that varies in the batch) or "capability" (Cp, Cpk: what varies within subgroups).
    n : int
        Parts.
    indices : Indices
    dof : float
        Degrees of freedom of the standard deviation.
    interval_both : (float, float) or None
        Of Pp or Cp; None for limits on one side only.
    interval_worst : (float, float)
        Of Ppk or Cpk.
    level : float
    outside : int
        Parts outside the limits.
    most_outside : float
        Upper limit of the share outside, at `level`, from that count alone: it assumes no distribution.
    normality : NormalityTest or None
        None with fewer than eight parts, or parts that do not differ.
    method : Reason
        Formula and source, as a sentence.
    cautions : tuple of Caution
    """

    kind: Kind
    n: int
    indices: Indices
    dof: float
    interval_both: tuple[float, float] | None
    interval_worst: tuple[float, float]
    level: float
    outside: int
    most_outside: float
    normality: NormalityTest | None
    method: Reason
    cautions: tuple[Caution, ...]

    @property
    def names(self) -> tuple[str, str]:
        """What the two indices are called."""
        return ("Pp", "Ppk") if self.kind == "performance" else ("Cp", "Cpk")

    def __str__(self) -> str:
        wide, near = self.names
        low, high = self.interval_worst
        text = f"{near} = {self.indices.worst:.2f} ({low:.2f} to {high:.2f})"
        return text if self.indices.both is None else f"{wide} = {self.indices.both:.2f}, {text}"

    def to_dict(self) -> dict[str, Any]:
        return dict(vars(self)) | {
            "indices": self.indices.to_dict(),
            "names": list(self.names),
            "interval_both": None if self.interval_both is None else list(self.interval_both),
            "interval_worst": list(self.interval_worst),
            "normality": None if self.normality is None else self.normality.to_dict(),
            "method": self.method.to_dict(),
            "cautions": [each.to_dict() for each in self.cautions],
        }


def batch_performance(
    values: ArrayLike, limits: tuple[float | None, float | None], *, level: float = 0.95
) -> Capability:
    """
    Pp and Ppk of a plain batch; for a limit on one side only Ppk.

    Parameters
    ----------
    values : array_like, shape (n,)
        One value a part, in any one unit and any order.
    limits : (float or None, float or None)
        Lower and upper limit, in the same unit.
    level : float
        Of the intervals.

    Returns
    -------
    Capability

    Raises
    ------
    BadInput
        Fewer than two parts, parts that do not differ, a value that is not a number, or limits that are none.

    References
    ----------
    ISO 22514-2 (from memory). Intervals: χ² for Pp; Bissell, Appl. Stat. 39 (1990) 331 for Ppk (from memory). Share
    outside: Clopper & Pearson, Biometrika 26 (1934) 404 (from memory).
    """
    x = as_numbers(values, at_least=2)
    found = describe(x)
    assert found.sd is not None
    spread = Pooled(found.sd, found.dof)
    return _judge("performance", x, found.mean, spread, limits, level, Reason("capability.performance"))


def process_capability(
    subgroups: Sequence[ArrayLike] | Array,
    limits: tuple[float | None, float | None],
    *,
    within: Within = "pooled",
    level: float = 0.95,
) -> Capability:
    """
    Cp and Cpk of a process whose parts were taken in subgroups; for a limit on one side only Cpk.

    Parameters
    ----------
    subgroups : array_like, shape (m, n)
        Values of each subgroup, in any one unit.
    limits : (float or None, float or None)
        Lower and upper limit, in the same unit.
    within : str
        The standard deviation from the variances within subgroups ("pooled") or from R̄/d2 ("range").
    level : float
        Of the intervals.

    Returns
    -------
    Capability

    Raises
    ------
    BadInput
        Subgroups of unlike size or of one, parts that do not differ, a value that is not a number, or limits that are
        none.

    References
    ----------
    As `batch_performance`; Montgomery, Introduction to Statistical Quality Control, chapter 8 (from memory).
    """
    x = as_table(subgroups)
    m, n = x.shape
    if within == "range":
        spread = Pooled(float(np.ptp(x, axis=1).mean()) / d2(n), range_dof(n, m))
    elif within == "pooled":
        spread = pool(x.std(axis=1, ddof=1), n - 1)
    else:
        raise BadInput("capability.within", within=within)
    method = Reason("capability.within_range" if within == "range" else "capability.within_pooled", {"size": n})
    return _judge("capability", x.ravel(), describe(x.ravel()).mean, spread, limits, level, method)


def _judge(
    kind: Kind,
    x: Array,
    mean: float,
    spread: Pooled,
    limits: tuple[float | None, float | None],
    level: float,
    method: Reason,
) -> Capability:
    check_level(level)
    found = capability_indices(mean, spread.sd, limits)
    n, nu, tail = len(x), spread.dof, (1 - level) / 2
    both = None
    if found.both is not None:
        low, high = (math.sqrt(float(chdtri(nu, p)) / nu) for p in (1 - tail, tail))
        both = (found.both * low, found.both * high)
    half = float(ndtri(1 - tail)) * math.sqrt(1 / (9 * n) + found.worst**2 / (2 * nu))
    lowest, highest = (-math.inf if limits[0] is None else limits[0]), (math.inf if limits[1] is None else limits[1])
    out = int(np.sum((x < lowest) | (x > highest)))
    most = float(betaincinv(out + 1, n - out, level)) if out < n else 1.0
    normality = anderson_darling(x) if n >= 8 else None
    cautions = []
    if n < FEW_PARTS:
        cautions.append(Caution("capability.few_parts", {"n": n}))
    if normality is None:
        cautions.append(Caution("capability.normality_unknown", {"n": n}))
    elif normality.p < NOT_NORMAL_BELOW:
        said = {"p": normality.p, "out": out, "n": n, "most": most, "level": level}
        cautions.append(Caution("capability.not_normal", said))
    return Capability(
        kind,
        n,
        found,
        nu,
        both,
        (found.worst - half, found.worst + half),
        level,
        out,
        most,
        normality,
        method,
        tuple(cautions),
    )
