"""
Pearson's data (1901) with York's weights (1966), by both conventions of stating the uncertainty of such a line.

labkit follows York et al., Am. J. Phys. 72 (2004) 367, and ISO/TS 28037: the Gauss-Newton normal matrix. Kalantar,
Meas. Sci. Technol. 3 (1992) 1113, takes the line for a function of all coordinates and propagates their uncertainties.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from labkit.curves import Curve, fit
from labkit.metrology import Quantity, propagate_together
from labkit.validation.cases import Case
from labkit.validation.computed.line import line_values
from labkit.validation.register import computes


def _line(x: Any, y: Any, case: Case) -> Curve:
    return fit(x, y, "line", ux=case.array("w_x") ** -0.5, uy=case.array("w_y") ** -0.5)


@computes("pearson_york")
def york(case: Case) -> dict[str, float]:
    curve = _line(case.array("x"), case.array("y"), case)
    assert curve.chi2 is not None
    return line_values(curve) | {"S": curve.chi2, "S_over_nu": curve.chi2 / curve.dof}


@computes("pearson_york_lpu")
def kalantar(case: Case) -> dict[str, float]:
    """The law of propagation of uncertainty, with the fit itself as the model."""
    x, y = case.array("x"), case.array("y")
    coordinates = [
        Quantity(f"{axis}{i}", float(value), float(weight**-0.5))
        for axis, values in (("x", x), ("y", y))
        for i, (value, weight) in enumerate(zip(values, case.array(f"w_{axis}"), strict=True))
    ]

    def parameters(*moved: float) -> tuple[float, ...]:
        return tuple(_line(moved[: len(x)], moved[len(x) :], case).parameters.values())

    found = propagate_together(np.vectorize(parameters, otypes=[float, float]), coordinates)
    u_a, u_b = (result.u for result in found.results)
    return {"u_a": u_a, "u_b": u_b, "cov_ab": float(found.covariance[0, 1])}
