"""Curves side by side, the one to recommend with a reason, and whether that leans on a single point."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, Final, Literal

import numpy as np

from labkit.curves.curve import Points, Scale
from labkit.curves.family import Family, Signal, families
from labkit.curves.flexible import FlexibleCurve
from labkit.curves.judge import MONOTONE_DOUBTED, MONOTONE_REFUSED, Judge, LargestU, Question, Row
from labkit.problems import BadInput, Reason

__all__ = ["MONOTONE_DOUBTED", "MONOTONE_REFUSED", "Comparison", "Row", "Stability", "compare"]

GRID: Final = 121
"""Thicknesses of the working range on which curves are compared."""


@dataclass(frozen=True)
class Stability:
    """
    Whether the recommendation survives without each inner point.

    Attributes
    ----------
    without : tuple of (int, str or None)
        Index of the point that was left out, and the family that is recommended without it.
    recommended : str or None
        The family that is recommended with all of them.
    """

    without: tuple[tuple[int, str | None], ...]
    recommended: str | None

    @property
    def changed(self) -> tuple[tuple[int, str | None], ...]:
        """Those without which another family is recommended, or none."""
        return tuple(each for each in self.without if each[1] != self.recommended)

    @property
    def survives(self) -> bool:
        return not self.changed


@dataclass(frozen=True)
class Comparison:
    """
    All families that were considered.

    Attributes
    ----------
    rows : tuple of Row
        The flexible curve first, then in the order of the register.
    recommended : str or None
        The family; None where none can be recommended.
    reason : Reason
        In one sentence.
    criterion : "AIC" or "AICc"
    """

    rows: tuple[Row, ...]
    recommended: str | None
    reason: Reason
    criterion: Literal["AIC", "AICc"]
    judge: Judge = field(repr=False)

    def __getitem__(self, family: str) -> Row:
        for row in self.rows:
            if row.family == family:
                return row
        raise BadInput("curve.unknown_family", name=family, known=[row.family for row in self.rows])

    @property
    def flexible(self) -> FlexibleCurve | None:
        """The flexible curve, which backs up every formula."""
        return self.judge.flexible

    @cached_property
    def stability(self) -> Stability:
        """Whether the recommendation leans on one point: the comparison made again without each inner one."""
        judge = self.judge
        return Stability(
            tuple((i, judge.without(i).recommendation[0]) for i in judge.inner),
            self.recommended,
        )

    def to_dict(self) -> dict[str, Any]:
        return {
            "rows": [row.to_dict() for row in self.rows],
            "recommended": self.recommended,
            "reason": self.reason.to_dict(),
            "criterion": self.criterion,
        }


def compare(
    points: Points,
    signal: Signal,
    scale: Scale,
    working_range: tuple[float, float],
    largest_U: LargestU,
    *,
    tolerance_mm: float | None = None,
    repeat_dof: float = np.inf,
    repeat_share: float = 1.0,
    order_broken: bool = False,
    among: Sequence[Family] | None = None,
) -> Comparison:
    """
    Fit every family that describes the signal, and recommend one.

    Parameters
    ----------
    points : Points
    signal : "raw" or "thickness"
    scale : "known" or "estimated"
    working_range : (float, float)
        Where parts will be measured [mm].
    largest_U : callable
        The largest expanded uncertainty [mm] of a result over the working range with a curve, backed by the flexible
        curve that is handed over with it.
    tolerance_mm : float, optional
        Half-width [mm].
    repeat_dof, repeat_share : float
        Degrees of freedom of the repeatability, and its mean share of the points' variance: the limit of χ² allows
        for few repeats.
    order_broken : bool
        Whether the points are out of order: nothing is recommended then.
    among : sequence of Family, optional
        Default: all that are registered for the signal.

    Returns
    -------
    Comparison

    Notes
    -----
    The flexible curve is the default. A formula is recommended only where χ² accepts it, it is monotonic, it spends
    at least two points fewer than there are, it stays within the expanded uncertainty of the flexible curve over the
    whole working range, and U grows by no more than 5 % with it; among those, the fewest parameters within 2 of the
    lowest criterion.
    """
    known = families(signal) if among is None else among
    question = Question(
        signal,
        scale,
        tuple(form for form in known if form.kind != "flexible"),
        np.linspace(*working_range, GRID),
        largest_U,
        tolerance_mm,
        repeat_dof,
        repeat_share,
        order_broken,
    )
    judge = Judge(points, question)
    recommended, reason = judge.recommendation
    return Comparison(judge.rows, recommended, reason, "AICc" if scale == "estimated" else "AIC", judge)
