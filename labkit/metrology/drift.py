"""Control charts: has a gauge, a check shim or a background moved since its limits were set."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final, Literal

import numpy as np
from numpy.typing import ArrayLike

from labkit.metrology.chart_constants import c4, d2, d3
from labkit.metrology.statistics import Array, as_numbers, describe
from labkit.problems import BadInput, Reason

Kind = Literal["individuals", "moving range", "means", "ranges", "standard deviations", "ewma", "check standard"]
Spread = Literal["range", "sd"]
Limits = Literal["asymptotic", "exact"]


@dataclass(frozen=True)
class ControlChart:
    """
    Points, and the limits between which chance alone leaves them.

    Attributes
    ----------
    kind : str
    points : tuple of float
        In the unit of the readings, in the order of time.
    centre : float
    lower, upper : tuple of float or None
        Limits at each point; None where there is none on that side.
    sigma : float
        Standard deviation that the limits lean on, in the unit of the readings.
    baseline : int or None
        The first so many points set the limits; None where they were stated.
    method : Reason
        Formula and source, as a sentence.
    """

    kind: Kind
    points: tuple[float, ...]
    centre: float
    lower: tuple[float, ...] | None
    upper: tuple[float, ...] | None
    sigma: float
    baseline: int | None
    method: Reason

    @property
    def beyond(self) -> tuple[int, ...]:
        """Which points lie beyond a limit, from 0."""
        below = self.lower or (-math.inf,) * len(self.points)
        above = self.upper or (math.inf,) * len(self.points)
        return tuple(
            i
            for i, (point, low, high) in enumerate(zip(self.points, below, above, strict=True))
            if not low <= point <= high
        )

    def __str__(self) -> str:
        low = "none" if self.lower is None else f"{self.lower[-1]:.6g}"
        high = "none" if self.upper is None else f"{self.upper[-1]:.6g}"
        return (
            f"{self.kind}: centre {self.centre:.6g}, limits {low} and {high}, "
            f"{len(self.beyond)} of {len(self.points)} points beyond"
        )

    def to_dict(self) -> dict[str, Any]:
        return dict(vars(self)) | {
            "points": list(self.points),
            "lower": None if self.lower is None else list(self.lower),
            "upper": None if self.upper is None else list(self.upper),
            "method": self.method.to_dict(),
            "beyond": list(self.beyond),
        }


@dataclass(frozen=True)
class ChartPair:
    """
    A chart of level and the chart of spread that belongs to it.

    Attributes
    ----------
    level, spread : ControlChart
        The limits of the level hold only where the spread is in control.
    """

    level: ControlChart
    spread: ControlChart

    def __str__(self) -> str:
        return f"{self.level}\n{self.spread}"

    def to_dict(self) -> dict[str, Any]:
        return {"level": self.level.to_dict(), "spread": self.spread.to_dict()}


def individuals_chart(values: ArrayLike, *, baseline: int | None = None, k: float = 3) -> ChartPair:
    """
    Shewhart charts of single readings and of their moving ranges.

    Parameters
    ----------
    values : array_like, shape (n,)
        In the order of time, in any one unit.
    baseline : int, optional
        The first so many set the limits; default all.
    k : float
        Half-width of the limits in standard deviations.

    Returns
    -------
    ChartPair

    Raises
    ------
    BadInput
        Fewer than two values, one that is not a number, a baseline that is longer than the series or shorter than 2,
        or a k that is not above 0.

    References
    ----------
    NIST/SEMATECH e-Handbook 6.3.2.2 (from memory; it rounds d2 to 1.128).
    """
    _check_k(k)
    x = as_numbers(values, at_least=2)
    n = baseline_of(baseline, len(x))
    moving = np.abs(np.diff(x))
    mean, range_mean = describe(x[:n]).mean, describe(moving[: n - 1]).mean
    sigma = range_mean / d2(2)
    method = Reason("chart.individuals", {"k": k, "baseline": n})
    level = make_chart("individuals", x, mean, mean - k * sigma, mean + k * sigma, sigma, n, method)
    return ChartPair(level, _spread_chart("moving range", moving, range_mean, k * d3(2) * sigma, sigma, n - 1, method))


def subgroup_charts(
    groups: Sequence[ArrayLike] | Array, *, baseline: int | None = None, spread: Spread = "range", k: float = 3
) -> ChartPair:
    """
    Shewhart charts of subgroup means (X̄) and of their ranges (R) or standard deviations (s).

    Parameters
    ----------
    groups : array_like, shape (m, n)
        Readings of each subgroup, in the order of time, in any one unit.
    baseline : int, optional
        The first so many subgroups set the limits; default all.
    spread : str
        "range": σ from R̄/d2. "sd": σ from s̄/c4.
    k : float
        Half-width of the limits in standard deviations.

    Returns
    -------
    ChartPair

    Raises
    ------
    BadInput
        Subgroups of unlike size or of one, fewer than two of them, or as `individuals_chart`.

    References
    ----------
    NIST/SEMATECH e-Handbook 6.3.2.1 (from memory). Montgomery, Introduction to Statistical Quality Control, chapter 6
    (from memory).
    """
    _check_k(k)
    x = as_table(groups)
    m, size = x.shape
    n = baseline_of(baseline, m)
    if spread not in ("range", "sd"):
        raise BadInput("chart.spread", spread=spread)
    own = np.ptp(x, axis=1) if spread == "range" else x.std(axis=1, ddof=1)
    usual = describe(own[:n]).mean
    ratio, scatter = (d2(size), d3(size)) if spread == "range" else (c4(size), math.sqrt(1 - c4(size) ** 2))
    sigma = usual / ratio
    means = x.mean(axis=1)
    mean = describe(means[:n]).mean
    half = k * sigma / math.sqrt(size)
    method = Reason("chart.ranges" if spread == "range" else "chart.sds", {"k": k, "baseline": n})
    level = make_chart("means", means, mean, mean - half, mean + half, sigma, n, method)
    kind: Kind = "ranges" if spread == "range" else "standard deviations"
    return ChartPair(level, _spread_chart(kind, own, usual, k * scatter * sigma, sigma, n, method))


def ewma(
    values: ArrayLike,
    *,
    start: float,
    sigma: float,
    weight: float = 0.3,
    k: float = 3,
    limits: Limits = "asymptotic",
) -> ControlChart:
    """
    Exponentially weighted moving average: sees a slow drift that single points hide.

    Parameters
    ----------
    values : array_like, shape (n,)
        In the order of time, in any one unit.
    start : float
        Mean of the baseline: the average before the first value, and the centre.
    sigma : float
        Standard deviation of one value, from the baseline.
    weight : float
        λ of the newest value, above 0 up to 1.
    k : float
        Half-width of the limits in standard deviations of the average.
    limits : str
        "asymptotic": those of a long series. "exact": narrower for the first points.

    Returns
    -------
    ControlChart

    Raises
    ------
    BadInput
        A value that is not a number, a weight, sigma or k out of its range, or unknown limits.

    References
    ----------
    NIST/SEMATECH e-Handbook 6.3.2.4. Roberts, Technometrics 1 (1959) 239 (from memory).
    """
    _check_k(k)
    x = as_numbers(values)
    if not 0 < weight <= 1:
        raise BadInput("chart.weight", weight=weight)
    if not (math.isfinite(start) and math.isfinite(sigma) and sigma > 0):
        raise BadInput("chart.start")
    if limits not in ("asymptotic", "exact"):
        raise BadInput("chart.limits", limits=limits)
    points = []
    now = start
    for value in x:
        now = weight * float(value) + (1 - weight) * now
        points.append(now)
    steps = np.arange(1, len(x) + 1)
    settled = 1 - (1 - weight) ** (2 * steps) if limits == "exact" else np.ones(len(x))
    half = k * sigma * np.sqrt(weight / (2 - weight) * settled)
    method = Reason("chart.ewma" if limits == "asymptotic" else "chart.ewma_exact", {"k": k, "weight": weight})
    return make_chart("ewma", points, start, start - half, start + half, sigma, None, method)


def as_table(groups: Sequence[ArrayLike] | Array) -> Array:
    """
    Subgroups as an array, shape (m, n).

    Raises
    ------
    BadInput
        Unlike sizes, subgroups of one, a value that is not a number: its row is named.
    """
    rows = [as_numbers(each) for each in groups]
    sizes = {len(row) for row in rows}
    if len(sizes) > 1:
        odd = next(i for i, row in enumerate(rows) if len(row) != len(rows[0]))
        raise BadInput("chart.unlike_subgroups", subgroup=odd + 1, got=len(rows[odd]), first=len(rows[0]))
    if not rows or sizes == {1}:
        raise BadInput("study.subgroup_of_one")
    return np.array(rows)


def make_chart(
    kind: Kind,
    points: ArrayLike,
    centre: float,
    lower: ArrayLike | None,
    upper: ArrayLike | None,
    sigma: float,
    baseline: int | None,
    method: Reason,
) -> ControlChart:
    """A chart whose limits are numbers, or one for each point."""
    shown = np.asarray(points, dtype=np.float64)

    def at_each(limit: ArrayLike | None) -> tuple[float, ...] | None:
        return None if limit is None else tuple(float(each) for each in np.broadcast_to(limit, shown.shape))

    return ControlChart(kind, tuple(map(float, shown)), centre, at_each(lower), at_each(upper), sigma, baseline, method)


def _spread_chart(
    kind: Kind, points: Array, usual: float, half: float, sigma: float, baseline: int, method: Reason
) -> ControlChart:
    # a spread has no lower limit where that would lie at 0 or below
    lower = usual - half if usual > half else None
    return make_chart(kind, points, usual, lower, usual + half, sigma, baseline, method)


LEAST_BASELINE: Final = 2


def baseline_of(stated: int | None, n: int) -> int:
    """How many of n points set the limits."""
    count = n if stated is None else stated
    if not LEAST_BASELINE <= count <= n:
        raise BadInput("chart.baseline", baseline=count, least=LEAST_BASELINE, n=n)
    return count


def _check_k(k: float) -> None:
    if not (math.isfinite(k) and k > 0):
        raise BadInput("study.multiplier", multiplier=k)
