"""
NIST Statistical Reference Datasets, nonlinear least squares: each of NIST's two starts by itself.

`test_published.py` holds the digits, and `labkit validate` tabulates them; here stands what that does not see: which
start leads astray, parameters that are kept positive, a start that is handed to `fit`, derivatives by differences.
"""

from __future__ import annotations

import numpy as np
import pytest

from labkit.curves import Family, fit
from labkit.validation import case, cases, judge
from labkit.validation.computed.nist_nonlinear import MODELS, STARTS, from_start


def test_every_packaged_case_has_its_model_and_all_of_them_are_packaged():
    assert {each.name for each in cases("nist_nonlinear")} == set(MODELS)
    assert len(MODELS) == 15


@pytest.mark.parametrize("start", STARTS)
@pytest.mark.parametrize("name", sorted(MODELS))
def test_own_family_reaches_the_certified_values(name, start):
    one = case(name)
    assert judge(one, from_start(one, start)).disagreements() == ()


@pytest.mark.parametrize("start", STARTS)
def test_parameters_that_are_kept_positive_lead_to_the_same_place(start):
    """Lanczos3 with its six amplitudes and rates solved for as logarithms."""
    one = case("Lanczos3")
    names = tuple(one.inputs["parameters"])
    family = Family("Lanczos3", MODELS["Lanczos3"], lambda x, y: one.inputs[start], names, "raw", 7, positive=names)
    curve = fit(one.array("x"), one.array("y"), family)
    assert all(one.published[name].agrees(value) for name, value in curve.parameters.items())


def test_given_start_takes_the_place_of_the_familys_own():
    """Misra1a from a start of the family that leads nowhere, and NIST's own start handed to `fit`."""
    one = case("Misra1a")
    family = Family("Misra1a", MODELS["Misra1a"], lambda x, y: (np.nan, np.nan), ("b1", "b2"), "raw", 3)
    curve = fit(one.array("x"), one.array("y"), family, start=one.inputs["start2"])
    assert all(one.published[name].agrees(value) for name, value in curve.parameters.items())


def test_a_location_far_from_zero_is_differentiated_by_its_own_scale():
    """Eckerle4: the peak lies at 451 and is 4 wide. A step in proportion to 451 leaves five digits of the errors."""
    x, b = case("Eckerle4").array("x"), np.array([1.5543827178, 4.0888321754, 451.54121844])
    form = Family("Eckerle4", MODELS["Eckerle4"], lambda x, y: b, ("b1", "b2", "b3"))
    by_place = form.f(x, *b) * (x - b[2]) / b[1] ** 2
    assert form.jacobian(x, b)[:, 2] == pytest.approx(by_place, abs=1e-10 * np.abs(by_place).max())
