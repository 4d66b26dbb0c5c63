"""
NIST Statistical Reference Datasets, nonlinear least squares, from both of NIST's starts.

Certified to 11 digits; eight of the parameters and of their standard errors are asked for (labkit differentiates
numerically here, as it does for a family that an engineer writes without a Jacobian). Bennett5 is the certified case
closest to this project's own power law.
"""

from __future__ import annotations

import numpy as np
import pytest
from agreement import disagreements, left_unchecked

from labkit.curves import Family, fit
from labkit.validation import case, cases

MODELS = {
    "Bennett5": lambda x, b1, b2, b3: b1 * (b2 + x) ** (-1.0 / b3),
    "Chwirut1": lambda x, b1, b2, b3: np.exp(-b1 * x) / (b2 + b3 * x),
    "Chwirut2": lambda x, b1, b2, b3: np.exp(-b1 * x) / (b2 + b3 * x),
    "DanWood": lambda x, b1, b2: b1 * x**b2,
    "Misra1a": lambda x, b1, b2: b1 * (1.0 - np.exp(-b2 * x)),
    "Misra1b": lambda x, b1, b2: b1 * (1.0 - (1.0 + b2 * x / 2.0) ** -2.0),
    "Misra1c": lambda x, b1, b2: b1 * (1.0 - (1.0 + 2.0 * b2 * x) ** -0.5),
}


def test_every_packaged_case_has_its_model():
    assert {each.name for each in cases("nist_nonlinear")} == set(MODELS)


@pytest.mark.parametrize("start", ["start1", "start2"])
@pytest.mark.parametrize("name", sorted(MODELS))
def test_own_family_reaches_the_certified_values(name, start):
    one = case(name)
    names = tuple(one.inputs["parameters"])
    family = Family(name, MODELS[name], lambda x, y: one.inputs[start], names, "raw", len(names) + 1)
    curve = fit(one.array("x"), one.array("y"), family)
    assert curve.residual_sd is not None
    computed = (
        curve.parameters
        | {f"u_{parameter}": u for parameter, u in curve.standard_errors.items()}
        | {"residual_sd": curve.residual_sd}
    )
    assert disagreements(one, computed) == []
    assert left_unchecked(one, computed) == set()


def test_given_start_takes_the_place_of_the_familys_own():
    """Misra1a from a start of the family that leads nowhere, and NIST's own start handed to `fit`."""
    one = case("Misra1a")
    family = Family("Misra1a", MODELS["Misra1a"], lambda x, y: (np.nan, np.nan), ("b1", "b2"), "raw", 3)
    curve = fit(one.array("x"), one.array("y"), family, start=one.inputs["start2"])
    assert disagreements(one, curve.parameters) == []
