"""Contact zero, now against the calibration."""

from __future__ import annotations

import math

import numpy as np

from labkit.bench.conditions import Conditions
from labkit.bench.readings import Readings
from labkit.calibration import Calibration
from labkit.calibration.background import BackgroundReading
from labkit.check.result import ZeroNow
from labkit.metrology import Budget, BudgetLine


def zero_now(
    calibration: Calibration, readings: Readings, now: BackgroundReading, conditions: Conditions
) -> ZeroNow | None:
    """
    By how much contact zero has moved, in thickness.

    Parameters
    ----------
    calibration : Calibration
    readings : Readings
        Of today.
    now : BackgroundReading
        What is subtracted from them.
    conditions : Conditions

    Returns
    -------
    ZeroNow or None
        None where it was not read, then or now.

    Notes
    -----
    Two readings of one gauge: nothing of the curve but its slope at 0 is in the difference. The target was seated
    twice.
    """
    values = [row.value for row in readings.with_role("zero") if row.counts]
    point = next((each for each in calibration.table.points if not each.shims), None)
    if point is None or not values:
        return None
    table = calibration.table
    slope = float(calibration.curve.slope(np.array([0.0]))[0])
    shift = (table.sign * (float(np.mean(values)) - now.subtracted) - point.y) / slope
    both = table.variance.variance_of_mean(0.0, np.array([point.n, len(values)]))
    read = math.sqrt(float(np.sum(both))) / abs(slope)
    lines = [BudgetLine("budget.reading", read, float(table.variance.dof_at(0.0)), {"n": len(values)})]
    if conditions.zero_u_mm:
        lines.append(BudgetLine("budget.seating", math.sqrt(2.0) * conditions.zero_u_mm))
    if now.handled == "subtract" and now.u is not None:
        of_then = math.sqrt(table.common_variance) / abs(slope)
        lines.append(BudgetLine("budget.background", of_then, table.background.dof))
        lines.append(BudgetLine("budget.background_now", now.u / abs(slope), now.dof))
    budget = Budget(0.0, tuple(lines))
    return ZeroNow(shift, budget.u_mm, budget.U_mm, budget.k, len(values))
