"""The lines of the budget along a curve."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from labkit.curves.family import Array
from labkit.metrology.quantities import Shape

REPEATS = "repeats"
"""Lines that lean on the same repeats: summed before the formula of Welch and Satterthwaite."""


@dataclass(frozen=True)
class Term:
    """
    One line of the budget, along the curve.

    Attributes
    ----------
    code : str
        Of `BudgetLine`.
    u_mm : ndarray
        Standard uncertainty of the thickness [mm], shape of the thicknesses asked for.
    dof : float or ndarray
        Of the shape of `u_mm` where it differs along the curve.
    params : mapping
    common, shape : str
    """

    code: str
    u_mm: Array
    dof: float | Array = math.inf
    params: Mapping[str, Any] = field(default_factory=dict)
    common: str = ""
    shape: Shape = "normal"


@dataclass(frozen=True)
class Parts:
    """
    What the lines are made of: smooth along the curve, each by itself.

    Attributes
    ----------
    own, reference : list of Term
        The lines of the curve, and those of the flexible curve where it stands behind another.
    besides : list of Term
        What does not come from a curve.
    apart : ndarray
        Distance of the curve from the flexible one, with its sign [mm].
    floor : ndarray or None
        The expanded uncertainty [mm] that the sum does not go below; None where there is none.
    """

    own: list[Term]
    reference: list[Term]
    besides: list[Term]
    apart: Array
    floor: Array | None = None

    @property
    def stacked(self) -> Array:
        """
        All of them, a row each: those in mm, then the reciprocals of degrees of freedom that vary, then the floor.
        """
        terms = [*self.own, *self.reference, *self.besides]
        varying = [1.0 / term.dof for term in terms if isinstance(term.dof, np.ndarray)]
        floor = [] if self.floor is None else [self.floor]
        return np.stack([*(term.u_mm for term in terms), self.apart, *varying, *floor])

    def sizes(self, rows: Array) -> Array:
        """What errors of such rows are measured by: those in mm by the largest of them."""
        lengths = len(self.own) + len(self.reference) + len(self.besides) + 1
        found = np.abs(rows)
        found[:lengths] = found[:lengths].max(axis=0)
        return found

    def holding(self, rows: Array) -> Parts:
        """The same lines with other numbers, stacked like these."""
        left = iter(rows)
        groups = [
            [replace(term, u_mm=next(left)) for term in part] for part in (self.own, self.reference, self.besides)
        ]
        apart = next(left)
        with np.errstate(divide="ignore"):
            own, reference, besides = (
                [replace(term, dof=1.0 / next(left)) if isinstance(term.dof, np.ndarray) else term for term in part]
                for part in groups
            )
            floor = None if self.floor is None else next(left)
        return Parts(own, reference, besides, apart, floor)
