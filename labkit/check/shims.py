"""Check shims with a stored curve: the shims of then and now together, and the way from a reading to a thickness."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from labkit.bench.conditions import Conditions
from labkit.bench.readings import Readings
from labkit.bench.shims import Shim, ShimSet
from labkit.calibration import Calibration
from labkit.calibration.background import BackgroundReading
from labkit.calibration.checks import Check as ShimCheck
from labkit.calibration.checks import Correct
from labkit.calibration.points import PointTable
from labkit.curves.inverse import thickness
from labkit.metrology import Budget
from labkit.problems import Caution

_AS_CALIBRATED = "{} as calibrated"


def joint_table(calibration: Calibration, readings: Readings, conditions: Conditions) -> PointTable:
    """
    The points of the calibration with the shims of today beside them, under the conditions of today.

    A shim of the same mark that is not what it was — certified anew, or another one — stands there twice: nothing says
    that its two values err together.
    """
    now = {shim.name: shim for shim in readings.shims}
    renamed = {
        shim.name: _AS_CALIBRATED.format(shim.name)
        for shim in calibration.readings.shims
        if shim.name in now and not _same(shim, now[shim.name])
    }
    then = [
        replace(shim, name=renamed.get(shim.name, shim.name))
        for shim in calibration.readings.shims
        if shim.name in renamed or shim.name not in now
    ]
    points = tuple(
        replace(point, shims=tuple(renamed.get(name, name) for name in point.shims))
        for point in calibration.table.points
    )
    smallest = conditions.smallest_U_mm
    if smallest is None:
        smallest = calibration.table.conditions.smallest_U_mm
    shims = ShimSet((*readings.shims.shims, *then), readings.shims.name)
    return replace(
        calibration.table,
        points=points,
        readings=replace(calibration.readings, shims=shims),
        conditions=replace(conditions, smallest_U_mm=smallest),
    )


def corrector(calibration: Calibration, now: BackgroundReading) -> Correct:
    """From the mean of n indications of today to the thickness and its budget, with the stored curve."""
    table, curve = calibration.table, calibration.curve
    uncertainty = replace(calibration.uncertainty, reread=now if now.handled == "subtract" else None)

    def correct(mean: float, n: int) -> tuple[float, Budget] | None:
        signal = table.sign * (mean - now.subtracted)
        x = thickness(curve, np.array([signal]), calibration.reach_mm, "mask")
        if np.ma.getmaskarray(x)[0]:
            return None
        return float(x[0]), uncertainty.budget(curve, float(x[0]), n, on_parts=False)

    return correct


def say_recertified(
    calibration: Calibration, table: PointTable, checks: Sequence[ShimCheck], cautions: list[Caution]
) -> tuple[ShimCheck, ...]:
    """Check shims that took part in the fit under an earlier certificate: they prove less all the same."""
    then = {name for point in calibration.table.points for name in point.shims}
    still = {name for point in table.points for name in point.shims}
    sets = {shim.name: shim.set_name for shim in calibration.readings.shims}
    found = []
    for check in checks:
        again = [
            name for name in check.shims if name in then - still and sets[name] == table.readings.shims[name].set_name
        ]
        if again:
            cautions.append(Caution("take_up.recertified", {"shim": check.point}))
        found.append(replace(check, in_fit=True) if again else check)
    return tuple(found)


def _same(then: Shim, now: Shim) -> bool:
    """Whether the certified value is the same one, with the same error."""
    return all(
        getattr(then, name) == getattr(now, name)
        for name in ("set_name", "certificate", "thickness_mm", "u_mm", "shared_u_mm")
    )
