"""Gauge against reference: bias, linearity, the study on one shim (Cg, Cgk), and differences between gauges."""

from __future__ import annotations

import math
from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import stdtr, stdtrit

from labkit.metrology.statistics import Array, as_numbers, check_level, describe, mean_and_squares
from labkit.problems import BadInput, Reason


@dataclass(frozen=True)
class Bias:
    """
    Mean of repeated readings less the reference value.

    Attributes
    ----------
    reference : float
        In the unit of the readings.
    n : int
    value : float
        Mean less reference, in the same unit.
    sd : float
        Of one reading.
    t, p : float or None
        value/(sd/√n), and the chance of one as large where there is no bias; None where the readings do not differ.
    interval : (float, float)
        Of the bias.
    level : float
    """

    reference: float
    n: int
    value: float
    sd: float
    t: float | None
    p: float | None
    interval: tuple[float, float]
    level: float

    @property
    def u(self) -> float:
        """Standard uncertainty of the bias from the readings alone."""
        return self.sd / math.sqrt(self.n)

    @property
    def differs(self) -> bool:
        """Whether the interval leaves 0 out."""
        low, high = self.interval
        return low > 0 or high < 0

    def __str__(self) -> str:
        low, high = self.interval
        return f"bias {self.value:.4g} at {self.reference:g} ({low:.4g} to {high:.4g})"

    def to_dict(self) -> dict[str, Any]:
        return dict(vars(self)) | {"interval": list(self.interval)}


def bias_study(readings: ArrayLike, reference: float, *, level: float = 0.95) -> Bias:
    """
    The bias at one reference value.

    Parameters
    ----------
    readings : array_like, shape (n,)
        Two or more, in any one unit.
    reference : float
        In the same unit, taken as exact.
    level : float
        Of the interval.

    Returns
    -------
    Bias

    Raises
    ------
    BadInput
        Fewer than two readings, a value that is not a number, or a level that is none.

    References
    ----------
    AIAG, Measurement Systems Analysis, 4th edition, chapter III, bias (from memory).
    """
    check_level(level)
    y = as_numbers(readings, at_least=2)
    found = describe(y - float(as_numbers(reference)[0]))
    assert found.sd is not None
    half = float(stdtrit(found.dof, (1 + level) / 2)) * found.sd / math.sqrt(found.n)
    t = found.mean / (found.sd / math.sqrt(found.n)) if found.sd > 0 else None
    p = None if t is None else _two_sided(t, found.dof)
    return Bias(float(reference), found.n, found.mean, found.sd, t, p, (found.mean - half, found.mean + half), level)


@dataclass(frozen=True)
class Linearity:
    """
    Bias against reference value, as a straight line.

    Attributes
    ----------
    slope, intercept : float
        Of the bias; the slope has no unit.
    u_slope, u_intercept : float
    residual_sd : float
        Of one reading from the line.
    dof : int
    r_squared : float or None
        None where the biases do not differ at all.
    biases : tuple of Bias
        At each reference value, in rising order.
    level : float
    mean_reference, squares : float
        Mean of the references, one for each reading, and the sum of their squared distances from it.
    """

    slope: float
    intercept: float
    u_slope: float
    u_intercept: float
    residual_sd: float
    dof: int
    r_squared: float | None
    biases: tuple[Bias, ...]
    level: float
    mean_reference: float
    squares: float

    @property
    def t_slope(self) -> float | None:
        return self.slope / self.u_slope if self.u_slope > 0 else None

    @property
    def t_intercept(self) -> float | None:
        return self.intercept / self.u_intercept if self.u_intercept > 0 else None

    @property
    def t_critical(self) -> float:
        """What |t| stays below with probability `level` where slope, or intercept, is 0."""
        return float(stdtrit(self.dof, (1 + self.level) / 2))

    @property
    def p_slope(self) -> float | None:
        return None if self.t_slope is None else _two_sided(self.t_slope, self.dof)

    def band(self, reference: ArrayLike) -> tuple[Array, Array]:
        """Lower and upper limit of the mean bias at reference values, each of them at `level`."""
        x = np.asarray(reference, dtype=np.float64)
        n = self.dof + 2
        half = self.t_critical * self.residual_sd * np.sqrt(1 / n + (x - self.mean_reference) ** 2 / self.squares)
        middle = self.intercept + self.slope * x
        return middle - half, middle + half

    @property
    def zero_inside(self) -> bool:
        """Whether no bias anywhere is compatible with the band, at every reference value that was read."""
        low, high = self.band([each.reference for each in self.biases])
        return bool(np.all((low <= 0) & (high >= 0)))

    def __str__(self) -> str:
        return f"bias = {self.intercept:.4g} + {self.slope:.4g}·reference, s = {self.residual_sd:.3g}"

    def to_dict(self) -> dict[str, Any]:
        return dict(vars(self)) | {
            "biases": [each.to_dict() for each in self.biases],
            "t_slope": self.t_slope,
            "t_intercept": self.t_intercept,
            "t_critical": self.t_critical,
            "zero_inside": self.zero_inside,
        }


