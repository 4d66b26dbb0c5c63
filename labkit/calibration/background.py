"""What the gauge shows with no target near: how it is read, how surely, and what it did in the meantime."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from labkit.bench.conditions import Background, Conditions
from labkit.bench.influences import Influence
from labkit.bench.readings import Readings
from labkit.metrology import VarianceFunction
from labkit.problems import Caution

DRIFT = "background-drift"
"""What a laboratory calls its own line for it, among the influences."""


@dataclass(frozen=True)
class BackgroundReading:
    """
    The indication with no target near.

    Attributes
    ----------
    handled : str
        "subtract", "inside" or "not shown".
    value, u : float or None
        Mean and its standard uncertainty, in the unit of the readings; None where it was not read.
    closing : float or None
        The mean read again at the end.
    dof : float
        Degrees of freedom of `u`.
    """

    handled: Background
    value: float | None = None
    u: float | None = None
    closing: float | None = None
    dof: float = math.inf

    @property
    def subtracted(self) -> float:
        return self.value if self.handled == "subtract" and self.value is not None else 0.0

    @property
    def moved(self) -> float | None:
        """By how much it moved between start and end, in the unit of the readings; None where that is not known."""
        return None if self.value is None or self.closing is None else self.closing - self.value

    @property
    def offset(self) -> float | None:
        """
        By how much every reading has moved with it, in the unit of the readings; None where that is not known.

        What a gauge takes away itself may or may not follow, and a gauge that linearises turns it into something else:
        only where it is subtracted here does it move every reading alike.
        """
        return self.moved if self.handled == "subtract" else None

    @property
    def common_variance(self) -> float:
        """Variance that all points share because one background was subtracted from all."""
        return self.u**2 if self.handled == "subtract" and self.u is not None else 0.0

    def to_dict(self) -> dict[str, Any]:
        return dict(vars(self)) | {"dof": None if math.isinf(self.dof) else self.dof}


def read_background(
    readings: Readings, conditions: Conditions, variance: VarianceFunction, cautions: list[Caution]
) -> BackgroundReading:
    """
    Gather the readings without target, and say what is doubtful about them.

    Parameters
    ----------
    readings : Readings
    conditions : Conditions
    variance : VarianceFunction
        Of one reading on a shim.
    cautions : list of Caution
        Doubts are added.

    Returns
    -------
    BackgroundReading

    Notes
    -----
    No target is an endless wall: a reading without one scatters as at the thickest shim, which many repeats say. Two
    or three readings that happen to agree know no better; where they scatter more, their own spread counts.
    """
    rows = [row.value for row in readings.with_role("background") if row.counts]
    closing = [row.value for row in readings.with_role("closing-background") if row.counts]
    handled: Background = conditions.background or ("subtract" if readings.signal == "raw" and rows else "inside")
    if not rows:
        if handled == "not shown":
            return BackgroundReading(handled)
        cautions.append(Caution("background.not_read"))
        return BackgroundReading(handled)
    u, dof = _spread(rows, variance)
    again = float(np.mean(closing)) if closing else None
    found = BackgroundReading(handled, float(np.mean(rows)), u, again, dof)
    _say_moved(found, readings, conditions, cautions)
    return found


def stated_drift(conditions: Conditions) -> Influence | None:
    """What the laboratory itself says of the drift of the background: it then stands for what was read."""
    return next((each for each in conditions.influences if each.code == DRIFT), None)


def _spread(rows: Sequence[float], variance: VarianceFunction) -> tuple[float, float]:
    """u of the mean of readings without target, and its degrees of freedom."""
    n, far = len(rows), variance.high
    expected = float(variance.variance_of_mean(far, n))
    own = float(np.var(rows, ddof=1)) / n if n > 1 else 0.0
    if own > expected:
        return math.sqrt(own), n - 1.0
    return math.sqrt(expected), float(variance.dof_at(far))


def _say_moved(found: BackgroundReading, readings: Readings, conditions: Conditions, cautions: list[Caution]) -> None:
    if found.moved is None:
        return
    moved, limit = abs(found.moved), conditions.background_limit
    unit = {"unit": readings.value_unit}
    if limit is not None and moved > limit:
        cautions.append(Caution("background.moved", {"moved": moved, "limit": limit, **unit}))
    elif limit is None and found.offset is None and moved > 0:
        cautions.append(Caution("background.no_limit", {"moved": moved, **unit}))
    stated = stated_drift(conditions)
    if stated is None or stated.off or found.offset is None:
        return
    own = stated.values["signal"]
    if moved > (own if stated.shape == "rectangular" else own * math.sqrt(3.0)):
        cautions.append(Caution("background.more_than_stated", {"moved": moved, "stated": own, **unit}))
