"""
NIST Statistical Reference Datasets, linear least squares.

Certified to 15 digits; each case asks for the digits that double precision can reach with a sound method.
"""

from __future__ import annotations

import numpy as np

from labkit.curves import Curve, Family, fit, linear_family, solve_linear
from labkit.curves.polynomial import polynomial
from labkit.validation.cases import Case
from labkit.validation.register import computes


def _values(curve: Curve, first: int = 0) -> dict[str, float]:
    names = [f"b{i + first}" for i in range(len(curve.parameters))]
    assert curve.residual_sd is not None
    return (
        dict(zip(names, curve.parameters.values(), strict=True))
        | dict(zip([f"u_{name}" for name in names], curve.standard_errors.values(), strict=True))
        | {"residual_sd": curve.residual_sd}
    )


@computes("Norris")
def norris(case: Case) -> dict[str, float]:
    return _values(fit(case.array("x"), case.array("y"), "line"))


@computes("Wampler1", "Wampler2", "Wampler4")
def wampler(case: Case) -> dict[str, float]:
    return _values(fit(case.array("x"), case.array("y"), "polynomial-5"))


@computes("Filip")
def filip(case: Case) -> dict[str, float]:
    """Degree 10: no registered family goes so far; the same family of that degree keeps its digits."""
    return _values(fit(case.array("x"), case.array("y"), polynomial(10)))


@computes("NoInt1")
def no_intercept(case: Case) -> dict[str, float]:
    family: Family = linear_family("through the origin", lambda x: x[:, None])
    return _values(fit(case.array("x"), case.array("y"), family), first=1)


@computes("Longley")
def longley(case: Case) -> dict[str, float]:
    """Six regressors."""
    regressors = case.array("x")
    found = solve_linear(np.column_stack([np.ones(len(regressors)), regressors]), case.array("y"))
    assert found.residual_sd is not None
    values = {"residual_sd": found.residual_sd}
    for i, (b, u) in enumerate(zip(found.b, found.standard_errors, strict=True)):
        values |= {f"b{i}": float(b), f"u_b{i}": float(u)}
    return values
