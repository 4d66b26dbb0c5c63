"""Uncertainty budgets: lines, their sum, and the coverage factor."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache, reduce
from typing import Any, Final, Self

import numpy as np
from numpy.random import Generator
from numpy.typing import ArrayLike, NDArray
from scipy.special import stdtrit

from labkit.messages import sentence
from labkit.metrology.montecarlo import (
    FOR_COMPARISON,
    MOST_TRIALS,
    GumComparison,
    MonteCarlo,
    compare_with_gum,
    simulate,
)
from labkit.metrology.quantities import Quantity, Shape, correlation_factor, draw, groups
from labkit.problems import BadInput

METHOD: Final = "budget/1"

COVERAGE: Final = 0.9545
"""Coverage probability: k = 2.00 for a normal distribution."""

MATTERS: Final = 0.05
"""Of u²: what a line must hold for its few degrees of freedom to explain an interval (common practice, no source)."""


@dataclass(frozen=True)
class BudgetLine:
    """
    One line: what moves the reading, and by how much.

    Attributes
    ----------
    code : str
        ``budget.…`` in `labkit.messages`; its sentence names what moves the reading, ``code.how`` how it is known.
    u_mm : float
        Standard uncertainty of the thickness [mm].
    dof : float
        Degrees of freedom; infinite where it is taken as exactly known.
    params : mapping
        What the sentences name.
    common : str
        Lines of the same non-empty word lean on the same estimate: they are summed before the formula of Welch and
        Satterthwaite.
    shape : str
        Of the distribution, as in `labkit.metrology.Quantity`: "normal" with finite `dof` is Student's t.
    """

    code: str
    u_mm: float
    dof: float = math.inf
    params: Mapping[str, Any] = field(default_factory=dict)
    common: str = ""
    shape: Shape = "normal"

    @property
    def name(self) -> str:
        return sentence(self.code, self.params)

    @property
    def how(self) -> str:
        return sentence(f"{self.code}.how", self.params)

    def to_dict(self) -> dict[str, Any]:
        dof = None if math.isinf(self.dof) else self.dof
        return {
            "code": self.code,
            "params": dict(self.params),
            "u_mm": self.u_mm,
            "dof": dof,
            "common": self.common,
            "shape": self.shape,
        }

    @classmethod
    def from_dict(cls, found: Mapping[str, Any]) -> Self:
        dof = math.inf if found["dof"] is None else found["dof"]
        shape = found.get("shape", "normal")
        return cls(found["code"], found["u_mm"], dof, found["params"], found["common"], shape)


@dataclass(frozen=True)
class Correlation:
    """
    Two lines that are not independent.

    Attributes
    ----------
    first, second : int
        Their places among the lines, from 0.
    r : float
        Correlation coefficient, from −1 to 1; positive where both move the result to the same side.

    References
    ----------
    JCGM 100:2008, 5.2.
    """

    first: int
    second: int
    r: float

    def to_dict(self) -> dict[str, Any]:
        return dict(vars(self))


@dataclass(frozen=True)
class Budget:
    """
    The uncertainty of a thickness, line by line.

    Attributes
    ----------
    at_mm : float
        The thickness [mm] for which it holds.
    lines : tuple of BudgetLine
    correlations : tuple of Correlation
        Between lines; all others are independent.

    Raises
    ------
    BadInput
        A correlation of a line that does not exist, or correlations that cannot occur together.
    """

    at_mm: float
    lines: tuple[BudgetLine, ...]
    correlations: tuple[Correlation, ...] = ()

    def __post_init__(self) -> None:
        correlation_factor(self._correlation, len(self.lines))

    @property
    def u_mm(self) -> float:
        """Combined standard uncertainty [mm]."""
        return float(combined([line.u_mm for line in self.lines], self.correlations))

    @property
    def dof(self) -> float:
        """Effective degrees of freedom (GUM G.4.1)."""
        lines = self.lines
        return float(
            effective_dof(
                [line.u_mm for line in lines],
                [line.dof for line in lines],
                [line.common for line in lines],
                self.correlations,
            )
        )

    @property
    def fewest_dof(self) -> float:
        """
        The fewest degrees of freedom among the lines that matter, those with the share `MATTERS` of u² or more; lines
        that are not independent count together.
        """
        members = groups([line.common for line in self.lines], self._correlation)
        total = self.u_mm**2
        found = [
            min(self.lines[i].dof for i in group)
            for group in members
            if sum(self.lines[i].u_mm ** 2 for i in group) >= MATTERS * total > 0
        ]
        return min(found, default=math.inf)

    @property
    def k(self) -> float:
        """Coverage factor for `COVERAGE`."""
        return float(coverage_factor(self.dof))

    @property
    def U_mm(self) -> float:
        """Expanded uncertainty [mm]."""
        return self.k * self.u_mm

    def shares(self) -> tuple[float, ...]:
        """
        Each line's share of u²; together 1.

        A line gets half of every product that it has with another one: the share of a line that works against others
        can be negative.
        """
        u = np.array([line.u_mm for line in self.lines])
        parts = u**2 if self._correlation is None else u * (self._correlation @ u)
        total = parts.sum()
        return tuple((parts / total).tolist()) if total > 0 else (0.0,) * len(u)

    def monte_carlo(
        self, seed: int = 1, digits: int = 2, *, tolerance: float = 1.0, most: int = MOST_TRIALS
    ) -> MonteCarlo:
        """
        The error of the result as random draws of the lines show it.

        Parameters
        ----------
        seed : int
        digits : int
            Significant digits of u that count.
        tolerance, most
            As in `labkit.metrology.simulate`.

        Returns
        -------
        MonteCarlo
            [mm], about 0; its intervals hold `COVERAGE`.

        References
        ----------
        JCGM 101:2008, clause 7.
        """
        return simulate(
            self.draws,
            coverage=COVERAGE,
            digits=digits,
            seed=seed,
            tolerance=tolerance,
            most=most,
            has_variance=self.has_variance,
        )

    def gum_comparison(self, seed: int = 1, digits: int = 2, most: int = MOST_TRIALS) -> GumComparison:
        """
        Whether random draws of the lines confirm ±U.

        Parameters
        ----------
        seed, digits, most
            As in `monte_carlo`.

        Returns
        -------
        GumComparison
            [mm], about 0.

        References
        ----------
        JCGM 101:2008, clause 8.
        """
        drawn = self.monte_carlo(seed, digits, tolerance=FOR_COMPARISON, most=most)
        return compare_with_gum(0.0, self.u_mm, self.k, drawn, digits, self.fewest_dof)

    def draws(self, rng: Generator, count: int) -> NDArray[np.floating[Any]]:
        """`count` errors of the result [mm], every line drawn by its shape: shape (count,)."""
        quantities = self._quantities
        factor = correlation_factor(self._correlation, len(quantities))
        members = groups([line.common for line in self.lines], self._correlation)
        return np.asarray(sum(draw(quantities, factor, members, rng, count), np.zeros(count)))

    @property
    def has_variance(self) -> bool:
        """Whether the sum has a standard deviation at all: Student's t has none below 3 degrees of freedom."""
        return all(each.has_variance for each in self._quantities)

    def without(self, codes: Collection[str]) -> Budget:
        """The budget without the lines of these codes."""
        kept = [i for i, line in enumerate(self.lines) if line.code not in codes]
        inside = [each for each in self.correlations if each.first in kept and each.second in kept]
        return Budget(self.at_mm, tuple(self.lines[i] for i in kept), tuple(_among(each, kept) for each in inside))

    @property
    def _quantities(self) -> list[Quantity]:
        return [Quantity(line.code, 0.0, line.u_mm, line.dof, line.shape, common=line.common) for line in self.lines]

    @property
    def _correlation(self) -> NDArray[np.floating[Any]] | None:
        return correlation_matrix(len(self.lines), self.correlations)

    def __str__(self) -> str:
        return f"U = {self.U_mm * 1000:.2f} µm (k = {self.k:.2f}) at {self.at_mm:.3f} mm"

    def to_dict(self) -> dict[str, Any]:
        return {
            "at_mm": self.at_mm,
            "lines": [line.to_dict() | {"share": share} for line, share in zip(self.lines, self.shares(), strict=True)],
            "u_mm": self.u_mm,
            "dof": None if math.isinf(self.dof) else self.dof,
            "k": self.k,
            "U_mm": self.U_mm,
            "correlations": [each.to_dict() for each in self.correlations],
        }


