"""JCGM 100:2008, table G.2: Student's t, as it stands in the half-width of an interval."""

from __future__ import annotations

import numpy as np

from labkit.curves import fit
from labkit.validation.cases import Case
from labkit.validation.register import computes


@computes("table_G2_student")
def table_g2(case: Case) -> dict[str, float]:
    """U/u of a line whose scale was estimated from so many degrees of freedom is t."""
    return {name: _t(name) for name in case.published}


def _t(name: str) -> float:
    level_text, dof = name.removeprefix("t").split("_")
    x = np.linspace(0.0, 1.0, int(dof) + 2)
    y = x + 1e-3 * np.where(np.arange(len(x)) % 2, 1.0, -1.0)  # any residuals do
    curve = fit(x, y, "line")
    _, u = curve.invert([0.5], [0.0])
    assert u is not None
    low, high = curve.invert_interval(0.5, 0.0, level=float(f"0.{level_text}"), method="wald")
    return float((high - low) / 2.0 / u[0])