def linearity(readings: ArrayLike, references: ArrayLike, *, level: float = 0.95) -> Linearity:
    """
    How the bias changes along the range.

    Parameters
    ----------
    readings : array_like, shape (n,)
        In any one unit and any order.
    references : array_like, shape (n,)
        Reference value of each, in the same unit, taken as exact.
    level : float
        Of intervals and band.

    Returns
    -------
    Linearity

    Raises
    ------
    BadInput
        Columns of unlike length, a value that is not a number, one reference value only, one that was read once, or a
        level that is none.

    References
    ----------
    AIAG, Measurement Systems Analysis, 4th edition, chapter III, linearity (from memory).
    """
    check_level(level)
    y, x = as_numbers(readings, at_least=3), as_numbers(references)
    if len(y) != len(x):
        raise BadInput("study.columns", lengths=(len(y), len(x)))
    values, counts = np.unique(x, return_counts=True)
    if len(values) < 2:
        raise BadInput("gauge_bias.one_reference", reference=float(values[0]))
    for value in values[counts < 2]:
        raise BadInput("gauge_bias.read_once", reference=float(value))
    b = y - x
    mean_x, squares = mean_and_squares(x)
    mean_b, total = mean_and_squares(b)
    slope = math.fsum((x - mean_x) * (b - mean_b)) / squares
    rest = math.fsum(((b - mean_b) - slope * (x - mean_x)) ** 2)
    dof = len(y) - 2
    s = math.sqrt(rest / dof)
    return Linearity(
        slope,
        mean_b - slope * mean_x,
        s / math.sqrt(squares),
        s * math.sqrt(1 / len(y) + mean_x**2 / squares),
        s,
        dof,
        1 - rest / total if total > 0 else None,
        tuple(bias_study(y[x == value], float(value), level=level) for value in values),
        level,
        mean_x,
        squares,
    )


@dataclass(frozen=True)
class TypeOneStudy:
    """
    Many readings of one shim by one person: does the gauge repeat, and does it read right.

    Attributes
    ----------
    bias : Bias
    tolerance_width : float
        Upper less lower limit, in the unit of the readings.
    share : float
        Of the tolerance that the gauge may take.
    multiplier : float
        Standard deviations that are compared with that share.
    """

    bias: Bias
    tolerance_width: float
    share: float
    multiplier: float

    @property
    def Cg(self) -> float | None:
        """share·T/(multiplier·s): does it repeat; None where the readings do not differ."""
        return self.share * self.tolerance_width / (self.multiplier * self.bias.sd) if self.bias.sd > 0 else None

    @property
    def Cgk(self) -> float | None:
        """(share/2·T − |bias|)/(multiplier/2·s): does it read right too; None where the readings do not differ."""
        if self.bias.sd <= 0:
            return None
        return (self.share / 2 * self.tolerance_width - abs(self.bias.value)) / (self.multiplier / 2 * self.bias.sd)

    @property
    def method(self) -> Reason:
        """The formulas with their numbers, as a sentence."""
        return Reason("gauge_bias.type_1", {"share": self.share, "multiplier": self.multiplier})

    def __str__(self) -> str:
        if self.Cg is None or self.Cgk is None:
            return "the readings do not differ: Cg and Cgk cannot be told"
        return f"Cg = {self.Cg:.2f}, Cgk = {self.Cgk:.2f} ({self.share:g}·T over {self.multiplier:g} s)"

    def to_dict(self) -> dict[str, Any]:
        return dict(vars(self)) | {
            "bias": self.bias.to_dict(),
            "Cg": self.Cg,
            "Cgk": self.Cgk,
            "method": self.method.to_dict(),
        }


