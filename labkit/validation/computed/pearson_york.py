"""Pearson's data (1901) with York's weights (1966), by the convention of York et al., Am. J. Phys. 72 (2004) 367."""

from __future__ import annotations

from labkit.curves import fit
from labkit.validation.cases import Case
from labkit.validation.computed.line import line_values
from labkit.validation.register import computes


@computes("pearson_york")
def york(case: Case) -> dict[str, float]:
    """The Gauss-Newton normal matrix, which is also that of ISO/TS 28037."""
    ux, uy = case.array("w_x") ** -0.5, case.array("w_y") ** -0.5
    curve = fit(case.array("x"), case.array("y"), "line", ux=ux, uy=uy)
    assert curve.chi2 is not None
    return line_values(curve) | {"S": curve.chi2, "S_over_nu": curve.chi2 / curve.dof}
