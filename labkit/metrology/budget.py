"""Uncertainty budgets: lines, their sum, and the coverage factor."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final, Self

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import stdtrit

from labkit.messages import sentence

METHOD: Final = "budget/1"

COVERAGE: Final = 0.9545
"""Coverage probability: k = 2.00 for a normal distribution."""


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
    """

    code: str
    u_mm: float
    dof: float = math.inf
    params: Mapping[str, Any] = field(default_factory=dict)
    common: str = ""

    @property
    def name(self) -> str:
        return sentence(self.code, self.params)

    @property
    def how(self) -> str:
        return sentence(f"{self.code}.how", self.params)

    def to_dict(self) -> dict[str, Any]:
        dof = None if math.isinf(self.dof) else self.dof
        return {"code": self.code, "params": dict(self.params), "u_mm": self.u_mm, "dof": dof, "common": self.common}

    @classmethod
    def from_dict(cls, found: Mapping[str, Any]) -> Self:
        dof = math.inf if found["dof"] is None else found["dof"]
        return cls(found["code"], found["u_mm"], dof, found["params"], found["common"])


@dataclass(frozen=True)
class Budget:
    """
    The uncertainty of a thickness, line by line.

    Attributes
    ----------
    at_mm : float
        The thickness [mm] for which it holds.
    lines : tuple of BudgetLine
    """

    at_mm: float
    lines: tuple[BudgetLine, ...]

    @property
    def u_mm(self) -> float:
        """Combined standard uncertainty [mm]."""
        return math.sqrt(sum(line.u_mm**2 for line in self.lines))

    @property
    def dof(self) -> float:
        """Effective degrees of freedom (GUM G.4.1)."""
        lines = self.lines
        return float(
            effective_dof([line.u_mm for line in lines], [line.dof for line in lines], [line.common for line in lines])
        )

    @property
    def k(self) -> float:
        """Coverage factor for `COVERAGE`."""
        return float(coverage_factor(self.dof))

    @property
    def U_mm(self) -> float:
        """Expanded uncertainty [mm]."""
        return self.k * self.u_mm

    def shares(self) -> tuple[float, ...]:
        """Each line's share of u²."""
        total = sum(line.u_mm**2 for line in self.lines)
        return tuple(line.u_mm**2 / total if total > 0 else 0.0 for line in self.lines)

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
        }


def effective_dof(
    u: Sequence[ArrayLike], dof: Sequence[float], common: Sequence[str] | None = None
) -> NDArray[np.floating[Any]]:
    """
    Effective degrees of freedom by the formula of Welch and Satterthwaite.

    Parameters
    ----------
    u : sequence of array_like
        The standard uncertainties of the lines, all of one shape.
    dof : sequence of float
        Degrees of freedom of each line, infinite where it is taken as exactly known; 0 where nothing is known of it,
        which leaves none to the sum.
    common : sequence of str, optional
        Lines of the same non-empty word share one estimate: they are summed first, as they are not independent.

    Returns
    -------
    ndarray
        Shape of the lines; infinite where nothing was estimated from few readings.

    References
    ----------
    JCGM 100:2008, G.4.1.
    """
    words = common or [""] * len(u)
    squares = [np.square(np.asarray(each, dtype=np.float64)) for each in u]
    total = np.asarray(sum(squares, np.zeros(np.shape(squares[0]) if squares else ())))
    gathered: dict[str, list[int]] = {}
    for i, word in enumerate(words):
        gathered.setdefault(word or f"line {i}", []).append(i)
    below = np.zeros_like(total)
    for members in gathered.values():
        known_from = min(dof[i] for i in members)
        square = np.square(sum(squares[i] for i in members))
        # a line of no size takes no degrees of freedom away, whatever its own are
        with np.errstate(divide="ignore", invalid="ignore"):
            below = below + np.where(square > 0, square / known_from, 0.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(below > 0, total**2 / below, np.inf)


def coverage_factor(dof: ArrayLike) -> NDArray[np.floating[Any]]:
    """
    Student's t for `COVERAGE`; ν is truncated to the next lower integer (GUM G.4.1).
    """
    whole = np.maximum(np.floor(np.minimum(dof, _AS_GOOD_AS_INFINITE) + 1e-9), 1.0)
    return np.asarray(stdtrit(whole, 0.5 + COVERAGE / 2))


_AS_GOOD_AS_INFINITE: Final = 1e9
