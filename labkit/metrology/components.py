"""Variances that are sums and differences of mean squares, with their intervals."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TypeAlias

from scipy.special import chdtri, fdtri

Factor: TypeAlias = Callable[[float, float], float]


@dataclass(frozen=True)
class Term:
    """
    One mean square of a combination Σ coefficient·MS.

    Attributes
    ----------
    coefficient : float
    ms : float
        Mean square, in the square of the unit of the readings.
    dof : float
    """

    coefficient: float
    ms: float
    dof: float

    @property
    def value(self) -> float:
        return self.coefficient * self.ms


def combined(terms: Sequence[Term]) -> float:
    """The combination as it comes, which may be below 0."""
    return math.fsum(term.value for term in terms)


def satterthwaite_dof(terms: Sequence[Term]) -> float | None:
    """
    Effective degrees of freedom of a combination; None where it is not above 0.

    References
    ----------
    Satterthwaite, Biometrics Bull. 2 (1946) 110 (from memory).
    """
    below = math.fsum(term.value**2 / term.dof for term in terms)
    total = combined(terms)
    return total**2 / below if total > 0 and below > 0 else None


def interval(terms: Sequence[Term], level: float = 0.95) -> tuple[float, float]:
    """
    Interval of the variance that a combination of independent mean squares estimates.

    Parameters
    ----------
    terms : sequence of Term
    level : float
        Probability of the two-sided interval.

    Returns
    -------
    (float, float)
        In the square of the unit of the readings, never below 0.

    Notes
    -----
    Modified large sample limits: exact for one mean square, close to `level` for sums and differences.

    References
    ----------
    Graybill & Wang, J. Am. Stat. Assoc. 75 (1980) 869, for sums. Ting, Burdick, Graybill, Jeyaratnam & Lu, J. Stat.
    Comput. Simul. 35 (1990) 135, for differences. Burdick, Borror & Montgomery, Design and Analysis of Gauge R&R
    Studies (2005). All from memory; the tests simulate the coverage.
    """
    tail = (1 - level) / 2
    plus = [term for term in terms if term.coefficient > 0]
    minus = [term for term in terms if term.coefficient < 0]
    middle = combined(terms)
    V_low = _spread(plus, _G, tail) + _spread(minus, _H, tail)
    V_high = _spread(plus, _H, tail) + _spread(minus, _G, tail)
    for p in plus:
        for m in minus:
            product = abs(p.value * m.value)
            F = float(fdtri(p.dof, m.dof, 1 - tail))
            V_low += product * ((F - 1) ** 2 - _G(p.dof, tail) ** 2 * F**2 - _H(m.dof, tail) ** 2) / F
            F = float(fdtri(p.dof, m.dof, tail))
            V_high += product * ((1 - F) ** 2 - _H(p.dof, tail) ** 2 * F**2 - _G(m.dof, tail) ** 2) / F
    low = max(middle - math.sqrt(max(V_low, 0.0)), 0.0)
    return low, max(middle + math.sqrt(max(V_high, 0.0)), 0.0)


def _spread(terms: Sequence[Term], factor: Factor, tail: float) -> float:
    return math.fsum((factor(term.dof, tail) * term.value) ** 2 for term in terms)


def _G(dof: float, tail: float) -> float:
    return 1 - dof / float(chdtri(dof, tail))


def _H(dof: float, tail: float) -> float:
    return dof / float(chdtri(dof, 1 - tail)) - 1