def type_1_study(
    readings: ArrayLike, reference: float, tolerance_width: float, *, share: float = 0.2, multiplier: float = 6
) -> TypeOneStudy:
    """
    The study on one shim.

    Parameters
    ----------
    readings : array_like, shape (n,)
        Of one shim, by one person, in any one unit; 50 are usual, 25 the least (from memory).
    reference : float
        Of the shim, in the same unit.
    tolerance_width : float
        Upper less lower limit of the parts, in the same unit.
    share : float
        Of the tolerance that the gauge may take.
    multiplier : float
        Standard deviations that are compared with it: 6, or 4.

    Returns
    -------
    TypeOneStudy

    Raises
    ------
    BadInput
        As `bias_study`, or a tolerance, share or multiplier that is not above 0.

    References
    ----------
    ISO 22514-7:2021 (from memory; it names the formulas, companies differ in share and multiplier).
    """
    if not (math.isfinite(tolerance_width) and tolerance_width > 0):
        raise BadInput("study.tolerance_width", width=tolerance_width)
    if not (0 < share <= 1 and math.isfinite(multiplier) and multiplier > 0):
        raise BadInput("gauge_bias.share", share=share, multiplier=multiplier)
    return TypeOneStudy(bias_study(readings, reference), tolerance_width, share, multiplier)


@dataclass(frozen=True)
class GaugeDifferences:
    """
    How several gauges read the same artefacts.

    Attributes
    ----------
    differences : mapping of gauge to tuple of float
        Reading less the mean of all gauges on that artefact, in the unit of the readings and the order of `artefacts`.
    artefacts : tuple
    """

    differences: Mapping[Hashable, tuple[float, ...]]
    artefacts: tuple[Hashable, ...]

    def mean(self, gauge: Hashable) -> float:
        """Mean difference of that gauge from all."""
        each = self.differences[gauge]
        return math.fsum(each) / len(each)

    def __str__(self) -> str:
        return ", ".join(f"{gauge}: {self.mean(gauge):+.4g}" for gauge in self.differences)

    def to_dict(self) -> dict[str, Any]:
        return {
            "artefacts": [str(each) for each in self.artefacts],
            "differences": {str(gauge): list(each) for gauge, each in self.differences.items()},
            "means": {str(gauge): self.mean(gauge) for gauge in self.differences},
        }


def gauge_differences(values: ArrayLike, gauges: Sequence[Hashable], artefacts: Sequence[Hashable]) -> GaugeDifferences:
    """
    Differences between gauges that read the same artefacts.

    Parameters
    ----------
    values : array_like, shape (n,)
        Readings, or means of readings, one of each gauge on each artefact, in any one unit and any order.
    gauges, artefacts : sequence, length n

    Returns
    -------
    GaugeDifferences

    Raises
    ------
    BadInput
        Columns of unlike length, a value that is not a number, one gauge only, or an artefact that a gauge read not
        once.

    References
    ----------
    NIST/SEMATECH e-Handbook 2.4.5.3 (from memory).
    """
    y = as_numbers(values)
    if not len(y) == len(gauges) == len(artefacts):
        raise BadInput("study.columns", lengths=(len(y), len(gauges), len(artefacts)))
    rows, columns = list(dict.fromkeys(gauges)), list(dict.fromkeys(artefacts))
    if len(rows) < 2:
        raise BadInput("gauge_bias.one_gauge")
    found: dict[tuple[Hashable, Hashable], list[float]] = {(g, a): [] for g in rows for a in columns}
    for value, g, a in zip(y, gauges, artefacts, strict=True):
        found[g, a].append(float(value))
    for (g, a), each in found.items():
        if len(each) != 1:
            raise BadInput("gauge_bias.not_once", gauge=str(g), artefact=str(a), got=len(each))
    means = {a: math.fsum(found[g, a][0] for g in rows) / len(rows) for a in columns}
    differences = {g: tuple(found[g, a][0] - means[a] for a in columns) for g in rows}
    return GaugeDifferences(MappingProxyType(differences), tuple(columns))


def _two_sided(t: float, dof: int) -> float:
    return 2 * float(stdtr(dof, -abs(t)))