def correlation_matrix(n: int, correlations: Sequence[Correlation]) -> NDArray[np.floating[Any]] | None:
    """
    Correlation coefficients of n lines as a matrix, shape (n, n); None where all are independent.

    Raises
    ------
    BadInput
        A correlation of a line with itself or with none, or one stated twice.
    """
    if not correlations:
        return None
    matrix = np.eye(n)
    for each in correlations:
        i, j = each.first, each.second
        if i == j or not (0 <= i < n and 0 <= j < n) or not abs(each.r) <= 1 or matrix[i, j] != 0:
            raise BadInput("uncertainty.correlated_lines", first=i, second=j, r=each.r, count=n)
        matrix[i, j] = matrix[j, i] = each.r
    return matrix


def combined(u: Sequence[ArrayLike], correlations: Sequence[Correlation] = ()) -> NDArray[np.floating[Any]]:
    """
    Combined standard uncertainty of lines.

    Parameters
    ----------
    u : sequence of array_like
        The standard uncertainties of the lines, all of one shape.
    correlations : sequence of Correlation, optional
        Between lines, the same everywhere along the arrays.

    Returns
    -------
    ndarray
        Shape of the lines.

    References
    ----------
    JCGM 100:2008, 5.2.2 (equation 16).
    """
    lines = [np.asarray(each, dtype=np.float64) for each in u]
    return np.asarray(np.sqrt(_variance(lines, correlations)))


