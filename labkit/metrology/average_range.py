"""The gauge study from averages and ranges, as it was done by hand."""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from labkit.metrology.chart_constants import d2, d2_star
from labkit.metrology.gauge_result import GaugeStudy, few, shared_out, shares
from labkit.metrology.study_layout import cells, check_options
from labkit.problems import Reason

MANY_GROUPS: Final = 15
"""Above so many ranges the manual divides the mean range by d2 itself."""


def average_and_range(
    values: ArrayLike,
    parts: Sequence[Hashable],
    operators: Sequence[Hashable],
    *,
    tolerance_width: float | None = None,
    multiplier: float = 6,
) -> GaugeStudy:
    """
    The same from averages and ranges, as it was done by hand: it cannot see the interaction and has no intervals.

    Parameters
    ----------
    values, parts, operators, tolerance_width, multiplier
        As for `gauge_study`; the design is crossed.

    Returns
    -------
    GaugeStudy

    Raises
    ------
    BadInput
        As `gauge_study`.

    References
    ----------
    AIAG, Measurement Systems Analysis, 4th edition, chapter III (from memory); its K1, K2 and K3 are 1/d2* and are
    computed here.
    """
    check_options("crossed", tolerance_width, multiplier, 0.0, 0.5)
    y = cells(values, parts, operators, "crossed")
    o, p, r = y.shape
    repeatability = (float(np.ptp(y, axis=2).mean()) * _one_over(r, o * p)) ** 2
    operator = (float(np.ptp(y.mean(axis=(1, 2)))) * _one_over(o, 1)) ** 2 - repeatability / (p * r)
    part = (float(np.ptp(y.mean(axis=(0, 2)))) * _one_over(p, 1)) ** 2
    raw = {"repeatability": repeatability, "operator": operator, "reproducibility": operator, "part": part}
    components, cautions = shared_out(raw, {}, {}, tolerance_width, multiplier)
    return GaugeStudy(
        "crossed",
        p,
        o,
        r,
        (),
        components,
        None,
        None,
        multiplier,
        tolerance_width,
        None,
        (Reason("gauge_study.average_and_range"), *shares(tolerance_width, multiplier)),
        tuple(cautions + few(o, p)),
    )


def _one_over(n: int, groups: int) -> float:
    return 1.0 / (d2(n) if groups > MANY_GROUPS else d2_star(n, groups))
