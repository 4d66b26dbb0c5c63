"""Whether the indications follow the thicknesses in one direction, and which shim is out of order."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import Final

import numpy as np

from labkit.curves import Points
from labkit.problems import Caution

REVERSAL: Final = 3.0
"""Neighbours out of order by more than this many combined standard uncertainties break the order."""


def say_order(names: Sequence[str], fitted: Points, cautions: list[Caution]) -> bool:
    """
    Name the shims whose indications are out of order by more than `REVERSAL` combined standard uncertainties.

    Parameters
    ----------
    names : sequence of str
        Of the points.
    fitted : Points
        With the covariance of y.
    cautions : list of Caution
        Takes one for each pair of neighbours that is out of order.

    Returns
    -------
    bool
        Whether any is.
    """
    order = [int(i) for i in np.argsort(fitted.x, kind="stable")]
    direction = 1.0 if fitted.y[order[-1]] >= fitted.y[order[0]] else -1.0
    broken = [pair for j, pair in enumerate(pairwise(order)) if _reversed(fitted, order, j, direction)]
    for a, b in broken:
        guilty = _guilty(fitted, order, a, b, direction)
        suspects = [names[i] for i in guilty]
        code = "points.order_broken" if len(suspects) == 1 else "points.order_swapped"
        cautions.append(Caution(code, {"shim": suspects[0], "other": suspects[-1]}))
    return bool(broken)


def _reversed(fitted: Points, order: Sequence[int], j: int, direction: float) -> bool:
    """Whether the indication moves the wrong way from point j of the order to the next, thicker one."""
    assert fitted.V_y is not None
    a, b = order[j], order[j + 1]
    step = direction * (fitted.y[b] - fitted.y[a])
    between = fitted.x[b] - fitted.x[a]
    # thin walls change a raw signal a hundred times as fast as thick ones: the slope is that of the neighbourhood
    near = [order[max(j - 1, 0)], order[min(j + 2, len(order) - 1)]]
    reach = np.ptp(fitted.x[near])
    slope = np.ptp(fitted.y[near]) / reach if reach > 0 else 0.0
    from_x = fitted.V_x[a, a] + fitted.V_x[b, b] - 2 * fitted.V_x[a, b]
    from_y = fitted.V_y[a, a] + fitted.V_y[b, b] - 2 * fitted.V_y[a, b]
    return bool(step < -REVERSAL * np.sqrt(from_y + slope**2 * from_x) and between > 0)


def _guilty(fitted: Points, order: list[int], a: int, b: int, direction: float) -> list[int]:
    """Whichever of the two puts the rest in order when it is taken away; both where either does."""
    alone = []
    for suspect in (a, b):
        rest = [i for i in order if i != suspect]
        near = rest.index(b if suspect == a else a)
        pairs = [j for j in (near - 1, near) if 0 <= j < len(rest) - 1]
        if not any(_reversed(fitted, rest, j, direction) for j in pairs):
            alone.append(suspect)
    return alone if len(alone) == 1 else [a, b]