def _variance(lines: Sequence[NDArray[np.floating[Any]]], correlations: Sequence[Correlation]) -> Any:
    total = sum((np.square(line) for line in lines), np.zeros(np.shape(lines[0]) if lines else ()))
    for each in correlations:
        total = total + 2.0 * each.r * lines[each.first] * lines[each.second]
    return np.maximum(total, 0.0)


def effective_dof(
    u: Sequence[ArrayLike],
    dof: Sequence[ArrayLike],
    common: Sequence[str] | None = None,
    correlations: Sequence[Correlation] = (),
) -> NDArray[np.floating[Any]]:
    """
    Effective degrees of freedom by the formula of Welch and Satterthwaite.

    Parameters
    ----------
    u : sequence of array_like
        The standard uncertainties of the lines, all of one shape; with correlations they may have a sign.
    dof : sequence of array_like
        Degrees of freedom of each line, of its shape or one number; infinite where it is taken as exactly known; 0
        where nothing is known of it, which leaves none to the sum.
    common : sequence of str, optional
        Lines of the same non-empty word share one estimate: they are summed first, as they are not independent.
    correlations : sequence of Correlation, optional
        Lines that are correlated are summed first too, with their correlation. A sum has the fewest degrees of freedom
        among its lines.

    Returns
    -------
    ndarray
        Shape of the lines; infinite where nothing was estimated from few readings.

    References
    ----------
    JCGM 100:2008, G.4.1; for lines that are not independent there is no rule in it.
    """
    return combined_with_dof(u, dof, common, correlations)[1]


def combined_with_dof(
    u: Sequence[ArrayLike],
    dof: Sequence[ArrayLike],
    common: Sequence[str] | None = None,
    correlations: Sequence[Correlation] = (),
) -> tuple[NDArray[np.floating[Any]], NDArray[np.floating[Any]]]:
    """What `combined` and `effective_dof` give, at once."""
    lines = [np.asarray(each, dtype=np.float64) for each in u]
    total = _variance(lines, correlations)
    below = np.zeros_like(total)
    for members in groups(common or [""] * len(lines), correlation_matrix(len(lines), correlations)):
        known_from = reduce(np.minimum, (np.asarray(dof[i], dtype=np.float64) for i in members))
        if np.isinf(known_from).all():
            continue
        inside = [each for each in correlations if each.first in members and each.second in members]
        square = np.square(_variance([lines[i] for i in members], [_among(each, members) for each in inside]))
        # a line of no size takes no degrees of freedom away, whatever its own are
        with np.errstate(divide="ignore", invalid="ignore"):
            below = below + np.where(square > 0, square / known_from, 0.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.sqrt(total), np.where(below > 0, np.square(total) / below, np.inf)


def _among(correlation: Correlation, members: Sequence[int]) -> Correlation:
    """The same correlation, by the places among the members."""
    return Correlation(members.index(correlation.first), members.index(correlation.second), correlation.r)


def coverage_factor(dof: ArrayLike, coverage: float = COVERAGE) -> NDArray[np.floating[Any]]:
    """
    Student's t for a coverage probability, of `whole_dof`.
    """
    known_from = whole_dof(dof)
    whole, usual = known_from.ravel(), _usual_factors(coverage)
    k = usual[np.minimum(whole, len(usual) - 1).astype(np.intp)]
    beyond = whole >= len(usual)
    k[beyond] = stdtrit(whole[beyond], 0.5 + coverage / 2)
    return np.asarray(k.reshape(known_from.shape))


@lru_cache(maxsize=8)
def _usual_factors(coverage: float) -> NDArray[np.float64]:
    """Student's t for 1 to 1000 degrees of freedom at their places, as few whole numbers come again and again."""
    return np.concatenate([[np.nan], stdtrit(np.arange(1.0, 1001.0), 0.5 + coverage / 2)])


def whole_dof(dof: ArrayLike) -> NDArray[np.float64]:
    """Effective degrees of freedom truncated to the next lower integer (GUM G.4.1), 1 at least."""
    known_from = np.asarray(dof, dtype=np.float64)
    return np.asarray(np.maximum(np.floor(np.minimum(known_from, _AS_GOOD_AS_INFINITE) + 1e-9), 1.0))


_AS_GOOD_AS_INFINITE: Final = 1e9
