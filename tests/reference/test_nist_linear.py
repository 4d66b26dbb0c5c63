"""
NIST Statistical Reference Datasets, linear least squares (Norris, NoInt1, Wampler1, 2, 4, Filip, Longley).

Certified to 15 digits. The digits asked for are what double precision can reach with a sound method; each file under
``labkit/validation/data/nist_linear`` says how many that are.
"""

from __future__ import annotations

import numpy as np
import pytest
from agreement import disagreements, left_unchecked

from labkit.curves import Curve, fit, linear_family, solve_linear
from labkit.curves.polynomial import polynomial
from labkit.validation import case


def computed_by(curve: Curve, first: int = 0) -> dict[str, float]:
    names = [f"b{i + first}" for i in range(len(curve.parameters))]
    assert curve.residual_sd is not None
    return (
        dict(zip(names, curve.parameters.values(), strict=True))
        | dict(zip([f"u_{name}" for name in names], curve.standard_errors.values(), strict=True))
        | {"residual_sd": curve.residual_sd}
    )


@pytest.mark.parametrize(
    ("name", "family"),
    [
        ("Norris", "line"),
        ("Wampler1", "polynomial-5"),
        ("Wampler2", "polynomial-5"),
        ("Wampler4", "polynomial-5"),
    ],
)
def test_polynomials_of_the_register(name, family):
    one = case(name)
    curve = fit(one.array("x"), one.array("y"), family)
    assert curve.scale == "estimated"
    computed = computed_by(curve)
    assert disagreements(one, computed) == []
    assert left_unchecked(one, computed) == set()


def test_filip_polynomial_of_degree_10():
    """No registered family goes so far; the same family of a higher degree keeps its digits."""
    one = case("Filip")
    computed = computed_by(fit(one.array("x"), one.array("y"), polynomial(10)))
    assert disagreements(one, computed) == []
    assert left_unchecked(one, computed) == set()


def test_line_without_intercept():
    one = case("NoInt1")
    family = linear_family("through the origin", lambda x: x[:, None])
    computed = computed_by(fit(one.array("x"), one.array("y"), family), first=1)
    assert disagreements(one, computed) == []
    assert left_unchecked(one, computed) == set()


def test_longley_six_regressors():
    one = case("Longley")
    regressors = one.array("x")
    found = solve_linear(np.column_stack([np.ones(len(regressors)), regressors]), one.array("y"))
    computed = {"residual_sd": found.residual_sd}
    for i, (b, u) in enumerate(zip(found.b, found.standard_errors, strict=True)):
        computed |= {f"b{i}": float(b), f"u_b{i}": float(u)}
    assert found.dof == 9
    assert disagreements(one, computed) == []
    assert left_unchecked(one, computed) == set()
