"""Repeats of one calibration: how far a reading scatters, by themselves or as it is stated, and which stand apart."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

import numpy as np
from scipy.special import chdtr, chdtrc

from labkit.bench.conditions import Conditions
from labkit.bench.readings import Reading
from labkit.curves.family import Array
from labkit.metrology import Straggler, VarianceFunction, fit_variance, grubbs
from labkit.metrology.repeatability import stated_variance
from labkit.metrology.spread_tests import GRUBBS_FROM
from labkit.problems import Caution

ENOUGH: Final = 10
"""Degrees of freedom from which the repeats themselves say how far a reading scatters (common practice, no source)."""

BY_CHANCE: Final = 0.01
"""Repeats contradict a stated repeatability where chance alone brings them as far from it so seldom."""


def spread_of(
    x: Array, values: Sequence[Array], resolution: float, conditions: Conditions, cautions: list[Caution], unit: str
) -> VarianceFunction:
    """
    The variance of one reading along the thickness.

    Parameters
    ----------
    x : ndarray, shape (m,)
        Thicknesses of the points [mm].
    values : sequence of m ndarray
        Their readings, in the unit of the signal.
    resolution : float
        The display step.
    conditions : Conditions
    cautions : list of Caution
        Doubts are added; a stated repeatability is never dropped without one.
    unit : str
        Of the readings, as it is written.

    Returns
    -------
    VarianceFunction

    Notes
    -----
    A repeatability that is stated comes from more than this day. Few repeats do not overrule it: two readings that
    agree by chance would. It counts until the repeats have `ENOUGH` degrees of freedom, unless they scatter more than
    it allows (χ², `BY_CHANCE`).
    """
    stated = conditions.repeatability
    repeated = [i for i, group in enumerate(values) if len(group) > 1]
    if not repeated and stated is None:
        cautions.append(Caution("points.no_repeats"))
    as_stated = stated_variance(stated or 0.0, float(x.min()), float(x.max()), resolution)
    if not repeated:
        return as_stated
    s2 = np.array([values[i].var(ddof=1) for i in repeated])
    dof = np.array([len(values[i]) - 1 for i in repeated])
    measured = fit_variance(x[repeated], s2, dof, resolution)
    if stated is None:
        return measured
    allowed, pooled, total = float(as_stated.variance(x[0])), float(dof @ s2) / dof.sum(), float(dof.sum())
    said = {"stated": stated, "s": float(np.sqrt(pooled)), "dof": int(total), "unit": unit}
    if chdtrc(total, total * pooled / allowed) < BY_CHANCE:
        cautions.append(Caution("points.repeatability_exceeded", said))
        return measured
    if total >= ENOUGH:
        cautions.append(Caution("points.repeatability_not_used", said))
        return measured
    # the display hides a scatter below its step
    if chdtr(total, total * (pooled + resolution**2 / 12.0) / allowed) < BY_CHANCE:
        cautions.append(Caution("points.repeatability_kept", said))
    return as_stated


def say_stragglers(
    found: Sequence[Straggler], names: Sequence[str], groups: dict[str, list[Reading]], cautions: list[Caution]
) -> None:
    """Add the readings that stand apart."""
    for each in found:
        name = names[each.group]
        row = groups[name][each.index]
        params = {
            "point": name,
            "index": each.index + 1,
            "typed": row.typed,
            "others": len(groups[name]) - 1,
            "ratio": each.ratio,
        }
        cautions.append(Caution("points.straggler", params, row.where))
        _say_grubbs(each, params, groups[name], cautions)


def _say_grubbs(each: Straggler, params: Mapping[str, Any], rows: Sequence[Reading], cautions: list[Caution]) -> None:
    """A second opinion where there are readings enough for one: it changes nothing."""
    if len(rows) < GRUBBS_FROM:
        return
    found = grubbs([row.value for row in rows])
    if found is not None and found.index == each.index:
        numbers = {key: vars(found)[key] for key in ("statistic", "critical", "n", "alpha")}
        said = {"point": params["point"], "index": params["index"]} | numbers
        cautions.append(Caution("points.grubbs", said, rows[each.index].where))
